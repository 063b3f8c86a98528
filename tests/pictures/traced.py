"""What a drawing says, read back from its lines alone: which pins its wires join, and what lies on what."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import networkx as nx

from bridge.canvas import Box, Canvas, Point, Wire
from bridge.floorplan import Floorplan

NEAR = 0.05  # ends of wires nearer than this meet [px]
READS = 26.0  # a name nearer than this to a wire's end is its name [px]


def span(start: Point, end: Point) -> Box:
    """Return what a straight line covers."""
    return Box(min(start[0], end[0]), min(start[1], end[1]), max(start[0], end[0]), max(start[1], end[1]))


def on(point: Point, start: Point, end: Point) -> bool:
    """Return whether a point is on a straight upright or level line."""
    (x, y), (x0, y0), (x1, y1) = point, start, end
    return (x0 - NEAR <= x <= x1 + NEAR or x1 - NEAR <= x <= x0 + NEAR) and (
        y0 - NEAR <= y <= y1 + NEAR or y1 - NEAR <= y <= y0 + NEAR
    )


def joined(canvas: Canvas) -> nx.Graph:
    """Return which wires, pins and marks touch: an end on a line joins, two lines that cross do not."""
    graph: nx.Graph = nx.Graph()
    points: list[tuple[object, Point]] = [(pin, at) for pin, at in canvas.pins.items()]
    points += [(mark, mark.at) for mark in canvas.marks]
    for thing, _ in points:
        graph.add_node(thing)
    for one in canvas.wires:
        graph.add_node(one)
        for other in canvas.wires:
            if on(one.start, other.start, other.end) or on(one.end, other.start, other.end):
                graph.add_edge(one, other)
        for thing, at in points:
            if on(at, one.start, one.end):
                graph.add_edge(thing, one)
    for (one, here), (other, there) in itertools.combinations(points, 2):
        if abs(here[0] - there[0]) < NEAR and abs(here[1] - there[1]) < NEAR:
            graph.add_edge(one, other)
    return graph


def shorts(plan: Floorplan) -> list[str]:
    """Return pins that the drawing joins and the board does not."""
    found = []
    for piece in nx.connected_components(joined(plan.canvas)):
        pins = [thing for thing in piece if isinstance(thing, tuple)]
        nets = {plan.board.parts[ref].pins[pin] for ref, pin in pins}
        nets |= {thing.net for thing in piece if isinstance(thing, Wire)}
        if len(nets) > 1:
            found.append(f"{sorted(nets)} at {sorted(pins)}")
    return found


def nameless(plan: Floorplan) -> list[str]:
    """Return nets drawn in pieces of which one has no name beside it, so that nobody could tell where it goes on."""
    pieces: dict[str, list[set[object]]] = {}
    for piece in nx.connected_components(joined(plan.canvas)):
        for net in {plan.board.parts[thing[0]].pins[thing[1]] for thing in piece if isinstance(thing, tuple)}:
            pieces.setdefault(net, []).append(piece)
    names: dict[str, set[str]] = {}
    for terminal in plan.board.terminals.values():
        names.setdefault(terminal.net, set()).add(terminal.name)
    texts = [(text, set(text.words.split(" \N{MIDDLE DOT} "))) for text in plan.canvas.texts]
    found = []
    for net, parted in pieces.items():
        known = names.get(net, set()) | {net}
        labels = [text.box for text, words in texts if words & known]
        for piece in parted if len(parted) > 1 else []:
            spans = [span(one.start, one.end) for one in piece if isinstance(one, Wire)]
            spans += [
                span(plan.canvas.pins[thing], plan.canvas.pins[thing]) for thing in piece if thing in plan.canvas.pins
            ]
            if not any(label.overlaps(box, READS) for label in labels for box in spans):
                found.append(net)
    return found


def collisions(plan: Floorplan) -> Iterator[str]:
    """Return every text that lies on another, on a symbol, on a wire or on a mark, and symbols on one another."""
    canvas = plan.canvas
    texts = [text for text in canvas.texts if text.words]
    for one, other in itertools.combinations(texts, 2):
        if one.box.overlaps(other.box, -0.3):
            yield f"{one.words} on {other.words}"
    for text in texts:
        box = text.box
        for symbol in canvas.symbols:
            own_box = symbol.shape == "driver" and symbol.ref == text.ref
            leads = span(symbol.start, symbol.end)
            if not own_box and (
                box.overlaps(symbol.body, -0.5) or (symbol.shape != "driver" and box.overlaps(leads, -0.5))
            ):
                yield f"{text.words} on {symbol.ref}"
        for wire in canvas.wires:
            if box.overlaps(span(wire.start, wire.end), -0.5):
                yield f"{text.words} on a wire of {wire.net}"
        for mark in canvas.marks:
            if box.overlaps(Box(mark.at[0] - 3, mark.at[1] - 3, mark.at[0] + 3, mark.at[1] + 3), -0.5):
                yield f"{text.words} on a mark"
    for one, other in itertools.combinations(canvas.symbols, 2):
        if one.body.overlaps(other.body):
            yield f"{one.ref} on {other.ref}"
