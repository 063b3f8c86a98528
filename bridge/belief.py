"""Posterior over hypotheses, and the groups that these readings cannot tell apart."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.faultspace import FaultSpace
from bridge.groups import SAME_ERROR, error_between, label_by_leaders
from bridge.growth import GrownSets
from bridge.survivors import Survivors

__all__ = ["LEAST_LEADER", "Beliefs", "join", "label_groups", "log_evidence_of_all", "weigh"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

LEAST_LEADER = 1e-4  # hypotheses less probable than this lead no group of their own
TIE = 1e-6  # of the probability: between two equal halves rounding does not choose the resistance that is shown
MOST_LEADERS = 60


@dataclass(frozen=True, slots=True)
class Beliefs:
    """Posterior over all hypotheses, most probable first.

    Parameters
    ----------
    faults : ndarray of int, hypotheses x size of the largest
        Fault numbers; -1 where there is none.
    probability : ndarray, hypotheses
        Posterior probability [1].
    ohms : ndarray, hypotheses x size of the largest
        Posterior median of each fault's resistance, for larger sets its best value [ohm]; NaN where there is none.
    hypothesis_of_survivor : ndarray of int, survivors
        Hypothesis each survivor is a variant of.
    best_survivor : ndarray of int, hypotheses
        Its most probable variant; -1 for a hypothesis the first pass dropped.
    """

    faults: Index
    probability: Array
    ohms: Array
    hypothesis_of_survivor: Index
    best_survivor: Index


def weigh(space: FaultSpace, survivors: Survivors, screened: Array, grown: GrownSets | None) -> Beliefs:
    """Sum variants into hypotheses; what the first pass dropped keeps its first-pass weight.

    Parameters
    ----------
    space : FaultSpace
        Healthy, singles and pairs.
    survivors : Survivors
        The variants treated exactly.
    screened : ndarray, variants
        First-pass log evidence of healthy, singles and pairs, in this order.
    grown : GrownSets or None
        Larger sets, with evidence on the scale of the survivors'.
    """
    log_weight = screened + (np.max(survivors.log_evidence) - np.max(screened))
    log_weight[survivors.kept] = survivors.log_evidence
    larger = np.zeros(0) if grown is None else grown.survivors.log_evidence
    peak = max(float(np.max(log_weight)), float(np.max(larger, initial=-np.inf)))
    count = len(space.faults)
    first, second = space.pairs
    a = np.concatenate([[-1], space.singles.fault, space.doubles.fault[first]])
    b = np.concatenate([[-1], np.full(len(space.singles), -1), space.doubles.fault[second]])
    code = (a + 1) * (count + 1) + (b + 1)
    total = np.bincount(code, weights=np.exp(log_weight - peak), minlength=(count + 1) ** 2)
    exists = np.unique(code)
    sets = [] if grown is None else list(grown.sets)
    new = np.array([len(one) > 2 for one in sets], dtype=np.bool_)
    for one, evidence in zip(sets, larger.tolist(), strict=True):
        if len(one) == 2:  # a pair that growth has weighed again
            pair = (one[0] + 1) * (count + 1) + one[1] + 1
            total[pair] = max(total[pair], math.exp(evidence - peak))
    weight = np.concatenate([total[exists], np.exp(larger[new] - peak)])
    order = np.argsort(-weight, kind="stable")
    rank_of = np.empty(len(order), dtype=np.intp)
    rank_of[order] = np.arange(len(order))
    small = len(exists)
    place = np.full((count + 1) ** 2, -1, dtype=np.intp)
    place[exists] = rank_of[:small]
    hypothesis = place[code[survivors.kept]]
    width = 2 if grown is None else max(len(one) for one in grown.sets)
    faults = np.full((len(order), max(width, 2)), -1, dtype=np.intp)
    faults[rank_of[:small], 0] = exists // (count + 1) - 1
    faults[rank_of[:small], 1] = exists % (count + 1) - 1
    ohms = np.full(faults.shape, np.nan)
    ohms[:, :2] = _median_ohms(survivors, hypothesis, len(order))
    if grown is not None:
        rows = np.empty(len(sets), dtype=np.intp)
        rows[new] = rank_of[small:]
        rows[~new] = [place[(one[0] + 1) * (count + 1) + one[1] + 1] for one in sets if len(one) == 2]
        for row, members, values in zip(rows.tolist(), grown.sets, grown.ohms, strict=True):
            faults[row, : len(members)] = members
            ohms[row, : len(members)] = values
        hypothesis = np.concatenate([hypothesis, rows])
    evidence = np.concatenate([survivors.log_evidence, larger])
    best = np.full(len(order), -1, dtype=np.intp)
    by_evidence = np.argsort(evidence, kind="stable")
    best[hypothesis[by_evidence]] = by_evidence
    return Beliefs(faults, weight[order] / np.sum(weight), ohms, hypothesis, best)


def log_evidence_of_all(survivors: Survivors, grown: GrownSets | None) -> float:
    """Return the log evidence of everything ranked, priors included; pairs that growth weighed again count once.

    Parameters
    ----------
    survivors : Survivors
        Singles and pairs.
    grown : GrownSets or None
        Larger sets, and pairs weighed again.
    """
    total = float(np.logaddexp.reduce(survivors.log_evidence))
    if grown is None:
        return total
    larger = np.array([len(faults) > 2 for faults in grown.sets])
    return float(np.logaddexp.reduce(grown.survivors.log_evidence[larger], initial=total))


def join(survivors: Survivors, grown: GrownSets | None) -> Survivors:
    """Return what singles, pairs and larger sets predict as one table, in this order.

    Parameters
    ----------
    survivors : Survivors
        Singles and pairs.
    grown : GrownSets or None
        Larger sets.
    """
    if grown is None:
        return survivors
    pieces = survivors, grown.survivors
    names = [field.name for field in dataclasses.fields(Survivors)]
    return Survivors(**{name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names})


def _median_ohms(survivors: Survivors, hypothesis: Index, count: int) -> Array:
    """Return the posterior median resistance of each hypothesis's faults over its severity nodes."""
    ohms = np.full((count, 2), np.nan)
    weight = np.exp(survivors.log_evidence - np.max(survivors.log_evidence))
    for member in (0, 1):
        value = survivors.ohms[:, member]
        order = np.lexsort((value, hypothesis))
        order = order[np.isfinite(value[order])]
        if not len(order):
            continue  # no survivor has a resistance to fit here
        owners, begins = np.unique(hypothesis[order], return_index=True)
        for owner, rows in zip(owners.tolist(), np.split(order, begins[1:]), strict=True):
            running = np.cumsum(weight[rows])
            ohms[owner, member] = value[rows[np.searchsorted(running, (0.5 - TIE) * running[-1])]]
    return ohms


def label_groups(survivors: Survivors, beliefs: Beliefs) -> tuple[Index, int]:
    """Return a group for each hypothesis: leaders by probability take all that these readings cannot tell from them.

    Parameters
    ----------
    survivors : Survivors
        What the hypotheses predict, larger sets included.
    beliefs : Beliefs
        Their probabilities.

    Returns
    -------
    labels : ndarray of int, hypotheses
        One for each.
    rest : int
        The label of what is too improbable to lead a group or was dropped in the first pass; no group of look-alikes.
    """
    count = len(beliefs.probability)

    def look_alikes(leader: int, free: Mask) -> Mask | None:
        if beliefs.best_survivor[leader] < 0:
            return None
        rows = np.flatnonzero(free[beliefs.hypothesis_of_survivor])
        closest = np.zeros(count)
        error = _errors(survivors, int(beliefs.best_survivor[leader]), rows)
        np.maximum.at(closest, beliefs.hypothesis_of_survivor[rows], error)
        alike: Mask = closest >= SAME_ERROR
        return alike

    return label_by_leaders(beliefs.probability, LEAST_LEADER, MOST_LEADERS, look_alikes)


def _errors(survivors: Survivors, leader: int, others: Index) -> Array:
    severities = survivors.loads[others][:, :, -2:]
    own = np.broadcast_to(survivors.loads[leader], (len(others), *survivors.loads[leader].shape))
    return error_between(
        survivors.fitted[leader],
        survivors.fitted[others],
        survivors.open_share[leader],
        survivors.open_share[others],
        np.maximum(survivors.own_sd[leader], survivors.own_sd[others]),
        np.concatenate([own, severities], axis=2),
    )
