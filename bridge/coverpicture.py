"""A picture of what readings can tell apart: every fault against every other, ordered by group.

A cell says how much effort it takes to tell its two faults apart; the darker, the more, and black never. The order of
the grey steps is that of the efforts, so it holds without colour.
"""

from __future__ import annotations

import itertools
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from bridge.canvas import text_width
from bridge.cover import Cover
from bridge.coverpage import EFFORT_WORDS
from bridge.schematic import FACE, INK, svg_element

__all__ = ["cover_order", "cover_picture"]

SHADES = ("#ffffff", "#d3e0ee", "#8fb0d3", "#4a6f9c", "#000000")
NEVER = "never told apart"
SIDE_PX, LEAST_CELL, LARGEST_CELL = 760.0, 2.0, 14.0
LABEL, PITCH, MARGIN, LEADER = 10.0, 12.0, 14.0, 26.0
KEY_PITCH = 18.0


def cover_order(cover: Cover) -> tuple[tuple[int, ...], ...]:
    """Return the groups in place, each as numbers of its boards, the one with the healthy board first.

    Parameters
    ----------
    cover : Cover
        What readings can tell apart; board 0 is the healthy one.
    """
    number = {fault: index for index, fault in enumerate(cover.boards)}
    hidden = [0, *(number[fault] for fault in cover.hidden_in_place)]
    groups = [hidden]
    groups += [[mine for fault in group.faults if (mine := number[fault]) not in hidden] for group in cover.in_place]
    taken = {index for group in groups for index in group}
    rest: dict[str, list[int]] = {}
    for index, fault in enumerate(cover.boards):
        if fault is not None and index not in taken:
            rest.setdefault(cover.board.parts[fault.part].package, []).append(index)
    return tuple(tuple(group) for group in (*groups, *rest.values()) if group)


def _words(cover: Cover, group: tuple[int, ...]) -> str:
    """Return a group in short: its parts, each with its modes."""
    modes: dict[str, list[str]] = {}
    for index in group:
        fault = cover.boards[index]
        if fault is not None:
            modes.setdefault(fault.part, []).append(fault.mode)
    told = [f"{part} {', '.join(those)}" for part, those in modes.items()]
    said = "; ".join(["healthy board", *told] if 0 in group else told)
    return said if len(said) <= 58 else f"{said[:55].rstrip(' ,;')}..."


def _spread(wanted: list[float], least: float, highest: float) -> list[float]:
    """Return heights as near to the wanted ones as a pitch between neighbours allows [px]."""
    placed: list[float] = []
    for y in wanted:
        placed.append(max(y, placed[-1] + PITCH if placed else least))
    for index in range(len(placed) - 1, -1, -1):
        ceiling = highest if index == len(placed) - 1 else placed[index + 1] - PITCH
        placed[index] = min(placed[index], ceiling)
    return placed


def _cells(needed: NDArray[np.intp], cell: float, left: float, top: float) -> list[ET.Element]:
    """Return the matrix, a path for each shade; cells side by side are one bar."""
    found = []
    for effort, shade in enumerate(SHADES):
        if effort == 0:
            continue
        bars = []
        for row, line in enumerate(needed == effort):
            edges = np.flatnonzero(np.diff(np.concatenate(([0], line.astype(np.int8), [0]))))
            bars += [
                f"M{left + cell * start:.1f} {top + cell * row:.1f}h{cell * (end - start):.1f}v{cell:.1f}"
                f"h{-cell * (end - start):.1f}z"
                for start, end in edges.reshape(-1, 2).tolist()
            ]
        found.append(svg_element("path", d="".join(bars), fill=shade))
    return found


def cover_picture(cover: Cover) -> str:
    """Return which faults can be told from which, with what effort, as SVG.

    Parameters
    ----------
    cover : Cover
        What readings can tell apart.
    """
    groups = cover_order(cover)
    order = np.array([index for group in groups for index in group])
    needed = cover.effort_needed[np.ix_(order, order)]
    np.fill_diagonal(needed, 0)  # a fault against itself is no question: a line runs there
    count = len(order)
    labels = [_words(cover, group) for group in groups]
    cell = min(max(SIDE_PX / count, LEAST_CELL, PITCH * len(groups) / count), LARGEST_CELL)
    side = cell * count
    left = MARGIN + max(text_width(label, LABEL) for label in labels) + LEADER
    top = MARGIN + 30.0
    height = top + side + MARGIN + KEY_PITCH * len(SHADES) + MARGIN
    title = f"{cover.board.name}: which of {count - 1} single faults readings tell from which"
    width = max(left + side + MARGIN, MARGIN * 2 + text_width(title, 14.0, bold=True))
    root = svg_element(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:.0f} {height:.0f}",
        width=width,
        height=height,
        role="img",
        font_family=FACE,
    )
    never = int(np.sum(needed == len(SHADES) - 1)) // 2
    root.append(svg_element("title", f"{title}. Pairs never told apart: {never} of {count * (count - 1) // 2}."))
    root.append(svg_element("rect", width=width, height=height, fill="#ffffff"))
    root.append(svg_element("text", title, x=MARGIN, y=MARGIN + 14.0, font_size=14.0, font_weight="bold", fill=INK))
    root.extend(_cells(needed, cell, left, top))
    diagonal = f"M{left:.1f} {top:.1f}l{side:.1f} {side:.1f}"
    root.append(svg_element("path", d=diagonal, stroke="#777777", stroke_width="1", fill="none"))
    starts = np.concatenate(([0], np.cumsum([len(group) for group in groups])))
    lines = "".join(
        f"M{left:.1f} {top + cell * at:.1f}h{side:.1f}M{left + cell * at:.1f} {top:.1f}v{side:.1f}"
        for at in starts.tolist()
    )
    root.append(svg_element("path", d=lines, stroke="#9a9a9a", stroke_width="0.4", fill="none"))
    middles = [top + cell * float(start + end) / 2.0 for start, end in itertools.pairwise(starts)]
    for label, middle, y in zip(labels, middles, _spread(middles, top, top + side), strict=True):
        end = left - LEADER
        root.append(svg_element("text", label, x=end, y=y + 3.5, font_size=LABEL, text_anchor="end", fill=INK))
        way = f"M{end + 3:.1f} {y:.1f}h4L{left - 6:.1f} {middle:.1f}h5"
        root.append(svg_element("path", d=way, stroke="#9a9a9a", stroke_width="0.8", fill="none"))
    for number, (shade, words) in enumerate(zip(SHADES, [*EFFORT_WORDS.values(), NEVER], strict=True)):
        y = top + side + MARGIN + KEY_PITCH * number
        root.append(svg_element("rect", x=left, y=y, width=22.0, height=12.0, fill=shade, stroke=INK))
        root.append(svg_element("text", words, x=left + 30.0, y=y + 10.0, font_size=12.0, fill=INK))
    return ET.tostring(root, encoding="unicode") + "\n"
