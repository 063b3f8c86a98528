"""``bridgefault rank``: which parts are bad."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, with_bench_options

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.readings import ReadingSet

__all__ = ["rank"]

TOP = 20


@with_bench_options
def rank(
    board: BoardName,
    readings: Annotated[
        str,
        typer.Argument(
            metavar="READINGS", help="Readings sheet (CSV) or bench journal; - for standard input.", show_default=False
        ),
    ],
    *,
    top: Annotated[
        int | None, typer.Option("--top", metavar="N", help=f"How many to list; 0 for all. [default: {TOP}]", min=0)
    ] = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Rank faults by how well they fit readings.

    Every single fault and every pair of faults is weighed.
    """
    from bridge import payload, render
    from bridge.board import load_board
    from bridge.rank import rank as rank_faults

    known = load_board(board)
    taken = _readings(readings, known, bench)
    ranking = rank_faults(known, taken.meter, taken.setup, taken.readings)
    listed = TOP if top is None else top
    if json:
        return payload.json_text(payload.ranking_payload(ranking, listed))
    return render.ranking_page(ranking, listed, every_row=top is not None)


def _readings(source: str, board: Board, bench: BenchOptions) -> ReadingSet:
    """Return the readings, with a journal's own meter and set-up where nothing else was typed."""
    from bridge.readings import parse_readings
    from bridge.textfile import read_file

    meter, setup = bench.load_meter(), bench.setup(board)  # refused before the file is looked at
    data = read_file(source)
    taken = parse_readings(data, source, board, meter)
    if not bench.states_setup:
        return taken
    return parse_readings(data, source, board, meter, bench.setup(board, taken.setup) if taken.is_journal else setup)
