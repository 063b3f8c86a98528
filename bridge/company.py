"""Two faults that show nothing by themselves: whether they would together.

Each of two resistors in series may be shorted without a trace, and both together short what lies across them. Seen from
the nodes of both faults the healthy circuit is two sources behind a matrix of resistances, so what the two new branches
take from one another follows in closed form, as for one fault alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.effects import NO_EFFECT, NO_EFFECT_ALONE, EffectTest, is_quiet, smallest_steps
from bridge.points import Points
from bridge.response import Response

__all__ = ["Company", "find_company"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

LEAST_LEFT = 1e-9  # share of the product of both faults' own terms that their coupling must leave to be known
ROUNDING_SHARE = 64 * float(np.finfo(float).eps)  # what the resistances between nodes far from the reference lose
KNOWN_SHARE = 0.05
NOTHING_V = 1e-7  # between two nodes: branches added there move no reading by more


@dataclass(frozen=True, slots=True)
class Company:
    """Which silent faults would show together on one solved circuit.

    Parameters
    ----------
    silent : ndarray of bool, classes
        Classes without effect by themselves whose company is known.
    branch : ndarray of int, slots x classes
        Branches of each silent class, the last number for none.
    loud : ndarray of bool, branches x branches
        Branches that show together.
    """

    silent: Mask
    branch: Index
    loud: Mask

    def loud_pairs(self, rows: Index) -> Mask:
        """Return which of some silent classes would show together, classes x classes."""
        answer = np.zeros((len(rows), len(rows)), dtype=bool)
        concerned: Mask = np.any(self.loud, axis=1)
        some = np.flatnonzero(concerned[self.branch[:, rows]].any(axis=0))
        if not len(some):
            return answer
        few = np.zeros((len(some), len(some)), dtype=bool)
        for one in self.branch[:, rows[some]]:
            for other in self.branch[:, rows[some]]:
                few |= self.loud[one[:, None], other]
        answer[np.ix_(some, some)] = few
        return answer


def find_company(
    test: EffectTest,
    grades: NDArray[np.uint8],
    points: Points,
    voltage: Array,
    response: Response,
    transfer: Array,
    test_amps: float,
    slack: float,
) -> Company:
    """Return which classes without effect on one solved point would show in pairs.

    Parameters
    ----------
    test : EffectTest
        The classes.
    grades : ndarray of int, classes
        Their effects alone.
    points : Points
        One solved point.
    voltage : ndarray, nodes x 1
        Its node voltages [V].
    response : Response
        How it answers small currents.
    transfer : ndarray, nodes x nodes
        Voltage at each node (row) with one ampere into each (column) [ohm].
    test_amps : float
        What the meter can deliver [A].
    slack : float
        Move of the reading that would not show [V].

    Notes
    -----
    With added conductances g, voltages v between their nodes and resistances z, the currents follow from
    (1 + g1 z11) i1 + g1 z12 i2 = g1 v1 and the same with 1 and 2 exchanged. An opened branch is one with -g.
    """
    branches = test.branches(points, voltage)
    silent = (grades == NO_EFFECT) | ((grades == NO_EFFECT_ALONE) & test.is_single)
    silent &= response.ports_known[0] & ~branches.unknown
    # branches that add a conductance between the same nodes: the largest silent one speaks for all
    mine = silent[branches.owner]
    speaker = branches.speakers(mine)
    chosen = np.unique(speaker[mine])
    number = np.full(len(mine), len(chosen), dtype=np.intp)
    number[chosen] = np.arange(len(chosen))
    slots = int(np.max(np.bincount(branches.owner[mine], minlength=1))) if mine.any() else 0
    branch = np.full((slots, len(silent)), len(chosen), dtype=np.intp)
    places = np.flatnonzero(mine)
    owner = branches.owner[places]
    order = np.argsort(owner, kind="stable")
    _, first = np.unique(owner[order], return_index=True)
    within = np.arange(len(order)) - np.repeat(first, np.diff([*first.tolist(), len(order)]))
    branch[within, owner[order]] = number[speaker[places[order]]]
    loud = np.zeros((len(chosen) + 1, len(chosen) + 1), dtype=bool)
    if len(chosen):
        loud[:-1, :-1] = _loud(
            (branches.a[chosen], branches.b[chosen], branches.siemens[chosen], branches.amps[chosen]),
            response.transfer[:, 0],
            transfer,
            (test_amps, float(smallest_steps(voltage[points.red[0], 0], np.asarray(slack)))),
        )
    return Company(silent, branch, loud)


def _loud(
    branches: tuple[Index, Index, Array, Array], reach: Array, transfer: Array, allowed: tuple[float, float]
) -> Mask:
    """Return which of some branches would show together, branches x branches."""
    a, b, siemens, amps = branches
    ohms = transfer[np.ix_(a, a)] - transfer[np.ix_(a, b)] - transfer[np.ix_(b, a)] + transfer[np.ix_(b, b)]
    by_other = siemens[:, None] * ohms
    own = 1.0 + np.diag(by_other)
    product = own[:, None] * own
    left = product - by_other * by_other.T
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        taken = (amps[:, None] * own - by_other * amps) / left
        pulled = np.abs(np.diag(ohms)[:, None] * taken + ohms * taken.T)
        # what an opened branch frees is the current it carried, however large the step that stands for it
        steps = np.where(siemens[:, None] > 0.0, np.abs(taken), np.abs(amps)[:, None])
        volts = np.abs(reach[a] - reach[b])[:, None] * np.abs(taken)
        quiet = is_quiet(np.maximum(steps, steps.T), np.maximum(pulled, pulled.T), volts + volts.T, *allowed)
    lost = ROUNDING_SHARE * np.abs(siemens) * (np.abs(transfer[a, a]) + np.abs(transfer[b, b]))
    sure = lost <= KNOWN_SHARE * np.abs(own)
    known = (np.abs(left) > LEAST_LEFT * np.abs(product)) & sure[:, None] & sure
    idle = np.abs(amps) <= NOTHING_V * np.maximum(siemens, 0.0)
    answer: Mask = ~((quiet & known) | (idle[:, None] & idle))
    return answer
