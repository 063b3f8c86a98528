"""The readings a trainee is given, and how far the trainee may reach for more."""

from __future__ import annotations

from bridge.advise import EFFORTS, Reach
from bridge.board import Board
from bridge.probing import Probing
from bridge.separate import reachable_probings
from bridge.suspect import CONNECTABLE
from bridge.travel import order_by_movement
from bridge.worksheet import rail_probings

__all__ = ["REACHES", "puzzle_probings"]

REACHES = EFFORTS[:3]  # terminals; gates as well; holds as well: nothing is lifted in a puzzle
RAILS = frozenset(("P", "N"))


def puzzle_probings(board: Board, reach: str) -> tuple[Probing, ...]:
    """Return the readings of a puzzle's worksheet, in the order in which the leads move least.

    Each main terminal is read to both rails, both ways, and the rails to each other, and terminals that a load left
    connected would join, to each other; then, as far as the reach goes, every gate lead, and every switch with its gate
    held.

    Parameters
    ----------
    board : Board
        The board.
    reach : str
        ``terminals``, ``gates`` or ``holds``.
    """
    allowed = Reach(effort=reach)
    places = set(board.main_terminals)
    rails = RAILS & places
    diode = [one for one in rail_probings(board) if one.mode == "diode"]
    if len(rails) == len(RAILS):
        # other rails lie on P or N but for a resistor or a relay: they are read as any terminal
        diode = [one for one in diode if {one.red, one.black} & rails]
    diode += _across_loads(board)
    rest = [one for one in reachable_probings(board) if one.hold or {one.red, one.black} in _gates(board)]
    asked = [one for one in (*diode, *rest) if allowed.allows(board, one)]
    return order_by_movement(board, list(dict.fromkeys(asked)))


def _across_loads(board: Board) -> list[Probing]:
    """Return a reading across each load: from the rails a motor between like legs is not to be seen.

    A board may have a part of any kind that is there only with a load, a brake switch for one: where more than two pins
    leave no one reading across it, there is none.
    """
    main = board.main_on
    loads = [tuple(part.pins.values()) for part in board.parts.values() if part.when in CONNECTABLE]
    pairs = [ends for ends in loads if len(ends) == 2]
    return [Probing(main[red], main[black]) for red, black in pairs if red in main and black in main]


def _gates(board: Board) -> list[set[str]]:
    return [set(pair) for pair in board.gate_leads]
