"""Which pairs there are, and those that are answered without a solve, against solving them."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest

from bridge.board import list_boards, load_board
from bridge.faultspace import build_space
from bridge.instants import build_points, first_instant
from bridge.meter import load_meter
from bridge.predict import UNKNOWN, CellSolver
from bridge.probing import Setup
from bridge.separate import reachable_probings
from bridge.solve import solve_points
from bridge.table import build_table

METERS = ("handheld", "moving-needle", "high-compliance")
VOLTS, SHARE = 10e-6, 1e-5  # a hundredth of the last digit a diode mode shows


def taken_and_solved(
    board_name: str, meter_name: str, placements: int, pairs: int, seed: int
) -> tuple[int, int, list[str]]:
    """Return how many answers were taken over, how many asked for, and which of them a solve contradicts, in words."""
    board, meter, setup = load_board(board_name), load_meter(meter_name), Setup()
    space = build_space(board, setup)
    every = reachable_probings(board)
    probings = random.Random(f"{board_name} {seed}").sample(every, min(placements, len(every)))
    column = build_table(space, meter, probings).columns[0]
    cells, rng = column.cells, np.random.default_rng(seed)
    doubles = space.doubles
    taken = asked = 0
    wrong: list[str] = []
    for shot, one in enumerate(cells.shots):
        if shot and cells.shots[shot - 1].probing == one.probing:
            continue  # a higher range is looked at only where the lower one is open
        first, second = rng.integers(0, len(doubles), (2, pairs))
        part = space.part_of_fault[doubles.fault]
        hidden = {frozenset(pair) for pair in space.hides}
        alone = np.array([frozenset(pair) in hidden for pair in doubles.fault[np.array([first, second])].T.tolist()])
        some = (part[first] != part[second]) & ~alone
        first, second = first[some], second[some]
        rows = column.row_of_double
        for at_start, numbers in zip((True, False), cells.known(shot, rows[first], rows[second]), strict=True):
            there = np.flatnonzero(numbers != UNKNOWN)
            taken, asked = taken + len(there), asked + len(numbers)
            fast = cells.answers.value[numbers[there]]
            solved = _solve(cells, shot, column.class_of_double[np.array([first, second])[:, there]], at_start)
            source = max(one.ohms - one.lead_ohms, 1e-9)
            with np.errstate(invalid="ignore"):
                by_ratio = 1.0 / one.amps if one.amps else (source + np.abs(fast)) ** 2 / (one.volts * source)
                per_volt = by_ratio if one.unit == "ohm" else 1.0
                same = (fast == solved) | (np.abs(fast - solved) <= VOLTS * per_volt + SHARE * np.abs(fast))
            for place in np.flatnonzero(~same & ~np.isnan(fast) & ~np.isnan(solved)).tolist():
                names = [space.faults[doubles.fault[which[there[place]]]] for which in (first, second)]
                wrong.append(f"{probings[one.probing]} {names} start={at_start}: {fast[place]} solved {solved[place]}")
    return taken, asked, wrong


def _solve(cells: CellSolver, shot: int, classes: np.ndarray, at_start: bool) -> np.ndarray:
    """Return displays of pairs of classes in one shot, NaN where the solve did not converge."""
    shots = np.full(classes.shape[1], shot)
    points, factors = build_points(cells.circuit, cells.shots, shots, cells.classes, classes[0], classes[1])
    if at_start:
        first_instant(cells.circuit, points, factors, 0.0)
    solution = solve_points(cells.circuit, points)
    jack, _ = cells.arrays.jack_voltage(shots, solution.voltage[points.red, np.arange(points.size)])
    shown = cells.arrays.display(shots, jack)[0]
    return np.where(solution.converged, shown, np.nan)


@pytest.mark.parametrize("board_name", list_boards())
def test_what_is_taken_over_is_right(board_name: str) -> None:
    """On every board most pairs need no solve, and what they are said to read is what solving them gives."""
    taken, asked, wrong = taken_and_solved(board_name, "handheld", 5, 200, 5)
    assert taken >= 0.6 * asked
    assert wrong == []


@pytest.mark.slow
@pytest.mark.parametrize("meter_name", METERS)
@pytest.mark.parametrize("board_name", list_boards())
def test_what_is_taken_over_is_right_at_length(board_name: str, meter_name: str) -> None:
    """The same with three meters and some 100,000 answers a board."""
    taken, asked, wrong = taken_and_solved(board_name, meter_name, 16, 3000, 6)
    assert taken >= 0.6 * asked
    assert wrong == []


def test_pairs_are_all_pairs_of_different_parts() -> None:
    """Pairs by index are those of a double loop over faults with their coarse severities, first below second."""
    space = build_space(load_board("half-bridge-cooktop"), Setup())
    first, second = space.pairs
    parts = [space.faults[fault].part for fault in space.doubles.fault.tolist()]
    both = itertools.combinations(range(len(parts)), 2)
    expected = [(one, other) for one, other in both if parts[one] != parts[other]]
    assert list(zip(first.tolist(), second.tolist(), strict=True)) == expected
