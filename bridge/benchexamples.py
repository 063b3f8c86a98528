"""Examples of what to type at the bench, of the board at hand."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from bridge.board import Board
from bridge.partkinds import SWITCH_KINDS
from bridge.separate import reachable_probings

__all__ = ["Examples", "examples_of"]


@dataclass(frozen=True, slots=True)
class Examples:
    """What a board has to be named in an example.

    Parameters
    ----------
    places : str
        Two places, a diode's anode and cathode where both are main terminals: ``U P``.
    row : str
        A reading there.
    rows : tuple of str
        That one, one at a gate and one with a gate held, as far as the board has gates.
    part : str
        The first switch; else the first part that may fail.
    fault : str
        One of its faults.
    """

    places: str
    row: str
    rows: tuple[str, ...]
    part: str
    fault: str


@lru_cache(maxsize=8)
def examples_of(board: Board) -> Examples:
    """Return examples of what to type on a board.

    Parameters
    ----------
    board : Board
        The board.
    """
    places = " ".join(_across_a_diode(board) or _two_places(board))
    rows = [f"{places} 0.41"]
    rows += [f"{gate} {emitter} ohms 9.9k" for gate, emitter in board.gate_leads[:1]]
    held = next((one for one in reachable_probings(board) if one.hold), None)
    if held is not None:
        rows.append(f"{held.red} {held.black} hold {held.hold_text} 0.7")
    failing = [part for part in board.parts.values() if part.modes]
    part = next((one for one in failing if one.kind in SWITCH_KINDS), failing[0] if failing else None)
    name = part.ref if part else "PART"
    return Examples(places, rows[0], tuple(rows), name, f"{name}:{part.modes[0] if part else 'MODE'}")


def _across_a_diode(board: Board) -> tuple[str, ...]:
    main = board.main_on
    ends = (
        (part.pins["anode"], part.pins["cathode"])
        for part in board.parts.values()
        if part.kind == "diode" and set(part.pins.values()) <= set(main)
    )
    return tuple(main[net] for net in next(ends, ()))


def _two_places(board: Board) -> tuple[str, ...]:
    """Return the first two terminals, main ones first; placeholders where there is only one."""
    return (
        (*board.main_terminals, *board.terminals, "RED", "BLACK")[:2] if len(board.terminals) > 1 else ("RED", "BLACK")
    )
