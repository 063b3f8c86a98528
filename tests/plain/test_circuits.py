"""Circuits from all over the accepted ranges: solved or said not to be, and the solved ones obey Kirchhoff's law."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge.solve import solve_points
from tests.crosscheck.runner import require_simulator
from tests.plain.circuits import SHARE, ask_simulator, draw_lot, run_lots
from tests.plain.kirchhoff import imbalance, largest_current


def test_solved_circuits_obey_kirchhoffs_law() -> None:
    """Of 6,000 random circuits at least 99.5 % are solved, and those to 1e-8 of the test current, most to 1e-9."""
    score = run_lots(6000, 3, size=200)
    assert score.circuits == 6000
    assert score.converged >= 0.995 * score.circuits
    # the solver's own allowance for rounding is eight units in the last place, this check grants two
    assert score.worst < 10.0 * SHARE
    assert score.beyond <= 3


def test_solved_circuits_agree_with_the_simulator() -> None:
    """Of the first circuits of forty lots, what the simulator answers too is the same to a millivolt."""
    require_simulator()
    score = run_lots(40, 5, size=1)
    tally, unsolved = ask_simulator(score.questions)
    assert tally.differences == []
    assert tally.compared >= 25 - unsolved


@pytest.mark.parametrize("seed", ["7-1", "7-2", "7-3"])
def test_the_check_sees_a_wrong_voltage(seed: str) -> None:
    """A millivolt more at a lead is seen by the check."""
    lot = draw_lot(seed, 50)
    assert lot is not None
    with np.errstate(all="ignore"):
        solution = solve_points(lot.circuit, lot.points)
        good = np.flatnonzero(solution.converged)
        some, voltage = lot.points.take(good), solution.voltage[:, good]
        own, _ = imbalance(lot.circuit, some, voltage)
        moved = voltage.copy()
        moved[some.red, np.arange(some.size)] += 1e-3
        off, rounding = imbalance(lot.circuit, some, moved)
    assert np.all(off - rounding > own)
    # a source behind a resistor sees a millivolt at once
    behind = some.amps == 0.0
    assert np.all((off / largest_current(some))[behind] > SHARE)


def test_an_answer_does_not_depend_on_its_company() -> None:
    """A circuit solved by itself has the voltages it has among a thousand others."""
    lot = draw_lot("1-9", 400)
    assert lot is not None
    with np.errstate(all="ignore"):
        together = solve_points(lot.circuit, lot.points)
        for column in range(0, 400, 13):
            alone = solve_points(lot.circuit, lot.points.take(np.array([column])))
            if alone.converged[0] and together.converged[column]:
                # floating nodes hang on picoamperes: what a meter sees is asked for
                for lead in (lot.points.red[column], lot.points.black[column]):
                    assert alone.voltage[lead, 0] == pytest.approx(together.voltage[lead, column], abs=2e-6, rel=1e-6)


def test_lots_are_repeated_from_their_seed() -> None:
    """The same seed draws the same circuits, another one others."""
    one, same, other = (draw_lot(seed, 20) for seed in ("1-4", "1-4", "1-6"))
    assert one is not None
    assert same is not None
    assert other is not None
    for field in dataclasses.fields(one.points):
        assert np.array_equal(getattr(one.points, field.name), getattr(same.points, field.name))
    assert one.board.parts.keys() == same.board.parts.keys()
    assert [part.values for part in one.board.parts.values()] != [part.values for part in other.board.parts.values()]
