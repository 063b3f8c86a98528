"""The quick estimate of a climbing display, against the transient: what a capacitor that has lost capacitance does."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from bridge.answers import Answers
from bridge.board import Board, load_board
from bridge.boarddisplays import displays_of
from bridge.dwell import DWELL_SPREAD, charge_left, value_after_dwell
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.forecast import forecast, forecast_each
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.shots import Shot, ShotArrays
from bridge.table import build_table
from tests.physics.benchboards import bare_bridge, capacitor, make_board, number

LEADS = [Probing("P", "U"), Probing("U", "N"), Probing("N", "U")]
WHOLE_AND_LOW = [[], [(Fault("C_BUS", "low"), None)]]


@pytest.mark.parametrize("dwell_s", [0.01, 0.03, 0.1])
def test_low_capacitor_climbs_sooner(dwell_s: float) -> None:
    """With 5 % of its farads the display is as far as the transient says, to a seventh, and the whole one's is not."""
    board = make_board("P N U", bare_bridge("U"), capacitor("C_BUS", "P", "N", 470e-6, 1.0))
    setup = Setup(dwell_s=dwell_s)
    estimated = displays_of(board, load_meter(), setup, WHOLE_AND_LOW, LEADS).value
    whole, low = forecast_each(board, load_meter(), setup, LEADS, WHOLE_AND_LOW)
    for place in range(len(LEADS)):
        assert estimated[place, 0] == pytest.approx(number(whole[place].value), rel=0.15)
        assert estimated[place, 1] == pytest.approx(number(low[place].value), rel=0.15)
    assert estimated[0, 1] > 1.2 * estimated[0, 0]
    assert estimated[2, 1] == pytest.approx(estimated[2, 0], rel=1e-6)


def test_low_bus_capacitor_of_a_shipped_bridge() -> None:
    """After 0.3 s the low capacitor's display has run to OL while the whole one's still climbs."""
    board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup(dwell_s=0.3)
    probing = [Probing("P", "U")]
    estimated = displays_of(board, meter, setup, WHOLE_AND_LOW, probing).value[0]
    exact = [number(row[0].value) for row in forecast_each(board, meter, setup, probing, WHOLE_AND_LOW)]
    assert estimated[1] == exact[1] == math.inf
    assert estimated[0] == pytest.approx(exact[0], rel=0.1)


@pytest.mark.parametrize("which", ["C_BUS_H", "C_BUS_L"])
def test_low_one_of_two_in_series(which: str) -> None:
    """Of two capacitors in series a low one lets both be done in a tenth of the time, not only itself."""
    board, meter, setup = load_board("motor-drive"), load_meter(), Setup(dwell_s=0.5)
    probing, sets = [Probing("L1", "L2")], [[], [(Fault(which, "low"), None)]]
    estimated = displays_of(board, meter, setup, sets, probing).value[0]
    exact = [number(row[0].value) for row in forecast_each(board, meter, setup, probing, sets)]
    assert estimated[1] == exact[1] == math.inf
    assert estimated[0] == pytest.approx(exact[0], rel=0.1)


CLIMBING = [Probing(leg, "N", "ohms") for leg in "UVW"] + [Probing("P", leg) for leg in "UVW"]


@pytest.mark.parametrize("dwell_s", [0.05, 0.3, 1.0])
def test_drops_count_while_the_bus_charges(dwell_s: float) -> None:
    """A display that climbs moves with the drops it climbs through, by what the transient says when all drops move."""
    board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup(dwell_s=dwell_s)
    space = build_space(board, setup)
    table = build_table(space, meter, CLIMBING, [True] * len(CLIMBING), pairs=False)
    step = 1e-3
    more, less = (forecast(_with_drops(board, way * step), meter, setup, CLIMBING) for way in (1.0, -1.0))
    moving = 0
    for column, high, low in zip(table.columns, more, less, strict=True):
        shown = column.displays(*column.of_classes(np.zeros(1, dtype=np.intp)))
        if not np.isfinite(shown.value[0]) or shown.time_sd[0] == 0.0:
            continue
        moving += 1
        exact = (number(high.value) - number(low.value)) / (2.0 * step)
        assert shown.batch_load[:-1, 0].sum() == pytest.approx(exact, rel=0.05)
        assert shown.own_sd[0] >= 0.9 * 0.01 * abs(exact)  # one discrete diode of 10 mV lies in the path
    assert moving == len(CLIMBING)


def _with_drops(board: Board, volts: float) -> Board:
    parts = {
        ref: dataclasses.replace(part, values={**part.values, "drop_1ma": part.values["drop_1ma"] + volts})
        if "drop_1ma" in part.values
        else part
        for ref, part in board.parts.items()
    }
    return dataclasses.replace(board, parts=parts)


CHARGING = {
    "half-bridge-cooktop": ["MID N", "P N", "AC1 N"],  # resonance capacitors and bus share the current
    "single-switch-cooktop": ["P N", "AC1 N"],
    "motor-drive": ["P N", "L1 N", "PR N"],  # two bus capacitors in series, each with its resistor
}


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(one, marks=pytest.mark.slow) if one in ("motor-drive", "half-bridge-cooktop") else one
        for one in CHARGING
    ],
)
def test_every_fault_climbs_as_long_as_the_transient(name: str) -> None:
    """At most one climbing display in fifty is further off than three of its own spreads, a tenth, or one range."""
    board, meter, setup = load_board(name), load_meter(), Setup()
    probings = [Probing(*leads.split(), "ohms") for leads in CHARGING[name]]
    space = build_space(board, setup)
    table = build_table(space, meter, probings, [True] * len(probings), pairs=False)
    ohms = [None if np.isnan(one) else float(one) for one in space.singles.ohms]
    sets = [[(space.faults[fault], one)] for fault, one in zip(space.singles.fault, ohms, strict=True)][::3]
    exact = forecast_each(board, meter, setup, probings, [[], *sets])
    climbing = off = 0
    for place, column in enumerate(table.columns):
        rows = np.concatenate([np.zeros(1, dtype=np.intp), column.class_of_single[::3]])
        shown = column.displays(*column.of_classes(rows))
        for row, fault in enumerate(exact):
            value, until = number(fault[place].value), shown.value[row]
            if fault[place].state != "climbing":
                continue
            climbing += 1
            off += abs(until - value) > max(3.0 * shown.time_sd[row], 0.1 * value)
    assert climbing > 20
    assert off <= climbing / 50


def test_many_displays_are_worked_out_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a board of many pairs shows is worked out a block at a time: where a block ends changes no display."""
    board, setup = load_board("six-switch-bridge"), Setup(dwell_s=0.3)
    space = build_space(board, setup)

    def climbing() -> list[np.ndarray]:
        table = build_table(space, load_meter(), CLIMBING, [True] * len(CLIMBING), pairs=False)
        every = np.arange(len(space.faults), dtype=np.intp)
        shown = [column.displays(*column.of_classes(every)) for column in table.columns]
        return [np.array([one.value, one.time_sd]) for one in shown]

    whole = climbing()
    monkeypatch.setattr("bridge.dwell.MOST_AT_ONCE", 7)
    assert all(np.count_nonzero(one[1]) > 20 for one in whole)
    for one, in_blocks in zip(whole, climbing(), strict=True):
        np.testing.assert_allclose(in_blocks, one, rtol=1e-12)


FED = ShotArrays.of([Shot(0, None, 0, 1, 1e-3, 9.0, 0.0, 0.0, "V", 9.0, ())])  # 1 mA, until 9 V are reached
FIRST, LAST = np.array([0], dtype=np.intp), np.array([1], dtype=np.intp)


def one_capacitor(start_volts: float, left: float = 1.0) -> Answers:
    """Return one capacitor under the leads at the first instant and in the end, at the source's 9 V."""
    fields = {field.name: np.zeros((1, 2)) for field in dataclasses.fields(Answers)}
    volts = np.array([start_volts, 9.0])
    known = {
        "value": volts,
        "jack": volts,
        "shot": np.zeros(2, dtype=np.intp),
        "capacitor_volts": volts[None, :],
        "capacitor_amps": np.array([[1e-3, 0.0]]),
        "capacitor_left": np.full((1, 2), left),
        "pace": np.ones(2),
    }
    return Answers(**{**fields, **known})


@pytest.mark.parametrize(("start_volts", "left"), [(0.0, 1.0), (-1.0, 1.0), (3.0, 1.0), (0.0, 0.5), (-1.0, 0.8)])
def test_constant_current_by_hand(start_volts: float, left: float) -> None:
    """From wherever it begins a capacitor of 1000 uF fed 1 mA gains 1 V/s; with half its farads left, twice that."""
    shown = value_after_dwell(one_capacitor(start_volts, left), FIRST, LAST, np.array([1e-3]), FED, 2.0)
    assert shown.value == pytest.approx([start_volts + 2.0 / left], rel=1e-9)
    # a dwell e^0.3 times longer, or shorter
    assert shown.time_sd == pytest.approx([2.0 / left * math.sinh(DWELL_SPREAD)], rel=1e-9)


@pytest.mark.parametrize(
    ("farads", "before", "seconds", "volts"),
    [
        (1e-4, 0.0, 0.3, 3.0),  # I t / C
        (1e-4, 2.0, 0.3, 5.0),  # on top of what is there
        (1e-3, 0.0, 3.0, 3.0),
        (1e-4, 0.0, 3.0, 9.0),  # the source gives no more
        (1e-4, 12.0, 0.3, 12.0),  # nor takes any
    ],
)
def test_charge_left_by_hand(farads: float, before: float, seconds: float, volts: float) -> None:
    """A reading leaves I t / C on a capacitor, be it quick or slow, up to the source's volts."""
    left = charge_left(one_capacitor(0.0), 0, 1, np.array([farads]), seconds, np.array([before]))
    assert left == pytest.approx([volts], rel=1e-9)
