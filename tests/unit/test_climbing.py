"""A resistance caught while it climbs: an ohmmeter that charges a capacitor through a junction."""

from __future__ import annotations

import dataclasses

import pytest

from bridge.board import load_board
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading

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
