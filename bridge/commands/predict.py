"""``bridgefault predict``: what a board would read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, with_bench_options

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.faults import Fault
    from bridge.meter import MeterProfile
    from bridge.probing import Probing

__all__ = ["predict"]


@with_bench_options
def predict(
    board: BoardName,
    *,
    fault: Annotated[
        list[str] | None,
        typer.Option("--fault", metavar="PART:MODE[:OHMS]", help="A fault the board has. Repeatable."),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="RED,BLACK,MODE[,HOLD]", help="Where the leads go. Repeatable."),
    ] = None,
    readings: Annotated[
        str | None,
        typer.Option("--readings", metavar="FILE", help="Put the leads where this file did; its readings are ignored."),
    ] = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Predict what a board reads, healthy or not.

    Without --at or --readings: all ordered pairs of main terminals in diode mode, then each
    gate to its emitter in ohms mode.
    """
    from bridge import payload, render
    from bridge.board import load_board
    from bridge.forecast import forecast
    from bridge.meter import load_meter

    known = load_board(board)
    meter = bench.load_meter() or load_meter()
    setup = bench.setup(known)
    faults = _faults(fault or [], known)
    probings = _probings(at or [], readings, known, meter)
    forecasts = forecast(known, meter, setup, probings, faults)
    if json:
        return payload.json_text(payload.forecasts_payload(forecasts))
    healthy = forecast(known, meter, setup, probings) if faults else None
    return render.forecasts_page(known, meter, setup.dwell_s, forecasts, faults, healthy, setup=setup)


def _faults(texts: list[str], board: Board) -> list[tuple[Fault, float | None]]:
    from bridge.faults import parse_fault

    faults: list[tuple[Fault, float | None]] = []
    for text in texts:
        fault, ohms = parse_fault(text, board)
        if any(fault.part == other.part for other, _ in faults):
            raise InputError(f"{fault.part} is there twice; accepted: one fault for each part", where="--fault")
        faults.append((fault, ohms))
    return faults


def _probings(at: list[str], readings: str | None, board: Board, meter: MeterProfile) -> tuple[Probing, ...]:
    from bridge.forecast import default_probings
    from bridge.placement import parse_at
    from bridge.readings import load_probings

    if at and readings is not None:
        raise InputError("there together with --readings; accepted: one of the two", where="--at")
    if readings is not None:
        return load_probings(readings, board, meter)
    if not at:
        return default_probings(board)
    probings = []
    for text in at:
        try:
            probings.append(parse_at(text, board, meter))
        except InputError as error:
            raise InputError(str(error), where="--at") from None
    return tuple(probings)
