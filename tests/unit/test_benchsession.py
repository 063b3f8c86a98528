"""A bench session as text in and lines out."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.advise import NextReading, Reach
from bridge.benchcheck import doubtful_number, slip_question
from bridge.benchpage import reading_words, readings_page
from bridge.benchresume import resume
from bridge.benchsession import END_PROMPT, Answer, BenchSession
from bridge.benchsetup import Briefing, SetupTalk, parse_reach, parse_yes
from bridge.board import Board, load_board
from bridge.errors import InputError
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.journal import reading_line
from bridge.layout import Table
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.ranking import Candidate, FaultGuess
from bridge.readings import Reading, parse_readings
from bridge.units import percent
from tests.bench.meterhand import MeterHand
from tests.conftest import Outcome

COOKTOP = load_board("single-switch-cooktop")
BRIDGE = load_board("six-switch-bridge")
KNOWN = Briefing(load_meter(), "handheld", Setup(), (), Reach("gates"), True)


class Talk:
    """A session that answers what it can, and keeps everything that was said and recorded."""

    def __init__(self, session: BenchSession) -> None:
        self.session = session
        self.said = ""
        self.record = ""
        self.answer = self.take(session.begin())

    def take(self, answer: Answer) -> Answer:
        """Let an answer run to its end, as the shell does."""
        self.said = ""
        while True:
            self.record += answer.record
            self.said += "\n".join((*answer.lines, ""))
            assert max(map(len, answer.lines), default=0) <= 78
            if not answer.more:
                return answer
            answer = self.session.consider()

    @property
    def concluded(self) -> bool:
        """Whether a verdict was given, and the prompt after it stands there."""
        return self.answer.prompt == END_PROMPT

    def type(self, *lines: str) -> str:
        """Type lines and return what was said to the last one."""
        for line in lines:
            self.answer = self.take(self.session.hear(line))
        return " ".join(self.said.split())


def test_help_before_the_first_reading() -> None:
    """Help is no voltage: it says what is going on, and the question stands."""
    talk = Talk(BenchSession(COOKTOP, KNOWN))
    asked = talk.answer.prompt
    assert "type what is asked for" in talk.type("help")
    assert talk.answer.prompt == asked


@pytest.mark.parametrize("word", ["list", "why 3", "doubt", "rank"])
def test_words_for_readings_before_the_first(word: str) -> None:
    """A word for readings at an opening question is said to work later, and the question stands."""
    talk = Talk(BenchSession(COOKTOP, dataclasses.replace(KNOWN, discharged=None)))
    while not talk.answer.prompt.startswith("discharged"):
        assert "works once readings are asked for" in talk.type(word)
        talk.type("0")
    said = talk.type(word)
    assert "works once readings are asked for" in said
    assert "accepted" not in said
    assert talk.answer.prompt.startswith("discharged")
    assert talk.record == ""


def test_an_answer_before_the_first_reading_is_taken_back() -> None:
    """Undo or back opens the question before once more, with nothing left of its answer; the first has none before."""
    talk = Talk(BenchSession(COOKTOP, Briefing(load_meter(), "handheld")))
    first = talk.answer.prompt
    assert "nothing to go back to" in talk.type("undo")
    assert talk.answer.prompt == first
    prompts = []
    while talk.answer.prompt != "reach? ":
        prompts.append(talk.answer.prompt)
        talk.type("0" if talk.answer.prompt.endswith("volts? ") else "")
    for prompt, word in zip(reversed(prompts), ["Undo", "back"] * len(prompts), strict=False):
        talk.type(word)
        assert talk.answer.prompt == prompt
    talk.type("0.3")
    while talk.answer.prompt != "seen? ":
        talk.type("0.01" if talk.answer.prompt.endswith("volts? ") else "nothing")
    assert "Noted: F_1 open; dead." in talk.type("f_1 blown; dead")
    talk.type("undo")
    assert "Noted: F_1 open." in talk.type("fuse blown")
    talk.type("gates", "no")
    head = json.loads(talk.record.splitlines()[0])
    assert head["seen"] == ["F_1 open"]
    assert head["setup"]["bus_volts"] == 0.3


def test_going_back_makes_no_voltage_count_that_was_typed_with_mains_on() -> None:
    """Told of mains, then gone back and told of none: the voltages typed before do not count either."""
    talk, prompts = _mains_told_of()
    talk.type("undo")
    assert talk.answer.prompt == "connected? "
    assert "measured before does not count" in talk.type("")
    assert talk.answer.prompt == prompts[0]
    assert talk.record == ""


def test_help_at_a_voltage_says_what_to_type() -> None:
    """Help at a voltage names places and examples, and the caution in one line, not the whole page again."""
    talk = Talk(BenchSession(BRIDGE, KNOWN))
    page = talk.said
    said = talk.type("help")
    assert "Type the DC volts your meter shows now between P and N: 0.02" in said
    caution = [line for line in talk.answer.lines if "hands off" in line]
    assert len(caution) == 1
    assert "locked out" in caution[0]
    assert "above 60 V" in caution[0]
    assert "IEC" not in said
    assert len(talk.answer.lines) < len(page.splitlines()) / 2


def started(board: str = "single-switch-cooktop", known: Briefing = KNOWN) -> Talk:
    """Return a session on a discharged board, ready for the first reading."""
    talk = Talk(BenchSession(load_board(board), known))
    while talk.answer.prompt != "reading? ":
        talk.type("0.02")
    return talk


def test_charge_is_asked_for_place_by_place() -> None:
    """Bus, ahead of the precharge resistor and both halves are measured; residue above 0.5 V is asked for again."""
    talk = Talk(BenchSession(load_board("motor-drive"), KNOWN))
    assert talk.answer.prompt.startswith("P to N (the bus), volts?")
    assert "never with a blade" in " ".join(talk.said.split())
    assert "discharge through a resistor to 0.5 V" in talk.type("12")
    assert talk.answer.prompt.startswith("P to N")
    assert "measure and type the value" in talk.type("")
    assert "measure and type" not in talk.type("0.2 V")
    assert talk.answer.prompt.startswith("PR to N")
    assert talk.type("0.1", "-0.1") == ""
    assert talk.answer.prompt.startswith("NP to N")
    assert not talk.answer.done


@pytest.mark.parametrize("volts", ["60.1", "325", "-400 V"])
def test_above_sixty_volts_it_refuses(volts: str) -> None:
    """Above 60 V, either way round, the session ends at once, nothing is recorded, and the danger is named."""
    talk = Talk(BenchSession(COOKTOP, KNOWN))
    said = talk.type(volts)
    assert talk.answer.done
    assert "DANGER" in said
    assert "dangerous to touch" in talk.answer.refused
    assert talk.record == ""


def test_exactly_sixty_volts_are_still_too_much_for_the_meter() -> None:
    """At the limit one may touch, but not measure in diode mode."""
    talk = Talk(BenchSession(COOKTOP, KNOWN))
    assert "too much for diode or ohms mode" in talk.type("60")
    assert not talk.answer.done


def test_a_residue_goes_into_the_set_up() -> None:
    """What is left below 0.5 V is recorded; a few millivolts are not."""
    for typed, volts in (("0.3", 0.3), ("0.01", 0.0)):
        talk = Talk(BenchSession(BRIDGE, dataclasses.replace(KNOWN, discharged=False)))
        talk.type(typed)
        assert json.loads(talk.record.splitlines()[0])["setup"]["bus_volts"] == volts


def test_no_residue_where_the_bus_is_discharged_each_time() -> None:
    """What was measured before is gone by the first reading, and the session says to see to that."""
    talk = Talk(BenchSession(BRIDGE, dataclasses.replace(KNOWN, discharged=None)))
    talk.type("0.2")
    assert "discharge it before the first reading, too" in talk.type("yes")
    assert json.loads(talk.record.splitlines()[0])["setup"]["bus_volts"] == 0.0
    kept = Talk(BenchSession(BRIDGE, dataclasses.replace(KNOWN, discharged=None)))
    kept.type("0.2", "no")
    assert json.loads(kept.record.splitlines()[0])["setup"]["bus_volts"] == 0.2


def test_everything_is_asked_and_kept() -> None:
    """Meter, what is connected, what was seen and what can be reached go into the first line of the record."""
    talk = Talk(BenchSession(BRIDGE, Briefing()))
    talk.type("0")
    assert talk.answer.prompt == "meter? "
    assert "nothing-like-it" in talk.type("nothing-like-it")
    assert talk.answer.prompt == "meter? "
    talk.type("pocket")
    assert talk.answer.prompt == "connected? "
    for wrong in ("toaster", "motor unplugged"):
        assert f"{wrong.split()[-1]}'; accepted: motor, mains, nothing." in talk.type(wrong)
    assert "no such thing to connect; accepted: motor, mains" in talk.type("coil")
    assert talk.answer.prompt == "connected? "
    talk.type("motor")
    assert talk.answer.prompt == "seen? "
    assert "no part or package" in talk.type("soot at Q_XX")
    talk.type("soot at Q_UL; trips at switch-on")
    assert talk.answer.prompt == "reach? "
    talk.type("gates no W g_wh")
    talk.type("no")
    head = json.loads(talk.record.splitlines()[0])
    assert (head["board"], head["meter"], head["setup"]["connected"]) == ("six-switch-bridge", "pocket", ["motor"])
    assert head["seen"] == ["Q_UL soot", "trips at switch-on"]
    assert head["bench"] == {"effort": "gates", "blocked": ["G_WH", "W"], "discharged": False}
    assert "Next: red on" in talk.said
    assert "W" not in talk.said.split("Next: red on")[1].split(".")[0].replace("black on", "").replace(",", " ").split()


@pytest.mark.slow
def test_a_session_finds_the_fault_and_stops_by_itself() -> None:
    """Reading what is proposed off a cooktop with a shorted switch ends in its name and what goes with it."""
    hand = MeterHand.on(COOKTOP, "Q_L:ce-short")
    talk = started()
    for _ in range(12):
        if talk.concluded:
            break
        reading = hand.answer(talk.said)
        assert reading is not None
        talk.type(reading)
    said = " ".join(talk.said.split())
    assert "Certain enough" in said
    assert "the limit is 95 %" in said
    assert "replace Q_L (" in said
    assert "What goes with it" in said
    assert "Power comes back in stages" in said


@pytest.mark.slow
def test_places_may_be_typed_and_are_said_back() -> None:
    """A reading elsewhere than proposed is taken, in the mode usual there, any case."""
    talk = started()
    assert "1. P to N, diode: OL" in talk.type("p n OL")
    assert "2. G_L to E_L, ohms: 9.9k" in talk.type("g_l e_l 9.9k")
    assert "3. RES to E_L, diode, holding L@12: 0.65" in talk.type("RES E_L hold L@12 0.65")
    found = parse_readings(talk.record.encode(), "s", COOKTOP)
    assert [one.probing for one in found] == [
        Probing("P", "N"),
        Probing("G_L", "E_L", "ohms"),
        Probing("RES", "E_L", hold=(Hold("L", 12.0),)),
    ]
    assert all(one.discharged for one in found)


@pytest.mark.slow
def test_six_values_in_one_line() -> None:
    """After a proposal with fellows, as many values as fellows are taken in the order said; another number is not."""
    talk = started("drive-module")
    said = talk.type("NU U 0.42")
    while "readings in one line" not in said:
        said = talk.type("skip")
    order = said.split("red-black: ")[1].rstrip(".").split(", ")
    refused = talk.type("0.41 0.42 0.41 0.42 0.41")
    assert "5 values; accepted: one, at" in refused
    assert f"6 in this order: {', '.join(order)}" in refused
    before = talk.record.count('"reading"')
    values = [f"0.4{number}" if "OL" not in order else "OL" for number in range(len(order))]
    talk.type(" ".join(values))
    taken = parse_readings(talk.record.encode(), "s", load_board("drive-module")).readings[before:]
    assert [f"{one.probing.red}-{one.probing.black}" for one in taken] == order
    assert [one.text for one in taken] == values


def test_several_values_where_one_place_is_proposed() -> None:
    """Several values for one place are refused with what would do: one value, or a line for each with its places."""
    talk = started("six-switch-bridge")
    while "readings in one line" in talk.said:
        talk.type("skip")
    found = re.search(r"red on (\S+), black on (\S+), (\w+)", " ".join(talk.said.split()))
    assert found is not None
    red, black, mode = found.groups()
    before = talk.record
    said = talk.type("0.41 0.42 0.41 0.42 0.41 0.42")
    assert f"6 values, but one place is proposed; accepted: the value at {red}-{black}" in said
    assert f"{red} {black} {mode} VALUE" in said
    assert talk.record == before


def test_take_back_doubt_and_skip() -> None:
    """Undo takes the last reading back, doubt marks one, skip asks for another; all of it is in the record."""
    talk = started()
    first = talk.said
    proposed = talk.session._advice
    assert proposed is not None
    skipped = f"Skipped: {proposed.probing.red} to {proposed.probing.black}, {proposed.probing.mode}."
    assert talk.type("skip").startswith(skipped)
    assert talk.said != first
    talk.type("P N diode OL", "P RES diode OL")
    assert "Taken back: P to RES, diode: OL" in talk.type("undo")
    assert "Reading 1 is marked as doubtful" in talk.type("doubt")
    events = [json.loads(line) for line in talk.record.splitlines()]
    assert [next(iter(event)) for event in events[1:]] == ["skip", "reading", "reading", "undo", "doubt"]
    found = parse_readings(talk.record.encode(), "s", COOKTOP)
    assert [(one.text, one.doubted) for one in found] == [("OL", True)]
    assert "accepted: a reading from 1 to 1" in talk.type("doubt 7")
    talk.type("undo")
    assert "no reading to take back" in talk.type("undo")


@pytest.mark.slow
def test_questions_change_nothing() -> None:
    """Why, good, list, help, repair and a blank line answer and record nothing."""
    talk = started()
    talk.type("RES E_L 0.002")
    before = talk.record
    assert "With Q_L" in talk.type("why")
    assert "What it may show" in " ".join(talk.said.split())
    assert "through the short in Q_L" in talk.type("why 1")
    assert "on a good board" in talk.type("why F_1:open")
    assert re.search(r"red on E_L, black on RES, diode 0\.[345]\d* to 0\.[45]\d*", talk.type("good Q_L"))
    assert "A good board" in talk.type("good E_L RES")
    listed = talk.type("list")
    assert "Readings so far" in listed
    assert "Next: red on" in listed
    assert "To replace" in talk.type("repair")
    assert "undo" in talk.type("help")
    assert "Next: red on" in talk.type("")
    for wrong in ("good XX", "why Q_L:nonsense", "why 9", "hello"):
        assert not talk.type(wrong).startswith("Next")
    assert talk.record == before


def test_what_the_meter_cannot_show_is_refused() -> None:
    """A typing slip is refused with what would do, and nothing is recorded."""
    talk = started()
    before = talk.record
    assert "write 0.412 or 412m" in talk.type("P N 412")
    assert "both leads" in talk.type("P P 0.4")
    assert talk.record == before


@pytest.mark.slow
def test_the_value_after_a_refused_one_goes_to_its_place() -> None:
    """What a refusal says to write is taken at the refused places, and not for the proposal; words between keep it."""
    talk = started("half-bridge-cooktop")
    talk.session._advice = NextReading(Probing("G_L", "MID", "ohms"), 1.0, 1.0, ())
    said = talk.type("mid n 410")
    assert "write 0.41 or 410m." in said
    here = "The next value typed without places is taken for MID to N, diode."
    assert said.endswith(f"Nothing is taken yet. {here}")
    for word in ("good Q_L", "", "yes", "41k"):
        assert talk.type(word).endswith(here)
        assert "Next: " not in talk.said
    assert talk.type("410m").startswith("1. MID to N, diode: 410m After 1 reading")
    assert talk.type("P N volts 12").endswith("taken for P to N, volts.")
    assert talk.type("0.02").startswith("2. P to N, volts: 0.02")
    talk.type("N MID 410")
    assert talk.type("P MID 1.4").startswith("Not taken: N to MID, diode: 410. 3. P to MID, diode: 1.4")
    talk.type("N MID 410")
    assert talk.type("no").startswith("Not taken. Next: ")


@pytest.mark.slow
def test_several_values_one_of_them_refused() -> None:
    """Of six values one is refused: none is taken, and the right one alone is not taken for the first place."""
    talk = started("six-switch-bridge")
    talk.session._advice = NextReading(Probing("U", "P"), 1.0, 1.0, ())
    before = talk.record
    said = talk.type("0.41 0.42 410 0.41 0.42 0.41")
    assert "write 0.41 or 410m. Nothing is taken yet. Type all 6 again" in said
    assert "one value, but 6 were asked about" in talk.type("410m")
    assert talk.record == before
    assert "6. " in talk.type("0.41 0.42 410m 0.41 0.42 0.41")
    assert [one.text for one in talk.session.readings][2] == "410m"


def test_after_a_misspelt_place_it_says_where_a_value_alone_goes() -> None:
    """A line with a place that is not there names near ones, and where a value without places would be taken."""
    talk = started("half-bridge-cooktop")
    assert talk.session._advice is not None
    proposed = talk.session._advice.probing
    assert "no terminal 'MIT'; near names: MID" in talk.type("N MIT 0.4")
    for line in ("N MIT 0.4", "N MID", "N MID ohms"):
        assert f"taken for the proposed {proposed.red} to {proposed.black}, {proposed.mode}." in talk.type(line)
    assert "taken for the proposed" not in talk.type("good MIT")


@pytest.mark.slow
def test_one_question_for_one_number() -> None:
    """A number that may be a drop, or lack its k or M, is asked about once, with both and how to type each."""
    place = Probing("P", "RES", "ohms")
    (good,) = forecast(COOKTOP, load_meter(), Setup(), [place])
    assert good.value is not None
    number = f"{good.value / 1e6:.2f}"  # some 600 kohm
    assert 0.25 < float(number) < 0.95
    talk = started()
    talk.session._advice = NextReading(place, 1.0, 1.0, ())
    said = talk.type(number)
    assert said.count("Type ") == 1
    assert f"It looks like a drop of {float(number):g} V" in said
    assert f"or like {number}M, as a good board reads" in said
    assert "is taken as" not in said
    assert talk.type(f"{number}M").startswith(f"1. P to RES, ohms: {number}M")
    talk.type("undo")
    talk.session._advice = NextReading(place, 1.0, 1.0, ())
    assert talk.type(number, "yes").startswith(f"1. P to RES, ohms: {number} ohm")


@pytest.mark.parametrize(
    ("typed", "volts"),
    [("G_L E_L 412", "0.412"), ("G_L E_L 0.43", "0.43"), ("g_l e_l 655", "0.655"), ("G_L E_L 410m", "0.41")],
)
def test_a_drop_typed_at_an_ohms_place_is_asked_about_once(typed: str, volts: str) -> None:
    """A bare number that reads like a junction is not taken as ohms before somebody says so."""
    talk = started()
    before = talk.record
    said = talk.type(typed)
    assert f"looks like a drop of {volts} V" in said
    assert "Nothing is taken yet" in said
    assert talk.record == before
    assert "ohms: " + typed.split()[-1] in talk.type("yes")
    assert talk.record.count('"reading"') == 1


@pytest.mark.slow
def test_a_doubtful_number_may_be_dropped_or_put_right() -> None:
    """No drops it; another line stands in its place; with its mode typed, its unit, or where it fits, nobody asks."""
    talk = started()
    talk.type("G_L E_L 412")
    assert "Not taken." in talk.type("no")
    talk.type("G_L E_L 412")
    assert "1. G_L to E_L, diode: 0.412" in talk.type("G_L E_L diode 0.412")
    assert "2. G_L to E_L, ohms: 412" in talk.type("G_L E_L ohms 412")
    assert "3. G_L to E_L, ohms: 412 ohm" in talk.type("G_L E_L 412 ohm")
    assert "4. G_L to E_L, ohms: 10000" in talk.type("G_L E_L 10000")
    assert "accepted" in talk.type("yes")


def test_the_same_place_again_is_said() -> None:
    """A place read twice is taken twice, and said to be the same place."""
    talk = started()
    assert "same place" not in talk.type("P N OL")
    said = talk.type("P N OL")
    assert "The same place as reading 1: both stand" in said
    assert talk.record.count('"reading"') == 2


def test_with_mains_connected_nothing_goes_on() -> None:
    """Told that mains is connected, it asks for nothing else until it is off; then mains is off the board."""
    asked = Talk(BenchSession(load_board("motor-drive"), Briefing(load_meter(), "handheld", None, (), Reach(), True)))
    while asked.answer.prompt != "connected? ":
        asked.type("0")
    assert "DANGER: mains is connected" in asked.type("mains motor")
    for word in ("", "no", "0.41"):
        assert "accepted" in asked.type(word)
        assert asked.answer.prompt.startswith("unplugged")
    asked.type("yes")
    while asked.answer.prompt != "reading? ":
        asked.type("0.02")
    assert json.loads(asked.record.splitlines()[0])["setup"]["connected"] == ["motor"]
    stated = Talk(BenchSession(COOKTOP, dataclasses.replace(KNOWN, setup=Setup(connected=frozenset({"mains"})))))
    assert stated.answer.prompt.startswith("unplugged")
    assert "DANGER" in stated.said
    stated.type("locked")
    while stated.answer.prompt != "reading? ":
        stated.type("0.02")
    assert json.loads(stated.record.splitlines()[0])["setup"]["connected"] == ["mains"]


def _mains_told_of() -> tuple[Talk, list[str]]:
    """Return a session told of mains after zero volts were typed, and the prompts at which they were."""
    talk = Talk(BenchSession(load_board("motor-drive"), Briefing(load_meter(), "handheld", None, (), Reach(), True)))
    prompts = []
    while talk.answer.prompt != "connected? ":
        prompts.append(talk.answer.prompt)
        talk.type("0")
    talk.type("mains")
    return talk, prompts


@pytest.mark.parametrize("off", ["yes", "locked"])
def test_voltages_typed_with_mains_on_do_not_count(off: str) -> None:
    """Once mains is off, every voltage is asked for anew, with the limits of the start, before the first reading."""
    talk, prompts = _mains_told_of()
    assert len(prompts) == 4  # bus, ahead of the precharge resistor, both halves
    assert "measured before does not count" in talk.type(off)
    for prompt in prompts:
        assert talk.answer.prompt == prompt
        assert "discharge through a resistor to 0.5 V" in talk.type("12")
        assert talk.answer.prompt == prompt
        assert talk.record == ""
        talk.type("0.02")
    assert talk.answer.prompt == "reading? "
    charged, _ = _mains_told_of()
    assert "DANGER" in charged.type(off, "0", "310")
    assert charged.answer.done
    assert charged.record == ""


@pytest.mark.slow
def test_what_is_no_new_reading_ends_nothing() -> None:
    """Each reading taken back and typed again: the session ends after as many readings as without."""
    assert _readings_to_the_end(again=True) == _readings_to_the_end(again=False)


def _take_what_is_asked(hand: MeterHand, talk: Talk) -> None:
    """Answer until one more reading is taken; what looks unlikely is asked about once."""
    before = len(talk.session.readings)
    while len(talk.session.readings) == before and not talk.concluded:
        reading = hand.answer(talk.said)
        assert reading is not None, talk.said
        talk.type(reading)


def _readings_to_the_end(*, again: bool) -> int:
    hand, talk = MeterHand.on(BRIDGE, "Q_UL:ce-short:0.3"), started("six-switch-bridge")
    for _ in range(14):
        _take_what_is_asked(hand, talk)
        if talk.concluded:
            break
        if again:
            talk.type("undo")
            _take_what_is_asked(hand, talk)
    return len(talk.session.readings)


@pytest.mark.slow
def test_it_ends_where_readings_hardly_move_it() -> None:
    """A shorted switch of a bridge stands above 90 % while one reading after another adds a percent: that is enough."""
    hand = MeterHand.on(BRIDGE, "Q_UL:ce-short:0.3")
    talk = started("six-switch-bridge")
    for _ in range(12):
        if talk.concluded:
            break
        reading = hand.answer(talk.said)
        assert reading is not None
        talk.type(reading)
    said = " ".join(talk.said.split())
    assert talk.concluded
    assert "from 90 % on" in said
    assert "Replace Q_UL (" in said
    assert "--certain 0.99" in said


def test_stop_ends_and_keeps() -> None:
    """Stop ends at any time; before the first reading as well."""
    talk = started()
    assert "Stopped." in talk.type("stop")
    assert talk.answer.done
    early = Talk(BenchSession(COOKTOP, KNOWN))
    assert "Stopped." in early.type("quit")
    assert early.answer.done


@pytest.mark.slow
def test_nothing_fits() -> None:
    """Readings that no fault gives end the session once the worst was repeated, and condemn nothing."""
    talk = started()
    # drops that are no diode's, no two diodes', and no resistor's
    for line in ("N P 1.9", "RES P 1.5", "P RES 1.3", "N RES 1.7"):
        talk.type(line)
        if talk.concluded:
            break
    hand = 0
    while not talk.concluded and hand < 4:
        talk.type("1.23")
        hand += 1
    said = " ".join(talk.said.split())
    assert talk.concluded
    assert "Nothing fits" in said
    assert "To replace" not in said


@pytest.mark.slow
def test_only_terminals_and_nothing_more_to_gain() -> None:
    """With main terminals only, a gate fault ends in 'within reach', and names a reading beyond."""
    hand = MeterHand.on(COOKTOP, "Q_L:never-on")
    talk = started(known=Briefing(load_meter(), "handheld", Setup(), (), Reach("terminals"), True))
    for _ in range(40):
        if talk.concluded:
            break
        reading = hand.answer(talk.said)
        assert reading is not None
        talk.type(reading)
    said = " ".join(talk.said.split())
    assert "No reading within reach (terminals)" in said
    assert "Beyond that one would. Next: red on" in said


@pytest.mark.slow
def test_a_session_is_taken_up_again() -> None:
    """A record gives the same readings, set-up, skips and advice; the bus is measured anew."""
    first = started(
        known=Briefing(load_meter("pocket"), "pocket", Setup(connected=frozenset({"coil"})), (), Reach(), False)
    )
    first.type("skip", "P N OL", "RES P 0.41", "doubt 2")
    proposal = first.session.hear("").lines
    known, readings = resume(first.record.encode(), "s", COOKTOP, Briefing())
    assert (known.meter, known.discharged) == (load_meter("pocket"), False)
    assert known.setup is not None
    assert known.setup.connected == {"coil"}
    assert known.reach is not None
    assert len(known.reach.skipped) == 1
    assert [(one.text, one.doubted) for one in readings] == [("OL", False), ("0.41", True)]
    again = Talk(BenchSession(COOKTOP, known, readings, resumed=True))
    assert "Taken up again" in " ".join(again.said.split())
    assert again.answer.prompt.startswith("P to N")
    while again.answer.prompt != "reading? ":
        again.type("0.02")
    assert again.session.hear("").lines == proposal
    assert [next(iter(json.loads(line))) for line in again.record.splitlines()] == ["setup"]


@pytest.mark.parametrize(
    ("typed", "named"),
    [
        (Briefing(meter=load_meter("pocket")), "a session with meter handheld, not pocket"),
        (Briefing(setup=Setup(connected=frozenset({"mains"}))), "another set-up"),
    ],
)
def test_another_bench_is_refused(typed: Briefing, named: str) -> None:
    """Options that contradict the session's own are refused: its readings were taken with those."""
    record = started().record
    with pytest.raises(InputError, match=named):
        resume(record.encode(), "s", COOKTOP, typed)


def test_what_is_no_session_is_refused() -> None:
    """A sheet, and a session of another board, are refused."""
    with pytest.raises(InputError, match="no bench session"):
        resume(b"red,black,mode,reading\n", "s", COOKTOP, Briefing())
    with pytest.raises(InputError, match="a journal of board"):
        resume(started().record.encode(), "s", BRIDGE, Briefing())


def test_what_can_be_reached() -> None:
    """Words and places, in any case; blank for the usual."""
    assert parse_reach("", BRIDGE) == Reach("holds")
    assert parse_reach("terminals", BRIDGE) == Reach("terminals")
    assert parse_reach("Lift no w, g_wh", BRIDGE) == Reach("lift", frozenset({"W", "G_WH"}))
    assert parse_reach("no W", BRIDGE) == Reach("holds", frozenset({"W"}))
    for wrong in ("everything", "gates W", "no XX"):
        with pytest.raises(InputError):
            parse_reach(wrong, BRIDGE)


def test_yes_and_no() -> None:
    """Yes and no, short or long, blank for the usual, nothing else."""
    assert parse_yes("", usual=True)
    assert parse_yes("Y", usual=False)
    assert not parse_yes("no", usual=True)
    with pytest.raises(InputError):
        parse_yes("maybe", usual=True)


def test_a_board_without_capacitors_is_asked_once() -> None:
    """Where the board file knows no capacitor, the largest voltage between main terminals is asked for."""
    talk = SetupTalk(load_board("drive-module"), KNOWN)
    assert "any two main terminals" in talk.ask()[1]
    talk.hear("0")
    assert talk.finished


def test_a_terminal_is_told_where_it_is() -> None:
    """Who asks what a pad reads learns where it is; a word that is neither part nor place is said to be none."""
    talk = started("six-switch-bridge")
    said = talk.type("good gd_vl")
    assert "GD_VL is a place for a lead" in said
    assert "DRV_VL." in said
    assert "no part 'GD_XX'" in talk.type("good GD_XX")


@pytest.mark.slow
def test_charge_met_on_the_way_is_no_reading() -> None:
    """Volts in the middle of a session: a few ask for a discharge and are not taken, many end it at once."""
    talk = started()
    talk.type("G_L E_L 10k")
    before = talk.record
    assert "discharge through a resistor" in talk.type("P N volts 12")
    assert talk.record == before
    assert "P to N, volts: 0.2" in talk.type("P N volts 0.2")
    assert talk.record != before
    said = talk.type("P N volts 300")
    assert said.startswith("DANGER: 300.0 V")
    assert talk.answer.done
    assert "dangerous to touch" in talk.answer.refused
    assert "Next:" not in said


def test_a_short_that_is_also_a_drop_is_asked_about() -> None:
    """A shorted switch is likely, and 0.4 ohm would fit it; but a good diode shows 0.4 V there: one question."""
    cooktop = load_board("half-bridge-cooktop")
    short, _ = parse_fault("Q_L:ce-short", cooktop)
    likely = [Candidate((FaultGuess(short.part, short.mode, 0.2),), 0.9, 0)]  # 0.4 ohm with the leads
    typed = parse_readings(b"red,black,mode,reading\nN,MID,ohms,0.4\n", "x.csv", cooktop, load_meter()).readings[0]
    assert "looks like a drop" in (doubtful_number(typed, cooktop, load_meter(), Setup(), likely) or "")
    other_way = parse_readings(b"red,black,mode,reading\nMID,N,ohms,0.4\n", "x.csv", cooktop, load_meter()).readings[0]
    assert doubtful_number(other_way, cooktop, load_meter(), Setup(), likely) is None


def test_a_lost_k_is_settled_before_anything_is_taken() -> None:
    """9.9 where a good board reads 9.9k is asked about and not on disk; typed again in full it is another reading."""
    talk = started("six-switch-bridge")
    before = talk.record
    said = talk.type("G_UL E_UL ohms 9.9")
    assert "9.9 is taken as 9.9 Ω, and a good board reads " in said
    assert "If kΩ were meant, write 9.9k." in said
    assert "Nothing is taken yet" in said
    assert "Not taken yet: G_UL to E_UL, ohms: 9.9" in talk.type("why")
    assert "Not taken yet: G_UL to E_UL, ohms: 9.9" in talk.type("9.9x")
    assert talk.record == before
    assert talk.type("9.9k").startswith("1. G_UL to E_UL, ohms: 9.9k After 1 reading")


@pytest.mark.slow
def test_while_a_number_is_in_question_nothing_else_is_asked() -> None:
    """What a bare value is taken for is said, and the proposal is not shown; it goes there, and skip says so too."""
    talk = started("six-switch-bridge")
    assert "Next: red on" in talk.said
    here = "The next value typed without places is taken for G_UL to E_UL, ohms."
    assert here in talk.type("G_UL E_UL ohms 10")
    for word in ("", "list", "140z"):
        said = talk.type(word)
        assert here in said
        assert "Next: red on" not in said
    said = talk.type("140k")
    assert said.startswith("1. G_UL to E_UL, ohms: 140k")
    assert "Next: red on" in said
    talk.type("undo", "G_UL E_UL ohms 10")
    assert talk.type("skip").startswith("Not taken: G_UL to E_UL, ohms: 10. Skipped: ")
    assert "is not understood" in talk.type("yes")
    talk.type("G_UL E_UL ohms 10")
    assert talk.type("U P OL").startswith("Not taken: G_UL to E_UL, ohms: 10. 1. U to P, diode: OL")
    talk.type("G_UL E_UL ohms 10")
    assert talk.type("stop").startswith("Not taken: G_UL to E_UL, ohms: 10.")
    assert talk.record.count('"reading"') == 2


@pytest.mark.slow
def test_several_numbers_in_question() -> None:
    """Of several that were asked about, one value without its place is refused; all again, or yes, are taken."""
    talk = started("six-switch-bridge")
    talk.session._advice = NextReading(Probing("G_UL", "E_UL", "ohms"), 1.0, 1.0, ())
    said = talk.type("10 10k 10 10k 10k 10k")
    assert "Type all 6 again, or one with its places." in said
    assert "one value, but 6 were asked about; accepted: all 6" in talk.type("10k")
    talk.type("yes")
    assert [one.text for one in talk.session.readings] == ["10 ohm", "10k", "10 ohm", "10k", "10k", "10k"]


@pytest.mark.slow
def test_a_number_in_question_is_forecast_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked about and confirmed, a number is compared with a good board's once, however it is confirmed."""
    asked: list[str] = []

    def counted(reading: Reading, board: Board, meter: MeterProfile, setup: Setup) -> str | None:
        asked.append(reading.text)
        return slip_question(reading, board, meter, setup)

    monkeypatch.setattr("bridge.benchsession.slip_question", counted)
    for confirmed in ("yes", "9.9"):
        talk = started("six-switch-bridge")
        talk.type("G_UL E_UL ohms 9.9", confirmed)
        assert talk.session.readings[0].text == "9.9 ohm"
    assert asked == ["9.9", "9.9"]


@pytest.mark.parametrize("confirmed", ["yes", "9.9", "G_UL E_UL ohms 9.9"])
def test_a_number_without_k_may_be_meant(confirmed: str) -> None:
    """Confirmed by yes or by the same again, it is recorded with its unit, and nothing asks about it any more."""
    talk = started("six-switch-bridge")
    talk.type("G_UL E_UL 9.9")
    assert "1. G_UL to E_UL, ohms: 9.9 ohm" in talk.type(confirmed)
    (taken,) = parse_readings(talk.record.encode(), "s", BRIDGE).readings
    assert (taken.text, taken.value) == ("9.9 ohm", 9.9)
    assert "write 9.9k" not in talk.said


@pytest.mark.parametrize(("confirmed", "taken"), [("OL", "OL"), ("yes", "1 V"), ("1", "1 V"), ("1.000", "1.000")])
def test_a_lone_one_is_asked_about(confirmed: str, taken: str) -> None:
    """A lone 1 in diode mode is how many displays show overload: it is asked which of the two it was."""
    talk = started("six-switch-bridge")
    said = talk.type("U N diode 1")
    assert "If overload was meant, write OL; if 1 V, write 1.000" in said
    assert talk.record.count('"reading"') == 0
    talk.type(confirmed)
    (reading,) = parse_readings(talk.record.encode(), "s", BRIDGE).readings
    assert (reading.probing.red, reading.probing.black, reading.text) == ("U", "N", taken)


def _resumed_with(*lines: str) -> Talk:
    """Return a session taken up again from a file that was kept without its questions."""
    record = started("six-switch-bridge").record + "".join(
        reading_line(Probing(red, black, mode), text)
        for red, black, mode, text in (line.split(maxsplit=3) for line in lines)
    )
    known, readings = resume(record.encode(), "s", BRIDGE, Briefing())
    talk = Talk(BenchSession(BRIDGE, known, readings, resumed=True, certain=0.51))
    talk.type("0")
    talk.record = record + talk.record
    return talk


@pytest.mark.slow
def test_a_number_that_is_to_be_settled_is_not_skipped() -> None:
    """Skip is refused with what settles it, and records nothing; no asks for the right value, why says why."""
    talk = _resumed_with("G_UL E_UL ohms 10")
    before = talk.record
    said = talk.type("skip")
    assert "reading 1 is to be settled, not skipped; accepted: " in said
    assert "doubt 1 where it cannot be taken again" in said
    said = talk.type("why")
    assert "Reading 1 may be a slip of the pen" in said
    assert "10 is taken as 10 Ω, and a good board reads " in said
    assert "What it may show" not in said
    said = talk.type("no")
    assert "Then type what G_UL to E_UL, ohms shows; it stands in place of reading 1." in said
    assert talk.record == before
    assert "In place of reading 1" in talk.type("10k")
    again = _resumed_with("G_UL E_UL ohms 10")
    again.type("doubt 1")
    assert "Skipped: " in again.type("skip")


@pytest.mark.slow
def test_a_reading_that_fits_worst_may_be_skipped() -> None:
    """Where the worst reading is asked for again, why says so without an empty table, and skip asks for another."""
    talk = started()
    for line in ("N P 1.9", "RES P 1.5", "P RES 1.3"):
        talk.type(line)
        if "Take it again." in talk.said:
            break
    assert "Take it again." in talk.said
    asked = talk.session._advice
    assert asked is not None
    said = talk.type("why")
    assert "Of all readings it fits worst: taken again" in said
    assert "What it may show" not in said
    talk.type("skip")
    assert talk.session._advice is None or talk.session._advice.probing != asked.probing


@pytest.mark.slow
def test_no_verdict_while_a_number_is_in_question() -> None:
    """A file that condemns by a lost k gets no verdict before that reading is confirmed, doubted or read again."""
    kept = ("U P diode 0.41", "N U diode 0.41", "N P diode 0.75", "G_UL E_UL ohms 9.9")
    talk = _resumed_with(*kept)
    assert "No verdict before reading 4 is settled" in " ".join(talk.said.split())
    assert not talk.concluded
    assert "No verdict before reading 4" in talk.type("N W 0.41")
    assert not talk.concluded
    assert "Reading 4 is as written: G_UL to E_UL, ohms: 9.9 ohm" in talk.type("yes")
    assert talk.concluded
    assert "replace Q_UL" in " ".join(talk.said.split())
    assert [one.text for one in parse_readings(talk.record.encode(), "s", BRIDGE)][3] == "9.9 ohm"
    again = _resumed_with(*kept)
    said = again.type("9.9k")
    assert "In place of reading 4" in said
    assert "No verdict" not in said
    stands = parse_readings(again.record.encode(), "s", BRIDGE).readings
    assert [(one.text, one.doubted) for one in stands[3:]] == [("9.9", True), ("9.9k", False)]
    doubted = _resumed_with(*kept)
    assert "No verdict" not in doubted.type("doubt 4")


@pytest.mark.slow
def test_after_a_verdict_one_can_still_go_back() -> None:
    """A verdict leaves a prompt: why and list work there, undo opens the session, Enter and stop end it."""
    hand, talk = MeterHand.on(COOKTOP, "Q_L:ce-short"), started()
    while not talk.concluded:
        _take_what_is_asked(hand, talk)
    last, whole = talk.answer.lines[-1], talk.record
    count = len(talk.session.readings)
    assert "the current goes" in talk.type("why")
    assert talk.concluded
    assert "Readings so far" in talk.type("list")
    assert talk.answer.lines[-1] == last
    again = _taken_up_again(whole)
    assert again.concluded
    assert again.answer.lines[-1] == last
    for one in (talk, again):
        assert "Taken back" in one.type("undo")
        _make_safe_again(one)
        assert len(one.session.readings) == count - 1
        assert not one.concluded
        while not one.concluded:
            _take_what_is_asked(hand, one)
    for one, ended in ((talk, ""), (again, "stop")):
        answer = one.session.hear(ended)
        assert answer.done
        assert answer.lines == ()


def _taken_up_again(record: str) -> Talk:
    known, readings = resume(record.encode(), "s", COOKTOP, Briefing())
    talk = Talk(BenchSession(COOKTOP, known, readings, resumed=True))
    while talk.answer.prompt.endswith("volts? "):
        talk.type("0")
    return talk


def _make_safe_again(talk: Talk) -> None:
    """Answer the questions about charge, which must come first."""
    said = " ".join(talk.said.split())
    assert "The board may have been powered since the verdict" in said
    assert "never with a blade" in said
    assert "Next: red on" not in said
    assert talk.answer.prompt.startswith("P to N")
    while talk.answer.prompt.endswith("volts? "):
        talk.type("0.01")


@pytest.mark.slow
@pytest.mark.parametrize("typed", ["0.41", "P N OL", "0.41 0.42"])
def test_after_a_verdict_a_reading_waits_for_the_bus(typed: str) -> None:
    """The verdict tells how power comes back: a reading typed after it is not taken before the bus is measured anew."""
    hand, talk = MeterHand.on(COOKTOP, "Q_L:ce-short"), started()
    while not talk.concluded:
        _take_what_is_asked(hand, talk)
    before, count = talk.record, len(talk.session.readings)
    charged = _taken_up_again(before)
    assert talk.type(typed).startswith("Not taken: before another reading the bus is measured anew.")
    assert talk.record == before
    _make_safe_again(talk)
    assert "Take the reading now and type it with its places" in " ".join(talk.said.split())
    assert talk.answer.prompt == "reading? "
    assert [next(iter(json.loads(line))) for line in talk.record[len(before) :].splitlines()] == ["setup"]
    assert "no reading is proposed; type the places as well" in talk.type("0.41")
    assert f"{count + 1}. P to N, diode: OL" in talk.type("P N OL")
    assert len(parse_readings(talk.record.encode(), "s", COOKTOP)) == count + 1
    charged.type(typed)
    assert "DANGER" in charged.type("310")
    assert charged.answer.done
    assert "dangerous to touch" in charged.answer.refused


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("0l", "OL"),
        ("-o.l", "-OL"),
        ("0,4", "0.4"),
        ("0,41 climbing  to o.l", "0.41 climbing to OL"),
        ("412 mV", "412 mV"),
    ],
)
def test_a_reading_is_said_back_in_one_way(typed: str, said: str) -> None:
    """However overload and the decimal point are typed, they are said as OL and a point; else it is as typed."""
    (reading,) = parse_readings(f'red,black,mode,reading\nP,N,diode,"{typed}"\n'.encode(), "s", COOKTOP).readings
    assert reading_words(reading) == f"P to N, diode: {said}"
    (table,) = readings_page([reading])
    assert isinstance(table, Table)
    assert table.rows == (("1", "P to N, diode", said),)


@pytest.mark.slow
def test_a_place_proposed_again_says_why() -> None:
    """The proposal of a place that was read before says which reading it takes again and why, on Enter, too."""
    talk = started()
    for line in ("N P 1.9", "RES P 1.5", "P RES 1.3"):
        talk.type(line)
        if "Take it again." in talk.said:
            break
    advice = talk.session._advice
    assert advice is not None
    (number,) = [place for place, one in enumerate(talk.session.readings, 1) if one.probing == advice.probing]
    for _ in range(2):
        assert f"Next: red on {advice.probing.red}" in " ".join(talk.said.split())
        assert f"This takes reading {number} again, which fits worst of all." in " ".join(talk.said.split())
        talk.type("")
    talk.type(f"doubt {number}")
    talk.session._advice = advice
    assert f"This takes reading {number} again, which is marked as doubtful." in talk.type("")
    slip = _resumed_with("G_UL E_UL ohms 10")
    assert "This takes reading 1 again, whose number may be a slip." in slip.type("")


@pytest.mark.slow
def test_a_doubt_is_taken_back() -> None:
    """Trust takes a doubt back, by number or the last one; the record says so; what is not doubted is named."""
    talk = started()
    talk.type("P N diode OL", "doubt 1")
    assert "marked as doubtful already; trust 1" in talk.type("doubt 1")
    assert "Reading 1 is no longer marked as doubtful: P to N, diode: OL" in talk.type("trust")
    assert [one.doubted for one in parse_readings(talk.record.encode(), "s", COOKTOP)] == [False]
    assert [one.doubted for one in talk.session.readings] == [False]
    assert "reading 1 is not marked as doubtful; marked: none" in talk.type("trust 1")
    assert "trust 3: takes doubt 3 back" in talk.type("help")


def test_a_proposal_says_that_the_display_climbs() -> None:
    """Where a good board's display climbs, as the bus capacitor makes it, the proposal says so, and only there."""
    talk = started("six-switch-bridge")
    session = talk.session
    assert session._advice is not None
    for place, said in ((Probing("P", "U", "ohms"), True), (Probing("G_UL", "E_UL", "ohms"), False)):
        session._advice = NextReading(place, 1.0, 1.0, (), "about 100k")
        shown = forecast(BRIDGE, load_meter(), Setup(), [place])[0].state
        assert (shown == "climbing") is said
        assert ("there, climbing." in talk.type("")) is said


@pytest.mark.slow
def test_bench_and_next_say_the_same_of_what_is_certain(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """What is bad either way is said beside the lists that share the rest, at the bench as by `next`."""
    talk = started("half-bridge-cooktop")
    said = talk.type("MID N diode 0.001")
    assert "Q_L: bad either way" not in said.partition("what is bad")[0]
    lists = talk.session._standing().replace_lists
    settled = re.search(r"Q_L: bad either way \(>99 %\)\. .* that nothing is, has (.*) so far\.", said)
    assert settled is not None
    # a list is one way for the board to be; the part is bad in all of them together
    assert settled[1] == percent(lists[frozenset({"Q_L"})])
    assert sum(share for packages, share in lists.items() if "Q_L" in packages) > 0.99
    sheet = tmp_path / "r.csv"
    sheet.write_text("red,black,mode,reading\nMID,N,diode,0.001\n", encoding="utf-8")
    told = " ".join(command("next", "half-bridge-cooktop", str(sheet)).out.split())
    assert settled[0] in told
    proposal = re.search(r"Next: (.*?, \w+)\. It helps:.* (A good board reads .* there(?:, climbing)?\.)", said)
    assert proposal is not None
    assert f"Next: {proposal[1]}." in told
    assert proposal[2] in told
