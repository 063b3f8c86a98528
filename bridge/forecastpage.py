"""Predicted readings, for people."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.board import Board
from bridge.cautions import cautions_before
from bridge.faults import Fault, describe_fault, median_ohms
from bridge.forecast import Forecast
from bridge.layout import Column, Page, Table
from bridge.meter import MeterProfile
from bridge.placement import PLACEMENT_COLUMNS, placement_fields
from bridge.probing import Setup
from bridge.units import format_display, format_ohms
from bridge.wording import joined

__all__ = ["forecasts_page"]


def forecasts_page(
    board: Board,
    meter: MeterProfile,
    dwell_s: float,
    forecasts: Sequence[Forecast],
    faults: Sequence[tuple[Fault, float | None]] = (),
    healthy: Sequence[Forecast] | None = None,
    *,
    setup: Setup | None = None,
) -> Page:
    """Return predicted readings.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter.
    dwell_s : float
        How long the leads rest before the display is read [s].
    forecasts : sequence of Forecast
        The predictions.
    faults : sequence of (Fault, float or None)
        The faults with their resistance [ohm], None for the table's median; no faults for a healthy board.
    healthy : sequence of Forecast, optional
        What a healthy board would read at the same places.
    setup : Setup, optional
        The set-up, for what to mind in it.
    """
    words = [f"{fault.part} {_fault_words(board, fault.part, fault.mode, ohms)}" for fault, ohms in faults]
    state = f"with {joined(words, 'and')}" if words else "healthy"
    columns = [*map(Column, PLACEMENT_COLUMNS), Column("reads", right=True), Column("display")]
    columns.append(Column("at first", right=True))
    columns += [Column("in the end", right=True), Column("a healthy board", right=True), Column("remark")]
    rows = []
    for index, forecast in enumerate(forecasts):
        sound = forecast.state is not None
        rows.append(
            (
                *placement_fields(forecast.probing).values(),
                format_display(forecast.value, forecast.unit) if sound else "?",
                forecast.state or "unknown",
                format_display(forecast.start, forecast.unit) if sound else "?",
                format_display(forecast.end, forecast.unit) if sound else "?",
                format_display(healthy[index].value, healthy[index].unit) if healthy else "",
                forecast.error or "",
            )
        )
    return [
        *cautions_before(board, setup),
        f"{board.name}, {state}, read with the {meter.name} meter {dwell_s:g} s after the leads touch.",
        Table("Readings to expect", tuple(columns), tuple(rows)).without_empty_columns(),
    ]


def _fault_words(board: Board, part: str, mode: str, ohms: float | None) -> str:
    phrase = describe_fault(board.parts[part], mode).phrase
    usual = median_ohms(board.parts[part], mode) if ohms is None else ohms
    return phrase if usual is None else f"{phrase} of {format_ohms(usual)}"
