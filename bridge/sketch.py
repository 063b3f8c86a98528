"""A bridge drawn in characters: rails, columns, and how suspect each part is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.board import Board
from bridge.columns import Column, Hop, RailLink, arrange_columns
from bridge.units import percent

if TYPE_CHECKING:
    from bridge.ranking import Ranking

__all__ = ["LEAST_WIDTH", "SKETCH_SIGNS", "bridge_sketch", "ranking_sketch"]

LEAST_WIDTH = 100  # narrower terminals have no room for it beside what must be read
WORTH_MARKING = 0.01
GAP = 2


@dataclass(frozen=True, slots=True)
class _Signs:
    """Characters to draw with: along, down, a branch down and up, a part, a place for a lead, and three shades."""

    along: str
    down: str
    from_top: str
    to_bottom: str
    part: str
    place: str
    shades: tuple[tuple[float, str], ...]


_DRAWN = _Signs("─", "│", "┬", "┴", "├", "o", ((0.5, "█"), (0.1, "▓"), (WORTH_MARKING, "░")))
_TYPED = _Signs("-", "|", "+", "+", "+", "o", ((0.5, "#"), (0.1, "="), (WORTH_MARKING, ".")))


SKETCH_SIGNS = "".join([_DRAWN.along, _DRAWN.down, _DRAWN.from_top, _DRAWN.to_bottom, _DRAWN.part]) + "".join(
    sign for _, sign in _DRAWN.shades
)
"""Characters that a terminal must have, or the bridge is drawn with those of a typewriter."""


class _Sketcher:
    def __init__(self, board: Board, suspicion: Mapping[str, float], signs: _Signs) -> None:
        self.board, self.suspicion, self.signs = board, suspicion, signs
        self.main = board.main_on

    def part(self, ref: str) -> str:
        """Return a part's name, with a shade and its probability where it is suspect."""
        probability = self.suspicion.get(ref, 0.0)
        shade = next((sign for least, sign in self.signs.shades if probability >= least), " ")
        return f"{shade}{ref} {percent(probability)}" if shade != " " else f" {ref}"

    def is_suspect(self, ref: str) -> bool:
        return self.suspicion.get(ref, 0.0) >= WORTH_MARKING

    def hop(self, hop: Hop) -> list[str]:
        """Return the parts of a hop, one a line: what carries the current, then suspects at the gates."""
        refs = [gate.switch for gate in hop.gates]
        refs += [ref for ref in hop.parts if self.board.parts[ref].when is None or self.is_suspect(ref)]
        for gate in hop.gates:
            at_gate = [*gate.clamps, *(ref for ref in (gate.series, gate.driver) if ref is not None)]
            refs += [ref for ref in at_gate if self.is_suspect(ref)]
        return [self.part(ref) for ref in refs]

    def node(self, column: Column, net: str) -> str:
        """Return what a column's inner net is called, and what is on the way to it."""
        lead_in = next((one for one in column.lead_ins if one.net == net), None)
        if lead_in is not None:
            return f" {self.main.get(lead_in.far, lead_in.far)}{self.part(lead_in.part)}"
        return f" {self.main[net]}" if net in self.main else ""

    def beside(self, columns: Sequence[Column]) -> list[str]:
        """Return the suspects that are not drawn."""
        return [self.part(ref) for column in columns for ref in column.parts() if self.is_suspect(ref)]


def _lines(sketcher: _Sketcher, column: Column, heights: Sequence[int]) -> list[str]:
    """Return a column line by line, each hop as high as asked for."""
    signs, lines = sketcher.signs, []
    for number, hop in enumerate(column.hops):
        if number:
            name = sketcher.node(column, column.nets[number])
            lines.append(f"{signs.place if name else signs.down}{name}")
        parts = sketcher.hop(hop)
        lines += [f"{signs.part}{part}" for part in parts]
        lines += [signs.down] * (heights[number] - len(parts))
    return lines


def bridge_sketch(
    board: Board, suspicion: Mapping[str, float], width: int = LEAST_WIDTH, *, typed: bool = False
) -> str:
    """Return a bridge as lines of characters, its suspects marked.

    Parameters
    ----------
    board : Board
        The board.
    suspicion : mapping of str to float
        Probability of each part to be faulty [1].
    width : int
        Characters to a line.
    typed : bool
        Whether to draw with characters of a typewriter alone.
    """
    sketcher = _Sketcher(board, suspicion, _TYPED if typed else _DRAWN)
    arranged = arrange_columns(board)
    heights: dict[int, list[int]] = {}  # columns of as many hops stand level
    columns = [item for item in arranged.items if isinstance(item, Column)]
    for column in columns:
        own = [max(1, len(sketcher.hop(hop))) for hop in column.hops]
        known = heights.setdefault(len(own), own)
        heights[len(own)] = [max(pair) for pair in zip(known, own, strict=True)]
    drawn = [(item, _cell(sketcher, item, heights)) for item in arranged.items]
    rows: list[list[tuple[Column | RailLink, list[str]]]] = [[]]
    used = 0
    for item, cell in drawn:
        wide = max(map(len, cell)) + GAP
        if rows[-1] and used + wide > width - 6:
            rows.append([])
            used = 0
        rows[-1].append((item, cell))
        used += wide
    text = [line for row in rows if row for line in _row(sketcher, arranged.top, arranged.bottom, row)]
    beside = sketcher.beside([*arranged.strip, *(side for column in columns for side in column.sides)])
    if beside:
        text.append(f"Beside the bridge:{','.join(beside)}")
    return "\n".join(text)


def _cell(sketcher: _Sketcher, item: Column | RailLink, heights: Mapping[int, Sequence[int]]) -> list[str]:
    """Return the lines of a column, or the one line of what joins two sections of a rail."""
    if isinstance(item, Column):
        return _lines(sketcher, item, heights[len(item.hops)])
    board = sketcher.board
    parts = [ref for ref in item.parts if board.parts[ref].when is None or sketcher.is_suspect(ref)]
    if not parts:
        return [""]
    joint = sketcher.signs.along * 2
    name = "" if item.rail == "across" else f" {sketcher.main.get(item.right, item.right)} "
    return [f"{joint}{','.join(sketcher.part(ref) for ref in parts)} {joint}{name}"]


def _row(
    sketcher: _Sketcher, top: Sequence[str], bottom: Sequence[str], row: Sequence[tuple[Column | RailLink, list[str]]]
) -> list[str]:
    signs = sketcher.signs
    high = max((len(cell) for item, cell in row if isinstance(item, Column)), default=0)
    lines = ["", *[""] * high, ""]
    column = next((item for item, _ in row if isinstance(item, Column)), None)
    first = row[0][0]
    for index, (rail, nets, end) in enumerate((("top", top, 0), ("bottom", bottom, -1))):
        net = column.nets[end] if column is not None and column.nets[end] in nets else ""
        if isinstance(first, RailLink) and first.rail == rail:
            net = first.left
        name = sketcher.main.get(net, net)
        lines[-index] = f"{name[:4]:<4}{signs.along if net else ' '}"
    for number in range(1, high + 1):
        lines[number] = " " * 5
    for item, cell in row:
        wide = max(map(len, cell)) + GAP
        if isinstance(item, RailLink):
            at_top, across = item.rail == "top", item.rail == "across"
            joint = cell[0].center(wide, signs.along)
            lines[0] += joint if at_top else signs.along * wide
            lines[-1] += joint if item.rail == "bottom" else signs.along * wide
            for number in range(1, high + 1):
                middle = across and number == (high + 1) // 2
                lines[number] += cell[0].ljust(wide) if middle else " " * wide
            continue
        on_top, on_bottom = item.nets[0] in top, item.nets[-1] in bottom
        lines[0] += (signs.from_top if on_top else " ") + signs.along * (wide - 1)
        body = _stretched(cell, high, signs.down, to_bottom=on_bottom)
        for number, line in enumerate(body, 1):
            lines[number] += line.ljust(wide)
        last = sketcher.main.get(item.nets[-1], item.nets[-1])
        lines[-1] += f"{signs.to_bottom}{signs.along * (wide - 1)}" if on_bottom else f"{last:<{wide}}"
    return [line.rstrip() for line in lines]


def _stretched(cell: Sequence[str], high: int, down: str, *, to_bottom: bool) -> list[str]:
    """Return a column at the height of its row: lines added above and below its middle."""
    spare = high - len(cell)
    above = spare // 2 if to_bottom else 0
    return [*[down] * above, *cell, *[down] * (spare - above)]


def ranking_sketch(ranking: Ranking, columns: int, *, typed: bool = False) -> list[str]:
    """Return the board of a ranking as a paragraph for a terminal; nothing for one too narrow, or for a pipe.

    Parameters
    ----------
    ranking : Ranking
        What the readings say.
    columns : int
        Characters to a line of the terminal; 0 where there is none.
    typed : bool
        Whether to draw with characters of a typewriter alone.
    """
    if columns < LEAST_WIDTH:
        return []
    suspicion = {one.part: one.probability for one in ranking.parts}
    return [bridge_sketch(ranking.board, suspicion, columns, typed=typed)]
