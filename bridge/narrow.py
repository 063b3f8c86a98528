"""A page for a narrow screen without colour: paragraphs and table cells are wrapped, nothing is cut off."""

from __future__ import annotations

import re
import textwrap
from itertools import zip_longest

from bridge.layout import GAP, Page, Table, printable, printable_lines, set_out

__all__ = ["WIDTH", "narrow_lines"]

WIDTH = 78  # of 80 columns, so that no terminal wraps on its own
NARROWEST = 8
_NUMBERED = re.compile(r"\d+\. ")


def narrow_lines(page: Page, width: int = WIDTH) -> list[str]:
    """Return a page as lines no wider than a given width, blocks apart by blank lines.

    Parameters
    ----------
    page : Page
        What to say.
    width : int
        Columns there are.
    """
    lines: list[str] = []
    for block in page:
        if lines:
            lines.append("")
        lines += _table(block, width) if isinstance(block, Table) else _paragraph(block, width)
    return lines


def _wrapped(text: str, width: int, hang: str = "") -> list[str]:
    # words longer than the line are broken: a file name of a stranger must not run off the screen
    return textwrap.wrap(text, width, subsequent_indent=hang, break_on_hyphens=False) or [""]


def _paragraph(text: str, width: int) -> list[str]:
    shown = printable(text)
    number = _NUMBERED.match(shown)
    return _wrapped(shown, width, " " * number.end() if number else "")


def _table(table: Table, width: int) -> list[str]:
    """Lay a table out; where it is too wide, the widest column gives way first."""
    rows, widths = printable_lines(table)
    while sum(widths) + len(GAP) * (len(widths) - 1) > width and max(widths) > NARROWEST:
        widths[widths.index(max(widths))] -= 1
    lines = _wrapped(table.title, width)
    for row in rows:
        cells = [_wrapped(cell, size) for cell, size in zip(row, widths, strict=True)]
        lines += [set_out(parts, widths, table.columns) for parts in zip_longest(*cells, fillvalue="")]
    return lines
