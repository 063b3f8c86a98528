"""Columns set out: each part with its label, switches with their gates, on a canvas with the column's axis at x = 0."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

from bridge.board import Board, Part
from bridge.canvas import ON_SCREEN, Box, Canvas, Lettering, Symbol, Text, text_width
from bridge.columns import Column, GateDrive, Hop
from bridge.units import format_compact

__all__ = ["ColumnDrawer", "column_height", "part_height"]

BODY, HALF = 30.0, 8.0
SWITCH = {"igbt": (41.8, 20.55, 29.65), "mosfet": (50.0, 25.0, 35.0)}  # height, reach to the gate, gate below the top
STAGE_HEIGHT, PART_HEIGHT, SPARE_END = 132.0, 66.0, 26.0
DRIVER_HEIGHT, DRIVER_BELOW = 40.0, 36.0
PERCENT = ">99 %"  # the widest a suspicion gets


def part_height(letters: Lettering) -> float:
    """Return the height of a part with two pins in a column [px]: its body, and the names of both nets.

    Parameters
    ----------
    letters : Lettering
        How large texts are.
    """
    return PART_HEIGHT + letters.of(24.0) - 24.0


def column_height(column: Column, rails: Collection[str], letters: Lettering) -> float:
    """Return the least height of a column [px].

    Parameters
    ----------
    column : Column
        The column.
    rails : collection of str
        Nets on which it may end without a mark of its own.
    letters : Lettering
        How large texts are.
    """
    single = part_height(letters)
    ends = sum(SPARE_END for net in (column.nets[0], column.nets[-1]) if net not in rails)
    own = sum(STAGE_HEIGHT if hop.gates else single for hop in column.hops)
    stretch = [1.0]
    for side in column.sides:
        # a chain beside the column has the height of the hops it spans
        span = [net for net in column.nets if net in side.nets] or [column.nets[0], column.nets[-1]]
        first = column.nets.index(span[0])
        last = column.nets.index(span[-1]) if len(span) > 1 else len(column.hops)
        have = sum(STAGE_HEIGHT if hop.gates else single for hop in column.hops[first:last])
        stretch.append(single * len(side.hops) / have)
    return ends + own * max(stretch)


class ColumnDrawer:
    """Draws columns of one board.

    Parameters
    ----------
    board : Board
        The board.
    named : collection of str
        Nets that are named at a loose end somewhere, and so must be named where they are drawn.
    drawn : collection of str
        Nets of rails and columns: their terminals are there, and loose ends only name them.
    letters : Lettering
        How large texts are.
    """

    def __init__(
        self,
        board: Board,
        named: Collection[str] = (),
        drawn: Collection[str] = (),
        letters: Lettering = ON_SCREEN,
    ) -> None:
        self.board, self.letters = board, letters
        self.named, self.drawn = named, drawn
        self.driver_height = max(DRIVER_HEIGHT, letters.of(30.0))
        self.terminals: dict[str, list[str]] = {}
        for terminal in board.terminals.values():
            self.terminals.setdefault(terminal.net, []).append(terminal.name)
        switches = [part for part in board.parts.values() if part.position is not None and part.kind in SWITCH]
        self.at_switches = {f"{prefix}_{part.position}" for part in switches for prefix in "GE"}

    # --- names of nets

    def names_on(self, net: str) -> tuple[list[str], list[str]]:
        """Return the main terminals and the other pads on a net that no switch shows."""
        names = [name for name in self.terminals.get(net, []) if name not in self.at_switches]
        main = [name for name in names if self.board.terminals[name].access == "terminal"]
        return main, [name for name in names if name not in main]

    def flag(self, canvas: Canvas, net: str, x: float, y: float, side: str, *, own: bool = False) -> None:
        """Name a net at an end of a wire.

        Parameters
        ----------
        canvas : Canvas
            What to draw on.
        net : str
            The net.
        x, y : float
            Where the wire ends [px].
        side : str
            Where its name goes: ``above``, ``below``, ``left`` or ``right``.
        own : bool
            Whether the net's terminals are here, and not where it is drawn.
        """
        main, pads = self.names_on(net) if own or net not in self.drawn else ([], [])
        if main or pads:
            canvas.mark((x, y), "terminal" if main else "pad", [*main, *pads])
        else:  # a short bar: the net goes on where it is drawn
            canvas.mark((x, y), "bar" if side in ("above", "below") else "upright-bar")
        words = " \N{MIDDLE DOT} ".join([*main, *pads]) or next(iter(self.names_on(net)[0]), net)
        role = "terminal" if main else "pad" if pads else "net"
        size = self.letters.large if main else self.letters.small
        at, anchor = {
            "above": ((x, y - max(7.0, 3.5 + 0.27 * size)), "middle"),
            "below": ((x, y + 6.0 + 0.8 * size), "middle"),
            "left": ((x - 7.0, y + 0.36 * size), "end"),
            "right": ((x + 7.0, y + 0.36 * size), "start"),
        }[side]
        canvas.texts.append(Text(words, at, anchor, role, size))

    # --- parts

    def _value(self, part: Part) -> str:
        signs = {"ohms": "\N{GREEK CAPITAL LETTER OMEGA}", "farads": "F"}
        name = next((name for name in signs if name in part.values and part.kind in ("resistor", "capacitor")), None)
        if name is None:
            return ""
        text = format_compact(part.values[name]).replace("u", "\N{MICRO SIGN}")
        return f"{text[:-1]} {text[-1]}{signs[name]}" if not text[-1].isdigit() else f"{text} {signs[name]}"

    def label_width(self, ref: str) -> float:
        """Return the width that a part's label needs, with its value or a suspicion under it [px]."""
        value = self._value(self.board.parts[ref])
        return max(
            text_width(ref, self.letters.label),
            text_width(value, self.letters.small),
            text_width(PERCENT, self.letters.label, bold=True),
        )

    def label(self, canvas: Canvas, ref: str, x: float, y: float, anchor: str) -> None:
        """Write a part's name and value, two lines about a height [px]."""
        under = y + self.letters.of(10.5)
        canvas.texts.append(Text(ref, (x, y - self.letters.of(2.0)), anchor, "part", self.letters.label, ref))
        canvas.texts.append(
            Text(self._value(self.board.parts[ref]), (x, under), anchor, "value", self.letters.small, ref)
        )
        canvas.kept.append(Text(PERCENT, (x, under), anchor, "terminal", self.letters.label).box)

    def upright(self, canvas: Canvas, ref: str, x: float, y0: float, y1: float, upper: str) -> None:
        """Draw a part with two pins from top to bottom, its label to the right."""
        part = self.board.parts[ref]
        middle = (y0 + y1) / 2.0
        body = Box(x - HALF, middle - BODY / 2.0, x + HALF, middle + BODY / 2.0)
        points = [(x, y0), (x, y1)]
        self._two_pins(canvas, part, points, upper, body)
        self.label(canvas, ref, x + HALF + 5.0, middle, "start")

    def flat(self, canvas: Canvas, ref: str, y: float, x0: float, x1: float, left: str) -> None:
        """Draw a part with two pins from left to right, its label above."""
        part = self.board.parts[ref]
        middle = (x0 + x1) / 2.0
        body = Box(middle - BODY / 2.0, y - HALF, middle + BODY / 2.0, y + HALF)
        self._two_pins(canvas, part, [(x0, y), (x1, y)], left, body)
        self.label(canvas, ref, middle, y - 11.5 - self.letters.of(10.5), "middle")

    def _two_pins(
        self, canvas: Canvas, part: Part, points: list[tuple[float, float]], first_net: str, body: Box
    ) -> None:
        first, second = part.pins
        if part.pins[first] != first_net and part.pins[second] == first_net:
            points = points[::-1]
        shape = "zener" if part.kind == "diode" and part.ref.startswith("Z") else part.kind
        canvas.symbols.append(Symbol(part.ref, shape, points[0], points[1], body))
        canvas.pins[part.ref, first], canvas.pins[part.ref, second] = points

    def driver_box(self, canvas: Canvas, ref: str, right: float, y: float) -> float:
        """Draw a driver stage with its output on the right; return its left edge [px]."""
        part = self.board.parts[ref]
        width = self.label_width(ref) + 12.0
        left, top, bottom = right - width, y - self.driver_height / 2.0, y + self.driver_height / 2.0
        x = (left + right) / 2.0
        canvas.symbols.append(Symbol(ref, "driver", (right, y), (x, bottom), Box(left, top, right, bottom)))
        self.label(canvas, ref, x, y, "middle")
        supply, common = part.pins["supply"], part.pins["common"]
        canvas.wire(supply, (x, top), (x, top - 6.0))
        canvas.wire(common, (x, bottom), (x, bottom + 6.0))
        self.flag(canvas, supply, x, top - 6.0, "above")
        self.flag(canvas, common, x, bottom + 6.0, "below")
        canvas.pins |= {(ref, "out"): (right, y), (ref, "supply"): (x, top), (ref, "common"): (x, bottom)}
        return left

    # --- switches

    def _switch(self, gate: GateDrive, y0: float, y1: float) -> tuple[Canvas, float]:
        """Return a switch on its own canvas, axis at 0, and where the room to its right begins [px]."""
        canvas, part = Canvas(), self.board.parts[gate.switch]
        height, reach, below = SWITCH[part.kind]
        low_net = part.pins["emitter" if part.kind == "igbt" else "source"]
        high_pin, _, _ = part.pins
        top = y0 + 31.0
        y_gate, bottom = top + below, top + height
        high, low = part.pins[high_pin], low_net
        canvas.symbols.append(Symbol(part.ref, part.kind, (0.0, top), (0.0, bottom), Box(-reach, top, 2.0, bottom)))
        canvas.wire(high, (0.0, y0), (0.0, top))
        canvas.wire(low, (0.0, bottom), (0.0, y1))
        low_pin = "emitter" if part.kind == "igbt" else "source"
        canvas.pins |= {
            (part.ref, high_pin): (0.0, top),
            (part.ref, low_pin): (0.0, bottom),
            (part.ref, "gate"): (-reach, y_gate),
        }
        self.label(canvas, part.ref, 8.0, top + height / 2.0, "start")
        right = 8.0 + self.label_width(part.ref)
        emitter, gate_lead = f"E_{part.position}", f"G_{part.position}"
        if emitter in self.board.terminals and self.board.terminals[emitter].net == low:
            at = (0.0, y1 - 16.0)
            canvas.mark(at, "pad", [emitter])
            canvas.texts.append(Text(emitter, (7.0, at[1] + self.letters.of(3.5)), "start", "pad", self.letters.small))
            right = max(right, 7.0 + text_width(emitter, self.letters.small))
        self._gate(canvas, gate, gate_lead, low, -reach, y_gate, y1)
        return canvas, right

    def _gate(self, canvas: Canvas, gate: GateDrive, lead: str, low: str, x: float, y: float, y_low: float) -> None:
        """Draw what is at a gate, from the switch's gate at x to the left."""
        net = self.board.parts[gate.switch].pins["gate"]
        start = x
        if lead in self.board.terminals and self.board.terminals[lead].net == net:
            width = text_width(lead, self.letters.small)
            x -= 5.0 + width / 2.0
            canvas.mark((x, y), "pad", [lead])
            canvas.texts.append(Text(lead, (x, y - 7.0), "middle", "pad", self.letters.small))
            canvas.wire(net, (start, y), (x, y))
            x -= width / 2.0 + 2.0
        elif net in self.named and gate.drive != net:
            width = text_width(net, self.letters.small)
            canvas.texts.append(Text(net, (x - 3.0, y - 7.0), "end", "net", self.letters.small))
            x -= width + 6.0
        else:
            x -= 14.0
        for number, clamp in enumerate(gate.clamps):
            if number:
                x -= HALF + 6.0
            self._clamp(canvas, clamp, net, low, x, y, y_low)
            last = x
            x -= HALF + 7.0 + self.label_width(clamp)
            canvas.wire(net, (start, y), (last, y))
            start = last
        if gate.clamps and gate.series is not None:
            x = start
        if gate.series is not None:
            long = max(BODY + 14.0, self.label_width(gate.series) + 6.0)
            x -= 5.0
            canvas.wire(net, (start, y), (x, y))
            self.flat(canvas, gate.series, y, x - long, x, gate.drive)
            x -= long
            start = x
        pads = [name for name in self.terminals.get(gate.drive, []) if name != lead]
        if gate.driver is None:
            if gate.series is not None or pads or gate.drive in self.named:
                canvas.wire(gate.drive, (start, y), (x - 6.0, y))
                self.flag(canvas, gate.drive, x - 6.0, y, "left")
            return
        if pads or gate.drive in self.named:
            words = " \N{MIDDLE DOT} ".join(pads) or gate.drive
            width = text_width(words, self.letters.small)
            at = (x - 3.0 - width / 2.0, y)
            if pads:
                canvas.mark(at, "pad", pads)
            canvas.texts.append(
                Text(
                    words,
                    (at[0], y + 4.5 + self.letters.of(9.5)),
                    "middle",
                    "pad" if pads else "net",
                    self.letters.small,
                )
            )
            x -= width + 6.0
        else:
            x -= 10.0
        canvas.wire(gate.drive, (start, y), (x, y))
        self.driver_box(canvas, gate.driver, x, y)

    def _clamp(self, canvas: Canvas, ref: str, net: str, low: str, x: float, y: float, y_low: float) -> None:
        """Draw a part from gate to emitter, its label to the left."""
        part = self.board.parts[ref]
        middle = (y + y_low) / 2.0 + 4.0
        body = Box(x - HALF, middle - BODY / 2.0, x + HALF, middle + BODY / 2.0)
        self._two_pins(canvas, part, [(x, y), (x, y_low)], net, body)
        canvas.wire(low, (x, y_low), (0.0, y_low))
        self.label(canvas, ref, x - HALF - 4.0, middle + 4.0, "end")

    # --- columns

    def hop(self, canvas: Canvas, hop: Hop, nets: tuple[str, str], y0: float, y1: float) -> None:
        """Draw what lies between two levels, side by side, joined by wires at both."""
        upper, lower = nets
        at: list[float] = []
        waiting = list(hop.parts)
        cursor: float | None = None
        for gate in hop.gates:
            one, right = self._switch(gate, y0, y1)
            dx = 0.0 if cursor is None else cursor - one.box.left
            canvas.add(one, dx)
            at.append(dx)
            cursor = dx + right + 6.0
            position = self.board.parts[gate.switch].position
            for ref in [ref for ref in waiting if self.board.parts[ref].position == position and position]:
                waiting.remove(ref)
                cursor = self._beside(canvas, ref, cursor + HALF, y0, y1, upper, at)
        for ref in waiting:
            part = self.board.parts[ref]
            if part.kind == "driver":
                width = self.label_width(ref) / 2.0 + 6.0
                level = y0 + self.driver_height / 2.0 + DRIVER_BELOW
                self.driver_box(canvas, ref, width, level)
                canvas.wire(upper, (0.0, y0), (0.0, y0 + 4.0), (width + 8.0, y0 + 4.0))
                canvas.wire(upper, (width + 8.0, y0 + 4.0), (width + 8.0, level), (width, level))
                continue
            cursor = self._beside(canvas, ref, 0.0 if cursor is None else cursor + HALF, y0, y1, upper, at)
        for left, right in itertools.pairwise(sorted(at)):
            canvas.wire(upper, (left, y0), (right, y0))
            canvas.wire(lower, (left, y1), (right, y1))

    def _beside(self, canvas: Canvas, ref: str, x: float, y0: float, y1: float, upper: str, at: list[float]) -> float:
        self.upright(canvas, ref, x, y0, y1, upper)
        at.append(x)
        return x + HALF + 5.0 + self.label_width(ref) + 8.0

    def column(self, column: Column, levels: Sequence[float], inner: str) -> Canvas:
        """Return a column on its own canvas.

        Parameters
        ----------
        column : Column
            The column; its ends are left bare, chains beside it are left out.
        levels : sequence of float
            Height of each of its nets [px].
        inner : str
            Where its inner terminals go: ``left``, ``right``, or ``none`` if a link will name them.
        """
        canvas = Canvas()
        for hop, nets, (y0, y1) in zip(
            column.hops, itertools.pairwise(column.nets), itertools.pairwise(levels), strict=True
        ):
            self.hop(canvas, hop, nets, y0, y1)
        for net, y in list(zip(column.nets, levels, strict=True))[1:-1]:
            if net:
                self._inner_net(canvas, column, net, y, inner)
        return canvas

    def _inner_net(self, canvas: Canvas, column: Column, net: str, y: float, inner: str) -> None:
        main, pads = self.names_on(net)
        at_level = [x for wire in canvas.wires for x, level in (wire.start, wire.end) if level == y]
        left, right = min([0.0, *at_level]), max([0.0, *at_level])
        lead_in = next((one for one in column.lead_ins if one.net == net), None)
        if lead_in is not None:
            far, part = left - 12.0 - max(BODY + 12.0, self.label_width(lead_in.part) + 6.0), lead_in.part
            canvas.wire(net, (left, y), (left - 12.0, y))
            self.flat(canvas, part, y, far, left - 12.0, lead_in.far)
            canvas.wire(lead_in.far, (far, y), (far - 6.0, y))
            self.flag(canvas, lead_in.far, far - 6.0, y, "left", own=True)
        words = " \N{MIDDLE DOT} ".join([*main, *pads]) or net
        if main and inner == "right" and any(net in side.nets for side in column.sides):
            # the wire goes on to the chain beside, so the name stands above it
            canvas.wire(net, (right, y), (right + 12.0, y))
            canvas.mark((right + 12.0, y), "terminal", [*main, *pads])
            canvas.texts.append(Text(words, (right + 6.0, y - 8.0), "start", "terminal", self.letters.large))
        elif main and inner == "right":
            canvas.wire(net, (right, y), (right + 14.0, y))
            self.flag(canvas, net, right + 14.0, y, "right", own=True)
        elif main and inner == "left" and lead_in is None:
            canvas.wire(net, (left, y), (left - 14.0, y))
            self.flag(canvas, net, left - 14.0, y, "left", own=True)
        elif (main and inner != "none") or pads or (net in self.named and not main):
            if main or pads:
                canvas.mark((0.0, y), "pad", [*main, *pads])
            at, anchor = (
                ((-self.letters.of(6.0), y + 10.0 + self.letters.of(3.0)), "end")
                if lead_in is None
                else ((self.letters.of(6.0), y + 10.0 + self.letters.of(3.0)), "start")
            )
            canvas.texts.append(Text(words, at, anchor, "pad" if main or pads else "net", self.letters.small))
