"""``bridgefault predict``: what a board would read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import (
    AsJson,
    BenchOptions,
    BoardName,
    LimitAmps,
    SupplyVolts,
    load_told,
    typed_supply,
    with_bench_options,
)

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.faults import Fault
    from bridge.firstpower import BenchSupply
    from bridge.meter import MeterProfile
    from bridge.probing import Probing, Setup

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
    supply: SupplyVolts = None,
    limit: LimitAmps = None,
    json: AsJson = False,
    bench: BenchOptions,
) -> Page | str:
    """Predict what a board reads, healthy or not.

    Without --at or --readings: all ordered pairs of main terminals in diode mode, then each
    gate to its emitter in ohms mode; with --supply each of them in volts mode.
    """
    from bridge import forecastpage, payload
    from bridge.forecast import forecast
    from bridge.meter import load_meter

    known = load_told(board, silent=json)
    fed = typed_supply(supply, limit)
    meter = bench.load_meter() or load_meter()
    setup = bench.setup(known)
    faults = _faults(fault or [], known)
    if fed is not None:
        places = _powered_places(at or [], readings, known, meter)
        return _powered(known, setup, fed, places, faults, json)
    probings = _probings(at or [], readings, known, meter)
    forecasts = forecast(known, meter, setup, probings, faults)
    if json:
        return payload.json_text(payload.forecasts_payload(forecasts))
    healthy = forecast(known, meter, setup, probings) if faults else None
    return forecastpage.forecasts_page(known, meter, setup.dwell_s, forecasts, faults, healthy, setup=setup)


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


def _powered_places(at: list[str], readings: str | None, board: Board, meter: MeterProfile) -> tuple[Probing, ...]:
    """Return where the voltmeter goes: as typed, or at every place of a first power-up."""
    from bridge.firstpower import places_to_read
    from bridge.powersheet import check_powered_place
    from bridge.probing import Probing

    if not at and readings is None:
        return tuple(Probing(place.red, place.black, "volts") for place in places_to_read(board))
    probings = _probings(at, readings, board, meter)
    for probing in probings:
        try:
            check_powered_place(probing)
        except InputError as error:
            raise InputError(str(error), where="--at" if at else "--readings") from None
    return probings


def _powered(
    board: Board,
    setup: Setup,
    supply: BenchSupply,
    probings: tuple[Probing, ...],
    faults: list[tuple[Fault, float | None]],
    json: bool,
) -> Page | str:
    """Predict voltages while a bench supply feeds the board."""
    from bridge import payload, powerwords
    from bridge.powerrank import power_forecasts

    healthy, found = power_forecasts(board, setup, supply, probings, [(), tuple(faults)])
    if json:
        return payload.json_text(payload.forecasts_payload(found))
    return powerwords.powered_forecast_page(board, supply, found, faults, healthy if faults else None)
