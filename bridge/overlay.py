"""What is laid over a schematic: how suspect each part is, where the leads go, which way the meter's current takes.

Nothing is told by colour alone: suspicion is printed as a percentage and drawn as a heavier frame, leads carry their
name, and the current's way is a band with arrowheads. So it holds for readers who confuse colours and in black and
white print.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import networkx as nx

from bridge.canvas import Box, Point, Symbol, Text
from bridge.floorplan import Floorplan
from bridge.schematic import INK, PERCENT_SIZE, Layer, svg_element
from bridge.units import percent
from bridge.why import MeterPath, PathStep

__all__ = ["SHADES", "Shade", "lead_layer", "path_layer", "path_points", "shade_of", "suspicion_layer"]


@dataclass(frozen=True, slots=True)
class Shade:
    """How a part of at least some suspicion is drawn.

    Parameters
    ----------
    least : float
        From which probability on [1].
    fill : str
        Colour; lighter ones for less, so that they stay apart in grey.
    frame : float
        Width of its frame [px].
    dashes : str
        Dashes of its frame; empty for a solid one.
    words : str
        What it means.
    """

    least: float
    fill: str
    frame: float
    dashes: str
    words: str


SHADES = (
    Shade(0.5, "#eda13a", 2.6, "", "50 % or more"),
    Shade(0.1, "#f6cd8a", 1.4, "", "10 to 50 %"),
    Shade(0.01, "#fcefd6", 1.0, "3 2.4", "1 to 10 %"),
)
PATH_INK = "#1d5fae"
RED_INK = "#b3001b"
BAND = 7.0
PAD = 2.5
LEAD_SIZE = 11.0
LEADER, REACH = 12.0, 110.0
WIDEST = ">99 %"
SAME = 0.1  # points nearer than this are one [px]


def shade_of(probability: float) -> Shade | None:
    """Return how a part is shaded, None where it is hardly suspect.

    Parameters
    ----------
    probability : float
        That the part is faulty [1].
    """
    return next((shade for shade in SHADES if probability >= shade.least), None)


def suspicion_layer(plan: Floorplan, suspicion: Mapping[str, float]) -> Layer:
    """Return a frame under each suspect part and its name.

    Parameters
    ----------
    plan : Floorplan
        Where the parts are.
    suspicion : mapping of str to float
        Probability of each part to be faulty [1].
    """
    frames: Layer = []
    for symbol in plan.canvas.symbols:
        shade = shade_of(suspicion.get(symbol.ref, 0.0))
        if shade is None:
            continue
        boxes = [symbol.body]
        share = percent(suspicion[symbol.ref])
        boxes += [_at_most(plan, text, share) for text in plan.canvas.texts if text.ref == symbol.ref]
        left, top = min(box.left for box in boxes) - PAD, min(box.top for box in boxes) - PAD
        right, bottom = max(box.right for box in boxes) + PAD, max(box.bottom for box in boxes) + PAD
        frame = svg_element(
            "rect",
            x=left,
            y=top,
            width=right - left,
            height=bottom - top,
            rx=4.0,
            fill=shade.fill,
            stroke=INK,
            stroke_width=shade.frame,
        )
        if shade.dashes:
            frame.set("stroke-dasharray", shade.dashes)
        frames.append(frame)
    return frames


def _at_most(plan: Floorplan, text: Text, share: str) -> Box:
    """Return what a label covers once a suspicion may stand in place of its value."""
    if text.role != "value":
        return text.box
    return replace(text, words=share, role="terminal", size=plan.letters.of(PERCENT_SIZE)).box


# --- leads


def _spot(plan: Floorplan, lead: str) -> Point | None:
    """Return where a lead goes: a terminal, or a part's pin."""
    if lead in plan.canvas.spots:
        return plan.canvas.spots[lead]
    ref, _, pin = lead.partition(".")
    return plan.canvas.pins.get((ref, pin))


def _occupied(plan: Floorplan) -> list[Box]:
    canvas = plan.canvas
    boxes = [symbol.body for symbol in canvas.symbols] + [_at_most(plan, text, WIDEST) for text in canvas.texts]
    for wire in canvas.wires:
        (x0, y0), (x1, y1) = wire.start, wire.end
        boxes.append(Box(min(x0, x1) - 1, min(y0, y1) - 1, max(x0, x1) + 1, max(y0, y1) + 1))
    return boxes


def _shared(box: Box, others: Iterable[Box]) -> float:
    """Return how much of a rectangle lies on others [px²]."""
    area = 0.0
    for other in others:
        wide = min(box.right, other.right) - max(box.left, other.left)
        high = min(box.bottom, other.bottom) - max(box.top, other.top)
        if wide > 0 and high > 0:
            area += wide * high + 1.0
    return area


def lead_layer(plan: Floorplan, red: str, black: str) -> Layer:
    """Return the two leads, each with its name, put where they hide least.

    Parameters
    ----------
    plan : Floorplan
        Where the terminals are.
    red, black : str
        Terminal or ``PART.pin`` under each lead.
    """
    layer: Layer = []
    taken, names = _occupied(plan), [_at_most(plan, text, WIDEST) for text in plan.canvas.texts]
    for word, lead in (("red", red), ("black", black)):
        spot = _spot(plan, lead)
        if spot is None:
            continue
        wide, high = plan.letters.of(30.0 if word == "red" else 40.0), plan.letters.of(16.0)
        reach = Box(spot[0] - REACH, spot[1] - REACH, spot[0] + REACH, spot[1] + REACH)
        nearby, words = ([box for box in boxes if box.overlaps(reach)] for boxes in (taken, names))
        best: tuple[float, Box] | None = None
        for ring, turn in itertools.product((LEADER, 22.0, 36.0, 54.0), range(16)):
            angle = turn * math.pi / 8.0
            x = spot[0] + math.cos(angle) * (ring + wide / 2.0)
            y = spot[1] + math.sin(angle) * (ring + high / 2.0)
            box = Box(x - wide / 2.0, y - high / 2.0, x + wide / 2.0, y + high / 2.0)
            inside = (
                box.left > 2.0 and box.right < plan.width - 2.0 and box.top > 2.0 and box.bottom < plan.height - 2.0
            )
            leader = [_dot(spot, (x, y), share) for share in (0.25, 0.4, 0.55, 0.7)]
            cost = (
                _shared(box, nearby)
                + sum(_shared(dot, words) for dot in leader)
                + ring * 0.5
                + (0.0 if inside else 1e4)
            )
            if best is None or cost < best[0]:
                best = cost, box
        assert best is not None
        layer += _lead(word, spot, best[1], plan.letters.of(LEAD_SIZE))
        taken.append(best[1])
    return layer


def _dot(start: Point, end: Point, share: float) -> Box:
    x, y = start[0] + (end[0] - start[0]) * share, start[1] + (end[1] - start[1]) * share
    return Box(x - 2.0, y - 2.0, x + 2.0, y + 2.0)


def _lead(word: str, spot: Point, box: Box, size: float) -> Layer:
    x, y = (box.left + box.right) / 2.0, (box.top + box.bottom) / 2.0
    ink = RED_INK if word == "red" else "#000000"
    edge = min(max(spot[0], box.left), box.right), min(max(spot[1], box.top), box.bottom)
    return [
        svg_element(
            "line", x1=edge[0], y1=edge[1], x2=spot[0], y2=spot[1], stroke=ink, stroke_width=3.0, stroke_linecap="round"
        ),
        svg_element("circle", cx=spot[0], cy=spot[1], r=4.4, fill=ink),
        svg_element(
            "rect",
            x=box.left,
            y=box.top,
            width=box.right - box.left,
            height=box.bottom - box.top,
            rx=8.0,
            fill="#ffffff" if word == "red" else "#000000",
            stroke=ink,
            stroke_width=2.0,
        ),
        svg_element(
            "text",
            word,
            x=x,
            y=y + 0.36 * size,
            font_size=size,
            font_weight="bold",
            text_anchor="middle",
            fill=ink if word == "red" else "#ffffff",
        ),
    ]


# --- the way of the current


def _net(plan: Floorplan, place: str) -> str:
    terminal = plan.board.terminals.get(place)
    return place if terminal is None else terminal.net


def _ends(plan: Floorplan, step: PathStep) -> tuple[Point, Point] | None:
    """Return where the current enters and leaves a part."""
    pins = plan.board.parts[step.part].pins
    start, end = _net(plan, step.start), _net(plan, step.end)
    entry = next((pin for pin, net in pins.items() if net == start), None)
    leave = next((pin for pin, net in pins.items() if net == end and pin != entry), None)
    if len(pins) == 2 and (entry is None) != (leave is None):  # a link without resistance lends its net another name
        other = next(pin for pin in pins if pin not in (entry, leave))
        entry, leave = entry or other, leave or other
    if entry is None or leave is None:
        return None
    return plan.canvas.pins[step.part, entry], plan.canvas.pins[step.part, leave]


def _through(plan: Floorplan, net: str, start: Point, end: Point) -> list[list[Point]]:
    """Return the way along the wires of a net; in two pieces, each up to the net's name, where it is drawn apart."""
    graph: nx.Graph = nx.Graph()
    graph.add_nodes_from((start, end))
    wires = [wire for wire in plan.canvas.wires if wire.net == net]
    points = {start, end, *(point for wire in wires for point in (wire.start, wire.end))}
    for wire in wires:
        on = [point for point in points if _is_on(point, wire.start, wire.end)]
        on.sort(key=lambda point: math.dist(point, wire.start))
        for one, other in itertools.pairwise(on):
            graph.add_edge(one, other, length=math.dist(one, other))
    for one, other in itertools.combinations(sorted(points), 2):  # points a hair apart are one place
        if math.dist(one, other) < SAME:
            graph.add_edge(one, other, length=0.0)
    if nx.has_path(graph, start, end):
        return [nx.shortest_path(graph, start, end, weight="length")]
    named = [mark.at for mark in plan.canvas.marks if mark.at in graph]
    pieces = []
    for point in (start, end):
        ways = nx.single_source_dijkstra_path(graph, point, weight="length")
        here = [ways[mark] for mark in named if mark in ways]
        pieces.append(min(here, key=len) if here else [point])
    return [pieces[0], pieces[1][::-1]]


def _is_on(point: Point, start: Point, end: Point) -> bool:
    return abs(math.dist(point, start) + math.dist(point, end) - math.dist(start, end)) < SAME


def _across(symbol: Symbol | None, start: Point, end: Point) -> list[Point]:
    """Return the way through a part: straight, or round the corner of a gate or a driver."""
    if symbol is not None and symbol.shape == "driver":
        return [start, (end[0], start[1]) if start[0] != symbol.end[0] else (start[0], end[1]), end]
    if symbol is not None and symbol.shape in ("igbt", "mosfet") and start[0] != end[0]:
        corner = (symbol.start[0], start[1]) if start[0] != symbol.start[0] else (symbol.start[0], end[1])
        return [start, corner, end]
    return [start, end]


def path_points(plan: Floorplan, path: MeterPath) -> list[list[Point]]:
    """Return the way a meter's current takes, in pieces that hang together on the sheet.

    Parameters
    ----------
    plan : Floorplan
        Where everything is.
    path : MeterPath
        The way, from `bridge.why.path_of`.
    """
    if not path.steps:
        return []
    symbols = {symbol.ref: symbol for symbol in plan.canvas.symbols}
    places = [_net(plan, step.start) for step in path.steps] + [_net(plan, path.steps[-1].end)]
    leads = [path.probing.red, path.probing.black]
    if plan.board.net_of(leads[0]) != places[0]:  # the current leaves by the black lead
        leads.reverse()
    pieces: list[list[Point]] = []
    here = _spot(plan, leads[0])
    for step, net in zip(path.steps, places, strict=False):
        ends = _ends(plan, step)
        if ends is not None:
            if here is not None:
                pieces += _through(plan, net, here, ends[0])
            pieces.append(_across(symbols.get(step.part), *ends))
        here = ends[1] if ends is not None else None
    spot = _spot(plan, leads[1])
    if here is not None and spot is not None:
        pieces += _through(plan, places[-1], here, spot)
    joined: list[list[Point]] = []
    for piece in pieces:
        if joined and piece and math.dist(joined[-1][-1], piece[0]) < SAME:
            joined[-1] += piece[1:]
        elif piece:
            joined.append([*piece])
    return [piece for piece in joined if len(piece) > 1]


def path_layer(plan: Floorplan, path: MeterPath) -> Layer:
    """Return the way a meter's current takes from lead to lead, as a band with arrowheads.

    Parameters
    ----------
    plan : Floorplan
        Where everything is.
    path : MeterPath
        The way, from `bridge.why.path_of`.
    """
    layer: Layer = []
    pieces = path_points(plan, path)
    for points in pieces:
        way = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        band = svg_element("path", d=way, fill="none", stroke=PATH_INK, stroke_opacity="0.38", stroke_width=BAND)
        band.set("stroke-linejoin", "round")
        band.set("stroke-linecap", "round")
        layer.append(band)
    bodies = [symbol.body for symbol in plan.canvas.symbols]
    for points in pieces:
        layer += [arrow for start, end in itertools.pairwise(points) for arrow in _arrows(start, end, bodies)]
    return layer


def _arrows(start: Point, end: Point, bodies: Iterable[Box]) -> Layer:
    """Return an arrowhead in the middle of a straight piece, none where it is short or would hide a symbol."""
    long = math.dist(start, end)
    if long < 24.0:
        return []
    ux, uy = (end[0] - start[0]) / long, (end[1] - start[1]) / long
    for share in (0.5, 0.25, 0.75, 0.12):
        x, y = start[0] + ux * long * share, start[1] + uy * long * share
        if not any(body.overlaps(Box(x - 5.0, y - 5.0, x + 5.0, y + 5.0)) for body in bodies):
            tip, back = 6.0, 5.0
            corners = [
                (x + ux * tip, y + uy * tip),
                (x - ux * back - uy * 5.0, y - uy * back + ux * 5.0),
                (x - ux * back + uy * 5.0, y - uy * back - ux * 5.0),
            ]
            return [svg_element("polygon", points=" ".join(f"{a:.1f},{b:.1f}" for a, b in corners), fill=PATH_INK)]
    return []
