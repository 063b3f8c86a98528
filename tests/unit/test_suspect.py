"""Set-up errors are suspected before a part is condemned."""

from __future__ import annotations

import dataclasses
import math

import pytest

from bridge import suspect
from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.forecast import default_probings, forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading, parse_readings
from bridge.suspect import suspect_setup, with_more_faults
from tests.studies.conditions import exchange_leads

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


@pytest.mark.slow
def test_swapped_leads_are_found_and_the_fault_with_them(board: Board) -> None:
    """Readings taken with the leads exchanged name the leads first, and still the shorted switch."""
    taken = [exchange_leads(reading) for reading in readings_of(board, Setup(), "Q_VL:ce-short:0.4")]
    ranking = rank(board, METER, Setup(), taken)
    assert ranking.setup[0].what == "leads-swapped"
    assert ranking.setup[0].probability > 0.97
    assert ranking.candidates[0].faults[0].part in ("Q_VL", "D_VL")
    assert "Q_VL" in ranking.groups[0].replace


@pytest.mark.slow
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


@pytest.mark.slow
def test_predictions_of_swapped_readings_are_swapped(board: Board) -> None:
    """A candidate under swapped leads predicts what was read, reading by reading."""
    taken = [exchange_leads(reading) for reading in readings_of(board, Setup(), "Q_VL:ce-short:0.4")]
    ranking = rank(board, METER, Setup(), taken)
    for reading, shown in zip(taken, ranking.predictions(0), strict=True):
        assert (reading.value is None) == (shown.value is None)
        if reading.value is not None and shown.value is not None:
            assert shown.value == pytest.approx(reading.value, abs=0.02)


@pytest.mark.slow
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


@pytest.mark.slow
def test_another_meter_is_suspected_where_another_was_used(board: Board) -> None:
    """Readings of a meter with less current raise the suspicion that it was not the stated one."""
    pocket = load_meter("pocket")
    probings = [probing for probing in default_probings(board) if probing.mode == "diode"]
    taken = []
    for shown in forecast(board, pocket, Setup(), probings):
        value = None if shown.value is None else pocket.display("diode", None, shown.value)
        taken.append(Reading(0, shown.probing, "", value, shown.unit, "OL" if value is None else "steady"))
    shares = {one.what: one.probability for one in suspect_setup(board, METER, Setup(), taken)}
    right = {one.what: one.probability for one in suspect_setup(board, METER, Setup(), readings_of(board, Setup()))}
    assert shares["other-meter"] > right["other-meter"]


@pytest.mark.slow
def test_wide_damage_is_no_slip_at_the_bench(board: Board) -> None:
    """What pairs and larger sets make of the readings counts for the stated set-up: twenty nats move the odds by it."""
    taken = [exchange_leads(reading) for reading in readings_of(board, Setup(), "Q_VL:ce-short:0.4")]
    plain = suspect_setup(board, METER, Setup(), taken)
    alone = next(one.alone - one.log_prior for one in plain if one.what == "as-stated")
    larger = suspect_setup(board, METER, Setup(), taken, stated=alone + 20.0)
    shares = [{one.what: one.probability for one in suspicions} for suspicions in (plain, larger)]
    odds = [one["as-stated"] / one["leads-swapped"] for one in shares]
    assert odds[1] / odds[0] == pytest.approx(math.exp(20.0), rel=1e-6)
    less = suspect_setup(board, METER, Setup(), taken, stated=alone - 20.0)
    assert {one.what: one.weight for one in less} == {one.what: one.weight for one in plain}


@pytest.mark.parametrize(
    ("name", "expected"), [("full-bridge-welder", "transformer-connected"), ("motor-drive", "brake-resistor-connected")]
)
def test_loads_that_a_board_has_are_suspected(name: str, expected: str) -> None:
    """Each load that a board's file knows is a state of the bench, and no other."""
    known = {"motor", "coil", "transformer", "brake-resistor"}
    other = load_board(name)
    loads = {part.when for part in other.parts.values()} & known
    names = {state.what for state in suspect._states(other, METER, Setup())}
    assert expected in names
    assert {one.removesuffix("-connected") for one in names if one.endswith("-connected")} == loads


def test_only_a_floating_gate_holds_charge(board: Board) -> None:
    """A gate with a pull-down keeps no charge; without pull-down and driver it may, and then it is suspected."""
    bare = dataclasses.replace(
        board, parts={ref: part for ref, part in board.parts.items() if not ref.startswith(("RGE_", "RG_", "DRV_"))}
    )
    assert "gate-charged" not in {state.what for state in suspect._states(board, METER, Setup())}
    states = [state for state in suspect._states(bare, METER, Setup()) if state.what == "gate-charged"]
    assert {state.held[0].position for state in states} == {"UH", "UL", "VH", "VL", "WH", "WL"}
    (reading,) = [one for one in readings_of(board, Setup()) if (one.probing.red, one.probing.black) == ("P", "U")]
    held = next(state for state in states if state.held[0].position == "UH")
    assert held.taken(bare, [reading])[0].probing.hold == held.held


@pytest.mark.slow
def test_a_falling_display_tells_of_charge() -> None:
    """A good board with 0.4 V left on its bus: falling ohms give it away, though each alone might be a wrong word."""
    board, meter = load_board("six-switch-bridge"), load_meter()
    places = [Probing("N", "P"), Probing("U", "P"), *(Probing(red, "N", "ohms") for red in "PUVW")]
    readings = []
    for one in forecast(board, meter, Setup(bus_volts=0.4), places):
        value = None if one.value is None else meter.display(one.probing.mode, None, one.value)
        readings.append(Reading(0, one.probing, "", value, one.unit, one.state or "", discharged=True))
    assert [reading.state for reading in readings].count("falling") == 4
    ranking = rank(board, meter, Setup(), readings)
    believed = max(ranking.setup, key=lambda one: one.probability)
    assert believed.what == "bus-charged"
    assert believed.probability > 0.6
    assert "falls in ohms mode means charge" in (ranking.caution or "")
    assert not ranking.candidates[0].faults


@pytest.mark.slow
def test_a_coil_left_on_is_not_a_second_fault() -> None:
    """A shorted switch beside a coil left on is one fault and a coil, not a shorted capacitor as well."""
    cooktop = load_board("half-bridge-cooktop")
    readings = readings_of(cooktop, Setup(connected=frozenset({"coil"})), "Q_L:ce-short:0.02")
    ranking = rank(cooktop, METER, Setup(), readings)
    assert ranking.setup[0].what == "coil-connected"
    assert ranking.setup[0].probability > 0.97
    assert {guess.part for guess in ranking.candidates[0].faults} == {"Q_L"}


@pytest.mark.slow
def test_more_faults_count_for_their_state(board: Board) -> None:
    """What pairs add to a state of the bench moves its odds by as much, and the order with it."""
    suspicions = suspect_setup(board, METER, Setup(), readings_of(board, Setup(), "D_UH:open"))
    least = suspicions[-1]
    behind = suspicions[0].weight - least.weight
    assert behind > 10.0
    again = with_more_faults(suspicions, least.what, suspicions[0].weight + 2.0 - least.log_prior)
    assert again[0].what == least.what
    assert again[0].probability / again[1].probability == pytest.approx(math.exp(2.0), rel=1e-3)
    assert sum(one.probability for one in again) == pytest.approx(1.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("connected", "what"), [(frozenset[str](), "as-stated"), (frozenset({"motor"}), "motor-connected")]
)
def test_states_judged_by_their_beginning(
    board: Board, connected: frozenset[str], what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is far behind after a few readings is so after all of them; what leads is weighed as by all readings."""
    taken = readings_of(board, Setup(connected=connected), "Q_VL:ce-short:0.4")
    assert len(taken) > suspect.BEGINNINGS[0]
    short = {one.what: one.probability for one in suspect_setup(board, METER, Setup(), taken)}
    monkeypatch.setattr(suspect, "BEGINNINGS", ())
    whole = {one.what: one.probability for one in suspect_setup(board, METER, Setup(), taken)}
    assert max(short, key=lambda one: short[one]) == what
    for state, probability in whole.items():
        assert short[state] == pytest.approx(probability, rel=1e-6, abs=1e-7)


def test_where_nothing_fits_no_state_is_weighed_by_all(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings that every state of the bench fails from the first on are not gone through once for each of them."""
    taken = [
        dataclasses.replace(reading, value=0.9 + 0.1 * (number % 7), state="steady")
        for number, reading in enumerate(readings_of(board, Setup()))
    ]
    counts: list[int] = []

    def weighed(*args: object, **_: object) -> float:
        assert isinstance(args[3], list)
        counts.append(len(args[3]))
        return -25.0 * len(args[3])

    monkeypatch.setattr(suspect, "_log_evidence", weighed)
    first = suspect_setup(board, METER, Setup(), taken)[0]
    assert first.what == "wrong-board"
    assert counts.count(len(taken)) == 1  # the stated set-up alone


@pytest.mark.slow
def test_a_coil_left_on_is_not_one_leaking_capacitor() -> None:
    """Between the tank capacitors a coil reads like a leak in one, and is left on more often than one leaks."""
    rows = (
        "P,MID,ohms,469k|AC1,AC2,diode,OL|MID,N,ohms,455k|AC1,P,diode,0.364|N,AC2,diode,0.374|GD_L,N,ohms,10.02k|"
        "AC2,P,diode,0.375|GD_H,MID,ohms,9.85k|N,AC1,diode,0.376|P,AC1,diode,OL|VB_H,MID,ohms,289k climbing|"
        "VCC,N,ohms,1673|P,RES,ohms,469k|P,RES,ohms,467k"
    )
    sheet = "red,black,mode,reading\n" + rows.replace("|", "\n") + "\n"
    board = load_board("half-bridge-cooktop")
    ranking = rank(board, METER, Setup(), parse_readings(sheet.encode(), "coil", board, METER).readings)
    assert len(ranking.candidates[0].faults) < 2
    assert ranking.setup[0].what == "coil-connected"
