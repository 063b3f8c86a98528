"""Readings that go together: the six diodes of a bridge, the gates, the switches held on, read one after the other."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.board import Board
from bridge.forecast import default_probings
from bridge.probing import Probing
from bridge.separate import reachable_probings
from bridge.travel import order_by_movement

__all__ = ["like_readings"]


def like_readings(board: Board, probing: Probing) -> tuple[Probing, ...]:
    """Return the readings a technician takes in one go with a given one, in the order of least lead movement.

    Parameters
    ----------
    board : Board
        The board.
    probing : Probing
        One of them.

    Returns
    -------
    tuple of Probing
        Forward readings of diodes of one batch, those readings with the leads exchanged, all gate leads, or all
        switches held on alike; the given one alone where nothing goes with it.
    """
    for family in _families(board):
        if probing in family:
            return order_by_movement(board, family)
    return (probing,)


def _families(board: Board) -> Iterable[list[Probing]]:
    main = board.main_on
    forward: dict[str, list[Probing]] = {}
    for part in board.parts.values():
        if part.kind == "diode" and set(part.pins.values()) <= set(main):
            probing = Probing(main[part.pins["anode"]], main[part.pins["cathode"]])
            batch = forward.setdefault(part.batch, [])
            if probing not in batch:
                batch.append(probing)
    for batch in forward.values():
        yield batch
        yield [probing.swapped for probing in batch]
    yield [probing for probing in default_probings(board) if probing.mode == "ohms"]
    yield [probing for probing in reachable_probings(board) if probing.hold]
