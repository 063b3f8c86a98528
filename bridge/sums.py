"""Sums and counts over large arrays of evidence."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["log_mean", "number_values"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SPARSE = 8  # possible values for each one there: beyond, looking all of them over costs more than sorting


def log_mean(scores: NDArray[np.floating], log_weights: Array) -> Array:
    """Return the logarithm of the weighted mean of exp(scores) over the cases, one for each column.

    Parameters
    ----------
    scores : ndarray, cases x columns
        Logarithms; minus infinity for what cannot be.
    log_weights : ndarray, cases
        Logarithms of the weights, which sum to 1.
    """
    total = scores.astype(np.float64) + log_weights[:, None]
    peak = np.max(total, axis=0, initial=-np.inf)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    result: Array = peak + np.log(np.sum(np.exp(total - peak), axis=0))
    return result


def number_values(values: Index, count: int) -> tuple[Index, Index]:
    """Return the numbers of values among the distinct ones, and these; sorted only where few values lie far apart.

    Parameters
    ----------
    values : ndarray of int
        Values from 0 to below ``count``.
    count : int
        How many there could be.
    """
    if count > SPARSE * max(len(values), 1):
        distinct, number = np.unique(values, return_inverse=True)
        return number.reshape(-1), distinct
    there = np.zeros(count, dtype=bool)
    there[values] = True
    distinct = np.flatnonzero(there)
    number = np.empty(count, dtype=np.intp)
    number[distinct] = np.arange(len(distinct))
    return number.take(values), distinct
