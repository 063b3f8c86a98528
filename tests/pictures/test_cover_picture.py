"""The matrix of what can be told apart."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from bridge.advise import EFFORTS
from bridge.board import load_board
from bridge.canvas import Text
from bridge.cover import Cover, cover_board
from bridge.coverpicture import SHADES, cover_order, cover_picture
from bridge.meter import load_meter
from bridge.probing import Setup
from tests.conftest import Outcome
from tests.pictures.test_overlay import luminance

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def cover() -> Cover:
    """What readings can tell apart on a bare module."""
    return cover_board(load_board("drive-module"), load_meter(), Setup())


def area_of(path: str) -> float:
    """Return the area of the bars of a path: their widths times their heights."""
    return sum(float(wide) * float(high) for wide, high in re.findall(r"h([\d.]+)v([\d.]+)h-", path))


def test_the_matrix_agrees_with_the_counts(cover: Cover) -> None:
    """As many faults show against the healthy board with each effort as the table of efforts counts."""
    needed = cover.effort_needed
    assert np.array_equal(needed, needed.T)
    for number, tier in enumerate(cover.tiers):
        assert int(np.sum(needed[0, 1:] <= number)) == tier.shows
    assert int(np.sum(needed[0, 1:] == len(EFFORTS))) == len(cover.hidden)


def test_the_order_keeps_groups_together_and_loses_nothing(cover: Cover) -> None:
    """Every fault and the healthy board stand once, what never shows in place beside the healthy board."""
    groups = cover_order(cover)
    every = [index for group in groups for index in group]
    assert sorted(every) == list(range(len(cover.boards)))
    assert {cover.boards[index] for index in groups[0]} == {None, *cover.hidden_in_place}
    for group in cover.in_place:
        rest = set(group.faults) - set(cover.hidden_in_place)
        assert any({cover.boards[index] for index in mine} == rest for mine in groups) or not rest


def test_each_shade_covers_its_pairs(cover: Cover) -> None:
    """The area of each shade is the number of its pairs, both ways, in cells."""
    root = ET.fromstring(cover_picture(cover))
    off_diagonal = ~np.eye(len(cover.boards), dtype=bool)
    areas = {
        path.get("fill"): area_of(path.get("d", "")) for path in root.iter(f"{SVG}path") if path.get("fill") in SHADES
    }
    counts = {shade: int(np.sum((cover.effort_needed == effort) & off_diagonal)) for effort, shade in enumerate(SHADES)}
    assert counts[SHADES[1]] > 0
    cell = areas[SHADES[1]] / counts[SHADES[1]]
    for shade in SHADES[1:]:
        assert areas[shade] == pytest.approx(counts[shade] * cell, rel=0.02)  # heights are rounded to a tenth


def test_more_effort_is_darker() -> None:
    """The shades fall in luminance, so that they hold in grey; the last is black."""
    greys = [luminance(shade) for shade in SHADES]
    assert greys == sorted(greys, reverse=True)
    assert (greys[0], greys[-1]) == (pytest.approx(1.0), 0.0)
    assert all((light + 0.05) / (dark + 0.05) > 1.3 for light, dark in itertools.pairwise(greys))


def test_no_label_lies_on_another(cover: Cover) -> None:
    """Labels keep their distance, and stay on the sheet."""
    root = ET.fromstring(cover_picture(cover))
    boxes = []
    for element in root.iter(f"{SVG}text"):
        role = "terminal" if element.get("font-weight") == "bold" else "note"
        at = float(element.get("x", 0)), float(element.get("y", 0))
        anchor = element.get("text-anchor", "start")
        boxes.append(Text(element.text or "", at, anchor, role, float(element.get("font-size", 0))).box)
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
    assert min(box.left for box in boxes) >= 0
    assert max(box.right for box in boxes) <= float(root.get("width", 0))


def test_the_command_draws(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """``cover --picture`` writes SVG; a folder that is not there is refused before any work."""
    target = tmp_path / "cover.svg"
    outcome = command("cover", "drive-module", "--picture", str(target))
    assert (outcome.status, outcome.err) == (0, "")
    assert "drive-module" in (ET.parse(target).getroot().findtext(f"{SVG}title") or "")
    refused = command("cover", "drive-module", "--picture", str(tmp_path / "none" / "a.svg"))
    assert (refused.status, refused.err.count("\n")) == (2, 1)
