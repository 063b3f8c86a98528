"""What a reading is expected to tell about what to replace: outcomes, and information over them.

References
----------
de Kleer & Williams, Artif. Intell. 32 (1987) 97 (next measurement by expected information, one step ahead).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SLIP", "entropy", "expected_gain", "joint_shares", "outcomes_of"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SLIP = 0.03  # a reading this often shows something else: bad contact, wrong place, wrong digits
CLUSTER_GAP = 3.5  # standard deviations between two displays that count as different outcomes


def outcomes_of(place: Array, sd: Array) -> Index:
    """Sort displays into outcomes: 0 for OL, then runs of values that no gap of several standard deviations parts.

    Parameters
    ----------
    place : ndarray, boards
        Displays on a scale on which they can be compared; infinite for OL.
    sd : ndarray, boards
        Their spread on it.
    """
    outcome = np.zeros(len(place), dtype=np.intp)
    finite = np.flatnonzero(np.isfinite(place))
    order = finite[np.argsort(place[finite], kind="stable")]
    label = 0
    for number, index in enumerate(order.tolist()):
        if number:
            before = order[number - 1]
            if place[index] - place[before] > CLUSTER_GAP * max(sd[index], sd[before]):
                label += 1
        outcome[index] = label + 1
    return outcome


def joint_shares(outcome: Index, weight: Array, target: Index, targets: int) -> Array:
    """Return how probable each outcome with each target is, outcomes x targets, slips allowed for.

    Parameters
    ----------
    outcome : ndarray of int, boards
        Outcome each board gives.
    weight : ndarray, boards
        How probable each board is [1].
    target : ndarray of int, boards
        What would be replaced on each.
    targets : int
        Number of different targets.
    """
    count = int(outcome.max()) + 1
    joint = np.zeros((count, targets))
    np.add.at(joint, (outcome, target), weight)
    # a slip may show any outcome
    return (1.0 - SLIP) * joint + SLIP * np.outer(np.full(count, 1.0 / count), joint.sum(axis=0))


def expected_gain(joint: Array) -> float:
    """Return the information that a reading gives about the target [bit].

    Parameters
    ----------
    joint : ndarray, outcomes x targets
        As `joint_shares` returns it.
    """
    gain = entropy(joint.sum(axis=1)) + entropy(joint.sum(axis=0)) - entropy(joint.ravel())
    return max(gain, 0.0)


def entropy(probability: Array) -> float:
    """Return the entropy of a distribution [bit].

    Parameters
    ----------
    probability : ndarray
        Probabilities [1].
    """
    positive = probability[probability > 0.0]
    return float(-np.sum(positive * np.log2(positive)))
