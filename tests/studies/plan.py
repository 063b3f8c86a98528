"""The sheet every study reads, fixed before anything is planted."""

from __future__ import annotations

from bridge.board import Board
from bridge.probing import Probing
from bridge.worksheet import rail_probings


def standard_sheet(board: Board) -> tuple[Probing, ...]:
    """Return diode mode both ways between main terminals and rails, blocking directions in ohms, and the gate leads."""
    plan = rail_probings(board)
    diode = [one for one in plan if one.mode == "diode"]
    return (*plan, *(Probing(one.red, one.black, "ohms") for one in diode if one.black in ("N",)))
