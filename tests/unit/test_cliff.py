"""A junction that blocks on the edge of an ohms range: OL there or a number, as its drop and warmth have it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from bridge.board import load_board
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.forecast import forecast
from bridge.meter import list_meters, load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.recentre import with_drops
from bridge.table import build_table
from bridge.virtualboard import VirtualBoard, read_board
from tests.studies.plan import standard_sheet

WELDER, METER, SETUP = load_board("full-bridge-welder"), load_meter(), Setup()
DAMAGE = ((Fault("R_PRE", "open"), None),)
ACROSS = Probing("AC1", "N", "ohms")
WARM = dataclasses.replace(SETUP, temperature_c=30.0)
LOW_DROPS = with_drops(WELDER, {"rectifier diodes": -0.035})


def test_either_side_of_the_edge() -> None:
    """Five degrees take the rectifier from OL in the 200k range to twice what the next range showed a moment ago."""
    cold, warm = (forecast(LOW_DROPS, METER, one, [ACROSS], DAMAGE)[0].value for one in (SETUP, WARM))
    fixed = forecast(LOW_DROPS, METER, SETUP, [dataclasses.replace(ACROSS, range_name="200k")], DAMAGE)[0]
    assert fixed.value is None
    assert cold is not None
    assert warm is not None
    assert warm > 1.3 * cold


@pytest.mark.parametrize("settled", [None, "200k"])
def test_spread_reaches_across(settled: str | None) -> None:
    """A display beside the edge may be off by half of what lies between it and the range's end; a resistor's is not."""
    space = build_space(LOW_DROPS, SETUP)
    places = [ACROSS, Probing("G_AL_1", "E_AL_1", "ohms")]
    table = build_table(space, METER, places, [True] * 2, settled=[settled, None], pairs=False)
    broken = np.flatnonzero(space.singles.fault == space.faults.index(DAMAGE[0][0]))
    beside, resistor = (column.displays(*column.of_classes(column.class_of_single[broken])) for column in table.columns)
    limit = 2.5 * 200e3 if settled else 200e3
    assert beside.own_sd[0] > 0.4 * beside.value[0] * math.log(limit / beside.value[0])
    assert resistor.own_sd[0] < 0.05 * resistor.value[0]


@pytest.mark.slow
def test_warm_rectifier_is_not_blamed() -> None:
    """An open precharge resistor on a warm board of low drops leads, and no set of leaking rectifier diodes does."""
    virtual = VirtualBoard(LOW_DROPS, METER, WARM, {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}})
    readings = read_board(virtual, standard_sheet(WELDER), DAMAGE, np.random.default_rng(5))
    ranking = rank(WELDER, METER, SETUP, readings)
    assert [(guess.part, guess.mode) for guess in ranking.candidates[0].faults] == [("R_PRE", "open")]
    assert ranking.candidates[0].probability > 0.9


@pytest.mark.slow
def test_read_in_the_next_range_is_no_leak() -> None:
    """Where the range that fits a number would show OL, it was read in the next one: no leak need explain it."""
    board = load_board("single-switch-cooktop")
    virtual = VirtualBoard(
        with_drops(board, {"rectifier diodes": -0.012}),
        METER,
        SETUP,
        {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}},
    )
    readings = read_board(virtual, standard_sheet(board), ((Fault("D_L", "open"), None),), np.random.default_rng(5))
    across = next(one for one in readings if (one.probing.red, one.probing.mode) == ("AC1", "ohms"))
    assert across.value is not None
    narrow = forecast(virtual.board, METER, SETUP, [dataclasses.replace(ACROSS, range_name="200k")])[0]
    assert across.value < 200e3
    assert narrow.value is None
    ranking = rank(board, METER, SETUP, readings)
    assert ranking.fit.worst_reading is None
    assert ranking.groups[0].probability > 0.9
    assert [(guess.part, guess.mode) for guess in ranking.candidates[0].faults] == [("D_L", "open")]


def test_a_resistor_in_the_next_range_is_the_same() -> None:
    """A gate of 5.4 kΩ where its like read 9.9 kΩ stands out, whatever the ranges of whatever meter.

    5.4 kΩ fits the 6 kΩ range of one meter and 9.9 kΩ its next: there too a resistor is a resistor.
    """
    board = load_board("six-switch-bridge")
    space = build_space(board, SETUP)
    read = 0
    for name in list_meters():
        meter = load_meter(name)
        settled = meter.range_for(5.43e3).name
        table = build_table(space, meter, [Probing("G_VH", "E_VH", "ohms")], settled=[settled], pairs=False)
        good = table.columns[0].displays(*table.columns[0].of_classes(np.zeros(1, dtype=np.intp)))
        if 9.0e3 < good.value[0] < 11.0e3:  # a meter that turns the gate drive on reads less
            read += 1
            assert good.own_sd[0] < 0.05 * good.value[0], name
    assert read >= 2
