"""Things numbered in the order in which they first appear."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["numbered"]

Thing = TypeVar("Thing", bound=Hashable)


def numbered(things: Iterable[Thing]) -> tuple[list[Thing], NDArray[np.intp]]:
    """Return the different things, and for each of those given which one it is.

    Parameters
    ----------
    things : iterable
        The things, some of them perhaps several times.

    Returns
    -------
    different : list
        Each thing once, in the order in which they first appear.
    number : ndarray of int, things
        Place of each of those given among the different ones.

    Examples
    --------
    >>> different, number = numbered(["Q_UL", "D_UL", "Q_UL"])
    >>> different, number.tolist()
    (['Q_UL', 'D_UL'], [0, 1, 0])
    """
    place: dict[Thing, int] = {}
    number = [place.setdefault(thing, len(place)) for thing in things]
    return list(place), np.array(number, dtype=np.intp)
