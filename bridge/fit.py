"""Whether anything modelled explains the readings at all, and which reading fits worst."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from bridge.ranking import Fit
from bridge.readings import Reading
from bridge.survivors import Survivors

__all__ = ["explains", "explains_all", "judge_fit"]

MISFIT_LIMIT = 1e-3
SURPRISE_WORTH_NAMING = 3.0


def judge_fit(readings: Sequence[Reading], survivors: Survivors) -> Fit:
    """Judge the best hypothesis: one reading may be a slip, the rest must be no odder than chance allows.

    Parameters
    ----------
    readings : sequence of Reading
        What was read.
    survivors : Survivors
        Hypotheses with their evidence.
    """
    ok, misfit, worst = _judge(survivors, int(np.argmax(survivors.log_evidence)))
    if not ok:
        note = "none of the modelled faults explains these readings"
    elif worst is not None:
        place = readings[worst].probing
        note = f"the reading {place.red} to {place.black} does not fit; take it again"
    else:
        note = "the readings fit"
    return Fit(ok, worst, misfit, note)


def explains(survivors: Survivors, row: int) -> bool:
    """Whether one hypothesis explains the readings, all but one at the most.

    Parameters
    ----------
    survivors : Survivors
        Hypotheses.
    row : int
        The one in question.
    """
    return _judge(survivors, row)[0]


def explains_all(survivors: Survivors, row: int) -> bool:
    """Whether one hypothesis explains the readings, every one of them.

    Parameters
    ----------
    survivors : Survivors
        Hypotheses.
    row : int
        The one in question.
    """
    ok, _misfit, stands_out = _judge(survivors, row)
    return ok and stands_out is None


def _judge(survivors: Survivors, row: int) -> tuple[bool, float, int | None]:
    """Return whether a hypothesis explains the readings, how probable such odd ones are, and which stands out."""
    surprise, slip = survivors.surprise[row], survivors.slip[row]
    worst = int(np.argmax(np.where(slip > 0.5, 1e6 + slip, surprise)))
    stands_out = bool(slip[worst] > 0.5 or surprise[worst] > SURPRISE_WORTH_NAMING)
    rest = np.delete(surprise, worst) if stands_out else surprise
    impossible = int(np.count_nonzero(np.isinf(rest)))
    # leaving a reading out takes its own squared surprise off the total, whatever it shares with the others
    oddness = float(survivors.oddness[row])
    if stands_out and np.isfinite(surprise[worst]):
        oddness -= float(surprise[worst]) ** 2
    misfit = _chance_of_more(max(oddness, 0.0), int(np.count_nonzero(np.isfinite(rest))))
    ok = impossible == 0 and misfit > MISFIT_LIMIT
    return ok, misfit, worst if stands_out else None


def _chance_of_more(total: float, count: int) -> float:
    """Return the chance of a larger chi-square (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684)."""
    if count == 0:
        return 1.0
    scale = 2.0 / (9.0 * count)
    z = ((total / count) ** (1.0 / 3.0) - (1.0 - scale)) / math.sqrt(scale)
    return 0.5 * math.erfc(z / math.sqrt(2.0))
