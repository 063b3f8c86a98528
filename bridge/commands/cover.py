"""``bridgefault cover``: what can be told apart."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, load_told, with_bench_options

__all__ = ["cover"]


@with_bench_options
def cover(
    board: BoardName,
    *,
    every: Annotated[bool, typer.Option("--all", help="List groups of little weight, too.")] = False,
    picture: Annotated[
        str | None, typer.Option("--picture", metavar="FILE.svg", help="Draw which faults are told from which.")
    ] = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Say which faults readings can tell apart.

    With the terminals alone, with gate leads, with held gates, with one pin lifted; and which never show.
    """
    from bridge import coverpage, coverpicture, payload
    from bridge.cover import cover_board
    from bridge.meter import load_meter
    from bridge.outfile import check_target, write_whole

    if picture is not None:
        check_target(picture, (board, bench.meter))
    known = load_told(board, silent=json)
    found = cover_board(known, bench.load_meter() or load_meter(), bench.setup(known))
    if picture is not None:
        write_whole(picture, coverpicture.cover_picture(found))
        if not json:
            return [f"Written to {picture}."]
    if json:
        return payload.json_text(coverpage.cover_payload(found))
    return coverpage.cover_page(found, every_group=every)
