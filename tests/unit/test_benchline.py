"""What is typed at the bench is understood as a technician means it."""

from __future__ import annotations

import re

import pytest

from bridge.benchexamples import examples_of
from bridge.benchline import Order, Row, Values, parse_line, usual_mode
from bridge.benchpage import help_page
from bridge.board import list_boards, load_board
from bridge.errors import InputError
from bridge.faults import parse_fault
from bridge.meter import load_meter
from bridge.narrow import narrow_lines
from bridge.placement import parse_hold, parse_mode, switch_positions
from bridge.readings import parse_reading

BRIDGE = load_board("six-switch-bridge")


def row(text: str) -> dict[str, str]:
    """Return the filled columns of a line with places."""
    typed = parse_line(text, BRIDGE)
    assert isinstance(typed, Row)
    return {column: value for column, value in typed.fields.items() if value}


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("0.41", ("0.41",)),
        ("0,41", ("0,41",)),
        ("OL", ("OL",)),
        ("0.41 climbing", ("0.41 climbing",)),
        ("climbing to OL", ("climbing to OL",)),
        ("4k7", ("4k7",)),
        ("412 mV", ("412 mV",)),
        ("0.41 0.42 OL 0.002 0.41 0.42", ("0.41", "0.42", "OL", "0.002", "0.41", "0.42")),
        ("0.41 climbing; OL; 0.4", ("0.41 climbing", "OL", "0.4")),
    ],
)
def test_readings_without_places(text: str, readings: tuple[str, ...]) -> None:
    """One reading stays one, even of several words; several are told apart by blanks or semicolons."""
    assert parse_line(text, BRIDGE) == Values(readings, discharged=False)
    assert parse_line(f"{text} discharged", BRIDGE) == Values(readings, discharged=True)


def test_readings_with_places() -> None:
    """Two places and a reading; mode, held gates and lifted pins where they were typed; any case."""
    assert row("U P 0.41") == {"red": "U", "black": "P", "reading": "0.41"}
    assert row("u p 0.41 climbing") == {"red": "u", "black": "p", "reading": "0.41 climbing"}
    assert row("G_UL E_UL ohms 9.9k") == {"red": "G_UL", "black": "E_UL", "mode": "ohms", "reading": "9.9k"}
    assert row("G_UL E_UL ohms:20k 9.9 k")["mode"] == "ohms:20k"
    assert row("U N hold UL@12 VL@0 0.7") == {"red": "U", "black": "N", "hold": "UL@12 VL@0", "reading": "0.7"}
    assert row("U N UL@12 0.7 discharged") == {"red": "U", "black": "N", "hold": "UL@12", "reading": "0.7"}
    assert row("RG_UL.a RG_UL.b ohms lift RG_UL.a 22.1") == {
        "red": "RG_UL.a",
        "black": "RG_UL.b",
        "mode": "ohms",
        "lift": "RG_UL.a",
        "reading": "22.1",
    }


@pytest.mark.parametrize(
    ("typed", "mode"),
    [
        ("ohm", "ohms"),
        ("Ohm:20k", "ohms"),
        ("\N{OHM SIGN}", "ohms"),
        ("R", "ohms"),
        ("diode test", "diode"),
        ("V DC", "volts"),
        ("VDC", "volts"),
        ("beep", "continuity"),
    ],
)
def test_a_mode_in_other_words(typed: str, mode: str) -> None:
    """The words of the bench for a mode stand where the mode does, as in a sheet; behind a number, its unit."""
    found = row(f"U P {typed} 0.47")
    assert found["reading"] == "0.47"
    assert parse_mode(found["mode"], load_meter())[0] == mode
    assert "mode" not in row(f"U P 0.47 {typed.partition(':')[0]}")


@pytest.mark.parametrize("quote", ['"', "'"])
def test_a_number_in_quotes(quote: str) -> None:
    """A decimal comma in quotes, as a sheet wants it, is the number, alone or behind its places."""
    assert parse_line(f"{quote}0,4{quote}", BRIDGE) == Values(("0,4",), discharged=False)
    assert row(f"U P {quote}0,4{quote}")["reading"] == "0,4"
    with pytest.raises(InputError, match="not understood"):
        parse_line(quote * 2, BRIDGE)


@pytest.mark.parametrize("name", list_boards())
def test_examples_are_of_the_board(name: str) -> None:
    """What a refusal, the help and the words name as examples is on the board: typed as shown, it is understood."""
    board = load_board(name)
    examples = examples_of(board)
    assert examples.part in board.parts
    assert parse_fault(examples.fault, board)[0].part == examples.part
    assert len(examples.rows) == (3 if board.gate_leads else 2)
    for text in examples.rows:
        typed = parse_line(text, board)
        assert isinstance(typed, Row)
        parse_reading({**typed.fields, "mode": typed.fields["mode"] or "diode"}, board, load_meter())
    with pytest.raises(InputError) as caught:
        parse_line("hello", board)
    assert ", ".join(examples.rows) in str(caught.value)
    shown = " ".join(" ".join(narrow_lines(help_page(board))).split())
    assert all(text in shown for text in (examples.row, examples.fault, f"good {examples.part}"))
    with pytest.raises(InputError) as caught:
        parse_hold("nonsense", board)
    position = re.search(r"accepted: (\S+)@12,", str(caught.value))
    assert position is not None
    assert position[1] in switch_positions(board)


def test_words() -> None:
    """Words are words in any case, with what is typed behind them; a few have another name."""
    assert parse_line("why Q_UL:ce-short", BRIDGE) == Order("why", ("Q_UL:ce-short",))
    assert parse_line("Doubt 3", BRIDGE) == Order("doubt", ("3",))
    assert parse_line("quit", BRIDGE) == Order("stop", ())
    assert parse_line("?", BRIDGE) == Order("help", ())


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("hello", "not understood"),
        ("U X 0.41", "no terminal 'X'; it has P, N, U"),
        ("G_UX E_UL 9.9k", "no terminal 'G_UX'; near names: G_U"),
        ("U P", "not understood"),
        ("U P ohms", "no reading behind U P"),
        ("0.41 0.4x", "not understood"),
        ("\x1b[2J", "not understood"),
    ],
)
def test_nothing_is_guessed(text: str, named: str) -> None:
    """What means nothing is refused, with what would do."""
    with pytest.raises(InputError) as caught:
        parse_line(text, BRIDGE)
    assert named in str(caught.value)
    assert str(caught.value).isprintable()


def test_the_usual_mode() -> None:
    """Between main terminals it is diode mode, at gates and across parts with a pad ohms, whichever lead is where."""
    assert usual_mode(BRIDGE, "U", "P") == "diode"
    assert usual_mode(BRIDGE, "G_UL", "E_UL") == usual_mode(BRIDGE, "E_UL", "G_UL") == "ohms"
    assert usual_mode(BRIDGE, "GD_UL", "N") == "ohms"
    assert usual_mode(BRIDGE, "GD_UL", "W") == "diode"
