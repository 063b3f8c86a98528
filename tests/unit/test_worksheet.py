"""Worksheets: what is on them, and that they can be read back."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from bridge.board import list_boards, load_board, parse_board
from bridge.forecast import default_probings
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.readings import parse_readings
from bridge.sheetpage import worksheet_csv, worksheet_html, worksheet_payload
from bridge.worksheet import Worksheet, expected_words, make_worksheet, rail_probings

METER = load_meter()


def sheet(name: str, *, expected: bool = False) -> Worksheet:
    """Return a worksheet of a shipped board."""
    return make_worksheet(load_board(name), METER, Setup(), expected=expected)


@pytest.mark.parametrize("name", list_boards())
def test_every_reading_of_a_board_is_on_its_sheet(name: str) -> None:
    """Every ordered pair of main terminals and every gate lead is there once."""
    assert sorted(sheet(name).probings, key=str) == sorted(default_probings(load_board(name)), key=str)


@pytest.mark.parametrize("expected", [False, True])
def test_the_file_reads_back(expected: bool) -> None:
    """A filled-in file gives the same placements in the same order; unfilled rows are skipped, notes do no harm."""
    made = make_worksheet(
        load_board("six-switch-bridge"),
        METER,
        Setup(),
        [*default_probings(load_board("six-switch-bridge")), Probing("U", "N", hold=(Hold("UL", 12.0),))],
        expected=expected,
    )
    text = worksheet_csv(made)
    lines = text.splitlines()
    place = lines[0].split(",").index("reading")
    filled = [lines[0]]
    for number, line in enumerate(lines[1:]):
        cells = line.split(",")
        cells[place] = "OL" if number % 2 == 0 else ""
        filled.append(",".join(cells))
    readings = parse_readings("\n".join(filled).encode(), "sheet.csv", made.board)
    assert [reading.probing for reading in readings] == list(made.probings[::2])
    assert not any(reading.discharged for reading in readings)


def test_bands_hold_the_reading_of_a_good_board() -> None:
    """On an expected sheet every settled reading of the nominal board lies in its band."""
    made = sheet("motor-drive", expected=True)
    for one in made.expected:
        assert one.forecast.probing == one.band.probing
        if one.forecast.state == "steady":
            assert one.forecast.value is not None
            assert one.band.low <= one.forecast.value <= one.band.high


def test_what_a_good_board_shows_in_words() -> None:
    """A diode has a band of some 70 mV about 0.42 V, a pull-down of 10 k one of a few per cent, a block is OL."""
    made = sheet("six-switch-bridge", expected=True)
    said = {
        (one.red, one.black): expected_words(shown) for one, shown in zip(made.probings, made.expected, strict=True)
    }
    assert said["N", "U"] == "0.344 to 0.496"
    assert said["U", "V"] == "OL"
    low, high = said["G_UH", "E_UH"].split(" to ")
    assert (low[0], low[-1]) == ("9", "k")
    assert high == "10.4k"
    climbing = {expected_words(one) for one in sheet("full-bridge-welder", expected=True).expected}
    assert "climbing, in the end OL" in climbing


def test_the_short_sheet_keeps_rails_and_gates() -> None:
    """The short sheet of a motor drive leaves out pairs without a bus terminal, and no gate."""
    board = load_board("motor-drive")
    short = rail_probings(board)
    assert len(short) < 0.7 * len(default_probings(board))
    assert Probing("U", "P") in short
    assert Probing("U", "V") not in short
    assert sum(probing.mode == "ohms" for probing in short) == len(board.gate_leads)


class Page(HTMLParser):
    """Collects what a page holds: tags, text, and anything it would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fetched: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_stands_alone() -> None:
    """The page has a row for each reading, fetches nothing, and leaves the paper to the printer."""
    made = sheet("six-switch-bridge", expected=True)
    text = worksheet_html(made)
    page = Page()
    page.feed(text)
    assert page.fetched == []
    assert "@import" not in text
    assert "url(" not in text
    assert "size:" not in text.replace("font-size:", "")
    assert page.tags.count("tr") == 1 + 2 + 1 + len(made.probings)
    assert "0.344 to 0.496" in page.text


def test_names_of_strangers_are_escaped() -> None:
    """A board file's title cannot become part of the page."""
    board = parse_board(
        'name = "odd"\ntitle = "<script>alert(1)</script> & co"\nabout = "x"\n'
        '[[terminal]]\nname = "P"\nwhat = "plus"\naccess = "terminal"\n'
        '[[terminal]]\nname = "N"\nwhat = "minus"\naccess = "terminal"\n'
        '[[part]]\nref = "R_1"\nkind = "resistor"\npins = { a = "P", b = "N" }\nohms = 1e3\n'
        'role = "load"\nblock = "bus"\n',
        "odd.toml",
    )
    text = worksheet_html(make_worksheet(board, METER, Setup()))
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; co" in text


def test_for_programs() -> None:
    """The payload names each placement; bands only where the sheet has them, null for OL."""
    blank = worksheet_payload(sheet("drive-module"))
    assert set(blank["readings"][0]) == {"red", "black", "mode", "hold", "lift"}
    full = worksheet_payload(sheet("drive-module", expected=True))
    rows = {(row["red"], row["black"]): row for row in full["readings"]}
    assert rows["P", "NU"]["low"] is None
    assert rows["P", "NU"]["state"] == "OL"
    assert rows["NU", "U"]["low"] < 0.42 < rows["NU", "U"]["high"]
