"""A small plot for each reading: the band of a good board, what was read, and what the verdict predicts.

Told apart by shape, not by colour: a grey band, a solid diamond, an open circle. Beyond a dashed line is OL.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from bridge.band import Band
from bridge.forecast import Forecast
from bridge.meter import MeterProfile
from bridge.readings import Reading
from bridge.schematic import INK, Layer, svg_element
from bridge.units import format_display

__all__ = ["Compared", "compare", "departure", "display_words", "good_words", "is_as_good", "reading_plot"]

WIDE, HIGH, LEFT, OL_ZONE = 168.0, 20.0, 5.0, 24.0
LOWEST_OHMS, HIGHEST_OHMS = 0.1, 1e8
BAND_FILL, BAND_EDGE = "#cfcfcf", "#6b6b6b"
SLACK = 1.0  # a reading just outside the 95 % band by one part in a hundred of it is not called different


@dataclass(frozen=True, slots=True)
class Compared:
    """A reading beside what was expected.

    Parameters
    ----------
    reading : Reading
        What was read.
    good : Forecast or None
        What a good board shows after the dwell; None in a mode that predicts nothing.
    band : Band or None
        Between what limits a good board's settled display lies.
    verdict : Forecast or None
        What the most probable candidate shows.
    """

    reading: Reading
    good: Forecast | None
    band: Band | None
    verdict: Forecast | None


def compare(
    reading: Reading, good: Forecast | None = None, band: Band | None = None, verdict: Forecast | None = None
) -> Compared:
    """Return a reading beside what was expected, without what has no number to show."""
    return Compared(
        reading,
        good if good is not None and good.state is not None else None,
        band,
        verdict if verdict is not None and verdict.state is not None else None,
    )


def display_words(forecast: Forecast | None) -> str:
    """Return what a display shows, as it is said.

    Parameters
    ----------
    forecast : Forecast or None
        The forecast; None where nothing is predicted.
    """
    if forecast is None:
        return "not predicted"
    words = format_display(forecast.value, forecast.unit)
    return f"{words} {forecast.state}" if forecast.state in ("climbing", "falling") else words


def _limits(one: Compared) -> tuple[float, float] | None:
    """Return the band of a good board after the dwell; an end beyond the display is infinite."""
    if one.good is None or one.band is None:
        return None
    value = math.inf if one.good.value is None else one.good.value
    if one.good.state in ("climbing", "falling"):
        # the reading lies somewhere on its way to the settled display
        return min(value, one.band.low), max(value, one.band.high)
    return one.band.low, one.band.high


def good_words(one: Compared) -> str:
    """Return what a good board shows, as it is said.

    Parameters
    ----------
    one : Compared
        A reading beside what was expected.
    """
    if one.good is None or one.band is None:
        return "not predicted"
    if one.good.state in ("climbing", "falling"):
        return f"{display_words(one.good)}, in the end {format_display(one.band.value, one.band.unit)}"
    if math.isinf(one.band.high):
        return "OL"
    low, high = format_display(max(one.band.low, 0.0), one.band.unit), format_display(one.band.high, one.band.unit)
    return low if low == high else f"{low} to {high}"


def is_as_good(one: Compared) -> bool | None:
    """Return whether a reading is within the band of a good board, None where that cannot be said.

    Parameters
    ----------
    one : Compared
        A reading beside what was expected.
    """
    limits, reading = _limits(one), one.reading
    if limits is None or one.good is None:
        return None
    low, high = limits
    moving = one.good.state in ("climbing", "falling")
    if reading.value is None:
        if reading.state == "OL":
            return math.isinf(high)
        return moving if reading.state in ("climbing", "falling") else None
    margin = SLACK * 0.01 * abs(high - low) if math.isfinite(high - low) else 0.0
    return low - margin <= reading.value <= high + margin


def _place(value: float, one: Compared, meter: MeterProfile) -> float:
    """Return where a value is on the plot [px]."""
    room = WIDE - OL_ZONE - 2 * LEFT
    if math.isinf(value):
        return WIDE - OL_ZONE / 2.0
    if one.reading.probing.mode == "diode":
        share = value / meter.diode.limit_volts
    elif one.reading.probing.mode == "volts":
        share = value / max(10.0, 1.25 * abs(one.reading.value or 0.0))
    else:
        share = math.log(max(value, LOWEST_OHMS) / LOWEST_OHMS) / math.log(HIGHEST_OHMS / LOWEST_OHMS)
    return LEFT + room * min(max(share, 0.0), 1.0)


def departure(one: Compared, meter: MeterProfile) -> float:
    """Return how far a reading lies from the band of a good board, in widths of the plot.

    Parameters
    ----------
    one : Compared
        A reading beside what was expected.
    meter : MeterProfile
        The meter it was read with.
    """
    limits, reading = _limits(one), one.reading
    if limits is None or (reading.value is None and reading.state != "OL"):
        return 0.0
    value = math.inf if reading.value is None else reading.value
    low, high = limits
    gaps = (_place(low, one, meter) - _place(value, one, meter), _place(value, one, meter) - _place(high, one, meter))
    return max(0.0, *gaps) / WIDE


def reading_plot(one: Compared, meter: MeterProfile) -> str:
    """Return the plot of one reading as SVG, with its contents in words for those who do not see it.

    Parameters
    ----------
    one : Compared
        A reading beside what was expected.
    meter : MeterProfile
        The meter; its limit is where OL begins.
    """
    words = f"read {one.reading.text}; good board {good_words(one)}; verdict {display_words(one.verdict)}"
    root = svg_element("svg", xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {WIDE:g} {HIGH:g}", role="img")
    root.set("class", "plot")
    root.set("aria-label", words)
    middle = HIGH / 2.0
    limits = _limits(one)
    if limits is not None:
        low, high = (_place(limit, one, meter) for limit in limits)
        low = WIDE - OL_ZONE + 1.0 if math.isinf(limits[0]) else low
        high = WIDE - 1.0 if math.isinf(limits[1]) else high
        wide = max(high - low, 3.0)
        root.append(
            svg_element(
                "rect", x=min(low, WIDE - 4.0), y=3.0, width=wide, height=HIGH - 6.0, fill=BAND_FILL, stroke=BAND_EDGE
            )
        )
    edge = WIDE - OL_ZONE
    root.append(svg_element("line", x1=LEFT, y1=middle, x2=edge, y2=middle, stroke=INK, stroke_width=1.0))
    for share in (0.0, 0.25, 0.5, 0.75):
        x = LEFT + (edge - 2 * LEFT) * share
        root.append(svg_element("line", x1=x, y1=middle - 2.5, x2=x, y2=middle + 2.5, stroke=INK, stroke_width=1.0))
    dashed = svg_element("line", x1=edge, y1=1.0, x2=edge, y2=HIGH - 1.0, stroke=INK, stroke_width=1.0)
    dashed.set("stroke-dasharray", "2 2")
    root.append(dashed)
    if one.verdict is not None:
        value = math.inf if one.verdict.value is None else one.verdict.value
        x = _place(value, one, meter)
        root.append(svg_element("circle", cx=x, cy=middle, r=5.6, fill="none", stroke=INK, stroke_width=1.7))
    root.extend(_read(one, meter, middle))
    return ET.tostring(root, encoding="unicode")


def _read(one: Compared, meter: MeterProfile, middle: float) -> Layer:
    """Return the mark of what was read: a diamond, with an arrow where it was still moving."""
    reading = one.reading
    if reading.value is None and reading.state not in ("OL", "climbing", "falling"):
        return []
    if reading.value is not None:
        x = _place(reading.value, one, meter)
    elif reading.state == "OL":
        x = _place(math.inf, one, meter)
    else:  # no number was written: an arrow, wherever a good board or the verdict would be
        known = next((row.value for row in (one.verdict, one.good) if row is not None and row.value is not None), None)
        x = _place(known, one, meter) if known is not None else WIDE / 2.0
    drawn: Layer = []
    if reading.value is not None or reading.state == "OL":
        points = (
            f"{x - 3.6:.1f},{middle:.1f} {x:.1f},{middle - 4:.1f} {x + 3.6:.1f},{middle:.1f} {x:.1f},{middle + 4:.1f}"
        )
        drawn.append(svg_element("polygon", points=points, fill=INK))
    if reading.state in ("climbing", "falling"):
        way = 1.0 if reading.state == "climbing" else -1.0
        x += 8.0 * way
        points = f"{x:.1f},{middle - 4:.1f} {x + 7 * way:.1f},{middle:.1f} {x:.1f},{middle + 4:.1f}"
        drawn.append(svg_element("polygon", points=points, fill=INK))
    return drawn
