"""``bridgefault rank``: which parts are bad."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.commands.taken import ReadingsName, load_reference, load_taken
from bridge.layout import Page, terminal_columns
from bridge.options import AsJson, BenchOptions, BoardName, ReferenceName, SeenBefore, with_bench_options

__all__ = ["rank"]

TOP = 20


@with_bench_options
def rank(
    board: BoardName,
    readings: ReadingsName,
    *,
    top: Annotated[
        int | None, typer.Option("--top", metavar="N", help=f"How many to list; 0 for all. [default: {TOP}]", min=0)
    ] = None,
    seen: SeenBefore = None,
    reference: ReferenceName = None,
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
    taken = load_taken(readings, known, bench)
    good = load_reference(reference, known, taken)
    ranking = rank_faults(known, taken.meter, taken.setup, taken.readings, seen=seen or taken.seen, reference=good)
    listed = TOP if top is None else top
    if json:
        return payload.json_text(payload.ranking_payload(ranking, listed))
    return render.ranking_page(ranking, listed, every_row=top is not None, columns=terminal_columns())
