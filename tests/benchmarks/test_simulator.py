"""The simulator's ways on a small board: right answers have a time, sabotaged ones have none."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from tests.benchmarks import simulator
from tests.benchmarks.agreement import WrongAnswersError
from tests.benchmarks.simulator import COMPILED, LAW, Bench
from tests.benchmarks.tables import TableRun, representative_probings, run_table
from tests.crosscheck.runner import require_simulator

BOARD = "half-bridge-cooktop"
PAIRS = 10


@pytest.fixture(scope="module")
def table() -> TableRun:
    require_simulator()
    board, meter = load_board(BOARD), load_meter()
    return run_table(board, meter, representative_probings(board, meter)[:3], 1)


def bench(table: TableRun, channels: str = COMPILED) -> Bench:
    return Bench(table, load_meter(), PAIRS, 1, channels)


@pytest.mark.parametrize("channels", [LAW, COMPILED])
def test_altered_circuits_are_right_and_take_time(table: TableRun, channels: str) -> None:
    """With either kind of channel, a circuit by `alter` and `op` takes from 10 us to 0.1 s."""
    assert 10e-6 < bench(table, channels).altered()[0] < 0.1


def test_copies_are_right_and_take_time(table: TableRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """Copies of the board agree with our table, and each takes from 10 us to 0.1 s."""
    monkeypatch.setattr(simulator, "COPIES", (5, 25))
    assert 10e-6 < bench(table).copied()[0] < 0.1


def test_a_sweep_is_right_and_takes_time(table: TableRun) -> None:
    """A point of a sweep takes from 1 us to 10 ms, and fewer points than asked for are no sweep."""
    assert 1e-6 < bench(table).swept()[0] < 1e-2


def test_faults_that_are_not_altered_are_found_out(table: TableRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the `alter` commands all analyses run, and fast, but the answers are wrong and no time comes back."""
    commands = Bench._alter_commands

    def without(self: Bench, cases: Sequence[simulator.Case], numbers: Sequence[int], *, shown: bool) -> list[str]:
        return [one for one in commands(self, cases, numbers, shown=shown) if not one.startswith("alter")]

    monkeypatch.setattr(Bench, "_alter_commands", without)
    with pytest.raises(WrongAnswersError, match="answers are right"):
        bench(table).altered()


def test_a_netlist_that_is_not_read_is_found_out(table: TableRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """A netlist in which two elements have one name is refused by the simulator in no time, and no time comes back."""
    whole = Bench._whole
    monkeypatch.setattr(Bench, "_whole", lambda self, lines: whole(self, [*lines, "rtwice 1 0 1", "rtwice 1 0 1"]))
    with pytest.raises(WrongAnswersError, match="0 of"):
        bench(table).altered()
