"""MOSFETs of low threshold: their channels carry the meter's current backwards before the diode does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge import laws
from bridge.board import load_board
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.recentre import with_drops
from bridge.table import build_table
from bridge.virtualboard import VirtualBoard, read_board
from tests.studies.plan import standard_sheet

BOARD, METER, SETUP = load_board("six-switch-sic"), load_meter(), Setup()
HEALTHY = np.zeros(1, dtype=np.intp)


@pytest.mark.parametrize("threshold", [1.8, 2.6, 4.0])
def test_threshold_comes_back_from_the_fit(threshold: float) -> None:
    """The fit's own way back: 1 mA at the threshold."""
    specific, offset = (np.array(one) for one in laws.fit_mosfet_channel(threshold, 0.08))
    assert float(laws.mosfet_threshold(specific, offset)) == pytest.approx(threshold, abs=1e-9)


def _with_threshold(ref: str, volts: float) -> dict[str, object]:
    part = BOARD.parts[ref]
    return {**BOARD.parts, ref: dataclasses.replace(part, values={**part.values, "gate_threshold": volts})}


@pytest.mark.parametrize("volts", [1.3, 1.5, 1.7])
def test_display_falls_as_the_threshold_does(volts: float) -> None:
    """Once below the diode's drop the display is the threshold, volt for volt, as the table has it."""
    board = dataclasses.replace(BOARD, parts=_with_threshold("Q_VH", volts))
    shown = forecast(board, METER, SETUP, [Probing("V", "P")])[0].value
    column = build_table(build_space(BOARD, SETUP), METER, [Probing("V", "P")], [True], pairs=False).columns[0]
    predicted = column.displays(*column.of_classes(HEALTHY))
    lower = BOARD.parts["Q_VH"].values["gate_threshold"] - volts
    assert shown == pytest.approx(float(predicted.turn_on[0]) - lower, abs=0.03)
    assert shown is not None
    assert shown < predicted.value[0]


def test_nothing_turns_on_on_a_board_of_igbts() -> None:
    """Without MOSFETs no display knows of it, nor does one in ohms."""
    board = load_board("six-switch-bridge")
    places = [Probing("V", "P"), Probing("U", "N", "ohms")]
    for one in build_table(build_space(board, SETUP), METER, places, [True] * 2, pairs=False).columns:
        assert np.isinf(one.displays(*one.of_classes(HEALTHY)).turn_on).all()


@pytest.mark.slow
@pytest.mark.parametrize("volts", [1.4, 1.7])
def test_low_threshold_is_no_fault(volts: float) -> None:
    """A good board one switch of which has a low threshold is not condemned, and no reading of it is called a slip."""
    board = dataclasses.replace(BOARD, parts=_with_threshold("Q_VH", volts))
    virtual = VirtualBoard(board, METER, SETUP, {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}})
    readings = read_board(virtual, standard_sheet(BOARD), (), np.random.default_rng(2))
    ranking = rank(BOARD, METER, SETUP, readings)
    assert ranking.candidates[0].faults == ()
    assert ranking.fit.ok
    assert ranking.fit.worst_reading is None


@pytest.mark.slow
def test_two_low_thresholds_beside_low_drops() -> None:
    """On a board of low drops, known from its other legs, two early channels are still no open diodes."""
    parts = dict(with_drops(BOARD, {"body diodes": -0.04}).parts)
    for ref in ("Q_UL", "Q_WH"):
        parts[ref] = dataclasses.replace(parts[ref], values={**parts[ref].values, "gate_threshold": 1.76})
    virtual = VirtualBoard(
        dataclasses.replace(BOARD, parts=parts), METER, SETUP, {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}}
    )
    damage = ((Fault("Q_VL", "all-short"), 2.6),)
    readings = read_board(virtual, standard_sheet(BOARD), damage, np.random.default_rng(2))
    ranking = rank(BOARD, METER, SETUP, readings)
    assert [(guess.part, guess.mode) for guess in ranking.candidates[0].faults] == [("Q_VL", "all-short")]
    assert ranking.fit.worst_reading is None
