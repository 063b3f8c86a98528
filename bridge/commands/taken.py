"""Readings as commands take them: from a sheet or a journal, with the options typed beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.options import BenchOptions
    from bridge.readings import Reading, ReadingSet

__all__ = ["ReadingsName", "is_bus_stated", "load_reference", "load_taken"]

ReadingsName = Annotated[
    str,
    typer.Argument(
        metavar="READINGS", help="Readings sheet (CSV) or bench journal; - for standard input.", show_default=False
    ),
]


def load_taken(source: str, board: Board, bench: BenchOptions) -> ReadingSet:
    """Return the readings, with a journal's own meter and set-up where nothing else was typed."""
    from bridge.readings import need_not_too_many, parse_readings
    from bridge.textfile import read_file

    meter, setup = bench.load_meter(), bench.setup(board)  # refused before the file is looked at
    data = read_file(source)
    taken = parse_readings(data, source, board, meter)
    need_not_too_many(taken.readings, source)
    if not bench.states_setup:
        return taken
    return parse_readings(data, source, board, meter, bench.setup(board, taken.setup) if taken.is_journal else setup)


def load_reference(source: str | None, board: Board, taken: ReadingSet) -> tuple[Reading, ...]:
    """Return the readings of a good board, read on the same bench; none where no file was named."""
    from bridge.readings import need_not_too_many, parse_readings
    from bridge.textfile import read_file

    if source is None:
        return ()
    readings = parse_readings(read_file(source), source, board, taken.meter, taken.setup).readings
    need_not_too_many(readings, source)
    return readings


def is_bus_stated(taken: ReadingSet, bench: BenchOptions) -> bool:
    """Return whether somebody said what charge the bus held: in a session, as an option, or with the readings."""
    from bridge.charge import bus_was_measured

    return taken.is_journal or bench.bus_volts is not None or bus_was_measured(taken.readings)
