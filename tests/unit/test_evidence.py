"""Evidence against densities worked out by hand and by a library, and what one bad reading may do to it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from bridge.board import Board, load_board
from bridge.evidence import ScreenedSpace, refine, screen
from bridge.faultspace import FaultSpace, build_space
from bridge.forecast import forecast
from bridge.likelihood import ReadingModel, model_readings
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.readings import Reading, parse_readings
from bridge.spreads import BATCH_SPREAD_V, DISCRETE_SPREAD_V, PART_SPREADS, TEMPERATURE_SPREAD_C
from bridge.survivors import Survivors
from bridge.table import build_table, table_of
from tests.physics.benchboards import bare_bridge, diode, make_board, resistor

METER = load_meter()
LEADS_V = 0.2e-3  # 0.2 ohm at 1 mA


def reading(red: str, black: str, value: float | None, mode: str = "diode") -> Reading:
    """Return a reading as a technician takes it."""
    state = "OL" if value is None else "steady"
    return Reading(0, Probing(red, black, mode), "", value, "V" if mode == "diode" else "ohm", state)


def weigh(
    board: Board, readings: list[Reading], meter: MeterProfile = METER
) -> tuple[FaultSpace, ScreenedSpace, Survivors]:
    """Return the space, what the first pass says and what survives it."""
    space = build_space(board, Setup())
    table = build_table(space, meter, [one.probing for one in readings], [True] * len(readings))
    models = model_readings(readings, meter)
    screened = screen(table, models)
    return space, screened, refine(table, models, screened)


def evidence_of(space: FaultSpace, survivors: Survivors, *names: str) -> float:
    """Return the log evidence of a hypothesis, summed over its variants; prior included."""
    wanted = sorted(number for number, fault in enumerate(space.faults) if str(fault) in names)
    rows = [
        row
        for row, faults in enumerate(survivors.faults.tolist())
        if sorted(number for number in faults if number >= 0) == wanted
    ]
    assert rows, f"{names} did not survive"
    return float(np.logaddexp.reduce(survivors.log_evidence[rows]))


class TestByHand:
    """Two diodes of one batch: the healthy board's evidence is a density that can be written down."""

    BOARD = make_board("A M K", diode("D_1", "A", "M", 0.42, 1.8), diode("D_2", "M", "K", 0.36, 1.8))
    # what a bench off its temperature does to a drop: (3 kT/q + 1.11 V - v)/T a kelvin, as circuit simulators have it
    WARM_V = TEMPERATURE_SPREAD_C * (3.0 * 0.025693 + 1.11 - np.array([0.42, 0.36])) / 298.15

    @pytest.mark.parametrize("value", [0.38, 0.42, 0.45, 0.60])
    def test_one_reading(self, value: float) -> None:
        """One reading: a normal density of part, batch, digits and gain spread, and a slip besides.

        A reading of one diode answers to its drop one to one.
        """
        readings = [reading("A", "M", value)]
        (model,) = model_readings(readings, METER)
        mean = 0.42 + LEADS_V
        shared = BATCH_SPREAD_V**2 + model.digits_sd**2 + (model.gain_sd * mean) ** 2 + float(self.WARM_V[0]) ** 2
        honest = 1.0 - model.slip - model.false_open
        density = model.slip * model.slip_density
        for factor, share in PART_SPREADS.items():
            sd = math.sqrt((factor * DISCRETE_SPREAD_V) ** 2 + shared)
            density += share * honest * norm.pdf(value, mean, sd)
        space, _, survivors = weigh(self.BOARD, readings)
        found = evidence_of(space, survivors) - space.priors.log_healthy
        assert found == pytest.approx(math.log(density), abs=0.01)

    def test_one_place_read_twice_is_one_part(self) -> None:
        """A drop off its like is off in both readings of it: two tell hardly more against the board than one."""

        def cost(count: int) -> float:
            """Return what a drop 25 mV off its like takes from the good board, read ``count`` times [1]."""
            off, at_home = (
                [*[reading("A", "M", 0.42 + LEADS_V + more) for _ in range(count)], reading("M", "K", 0.36 + LEADS_V)]
                for more in (0.025, 0.0)
            )
            weighed = [weigh(self.BOARD, readings) for readings in (off, at_home)]
            one, other = (evidence_of(space, survivors) for space, _, survivors in weighed)
            return other - one

        def by_hand(count: int) -> float:
            off, at_home = (
                [share * density(count, factor, shift) for factor, share in PART_SPREADS.items()]
                for shift in (0.025, 0.0)
            )
            return math.log(sum(at_home) / sum(off))

        def density(count: int, factor: float, shift: float) -> float:
            places = np.array([0] * count + [1])
            models = model_readings([reading("A", "M", 0.42), reading("M", "K", 0.36)], METER)
            digits = np.array([models[place].digits_sd for place in places])
            gain = models[0].gain_sd * np.array([0.42, 0.36])[places]
            shared = (places[:, None] == places[None, :]) * (factor * DISCRETE_SPREAD_V) ** 2
            warm = self.WARM_V[places]
            covariance = shared + BATCH_SPREAD_V**2 + np.outer(gain, gain) + np.outer(warm, warm) + np.diag(digits**2)
            return float(multivariate_normal.pdf(np.where(places == 0, shift, 0.0), np.zeros(count + 1), covariance))

        # the spread is widened instead of shared: which of the two spreads it is, that tells a little otherwise
        assert cost(2) == pytest.approx(by_hand(2), rel=0.08)
        assert by_hand(2) < 1.1 * by_hand(1)

    def test_two_readings_share_their_batch(self) -> None:
        """Two readings 30 mV low together are far likelier than one low and one high: the batch explains the first."""
        first, second = model_readings([reading("A", "M", 0.4), reading("M", "K", 0.3)], METER)
        mean = np.array([0.42, 0.36]) + LEADS_V
        shared = BATCH_SPREAD_V**2 * np.ones((2, 2)) + first.gain_sd**2 * np.outer(mean, mean)
        shared += np.outer(self.WARM_V, self.WARM_V)

        def by_hand(values: np.ndarray, models: Sequence[ReadingModel], factor: float) -> float:
            own = np.diag([(factor * DISCRETE_SPREAD_V) ** 2 + one.digits_sd**2 for one in (first, second)])
            covariance = own + shared
            log_density = multivariate_normal.logpdf(values, mean, covariance)
            # either reading may be a slip: its own factor is then replaced by the density of slips
            log_density += sum(math.log(1.0 - one.slip - one.false_open) for one in models)
            ratio = 0.0
            for place, model in enumerate(models):
                other = 1 - place
                slope = covariance[place, other] / covariance[other, other]
                expected_at = mean[place] + slope * (values[other] - mean[other])
                spread = math.sqrt(covariance[place, place] - slope * covariance[place, other])
                honest = (1.0 - model.slip - model.false_open) * norm.pdf(values[place], expected_at, spread)
                ratio += model.slip * model.slip_density / honest
            return float(log_density) + math.log1p(ratio)

        found, expected = [], []
        for shift in ((-0.03, -0.03), (-0.03, 0.03)):
            values = mean + shift
            readings = [reading("A", "M", values[0]), reading("M", "K", values[1])]
            models = model_readings(readings, METER)
            cases = [math.log(share) + by_hand(values, models, factor) for factor, share in PART_SPREADS.items()]
            expected.append(float(np.logaddexp.reduce(cases)))
            space, _, survivors = weigh(self.BOARD, readings)
            found.append(evidence_of(space, survivors) - space.priors.log_healthy)
        assert found == pytest.approx(expected, abs=0.02)
        assert found[0] - found[1] > 2.0

    def test_first_pass_is_close(self) -> None:
        """The first pass, with the batch on a grid, is within a fifth of a nat of the closed form."""
        readings = [reading("A", "M", 0.40), reading("M", "K", 0.35)]
        space, screened, survivors = weigh(self.BOARD, readings)
        assert screened.healthy == pytest.approx(evidence_of(space, survivors), abs=0.2)


class TestBridge:
    """One leg and a bleeder, read on its main terminals."""

    BOARD = make_board("P N U", bare_bridge("U"), resistor("R_BLEED", "P", "N", 4700.0))
    LEADS = (("N", "U"), ("U", "P"), ("N", "P"), ("U", "N"), ("P", "U"), ("P", "N"))

    def readings(self, **changed: float | None) -> list[Reading]:
        """Return readings of the healthy board, some exchanged for others by name RED_BLACK."""
        probings = [Probing(*leads) for leads in self.LEADS]
        shown = forecast(self.BOARD, METER, Setup(), probings)
        return [
            reading(
                one.probing.red, one.probing.black, changed.get(f"{one.probing.red}_{one.probing.black}", one.value)
            )
            for one in shown
        ]

    def test_no_reading_no_news(self) -> None:
        """Without readings every hypothesis keeps its prior."""
        space = build_space(self.BOARD, Setup())
        screened = screen(build_table(space, METER, []), ())
        assert screened.healthy == pytest.approx(space.priors.log_healthy, abs=1e-9)
        prior = space.priors.log_single[space.singles.fault] + space.singles.log_weight
        assert screened.single == pytest.approx(prior, abs=1e-9)

    def test_far_off_costs_no_more_than_off(self) -> None:
        """One reading 0.4 V off costs the healthy board as much as one 0.9 V off: it is a slip either way."""
        costs = []
        clean = evidence_of(*[weigh(self.BOARD, self.readings())[k] for k in (0, 2)])
        for value in (0.9, 1.4):
            space, _, survivors = weigh(self.BOARD, self.readings(N_U=value))
            costs.append(clean - evidence_of(space, survivors))
        assert costs[0] > 2.0
        # slips towards what another terminal shows are likelier: a nat or two between places, not more
        assert costs[1] == pytest.approx(costs[0], abs=2.0)

    def test_slip_is_found(self) -> None:
        """The reading that is off is the one called a slip, on the healthy board's account."""
        _, _, survivors = weigh(self.BOARD, self.readings(N_U=0.9))
        healthy = int(np.flatnonzero(survivors.kept == 0)[0])
        assert int(np.argmax(survivors.slip[healthy])) == 0
        assert survivors.slip[healthy, 0] > 0.98
        assert np.all(survivors.slip[healthy, 1:] < 0.1)

    def test_surprise_counts_standard_deviations(self) -> None:
        """A healthy reading surprises by less than a standard deviation, one 0.2 V off by many."""
        _, _, survivors = weigh(self.BOARD, self.readings())
        healthy = int(np.flatnonzero(survivors.kept == 0)[0])
        assert np.all(survivors.surprise[healthy] < 1.0)
        _, _, survivors = weigh(self.BOARD, self.readings(N_U=0.62))
        assert survivors.surprise[healthy, 0] > 5.0

    def test_impossible_reading(self) -> None:
        """A number where the healthy board must be open is an outcome it does not allow."""
        _, _, survivors = weigh(self.BOARD, self.readings(U_N=0.1, P_N=0.1))
        healthy = int(np.flatnonzero(survivors.kept == 0)[0])
        assert np.isinf(survivors.surprise[healthy]).sum() >= 1

    def test_healthy_always_survives(self) -> None:
        """The healthy board is weighed exactly even where the readings rule it out."""
        _, _, survivors = weigh(self.BOARD, self.readings(N_U=0.001, U_N=0.001, P_N=0.45))
        assert 0 in survivors.kept

    @pytest.mark.parametrize("ohms", [250.0, 420.0, 640.0, 1500.0])
    def test_severity_is_estimated(self, ohms: float) -> None:
        """A leak's resistance is fitted to the reading, within a third of what the reading was made with.

        It is extrapolated from a node of a grid that has two to a decade.
        """
        board = make_board("A K", diode("D_1", "K", "A", 1.9, 1.8))
        current = 1e-3
        shown = ohms * current + LEADS_V
        readings = [reading("A", "K", shown), reading("K", "A", shown)]
        space, _, survivors = weigh(board, readings)
        leak = [number for number, fault in enumerate(space.faults) if str(fault) == "D_1:leak"]
        rows = np.flatnonzero((survivors.faults[:, 0] == leak[0]) & (survivors.faults[:, 1] < 0))
        best = rows[np.argmax(survivors.log_evidence[rows])]
        assert survivors.ohms[best, 0] == pytest.approx(ohms, rel=0.33)

    def test_variants_are_what_they_say(self) -> None:
        """Survivors have no fault, one or two of different parts, ohms only where the mode has a severity."""
        space, _, survivors = weigh(self.BOARD, self.readings(N_U=0.001, U_N=0.001))
        assert {int(np.sum(row >= 0)) for row in survivors.faults} == {0, 1, 2}
        for row, ohms in zip(survivors.faults.tolist(), survivors.ohms, strict=True):
            named = [space.faults[number] for number in row if number >= 0]
            assert len({fault.part for fault in named}) == len(named)
            for number, value in zip(row, ohms.tolist(), strict=True):
                mode = space.faults[number].mode if number >= 0 else ""
                assert math.isnan(value) == (not mode.endswith(("short", "leak", "high")))

    def test_progress(self) -> None:
        """Progress counts the readings up to all of them."""
        readings = self.readings(N_U=0.001)
        space = build_space(self.BOARD, Setup())
        table = build_table(space, METER, [one.probing for one in readings])
        seen: list[tuple[int, int]] = []
        screen(table, model_readings(readings, METER), lambda done, count: seen.append((done, count)))
        done = [one for one, _count in seen]
        assert len(done) >= 3
        assert done == sorted(set(done))
        assert seen[-1] == (len(readings), len(readings))

    def test_without_pairs(self) -> None:
        """Pairs that are not asked for count as impossible, singles and the healthy board as before."""
        readings = self.readings(N_U=0.001)
        space = build_space(self.BOARD, Setup())
        table = build_table(space, METER, [one.probing for one in readings])
        models = model_readings(readings, METER)
        whole, singles = screen(table, models), screen(table, models, pairs=False)
        assert np.all(np.isneginf(singles.pair))
        assert np.isfinite(whole.pair).any()
        assert singles.healthy == whole.healthy
        assert np.array_equal(singles.single, whole.single)


def test_doubted_reading_weighs_less() -> None:
    """A reading its own technician doubts costs a hypothesis it speaks against less."""
    board = TestBridge.BOARD
    readings = TestBridge().readings(N_U=0.8)
    doubted = [dataclasses.replace(readings[0], doubted=True), *readings[1:]]
    costs = [evidence_of(*[weigh(board, taken)[k] for k in (0, 2)]) for taken in (readings, doubted)]
    assert costs[1] > costs[0] + 1.0


def test_a_slip_far_off_what_the_others_lead_to() -> None:
    """A wrong number that drops might just allow, forty deviations off what the other drops say, is one slip.

    The density of what the others lead to is e^-800 there, beyond what an exponential holds.
    """
    board, meter = load_board("half-bridge-cooktop"), load_meter()
    rows = {
        ("AC1", "P"): ".346",
        ("AC2", "P"): ".361",
        ("N", "AC1"): ".352",
        ("N", "AC2"): ".349",
        ("N", "P"): ".338",
        ("N", "MID"): ".451",
        ("MID", "P"): ".442",
        ("P", "AC1"): "OL",
        ("AC1", "N"): "OL",
    }
    text = "red,black,mode,reading\n" + "".join(f"{red},{black},diode,{said}\n" for (red, black), said in rows.items())
    space = build_space(board, Setup())
    readings = parse_readings(text.encode(), "sheet", board, meter).readings
    models = model_readings(readings, meter)
    table = table_of(space, meter, readings, pairs=False)
    survivors = refine(table, models, screen(table, models, pairs=False))
    healthy = int(np.flatnonzero(survivors.kept == 0)[0])
    assert survivors.log_evidence[healthy] > np.max(survivors.log_evidence) - 12.0
    assert survivors.slip[healthy].argmax() == list(rows).index(("N", "P"))
    assert survivors.slip[healthy].max() > 0.99
