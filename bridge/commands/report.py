"""``bridgefault report``: one page to print, to read on a phone, to hand over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.commands.taken import ReadingsName, is_bus_stated, load_taken
from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, SeenBefore, load_told, with_bench_options
from bridge.wording import quoted

__all__ = ["report"]


@with_bench_options
def report(
    board: BoardName,
    readings: ReadingsName,
    *,
    output: Annotated[
        str | None, typer.Option("-o", "--output", metavar="FILE.html", help="Where to write the page.")
    ] = None,
    picture: Annotated[
        str | None, typer.Option("--picture", metavar="FILE.svg", help="Write the schematic with its marks alone.")
    ] = None,
    seen: SeenBefore = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Write a report: verdict, schematic, readings, repair.

    One file of HTML that needs nothing else, to print or to read on a phone.
    """
    if output is None and picture is None and not json:
        raise InputError("nothing to write; accepted: -o FILE.html, --picture FILE.svg, --json", where="report")
    from bridge import payload, reportpage
    from bridge.outfile import check_target, write_whole
    from bridge.rank import rank

    if output is not None and picture is not None and Path(output).resolve() == Path(picture).resolve():
        raise InputError(f"{quoted(output)} for page and picture both; give another file for one", where="--picture")
    for path in (output, picture):
        if path is not None:
            check_target(path, (readings, board, bench.meter))
    known = load_told(board, silent=json, pairs=True)
    taken = load_taken(readings, known, bench)
    ranking = rank(known, taken.meter, taken.setup, taken.readings, seen=seen or taken.seen)
    made = reportpage.make_report(ranking, bus_stated=is_bus_stated(taken, bench))
    written = []
    for path, compose in ((output, reportpage.report_html), (picture, reportpage.report_picture)):
        if path is not None:
            write_whole(path, compose(made))
            written.append(f"Written to {path}.")
    return payload.json_text(reportpage.report_payload(made)) if json else [" ".join(written)]
