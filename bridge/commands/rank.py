"""``bridgefault rank``: which parts are bad."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bridge.commands.taken import ReadingsName, is_bus_stated, load_reference, load_taken
from bridge.errors import InputError
from bridge.layout import Page, terminal_columns
from bridge.options import (
    AsJson,
    BenchOptions,
    BoardName,
    LimitAmps,
    ReferenceName,
    SeenBefore,
    SupplyVolts,
    load_told,
    typed_supply,
    whole_number,
    with_bench_options,
)

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.firstpower import BenchSupply
    from bridge.readings import ReadingSet

__all__ = ["rank"]

TOP = 20


@with_bench_options
def rank(
    board: BoardName,
    readings: ReadingsName,
    *,
    top: Annotated[
        str | None, typer.Option("--top", metavar="N", help=f"How many to list; 0 for all. [default: {TOP}]")
    ] = None,
    seen: SeenBefore = None,
    reference: ReferenceName = None,
    supply: SupplyVolts = None,
    limit: LimitAmps = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Rank faults by how well they fit readings.

    Every single fault and every pair of faults is weighed.
    """
    from bridge import payload, rankingpage
    from bridge.rank import rank as rank_faults

    listed = TOP if top is None else whole_number(top, "--top")
    known = load_told(board, silent=json, pairs=True)
    fed = typed_supply(supply, limit)
    taken = load_taken(readings, known, bench)
    if fed is not None:
        return _powered(known, taken, fed, listed, seen, reference, top is not None, json)
    good = load_reference(reference, known, taken)
    ranking = rank_faults(known, taken.meter, taken.setup, taken.readings, seen=seen or taken.seen, reference=good)
    if json:
        return payload.json_text(payload.ranking_payload(ranking, listed))
    return rankingpage.ranking_page(
        ranking,
        listed,
        every_row=top is not None,
        columns=terminal_columns(),
        bus_stated=is_bus_stated(taken, bench),
    )


def _powered(
    board: Board,
    taken: ReadingSet,
    supply: BenchSupply,
    top: int,
    seen: list[str] | None,
    reference: str | None,
    every_row: bool,
    json: bool,
) -> Page | str:
    """Rank voltages read while a bench supply feeds the board."""
    from bridge import payload, powerwords
    from bridge.powerrank import rank_power
    from bridge.powersheet import check_powered
    from bridge.textfile import shown_source

    for option, typed in (("--seen", seen), ("--reference", reference)):
        if typed:
            raise InputError("there together with --supply; accepted: one of the two", where=option)
    readings = check_powered(taken.readings, shown_source(taken.source))
    ranking = rank_power(board, taken.meter, taken.setup, supply, readings)
    if json:
        return payload.json_text(payload.ranking_payload(ranking, top))
    return powerwords.powered_page(ranking, top, every_row=every_row)
