"""Readings: what technicians write, sheets, journals, and everything that is refused."""

from __future__ import annotations

import io
import json
import math
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.board import load_board
from bridge.errors import InputError, InputErrors
from bridge.journal import (
    doubt_line,
    head_line,
    meant_line,
    parse_journal,
    reading_line,
    setup_line,
    setup_mapping,
    skip_line,
    trust_line,
    undo_line,
)
from bridge.meter import load_meter
from bridge.placement import parse_at, parse_hold, parse_lift, parse_probing, switch_positions
from bridge.probing import Hold, Probing, Setup
from bridge.readings import (
    ReadingSet,
    ReadingValue,
    load_probings,
    load_readings,
    parse_reading_text,
    parse_readings,
)


@dataclass(frozen=True)
class FakePart:
    """A part with what the readings ask of it."""

    kind: str
    position: str | None
    pins: tuple[str, ...] = ("collector", "emitter", "gate")
    when: str | None = None


class FakeBoard:
    """A leg with two parallel high-side switches."""

    name = "leg"
    terminals = ("P", "N", "MID", "G_L", "E_L")

    @property
    def parts(self) -> Mapping[str, FakePart]:
        """Three switches and a driver."""
        return {
            "Q_H_1": FakePart("igbt", "H_1"),
            "Q_H_2": FakePart("igbt", "H_2"),
            "Q_L": FakePart("mosfet", "L"),
            "DRV_X": FakePart("driver", "X", ("out", "common", "supply")),
            "R_M": FakePart("resistor", None, ("a", "b"), "motor"),
            "R_C": FakePart("resistor", None, ("a", "b"), "coil"),
        }

    def net_of(self, lead: str) -> str:
        """Return a net for a known lead."""
        part, dot, pin = lead.partition(".")
        if lead in self.terminals or (dot and part in self.parts and pin in self.parts[part].pins):
            return f"net of {lead}"
        raise InputError(f"board leg has no terminal {lead!r}; it has {', '.join(self.terminals)}")


BOARD = FakeBoard()
HEADER = "red,black,mode,reading"
HEAD = head_line("leg", "handheld", Setup())


def read(text: str | bytes, meter: str = "handheld", setup: Setup | None = None) -> ReadingSet:
    """Return the readings of a sheet held in memory."""
    data = text if isinstance(text, bytes) else text.encode()
    return parse_readings(data, "sheet.csv", BOARD, load_meter(meter), setup)


def row(mode: str, text: str, meter: str = "handheld") -> ReadingSet:
    """Return a sheet with one reading between plus and minus."""
    return read(f'{HEADER}\nP,N,{mode},"{text}"\n', meter)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0.412", ReadingValue(0.412, "steady")),
        ("0,412", ReadingValue(0.412, "steady")),
        ("412m", ReadingValue(0.412, "steady")),
        ("4k7", ReadingValue(4700.0, "steady")),
        ("0R1", ReadingValue(0.1, "steady", unit="ohm")),
        ("2M2", ReadingValue(2.2e6, "steady")),
        ("10.2k", ReadingValue(10200.0, "steady")),
        ("0.412 V", ReadingValue(0.412, "steady", unit="V")),
        ("OL", ReadingValue(None, "OL")),
        ("ol", ReadingValue(None, "OL")),
        ("0L", ReadingValue(None, "OL")),
        ("O.L", ReadingValue(None, "OL")),
        ("0.L", ReadingValue(None, "OL")),
        (".OL", ReadingValue(None, "OL")),
        ("\N{INFINITY}", ReadingValue(None, "OL")),
        ("-OL", ReadingValue(None, "OL", negative=True)),
        ("- OL", ReadingValue(None, "OL", negative=True)),
        ("-0.41", ReadingValue(-0.41, "steady", negative=True)),
        ("\N{MINUS SIGN}0.41", ReadingValue(-0.41, "steady", negative=True)),
        ("beep", ReadingValue(None, "beep")),
        ("Chirp", ReadingValue(None, "chirp")),
        ("climbing", ReadingValue(None, "climbing")),
        ("falling", ReadingValue(None, "falling")),
        ("climbing to OL", ReadingValue(None, "climbing", to_ol=True)),
        ("Climbing  to 0L", ReadingValue(None, "climbing", to_ol=True)),
        ("0.41 climbing", ReadingValue(0.41, "climbing")),
        ("0,41 climbing to OL", ReadingValue(0.41, "climbing", to_ol=True)),
        ("-0.41 falling", ReadingValue(-0.41, "falling", negative=True)),
        ("4k7 climbing", ReadingValue(4700.0, "climbing")),
        ("-0.00", ReadingValue(0.0, "steady")),
    ],
)
def test_reads_what_a_display_shows(text: str, expected: ReadingValue) -> None:
    """Every form a reading may take gives value, state and sign."""
    assert parse_reading_text(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        *(
            "",
            "?",
            "open",
            "O",
            "L",
            "-beep",
            "beep 3",
            "OL climbing",
            "climbing OL",
            "climbing 0.41",
            "to OL",
            "nan",
            "inf",
        ),
        *(
            "0.412 0.413",
            "0.41climbing",
            "climbing to 0.9",
            "falling to OL",
            "O.412",
            "0.41 rising",
            " " * 80 + "x" * 80,
        ),
    ],
)
def test_refuses_what_no_display_shows(text: str) -> None:
    """Anything else is refused with the accepted forms listed."""
    with pytest.raises(
        InputError, match=r"accepted: 0\.412 0,412 412m 4k7 0R1 2M2 10\.2k OL 0L O\.L beep chirp climbing"
    ):
        parse_reading_text(text)


@given(st.text(max_size=40))
def test_any_text_gives_a_reading_or_an_input_error(text: str) -> None:
    """No text leads to another kind of exception or to a number that is none."""
    try:
        found = parse_reading_text(text)
    except InputError as error:
        assert str(error).isprintable()
    else:
        assert found.value is None or math.isfinite(found.value)


def test_reads_a_sheet() -> None:
    """A sheet gives its readings in order, with lines, units and states."""
    found = read(f"{HEADER},note\nP,N,diode,0.412,first\n\nN,P,ohms,4k7,\nP,MID,continuity,beep,\nP,N,volts,-1.5,\n")
    assert [(r.line, r.value, r.unit, r.state) for r in found] == [
        (2, 0.412, "V", "steady"),
        (4, 4700.0, "ohm", "steady"),
        (5, None, "", "beep"),
        (6, -1.5, "V", "steady"),
    ]
    assert found.readings[0].probing == Probing("P", "N", "diode")
    assert (found.readings[0].note, found.readings[0].text) == ("first", "0.412")
    assert len(found) == 4
    assert not found.is_journal


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_finds_the_separator_from_the_header(separator: str, line_end: str, mark: str) -> None:
    """Comma, semicolon and tab, any line end, with or without a byte order mark: the same readings."""
    rows = [["Red", " black", "MODE", "reading", "hold"], ["P", "N", " Diode ", '"0,412"', "L@12"]]
    found = read(mark + line_end.join(separator.join(fields) for fields in rows))
    assert found.readings[0].probing == Probing("P", "N", "diode", hold=(Hold("L", 12.0),))
    assert found.readings[0].value == 0.412


def test_quoted_header_and_unquoted_decimal_comma() -> None:
    """A spreadsheet's quotes are fine, and a semicolon file needs none for a decimal comma."""
    found = read('"red";"black";"mode";"reading"\n"P";"N";"diode";0,412\n')
    assert found.readings[0].value == 0.412


def test_columns_in_any_order_and_spreadsheet_padding() -> None:
    """Columns may come in any order, and empty fields a spreadsheet pads with are not columns."""
    found = read("note,reading,mode,black,red,,\nx,0.4,diode,N,P,,\n")
    assert found.readings[0].probing == Probing("P", "N", "diode")


def test_skips_blank_rows_and_empty_readings() -> None:
    """A half-filled sheet is normal."""
    found = read(f"\n{HEADER},note\n,,,,\n   \nP,N,diode,,to do\nP,N,diode\nP,N,diode,OL,\n")
    assert [r.line for r in found] == [7]


@pytest.mark.parametrize("text", ["", "\n\n", HEADER, f"{HEADER}\n", f"{HEADER}\nP,N,diode,\n", f"\ufeff{HEADER}\n"])
def test_no_reading_at_all_is_an_error(text: str) -> None:
    """A file without a single reading says so."""
    with pytest.raises(InputError, match=r"^sheet.csv: (no reading in it|empty); accepted: "):
        read(text)


def test_no_reading_is_accepted_where_a_session_begins() -> None:
    """A caller that goes on with a session may take an empty one."""
    assert len(parse_readings(HEAD.encode(), "j", BOARD, allow_none=True)) == 0


@pytest.mark.parametrize(
    ("header", "line"),
    [
        (HEADER, "P,N,diode,0,412"),
        (f"{HEADER},note", "P,N,diode,0,412,burnt"),
        (f"{HEADER},note", "P,N,diode,0,412"),
        (f"{HEADER},note", "P,N,diode,-0,412"),
        (f"{HEADER},note", "P,N,diode,,412"),
        (f"{HEADER},note", "P,N,diode,OL,2"),
        (f"{HEADER},note", "P,N,ohms,4,7k"),
        (f"{HEADER},note", "P,N,diode,0,41 climbing"),
        (f"{HEADER},note", "P,N,diode,0,412 V"),
        (f"{HEADER},hold", "P,N,diode,0,412"),
        (f"{HEADER},lift,note", "P,N,diode,0,412"),
        (f"{HEADER},connected", "P,N,diode,0,412"),
        (f"{HEADER},hold,lift,connected,note", "P,N,diode,0,412,,,"),
        (f"{HEADER},hold,lift,connected,note", "P,N,diode,0,,,,412"),
    ],
)
def test_refuses_an_unquoted_decimal_comma(header: str, line: str) -> None:
    """In a comma file 0,412 without quotes is never read as a dead short."""
    with pytest.raises(InputError, match=r'^sheet.csv, line 2: .*a decimal comma needs quotes here, "0,412"'):
        read(f"{header}\n{line}\n")


def test_a_note_of_digits_is_fine_where_a_comma_separates_nothing() -> None:
    """In a semicolon file a note may be a number, and in a comma file it may hold one among words."""
    assert read("red;black;mode;reading;note\nP;N;diode;0,412;412\n").readings[0].note == "412"
    assert read(f"{HEADER},note\nP,N,diode,0,5 s later\n").readings[0].note == "5 s later"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            f"{HEADER},colour\nP,N,diode,0.4,red\n",
            "line 1: unknown column 'colour'; accepted: red, black, mode, reading",
        ),
        (f"{HEADER},red\nP,N,diode,0.4,P\n", "line 1: column red is there twice"),
        (
            "red,black,mode\nP,N,diode\n",
            "line 1: column reading is missing; accepted: red, black, mode, reading",
        ),
        ("P,N,diode,0.4\n", "line 1: no header but 'P,N,diode,0.4'; accepted: red,black,mode,reading"),
        (
            "red;black;mode;reading\nP;N;diode;0,4;;;x\n",
            "line 2: 7 fields under 4 columns; accepted: one for each",
        ),
        (f"{HEADER}\nP;N;diode;0.4\n", "line 2: separated by semicolon, but the header by comma"),
        (
            "red;black;mode;reading\nP,N,diode,0.4\n",
            "line 2: separated by comma, but the header by semicolon",
        ),
        (f'{HEADER}\nP,N,diode,"0.4\nP,MID,diode,0.4\n', "line 2: quotes out of place"),
        (f'{HEADER}\nP,N,diode,"0.4"x\n', "line 2: quotes out of place"),
        (f"{HEADER}\nX,N,diode,0.4\n", "line 2: red: board leg has no terminal 'X'; it has P, N, MID"),
        (f"{HEADER}\nP,m,diode,0.4\n", "line 2: black: board leg has no terminal 'm'"),
        (f"{HEADER}\n,N,diode,0.4\n", "line 2: red: empty; accepted: a terminal or PART.pin"),
        (f"{HEADER}\n{'P' * 200},N,diode,0.4\n", r"line 2: red: 'P+\.\.\.'; accepted"),
        (f"{HEADER}\nP,P,diode,0.4\n", "line 2: black: both leads are on P"),
        (f"{HEADER}\nP,N,amps,0.4\n", "line 2: mode: 'amps'; accepted: diode, ohms, ohms:200"),
        (f"{HEADER}\nP,N,,0.4\n", "line 2: mode: ''; accepted: diode"),
        (f"{HEADER}\nP,N,diode:2k,0.4\n", "line 2: mode: 'diode:2k'; accepted: diode"),
        (f"{HEADER}\nP,N,ohms:,4\n", "line 2: mode: meter handheld has no ohms range ''"),
        (
            f"{HEADER}\nP,N,ohms:3k,4\n",
            "line 2: mode: meter handheld has no ohms range '3k'; accepted: ohms, ohms:200",
        ),
        (
            f"{HEADER},connected\nP,N,ohms,4,kettle\n",
            "line 2: connected: 'kettle'; accepted: motor, coil, mains",
        ),
    ],
)
def test_refuses_a_wrong_sheet(text: str, problem: str) -> None:
    """Each problem names file and line, what was found and what is accepted."""
    with pytest.raises(InputError, match=problem) as caught:
        read(text)
    assert str(caught.value).startswith("sheet.csv, line ")
    assert "\n" not in str(caught.value)


def test_lists_several_problems_and_counts_the_rest() -> None:
    """Five wrong lines are shown, the others counted, all in one line."""
    with pytest.raises(InputErrors) as caught:
        read(f"{HEADER}\n" + "P,N,diode,412\n" * 9)
    assert len(caught.value.errors) == 6
    assert str(caught.value.errors[-1]) == "sheet.csv: 4 more lines with problems"


@pytest.mark.parametrize(
    ("text", "proposal"),
    [
        ("412", "0.412 or 412m"),
        ("-412", "-0.412 or -412m"),
        ("5", "0.005 or 5m"),
        ("412.5", "0.4125 or 412.5m"),
        ("412 climbing", "0.412 or 412m"),
    ],
)
def test_refuses_millivolts_without_their_m(text: str, proposal: str) -> None:
    """A bare diode reading above the meter's limit is refused with what was meant."""
    with pytest.raises(InputError, match=f"above the 2 V that meter handheld shows in mode diode; write {proposal}$"):
        row("diode", text)


def test_the_limit_is_that_of_the_meter() -> None:
    """2.6 V is beyond the hand-held meter but not beyond one with a higher limit."""
    with pytest.raises(InputError, match=r"above the 2 V .*; accepted: OL, a smaller value, or another meter profile"):
        row("diode", "2.6")
    assert row("diode", "2.6", "high-compliance").readings[0].value == 2.6
    assert row("diode", "2.0").readings[0].value == 2.0


@pytest.mark.parametrize("mode", ["ohms", "ohms:2k", "continuity"])
def test_refuses_a_negative_resistance(mode: str) -> None:
    """A negative resistance is a sign of charge on the bus, and the message says so."""
    with pytest.raises(
        InputError, match="reading: '-4' is a negative resistance: charge is left on the bus; discharge"
    ):
        row(mode, "-4")


@pytest.mark.parametrize(
    ("mode", "text", "problem"),
    [
        ("ohms:2k", "4k7", "above the 2k ohm that range 2k of meter handheld shows"),
        ("ohms", "412M", "above the 20M ohm that meter handheld shows in mode ohms"),
        ("continuity", "1k", "above the 200 ohm that meter handheld shows in mode continuity"),
        ("ohms", "0.4 V", "is in volts, but mode ohms shows ohms"),
        ("diode", "0R1", "is in ohms, but mode diode shows volts"),
        ("volts", "4 ohm", "is in ohms, but mode volts shows volts"),
        ("volts", "OL", "in mode volts is beyond any bus"),
        ("volts", "climbing to OL", "in mode volts is beyond any bus"),
        ("volts", "2000", "above the 1000 V that meter handheld shows in mode volts; accepted"),
        ("diode", "beep", "'beep' in mode diode; accepted: the number shown, or mode continuity"),
        ("ohms", "10,000", "'10,000' can be read two ways; write 10 or 10000"),
        ("ohms", "1,000 climbing", "can be read two ways; write 1 or 1000"),
    ],
)
def test_refuses_what_the_mode_cannot_show(mode: str, text: str, problem: str) -> None:
    """A value that this meter never shows in this mode is a slip."""
    with pytest.raises(InputError, match=problem):
        row(mode, text)


def test_refuses_a_beep_from_a_meter_without_a_beeper() -> None:
    """A needle meter has no beeper, so the meter or the mode is wrong."""
    with pytest.raises(InputError, match="meter moving-needle has no beeper"):
        row("continuity", "beep", "moving-needle")


@pytest.mark.parametrize(
    ("mode", "text", "value"),
    [
        ("ohms", "10,000 k", 1e4),
        ("ohms", "0,412", 0.412),
        ("ohms", "10,00", 10.0),
        ("diode", "1,234", 1.234),
        ("ohms", "12,345", None),
    ],
)
def test_three_digits_after_a_comma(mode: str, text: str, value: float | None) -> None:
    """Only a bare resistance with three digits after a comma could be a count of thousands."""
    if value is None:
        with pytest.raises(InputError, match="two ways"):
            row(mode, text)
    else:
        assert row(mode, text).readings[0].value == value


def test_names_the_range_as_the_meter_does() -> None:
    """A range written otherwise is kept under the meter's own name."""
    assert row("ohms:2K", "1k").readings[0].probing.mode_text == "ohms:2k"
    assert row("ohms:2000", "1k").readings[0].probing.mode_text == "ohms:2k"


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("", ()),
        ("L@12", (Hold("L", 12.0, 1000.0),)),
        ("L@12/100", (Hold("L", 12.0, 100.0),)),
        ("L@12V/4k7", (Hold("L", 12.0, 4700.0),)),
        ("L@-5", (Hold("L", -5.0, 1000.0),)),
        ("L@0", (Hold("L", 0.0, 1000.0),)),
        ("L@12,5  H@0", (Hold("H", 0.0), Hold("L", 12.5))),
        ("H_2@12 H_1@0", (Hold("H_1", 0.0), Hold("H_2", 12.0))),
    ],
)
def test_reads_held_gates(text: str, holds: tuple[Hold, ...]) -> None:
    """Held gates are read with voltage and resistance, and sorted."""
    assert parse_hold(text, BOARD) == holds


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("L", "'L'; accepted: H@12, H@12/100"),
        ("L@", "'L@'; accepted: H@12"),
        ("L@x", "'L@x'; accepted: H@12"),
        ("L@12/", "'L@12/'; accepted"),
        ("L@12ohm", "accepted: H@12"),
        ("X@12", "no switch at position 'X' to hold; accepted: H, L, H_1, H_2"),
        ("@12", "no switch at position ''"),
        ("L@31", "could break the gate down; accepted: -30 to 30 V"),
        ("L@12/0", "accepted: a resistance from 0.1 ohm to 10 M"),
        ("L@12/-5", "accepted: a resistance"),
        ("L@12 L@0", "'L@0' holds the gate that L already holds"),
        ("H@12 H_1@0", "'H_1@0' holds the gate that H already holds"),
        ("H_1@12 H@0", "'H@0' holds the gate that H_1 already holds"),
    ],
)
def test_refuses_a_wrong_hold(text: str, problem: str) -> None:
    """A hold that makes no sense on this board is refused."""
    with pytest.raises(InputError, match=problem):
        parse_hold(text, BOARD)


def test_positions_are_those_of_switches() -> None:
    """A position holds all its parallel gates or one of them; a driver alone is no position."""
    assert switch_positions(BOARD) == ("H", "L", "H_1", "H_2")


def test_reads_lifted_pins() -> None:
    """Lifted pins are sorted and named once."""
    assert parse_lift("Q_L.gate Q_H_1.emitter Q_L.gate", BOARD) == ("Q_H_1.emitter", "Q_L.gate")


@pytest.mark.parametrize("text", ["Q_L", "P", "Q_L.base", "Q_9.gate"])
def test_refuses_to_lift_what_is_no_pin(text: str) -> None:
    """Only a pin of a part on this board can be lifted."""
    with pytest.raises(InputError, match="lift: "):
        parse_lift(text, BOARD)


def test_reads_a_placement_in_one_word() -> None:
    """RED,BLACK,MODE and RED,BLACK,MODE,HOLD give a placement; fewer or more fields are refused."""
    meter = load_meter()
    assert parse_at("P,N,ohms:2k", BOARD, meter) == Probing("P", "N", "ohms", "2k")
    assert parse_at("P, N, diode, L@12 H@0", BOARD, meter).hold_text == "H@0 L@12"
    for text in ("P,N", "P,N,diode,L@12,x"):
        with pytest.raises(InputError, match="accepted: RED,BLACK,MODE or RED,BLACK,MODE,HOLD"):
            parse_at(text, BOARD, meter)


@pytest.mark.parametrize(
    ("hold", "note", "discharged"),
    [
        ("", "Discharged first", True),
        ("", "bus discharged, 100 R", True),
        ("discharged", "", True),
        ("L@12 discharged", "", True),
        ("", "not discharged", False),
        ("", "undischarged", False),
        ("L@12", "", False),
    ],
)
def test_a_row_may_say_that_the_bus_was_discharged(hold: str, note: str, discharged: bool) -> None:
    """The word discharged in the note or hold column sets the flag and holds no gate."""
    found = read(f"red;black;mode;reading;hold;note\nP;N;diode;0.4;{hold};{note}\n").readings[0]
    assert found.discharged is discharged
    assert found.probing.hold_text == ("L@12" if "L@12" in hold else "")


def test_connected_of_the_row_adds_to_the_set_up() -> None:
    """What the set-up and the row leave connected both count for that row."""
    found = read(
        f"{HEADER},connected\nP,N,diode,0.4,Motor\nP,N,diode,0.4,\n",
        setup=Setup(connected=frozenset({"mains"})),
    )
    assert [sorted(r.connected) for r in found] == [["mains", "motor"], ["mains"]]


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (f"{HEADER}\n".encode("utf-16"), "this file is UTF-16; save it as UTF-8 text"),
        (f"{HEADER}\n".encode("utf-16-le"), "line 1: a null byte: this file is binary or UTF-16"),
        (b"\x7fELF\0\0", "a null byte"),
        (
            f"{HEADER}\nP,N,ohms,4 k\N{OHM SIGN}\nP,N,ohms,\N{MICRO SIGN}\n".encode().replace(b"\xc2\xb5", b"\xb5"),
            "line 3: byte 0xb5 is not UTF-8",
        ),
    ],
)
def test_refuses_what_is_no_utf8_text(data: bytes, problem: str) -> None:
    """UTF-16, binary and old code pages are refused with the way out."""
    with pytest.raises(InputError, match=problem):
        read(data)


def test_file_problems_are_input_errors(tmp_path: Path) -> None:
    """A missing file, a folder, an impossible name and a locked file say what they are."""
    for path, problem in (
        (tmp_path / "none.csv", "no such file"),
        (tmp_path, "this is a folder"),
        ("a\0b", "cannot be read"),
    ):
        with pytest.raises(InputError, match=problem):
            load_readings(str(path), BOARD)
    locked = tmp_path / "locked.csv"
    locked.write_text(f"{HEADER}\nP,N,diode,0.4\n")
    locked.chmod(0)
    if os.access(locked, os.R_OK):  # the administrator reads everything
        assert len(load_readings(str(locked), BOARD)) == 1
    else:
        with pytest.raises(InputError, match="may not be read by you"):
            load_readings(str(locked), BOARD)


def test_reads_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dash reads standard input, and messages call it that."""
    for content, problem in (
        (f"{HEADER}\nP,N,diode,0.4\n", None),
        (f"{HEADER}\nX,N,diode,0.4\n", "^standard input, line 2: red"),
    ):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content.encode())))
        if problem is None:
            assert load_readings("-", BOARD).readings[0].value == 0.4
        else:
            with pytest.raises(InputError, match=problem):
                load_readings("-", BOARD)


def journal(*lines: str, cut: bytes = b"", meter: str | None = None) -> ReadingSet:
    """Return the readings of a journal of the small board."""
    data = (HEAD + "".join(lines)).encode() + cut
    return parse_readings(data, "bench.jsonl", BOARD, load_meter(meter) if meter else None)


def taken(text: str, probing: Probing | None = None, note: str = "", *, discharged: bool = False) -> str:
    """Return a journal line of one reading."""
    return reading_line(probing or Probing("P", "N"), text, note=note, discharged=discharged)


def test_reads_a_journal_back() -> None:
    """What a session writes is what is read: placement, text, note, flags, set-up and meter."""
    probing = Probing("P", "MID", "ohms", "2k", (Hold("L", 12.0, 100.0),), ("Q_L.gate",))
    setup = Setup(frozenset({"motor"}), ("Q_L.emitter",), True, 3.0, True, 5.0, 30.0)
    text = head_line("leg", "pocket", setup) + reading_line(
        probing, "1k2", connected="coil", note="warm", discharged=True
    )
    found = parse_readings(text.encode(), "bench.jsonl", BOARD)
    only = found.readings[0]
    assert found.is_journal
    assert found.cut_line is None
    assert (found.setup, found.meter.name) == (setup, "pocket")
    assert (only.probing, only.text, only.value, only.note, only.line) == (probing, "1k2", 1200.0, "warm", 2)
    assert only.discharged
    assert sorted(only.connected) == ["coil", "motor"]


def test_meter_and_set_up_of_the_caller_win() -> None:
    """A meter or set-up the caller names replaces the journal's."""
    data = (HEAD + taken("0.4")).encode()
    found = parse_readings(data, "j", BOARD, load_meter("pocket"), Setup(dwell_s=9.0))
    assert (found.meter.name, found.setup.dwell_s) == ("pocket", 9.0)


def test_undo_and_doubt() -> None:
    """Undo takes back the last reading that stands; doubt marks one of those, counted from zero."""
    found = journal(taken("0.1"), taken("0.2"), undo_line(), taken("0.3"), doubt_line(1), taken("0.4"), undo_line())
    assert [(r.value, r.doubted, r.line) for r in found] == [(0.1, False, 2), (0.3, True, 5)]


def test_unknown_keys_and_lines_are_ignored() -> None:
    """A journal of a later version with the same number is still read."""
    reading = json.loads(taken("0.4"))
    reading["reading"]["mood"] = "hopeful"
    found = journal(json.dumps(reading) + "\n", '{"remark": "tea"}\n', '{"undo": false}\n')
    assert len(found) == 1


@pytest.mark.parametrize(
    "cut",
    [
        b'{"reading": {"red": "P", "bl',
        b"{",
        b'{"note": "\xce',
        b'{"reading"\0\0\0',
        b"\0\0\0\0",
        b'{"rea\n',
        b'"half"',
    ],
)
def test_a_cut_last_line_is_left_out(cut: bytes) -> None:
    """A session that was killed leaves half a line, which is left out and named."""
    found = journal(taken("0.1"), taken("0.2"), cut=cut)
    assert [r.value for r in found] == [0.1, 0.2]
    assert found.cut_line == 4


def test_a_doubt_and_a_number_are_put_right() -> None:
    """A doubt may be taken back, and what was meant by a reading stands in its place with its line and placement."""
    found = journal(taken("0.1"), taken("0.2"), doubt_line(0), doubt_line(1), trust_line(0), meant_line(1, "0.2 V"))
    assert [(one.text, one.value, one.doubted) for one in found] == [("0.1", 0.1, False), ("0.2 V", 0.2, True)]
    assert [one.line for one in found] == [2, 3]


def test_a_complete_last_line_without_line_end_counts() -> None:
    """Only what cannot be read is left out."""
    found = journal(taken("0.1"), taken("0.2").rstrip("\n"))
    assert [r.value for r in found] == [0.1, 0.2]
    assert found.cut_line is None


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            head_line("other", "handheld", Setup()) + taken("0.4"),
            "line 1: a journal of board 'other'; accepted: one of board 'leg'",
        ),
        ('{"red": 1}\n', "line 1: no journal head but"),
        ('{"bridgefault_se', "line 1: no journal head but"),
        ("{" * 100_000, "line 1: no journal head but"),
        ('{"bridgefault_session": 2, "board": "leg"}\n', "line 1: journal version '2'; accepted: 1"),
        ('{"bridgefault_session": true, "board": "leg"}\n', "line 1: journal version 'True'"),
        ('{"bridgefault_session": 1}\n', "line 1: board 'None'; accepted: a name"),
        (
            '{"bridgefault_session": 1, "board": "leg", "meter": "nosuch"}\n',
            "line 1: no meter 'nosuch'; accepted: handheld",
        ),
        (
            '{"bridgefault_session": 1, "board": "leg", "setup": 3}\n',
            "line 1: setup '3'; accepted: an object",
        ),
        (HEAD, "no reading in it"),
        (HEAD + "half\n" + taken("0.4"), "line 2: 'half' is no journal line; accepted: one JSON object"),
        (HEAD + "[1]\n" + taken("0.4"), "line 2: '.1.' is no journal line"),
        (HEAD + undo_line(), "line 2: undo, but no reading stands"),
        (HEAD + taken("0.4") + doubt_line(1), "line 3: doubt '1'; accepted: a reading from 0 to 0"),
        (HEAD + taken("0.4") + trust_line(1), "line 3: trust '1'; accepted: a reading from 0 to 0"),
        (HEAD + taken("0.4") + meant_line(-1, "0.4 V"), "line 3: meant '-1'; accepted: a reading from 0 to 0"),
        (HEAD + taken("0.4") + meant_line(0, ""), "line 3: meant without its text"),
        (HEAD + taken("0.4") + meant_line(0, "412"), "line 3: reading: '412' is above the 2 V"),
        (HEAD + taken("412"), "line 2: reading: '412' is above the 2 V"),
        (HEAD + '{"doubt": true}\n', "line 2: doubt 'True'; accepted: no doubt before the first reading"),
        (HEAD + '{"reading": 3}\n', "line 2: reading '3'; accepted: an object"),
        (HEAD + '{"reading": {"red": 3}}\n', "line 2: red '3'; accepted: text"),
        (
            HEAD + '{"reading": {"red": "P", "black": "N", "mode": "diode"}}\n',
            "line 2: a reading without its text",
        ),
        (HEAD + taken("412"), "line 2: reading: '412' is above the 2 V .* write 0.412 or 412m"),
        (HEAD + taken("0.4", Probing("X", "N")), "line 2: red: board leg has no terminal 'X'"),
    ],
)
def test_refuses_a_wrong_journal(text: str, problem: str) -> None:
    """Each problem of a journal names file and line."""
    with pytest.raises(InputError, match=problem) as caught:
        parse_readings(text.encode(), "bench.jsonl", BOARD)
    assert str(caught.value).startswith("bench.jsonl")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("connected", "motor"),
        ("connected", ["kettle"]),
        ("lifted", ["Q_L"]),
        ("relay_closed", 1),
        ("bus_volts", "3"),
        ("bus_volts", math.inf),
        ("dwell_s", -1),
        ("temperature_c", 900),
        ("unplugged", None),
    ],
)
def test_refuses_a_wrong_set_up(key: str, value: object) -> None:
    """A journal's set-up is checked key by key."""
    head = {
        "bridgefault_session": 1,
        "board": "leg",
        "meter": "handheld",
        "setup": setup_mapping(Setup()) | {key: value},
    }
    with pytest.raises(InputError, match=r"bench.jsonl, line 1: (setup\.)?" + key.replace("lifted", "lift")):
        parse_readings((json.dumps(head) + "\n" + taken("0.4")).encode(), "bench.jsonl", BOARD)


def test_placements_of_a_blank_sheet() -> None:
    """Placements are taken whether or not a row was read, and the column of readings may be missing."""
    text = f"{HEADER}\nP,N,diode,\nN,P,diode,rubbish\n,,,\n"
    plain = "red,black,mode\nP,N,diode\nN,P,diode\n"
    expected = (Probing("P", "N"), Probing("N", "P"))
    for content in (text, plain):
        assert probings_of(content) == expected
    with pytest.raises(InputError, match="no row in it"):
        probings_of(f"{HEADER}\n")
    with pytest.raises(InputError, match="line 2: red: board leg has no terminal 'X'"):
        probings_of(f"{HEADER}\nX,N,diode,\n")


def probings_of(content: str) -> tuple[Probing, ...]:
    """Return the placements of a sheet given on standard input."""
    stdin = sys.stdin
    sys.stdin = io.TextIOWrapper(io.BytesIO(content.encode()))
    try:
        return load_probings("-", BOARD)
    finally:
        sys.stdin = stdin


def test_placements_of_a_journal() -> None:
    """A journal's placements are those of the readings that stand."""
    assert probings_of(HEAD + taken("0.1") + taken("0.2", Probing("N", "P")) + undo_line()) == (Probing("P", "N"),)


def test_ten_thousand_readings() -> None:
    """A very long sheet is read whole."""
    found = read(f"{HEADER}\n" + "P,N,diode,0.412\nP,MID,ohms:2k,1k2\n" * 5000)
    assert len(found) == 10_000
    assert found.readings[-1].line == 10_001


@given(
    st.lists(
        st.tuples(
            st.sampled_from([("P", "N"), ("N", "P"), ("P", "MID"), ("G_L", "E_L")]),
            st.floats(min_value=-2.0, max_value=2.0),
            st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=10),
        ),
        min_size=1,
        max_size=5,
    ),
    st.sampled_from([";", "\t"]),
)
def test_sheet_and_journal_give_the_same_readings(
    rows: list[tuple[tuple[str, str], float, str]], separator: str
) -> None:
    """The same session as a quoted sheet and as a journal gives the same readings, whatever the notes say."""
    quote = [note.strip().replace('"', '""') for _, _, note in rows]
    sheet = separator.join(("red", "black", "mode", "reading", "note")) + "\n"
    lines = HEAD
    for ((red, black), volts, note), quoted_note in zip(rows, quote, strict=True):
        sheet += separator.join((red, black, "diode", f"{volts:.3f}", f'"{quoted_note}"')) + "\n"
        lines += reading_line(Probing(red, black), f"{volts:.3f}", note=note.strip())
    assert read(sheet).readings == parse_readings(lines.encode(), "bench.jsonl", BOARD, load_meter("handheld")).readings


def test_works_on_a_shipped_board() -> None:
    """A real board's terminals, pins and positions are those a sheet may name."""
    board = load_board("six-switch-bridge")
    text = f"{HEADER},hold,lift\nN,U,diode,0.42,UH@12 UL@0,\nQ_UH.gate,E_UH,ohms,10.1k,,Q_UL.collector\n"
    found = parse_readings(text.encode(), "sheet.csv", board)
    assert found.readings[0].probing.hold == (Hold("UH", 12.0), Hold("UL", 0.0))
    assert found.readings[1].probing.lift == ("Q_UL.collector",)
    with pytest.raises(InputError, match=r"line 2: red: board six-switch-bridge has no terminal 'G_UX'; near names"):
        parse_readings(f"{HEADER}\nG_UX,E_UH,ohms,10k\n".encode(), "sheet.csv", board)


def test_another_case_is_accepted_where_one_name_is_meant() -> None:
    """Terminals, pins, positions and lifted pins may be typed in lower case; the board's own spelling is kept."""
    board = load_board("six-switch-bridge")
    found = parse_readings(
        b"red,black,mode,reading,hold,lift\nu,n,diode,OL,ul@12,\nq_ul.Collector,n,diode,OL,,rge_ul.A\n", "s.csv", board
    )
    assert [reading.probing for reading in found] == [
        Probing("U", "N", hold=(Hold("UL", 12.0),)),
        Probing("Q_UL.collector", "N", lift=("RGE_UL.a",)),
    ]


def test_a_case_that_could_be_two_names_is_refused() -> None:
    """Where a board has terminals that differ in case alone, neither is guessed."""

    class Twins(FakeBoard):
        terminals = ("P", "Mid", "mID")

    with pytest.raises(InputError, match="no terminal 'MID'"):
        parse_readings(f"{HEADER}\nP,MID,diode,0.4\n".encode(), "s.csv", Twins())
    found = parse_readings(f"{HEADER}\np,mID,diode,0.4\n".encode(), "s.csv", Twins())
    assert (found.readings[0].probing.red, found.readings[0].probing.black) == ("P", "mID")


def test_a_journal_keeps_what_was_seen_skipped_and_measured_again() -> None:
    """What was seen stands in the head; a later set-up replaces it; skipped placements are no readings."""
    text = (
        head_line("leg", "handheld", Setup(bus_volts=0.4), seen=["MID dead"], bench={"effort": "gates"})
        + reading_line(Probing("P", "N"), "0.4")
        + skip_line(Probing("N", "P", hold=(Hold("L", 12.0),)))
        + setup_line(Setup(bus_volts=0.1))
    )
    found = parse_readings(text.encode(), "j", BOARD)
    assert (found.seen, len(found), found.setup.bus_volts) == (("MID dead",), 1, 0.1)
    journal = parse_journal(text, "j")
    assert journal.bench == {"effort": "gates"}
    assert journal.skipped == ({"red": "N", "black": "P", "mode": "diode", "hold": "L@12", "lift": ""},)


@pytest.mark.parametrize(("key", "value"), [("seen", '"soot"'), ("seen", "[1]"), ("bench", "[1]")])
def test_a_wrong_head_is_refused(key: str, value: str) -> None:
    """What was seen is a list of words, what was asked an object."""
    head = head_line("leg", "handheld", Setup()).strip()
    with pytest.raises(InputError, match="line 1"):
        parse_readings((head[:-1] + f', "{key}": {value}}}').encode(), "j", BOARD)


@pytest.mark.parametrize(
    ("word", "mode"),
    [
        ("Ohm", "ohms"),
        ("\N{OHM SIGN}", "ohms"),
        ("\N{GREEK CAPITAL LETTER OMEGA}", "ohms"),
        ("OHM:20k", "ohms:20k"),
        ("DCV", "volts"),
        ("V", "volts"),
        ("Diode test", "diode"),
        ("buzzer", "continuity"),
    ],
)
def test_other_words_for_a_mode(word: str, mode: str) -> None:
    """The bench's other words for a mode mean that mode, a range behind it or not."""
    value = "beep" if mode == "continuity" else "0.4"
    sheet = f"red,black,mode,reading\nN,U,{word},{value}\n".encode()
    (reading,) = parse_readings(sheet, "sheet.csv", load_board("six-switch-bridge"), load_meter()).readings
    assert reading.probing.mode_text == mode


@pytest.mark.parametrize(
    ("board", "typed", "meant"),
    [
        ("half-bridge-cooktop", ("Q_H.c", "q_h.E"), ("Q_H.collector", "Q_H.emitter")),
        ("half-bridge-cooktop", ("D_H.a", "D_H.k"), ("D_H.anode", "D_H.cathode")),
        ("half-bridge-cooktop", ("R_DIS.a", "Q_L.g"), ("R_DIS.a", "Q_L.gate")),
        ("six-switch-sic", ("Q_UH.d", "Q_UH.s"), ("Q_UH.drain", "Q_UH.source")),
    ],
)
def test_a_pin_by_its_letter(board: str, typed: tuple[str, str], meant: tuple[str, str]) -> None:
    """Pins of switches and diodes go by the letter of the trade, under a lead and lifted; another letter is refused."""
    found = parse_probing(*typed, "diode", "", " ".join(typed), load_board(board), load_meter())
    assert (found.red, found.black) == meant
    assert found.lift == tuple(sorted(meant))
    with pytest.raises(InputError, match="no pin 'x'"):
        parse_probing("P", f"{typed[0].partition('.')[0]}.x", "diode", "", "", load_board(board), load_meter())


@pytest.mark.parametrize("word", ["nothing", "None", "no", "unplugged"])
def test_a_word_for_nothing_connected(word: str) -> None:
    """A word for nothing is nothing; beside what is connected it is refused, not left out."""
    assert read(f"{HEADER},connected\nP,N,diode,0.4,{word}\n").readings[0].connected == frozenset()
    with pytest.raises(InputError, match="accepted: motor, coil, mains"):
        read(f"{HEADER},connected\nP,N,diode,0.4,coil {word}\n")


def test_a_load_the_board_lacks_is_refused() -> None:
    """What no part of the board stands for would not be reckoned with: a sheet and a journal name it and its line."""
    refused = "connected: 'brake-resistor': leg has no such thing to connect; accepted: motor, coil, mains"
    with pytest.raises(InputError, match=f"line 3: {refused}"):
        read(f"{HEADER},connected\nP,N,diode,0.4,mains motor\nP,N,diode,0.4,motor brake-resistor\n")
    with pytest.raises(InputError, match=f"line 1: {refused}"):
        parse_readings(
            (head_line("leg", "handheld", Setup(frozenset({"brake-resistor"}))) + taken("0.4")).encode(), "j", BOARD
        )
