"""Where everything goes on a sheet: columns between rails in rows as the width asks for, the rest in a strip."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from bridge.board import Board
from bridge.canvas import ON_SCREEN, Box, Canvas, Lettering, Text, Wire, text_width
from bridge.cells import BODY, SPARE_END, STAGE_HEIGHT, ColumnDrawer, column_height, part_height
from bridge.columns import BoardColumns, Column, Hop, RailLink, arrange_columns, in_asked_order

__all__ = ["MARGIN", "Floorplan", "plan_floor"]

Item = Column | RailLink

MARGIN, GAP, ROW_GAP = 12.0, 12.0, 30.0
LINK_PITCH = 46.0
STRIP_GAP, STRIP_LEAST, STRIP_TITLE_SIZE = 40.0, 300.0, 12.0
STRIP_TITLES = ("Beside the bridge, with the nets they join", "Beside the bridge")  # the first that fits


@dataclass(frozen=True)
class Floorplan:
    """A board set out on a sheet.

    Parameters
    ----------
    board : Board
        The board.
    canvas : Canvas
        What is drawn, from the upper left corner on.
    width, height : float
        Size of the sheet [px].
    letters : Lettering
        How large its texts are.
    cuts : tuple of float
        Heights at which it may be cut into strips, between one row and the next [px].
    """

    board: Board
    canvas: Canvas
    width: float
    height: float
    letters: Lettering = ON_SCREEN
    cuts: tuple[float, ...] = ()


def plan_floor(board: Board, width: float = 1210.0, letters: Lettering = ON_SCREEN) -> Floorplan:
    """Set a board out on a sheet.

    Parameters
    ----------
    board : Board
        The board.
    width : float
        How wide the sheet should be [px]; one column may be wider.
    letters : Lettering
        How large its texts are.
    """
    return _Planner(board, arrange_columns(board), width, letters).planned()


def _named_nets(board: Board, columns: BoardColumns) -> set[str]:
    """Return nets that are drawn in more than one place, so that each place must name them."""
    places: Counter[str] = Counter()
    waiting = [*columns.strip, *(item for item in columns.items if isinstance(item, Column))]
    while waiting:
        column = waiting.pop()
        waiting += column.sides
        places.update(set(column.nets))
        places.update(lead_in.far for lead_in in column.lead_ins)
        for gate in (gate for hop in column.hops for gate in hop.gates):
            places.update({board.parts[gate.switch].pins["gate"], gate.drive})
    for part in board.parts.values():
        if part.kind == "driver":
            places.update((part.pins["common"], part.pins["supply"]))
    return {net for net, count in places.items() if count > 1}


def _drawn_nets(columns: BoardColumns) -> set[str]:
    """Return nets of rails and columns."""
    drawn = {*columns.top, *columns.bottom}
    for item in columns.items:
        if isinstance(item, Column):
            drawn |= {*item.nets, *(lead_in.far for lead_in in item.lead_ins)}
    return drawn


def _upright_units(items: Sequence[Item]) -> list[list[Item]]:
    """Return items in groups that stay in one row: a link stays with what it joins."""
    units: list[list[Item]] = []
    joined = False
    for item in items:
        across = isinstance(item, RailLink) and item.rail == "across"
        if units and (joined or across):
            units[-1].append(item)
        else:
            units.append([item])
        joined = isinstance(item, RailLink)
    return units


class _Row:
    """One row of columns between two rails; its plus rail is at height 0."""

    def __init__(self, drawer: ColumnDrawer, columns: BoardColumns, items: Sequence[Item], height: float) -> None:
        self.drawer, self.columns, self.items, self.height = drawer, columns, items, height
        self.canvas = Canvas()
        self.link_pitch = LINK_PITCH + drawer.letters.of(23.0) - 23.0
        self.x = 0.0
        self.touch: dict[str, list[tuple[str, float]]] = {"top": [], "bottom": []}
        self.label_end = {"top": 0.0, "bottom": 0.0}
        for number, item in enumerate(items):
            if isinstance(item, Column):
                self._column(item, number)
            elif item.rail == "across":
                self._across(item)
            else:
                self._link(item)
        self._rails()

    # --- columns

    def _levels(self, column: Column) -> list[float]:
        """Return the height of each net of a column, stretched to the height of the row."""
        top = 0.0 if column.nets[0] in self.columns.top else SPARE_END
        bottom = self.height - (0.0 if column.nets[-1] in self.columns.bottom else SPARE_END)
        least = [STAGE_HEIGHT if hop.gates else part_height(self.drawer.letters) for hop in column.hops]
        stretch = (bottom - top) / sum(least)
        levels = [top]
        for height in least:
            levels.append(levels[-1] + height * stretch)
        levels[-1] = bottom
        return levels

    def _column(self, column: Column, number: int) -> None:
        levels = self._levels(column)
        before = self.items[number - 1] if number else None
        after = self.items[number + 1] if number + 1 < len(self.items) else None
        linked = any(isinstance(item, RailLink) and item.rail == "across" for item in (before, after))
        inner = "none" if linked else "right" if column.is_leg else "left"
        own = self.drawer.column(column, levels, inner)
        dx = self.x - own.box.left
        first = len(self.canvas.wires)
        self.canvas.add(own, dx)
        for rail, net, y in (("top", column.nets[0], levels[0]), ("bottom", column.nets[-1], levels[-1])):
            if net in (self.columns.top if rail == "top" else self.columns.bottom):
                self.touch[rail] += [(net, x + dx) for x in self._at_level(own.wires, net, y, own)]
            else:
                self.drawer.flag(self.canvas, net, dx, y, "above" if rail == "top" else "below", own=True)
        if isinstance(before, RailLink) and before.rail == "across":
            self._land(before, self._reach(self.canvas.wires[first:], before.right, levels, column, dx, left=True))
        self.x = self.canvas.box.right + GAP
        self._sides(column, levels, dx, first)

    @staticmethod
    def _at_level(wires: Iterable[Wire], net: str, y: float, canvas: Canvas) -> list[float]:
        """Return where a column touches a level: its wires and its pins there."""
        xs = [x for wire in wires if wire.net == net for x, level in (wire.start, wire.end) if level == y]
        xs += [x for symbol in canvas.symbols for x, level in (symbol.start, symbol.end) if level == y]
        return [min(xs), max(xs)] if xs else []

    @staticmethod
    def _reach(
        wires: Sequence[Wire], net: str, levels: Sequence[float], column: Column, dx: float, *, left: bool
    ) -> tuple[float, float]:
        """Return the outermost point of an inner net of a column."""
        y = levels[column.nets.index(net)]
        xs = [x for wire in wires if wire.net == net for x, level in (wire.start, wire.end) if level == y] + [dx]
        return (min(xs) if left else max(xs)), y

    def _sides(self, column: Column, levels: Sequence[float], dx: float, first: int) -> None:
        """Draw the chains that begin or end in a column, to its right."""
        taken: list[Box] = []
        height_of = dict(zip(column.nets, levels, strict=True))
        for side in column.sides:
            ends: list[float] = []
            flags: list[tuple[str, str]] = []
            for net, rail in ((side.nets[0], "top"), (side.nets[-1], "bottom")):
                y = height_of.get(net, 0.0 if rail == "top" else self.height)
                if net in column.inner and any(box.top < y < box.bottom for box in taken):
                    flags.append((net, rail))
                    apart = 20.0 + self.drawer.letters.of(24.0) - 24.0
                    y += apart if rail == "top" else -apart
                ends.append(y)
            step = (ends[1] - ends[0]) / len(side.hops)
            drawn = self.drawer.column(side, [ends[0] + step * n for n in range(len(side.hops))] + [ends[1]], "label")
            for net, rail in flags:
                y = ends[0 if rail == "top" else 1]
                self.drawer.flag(drawn, net, 0.0, y, "above" if rail == "top" else "below")
            at = self.x - drawn.box.left
            wires = self.canvas.wires[first:]
            self.canvas.add(drawn, at)
            for net, rail in ((side.nets[0], "top"), (side.nets[-1], "bottom")):
                if (net, rail) in flags:
                    continue
                if net in column.inner:
                    start, level = self._reach(wires, net, levels, column, dx, left=False)
                    self.canvas.wire(net, (start, level), (at, level))
                else:
                    self.touch[rail].append((net, at))
            box = drawn.box
            taken.append(Box(box.left + at, ends[0], box.right + at, ends[1]))
            self.x = self.canvas.box.right + GAP

    # --- links

    def _link(self, link: RailLink) -> None:
        """Draw parts that join two sections of a rail, side by side."""
        y = 0.0 if link.rail == "top" else self.height
        away = -1.0 if link.rail == "top" else 1.0
        start = max(self.x, self.label_end[link.rail] + 8.0)
        long = BODY + 24.0
        for ref in link.parts:
            long = max(long, self.drawer.label_width(ref) + 12.0)
        end = start + long
        for number, ref in enumerate(link.parts):
            level = y + away * self.link_pitch * number
            self.drawer.flat(self.canvas, ref, level, start, end, link.left)
            if number:
                self.canvas.wire(link.left, (start, y + away * self.link_pitch * (number - 1)), (start, level))
                self.canvas.wire(link.right, (end, y + away * self.link_pitch * (number - 1)), (end, level))
        self.touch[link.rail] += [(link.left, start), (link.right, end)]
        self.x = end + GAP

    def _named_point(self, net: str, x: float, y: float) -> float:
        """Name the terminals of a net on a wire; return where the wire goes on [px]."""
        main, pads = self.drawer.names_on(net)
        names = [*main, *pads]
        if not names:
            return x
        text = Text(" \N{MIDDLE DOT} ".join(names), (x, y - 8.0), "start", "terminal", self.drawer.letters.large)
        middle = (text.box.left + text.box.right) / 2.0
        self.canvas.texts.append(text)
        self.canvas.mark((middle, y), "terminal", names)
        return text.box.right + 4.0

    def _across(self, link: RailLink) -> None:
        """Draw a coil from a column to the one that follows."""
        wires = [wire for wire in self.canvas.wires if wire.net == link.left and wire.start[1] == wire.end[1]]
        column = next(item for item in reversed(self.items[: self.items.index(link)]) if isinstance(item, Column))
        y = self._levels(column)[column.nets.index(link.left)]
        start = max(x for wire in wires for x, level in (wire.start, wire.end) if level == y) if wires else self.x
        name_at = max(self.x, start)
        coil_at = self._named_point(link.left, name_at, y) + 6.0
        long = BODY + 14.0
        for ref in link.parts:
            long = max(long, self.drawer.label_width(ref) + 6.0)
        self.canvas.wire(link.left, (start, y), (coil_at, y))
        for ref in link.parts:
            self.drawer.flat(self.canvas, ref, y, coil_at, coil_at + long, link.left)
        self.end = coil_at + long, y
        names = " \N{MIDDLE DOT} ".join(name for group in self.drawer.names_on(link.right) for name in group)
        self.x = self.end[0] + 28.0 + text_width(names, self.drawer.letters.large, bold=True)

    def _land(self, link: RailLink, node: tuple[float, float]) -> None:
        """Wire a coil to its second column."""
        x, y = self.end
        self.canvas.wire(link.right, (x, y), (x + 8.0, y), (x + 8.0, node[1]), node)
        self._named_point(link.right, x + 12.0, node[1])

    # --- rails

    def _rails(self) -> None:
        for rail, y in (("top", 0.0), ("bottom", self.height)):
            first = True
            for net, run in itertools.groupby(self.touch[rail], key=lambda entry: entry[0]):
                xs = [x for _, x in run]
                left, right = min(xs), max(xs)
                main, pads = self.drawer.names_on(net)
                names = [*main, *pads]
                mark = left - 16.0 if first else left + 10.0
                self.canvas.wire(net, (min(left, mark), y), (max(right, mark), y))
                words = " \N{MIDDLE DOT} ".join(names) or (net if net in self.drawer.named else "")
                role, size = ("terminal", self.drawer.letters.large) if names else ("net", self.drawer.letters.small)
                if words:
                    below = y + 8.0 + 0.8 * size if rail == "bottom" else y - 8.0
                    text = Text(words, (mark - 5.0, below), "start", role, size)
                    self.canvas.texts.append(text)
                    if names:
                        self.canvas.mark((mark, y), "terminal", names)
                first = False


class _Planner:
    def __init__(self, board: Board, columns: BoardColumns, width: float, letters: Lettering) -> None:
        self.board, self.columns, self.width = board, columns, width
        self.drawer = ColumnDrawer(board, _named_nets(board, columns), _drawn_nets(columns), letters)
        self.row_gap = ROW_GAP / letters.scale**3  # larger letters leave less room: rows stand closer
        self.cuts: list[float] = []
        self.titled = False
        self.strip = [*columns.strip]
        self.canvas = Canvas()
        self.y = 0.0

    def planned(self) -> Floorplan:
        rows = [self._row(row).canvas for row in self._wrapped(_upright_units(self.columns.items))]
        for row in rows[:-1]:
            self._add(row)
        last = rows[-1] if rows else Canvas()
        shown = {*last.spots, *self.canvas.spots}
        cells = self._cells(shown)
        room = self.width - 2 * MARGIN - STRIP_GAP - (last.box.right - last.box.left)
        if room > STRIP_LEAST:  # the strip begins beside the last row
            beside, cells, _ = self._packed(cells, room, last.box.bottom - last.box.top)
            last.add(beside, last.box.right + STRIP_GAP - beside.box.left, last.box.top - beside.box.top)
        self._add(last)
        below, _, cuts = self._packed(cells, self.width - 2 * MARGIN, math.inf)
        self._add(below, cuts)
        box = self.canvas.box
        whole = Canvas()
        whole.add(self.canvas, MARGIN - box.left, MARGIN - box.top)
        down = MARGIN - box.top
        return Floorplan(
            board=self.board,
            canvas=whole,
            width=box.right - box.left + 2 * MARGIN,
            height=box.bottom - box.top + 2 * MARGIN,
            letters=self.drawer.letters,
            cuts=tuple(sorted(cut + down for cut in self.cuts if cut + self.row_gap < box.bottom)),
        )

    def _add(self, drawn: Canvas, cuts: Sequence[float] = ()) -> None:
        """Put a row under what is there; it may be cut behind it, and at heights of its own."""
        if drawn.symbols or drawn.texts:
            box = drawn.box
            self.canvas.add(drawn, -box.left, self.y - box.top)
            self.cuts += [self.y - box.top + cut for cut in cuts]
            self.y += box.bottom - box.top + self.row_gap
            self.cuts.append(self.y - self.row_gap / 2.0)

    def _row(self, items: Sequence[Item]) -> _Row:
        rails = {*self.columns.top, *self.columns.bottom}
        height = max(column_height(item, rails, self.drawer.letters) for item in items if isinstance(item, Column))
        return _Row(self.drawer, self.columns, items, height)

    def _too_wide(self, items: Sequence[Item]) -> bool:
        box = self._row(items).canvas.box
        return box.right - box.left + 2 * MARGIN > self.width

    def _wrapped(self, units: Sequence[Sequence[Item]]) -> list[list[Item]]:
        """Return units in rows that fit the width; a coil between columns too wide for one row goes to the strip."""
        rows: list[list[Item]] = []
        for unit in units:
            parted = len(unit) > 1 and self._too_wide(unit)
            for group in self._parted(unit) if parted else [[*unit]]:
                if rows and not self._too_wide([*rows[-1], *group]):
                    rows[-1] += group
                else:
                    rows.append(group)
        return rows

    def _parted(self, unit: Sequence[Item]) -> list[list[Item]]:
        groups: list[list[Item]] = [[]]
        for item in unit:
            if isinstance(item, RailLink) and item.rail == "across":
                self.strip.append(Column((item.left, item.right), (Hop((), item.parts),)))
                self.drawer.named = {*self.drawer.named, item.left, item.right}
                groups.append([])
            else:
                groups[-1].append(item)
        return groups

    def _cells(self, shown: Collection[str]) -> list[Canvas]:
        """Return the chains that fit no leg, their ends named, and terminals without a part."""
        longest_first = sorted(self.strip, key=lambda chain: -len(chain.hops))
        chains = in_asked_order(longest_first, Column.parts, self.board.drawing_order)
        cells = [self._chain(chain) for chain in chains]
        there = {*shown, *(lead for cell in cells for lead in cell.spots)}
        for terminal in self.board.terminals.values():
            if terminal.name not in there:
                lone = Canvas()
                lone.mark((0.0, 0.0), "pad", [terminal.name])
                small = self.drawer.letters
                lone.texts.append(Text(terminal.name, (7.0, small.of(3.5)), "start", "pad", small.small))
                cells.append(lone)
        return cells

    def _packed(self, cells: Sequence[Canvas], width: float, height: float) -> tuple[Canvas, list[Canvas], list[float]]:
        """Return cells in rows of a width, those that went over a height, and the heights between the rows."""
        strip, x, y, bottom = Canvas(), 0.0, 0.0, 0.0
        left: list[Canvas] = []
        cuts: list[float] = []
        title = self.drawer.letters.of(STRIP_TITLE_SIZE)
        titled = bool(cells) and bool(self.columns.items) and not self.titled
        if titled:
            y = bottom = title
        for number, cell in enumerate(cells):
            box = cell.box
            if x and x + box.right - box.left > width:
                x, y = 0.0, bottom + GAP
                cuts.append(bottom + GAP / 2.0)
            if y + box.bottom - box.top > height or (math.isfinite(height) and box.right - box.left > width):
                left = [*cells[number:]]
                break
            strip.add(cell, x - box.left, y - box.top)
            x += box.right - box.left + GAP
            bottom = max(bottom, y + box.bottom - box.top)
        if titled and strip.symbols:
            words = next((words for words in STRIP_TITLES if text_width(words, title) <= width), STRIP_TITLES[-1])
            strip.texts.append(Text(words, (0.0, 0.0), "start", "note", title))
            self.titled = True
        return strip, left, cuts

    def _chain(self, chain: Column) -> Canvas:
        levels = [part_height(self.drawer.letters) * number for number in range(len(chain.nets))]
        drawn = self.drawer.column(chain, levels, "label")
        self.drawer.flag(drawn, chain.nets[0], 0.0, 0.0, "above")
        if chain.nets[-1]:
            self.drawer.flag(drawn, chain.nets[-1], 0.0, levels[-1], "below")
        return drawn
