"""``bridgefault next``: which reading to take next."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.commands.taken import ReadingsName, load_reference, load_taken
from bridge.layout import Page
from bridge.options import (
    AsJson,
    BenchOptions,
    BoardName,
    ReferenceName,
    SeenBefore,
    load_told,
    whole_number,
    with_bench_options,
)

__all__ = ["suggest"]

TOP = 5


@with_bench_options
def suggest(
    board: BoardName,
    readings: ReadingsName,
    *,
    top: Annotated[str, typer.Option("--top", metavar="N", help="How many to list.")] = str(TOP),
    seen: SeenBefore = None,
    reference: ReferenceName = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Propose the reading that would tell most.

    Counted is what it would tell about the parts to replace, for the effort it takes.
    """
    from bridge import advicepage, payload
    from bridge.advise import suggest_within
    from bridge.benchresume import session_reach
    from bridge.rank import rank as rank_faults

    most = whole_number(top, "--top", 1)
    known = load_told(board, silent=json, pairs=True)
    taken = load_taken(readings, known, bench)
    good = load_reference(reference, known, taken)
    ranking = rank_faults(known, taken.meter, taken.setup, taken.readings, seen=seen or taken.seen, reference=good)
    reach = session_reach(taken, known)
    advice, beyond = suggest_within(ranking, most, reach)
    if json:
        return payload.json_text(payload.advice_payload(advice))
    return advicepage.advice_page(ranking, advice, reach if beyond else None)
