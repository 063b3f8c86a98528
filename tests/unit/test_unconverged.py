"""What could not be solved is said to be unknown: it is no OL, no number, and no evidence."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray

import bridge.forecast
from bridge import newton
from bridge.advise import before_any_reading, suggest_readings
from bridge.board import load_board
from bridge.boarddisplays import displays_of
from bridge.circuit import Circuit
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.likelihood import log_likelihood, model_readings
from bridge.meter import load_meter
from bridge.points import Points, Solution
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.solve import solve_points
from bridge.why import why_sentence
from tests.unit.test_noticed import display

BOARD, METER = load_board("six-switch-bridge"), load_meter()
PLACE = Probing("U", "P")
GATE = Probing("G_UL", "E_UL", "ohms")


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """A solver that gives up after its first step."""
    monkeypatch.setattr(newton, "MAX_ITERATIONS", 1)


@pytest.mark.usefixtures("hasty")
def test_nothing_solved_nothing_said() -> None:
    """No display, no proposal, no way of the current."""
    (shown,) = forecast(BOARD, METER, Setup(), [PLACE])
    assert shown.value is None
    assert shown.error == "the solve did not converge"
    found = displays_of(BOARD, METER, Setup(), [[], [parse_fault("Q_UL:ce-short", BOARD)]], [PLACE, GATE])
    assert np.isnan(found.value).all()
    assert suggest_readings(before_any_reading(BOARD, METER, Setup())) == ()
    assert "could not be solved" in why_sentence(BOARD, METER, Setup(), (), PLACE)


def test_a_range_without_an_answer_ends_the_search(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the lowest range of an autorange has no answer, a higher one's number is not reported for it."""
    (whole,) = forecast(BOARD, METER, Setup(), [GATE])
    assert whole.value == pytest.approx(10e3, rel=0.05)

    def stumble(circuit: Circuit, points: Points, start: NDArray[np.float64] | None = None) -> Solution:
        solution = solve_points(circuit, points, start)
        others = points.amps < points.amps.max()  # the lowest range sends most
        return dataclasses.replace(solution, converged=solution.converged & others)

    monkeypatch.setattr(bridge.forecast, "solve_points", stumble)
    (shown,) = forecast(BOARD, METER, Setup(), [GATE])
    assert shown.value is None
    assert shown.error == "the solve did not converge"


@pytest.mark.parametrize(("text", "value", "state"), [("OL", None, "OL"), ("0.41", 0.41, "steady")])
def test_unknown_is_no_evidence(text: str, value: float | None, state: str) -> None:
    """A hypothesis whose display is not known gives a reading the chance it has on a board nobody knows."""
    (model,) = model_readings([Reading(0, PLACE, text, value, "V", state)], METER)
    unknown = np.array([math.nan])
    shown = display(math.nan, math.nan, math.nan)
    found = log_likelihood(model, shown, np.zeros(1, dtype=np.intp), unknown, np.full(1, 0.01), 2.0)
    assert found == pytest.approx(model.unknown_board)
    assert np.all(found < 0.0)


def test_a_beep_is_an_outcome() -> None:
    """A beep has a probability, not a density per ohm: on an unknown board it is one of a few outcomes, as OL is."""
    place = Probing("U", "P", "continuity")
    beep, silent = model_readings(
        [Reading(0, place, "beep", None, "ohm", "beep"), Reading(0, place, "OL", None, "ohm", "OL")], METER
    )
    assert beep.unknown_board == silent.unknown_board
