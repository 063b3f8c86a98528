"""Readings that were perhaps written down wrongly: without their k, or with red and black exchanged."""

from __future__ import annotations

import itertools
import re

from bridge.forecast import Forecast
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.units import format_reading

__all__ = ["pen_slips"]

BARE = re.compile(r"[0-9]+([.,][0-9]+)?")
NEAR_SHARE = 0.2  # tolerance of resistors and meter together, twice over
NEAR_V = 0.1  # twice what batches of junctions differ by
PREFIXES = {1e3: "k", 1e6: "M"}


def pen_slips(ranking: Ranking) -> list[str]:
    """Return a sentence for each reading that was perhaps written down wrongly.

    A bare resistance is questioned where a good board shows a thousand or a million times as much; two readings of one
    place both ways, once something does not fit, where each shows what a good board shows at the other.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    readings = ranking.readings
    bare = [
        number
        for number, one in enumerate(readings)
        if one.unit == "ohm" and one.value and one.state == "steady" and BARE.fullmatch(one.text.strip())
    ]
    last = {reading.probing: number for number, reading in enumerate(readings)}  # of a place read twice the last speaks
    both_ways = [
        (one, other)
        for one, other in itertools.combinations(sorted(last.values()), 2)
        if readings[other].probing == readings[one].probing.swapped
        and (readings[one].value is None) != (readings[other].value is None)
    ]
    if ranking.fit.worst_reading is None and ranking.fit.ok:
        both_ways = []
    good = ranking.if_healthy if bare or both_ways else None
    if good is None:
        return []
    found = [said for number in bare if (said := _without_prefix(readings[number], good[number]))]
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


def _place(reading: Reading) -> str:
    return f"{reading.probing.red} to {reading.probing.black}"


def _as_good(reading: Reading, good: Forecast) -> bool:
    """Whether a reading is what a good board shows in the end."""
    if reading.value is None or good.end is None:
        return reading.value is None and good.end is None and good.state is not None
    near = NEAR_V if reading.unit == "V" else NEAR_SHARE * good.end
    return abs(reading.value - good.end) <= near


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
