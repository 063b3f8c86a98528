"""Preferred values of resistors: the E12 series of IEC 60063."""

from __future__ import annotations

import math
from collections.abc import Callable

__all__ = ["E12", "best_e12", "e12_between"]

E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
"""One decade of the series (IEC 60063:2015)."""


def e12_between(low: float, high: float) -> tuple[float, ...]:
    """Return the values of the series from one resistance to another, both included.

    Parameters
    ----------
    low, high : float
        Ends [ohm], above zero.

    Examples
    --------
    >>> e12_between(900.0, 2000.0)
    (1000.0, 1200.0, 1500.0, 1800.0)
    """
    decades = range(math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 1)
    values = (float(f"{step:g}e{decade}") for decade in decades for step in E12)
    return tuple(value for value in values if low * (1.0 - 1e-9) <= value <= high * (1.0 + 1e-9))


def best_e12(low: float, high: float, badness: Callable[[float], float]) -> float:
    """Return the value of the series between two resistances that is least bad, the smaller of two alike.

    Parameters
    ----------
    low, high : float
        Ends [ohm], above zero; a whole step of the series lies between them.
    badness : callable
        How bad a resistance [ohm] would be; infinite where it is no choice at all.
    """
    return min(e12_between(low, high), key=badness)
