"""Behaviour that no other test minded when the core was changed on purpose (``python -m tests.mutation``)."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from bridge.columndisplays import ColumnDisplays
from bridge.dwell import charge_left
from bridge.groups import smallest_replacement
from bridge.likelihood import STATE_NAMED_RIGHT, log_likelihood, model_readings, normal_cdf
from bridge.meter import load_meter
from bridge.probing import Probing
from bridge.readings import Reading


def test_normal_distribution() -> None:
    """The distribution function is that of the standard library's error function, within the formula's 7.5e-8."""
    z = np.linspace(-6.0, 6.0, 241)
    exact = np.array([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z])
    assert np.max(np.abs(normal_cdf(z) - exact)) < 7.6e-8


def display(start: float, value: float, end: float) -> ColumnDisplays:
    """Return one display that begins, is read and ends at some voltages, and that nothing moves."""
    one, none = np.ones(1), np.zeros((0, 1))
    return ColumnDisplays(
        start=start * one, value=value * one, carried=value * one, end=end * one, time_sd=0.01 * one, own_sd=0.01 * one,
        batch_load=none, severity_load=np.zeros((2, 1)), owner=np.zeros((2, 1), dtype=np.intp),
        turn_on=np.full(1, np.inf),
    )  # fmt: skip


def test_a_word_for_the_wrong_way_is_only_a_slip() -> None:
    """``climbing`` is what is written of a display that climbs, but for slips; of a steady one only as a slip."""
    (model,) = model_readings([Reading(1, Probing("P", "U"), "climbing", None, "V", "climbing")], load_meter())
    every = np.zeros(1, dtype=np.intp)
    for shown, expected in (
        (display(0.5, 1.2, 2.0), 1.0),
        (display(0.4, 0.4, 0.4), 1.0 - (1.0 - model.slip) * STATE_NAMED_RIGHT),
    ):
        found = log_likelihood(model, shown, every, shown.value, np.full(1, 0.01), 2.0)
        assert math.exp(float(found[0])) == pytest.approx(expected, rel=1e-9)


def test_just_short_of_the_end_of_the_display_is_no_slip() -> None:
    """What is to be past 2.000 V by the dwell may be caught climbing at 1.99 V; at 1.2 V it was read far too soon."""
    every = np.zeros(1, dtype=np.intp)
    shown = display(0.36, math.inf, math.inf)

    def chance(value: float) -> float:
        reading = Reading(1, Probing("P", "U"), f"{value} climbing", value, "V", "climbing")
        (model,) = model_readings([reading], load_meter())
        return float(log_likelihood(model, shown, every, shown.value, np.full(1, 0.01), 2.0)[0])

    assert chance(1.99) > chance(1.2) + 1.5
    assert chance(1.99) > -1.0


@pytest.mark.parametrize("seconds", [0.05, 0.1, 0.2])
def test_charge_left_by_a_quick_reading(seconds: float) -> None:
    """1 mA into 100 uF: 10 V a second, so 1 V after 0.1 s, of the 2.9 V it would reach in 0.29 s."""
    answers = SimpleNamespace(
        capacitor_amps=np.array([[1e-3, 0.0]]),
        capacitor_volts=np.array([[0.0, 2.9]]),
        capacitor_left=np.array([[1.0, 1.0]]),
        pace=np.ones(2),
    )
    left = charge_left(cast("Any", answers), 0, 1, np.array([100e-6]), seconds, np.zeros(1))
    assert left == pytest.approx([10.0 * seconds], rel=1e-6)


def test_the_least_suspect_are_left_out_first() -> None:
    """Of a crowd, 60 of 1.55 % and 70 of 0.1 %, the 98 % lie in the 60 and 50 of the others, not in fewer of the 60."""
    large = {f"Z_{number:02d}" for number in range(60)}
    members = [(frozenset({name}), 0.0155) for name in large]
    members += [(frozenset({f"A_{number:02d}"}), 0.001) for number in range(70)]
    kept = smallest_replacement(members)
    assert large <= set(kept)
    assert len(kept) == 110
