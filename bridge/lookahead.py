"""Which reading leaves least to do: one step by choice, the rest by the one-step rule, until what to replace is known.

A rollout of the one-step rule, after Tu & Pattipati, IEEE Trans. Syst. Man Cybern. A 33 (2003) 86 (pages from memory):
never much worse than the rule itself, and better where the rule is short-sighted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["LOOKED_AT", "Lookahead"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_GAIN = 1e-9
LOOKED_AT = 12  # readings, the most telling per effort, whose consequences are followed


class Lookahead:
    """A few hypotheses, the readings that may tell them apart, and what each costs.

    Parameters
    ----------
    outcome : ndarray of int, readings x hypotheses
        Outcome of each reading under each hypothesis.
    cost : sequence of float
        Effort of each reading, 1 for a pair of main terminals.
    weight : ndarray, hypotheses
        How probable each hypothesis is [1].
    target : ndarray of int, hypotheses
        What would be replaced under each.
    certain : float
        Share of one target that is enough to stop [1].
    """

    def __init__(
        self, outcome: Index, cost: Sequence[float], weight: Array, target: Index, certain: float = 1.0
    ) -> None:
        self._weight = weight.tolist()
        self._certain = certain
        self._targets = [self._mask(target == one) for one in dict.fromkeys(target.tolist())]
        self._every = (1 << len(self._weight)) - 1
        self._parts = [[self._mask(row == one) for one in dict.fromkeys(row.tolist())] for row in outcome]
        # equal partitions are one reading: the cheapest
        cheapest: dict[frozenset[int], float] = {}
        for parts, effort in zip(self._parts, cost, strict=True):
            if len(parts) > 1:
                key = frozenset(parts)
                cheapest[key] = min(effort, cheapest.get(key, math.inf))
        self._cost = list(cost)
        self._choices = [(tuple(parts), effort) for parts, effort in cheapest.items()]
        self._mass_of: dict[int, float] = {0: 0.0}
        self._left: dict[int, float] = {}

    @staticmethod
    def _mask(members: NDArray[np.bool_]) -> int:
        return sum(1 << number for number in np.flatnonzero(members).tolist())

    def _mass(self, members: int) -> float:
        known = self._mass_of.get(members)
        if known is None:
            lowest = members & -members
            known = self._weight[lowest.bit_length() - 1] + self._mass(members ^ lowest)
            self._mass_of[members] = known
        return known

    def _surprise(self, members: int) -> float:
        """Return the mass of some hypotheses times the entropy of their target [bit]."""
        total = self._mass(members)
        if total <= 0.0:
            return 0.0
        shares = (self._mass(members & target) for target in self._targets)
        return -sum(share * math.log2(share / total) for share in shares if share > 0.0)

    def effort_after(self, reading: int) -> float:
        """Return the effort of a reading and of all that are expected to follow it, in the unit of ``cost``.

        Parameters
        ----------
        reading : int
            Row of the reading.
        """
        total = self._mass(self._every)
        rest = sum(self._mass(part) * self._effort_left(part) for part in self._parts[reading])
        return self._cost[reading] + rest / total

    def _effort_left(self, members: int) -> float:
        """Return the expected effort from here on by the one-step rule; nothing where enough is known."""
        known = self._left.get(members)
        if known is not None:
            return known
        total = self._mass(members)
        left = 0.0
        before = self._surprise(members)
        enough = total <= 0.0 or max(self._mass(members & one) for one in self._targets) >= self._certain * total
        if not enough and before > LEAST_GAIN * total:
            best, chosen = LEAST_GAIN * total, None
            blind: tuple[float, tuple[int, ...]] | None = None
            for parts, effort in self._choices:
                here = tuple(part & members for part in parts if part & members)
                if len(here) < 2:
                    continue
                worth = (before - sum(map(self._surprise, here))) / effort
                if worth > best:
                    best, chosen = worth, (effort, here)
                elif blind is None:
                    blind = effort, here
            step = chosen or (blind if self._certain >= 1.0 else None)
            if step is not None:
                effort, here = step
                left = effort + sum(self._mass(part) * self._effort_left(part) for part in here) / total
        self._left[members] = left
        return left
