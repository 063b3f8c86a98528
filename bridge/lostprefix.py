"""Resistances that were perhaps written without their k: a thousandth of what a good board reads."""

from __future__ import annotations

import re

from bridge.ranking import Ranking
from bridge.units import format_reading

__all__ = ["lost_prefix_words"]

BARE = re.compile(r"[0-9]+([.,][0-9]+)?")
NEAR = 0.2  # tolerance of resistors and meter together, twice over
PREFIXES = {1e3: "k", 1e6: "M"}


def lost_prefix_words(ranking: Ranking) -> list[str]:
    """Return for each bare resistance that a good board shows a thousand or a million times as large what to check.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    bare = [
        number
        for number, one in enumerate(ranking.readings)
        if one.unit == "ohm" and one.value and one.state == "steady" and BARE.fullmatch(one.text.strip())
    ]
    healthy = next((number for number, one in enumerate(ranking.candidates) if not one.faults), None)
    if not bare or healthy is None:
        return []
    shown = ranking.predictions(healthy)
    found = []
    for number in bare:
        reading, good = ranking.readings[number], shown[number]
        for times, prefix in PREFIXES.items():
            meant = times * float(reading.value or 0.0)
            if good.value is not None and abs(meant - good.value) <= NEAR * good.value:
                place = f"{reading.probing.red} to {reading.probing.black}"
                found.append(
                    f"{place}: {reading.text.strip()} is taken as {format_reading(reading.value, 'ohm')} Ω, and a good "
                    f"board reads {format_reading(good.value, 'ohm')} there. If {prefix}Ω were meant, write "
                    f"{reading.text.strip()}{prefix}."
                )
    return found
