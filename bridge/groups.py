"""What a set of readings cannot tell apart, and what has to be replaced either way."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "REPLACE_SHARE",
    "SAME_ERROR",
    "error_between",
    "label_by_leaders",
    "number_by_mass",
    "smallest_replacement",
    "suspect_packages",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

REPLACE_SHARE = 0.98
SAME_ERROR = 0.25  # two-way: who takes one for the other this often has not told them apart; common practice, no source
MOST_PACKAGES = 12
SLIP = 0.02  # of a reading: it limits what one outcome can prove; common practice, no source


def error_between(mean_a: Array, mean_b: Array, open_a: Array, open_b: Array, own_sd: Array, loads: Array) -> Array:
    """Return the two-way Bayes error between one hypothesis and others, from what they predict.

    Parameters
    ----------
    mean_a : ndarray, readings
        Displays the first predicts; anything where it predicts OL.
    mean_b : ndarray, others x readings
        Displays the others predict.
    open_a : ndarray, readings
        Probability that the first reads OL [1].
    open_b : ndarray, others x readings
        Probability that the others read OL [1].
    own_sd : ndarray, others x readings
        Independent standard deviation of the difference's reference [unit].
    loads : ndarray, others x readings x unknowns
        Answers to the shared unknowns, each of unit variance.

    Returns
    -------
    ndarray, others
        Probability of taking one for the other, at equal odds.

    Notes
    -----
    For two Gaussians of equal covariance the error is Phi(-d/2), d their Mahalanobis distance, and the Bhattacharyya
    coefficient exp(-d^2/8); outcomes such as OL enter with the coefficient of two coins. Kailath, IEEE Trans. Commun.
    Technol. 15 (1967) 52.
    """
    both = (open_a[None, :] < 0.5) & (open_b < 0.5)
    weight = np.where(both, 1.0 / own_sd**2, 0.0)
    with np.errstate(invalid="ignore"):
        gap = np.where(both, mean_b - mean_a[None, :], 0.0)
    loads = np.where(both[:, :, None], loads, 0.0)
    precision = np.eye(loads.shape[2]) + np.einsum("kru,kr,krv->kuv", loads, weight, loads)
    pull = np.einsum("kru,kr,kr->ku", loads, weight, gap)
    explained = np.einsum("ku,kuv,kv->k", pull, np.linalg.inv(precision), pull)
    distance = np.maximum(np.sum(weight * gap**2, axis=1) - explained, 0.0)
    p = np.clip(open_a, SLIP, 1.0 - SLIP)[None, :]
    q = np.clip(open_b, SLIP, 1.0 - SLIP)
    coin = np.sqrt(p * q) + np.sqrt((1.0 - p) * (1.0 - q))
    distance += np.sum(-8.0 * np.log(np.minimum(coin, 1.0)), axis=1)
    return np.array([0.5 * math.erfc(math.sqrt(value) / (2.0 * math.sqrt(2.0))) for value in distance])


def label_by_leaders(
    probability: Array, least: float, most: int, look_alikes: Callable[[int, Mask], Mask | None]
) -> tuple[Index, int]:
    """Return a group for each hypothesis: leaders take all that looks like them and belongs to no group yet.

    Parameters
    ----------
    probability : ndarray, hypotheses
        How probable each is, the most probable first [1].
    least : float
        What is less probable leads no group of its own [1].
    most : int
        How many groups there may be.
    look_alikes : callable
        Given a hypothesis and those that are in no group yet, which of all look like it; None where it can lead no
        group.

    Returns
    -------
    labels : ndarray of int, hypotheses
        One for each.
    rest : int
        The label of what is in no group.
    """
    label = np.full(len(probability), -1, dtype=np.intp)
    group = 0
    for leader in range(len(probability)):
        if probability[leader] < least or group >= most:
            break
        if label[leader] >= 0:
            continue
        free = label < 0
        alike = look_alikes(leader, free)
        if alike is None:
            continue
        label[alike & free] = group
        label[leader] = group
        group += 1
    label[label < 0] = group
    return label, group


def number_by_mass(label: Index, probability: Array, count: int) -> Index:
    """Return the public number of each label: 0 for the group that holds the most probability.

    Parameters
    ----------
    label : ndarray of int, hypotheses
        Group of each hypothesis.
    probability : ndarray, hypotheses
        How probable each is [1].
    count : int
        Number of labels.

    Returns
    -------
    ndarray of int, labels
        Number of each.
    """
    mass = np.bincount(label, weights=probability, minlength=count)
    number = np.empty(len(mass), dtype=np.intp)
    number[np.argsort(-mass, kind="stable")] = np.arange(len(mass))
    return number


def suspect_packages(lists: Mapping[frozenset[str], float]) -> dict[str, float]:
    """Return the probability [1] of each package to be bad, most probable first.

    Parameters
    ----------
    lists : mapping of frozenset to float
        Packages that are bad together with their probability, as `Ranking.replace_lists` is.
    """
    shares: dict[str, float] = {}
    for packages, probability in lists.items():
        for package in packages:
            shares[package] = shares.get(package, 0.0) + probability
    return dict(sorted(shares.items(), key=lambda item: (-item[1], item[0])))


def smallest_replacement(members: Sequence[tuple[frozenset[str], float]]) -> tuple[str, ...]:
    """Return the smallest set of packages that holds at least 98 % of a group.

    Parameters
    ----------
    members : sequence of (frozenset of str, float)
        Packages of each member and its probability, in any order.

    Notes
    -----
    A member lies inside a set when all its packages do. Exhaustive over the most suspect packages; of sets of one size
    the one that holds most wins. Where those few cannot hold it, the least suspect packages are left out one by one as
    long as the rest still does.
    """
    weight: dict[frozenset[str], float] = {}
    for packages, probability in members:
        weight[packages] = weight.get(packages, 0.0) + probability
    names = list(suspect_packages(weight))
    needed = REPLACE_SHARE * math.fsum(weight.values()) - 1e-12 * math.fsum(weight.values())
    bit = {name: 1 << place for place, name in enumerate(names)}
    masks = [(sum(bit[name] for name in packages), value) for packages, value in weight.items()]
    few = names[:MOST_PACKAGES]
    # a member with a package beyond the few lies in no set of them
    inside = [(mask, value) for mask, value in masks if mask < 1 << len(few)]
    if math.fsum(value for _, value in inside) >= needed:
        sets = np.array([mask for mask, _ in inside], dtype=np.int64)
        values = np.array([value for _, value in inside])
        for size in range(len(few) + 1):
            held = {
                chosen: float(values[(sets & ~sum(bit[name] for name in chosen)) == 0].sum())
                for chosen in itertools.combinations(few, size)
            }
            best = max(held, key=lambda chosen: held[chosen])
            if held[best] >= needed:
                return tuple(sorted(best))
    kept = (1 << len(names)) - 1
    for name in reversed(names):
        fewer = kept & ~bit[name]
        if math.fsum(value for mask, value in masks if not mask & ~fewer) >= needed:
            kept = fewer
    return tuple(sorted(name for name in names if kept & bit[name]))
