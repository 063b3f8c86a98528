"""Reports as a browser shows and prints them. Skipped, and said so, where there is no Chromium."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.pictures.browser import CHROMIUM, WHY_SKIPPED, Look, look, printed_pages
from tests.pictures.handmade import motor_drive_page, six_switch_page

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason=WHY_SKIPPED)

WIDTHS = (360, 412, 700, 768, 1024, 1600)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Look:
    pages = six_switch_page(), motor_drive_page()
    return look(tmp_path_factory.mktemp("browser"), [(page, width) for page in pages for width in WIDTHS])


def test_no_width_scrolls_sideways(seen: Look) -> None:
    """From 360 to 1600 px no page is wider than its window."""
    assert [frame["width"] for frame in seen.frames] == [*WIDTHS, *WIDTHS]
    assert [frame["scroll"] - frame["room"] for frame in seen.frames] == [0] * 2 * len(WIDTHS)


def test_no_text_of_a_schematic_lies_on_another(seen: Look) -> None:
    """Measured by the browser, no two texts of a schematic overlap, leads and percentages included."""
    assert all(len(frame["texts"]) == 1 and frame["texts"][0] > 60 for frame in seen.frames)
    assert [frame["clashes"] for frame in seen.frames] == [[]] * len(seen.frames)


def test_the_browser_has_nothing_to_complain_of(seen: Look) -> None:
    """No line on the browser's console, and no request for anything."""
    assert seen.complaints == []
    assert [frame["loaded"] for frame in seen.frames] == [[]] * len(seen.frames)


def test_words_stand_out_from_paper(seen: Look) -> None:
    """Every word has at least the contrast of 4.5 that WCAG 2 asks for, and is no smaller than 12 px."""
    assert min(frame["contrast"] for frame in seen.frames) > 4.5
    assert min(frame["smallest"] for frame in seen.frames) >= 12.0


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_the_largest_board_prints_on_three_sheets(paper: str, tmp_path: Path) -> None:
    """The report on the largest board takes two or three sheets of A4, and of Letter."""
    assert 2 <= printed_pages(tmp_path, motor_drive_page(), paper) <= 3


def test_the_browser_sees_what_is_wrong(tmp_path: Path) -> None:
    """A page too wide, with texts on one another, pale words and a picture from elsewhere is caught at all of it."""
    bad = (
        "<!DOCTYPE html><html><meta http-equiv='Content-Security-Policy' content=\"default-src 'none'; "
        "style-src 'unsafe-inline'\"><body><p style='width:900px;color:#bbb'>pale</p><img src='https://example.org/a.png'>"
        "<figure><svg role='img'><text x='5' y='20'>one</text><text x='9' y='21'>two</text></svg>"
        "</figure></body></html>"
    )
    told = look(tmp_path, [(bad, 400)])
    frame = told.frames[0]
    assert frame["scroll"] > 400
    assert frame["clashes"] == ["one on two"]
    assert frame["contrast"] < 2.5
    assert any("example.org" in line for line in told.complaints)


def test_sheets_are_counted(tmp_path: Path) -> None:
    """Three pages broken by hand are counted as three."""
    sheets = "<style>@page { margin: 1cm; }</style>" + "<p style='break-after: page'>x</p>" * 2 + "<p>x</p>"
    assert printed_pages(tmp_path, sheets, "A4") == 3
