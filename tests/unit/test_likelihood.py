"""How probable one reading is under a predicted display: total probability, scipy's normal law, sums by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.stats import norm

from bridge.columndisplays import ColumnDisplays
from bridge.likelihood import (
    LATE_SHARE,
    NEARLY_OPEN,
    OPEN_IF_UNDECIDED,
    SETTLED_SHARE,
    STATE_NAMED_RIGHT,
    WRONG_TERMINAL_SHARE,
    WRONG_TERMINAL_SPREAD,
    ReadingModel,
    early_density,
    early_share,
    log_likelihood,
    model_readings,
    normal_cdf,
)
from bridge.meter import load_meter
from bridge.probing import Probing
from bridge.readings import Reading
from bridge.spreads import THRESHOLD_SPREAD_V

METER = load_meter()
LIMIT = METER.diode.limit_volts
CDF_ERROR = 7.5e-8  # of Abramowitz & Stegun 26.2.17, as they state it


def reading(value: float | None, state: str = "steady", *, red: str = "A", to_ol: bool = False) -> Reading:
    """Return a reading in the diode mode."""
    return Reading(0, Probing(red, "K"), "", value, "V", state, to_ol=to_ol)


def model_of(value: float | None, state: str = "steady", *, beside: tuple[float, ...] = ()) -> ReadingModel:
    """Return a reading in the terms of the likelihood, beside steady ones of other places."""
    return model_readings([reading(value, state), *(reading(other, red="B") for other in beside)], METER)[0]


def display(start: float, value: float, end: float, time_sd: float = 0.0, turn_on: float = math.inf) -> ColumnDisplays:
    """Return one predicted display, which nothing else moves."""
    fields = {field.name: np.zeros(1) for field in dataclasses.fields(ColumnDisplays)}
    known = {"start": start, "value": value, "carried": value, "end": end, "time_sd": time_sd, "turn_on": turn_on}
    return ColumnDisplays(**{**fields, **{name: np.array([number]) for name, number in known.items()}})


def log_of(model: ReadingModel, shown: ColumnDisplays, sd: float = 0.01) -> float:
    """Return the log likelihood of a reading under one display."""
    only = np.zeros(1, dtype=np.intp)
    return float(log_likelihood(model, shown, only, shown.value, np.array([sd]), LIMIT)[0])


RESTING = display(0.5, 0.5, 0.5)
CLIMBING = display(0.3, 0.8, 1.3, time_sd=0.05)
SINKING = display(1.3, 0.8, 0.3, time_sd=0.05)
OPEN = display(math.inf, math.inf, math.inf)


def test_normal_distribution() -> None:
    """The normal distribution function is scipy's, as close as Abramowitz & Stegun promise for 26.2.17."""
    z = np.linspace(-6.0, 6.0, 241)
    assert normal_cdf(z) == pytest.approx(norm.cdf(z), abs=CDF_ERROR)


class TestTotalProbability:
    """All that may be written in one state is one certainty: the densities of all its values add up to what is left."""

    @pytest.mark.parametrize("shown", [RESTING, CLIMBING, SINKING])
    def test_steady(self, shown: ColumnDisplays) -> None:
        """Numbers add up to one less the false OL, wherever the display rests or passes."""
        one = model_of(0.5)
        assert self.total("steady", shown) == pytest.approx(1.0 - one.false_open, abs=self.slack(shown))

    @pytest.mark.parametrize(("state", "shown"), [("climbing", CLIMBING), ("falling", SINKING)])
    def test_moving(self, state: str, shown: ColumnDisplays) -> None:
        """Numbers caught on their way add up to one where the display goes that way."""
        assert self.total(state, shown) == pytest.approx(1.0, abs=self.slack(shown))

    @pytest.mark.parametrize("state", ["climbing", "falling"])
    def test_moving_where_it_rests(self, state: str) -> None:
        """Where it rests, only the wrong word for a right number and the wrong number are left."""
        wrong = model_of(0.5, state).slip
        expected = (1.0 - wrong) * (1.0 - STATE_NAMED_RIGHT) + wrong
        assert self.total(state, RESTING) == pytest.approx(expected, abs=1e-3)

    def total(self, state: str, shown: ColumnDisplays) -> float:
        """Return the sum over what the display can show [1], in steps of a twentieth of its spread."""
        step = 5e-4
        values = np.arange(0.5 * step, LIMIT, step)
        return float(sum(math.exp(log_of(model_of(float(value), state), shown)) for value in values) * step)

    def slack(self, shown: ColumnDisplays) -> float:
        """Return what a few digits more at both ends of the way add [1]."""
        way = float(abs(shown.end[0] - shown.start[0]))
        digits = model_of(0.5).digits_sd
        return 1e-3 + (2.0 * 3.0 * digits * (1.0 - SETTLED_SHARE) / way if way else 0.0)


class TestOpen:
    """OL on the display."""

    def test_certain_where_nothing_else_can_be(self) -> None:
        """Where OL is predicted, at first and in the end, OL is certain."""
        assert log_of(model_of(None, "OL"), OPEN) == 0.0

    def test_undecided_while_it_moves(self) -> None:
        """Where dwell and capacitor decide, OL is as likely as stated, or a false one."""
        model = model_of(None, "OL")
        expected = (1.0 - model.false_open) * OPEN_IF_UNDECIDED + model.false_open
        moving = display(0.3, math.inf, math.inf, time_sd=0.05)
        assert math.exp(log_of(model, moving)) == pytest.approx(expected, rel=1e-9)

    @pytest.mark.parametrize("below", [-0.4, 0.0, 0.3, 0.7, 2.0])
    def test_beside_the_limit(self, below: float) -> None:
        """A display some deviations below its limit is beyond it as often as a normal law says."""
        model = model_of(None, "OL")
        mean = LIMIT - 0.1 * below
        expected = (1.0 - model.false_open) * norm.sf(below) + model.false_open
        assert math.exp(log_of(model, display(mean, mean, mean), sd=0.1)) == pytest.approx(expected, abs=CDF_ERROR)


class TestCaughtOnItsWay:
    """A number read while the display climbs from 0.3 V to 1.3 V; 0.8 V after the dwell."""

    @pytest.mark.parametrize("value", [0.2, 0.5, 0.79, 0.8, 1.1, 1.5])
    def test_by_hand(self, value: float) -> None:
        """Read after the dwell, or sooner: even over the way; the wrong word or the wrong number besides."""
        model = model_of(value, "climbing")
        after = norm.pdf(value, 0.8, 0.01)
        way = 1.0 if 0.3 <= value <= 1.3 else 0.0  # a volt of it
        right = STATE_NAMED_RIGHT * (SETTLED_SHARE * after + (1.0 - SETTLED_SHARE) * way)
        expected = (1.0 - model.slip) * (right + (1.0 - STATE_NAMED_RIGHT) * after) + model.slip * model.slip_density
        assert math.exp(log_of(model, CLIMBING)) == pytest.approx(expected, rel=1e-9)

    def test_just_short_of_the_end(self) -> None:
        """Predicted past the display's end, a number of its last tenth is likelier than a wrong one, elsewhere not."""
        past = display(0.3, math.inf, math.inf)
        for share, late in ((0.95, LATE_SHARE / ((1.0 - NEARLY_OPEN) * LIMIT)), (0.5, 0.0)):
            model = model_of(share * LIMIT, "climbing")
            expected = (1.0 - model.slip) * STATE_NAMED_RIGHT * late + model.slip * model.slip_density
            assert math.exp(log_of(model, past)) == pytest.approx(expected, rel=1e-9)


class TestWrongNumbers:
    """Slips: what another terminal shows, or anything."""

    def test_density(self) -> None:
        """Seven in ten lie about what other places read, by a normal law of 4 %; the rest is even over the display."""
        for value in (0.38, 0.43, 0.47, 0.9):
            model = model_of(value, beside=(0.40, 0.50))
            nearby = np.mean([norm.pdf(value, other, WRONG_TERMINAL_SPREAD * other) for other in (0.40, 0.50)])
            expected = WRONG_TERMINAL_SHARE * nearby + (1.0 - WRONG_TERMINAL_SHARE) / LIMIT
            assert model.slip_density == pytest.approx(expected, rel=1e-9)

    def test_a_number_where_it_must_be_open(self) -> None:
        """It was not expected, even where another place reads the same: three nats below what could be."""
        model = model_of(0.42, beside=(0.42,))
        assert log_of(model, OPEN) < model.expected_at_least - 3.0

    def test_a_moving_number_beside_its_like(self) -> None:
        """Caught on its way, where other places read the same, it is no impossible one."""
        model = model_of(0.42, "climbing", beside=(0.42, 0.42))
        assert log_of(model, OPEN) > model.expected_at_least - 3.0


class TestBestCase:
    """No prediction makes a reading likelier than its best case: pairs are passed over by it."""

    @pytest.mark.parametrize("state", ["steady", "climbing", "falling", "OL", "beep", "chirp"])
    def test_is_a_bound(self, state: str) -> None:
        """It holds for displays that rest, move, or stay open, as close to the number as its digits let them be."""
        if state in ("beep", "chirp"):
            (model,) = model_readings([Reading(0, Probing("A", "K", "continuity"), "", None, "", state)], METER)
        else:
            model = model_of(None if state == "OL" else 0.8, state)
        shown = [RESTING, OPEN, CLIMBING, SINKING, display(0.8, 0.8, 0.8), display(0.0, 100.0, 100.0)]
        # drops and dwell are never known as well as a digit
        best = max(log_of(model, one, sd=2.0 * model.digits_sd) for one in shown)
        assert best <= model.best_case + 1e-9
        assert best > model.best_case - 3.0


class TestEarlyChannel:
    """A channel with a low threshold turns on before the display gets where it is predicted: 2 V, within 0.5 V."""

    TURN_ON = np.array([2.0, math.inf])  # and a display without such a channel beside it

    def test_share(self) -> None:
        """As often as a threshold lies below the prediction, by a normal law; never where there is no channel."""
        found = early_share(model_of(1.0), self.TURN_ON, np.array([2.4, 2.4]))
        assert found == pytest.approx([norm.cdf(0.4 / THRESHOLD_SPREAD_V), 0.0], abs=CDF_ERROR)

    @pytest.mark.parametrize(("value", "below"), [(1.7, True), (2.3, True), (2.5, False)])
    def test_density(self, value: float, below: bool) -> None:
        """The number is the threshold's: normal about 2 V, cut at the prediction of 2.4 V."""
        model = model_of(value)
        found = early_density(model, self.TURN_ON, np.array([2.4, 2.4]))
        honest = 1.0 - model.slip - model.false_open
        expected = honest * norm.pdf(value, 2.0, THRESHOLD_SPREAD_V) if below else 0.0
        assert found == pytest.approx([expected, 0.0], rel=1e-9)
        assert not early_density(model_of(value, "climbing"), self.TURN_ON, np.array([2.4, 2.4])).any()
