"""Displays after the leads have rested, against the simulator's transient."""

from __future__ import annotations

import math
import random

import pytest

from bridge.board import load_board
from bridge.circuit import build_circuit
from bridge.damage import change_of, combine
from bridge.forecast import forecast_changes
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.crosscheck.netlist import Damage, MeterRange, point_text, ranges_of, write_board
from tests.crosscheck.predicted import all_damage
from tests.crosscheck.runner import after_dwell, require_simulator

# steps of 0.2 mV error each, summed over a dwell, on both sides; a handheld meter's accuracy is ten times wider
TOLERANCE_V = 3e-3
TOLERANCE_SHARE = 7e-3


def _compare(
    board_name: str, setup: Setup, damages: list[tuple[Damage, ...]], probings: list[Probing]
) -> tuple[int, list[str]]:
    """Return how many readings were still moving, and those on which the two sides differ."""
    require_simulator()
    board, meter = load_board(board_name), load_meter()
    texts: list[str] = []
    ranges: list[MeterRange] = []
    for damage in damages:
        netlist = write_board(board, setup, damage, capacitors="real")
        for probing in probings:
            ranges.append(ranges_of(meter, probing.mode, probing.range_name)[0])
            texts.append(point_text(netlist, ranges[-1], probing.red, probing.black))
    jacks = iter(zip(ranges, after_dwell(texts, setup.dwell_s), strict=True))
    circuit = build_circuit(board, setup)
    changes = [combine([change_of(circuit, one.ref, one.mode, one.ohms) for one in damage]) for damage in damages]
    forecasts = forecast_changes(circuit, meter, probings, changes)
    moving, wrong = 0, []
    for damage, row in zip(damages, forecasts, strict=True):
        for reading in row:
            meter_range, jack = next(jacks)
            simulated, value = meter_range.shown(jack), math.inf if reading.value is None else reading.value
            moving += reading.state in ("climbing", "falling")
            tolerance = TOLERANCE_V if reading.unit == "V" else TOLERANCE_SHARE * abs(simulated) + 0.01
            same = abs(simulated - value) <= tolerance if math.isfinite(simulated) else simulated == value
            if math.isnan(jack) or reading.state is None or not same:
                what = " + ".join(map(str, damage)) or "healthy"
                wrong.append(f"{what} {reading.probing}: solver {value:.6g}, simulator {simulated:.6g}")
    return moving, wrong


@pytest.mark.parametrize(
    ("board_name", "setup"),
    [
        ("six-switch-bridge", Setup(dwell_s=0.6)),
        ("six-switch-bridge", Setup(dwell_s=1.0, bus_volts=0.5)),
        ("half-bridge-cooktop", Setup(dwell_s=0.005)),
        ("half-bridge-cooktop", Setup(dwell_s=0.1, temperature_c=45.0, connected=frozenset({"coil"}))),
    ],
)
def test_display_after_dwell_agrees(board_name: str, setup: Setup) -> None:
    """Readings that climb or fall are at the same value after the same time on both sides, faulty capacitors too."""
    board, rng = load_board(board_name), random.Random(7)
    main = board.main_terminals
    probings = [Probing(red, black) for red in main for black in main if red != black]
    gates = [Probing(red, black, "ohms", name) for red, black in board.gate_leads for name in ("20k", "2M")]
    damages: list[tuple[Damage, ...]] = [(), (Damage("C_BUS", "low"),), (Damage("C_BUS", "leak", 3000.0),)]
    damages += [(one,) for one in rng.sample(all_damage(board, setup, 1), 2)]
    moving, wrong = _compare(board_name, setup, damages, rng.sample(probings, 5) + rng.sample(gates, 1))
    assert not wrong, "\n".join([f"{len(wrong)} differ:", *wrong[:20]])
    assert moving >= 2
