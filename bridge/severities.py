"""Resistances of faults between their severity nodes: how far they may be, and what the readings make of them.

References
----------
Laplace approximation of the evidence: Kass & Raftery, J. Am. Stat. Assoc. 90 (1995) 773.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CELL_EDGE_SD", "Severities", "cell_spread", "displays_moved", "weigh_severities"]

Array = NDArray[np.float64]

CELL_EDGE_SD = 1.73  # the edge of an even spread, in its own standard deviations
OUTSIDE_NATS = 25.0


def cell_spread(ln_sigma: Array) -> Array:
    """Return the spread of a resistance over its cell, as a share of the node: root of the mean of (R/node - 1)^2.

    Parameters
    ----------
    ln_sigma : ndarray
        Standard deviation of ln R, which is even over the cell [1].
    """
    wide = np.maximum(CELL_EDGE_SD * ln_sigma, 1e-6)
    squared = np.sinh(2.0 * wide) / (2.0 * wide) - 2.0 * np.sinh(wide) / wide + 1.0
    answer: Array = np.where(ln_sigma > 0.0, np.sqrt(np.maximum(squared, 0.0)), 0.0)
    return answer


@dataclass(frozen=True, slots=True)
class Severities:
    """What the resistances of the faults do to the evidence of each survivor.

    Parameters
    ----------
    factor : ndarray, survivors x 2
        Resistance over that of its node [1].
    correction : ndarray, survivors
        ln of how much likelier the resistance is than the Gaussian over its cell says.
    overstretch : ndarray, survivors
        Nats lost where the readings pull a resistance out of its cell.
    told : ndarray, survivors
        Part of the sum of squares that resistances far from their node cost, which is no oddness.
    """

    factor: Array
    correction: Array
    overstretch: Array
    told: Array


def weigh_severities(shift: Array, variance: Array, sigma: Array) -> Severities:
    """Return what is known of resistances whose posterior in R/node - 1 is Gaussian.

    Parameters
    ----------
    shift, variance : ndarray, survivors x 2
        Posterior mean and variance of R/node - 1, in units of its spread over the cell [1].
    sigma : ndarray, survivors x 2
        Standard deviation of ln R over the cell, 0 for a fault without resistance [1].

    Notes
    -----
    A severity node stands for its own cell, in which ln R is even: a Gaussian over R/node - 1 stands in for that as
    long as the readings say nothing; once they fix R, the density there is what counts. Readings that pull it farther
    belong to a neighbour, or to nothing.
    """
    spread, edge = cell_spread(sigma), CELL_EDGE_SD * sigma
    there = sigma > 0.0
    factor = 1.0 + shift * spread
    give = np.sqrt(variance) * spread
    low, high = (np.log(np.maximum(factor + way * give, 1e-4)) for way in (-1.0, 1.0))
    beyond = np.maximum(np.maximum(low - edge, -edge - high), 0.0)
    outside = np.where(there, beyond / np.where(there, sigma, 1.0), 0.0)
    inside = np.clip(np.log(np.maximum(factor, 1e-4)), -edge, edge)
    fixed = 1.0 - variance
    away = np.where(there, np.expm1(inside) / np.where(there, spread, 1.0), 0.0)
    density = -inside - np.log(np.where(there, 2.0 * edge, 1.0))
    gaussian = -0.5 * away**2 - np.log(np.where(there, spread, 1.0) * math.sqrt(2.0 * math.pi))
    return Severities(
        factor=np.clip(factor, math.exp(-3.0), math.exp(3.0)),
        correction=np.sum(np.where(there, fixed * (density - gaussian), 0.0), axis=1),
        overstretch=np.sum(OUTSIDE_NATS * outside**2, axis=1),
        told=np.sum(np.where(there, fixed * shift**2, 0.0), axis=1),
    )


def displays_moved(loads: Array, factor: Array, sigma: Array) -> Array:
    """Return by how much displays move when resistances go from their nodes to where readings have them.

    Parameters
    ----------
    loads : ndarray, survivors x readings x 2
        Move of each display for one spread of each resistance over its cell [unit].
    factor : ndarray, survivors x 2
        Resistance over that of its node; NaN for a fault without resistance [1].
    sigma : ndarray, survivors x 2
        Standard deviation of ln R over the cell, 0 for a fault without resistance [1].
    """
    spread = cell_spread(sigma)
    edge = np.exp(CELL_EDGE_SD * sigma)  # beyond it the neighbouring node speaks
    inside = np.clip(np.where(np.isfinite(factor), factor, 1.0), 1.0 / edge, edge)
    steps = np.where(spread > 0.0, (inside - 1.0) / np.where(spread > 0.0, spread, 1.0), 0.0)
    moved: Array = np.einsum("kru,ku->kr", loads, steps)
    return moved
