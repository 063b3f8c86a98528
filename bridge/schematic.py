"""A floor plan drawn as SVG: the symbols by schemdraw, wires and lettering straight."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

from bridge.board import Board
from bridge.canvas import Canvas, Mark, Symbol, Text
from bridge.floorplan import MARGIN, Floorplan, plan_floor

if TYPE_CHECKING:
    from schemdraw.elements import Element

__all__ = [
    "FACE",
    "INK",
    "PERCENT_SIZE",
    "Layer",
    "board_picture",
    "schematic_strips",
    "schematic_svg",
    "svg_element",
]

FACE = "Arial, Helvetica, 'Liberation Sans', 'DejaVu Sans', sans-serif"
PX_PER_UNIT = 30.0  # what the library calls a unit; the body of a resistor is one long
LINE_PX = 1.3
NOTE_HEIGHT = 18.0
PERCENT_SIZE = 11.0
INK, PALE_INK = "#111111", "#5a5a5a"
SVG = "http://www.w3.org/2000/svg"
SHEET = "whole-sheet"

Layer = list[ET.Element]
"""Elements drawn beneath or above the schematic."""


def board_picture(board: Board, present: Collection[str]) -> str:
    """Return the schematic of a board as SVG.

    Parameters
    ----------
    board : Board
        The board.
    present : collection of str
        Parts that are there in this set-up.
    """
    pale = [ref for ref in board.parts if ref not in present]
    return schematic_svg(plan_floor(board), title=f"Schematic of {board.name}: {board.title}", pale=pale)


def svg_element(tag: str, words: str = "", **attributes: str | float) -> ET.Element:
    """Return an element of SVG; numbers are written with one digit behind the point, ``_`` in names becomes ``-``.

    Parameters
    ----------
    tag : str
        Its name.
    words : str
        Text in it; escaped when written.
    **attributes : str or float
        Its attributes.
    """
    made = ET.Element(tag)
    for name, value in attributes.items():
        shown = value if isinstance(value, str) else f"{value:.1f}".removesuffix(".0")
        made.set(name.rstrip("_").replace("_", "-"), shown)
    if words:
        made.text = words
    return made


def _drawn_symbols(symbols: Collection[Symbol], pale: Collection[str]) -> list[ET.Element]:
    """Return the symbols as the library draws them, at their places on the sheet."""
    import schemdraw
    from schemdraw import elements as elm
    from schemdraw.segments import Segment

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return point[0] / PX_PER_UNIT, -point[1] / PX_PER_UNIT

    def varistor() -> Element:
        made: Element = elm.ResistorIEC()  # type: ignore[no-untyped-call]
        made.segments.append(Segment([(0.1, -0.5), (0.25, -0.5), (0.75, 0.5)]))
        return made

    def insulation() -> Element:
        made = elm.Capacitor()
        made.segments.append(Segment([(0.09, 0.3), (0.09, -0.3)], ls=":"))
        return made

    def contact() -> Element:
        # a make contact without the circles that elsewhere say where a lead goes
        made = elm.Element2Term()
        nowhere = (math.nan, math.nan)
        made.segments.append(Segment([(0.0, 0.0), (0.15, 0.0), nowhere, (0.85, 0.0), (1.0, 0.0)]))
        made.segments.append(Segment([(0.15, 0.0), (0.85, 0.38)]))
        return made

    two_pins: dict[str, Callable[[], Any]] = {
        "resistor": elm.ResistorIEC,
        "shunt": elm.ResistorIEC,
        "fuse": elm.FuseIEEE,
        "coil": elm.Inductor,
        "relay": contact,
        "capacitor": elm.Capacitor,
        "diode": elm.Diode,
        "zener": elm.Zener,
        "varistor": varistor,
        "insulation": insulation,
    }
    drawing = schemdraw.Drawing(canvas="svg", show=False)
    drawing.config(lw=LINE_PX, margin=0.0, inches_per_unit=PX_PER_UNIT / 72.0)
    for symbol in symbols:
        color = PALE_INK if symbol.ref in pale else INK
        if symbol.shape == "driver":
            continue
        if symbol.shape in two_pins:
            made = two_pins[symbol.shape]().at(at(symbol.start)).to(at(symbol.end)).color(color)
            drawing.add(made.linestyle("--") if symbol.ref in pale else made)
            continue
        made, anchor = (elm.IgbtN(), "collector") if symbol.shape == "igbt" else (elm.NMos(), "drain")
        made = made.theta(0).anchor(anchor).at(at(symbol.start)).color(color)
        drawing.add(made.linestyle("--") if symbol.ref in pale else made)
    root = ET.fromstring(drawing.get_imagedata("svg"))
    found = list(root)
    for element in found:
        for inner in element.iter():
            inner.tag = inner.tag.removeprefix(f"{{{SVG}}}")
            style = inner.get("style", "").replace("stroke-dasharray:-;", "")
            if style:
                inner.set("style", style)
    return found


def _wires(canvas: Canvas) -> list[ET.Element]:
    path = "".join(
        f"M{wire.start[0]:.1f} {wire.start[1]:.1f}L{wire.end[0]:.1f} {wire.end[1]:.1f}" for wire in canvas.wires
    )
    return [svg_element("path", d=path, stroke=INK, stroke_width=LINE_PX, stroke_linecap="round", fill="none")]


def _joints(canvas: Canvas) -> list[ET.Element]:
    """Return a dot wherever at least three ends meet, or an end meets the middle of a wire."""
    ends: Counter[tuple[float, float]] = Counter()
    for wire in canvas.wires:
        ends.update({_rounded(wire.start), _rounded(wire.end)})
    for symbol in canvas.symbols:
        ends.update(
            {_rounded(symbol.start)} if symbol.shape == "driver" else {_rounded(symbol.start), _rounded(symbol.end)}
        )
    dots = []
    for (x, y), count in ends.items():
        through = any(
            (_inside(x, wire.start[0], wire.end[0]) and abs(y - wire.start[1]) < 0.1 and wire.start[1] == wire.end[1])
            or (
                _inside(y, wire.start[1], wire.end[1]) and abs(x - wire.start[0]) < 0.1 and wire.start[0] == wire.end[0]
            )
            for wire in canvas.wires
        )
        if count + 2 * through >= 3:
            dots.append(svg_element("circle", cx=x, cy=y, r=2.2, fill=INK))
    return dots


def _rounded(point: tuple[float, float]) -> tuple[float, float]:
    return round(point[0], 1), round(point[1], 1)


def _inside(value: float, one: float, other: float) -> bool:
    return min(one, other) + 0.1 < value < max(one, other) - 0.1


def _mark(mark: Mark) -> ET.Element:
    x, y = mark.at
    if mark.kind in ("terminal", "pad"):
        radius = 4.0 if mark.kind == "terminal" else 2.8
        return svg_element("circle", cx=x, cy=y, r=radius, fill="#ffffff", stroke=INK, stroke_width=LINE_PX)
    path = f"M{x - 4:.1f} {y:.1f}h8" if mark.kind == "bar" else f"M{x:.1f} {y - 4:.1f}v8"
    return svg_element("path", d=path, stroke=INK, stroke_width=LINE_PX, fill="none")


def _text(text: Text, pale: Collection[str]) -> ET.Element:
    color = PALE_INK if text.role in ("value", "net") or text.ref in pale else INK
    made = svg_element(
        "text", text.words, x=text.at[0], y=text.at[1], font_size=text.size, text_anchor=text.anchor, fill=color
    )
    if text.bold:
        made.set("font-weight", "bold")
    if text.role == "net":
        made.set("font-style", "italic")
    return made


def schematic_svg(
    plan: Floorplan,
    *,
    title: str,
    pale: Collection[str] = (),
    beneath: Layer | None = None,
    above: Layer | None = None,
    values: Mapping[str, str] | None = None,
) -> str:
    """Return a floor plan as a picture that needs nothing else.

    Parameters
    ----------
    plan : Floorplan
        What goes where.
    title : str
        What the picture shows, for those who do not see it.
    pale : collection of str
        Parts that are not there in this set-up; drawn dashed, with a note that says so.
    beneath, above : list of elements, optional
        What lies under and over the schematic.
    values : mapping of str to str, optional
        What to write under a part's name in place of its value.
    """
    width, height = plan.width, plan.height + (NOTE_HEIGHT if pale else 0.0)
    root = svg_element(
        "svg",
        xmlns=SVG,
        viewBox=f"0 0 {width:.0f} {height:.0f}",
        width=width,
        height=height,
        role="img",
        font_family=FACE,
    )
    root.append(svg_element("title", title))
    root.append(svg_element("rect", width=width, height=height, fill="#ffffff"))
    root.extend(_drawn(plan, pale, beneath, above, values))
    if pale:
        note = Text("Dashed: not there in this set-up.", (MARGIN, height - 8.0), "start", "note", 10.0)
        root.append(_text(note, ()))
    return ET.tostring(root, encoding="unicode") + "\n"


def schematic_strips(
    plan: Floorplan,
    *,
    title: str,
    beneath: Layer | None = None,
    above: Layer | None = None,
    values: Mapping[str, str] | None = None,
) -> str:
    """Return a floor plan as several pictures for a page of HTML, one below the other: paper may break between them.

    Parameters
    ----------
    plan : Floorplan
        What goes where.
    title : str
        What the pictures show, for those who do not see them.
    beneath, above : list of elements, optional
        What lies under and over the schematic.
    values : mapping of str to str, optional
        What to write under a part's name in place of its value.
    """
    source = svg_element("svg", xmlns=SVG, width=0.0, height=0.0)
    source.set("aria-hidden", "true")
    whole = svg_element("g", id=SHEET, font_family=FACE)
    whole.extend(_drawn(plan, (), beneath, above, values))
    defined = svg_element("defs")
    defined.append(whole)
    source.append(defined)
    pictures = [source]
    edges = (0.0, *plan.cuts, plan.height)
    for number, (top, bottom) in enumerate(itertools.pairwise(edges), 1):
        strip = svg_element("svg", xmlns=SVG, viewBox=f"0 {top:.0f} {plan.width:.0f} {bottom - top:.0f}", role="img")
        strip.append(svg_element("title", f"{title} Strip {number} of {len(edges) - 1}."))
        strip.append(svg_element("use", href=f"#{SHEET}"))
        pictures.append(strip)
    return "\n".join(ET.tostring(picture, encoding="unicode") for picture in pictures) + "\n"


def _drawn(
    plan: Floorplan,
    pale: Collection[str],
    beneath: Layer | None,
    above: Layer | None,
    values: Mapping[str, str] | None,
) -> Layer:
    """Return everything on a sheet, from the lowest layer up."""
    canvas, root = plan.canvas, [*(beneath or [])]
    for symbol in canvas.symbols:
        if symbol.shape == "driver":
            body = symbol.body
            root.append(
                svg_element(
                    "rect",
                    x=body.left,
                    y=body.top,
                    width=body.right - body.left,
                    height=body.bottom - body.top,
                    fill="none",
                    stroke=PALE_INK if symbol.ref in pale else INK,
                    stroke_width=LINE_PX,
                )
            )
    root.extend(_wires(canvas))
    root.extend(_drawn_symbols(canvas.symbols, pale))
    root.extend(_joints(canvas))
    root.extend(_mark(mark) for mark in canvas.marks)
    for text in canvas.texts:
        if text.role == "value" and values is not None:
            if text.ref in values:
                told = Text(
                    values[text.ref],
                    (text.at[0], text.at[1] + 0.5),
                    text.anchor,
                    "terminal",
                    plan.letters.of(PERCENT_SIZE),
                    text.ref,
                )
                root.append(_text(told, ()))
            continue
        if text.words:
            root.append(_text(text, pale))
    return [*root, *(above or [])]
