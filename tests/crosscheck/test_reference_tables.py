"""The solver against ngspice's answers kept in tables, ngspice itself not needed."""

from __future__ import annotations

import random

import pytest

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from tests.crosscheck.compare import Tally
from tests.crosscheck.predicted import netlists_of, solver_values
from tests.crosscheck.reference_tables import ROWS, path_of, read_table
from tests.crosscheck.runner import operating_points, require_simulator

ADVICE = "after a change of boards or meters: python -m tests.crosscheck.reference_tables"


@pytest.mark.parametrize("board_name", list_boards())
def test_solver_meets_the_table(board_name: str) -> None:
    """Every row of a board's table is met within the tolerance of the live comparison."""
    assert path_of(board_name).exists(), ADVICE
    asked, volts = read_table(board_name)
    values = solver_values(load_board(board_name), Setup(), load_meter(), asked)
    tally = Tally()
    tally.add_all(asked, values.direct, volts, "solved by itself")
    tally.add_all(asked, values.tabled, volts, "by table")
    assert not tally.complaint(), f"{tally.complaint()}\n{ADVICE}"
    assert tally.compared > 1.98 * ROWS


@pytest.mark.parametrize("board_name", list_boards())
def test_table_is_what_the_simulator_says(board_name: str) -> None:
    """Rows drawn from a table come out of the simulator as they were written."""
    require_simulator()
    asked, volts = read_table(board_name)
    drawn = random.Random(5).sample(range(len(asked)), 25)
    some = [asked[number] for number in drawn]
    again = operating_points(netlists_of(load_board(board_name), Setup(), some))
    assert again == pytest.approx([volts[number] for number in drawn], abs=2e-5, rel=1e-4), ADVICE
