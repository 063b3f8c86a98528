"""Virtual boards: spreads as stated, faults as the prior says, readings as a technician writes them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge.board import load_board
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.virtualboard import draw_board, draw_faults, read_board
from tests.studies.scores import debiased_calibration_error, wilson_interval

BOARD = load_board("six-switch-bridge")
METER = load_meter()


def test_spreads() -> None:
    """Over 400 boards a diode strays by 35 mV with its batch, two of one board by what parts stray alone."""
    rng = np.random.default_rng(2)
    names = ("D_UH", "D_VH")
    drops = np.array(
        [
            [drawn.parts[name].values["drop_1ma"] - BOARD.parts[name].values["drop_1ma"] for name in names]
            for drawn in (draw_board(BOARD, METER, Setup(), rng).board for _ in range(400))
        ]
    )
    own = {"module": 0.005, "discrete": 0.010}[BOARD.parts["D_UH"].construction]
    assert drops[:, 0].std() == pytest.approx(np.hypot(0.035, own), rel=0.12)
    assert (drops[:, 0] - drops[:, 1]).std() == pytest.approx(own * np.sqrt(2.0), rel=0.12)


def test_a_drawn_board_could_stand_in_a_file() -> None:
    """At the edge of what a board file and a set-up may say, half of what is drawn would lie beyond; none does."""
    cold, weak = Setup(temperature_c=-60.0), dict(BOARD.parts)
    weak["Q_UH"] = dataclasses.replace(weak["Q_UH"], values=dict(weak["Q_UH"].values) | {"gate_threshold": 0.5})
    rng = np.random.default_rng(7)
    drawn = [draw_board(dataclasses.replace(BOARD, parts=weak), METER, cold, rng) for _ in range(20)]
    celsius = [one.setup.temperature_c for one in drawn]
    thresholds = [one.board.parts["Q_UH"].values["gate_threshold"] for one in drawn]
    # the accepted ranges as the messages about a set-up and a board file state them
    for lowest, values in ((-60.0, celsius), (0.5, thresholds)):
        assert min(values) == lowest < max(values)


@pytest.mark.slow
def test_faults_follow_the_prior() -> None:
    """Of 2000 single faults the share of shorted switches is that of the prior; a uniform draw is another one."""
    space = build_space(BOARD, Setup())
    rng = np.random.default_rng(3)
    drawn = [draw_faults(space, 1, rng)[0][0].mode for _ in range(2000)]
    expected = sum(
        float(np.exp(p - space.priors.log_single.max()))
        for fault, p in zip(space.faults, space.priors.log_single, strict=True)
        if fault.mode == "ce-short"
    ) / float(np.sum(np.exp(space.priors.log_single - space.priors.log_single.max())))
    share = drawn.count("ce-short") / 2000
    assert share == pytest.approx(expected, abs=4.0 * np.sqrt(expected / 2000))


def test_pairs_are_of_two_parts() -> None:
    """A pair is two parts, each with a resistance where its mode has one."""
    space = build_space(BOARD, Setup())
    rng = np.random.default_rng(4)
    for _ in range(50):
        (one, ohms), (other, _) = draw_faults(space, 2, rng)
        assert one.part != other.part
        assert (ohms is not None) == (one.mode.endswith(("short", "leak")) or one.mode == "high")


def test_readings() -> None:
    """A dead short reads nothing, an open diode OL, and a display shows no more digits than it has."""
    virtual = draw_board(BOARD, METER, Setup(), np.random.default_rng(5))
    damage = ((Fault("Q_VL", "ce-short"), 0.3), (Fault("D_UH", "open"), None))
    places = [Probing("N", "V"), Probing("U", "P"), Probing("N", "W")]
    short, gone, sound = read_board(virtual, places, damage, np.random.default_rng(6))
    assert short.value == pytest.approx(0.0, abs=0.003)
    assert gone.state == "OL"
    assert sound.value is not None
    assert sound.value == pytest.approx(0.42, abs=0.15)
    assert sound.value == pytest.approx(round(sound.value, 3), abs=1e-9)


class TestScores:
    """The scores of a study."""

    def test_calibrated(self) -> None:
        """Probabilities that are right have no debiased error beyond chance; overstated ones show by how much."""
        rng = np.random.default_rng(7)
        stated = rng.uniform(0.5, 1.0, 20000)
        right = (rng.uniform(size=20000) < stated).astype(float)
        error, chance = debiased_calibration_error(stated, right)
        assert error < 0.015
        assert chance == pytest.approx(np.sqrt(np.mean(stated * (1 - stated)) * 15 / 20000), rel=0.1)
        over, _ = debiased_calibration_error(stated, (rng.uniform(size=20000) < stated - 0.1).astype(float))
        assert over == pytest.approx(0.1, abs=0.01)

    def test_interval(self) -> None:
        """9 of 10 lies between 59.6 and 98.2 % (Wilson, by hand)."""
        assert wilson_interval(9, 10) == pytest.approx((0.596, 0.982), abs=0.001)
