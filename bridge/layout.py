"""How an answer is laid out: tidy tables on a terminal, plain text everywhere else."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

from bridge.errors import MachineError

__all__ = [
    "Column",
    "Page",
    "Table",
    "bulleted",
    "can_show",
    "plain_text",
    "printable",
    "printable_lines",
    "set_out",
    "terminal_columns",
    "write_page",
    "write_text",
]

GAP = "  "
# where a stream cannot hold a sign, the word that means the same
SPELLED_OUT = {
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
    "\N{OHM SIGN}": "ohm",
    "\N{MICRO SIGN}": "u",
    "\N{DEGREE SIGN}": "deg ",
}


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    title : str
        Its heading.
    right : bool
        Whether its cells are set to the right, as numbers are.
    """

    title: str
    right: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a line above it.

    Parameters
    ----------
    title : str
        What it lists.
    columns : tuple of Column
        Its columns.
    rows : tuple of tuple of str
        Its cells, a row for each line, a cell for each column.
    """

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]

    def without_empty_columns(self) -> Table:
        """Return the table without columns that have nothing in any row."""
        kept = [index for index in range(len(self.columns)) if any(row[index] for row in self.rows)]
        return Table(
            self.title,
            tuple(self.columns[index] for index in kept),
            tuple(tuple(row[index] for index in kept) for row in self.rows),
        )


Page = Sequence[str | Table]
"""An answer to a person: paragraphs and tables, in reading order."""


def bulleted(title: str, lines: Sequence[str]) -> str:
    """Return a list with a line above it, as one paragraph of a page.

    Parameters
    ----------
    title : str
        What it lists.
    lines : sequence of str
        Its entries.

    Examples
    --------
    >>> print(bulleted("Before power goes on", ("Set the limit.", "Measure the bus.")))
    Before power goes on:
    - Set the limit.
    - Measure the bus.
    """
    return f"{title}:\n" + "\n".join(f"- {line}" for line in lines)


def printable(text: str) -> str:
    """Return text in which nothing can steer a terminal: files come from strangers.

    Parameters
    ----------
    text : str
        One line.
    """
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)


def _paragraph(text: str) -> str:
    """Return a paragraph, its own lines kept: a drawing has several."""
    return "\n".join(map(printable, text.split("\n")))


def plain_text(page: Page) -> str:
    """Return a page as text without colour or ruled lines, as wide as its contents.

    Parameters
    ----------
    page : Page
        What to say.

    Examples
    --------
    >>> table = Table("Drops", (Column("lead"), Column("volts", right=True)), (("U", "0.42"), ("G_UH", "1.2")))
    >>> print(plain_text(["Two readings.", table]), end="")
    Two readings.
    <BLANKLINE>
    Drops
    lead  volts
    U      0.42
    G_UH    1.2
    """
    return "\n\n".join(_plain_table(block) if isinstance(block, Table) else _paragraph(block) for block in page) + "\n"


def _plain_table(table: Table) -> str:
    lines, widths = printable_lines(table)
    return "\n".join([table.title, *(set_out(line, widths, table.columns) for line in lines)])


def printable_lines(table: Table) -> tuple[list[list[str]], list[int]]:
    """Return the cells of a table as they are printed, its titles first, and how wide each column is.

    Parameters
    ----------
    table : Table
        The table.
    """
    lines = [[column.title for column in table.columns], *([printable(cell) for cell in row] for row in table.rows)]
    return lines, [max(len(line[index]) for line in lines) for index in range(len(table.columns))]


def set_out(cells: Sequence[str], widths: Sequence[int], columns: Sequence[Column]) -> str:
    """Return a line of a table, each cell at its side of its column.

    Parameters
    ----------
    cells : sequence of str
        The cells, none wider than its column.
    widths : sequence of int
        How wide the columns are.
    columns : sequence of Column
        The columns.
    """
    padded = (
        cell.rjust(width) if column.right else cell.ljust(width)
        for cell, width, column in zip(cells, widths, columns, strict=True)
    )
    return GAP.join(padded).rstrip()


def terminal_columns() -> int:
    """Return how many characters a line of the terminal has; 0 where the answer goes into a file or a pipe."""
    output: TextIO | None = sys.stdout
    return shutil.get_terminal_size().columns if output is not None and output.isatty() else 0


def can_show(signs: str) -> bool:
    """Return whether standard output can hold some characters.

    Parameters
    ----------
    signs : str
        The characters.
    """
    output: TextIO | None = sys.stdout
    try:
        signs.encode((output.encoding if output is not None else None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _standard_output() -> TextIO:
    output: TextIO | None = sys.stdout  # None where whoever started this program closed it
    if output is None:
        raise MachineError("standard output is closed")
    return output


def write_text(text: str, stream: TextIO | None = None) -> None:
    """Write text and hand it over at once, so that a full disk is noticed here and not at exit.

    Parameters
    ----------
    text : str
        What to write.
    stream : text stream, optional
        Where to; standard output by default.

    Raises
    ------
    OSError
        The stream takes no more; a `MachineError` where there is none.
    """
    stream = stream or _standard_output()
    encoding = stream.encoding or "utf-8"
    stream.write(_encodable(text, encoding))
    stream.flush()


def _encodable(text: str, encoding: str) -> str:
    """Return text an encoding can hold, with signs spelled out where it cannot."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        for sign, word in SPELLED_OUT.items():
            text = text.replace(sign, word)
        return text.encode(encoding, errors="replace").decode(encoding)
    return text


def write_page(page: Page, stream: TextIO | None = None) -> None:
    """Write an answer to a person: with tables on a terminal, as plain text into a file or pipe.

    Parameters
    ----------
    page : Page
        What to say.
    stream : text stream, optional
        Where to; standard output by default.

    Raises
    ------
    OSError
        The stream takes no more; a `MachineError` where there is none.
    """
    stream = stream or _standard_output()
    text = _terminal_text(page, stream) if stream.isatty() else plain_text(page)
    write_text(text, stream)


def _terminal_text(page: Page, stream: TextIO) -> str:
    """Return a page with the colours and lines of the terminal it is meant for."""
    from rich import box
    from rich.console import Console, Group, RenderableType
    from rich.padding import Padding
    from rich.table import Table as RichTable
    from rich.text import Text

    console = Console(file=stream, highlight=False)
    blocks: list[RenderableType] = []
    for block in page:
        if isinstance(block, str):  # Text, not str: square brackets of a board file are no mark-up
            blocks.append(Padding(Text(_paragraph(block)), (0, 0, 1, 0)))
            continue
        table = RichTable(
            title=Text(block.title),
            title_justify="left",
            title_style="bold",
            box=box.SIMPLE_HEAD,
            pad_edge=False,
            show_edge=False,
        )
        for column in block.columns:
            table.add_column(Text(column.title), justify="right" if column.right else "left", overflow="fold")
        for row in block.rows:
            table.add_row(*(Text(printable(cell)) for cell in row))
        blocks.append(Padding(table, (0, 0, 1, 0)))
    with console.capture() as captured:
        console.print(Group(*blocks))
    return captured.get()
