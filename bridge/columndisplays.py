"""Displays of many hypotheses at one placement, with what moves them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ColumnDisplays", "add_loads"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ColumnDisplays:
    """Distinct displays, with what moves them; infinity is OL, NaN a solve that did not converge.

    Parameters
    ----------
    start, value, end : ndarray, displays
        Display at the first instant, after the dwell, after a very long time [V] or [ohm].
    carried : ndarray, displays
        Display after the dwell if the capacitors kept what earlier readings left on them [V] or [ohm].
    time_sd : ndarray, displays
        Spread of the value from the dwell and the capacitors' tolerance [unit].
    own_sd : ndarray, displays
        Spread from part to part [unit].
    batch_load : ndarray, batches x displays
        Answer to one volt more drop in a batch [unit/V]; the last row is the temperature's.
    severity_load : ndarray, 2 x displays
        Answer to one neper more in the first and second owner's resistance [unit].
    owner : ndarray of int, 2 x displays
        Classes the severity loads belong to.
    turn_on : ndarray, displays
        Display at which a channel with the file's threshold would turn on backwards [V]; infinite for none.
    """

    start: Array
    value: Array
    carried: Array
    end: Array
    time_sd: Array
    own_sd: Array
    batch_load: Array
    severity_load: Array
    owner: Index
    turn_on: Array


def add_loads(last: tuple[Array, Index], first: tuple[Array, Index]) -> tuple[Array, Index]:
    """Add two pairs of severity loads, each to its owner's; an answer may know one owner or two, in either order."""
    load, owner = last[0].copy(), last[1].copy()
    for more, whose in zip(*first, strict=True):
        there = [(owner[k] == whose) for k in (0, 1)]
        free = [(load[k] == 0.0) for k in (0, 1)]
        lost = ~(there[0] | there[1])
        for k, mine in ((0, there[0] | (lost & free[0])), (1, ~there[0] & (there[1] | (lost & ~free[0] & free[1])))):
            owner[k] = np.where(mine, whose, owner[k])
            load[k] = np.where(mine, load[k] + more, load[k])
    return load, owner
