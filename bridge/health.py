"""Whether some reading says by itself that a board is not whole; priors alone condemn nothing."""

from __future__ import annotations

from bridge.forecast import Forecast
from bridge.ranking import Ranking
from bridge.readings import Reading

__all__ = ["speaks_against_health", "unlike_a_good_board"]

CLEAR_V = 0.1  # no good board of a kind strays as far from the nominal one: batches differ by some 35 mV
CLEAR_SHARE = 0.3


def speaks_against_health(ranking: Ranking) -> bool:
    """Return whether any reading is one that a healthy board does not give.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    return ranking.if_healthy is None or bool(unlike_a_good_board(ranking))


def unlike_a_good_board(ranking: Ranking) -> tuple[Reading, ...]:
    """Return the readings that a healthy board does not give; none where it is no candidate.

    Parameters
    ----------
    ranking : Ranking
        The readings and what they were taken on.
    """
    shown = ranking.if_healthy
    if shown is None:
        return ()
    return tuple(reading for reading, one in zip(ranking.readings, shown, strict=True) if _differs(reading, one))


def _differs(reading: Reading, healthy: Forecast) -> bool:
    if reading.doubted or healthy.state is None or reading.state not in ("steady", "OL"):
        return False
    if reading.value is None:  # open where a good board has a steady number
        return healthy.state == "steady"
    if healthy.value is None or healthy.state != "steady":
        # a display on its way never shows less than it began with
        return healthy.start is None or (
            reading.value < healthy.start and _apart(reading.value, healthy.start, healthy)
        )
    return _apart(reading.value, healthy.value, healthy)


def _apart(value: float, expected: float, healthy: Forecast) -> bool:
    if healthy.unit == "V":
        return abs(value - expected) > CLEAR_V
    return abs(value - expected) > CLEAR_SHARE * max(value, expected)
