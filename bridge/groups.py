"""What a set of readings cannot tell apart, and what has to be replaced either way."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["error_between", "smallest_replacement"]

Array = NDArray[np.float64]

REPLACE_SHARE = 0.98
MOST_PACKAGES = 12


def error_between(
    mean_a: Array, mean_b: Array, open_a: Array, open_b: Array, own_sd: Array, loads: Array, slip: float = 0.02
) -> Array:
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
    slip : float
        Probability that a reading is a slip, which limits what one outcome can prove [1].

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
    p = np.clip(open_a, slip, 1.0 - slip)[None, :]
    q = np.clip(open_b, slip, 1.0 - slip)
    coin = np.sqrt(p * q) + np.sqrt((1.0 - p) * (1.0 - q))
    distance += np.sum(-8.0 * np.log(np.minimum(coin, 1.0)), axis=1)
    return np.array([0.5 * math.erfc(math.sqrt(value) / (2.0 * math.sqrt(2.0))) for value in distance])


def smallest_replacement(members: Sequence[tuple[frozenset[str], float]]) -> tuple[str, ...]:
    """Return the smallest set of packages that holds at least 98 % of a group.

    Parameters
    ----------
    members : sequence of (frozenset of str, float)
        Packages of each member and its probability, the most probable first.

    Notes
    -----
    A member lies inside a set when all its packages do. Exhaustive over the packages of the most probable members; of
    sets of one size the one that holds most wins.
    """
    total = sum(probability for _, probability in members)
    weight: dict[frozenset[str], float] = {}
    for packages, probability in members:
        weight[packages] = weight.get(packages, 0.0) + probability
    suspicion: dict[str, float] = {}
    for packages, probability in members:
        for package in packages:
            suspicion[package] = suspicion.get(package, 0.0) + probability
    names = sorted(suspicion, key=lambda name: -suspicion[name])[:MOST_PACKAGES]
    for size in range(len(names) + 1):
        best: tuple[float, tuple[str, ...]] | None = None
        for chosen in itertools.combinations(names, size):
            inside = frozenset(chosen)
            held = sum(value for packages, value in weight.items() if packages <= inside)
            if best is None or held > best[0] + 1e-12:
                best = (held, chosen)
        if best is not None and best[0] >= REPLACE_SHARE * total - 1e-12:
            return tuple(sorted(best[1]))
    return tuple(sorted(suspicion))
