"""The report: what it holds, in what order, and that names from files stay text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bridge.band import Band
from bridge.board import load_board, parse_board
from bridge.cautions import BUS_UNSTATED
from bridge.forecast import Forecast
from bridge.meter import load_meter
from bridge.payload import json_text
from bridge.probing import Probing
from bridge.readingplot import compare, departure, good_words, is_as_good, reading_plot
from bridge.readings import Reading
from bridge.reportpage import make_report, report_html, report_payload, report_picture
from tests.cli.sheets import SHORTED_LOW_SWITCH, write
from tests.conftest import Outcome
from tests.pictures.handmade import motor_drive, motor_drive_page, ranking_of, readings_of, six_switch, six_switch_page


class Seen(HTMLParser):
    """Notes tags, attributes and words of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture
def page() -> str:
    return six_switch_page()


@pytest.mark.slow
def test_the_command_writes_a_page_and_a_picture(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """``report -o`` writes a page whose heading is the verdict of ``rank``, and ``--picture`` the marked schematic."""
    page, picture = tmp_path / "report.html", tmp_path / "report.svg"
    sheet = write(tmp_path, SHORTED_LOW_SWITCH)
    outcome = command("report", "six-switch-bridge", sheet, "-o", str(page), "--picture", str(picture))
    assert (outcome.status, outcome.err) == (0, "")
    said = command("rank", "six-switch-bridge", sheet).out
    heading = re.search(r"<h1>(.*?)</h1>", page.read_text(encoding="utf-8"))
    assert heading is not None
    assert heading[1].replace("&gt;", ">") in said
    assert ">red<" in picture.read_text(encoding="utf-8")
    assert re.search(r"font-weight=\"bold\">[\d.&gt;]+ %<", picture.read_text(encoding="utf-8"))


def test_without_a_file_it_says_what_is_accepted(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Without -o and --picture nothing is written, and one line says what is accepted."""
    outcome = command("report", "six-switch-bridge", write(tmp_path, SHORTED_LOW_SWITCH))
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert "-o FILE.html" in outcome.err


def test_programs_get_the_same() -> None:
    """In JSON a report has what rank and next have, a good board's band for each reading, and the repair."""
    report = make_report(six_switch())
    told = json.loads(json_text(report_payload(report)))
    assert told["candidates"][0]["faults"][0]["part"] == "Q_UL"
    assert len(told["good_board"]) == len(told["readings"]) == 26
    assert all(band is None or band["low"] <= band["value"] <= band["high"] for band in told["good_board"])
    assert [one["package"] for one in told["repair"]["replace"]] == ["Q_UL"]
    assert len(told["next"]) == len(report.advice)


def test_a_missing_folder_leaves_nothing(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A report for a folder that is not there is refused in one line."""
    sheet = write(tmp_path, SHORTED_LOW_SWITCH)
    outcome = command("report", "six-switch-bridge", sheet, "-o", str(tmp_path / "none" / "a.html"))
    assert (outcome.status, outcome.err.count("\n")) == (2, 1)
    assert "no folder" in outcome.err
    assert [str(path) for path in tmp_path.iterdir()] == [sheet]


def test_the_verdict_comes_first_and_everything_follows(page: str) -> None:
    """In order: verdict, schematic, what the readings say, next, readings, repair, cautions, assumptions."""
    headings = re.findall(r"<h([12])>(.*?)</h\1>", page)
    assert [level for level, _ in headings] == ["1"] + ["2"] * 7
    assert headings[0][1].startswith("Replace Q_UL")
    words = ["Where", "say", "Next", "expected", "Replace and check", "Cautions", "assumed"]
    assert all(word in heading for word, (_, heading) in zip(words, headings[1:], strict=True))
    text = " ".join(Seen(page).words)
    for told in (
        "bus discharged through a resistor",
        "handheld",
        "3 s before the display is read",
        "Before power returns",
    ):
        assert told in text


def test_nothing_is_loaded_and_nothing_runs(page: str) -> None:
    """A report has no script, no form, and no address but the name of the SVG language."""
    seen = Seen(page)
    assert {tag for tag, _ in seen.tags} & {
        "script",
        "iframe",
        "object",
        "embed",
        "link",
        "img",
        "form",
        "base",
    } == set()
    values = [value or "" for _, attributes in seen.tags for value in attributes.values()]
    assert {value for value in values if "//" in value} == {"http://www.w3.org/2000/svg"}
    assert not any(name.startswith("on") for _, attributes in seen.tags for name in attributes)
    assert "url(" not in page
    assert "@import" not in page


def test_pictures_and_tables_can_be_heard(page: str) -> None:
    """Language, title, a name for every picture that means something, and headings for every column and row."""
    seen = Seen(page)
    assert dict(seen.tags)["html"]["lang"] == "en"
    assert re.search(r"<title>six-switch-bridge: Replace Q_UL", page)
    pictures = [attributes for tag, attributes in seen.tags if tag == "svg"]
    named = [one for one in pictures if one.get("aria-hidden") != "true"]
    assert all(one.get("role") == "img" for one in named)
    titles = re.findall(r"<title>(Schematic of six-switch-bridge[^<]*)</title>", page)
    strips = [title for title in titles if "Strip" in title]
    assert len(titles) - len(strips) == 2  # for a wide and for a narrow window
    assert [title[-len("Strip 1 of 2.") :] for title in strips] == [f"Strip {n} of {len(strips)}." for n in (1, 2)]
    assert len([one for one in named if one.get("aria-label")]) == len(named) - len(titles)
    assert page.count("<table") == page.count("<caption") == page.count("<thead")
    assert all(attributes.get("scope") in ("col", "row") for tag, attributes in seen.tags if tag == "th")


def test_each_reading_is_told_with_a_plot(page: str) -> None:
    """Every reading of a usual sheet has a row with what was read and a plot that says the same in words."""
    ranking = six_switch()
    plots = re.findall(r'class="plot" aria-label="(.*?)"', page)
    assert len(plots) == len(ranking.readings) == 26
    for plot, reading in zip(plots, ranking.readings, strict=True):
        assert plot.startswith(f"read {reading.text}; good board ")


def test_many_readings_are_told_in_short() -> None:
    """Of sixty readings those that differ from a good board are told one by one, and every other is still named."""
    ranking = motor_drive()
    page = motor_drive_page()
    assert len(ranking.readings) > 60
    told = re.findall(r'<th scope="row"[^>]*>(.*?)</th>', page)
    also = re.search(r"<p>Also read: (.*?)</p>", page)
    assert also is not None
    assert {"N → V", "V → N"} <= set(told)
    named = set(re.findall(r"(\w+)→(\w+)", also[1])) | {tuple(where.split(" → ")) for where in told}
    assert named == {(reading.probing.red, reading.probing.black) for reading in ranking.readings}


def test_names_from_files_stay_text() -> None:
    """A board, a role, a terminal's description and a note that look like mark-up are shown, not obeyed."""
    evil = "<script>alert(1)</script>"
    board = parse_board(
        f"""
name = "evil"
title = "{evil}"
about = "{evil}"
[[terminal]]
name = "P"
what = "{evil}"
access = "terminal"
[[terminal]]
name = "N"
what = "{evil}"
access = "terminal"
[[part]]
ref = "D_1"
kind = "diode"
pins = {{ anode = "X", cathode = "P" }}
drop_1ma = 0.5
role = "{evil}"
[[part]]
ref = "R_1"
kind = "resistor"
pins = {{ a = "X", b = "N" }}
ohms = 10.0
role = "{evil}"
""",
        "evil.toml",
    )
    readings = readings_of(board, "D_1:short", (Probing("P", "N"), Probing("N", "P")))
    noted = (
        Reading(**{name: getattr(readings[0], name) for name in Reading.__slots__} | {"note": evil}),
        *readings[1:],
    )
    page = report_html(make_report(ranking_of(board, "D_1:short", readings=noted)))
    assert "<script" not in page
    assert page.count("&lt;script&gt;") >= 5


def test_charge_is_named_before_anything_else() -> None:
    """With 48 V on the bus the page begins with the warning, and no next reading is drawn or proposed."""
    board = load_board("six-switch-bridge")
    charged = (
        *readings_of(board, "Q_UL:ce-short", (Probing("N", "U"),)),
        Reading(3, Probing("P", "N", "volts"), "48", 48.0, "V", "steady"),
    )
    page = report_html(make_report(ranking_of(board, "Q_UL:ce-short", readings=charged)))
    assert page.index('class="warning"') < page.index("<h1>")
    assert "Leads of the next reading" not in page
    assert "No reading is proposed" in page


@pytest.mark.parametrize("name", ["drive-module", "full-bridge-welder", "half-bridge-cooktop", "six-switch-sic"])
def test_every_board_gets_its_picture(name: str) -> None:
    """The marked schematic names the suspect with its percentage and has both leads, on a wide and a narrow sheet."""
    board = load_board(name)
    fault = next(f"{part.ref}:ce-short" for part in board.parts.values() if part.kind in ("igbt", "mosfet"))
    probings = tuple(Probing(red, "P") for red in board.main_terminals if red != "P")[:2]
    report = make_report(ranking_of(board, fault, probings=probings))
    for width in (1210.0, 400.0):
        picture = report_picture(report, width)
        assert "&gt;99 %" in picture
        assert report.shown is None or (picture.count(">red<"), picture.count(">black<")) == (1, 1)


# --- the plots

GOOD = Forecast(Probing("U", "P"), 0.42, "V", "steady", 0.42, 0.42)
BAND = Band(Probing("U", "P"), 0.42, 0.35, 0.49, "V")


def taken(text: str, value: float | None, state: str = "steady", mode: str = "diode") -> Reading:
    return Reading(2, Probing("U", "P", mode), text, value, "V" if mode == "diode" else "ohm", state)


@pytest.mark.parametrize(
    ("reading", "good"),
    [
        (taken("0.42", 0.42), True),
        (taken("0.5", 0.5), False),
        (taken("0.002", 0.002), False),
        (taken("OL", None, "OL"), False),
        (taken("beep", None, "beep"), None),
    ],
)
def test_a_reading_is_held_against_the_band(reading: Reading, good: bool | None) -> None:
    """Inside the band of 0.35 to 0.49 V is as on a good board, outside and OL are not, a beep says neither."""
    assert is_as_good(compare(reading, GOOD, BAND)) is good


def test_a_climbing_display_may_stand_anywhere_on_its_way() -> None:
    """Where a good board climbs from 0.9 V to OL, 1.4 V and "climbing" are good, and 0.1 V is not."""
    probing = Probing("P", "N")
    climbing = Forecast(probing, 0.9, "V", "climbing", 0.7, None)
    band = Band(probing, float("inf"), float("inf"), float("inf"), "V")
    good = [
        is_as_good(compare(one, climbing, band))
        for one in (taken("1.4", 1.4), taken("c", None, "climbing"), taken("0.1", 0.1))
    ]
    assert good == [True, True, False]
    assert "climbing" in good_words(compare(taken("1.4", 1.4), climbing, band))


def test_marks_stand_where_the_scale_says() -> None:
    """On the scale of a 2 V diode mode half a volt is a quarter of the way, and what is OL stands beyond the dashes."""
    meter = load_meter()
    assert meter.diode.limit_volts == 2.0
    plot = reading_plot(compare(taken("0.5", 0.5), GOOD, BAND, GOOD), meter)
    points = re.search(r'<polygon points="([\d.]+),', plot)
    assert points is not None
    start, end = 5.0, 168.0 - 24.0 - 5.0
    assert float(points[1]) + 3.6 == pytest.approx(start + (end - start) * 0.25, abs=0.11)
    beyond = re.search(r'<polygon points="([\d.]+),', reading_plot(compare(taken("OL", None, "OL"), GOOD, BAND), meter))
    assert beyond is not None
    assert float(beyond[1]) > 168.0 - 24.0


def test_the_farther_from_good_the_more_a_reading_tells() -> None:
    """A dead short departs farther from the band than a reading just outside it, and one inside not at all."""
    meter = load_meter()
    far = [departure(compare(taken(str(v), v), GOOD, BAND), meter) for v in (0.0, 0.33, 0.42)]
    assert far[0] > far[1] > far[2] == 0.0


def test_a_bus_nobody_measured_comes_first() -> None:
    """The page that goes to the bench begins with what nobody has said: that the bus was measured and empty."""
    ranking = six_switch()
    page = report_html(make_report(ranking, bus_stated=False))
    assert page.index(BUS_UNSTATED) < page.index("<h1>")
    assert BUS_UNSTATED not in report_html(make_report(ranking))


@pytest.mark.slow
def test_the_command_says_so_unless_it_was_measured(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Told from the sheet: with a word that the bus was empty the page takes nothing for granted."""
    sheet = write(tmp_path, SHORTED_LOW_SWITCH)
    for options, unstated in (((), True), (("--bus-volts", "0"), False)):
        assert command("report", "six-switch-bridge", sheet, "-o", str(tmp_path / "r.html"), *options).status == 0
        assert (BUS_UNSTATED in (tmp_path / "r.html").read_text(encoding="utf-8")) is unstated
