"""The bench scenarios in ``examples/``: what the generator wrote, readable, and explained by the fault they name."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.readings import load_readings
from tests.crosscheck.runner import require_simulator
from tests.make_examples import EXAMPLES, SCENARIOS, Scenario, write_scenario

# a board of other parts at another temperature, a meter's gain error: what the fault must explain within
DROP_SHIFT_V = 0.12
RESISTANCE_SHARE = 0.08
FORECAST_OHMS = 2.0

scenarios = pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.folder)


def test_scenario_comes_out_again(tmp_path: Path) -> None:
    """The generator writes the committed files again, letter for letter."""
    require_simulator()
    scenario = next(one for one in SCENARIOS if one.folder == "cooktop-trips")
    write_scenario(scenario, tmp_path)
    made = {path.name: path.read_text(encoding="utf-8") for path in (tmp_path / scenario.folder).iterdir()}
    kept = {path.name: path.read_text(encoding="utf-8") for path in (EXAMPLES / scenario.folder).iterdir()}
    assert made == kept, "python -m tests.make_examples"


@scenarios
def test_fault_explains_the_readings(scenario: Scenario) -> None:
    """A board of the file's own parts with the named fault reads like the scenario: same OLs, close numbers."""
    board, meter = load_board(scenario.board_name), load_meter()
    place = EXAMPLES / scenario.folder
    faults = [parse_fault(line, board) for line in (place / "fault.txt").read_text(encoding="utf-8").splitlines()]
    assert [(fault.part, fault.mode, ohms) for fault, ohms in faults] == [
        (one.ref, one.mode, one.ohms) for one in scenario.faults
    ]
    readings = load_readings(str(place / "readings.csv"), board, meter).readings
    assert 18 <= len(readings) <= 22
    setup = Setup(dwell_s=scenario.dwell_s)
    predicted = forecast(board, meter, setup, [reading.probing for reading in readings], faults)
    for reading, expected in zip(readings, predicted, strict=True):
        if reading.state == "climbing":
            assert expected.state in ("climbing", "OL"), reading.text
        elif reading.value is None:
            assert expected.value is None, reading.probing
        else:
            share = 0.0 if reading.unit == "V" else RESISTANCE_SHARE
            slack = DROP_SHIFT_V if reading.unit == "V" else FORECAST_OHMS
            assert expected.value == pytest.approx(reading.value, rel=share, abs=slack), reading.probing


@scenarios
def test_healthy_board_does_not_explain_them(scenario: Scenario) -> None:
    """Each named fault moves at least one of the readings taken, so that the readings can find it."""
    board, meter = load_board(scenario.board_name), load_meter()
    readings = load_readings(str(EXAMPLES / scenario.folder / "readings.csv"), board, meter).readings
    probings = [reading.probing for reading in readings]
    faults = [parse_fault(str(one), board) for one in scenario.faults]
    settled = Setup(dwell_s=0.0)
    whole = [one.end for one in forecast(board, meter, settled, probings, faults)]
    for left_out in faults:
        others = [fault for fault in faults if fault is not left_out]
        rest = [one.end for one in forecast(board, meter, settled, probings, others)]
        assert any(_differ(one, other) for one, other in zip(whole, rest, strict=True)), left_out


def _differ(one: float | None, other: float | None) -> bool:
    """Whether two displays are so far apart that anyone would see it; None is OL."""
    if one is None or other is None:
        return one is not other
    return abs(one - other) > 0.05
