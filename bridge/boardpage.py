"""What is shipped, and what a board consists of, for people."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from bridge.board import Board, Part
from bridge.cautions import cautions_before
from bridge.faults import describe_fault
from bridge.layout import Column, Page, Table
from bridge.meter import MeterProfile
from bridge.probing import Setup
from bridge.units import format_compact

__all__ = ["boards_page", "show_page"]

# How a part's values read on a drawing; ideality and series resistance mean nothing to a meter's owner.
VALUE_WORDS = {
    "ohms": "{}\N{GREEK CAPITAL LETTER OMEGA}",
    "farads": "{}F",
    "henries": "{}H",
    "drop_1ma": "{}V at 1 mA",
    "gate_threshold": "threshold {}V",
    "on_drop_1ma": "on {}V at 1 mA",
    "on_ohms": "on {}\N{GREEK CAPITAL LETTER OMEGA}",
    "off_ohms": "off {}\N{GREEK CAPITAL LETTER OMEGA}",
}


def boards_page(boards: Sequence[Board], meters: Sequence[MeterProfile]) -> Page:
    """Return the shipped boards and meters.

    Parameters
    ----------
    boards : sequence of Board
        The boards.
    meters : sequence of MeterProfile
        The meters.
    """
    return [
        Table(
            "Boards",
            (Column("board"), Column("what it is"), Column("parts", right=True), Column("terminals", right=True)),
            tuple((board.name, board.title, str(len(board.parts)), str(len(board.terminals))) for board in boards),
        ),
        Table(
            "Meters",
            (Column("meter"), Column("what it is")),
            tuple((meter.name, meter.title) for meter in meters),
        ),
    ]


def _values(part: Part) -> str:
    shown = (
        words.format(_with_prefix(part.values[name]))
        for name, words in VALUE_WORDS.items()
        if name in part.values and not (name == "henries" and part.values[name] == 0.0)
    )
    return ", ".join(shown)


def _with_prefix(value: float) -> str:
    """Return a value up to its unit: ``4.7 k``; volts and ohms below one stay 0.42, not 420 m."""
    if 0.01 <= abs(value) < 1.0:
        return f"{value:g} "
    text = format_compact(value).replace("u", "\N{MICRO SIGN}")
    return f"{text[:-1]} {text[-1]}" if text[-1].isalpha() or text[-1] == "\N{MICRO SIGN}" else f"{text} "


def show_page(
    board: Board,
    meter: MeterProfile,
    oddities: Sequence[str],
    present: Collection[str],
    *,
    setup: Setup | None = None,
    with_faults: bool = False,
) -> Page:
    """Return what a board consists of and where a lead can touch it.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter it would be read with.
    oddities : sequence of str
        What looks like a slip in the board file.
    present : collection of str
        Parts that are there in this set-up.
    setup : Setup, optional
        The set-up, for what to mind in it.
    with_faults : bool
        Whether every fault mode is listed too, in words.
    """
    page: list[str | Table] = [f"{board.name}: {board.title}"]
    if board.about:
        page.append(" ".join(board.about.split()))
    page.append(
        Table(
            "Terminals",
            (Column("terminal"), Column("net"), Column("reach"), Column("what it is")),
            tuple(
                (terminal.name, terminal.net, terminal.access, terminal.what) for terminal in board.terminals.values()
            ),
        )
    )
    parts = Table(
        "Parts",
        (
            Column("part"),
            Column("kind"),
            Column("value"),
            Column("pins"),
            Column("package"),
            Column("what it does"),
            Column("note"),
        ),
        tuple(
            (
                part.ref,
                part.kind,
                _values(part),
                " ".join(f"{pin}={net}" for pin, net in part.pins.items()),
                part.package if part.package != part.ref else "",
                part.role,
                "" if part.ref in present else _absence(part),
            )
            for part in board.parts.values()
        ),
    )
    page.append(parts.without_empty_columns())
    if with_faults:
        page.append(_fault_table(board))
    page.append(f"Meter: {meter.name}, {meter.title}.")
    if oddities:
        page.append("Odd about this board file: " + "; ".join(oddities) + ".")
    return [*page, *cautions_before(board, setup)]


def _fault_table(board: Board) -> Table:
    rows = []
    for part in board.parts.values():
        for mode in part.modes:
            wording = describe_fault(part, mode)
            rows.append((f"{part.ref}:{mode}", wording.phrase, wording.what))
    columns = (Column("fault"), Column("in short"), Column("what it is and how it comes about"))
    return Table("Faults", columns, tuple(rows))


def _absence(part: Part) -> str:
    return f"only with --connected {part.when}" if part.when is not None else "unplugged with the gate board"
