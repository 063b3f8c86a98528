"""Set-up errors are suspected before a part is condemned."""

from __future__ import annotations

import dataclasses

import pytest

from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.forecast import default_probings, forecast
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.suspect import exchange_leads, suspect_setup

METER = load_meter()


@pytest.fixture(scope="module")
def board() -> Board:
    """The six-switch bridge."""
    return load_board("six-switch-bridge")


def readings_of(board: Board, setup: Setup, *faults: str) -> list[Reading]:
    """Return what the handheld meter shows on all main terminals, rounded to its digits."""
    probings = [probing for probing in default_probings(board) if probing.mode == "diode"]
    known = [parse_fault(fault, board) for fault in faults]
    readings = []
    for shown in forecast(board, METER, setup, probings, known):
        value = None if shown.value is None else METER.display(shown.probing.mode, None, shown.value)
        readings.append(Reading(0, shown.probing, "", value, shown.unit, "OL" if value is None else "steady"))
    return readings


def test_swapped_leads_are_found_and_the_fault_with_them(board: Board) -> None:
    """Readings taken with the leads exchanged name the leads first, and still the shorted switch."""
    taken = [exchange_leads(reading) for reading in readings_of(board, Setup(), "Q_VL:ce-short:0.4")]
    ranking = rank(board, METER, Setup(), taken)
    assert ranking.setup[0].what == "leads-swapped"
    assert ranking.setup[0].probability > 0.97
    assert ranking.candidates[0].faults[0].part in ("Q_VL", "D_VL")
    assert "Q_VL" in ranking.groups[0].replace


def test_a_motor_left_connected_condemns_no_part(board: Board) -> None:
    """A healthy board with its motor left on is a set-up, and the healthy board is the best candidate in it."""
    taken = readings_of(board, Setup(connected=frozenset({"motor"})))
    ranking = rank(board, METER, Setup(), taken)
    assert ranking.setup[0].what == "motor-connected"
    assert ranking.setup[0].probability > 0.97
    assert ranking.candidates[0].faults == ()


def test_a_stated_motor_is_as_stated(board: Board) -> None:
    """What was said to be connected is no set-up error."""
    stated = Setup(connected=frozenset({"motor"}))
    ranking = rank(board, METER, stated, readings_of(board, stated))
    assert ranking.setup[0].what == "as-stated"
    assert ranking.fit.ok


def test_suspicions_are_probabilities(board: Board) -> None:
    """All states of the bench together have probability one, the most probable first."""
    suspicions = suspect_setup(board, METER, Setup(), readings_of(board, Setup(), "D_UH:open"))
    shares = [suspicion.probability for suspicion in suspicions]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert suspicions[0].what == "as-stated"


def test_predictions_of_swapped_readings_are_swapped(board: Board) -> None:
    """A candidate under swapped leads predicts what was read, reading by reading."""
    taken = [exchange_leads(reading) for reading in readings_of(board, Setup(), "Q_VL:ce-short:0.4")]
    ranking = rank(board, METER, Setup(), taken)
    for reading, shown in zip(taken, ranking.predictions(0), strict=True):
        assert (reading.value is None) == (shown.value is None)
        if reading.value is not None and shown.value is not None:
            assert shown.value == pytest.approx(reading.value, abs=0.02)


def test_what_was_connected_for_one_reading_counts_for_that_reading(board: Board) -> None:
    """A motor named in one row explains that row and no other, and its prediction says so."""
    motor = frozenset({"motor"})
    plain = readings_of(board, Setup())
    tied = readings_of(board, Setup(connected=motor))
    place = next(number for number, one in enumerate(plain) if (one.probing.red, one.probing.black) == ("U", "V"))
    taken = [
        dataclasses.replace(tied[number], connected=motor) if number == place else one
        for number, one in enumerate(plain)
    ]
    ranking = rank(board, METER, Setup(), taken)
    assert ranking.fit.ok
    assert ranking.setup[0].what == "as-stated"
    assert ranking.candidates[0].faults == ()
    shown = ranking.predictions(0)[place].value
    assert shown == pytest.approx(0.002, abs=0.001)
