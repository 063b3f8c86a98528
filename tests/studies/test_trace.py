"""What a damage, or a bench that is not as stated, leaves on a sheet."""

from __future__ import annotations

import pytest

from bridge.board import load_board
from bridge.faults import parse_fault
from bridge.meter import load_meter
from bridge.probing import Setup
from tests.studies.conditions import real_setup
from tests.studies.plan import standard_sheet
from tests.studies.trace import setup_shows


@pytest.mark.parametrize(
    ("faults", "what", "shows"),
    [
        ((), "bus-charged", True),
        (("D_VL:open",), "bus-charged", True),
        (("Q_WH:ce-short", "Q_WL:ce-short"), "bus-charged", False),
        (("C_BUS:leak:100",), "bus-charged", False),
        (("Q_WH:ce-short", "Q_WL:ce-short"), "motor-connected", True),
    ],
)
def test_a_shorted_bus_holds_no_charge(faults: tuple[str, ...], what: str, shows: bool) -> None:
    """A charge that damage has drained leaves no trace; windings between the phases do, whatever else is wrong."""
    board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup()
    damage = tuple(parse_fault(fault, board) for fault in faults)
    real = real_setup(board, setup, what)
    assert setup_shows(board, meter, setup, real, standard_sheet(board), damage, swapped=False) is shows
