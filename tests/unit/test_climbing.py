"""A resistance caught while it climbs: an ohmmeter that charges a capacitor through a junction."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from bridge.board import load_board
from bridge.evidence import screen
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.forecast import forecast
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.table import table_of

BOARD = load_board("six-switch-bridge")
METER = load_meter()


@pytest.mark.slow
def test_another_drop_is_no_slip() -> None:
    """A phase read to minus in ohms climbs from where its diode's drop puts it: 40 mV less drop is no misfit.

    What a board whose diodes drop 40 mV less reads there, solved for that board, fits the file's board.
    """
    lower = dataclasses.replace(
        BOARD,
        parts={
            ref: dataclasses.replace(part, values={**part.values, "drop_1ma": part.values["drop_1ma"] - 0.04})
            if ref.startswith("D_")
            else part
            for ref, part in BOARD.parts.items()
        },
    )
    places = [Probing("N", phase) for phase in "UVW"] + [Probing(phase, "N", "ohms") for phase in "UVW"]
    taken, ohms = [], []
    for shown in forecast(lower, METER, Setup(), places):
        assert shown.value is not None
        state = "climbing" if shown.probing.mode == "ohms" else "steady"
        value = METER.display(shown.probing.mode, None, shown.value)
        taken.append(Reading(0, shown.probing, "", value, shown.unit, state, discharged=True))
        ohms.append(shown.value)
    nominal = forecast(BOARD, METER, Setup(), places)
    assert nominal[3].start is not None
    assert ohms[3] < nominal[3].start  # below where the file's board would begin
    ranking = rank(BOARD, METER, Setup(), taken)
    assert ranking.fit.ok
    assert ranking.fit.worst_reading is None
    assert ranking.setup[0].what == "as-stated"


def test_run_to_overload_is_expected_of_what_charges() -> None:
    """Who watched a display run to OL saw no steady number: it speaks against a hypothesis that predicts one."""
    space = build_space(BOARD, Setup())
    reading = Reading(0, Probing("U", "N"), "climbing to OL", None, "V", "climbing", to_ol=True, discharged=True)
    table = table_of(space, METER, [reading], pairs=False)
    models = model_readings([reading], METER)
    screened = screen(table, models, pairs=False)
    short = space.singles.fault == space.faults.index(Fault("Q_UL", "ce-short"))
    own = screened.single - space.singles.log_weight - space.priors.log_single[space.singles.fault]
    assert screened.healthy - space.priors.log_healthy > np.max(own[short]) + 2.0
