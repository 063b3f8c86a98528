"""``bridgefault sheet``: a worksheet to fill in."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, load_told, with_bench_options

__all__ = ["sheet"]


@with_bench_options
def sheet(
    board: BoardName,
    *,
    expected: Annotated[bool, typer.Option("--expected", help="Add what a good board reads, with its band.")] = False,
    short: Annotated[
        bool, typer.Option("--short", help="Only readings with a lead on a bus terminal, and the gate leads.")
    ] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Give a file that rank reads once it is filled in.")] = False,
    html: Annotated[str | None, typer.Option("--html", metavar="FILE", help="Write a page to print.")] = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Give a worksheet, blank or with what a good board reads.

    Readings come in the order in which the leads move least.
    """
    from bridge import payload, sheetpage
    from bridge.meter import load_meter
    from bridge.outfile import check_target, write_whole
    from bridge.worksheet import make_worksheet, rail_probings

    if as_csv + json + (html is not None) > 1:
        raise InputError("more than one of --csv, --html and --json; accepted: one of them")
    if html is not None:
        check_target(html, (board, bench.meter))
    known = load_told(board, silent=json)
    meter = bench.load_meter() or load_meter()
    probings = rail_probings(known) if short else None
    made = make_worksheet(known, meter, bench.setup(known), probings, expected=expected)
    if json:
        return payload.json_text(sheetpage.worksheet_payload(made))
    if as_csv:
        return sheetpage.worksheet_csv(made)
    if html is not None:
        write_whole(html, sheetpage.worksheet_html(made))
        return [f"Written to {html}."]
    return sheetpage.worksheet_page(made)
