"""Sets of many faults, read by a foreign simulator on boards of other parts, and found."""

from __future__ import annotations

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import parse_readings
from tests.crosscheck.netlist import Damage
from tests.crosscheck.runner import require_simulator
from tests.make_examples import COOKTOP_PLAN, Scenario, readings_of

RAILS = "N-U N-V N-W U-P V-P W-P U-N V-N W-N P-U P-V P-W N-P P-N PR-P U-NU NU-U NU-N V-NV NV-N NW-N"
POSITIONS = ("UH", "UL", "VH", "VL", "WH", "WL")
DRIVE_PLAN = (
    *((red, black, "diode") for red, black in (pair.split("-") for pair in RAILS.split())),
    *((f"G_{position}", f"E_{position}", "ohms") for position in POSITIONS),
    *((f"GD_{position}", f"E_{position}", "ohms") for position in POSITIONS),
)


def ranking_of(
    seed: str, board_name: str, faults: tuple[Damage, ...], plan: tuple[tuple[str, str, str], ...]
) -> Ranking:
    """Return the ranking of what a damaged board of other parts reads on a meter that is a little off."""
    require_simulator()
    scenario = Scenario(seed, board_name, faults, 23.0, 1.6, 3.0, plan, "")
    rows = "".join(f"{','.join(row)},discharged\n" for row in readings_of(scenario))
    board, meter = load_board(board_name), load_meter()
    taken = parse_readings(f"red,black,mode,reading,note\n{rows}".encode(), "sheet.csv", board, meter)
    return rank(board, meter, Setup(), taken.readings)


@pytest.mark.parametrize("seed", ["canteen", pytest.param("kitchen", marks=pytest.mark.slow)])
def test_cooktop_pattern(seed: str) -> None:
    """Fuse, rectifier and switch of a cooktop are found as one group, by their packages."""
    faults = (Damage("F_1", "open"), Damage("D_AC1H", "short", 0.4), Damage("Q_L", "ce-short", 0.8))
    ranking = ranking_of(seed, "half-bridge-cooktop", faults, COOKTOP_PLAN)
    assert ranking.fit.ok
    assert {"F_1", "BR_1", "Q_L"} <= set(ranking.groups[0].replace)
    top = ranking.candidates[0]
    assert {guess.part for guess in top.faults} in ({"F_1", "D_AC1H", "Q_L"}, {"F_1", "D_AC1L", "Q_L"})


@pytest.mark.slow
def test_blown_leg() -> None:
    """A leg that lost both switches, both gate resistors, a driver and its shunt is found, all six parts of it."""
    faults = (
        *(Damage("Q_UH", "all-short", 0.5), Damage("Q_UL", "all-short", 1.4), Damage("RG_UH", "open")),
        *(Damage("RG_UL", "open"), Damage("DRV_UL", "low-short", 3.0), Damage("R_SH_U", "open")),
    )
    ranking = ranking_of("blown leg", "motor-drive", faults, DRIVE_PLAN)
    assert ranking.fit.ok
    planted = {fault.ref for fault in faults}
    assert {guess.part for guess in ranking.candidates[0].faults} == planted
    assert {one.part for one in ranking.parts[:6]} == planted
    assert planted <= set(ranking.groups[0].replace)
    assert len(ranking.groups[0].replace) <= 8
