"""What the README opens with shows the example it names, and what is really wrong with that board."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from tests.conftest import ROOT
from tests.make_pictures import BOARD, EXAMPLE, RECORDING

README = (ROOT / "README.md").read_text(encoding="utf-8")
FAULTY = [line.partition(":")[0] for line in (ROOT / EXAMPLE / "fault.txt").read_text(encoding="utf-8").split()]


def test_the_picture_is_there_and_comes_first() -> None:
    """The first picture of the README is a file of the checkout, with words for those who do not see it."""
    words, path = re.findall(r"!\[(.+?)\]\((.+?)\)", README)[0]
    assert README.index(path) < README.index("```")
    assert len(words) > 40
    assert (ROOT / path).is_file()
    assert f"`bridgefault report {BOARD} {EXAMPLE}/readings.csv --picture FILE.svg`" in README


@pytest.mark.parametrize("part", FAULTY)
def test_the_picture_marks_what_is_bad(part: str) -> None:
    """The part that is bad on that board carries the heaviest frame and more than half."""
    root = ET.parse(ROOT / EXAMPLE / "suspects.svg").getroot()
    texts = [(element.text or "", element) for element in root.iter("{http://www.w3.org/2000/svg}text")]
    name = next(element for words, element in texts if words == part)
    below = next(
        words
        for words, element in texts
        if element.get("x") == name.get("x") and 8 < float(element.get("y", 0)) - float(name.get("y", 0)) < 16
    )
    assert float(below.strip(">% ")) > 50


@pytest.mark.parametrize("part", FAULTY)
def test_the_recording_marks_the_same(part: str) -> None:
    """The terminal's drawing in the README shades the same part as dark as it can."""
    recording = RECORDING.search(README)
    assert recording is not None
    assert f"$ bridgefault rank {BOARD} {EXAMPLE}/readings.csv\n" in recording[0]
    assert re.search(rf"█{part} \d+ %", recording[0])
