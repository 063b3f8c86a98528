"""Good boards read inside the band that is printed for them, and as often as it says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge.band import healthy_bands
from bridge.board import load_board
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.forecast import default_probings
from bridge.instants import build_points
from bridge.laws import REFERENCE_K, saturation_volts
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.shots import displayed, plan_shots
from bridge.solve import solve_points
from bridge.spreads import BATCH_SPREAD_V, DISCRETE_SPREAD_V, MODULE_SPREAD_V, TEMPERATURE_SPREAD_C
from bridge.variants import ChangeClasses

BOARDS = 1500


@pytest.mark.parametrize("name", ["six-switch-bridge", "drive-module", "half-bridge-cooktop"])
def test_95_percent_of_good_boards_read_inside_the_band(name: str) -> None:
    """Of boards drawn with spread, tolerance and meter error, 95 % +/- 1 % read inside the 95 % band."""
    board, meter, setup = load_board(name), load_meter(), Setup()
    rng = np.random.default_rng(20)
    circuit = build_circuit(board, setup)
    nominal = ChangeClasses(circuit, [Change()])
    inside, asked = 0, 0
    for band in healthy_bands(board, meter, setup, default_probings(board)):
        if not np.isfinite(band.value) or band.unit != "V":
            continue
        shots = plan_shots(circuit, meter, band.probing, 0)
        none = np.zeros(BOARDS, dtype=np.intp)
        points, _ = build_points(circuit, shots, none, nominal, none)
        celsius = setup.temperature_c + rng.normal(0.0, TEMPERATURE_SPREAD_C, BOARDS)
        shared = {batch: rng.normal(0.0, BATCH_SPREAD_V, BOARDS) for batch in circuit.junction_batch}
        drop = np.array([shared[batch] for batch in circuit.junction_batch])
        spread = [MODULE_SPREAD_V if kind == "module" else DISCRETE_SPREAD_V for kind in circuit.junction_construction]
        drop += rng.normal(0.0, 1.0, drop.shape) * np.array(spread)[:, None]
        # 4 mV per kelvin less the junction's own drop over T: n kT/q d ln Is/dT - v/T, at 1 mA
        nominal_drop = circuit.junction_scale * np.log(1e-3 / circuit.junction_saturation)
        by_kelvin = (saturation_volts(REFERENCE_K) - nominal_drop) / REFERENCE_K
        drop -= by_kelvin[:, None] * (celsius - setup.temperature_c)
        # a junction that drops d more at every current has its saturation current divided by exp(d/(n kT/q))
        saturation = points.saturation * np.exp(-drop / circuit.junction_scale[:, None])
        drawn = dataclasses.replace(points, saturation=saturation)
        for (ref, slot), row in circuit.linear_rows.items():
            if slot == "main" and circuit.linear_siemens[row] > 0.0:
                drawn.siemens[row] *= np.exp(-rng.normal(0.0, 0.5 * circuit.parts[ref].tolerance, BOARDS))
        solution = solve_points(circuit, drawn)
        assert solution.converged.all()
        shown = displayed(shots, none, solution.voltage[drawn.red, np.arange(BOARDS)])
        gain_sd, digits_sd = meter.sigma(band.probing.mode, None, band.value)
        shown = shown * (1.0 + rng.normal(0.0, gain_sd, BOARDS)) + rng.normal(0.0, digits_sd, BOARDS)
        inside += int(np.count_nonzero((shown >= band.low) & (shown <= band.high)))
        asked += BOARDS
    assert asked >= 5 * BOARDS
    assert inside / asked == pytest.approx(0.95, abs=0.01)


def test_ohms_through_junctions_stay_off_zero() -> None:
    """Ohms that go by ratios have a band of ratios: no short passes for a good board."""
    bands = healthy_bands(
        load_board("half-bridge-cooktop"),
        load_meter(),
        Setup(),
        [Probing("P", "N", "ohms"), Probing("P", "MID", "ohms")],
    )
    for band in bands:
        assert 0.05 * band.value < band.low < 0.6 * band.value
        assert band.low * band.high == pytest.approx(band.value**2)
