"""Tables worked out at the drops that a board shows."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.board import load_board
from bridge.evidence import refine, screen
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.recentre import STEP_V, drops_shown, with_drops
from bridge.reference import learn_reference, narrow_table
from bridge.table import table_of
from bridge.virtualboard import Damage, VirtualBoard, read_board
from tests.studies.plan import standard_sheet

COOKTOP, METER, SETUP = load_board("half-bridge-cooktop"), load_meter(), Setup()
BATCHES = {part.batch for part in COOKTOP.parts.values() if "drop_1ma" in part.values}


def _read(damage: Damage, drop_v: float) -> tuple[Reading, ...]:
    gains = {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}}
    board = with_drops(COOKTOP, dict.fromkeys(BATCHES, drop_v))
    virtual = VirtualBoard(board, METER, SETUP, gains)
    return read_board(virtual, standard_sheet(COOKTOP), damage, np.random.default_rng(4))


def test_drops_move_by_batch() -> None:
    """Parts of the batch move, the others and the board given do not."""
    moved = with_drops(COOKTOP, {COOKTOP.parts["D_H"].batch: -0.03})
    assert moved.parts["D_H"].values["drop_1ma"] == pytest.approx(COOKTOP.parts["D_H"].values["drop_1ma"] - 0.03)
    assert moved.parts["D_AC1H"] == COOKTOP.parts["D_AC1H"]


@pytest.mark.parametrize("drop_v", [-0.06, 0.045])
def test_drops_are_read_off_diode_mode(drop_v: float) -> None:
    """What diode mode shows of rectifier and antiparallel diodes comes out to the rounding."""
    readings = _read((), drop_v)
    table = table_of(build_space(COOKTOP, SETUP), METER, readings, pairs=False)
    models = model_readings(readings, METER)
    found = dict(drops_shown(table, models, refine(table, models, screen(table, models, pairs=False)), {}))
    for ref in ("D_AC1H", "D_H"):
        assert found.get(COOKTOP.parts[ref].batch, 0.0) == pytest.approx(drop_v, abs=STEP_V)


@pytest.mark.slow
def test_no_ohms_no_other_table() -> None:
    """Where diode mode alone was read nothing asks for other drops."""
    readings = [one for one in _read((), -0.06) if one.probing.mode == "diode"]
    table = table_of(build_space(COOKTOP, SETUP), METER, readings, pairs=False)
    models = model_readings(readings, METER)
    assert drops_shown(table, models, refine(table, models, screen(table, models, pairs=False)), {}) == ()


@pytest.mark.slow
def test_low_drops_are_no_leak() -> None:
    """A board of low drops reads 60 kohm where the file's would read 160: that is no second fault."""
    ranking = rank(COOKTOP, METER, SETUP, _read(((Fault("Q_H", "ce-short"), 0.4),), -0.06))
    assert ranking.board is COOKTOP
    leader = ranking.candidates[0]
    assert [(one.part, one.mode) for one in leader.faults] == [("Q_H", "ce-short")]
    assert ranking.fit.ok


@pytest.mark.slow
def test_a_good_board_narrows_what_a_step_is_worth() -> None:
    """Beside a good board a batch strays less: the same readings still move the drops by no more than they show."""
    readings = _read((), 0.03)
    table = table_of(build_space(COOKTOP, SETUP), METER, readings, pairs=False)
    spread = learn_reference(COOKTOP, METER, SETUP, _read((), 0.0)).spread
    narrow = narrow_table(table, spread)
    models = model_readings(readings, METER)
    survivors = refine(narrow, models, screen(narrow, models, pairs=False))
    found = dict(drops_shown(narrow, models, survivors, spread))
    assert found[COOKTOP.parts["D_AC1H"].batch] == pytest.approx(0.03, abs=STEP_V)
