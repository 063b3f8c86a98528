"""Whether anything explains the readings: the chance of odder ones against scipy's chi-square, and what stands out."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.stats import chi2

from bridge.fit import explains, explains_all, judge_fit
from bridge.probing import Probing
from bridge.ranking import Fit
from bridge.readings import Reading
from bridge.survivors import Survivors

LEADS = ("UN", "VN", "WN", "NU", "NV", "NW", "UP", "VP", "WP", "PN")


def survivor(surprise: list[float], oddness: float, slip: list[float] | None = None) -> Survivors:
    """Return one hypothesis that finds readings so odd."""
    fields = {field.name: np.zeros((1, len(surprise))) for field in dataclasses.fields(Survivors)}
    known = {
        "log_evidence": np.zeros(1),
        "surprise": np.array([surprise]),
        "slip": np.zeros((1, len(surprise))) if slip is None else np.array([slip]),
        "oddness": np.array([oddness]),
    }
    return Survivors(**{**fields, **known})


def judge(surprise: list[float], oddness: float, slip: list[float] | None = None) -> Fit:
    """Return the verdict on readings."""
    readings = [Reading(0, Probing(*LEADS[k]), "", 0.4, "V", "steady") for k in range(len(surprise))]
    return judge_fit(readings, survivor(surprise, oddness, slip))


@pytest.mark.parametrize("count", [2, 4, 8, 10])
@pytest.mark.parametrize("chance", [0.9, 0.5, 0.1, 0.01])
def test_chance_of_odder_readings(count: int, chance: float) -> None:
    """The misfit is the upper tail of a chi-square; Wilson & Hilferty's cube root is good to a hundredth."""
    oddness = float(chi2.isf(chance, count))
    assert judge([1.0] * count, oddness).misfit == pytest.approx(chance, abs=0.01)


def test_one_in_a_thousand_is_the_limit() -> None:
    """Readings as odd as one bench in 650 shows still fit; as one in 1700 shows, no more."""
    fits, fits_not = (judge([1.5] * 10, float(chi2.isf(chance, 10))) for chance in (1.0 / 650.0, 1.0 / 1700.0))
    assert (fits.ok, fits.note) == (True, "the readings fit")
    assert (fits_not.ok, fits_not.note) == (False, "none of the modelled faults explains these readings")


def test_two_impossible_readings() -> None:
    """One outcome the hypothesis does not allow may be a slip; with two of them nothing explains the readings."""
    one = judge([math.inf, 0.5, 0.5], 0.5, [0.99, 0.0, 0.0])
    assert (one.ok, one.worst_reading) == (True, 0)
    two = judge([math.inf, math.inf, 0.5], 0.3, [0.99, 0.99, 0.0])
    assert not two.ok
    assert not explains(survivor([math.inf, math.inf, 0.5], 0.3, [0.99, 0.99, 0.0]), 0)


def test_a_likely_slip_is_named_however_near() -> None:
    """A reading more likely a slip than not is to be taken again, though it lies within three deviations."""
    found = judge([0.5, 2.5, 0.5], 0.5 + 2.5**2, [0.1, 0.7, 0.1])
    assert (found.ok, found.worst_reading) == (True, 1)
    assert found.note == "the reading V to N does not fit; take it again"
    assert not explains_all(survivor([0.5, 2.5, 0.5], 6.75, [0.1, 0.7, 0.1]), 0)


def test_a_lone_slip_leaves_nothing_to_judge() -> None:
    """Where the only reading is left out, none is left to be odd: the chance of odder ones is 1."""
    found = judge([math.inf], 0.0, [0.99])
    assert (found.misfit, found.worst_reading) == (1.0, 0)
