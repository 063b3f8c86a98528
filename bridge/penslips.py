"""Readings that were perhaps written down wrongly: without their k, a 1 for overload, red and black exchanged."""

from __future__ import annotations

import itertools
import math
import re

from bridge.forecast import Forecast
from bridge.meterprofile import MeterProfile
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.units import format_reading

__all__ = ["as_meant", "may_be_slip", "open_questions", "pen_slips", "slip_words"]

BARE = re.compile(r"[0-9]+([.,][0-9]+)?")
LONE_ONE = re.compile(r"1[.,]?")  # how displays of 3 1/2 digits show overload; common practice, no source
NEAR_SHARE = 0.2  # tolerance of resistors and meter together, twice over
NEAR_V = 0.1  # twice what batches of junctions differ by
PREFIXES = {1e3: "k", 1e6: "M"}


def pen_slips(ranking: Ranking) -> list[str]:
    """Return a sentence for each reading that was perhaps written down wrongly.

    A bare resistance is questioned where a good board shows a thousand or a million times as much; a lone 1 where the
    meter would show more digits, or a good board reads OL; two readings of one place both ways, once something does not
    fit, where each shows what a good board shows at the other.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    readings = ranking.readings
    found = list(_questions(ranking).values())
    last = {reading.probing: number for number, reading in enumerate(readings)}  # of a place read twice the last speaks
    both_ways = [
        (one, other)
        for one, other in itertools.combinations(sorted(last.values()), 2)
        if readings[other].probing == readings[one].probing.swapped
        and (readings[one].value is None) != (readings[other].value is None)
    ]
    if ranking.fit.worst_reading is None and ranking.fit.ok:
        both_ways = []
    good = ranking.if_healthy if both_ways else None
    if good is None:
        return found
    for one, other in both_ways:
        here, there = readings[one], readings[other]
        if any(_as_good(readings[number], good[number]) for number in (one, other)):
            continue
        if _as_good(here, good[other]) and _as_good(there, good[one]):
            found.append(
                f"{_place(here)} reads {here.text.strip()} and {_place(there)} {there.text.strip()}: a good board "
                "reads them the other way round. Were red and black exchanged, or the two lines?"
            )
    return found


def open_questions(ranking: Ranking) -> tuple[int, ...]:
    """Return the readings, counted from 0, whose number may be a slip and that nobody has settled yet.

    A reading is settled once it was marked as doubtful, or its place was read again.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    readings = ranking.readings
    places = [reading.probing for reading in readings]
    return tuple(
        number
        for number in _questions(ranking)
        if not readings[number].doubted and places.count(readings[number].probing) == 1
    )


def _questions(ranking: Ranking) -> dict[int, str]:
    """Return what to say of each reading whose number may be a slip, by its place among the readings."""
    asked = [number for number, one in enumerate(ranking.readings) if may_be_slip(one)]
    good = ranking.if_healthy if asked else None
    found = {}
    for number in asked:
        words = slip_words(ranking.readings[number], None if good is None else good[number], ranking.meter)
        if words:
            found[number] = words
    return found


def may_be_slip(reading: Reading) -> bool:
    """Return whether a reading is written so that its number may be a slip; what a good board shows decides.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    if not reading.value or reading.state != "steady":
        return False
    written = reading.text.strip()
    return _is_lone_one(reading) or (reading.unit == "ohm" and BARE.fullmatch(written) is not None)


def slip_words(reading: Reading, good: Forecast | None, meter: MeterProfile) -> str:
    """Return what to check about a reading's number; empty where nothing is to be asked.

    Parameters
    ----------
    reading : Reading
        The reading.
    good : Forecast or None
        What a good board shows there; None where that is not known.
    meter : MeterProfile
        The meter.
    """
    if not may_be_slip(reading):
        return ""
    if _is_lone_one(reading) and (said := _overload(reading, good, meter)):
        return said
    return _without_prefix(reading, good) if good is not None and reading.unit == "ohm" else ""


def as_meant(reading: Reading) -> str:
    """Return the text of a reading whose number was confirmed, written so that nobody asks again.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    written = reading.text.strip().rstrip(".,")
    return f"{written} {'V' if reading.unit == 'V' else 'ohm'}"


def _place(reading: Reading) -> str:
    return f"{reading.probing.red} to {reading.probing.black}"


def _as_good(reading: Reading, good: Forecast) -> bool:
    """Whether a reading is what a good board shows in the end."""
    if reading.value is None or good.end is None:
        return reading.value is None and good.end is None and good.state is not None
    near = NEAR_V if reading.unit == "V" else NEAR_SHARE * good.end
    return abs(reading.value - good.end) <= near


def _is_lone_one(reading: Reading) -> bool:
    return reading.probing.mode in ("diode", "ohms") and LONE_ONE.fullmatch(reading.text.strip()) is not None


def _overload(reading: Reading, good: Forecast | None, meter: MeterProfile) -> str:
    """Return what to check about a lone 1; nothing where the meter may well have shown one volt or ohm so."""
    if meter.reversed:
        return ""  # a needle has its mark for overload
    probing = reading.probing
    digit = meter.resolution(probing.mode, probing.range_name, 1.0)
    good_is_open = good is not None and good.value is None and good.state is not None
    if digit == 1.0 and not good_is_open:
        return ""
    unit = "V" if reading.unit == "V" else "\N{GREEK CAPITAL LETTER OMEGA}"
    exact = f"{1.0:.{max(round(-math.log10(digit)), 1)}f}"
    there = " A good board reads OL there." if good_is_open else ""
    return (
        f"{_place(reading)}: {reading.text.strip()} is taken as 1 {unit}, but a lone 1 is how many displays show "
        f"overload.{there} If overload was meant, write OL; if 1 {unit}, write {exact}."
    )


def _without_prefix(reading: Reading, good: Forecast) -> str:
    """Return what to check where a good board shows a thousand or a million times as much; else nothing."""
    value = float(reading.value or 0.0)
    for times, prefix in PREFIXES.items():
        if good.value is not None and abs(times * value - good.value) <= NEAR_SHARE * good.value:
            written = reading.text.strip()
            return (
                f"{_place(reading)}: {written} is taken as {format_reading(value, 'ohm')} Ω, and a good board reads "
                f"{format_reading(good.value, 'ohm')} there. If {prefix}Ω were meant, write {written}{prefix}."
            )
    return ""
