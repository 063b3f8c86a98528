"""What lies over a schematic: suspicion, leads, and the way of the current."""

from __future__ import annotations

import itertools
import math
from xml.etree import ElementTree as ET

import pytest

from bridge.board import list_boards, load_board
from bridge.canvas import Box, text_width
from bridge.faults import parse_fault
from bridge.floorplan import Floorplan, plan_floor
from bridge.meter import load_meter
from bridge.overlay import PATH_INK, RED_INK, SHADES, lead_layer, path_points, shade_of, suspicion_layer
from bridge.probing import Probing, Setup
from bridge.why import path_of

BRIDGE = plan_floor(load_board("six-switch-bridge"))


def luminance(color: str) -> float:
    """Return the relative luminance of a colour (WCAG 2, definition of relative luminance)."""
    parts = [int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours (WCAG 2, contrast ratio)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def box_of(element: ET.Element) -> Box:
    x, y = float(element.get("x", "nan")), float(element.get("y", "nan"))
    return Box(x, y, x + float(element.get("width", "nan")), y + float(element.get("height", "nan")))


def test_shades_hold_without_colour() -> None:
    """The more suspect, the darker in grey and the heavier the frame; black letters stay readable on each."""
    greys = [luminance(shade.fill) for shade in SHADES]
    assert greys == sorted(greys)
    assert all(contrast(one.fill, other.fill) > 1.25 for one, other in itertools.pairwise(SHADES))
    assert [shade.frame for shade in SHADES] == sorted((shade.frame for shade in SHADES), reverse=True)
    assert len({(shade.frame, shade.dashes) for shade in SHADES}) == len(SHADES)
    assert min(contrast(shade.fill, "#111111") for shade in SHADES) > 7.0  # WCAG 2, level AAA


def test_inks_are_readable_on_paper() -> None:
    """The red lead's name and the current's arrowheads stand out from white (WCAG 2: 4.5 for text)."""
    assert contrast(RED_INK, "#ffffff") > 4.5
    assert contrast(PATH_INK, "#ffffff") > 4.5


@pytest.mark.parametrize(("probability", "least"), [(0.93, 0.5), (0.5, 0.5), (0.49, 0.1), (0.012, 0.01)])
def test_a_part_is_shaded_by_its_suspicion(probability: float, least: float) -> None:
    """Shades begin at one, ten and fifty per cent."""
    shade = shade_of(probability)
    assert shade is not None
    assert shade.least == least


def test_suspects_alone_are_framed() -> None:
    """A frame surrounds the symbol of each part suspected at one per cent or more, and no other."""
    frames = [box_of(frame) for frame in suspicion_layer(BRIDGE, {"Q_UL": 0.9, "RG_VH": 0.02, "D_WL": 0.009})]
    framed = {
        symbol.ref
        for symbol in BRIDGE.canvas.symbols
        for frame in frames
        if frame.left < symbol.body.left
        and frame.right > symbol.body.right
        and frame.top < symbol.body.top
        and frame.bottom > symbol.body.bottom
    }
    assert len(frames) == 2
    assert framed == {"Q_UL", "RG_VH"}


def test_a_frame_holds_the_percentage_too() -> None:
    """The frame of a diode, whose name is short, is wide enough for its percentage."""
    (frame,) = (box_of(frame) for frame in suspicion_layer(BRIDGE, {"D_UL": 0.999}))
    label = next(text for text in BRIDGE.canvas.texts if text.ref == "D_UL" and text.role == "value")
    assert frame.right - label.at[0] >= text_width(">99 %", 11.0, bold=True)


@pytest.mark.parametrize("name", ["six-switch-bridge", "motor-drive", "three-level-bridge", "half-bridge-cooktop"])
def test_leads_stand_at_their_terminals_and_hide_no_name(name: str) -> None:
    """Whatever pair of terminals is probed, each lead ends on its terminal and its name lies on no other name."""
    plan = plan_floor(load_board(name))
    places = list(plan.board.main_terminals) + [lead for pair in plan.board.gate_leads for lead in pair][:6]
    for red, black in itertools.pairwise([*places, *places[::2]]):
        if red == black:
            continue
        layer = lead_layer(plan, red, black)
        tips = [(float(e.get("cx", 0)), float(e.get("cy", 0))) for e in layer if e.tag == "circle"]
        for tip, lead in zip(tips, (red, black), strict=True):
            assert math.dist(tip, plan.canvas.spots[lead]) < 0.1
        names = [box_of(element) for element in layer if element.tag == "rect"]
        assert not names[0].overlaps(names[1])
        hidden = [
            text.words for text in plan.canvas.texts if text.words and any(b.overlaps(text.box, -1.0) for b in names)
        ]
        assert (red, black, hidden) == (red, black, [])


def test_a_lead_on_a_pin_is_drawn() -> None:
    """A lead on PART.pin is drawn at that pin."""
    layer = lead_layer(BRIDGE, "Q_UL.collector", "N")
    tip = next(element for element in layer if element.tag == "circle")
    assert (float(tip.get("cx", 0)), float(tip.get("cy", 0))) == pytest.approx(
        BRIDGE.canvas.pins["Q_UL", "collector"], abs=0.06
    )


def _drawn_way(plan: Floorplan, red: str, black: str, fault: str = "") -> list[list[tuple[float, float]]]:
    faults = [parse_fault(fault, plan.board)] if fault else []
    return path_points(plan, path_of(plan.board, load_meter(), Setup(), faults, Probing(red, black)))


def test_the_current_is_followed_from_lead_to_lead() -> None:
    """From minus through a lower diode to a phase: one unbroken way from the red lead to the black one."""
    (way,) = _drawn_way(BRIDGE, "N", "U")
    assert way[0] == BRIDGE.canvas.spots["N"]
    assert way[-1] == BRIDGE.canvas.spots["U"]
    assert BRIDGE.canvas.pins["D_UL", "anode"] in way
    assert way.index(BRIDGE.canvas.pins["D_UL", "anode"]) < way.index(BRIDGE.canvas.pins["D_UL", "cathode"])


def test_a_short_takes_the_current_from_the_diode() -> None:
    """With the lower switch shorted the way goes through the switch, against the arrow, too."""
    (way,) = _drawn_way(BRIDGE, "U", "N", "Q_UL:ce-short")
    pins = BRIDGE.canvas.pins
    assert way.index(pins["Q_UL", "collector"]) < way.index(pins["Q_UL", "emitter"])
    assert pins["D_UL", "anode"] not in way


@pytest.mark.parametrize("name", ["six-switch-bridge", "motor-drive", "three-level-bridge", "single-switch-cooktop"])
def test_every_way_begins_and_ends_at_the_leads(name: str) -> None:
    """A way begins at the red lead or its net's name elsewhere, ends likewise at the black, and runs on lines."""
    plan = plan_floor(load_board(name))
    lines = [(wire.start, wire.end) for wire in plan.canvas.wires]
    lines += [(symbol.start, symbol.end) for symbol in plan.canvas.symbols]
    drawn = 0
    for red, black in itertools.permutations(plan.board.main_terminals[:5], 2):
        pieces = _drawn_way(plan, red, black)
        if not pieces:
            continue
        drawn += 1
        for lead, end in ((red, pieces[0][0]), (black, pieces[-1][-1])):
            net = plan.board.net_of(lead)
            elsewhere = [
                mark.at
                for mark in plan.canvas.marks
                if any(w.net == net and mark.at in (w.start, w.end) for w in plan.canvas.wires)
            ]
            elsewhere += [
                at
                for (ref, pin), at in plan.canvas.pins.items()
                if plan.board.parts[ref].pins[pin] == net and at in [mark.at for mark in plan.canvas.marks]
            ]
            assert min(math.dist(end, at) for at in (plan.canvas.spots[lead], *elsewhere)) < 0.1
        for start, end in (pair for piece in pieces for pair in itertools.pairwise(piece)):
            middle = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
            off = [math.dist(middle, a) + math.dist(middle, b) - math.dist(a, b) for a, b in lines]
            assert min(off) < 0.1
    assert drawn >= 4


def test_leads_stay_apart_on_one_terminal_pair_of_a_narrow_sheet() -> None:
    """On a sheet for a phone the leads' names stay on the sheet."""
    plan = plan_floor(load_board("six-switch-bridge"), 380.0)
    for lead in plan.board.main_terminals:
        for element in lead_layer(plan, lead, "N" if lead != "N" else "P"):
            if element.tag == "rect":
                box = box_of(element)
                assert box.left > 0 < box.top
                assert box.right < plan.width
                assert box.bottom < plan.height


@pytest.mark.parametrize("width", [400.0, 1210.0])
@pytest.mark.parametrize("name", list_boards())
def test_frames_keep_apart(name: str, width: float) -> None:
    """Even with every part suspect, no frame reaches into another."""
    plan = plan_floor(load_board(name), width)
    frames = [box_of(frame) for frame in suspicion_layer(plan, dict.fromkeys(plan.board.parts, 0.999))]
    assert len(frames) == len(plan.board.parts)
    assert not any(one.overlaps(other) for one, other in itertools.combinations(frames, 2))
