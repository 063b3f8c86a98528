"""``bridgefault show``: one board in full."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, with_bench_options

__all__ = ["show"]


@with_bench_options
def show(
    board: BoardName,
    *,
    faults: Annotated[bool, typer.Option("--faults", help="List every way each part can fail, too.")] = False,
    picture: Annotated[str | None, typer.Option("--picture", metavar="FILE.svg", help="Draw its schematic.")] = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Show a board: terminals, parts, oddities."""
    from bridge import boardpage, payload
    from bridge.board import load_board, oddities
    from bridge.circuit import build_circuit
    from bridge.meter import load_meter

    if picture is not None and (json or faults):
        raise InputError(
            f"there together with --{'json' if json else 'faults'}; accepted: one of them", where="--picture"
        )
    known = load_board(board)
    meter = bench.load_meter() or load_meter()
    setup = bench.setup(known)
    circuit = build_circuit(known, setup)
    if picture is not None:
        from bridge.outfile import check_target, write_whole
        from bridge.schematic import board_picture

        check_target(picture, (board, bench.meter))
        write_whole(picture, board_picture(known, circuit.parts))
        return [f"Written to {picture}."]
    if json:
        return payload.json_text(payload.show_payload(known, meter, oddities(known), with_faults=faults))
    return boardpage.show_page(known, meter, oddities(known), circuit.parts, setup=setup, with_faults=faults)
