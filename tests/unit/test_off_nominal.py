"""Boards that differ from their file: severities between the nodes, ranges that drops decide about."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge.board import load_board
from bridge.evidence import refine, screen
from bridge.faults import Fault, severity_nodes
from bridge.faultspace import Variants
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.table import table_of
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage, VirtualBoard, read_board
from tests.studies.plan import standard_sheet

SIX, METER, SETUP = load_board("six-switch-bridge"), load_meter(), Setup()
MEMORY = TableMemory()


def _read(damage: Damage, drop_v: float = 0.0) -> tuple[Reading, ...]:
    """Read the board with the digits of a true meter, all drops off by so much."""
    parts = {
        ref: dataclasses.replace(part, values={**part.values, "drop_1ma": part.values["drop_1ma"] + drop_v})
        if "drop_1ma" in part.values
        else part
        for ref, part in SIX.parts.items()
    }
    gains = {"diode": 0.0, **{one.name: 0.0 for one in METER.ohms}}
    virtual = VirtualBoard(dataclasses.replace(SIX, parts=parts), METER, SETUP, gains)
    return read_board(virtual, standard_sheet(SIX), damage, np.random.default_rng(8))


@pytest.mark.parametrize(("part", "ohms"), [("C_BUS", 25.0), pytest.param("D_WH", 49.0, marks=pytest.mark.slow)])
def test_short_of_any_resistance_is_found(part: str, ohms: float) -> None:
    """Wherever in its span a short lies, no set of rarer faults explains it better, and its resistance comes out."""
    ranking = rank(SIX, METER, SETUP, _read(((Fault(part, "short"), ohms),)), memory=MEMORY)
    assert ranking.fit.ok
    found = next(one for one in ranking.candidates if [(g.part, g.mode) for g in one.faults] == [(part, "short")])
    assert found.group == 0
    assert len(ranking.candidates[0].faults) == 1
    if ohms > 1.0:
        assert found.faults[0].ohms == pytest.approx(ohms, abs=3.0)  # a diode mode of 2.5 mV and 1 mA


@pytest.mark.parametrize("drop_v", [-0.06, 0.04])
def test_healthy_board_of_other_drops(drop_v: float) -> None:
    """An ohmmeter reads 18 k or 1 M through the same diode, as a range ends; a board's drops are no fault."""
    readings = _read((), drop_v)
    table = table_of(MEMORY.space(SIX, SETUP), METER, readings, memory=MEMORY)
    models = model_readings(readings, METER)
    survivors = refine(table, models, screen(table, models))
    healthy = int(np.flatnonzero(survivors.kept == 0)[0])
    assert float(survivors.log_evidence[healthy]) > float(np.max(survivors.log_evidence)) - 0.5
    assert not np.any(survivors.slip[healthy] > 0.5)


@pytest.mark.slow
def test_drops_decide_about_the_range() -> None:
    """The test before is none where all boards are read in the same range."""
    names = {
        METER.range_for(reading.value).name
        for drop_v in (-0.06, 0.0, 0.06)
        for reading in _read((), drop_v)
        if reading.probing.mode == "ohms" and reading.value is not None and reading.probing.red == "U"
    }
    assert len(names) > 1


@pytest.mark.slow
def test_zero_ohms_is_a_reading() -> None:
    """A display of 0 ohm has no logarithm, and the hypotheses that expect 19 kohm there are weighed all the same."""
    readings = list(_read(((Fault("Q_WL", "ce-short"), 0.02), (Fault("D_WL", "open"), None))))
    place = next(k for k, one in enumerate(readings) if (one.probing.red, one.probing.mode) == ("W", "ohms"))
    readings[place] = dataclasses.replace(readings[place], text="0", value=0.0, state="steady")
    ranking = rank(SIX, METER, SETUP, readings, memory=MEMORY)
    assert sum(one.probability for one in ranking.candidates) == pytest.approx(1.0)
    assert "Q_WL" in ranking.groups[0].replace


@pytest.mark.parametrize("ohms", [0.03, 1.7, 5.6, 30.0, 49.0])
def test_evidence_between_nodes(ohms: float) -> None:
    """Three nodes of a severity give the evidence that sixty give, wherever the resistance lies."""
    readings = _read(((Fault("C_BUS", "short"), ohms),))
    space = MEMORY.space(SIX, SETUP)
    mine = space.faults.index(Fault("C_BUS", "short"))
    nodes = severity_nodes(SIX.parts["C_BUS"], "short", 60)
    many = Variants(
        np.full(len(nodes), mine),
        np.array([node.ohms for node in nodes]),
        np.array([node.ln_sigma for node in nodes]),
        np.log([node.weight for node in nodes]),
    )
    models = model_readings(readings, METER)
    evidence = []
    for one in (space, dataclasses.replace(space, singles=many)):
        table = table_of(one, METER, readings, pairs=False)
        survivors = refine(table, models, screen(table, models, pairs=False))
        evidence.append(float(np.logaddexp.reduce(survivors.log_evidence[survivors.faults[:, 0] == mine])))
    assert evidence[0] == pytest.approx(evidence[1], abs=1.0)
