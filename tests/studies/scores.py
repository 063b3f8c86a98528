"""Scores of probabilities: calibration without the bias of a small sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BINS = 15


def debiased_calibration_error(stated: Array, right: Array, bins: int = BINS) -> tuple[float, float]:
    """Return the expected calibration error over bins of equal mass, and how much of it chance alone would show.

    Parameters
    ----------
    stated : ndarray, boards
        Stated probability [1].
    right : ndarray, boards
        1 where it was right, 0 where not.
    bins : int
        Number of bins.

    Returns
    -------
    error : float
        Root of the mean squared gap, the part that chance adds taken off; never below zero [1].
    chance : float
        That part, as the root of its mean [1].

    References
    ----------
    Kumar, Liang & Ma, Verified uncertainty calibration, NeurIPS (2019), section 4 (debiased estimator).
    """
    order = np.argsort(stated, kind="stable")
    squared, noise = 0.0, 0.0
    for rows in np.array_split(order, min(bins, len(order))):
        share, hits = len(rows) / len(order), float(np.mean(right[rows]))
        variance = hits * (1.0 - hits) / max(len(rows) - 1, 1)
        squared += share * (float(np.mean(stated[rows])) - hits) ** 2
        noise += share * variance
    return float(np.sqrt(max(squared - noise, 0.0))), float(np.sqrt(noise))


def wilson_interval(hits: int, count: int, z: float = 1.96) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if count == 0:
        return 0.0, 1.0
    share, extra = hits / count, z * z / count
    middle = (share + 0.5 * extra) / (1.0 + extra)
    half = z / (1.0 + extra) * np.sqrt(share * (1.0 - share) / count + 0.25 * extra / count)
    return float(middle - half), float(middle + half)


def repair_utility(faulty: frozenset[str], called: frozenset[str], parts: int) -> float:
    """Return the repair utility of a verdict [1].

    Parameters
    ----------
    faulty, called : frozenset of str
        Packages that are faulty and that the verdict condemns.
    parts : int
        Packages on the board.

    Notes
    -----
    1 - n(N+1)/(f(n+1)) - m(M+1)/(f(m+1)): of f parts n faulty ones are missed among N called healthy, and m are wrongly
    blamed among M called faulty; each term is the expected place of the last culprit in a random search. Metric of the
    diagnostic competitions of 2009-2011 (Kurtoglu et al., International Workshop on Principles of Diagnosis).
    """
    missed, wrong = len(faulty - called), len(called - faulty)
    healthy = parts - len(called)
    return 1.0 - (missed * (healthy + 1) / (missed + 1) + wrong * (len(called) + 1) / (wrong + 1)) / parts
