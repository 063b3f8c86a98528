"""The worksheet of a board: readings in the order of least lead movement, blank or with what a good board shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.band import Band, healthy_bands
from bridge.board import Board
from bridge.forecast import Forecast, default_probings, forecast
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.travel import order_by_movement
from bridge.units import format_reading

__all__ = ["Expected", "Worksheet", "expected_words", "make_worksheet", "rail_probings"]

RAILS = ("P", "N", "PR", "NP", "NU", "NV", "NW")


@dataclass(frozen=True, slots=True)
class Expected:
    """What a good board shows at one placement: its display after the dwell, and the band of the settled one."""

    forecast: Forecast
    band: Band


@dataclass(frozen=True, slots=True)
class Worksheet:
    """Readings to take, in order.

    Parameters
    ----------
    board, meter, setup
        What they are taken on.
    probings : tuple of Probing
        Placements of the leads.
    expected : tuple of Expected
        What a good board shows at each; empty on a blank sheet.
    """

    board: Board
    meter: MeterProfile
    setup: Setup
    probings: tuple[Probing, ...]
    expected: tuple[Expected, ...] = ()


def rail_probings(board: Board) -> tuple[Probing, ...]:
    """Return the readings of the short sheet: those with a lead on a bus terminal, and the gate leads.

    Parameters
    ----------
    board : Board
        The board.
    """
    every = default_probings(board)
    return tuple(probing for probing in every if probing.mode != "diode" or {probing.red, probing.black} & set(RAILS))


def make_worksheet(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing] | None = None,
    *,
    expected: bool = False,
) -> Worksheet:
    """Return a worksheet.

    Parameters
    ----------
    board, meter, setup
        What it is for.
    probings : sequence of Probing or None
        Readings to take; None for every ordered pair of main terminals and every gate lead.
    expected : bool
        Whether to add what a good board shows.

    Raises
    ------
    InputError
        A lead, pin, position or range that does not exist in this set-up.
    """
    order = order_by_movement(board, default_probings(board) if probings is None else probings)
    if not expected:
        return Worksheet(board, meter, setup, order)
    shown = forecast(board, meter, setup, order)
    bands = healthy_bands(board, meter, setup, order)
    return Worksheet(board, meter, setup, order, tuple(map(Expected, shown, bands)))


def _band_words(band: Band) -> str:
    if math.isinf(band.value):
        return "OL"
    low, high = format_reading(max(band.low, 0.0), band.unit), format_reading(band.high, band.unit)
    return low if low == high else f"{low} to {high}"


def expected_words(expected: Expected) -> str:
    """Return what a good board shows, as short as a technician writes it.

    Parameters
    ----------
    expected : Expected
        Forecast and band of one reading.
    """
    state = expected.forecast.state
    if state is None:
        return "not known"
    if state in ("climbing", "falling"):
        # where it stands after the dwell depends on the capacitor; where it goes does not
        return f"{state}, in the end {_band_words(expected.band)}"
    return _band_words(expected.band)
