"""``bridgefault cover``: what can be told apart."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, with_bench_options

__all__ = ["cover"]


@with_bench_options
def cover(
    board: BoardName,
    *,
    every: Annotated[bool, typer.Option("--all", help="List groups of little weight, too.")] = False,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Say which faults readings can tell apart.

    With the terminals alone, with gate leads, with held gates, with one pin lifted; and which never show.
    """
    from bridge import coverpage, payload
    from bridge.board import load_board
    from bridge.cover import cover_board
    from bridge.meter import load_meter

    known = load_board(board)
    found = cover_board(known, bench.load_meter() or load_meter(), bench.setup(known))
    if json:
        return payload.json_text(coverpage.cover_payload(found))
    return coverpage.cover_page(found, every_group=every)
