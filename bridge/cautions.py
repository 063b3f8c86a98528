"""What to mind before a lead touches a board, and before power returns."""

from __future__ import annotations

from bridge.bare import bare_gate_caution
from bridge.board import Board
from bridge.probing import Setup

__all__ = ["BUS_UNSTATED", "CAUTION_AFTER", "CAUTION_BEFORE", "cautions_before"]

CAUTION_BEFORE = (
    "Before a lead touches the board: mains off, bus discharged through a resistor, and measured to be empty."
)
BUS_UNSTATED = (
    "Taken as given: mains off, and the bus measured and empty. Nobody has said so; if it was not measured, do that "
    "before the next lead touches the board."
)
CAUTION_AFTER = (
    "Before power returns: read the gate resistor and driver of every switch that is replaced, "
    "then bring power up in stages."
)


def cautions_before(board: Board, setup: Setup | None) -> list[str]:
    """Return what to mind before a lead touches a board, a line each.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup or None
        The set-up, for gates that nothing discharges; None where it is not known.
    """
    bare = None if setup is None else bare_gate_caution(board, setup)
    return [CAUTION_BEFORE] if bare is None else [bare, CAUTION_BEFORE]
