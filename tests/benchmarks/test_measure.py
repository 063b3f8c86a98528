"""Times, ratios and the table: by hand."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from tests.benchmarks.measure import Row, best_process, figure, markdown, per_item, run_process, timed, times_as_fast


def test_what_a_run_costs_once_drops_out() -> None:
    """A start of 0.4 s and 2 ms for each item give 2 ms."""
    assert per_item((50, 0.4 + 50 * 2e-3), (250, 0.4 + 250 * 2e-3)) == pytest.approx(2e-3, rel=1e-12)


@pytest.mark.parametrize(("small", "large"), [((50, 1.0), (50, 2.0)), ((80, 1.0), (50, 2.0)), ((5, 1.0), (50, 1.0))])
def test_sizes_that_tell_nothing_are_refused(small: tuple[int, float], large: tuple[int, float]) -> None:
    """Runs of one size, of sizes exchanged, or of one time give no time for an item."""
    with pytest.raises(ValueError, match="items"):
        per_item(small, large)


def test_a_ratio_above_one_means_that_we_are_faster() -> None:
    """600 us of theirs against 3 us of ours are 200, and the other way round 1/200."""
    assert times_as_fast(600e-6, 3e-6) == pytest.approx(200.0)
    assert times_as_fast(3e-6, 600e-6) == pytest.approx(0.005)


@pytest.mark.parametrize(("theirs", "ours"), [(0.0, 1.0), (1.0, 0.0), (-1.0, 1.0), (float("nan"), 1.0)])
def test_a_ratio_needs_two_times(theirs: float, ours: float) -> None:
    """A time of zero, below zero or unknown is no time."""
    with pytest.raises(ValueError, match="above zero"):
        times_as_fast(theirs, ours)


@pytest.mark.parametrize(
    ("row", "met"),
    [
        (Row("ratio", 20.0, target=20.0, at_least=True), True),
        (Row("ratio", 19.9, target=20.0, at_least=True), False),
        (Row("time", 1.0, "s", 1.0), True),
        (Row("time", 1.01, "s", 1.0), False),
        (Row("not measured", None, "s", 1.0), False),
        (Row("no target", 7.0, "s"), None),
    ],
)
def test_a_target_is_met_from_its_own_side(row: Row, met: bool | None) -> None:
    """Ratios have to reach their target, times may not pass it, and what was not measured meets nothing."""
    assert row.met is met


def test_the_table_is_markdown() -> None:
    """Every line has the five cells of the head, and a target that is missed is marked."""
    lines = markdown([Row("ratio", 1.234, target=3.0, at_least=True, note="why"), Row("time", 0.5, "s")])
    assert {line.count("|") for line in lines} == {6}
    assert lines[2] == "| ratio | 1.23 times | ≥ 3 times | **no** | why |"
    assert lines[3] == "| time | 0.500 s |  |  |  |"


@pytest.mark.parametrize(
    ("value", "text"), [(1234.5, "1234"), (99.96, "100"), (12.34, "12.3"), (0.01234, "0.0123"), (2.0, "2.00")]
)
def test_figures_have_three_digits(value: float, text: str) -> None:
    """Three digits, and no power of ten."""
    assert figure(value) == text


def test_work_in_this_process_is_timed() -> None:
    """Work comes back with what it gave, and with time above zero."""
    result, cost = timed(lambda: sum(range(200_000)))
    assert result == 19_999_900_000
    assert cost.wall_s > 0.0
    assert cost.cpu_s > 0.0


def test_the_peak_is_that_of_the_process_alone() -> None:
    """A child that fills 80 MB shows them, and one that fills nothing shows little, however large its parent is."""
    parent = np.ones(25_000_000)  # 200 MB
    filled = run_process([sys.executable, "-c", "x = bytearray(80_000_000)"])
    empty = run_process([sys.executable, "-c", "pass"])
    assert parent.nbytes == 200_000_000
    assert 80.0 < filled.peak_mb < 120.0
    assert empty.peak_mb < 40.0


def test_exit_status_and_output_come_back() -> None:
    """A process that fails has its status and what it wrote, and is no candidate for the fastest."""
    command = [sys.executable, "-c", "import sys; print('so far'); sys.exit('no further')"]
    run = run_process(command)
    assert (run.status, run.out.strip(), run.err.strip()) == (1, "so far", "no further")
    assert run.cost.wall_s > 0.0
    with pytest.raises(RuntimeError, match="ended with 1: no further"):
        best_process(command, 2)
