"""How well each hypothesis explains the readings.

Readings are independent given a few shared unknowns: the drops of each batch of junctions, the gain error of the meter
in each range, the severity of each fault. A first pass over the whole space integrates the batch the readings depend on
most over a grid; what survives is integrated over all shared unknowns exactly, as a linear-Gaussian model, with every
single reading allowed to be a slip.

References
----------
Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), section 5.4.2 (leave-one-out in closed form).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.likelihood import ReadingModel, log_likelihood, normal_cdf
from bridge.table import Displays, ReadingColumn, ReadingTable

__all__ = ["ScreenedSpace", "Survivors", "refine", "screen"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

BATCH_SPREAD_V = (
    0.035  # one board's drops against its board file's; 60 mV spread for one part number over public models
)
GRID_V = np.linspace(-0.075, 0.075, 11)
KEEP_NATS = 20.0
KEEP_MOST = 5000


def _moments(
    model: ReadingModel, displays: Displays, which: Index, shift: Array, primary: int, ln_sigma: Array
) -> tuple[Array, Array]:
    """Return mean and standard deviation of displays on the grid of the primary batch, grid x displays."""
    loads = displays.batch_load[:, which]
    variance = displays.own_sd[which] ** 2 + displays.time_sd[which] ** 2 + model.digits_sd**2
    for batch in range(loads.shape[0]):
        if batch != primary:
            variance = variance + (loads[batch] * BATCH_SPREAD_V) ** 2
    owner = displays.owner[:, which]
    variance = variance + np.sum((displays.severity_load[:, which] * ln_sigma[owner]) ** 2, axis=0)
    value = displays.value[which]
    with np.errstate(invalid="ignore"):
        variance = variance + (np.where(np.isfinite(value), value, 0.0) * model.gain_sd) ** 2
        step = loads[primary] if len(loads) else np.zeros(len(which))
        mean = value[None, :] + shift[:, None] * np.where(np.isfinite(value), step, 0.0)[None, :]
        variance = variance + (step * (GRID_V[1] - GRID_V[0]) / math.sqrt(12.0)) ** 2
    return mean, np.sqrt(variance)


@dataclass(frozen=True, slots=True)
class ScreenedSpace:
    """First-pass log evidence of every hypothesis variant, priors included.

    Parameters
    ----------
    healthy : float
        Of the healthy board.
    single : ndarray, single variants
        Of each single fault at each severity node.
    pair : ndarray, pairs of variants
        Of each pair, in the order of ``FaultSpace.pairs``.
    """

    healthy: float
    single: Array
    pair: Array


def _class_sigma(table: ReadingTable, column: ReadingColumn) -> Array:
    """Return the severity spread of each class of a column's circuit."""
    space = table.space
    size = int(max(column.class_of_single.max(initial=0), column.class_of_double.max(initial=0))) + 1
    sigma = np.zeros(size)
    sigma[column.class_of_single] = space.singles.ln_sigma
    sigma[column.class_of_double] = space.doubles.ln_sigma
    sigma[0] = 0.0
    return sigma


def _primary_batch(table: ReadingTable) -> int:
    """Return the batch that moves the readings of a healthy board most."""
    if not table.batches:
        return 0
    total = np.zeros(len(table.batches))
    for column in table.columns:
        total += np.abs(column.displays.batch_load[:, column.healthy])
    return int(np.argmax(total))


def screen(table: ReadingTable, models: Sequence[ReadingModel]) -> ScreenedSpace:
    """Return first-pass evidence of the whole space.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    models : sequence of ReadingModel
        The readings.
    """
    space = table.space
    primary = _primary_batch(table)
    weights = -0.5 * (GRID_V / BATCH_SPREAD_V) ** 2
    weights -= np.log(np.sum(np.exp(weights)))
    size = len(table.columns[0].pair) if table.columns else 0
    single = np.zeros((len(GRID_V), len(space.singles)), dtype=np.float32)
    double = np.zeros((len(GRID_V), len(space.doubles)), dtype=np.float32)
    upper = np.triu_indices(size)
    pair = np.zeros((len(GRID_V), len(upper[0])), dtype=np.float32)
    healthy = np.zeros(len(GRID_V))
    rows: Index | None = None
    for column, model in zip(table.columns, models, strict=True):
        sigma = _class_sigma(table, column)
        mean, sd = _moments(model, column.displays, column.used, GRID_V, primary, sigma)
        scores = np.empty((len(GRID_V), len(column.displays.value)), dtype=np.float32)
        scores[:, column.used] = log_likelihood(model, column.displays, column.used, mean, sd[None, :], column.limit)
        if rows is not None and not np.array_equal(rows, column.row_of_double):
            raise AssertionError("columns of one table number their pair classes alike")
        rows = column.row_of_double
        picked = column.pair[upper]
        for node in range(len(GRID_V)):
            line = scores[node]
            single[node] += line[column.single]
            double[node] += line[column.double]
            pair[node] += line[picked]
            healthy[node] += line[column.healthy]
    single_total = _log_mean(single, weights)
    double_total = _log_mean(double, weights)
    pair_total = np.full((size, size), -np.inf)
    pair_total[upper] = _log_mean(pair, weights)
    pair_total = np.maximum(pair_total, pair_total.T)
    first, second = space.pairs
    if rows is None:
        rows = np.zeros(len(space.doubles), dtype=np.intp)
    score = pair_total[rows[first], rows[second]] if size else np.zeros(len(first))
    fault_a, fault_b = space.doubles.fault[first], space.doubles.fault[second]
    hidden = hidden_pairs(table)
    score = np.where(hidden == 1, double_total[first], np.where(hidden == 2, double_total[second], score))
    log_weight = space.doubles.log_weight[first] + space.doubles.log_weight[second]
    return ScreenedSpace(
        healthy=float(_log_mean(healthy[:, None], weights)[0]) + space.priors.log_healthy,
        single=single_total + space.singles.log_weight + space.priors.log_single[space.singles.fault],
        pair=score + log_weight + space.priors.log_pair(fault_a, fault_b),
    )


def hidden_pairs(table: ReadingTable) -> NDArray[np.int8]:
    """Return for each pair of variants which member alone is seen: 1 the first, 2 the second, 0 both."""
    space = table.space
    first, second = space.pairs
    fault_a, fault_b = space.doubles.fault[first], space.doubles.fault[second]
    hides = np.zeros((len(space.faults), len(space.faults)), dtype=bool)
    for one, other in space.hides:
        hides[one, other] = True
    return np.where(hides[fault_a, fault_b], 1, np.where(hides[fault_b, fault_a], 2, 0)).astype(np.int8)


def _log_mean(scores: NDArray[np.floating], log_weights: Array) -> Array:
    """Return the log of the weighted mean of exp(scores) over the first axis."""
    total = scores.astype(np.float64) + log_weights[:, None]
    peak = np.max(total, axis=0, initial=-np.inf)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    result: Array = peak + np.log(np.sum(np.exp(total - peak), axis=0))
    return result


@dataclass(frozen=True, slots=True)
class Survivors:
    """Hypothesis variants worth exact treatment, with their evidence and what they predict.

    Parameters
    ----------
    kept : ndarray of int, survivors
        Place in the order healthy, single variants, pairs of variants.
    faults : ndarray of int, survivors x 2
        Fault numbers; -1 where there is none.
    log_evidence : ndarray, survivors
        Log evidence with prior.
    ohms : ndarray, survivors x 2
        Fitted resistance of each fault [ohm]; NaN where it has none.
    surprise : ndarray, survivors x readings
        How far each reading is from what the others lead to expect, in standard deviations; infinite for an outcome the
        hypothesis does not allow.
    slip : ndarray, survivors x readings
        Probability that the reading is a slip, given the hypothesis [1].
    mean, own_sd, open_share : ndarray, survivors x readings
        Predicted display, its independent spread [unit], and the probability of OL [1].
    loads : ndarray, survivors x readings x unknowns
        Answers to the shared unknowns, each scaled to unit variance; the last two are the severities.
    """

    kept: Index
    faults: Index
    log_evidence: Array
    ohms: Array
    surprise: Array
    slip: Array
    mean: Array
    own_sd: Array
    open_share: Array
    loads: Array


def _choose(screened: ScreenedSpace) -> Index:
    """Return places of the variants within reach of the best, the healthy board always among them."""
    every = np.concatenate([[screened.healthy], screened.single, screened.pair])
    floor = float(np.max(every)) - KEEP_NATS
    if np.count_nonzero(every >= floor) > KEEP_MOST:
        floor = float(np.partition(every, len(every) - KEEP_MOST)[len(every) - KEEP_MOST])
    kept = np.flatnonzero(every >= floor)
    return kept if 0 in kept else np.concatenate([[0], kept])


@dataclass(frozen=True, slots=True)
class _Cast:
    """Who the chosen variants are: single ones, pairs, and their member variants."""

    kept: Index
    is_single: NDArray[np.bool_]
    is_pair: NDArray[np.bool_]
    single: Index
    first: Index
    second: Index


def _cast(table: ReadingTable, kept: Index) -> _Cast:
    singles = len(table.space.singles)
    is_single = (kept > 0) & (kept <= singles)
    is_pair = kept > singles
    first, second = table.space.pairs
    pair = kept[is_pair] - 1 - singles
    return _Cast(kept, is_single, is_pair, kept[is_single] - 1, first[pair], second[pair])


def _faults_and_priors(table: ReadingTable, cast: _Cast) -> tuple[Index, Array, Array, Array]:
    """Return fault numbers, log prior, severity node [ohm] and its spread in ln(ohms) of each survivor."""
    space = table.space
    count = len(cast.kept)
    faults = np.full((count, 2), -1, dtype=np.intp)
    ohms = np.full((count, 2), np.nan)
    sigma = np.zeros((count, 2))
    prior = np.full(count, space.priors.log_healthy)
    singles, doubles = space.singles, space.doubles
    faults[cast.is_single, 0] = singles.fault[cast.single]
    ohms[cast.is_single, 0] = singles.ohms[cast.single]
    sigma[cast.is_single, 0] = singles.ln_sigma[cast.single]
    prior[cast.is_single] = singles.log_weight[cast.single] + space.priors.log_single[singles.fault[cast.single]]
    for member, variants in enumerate((cast.first, cast.second)):
        faults[cast.is_pair, member] = doubles.fault[variants]
        ohms[cast.is_pair, member] = doubles.ohms[variants]
        sigma[cast.is_pair, member] = doubles.ln_sigma[variants]
    prior[cast.is_pair] = (
        doubles.log_weight[cast.first]
        + doubles.log_weight[cast.second]
        + space.priors.log_pair(doubles.fault[cast.first], doubles.fault[cast.second])
    )
    return faults, prior, ohms, sigma


def refine(table: ReadingTable, models: Sequence[ReadingModel], screened: ScreenedSpace) -> Survivors:
    """Return exact evidence of the hypothesis variants that the first pass leaves in play.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    models : sequence of ReadingModel
        The readings.
    screened : ScreenedSpace
        First-pass evidence.
    """
    cast = _cast(table, _choose(screened))
    faults, prior, ohms, sigma = _faults_and_priors(table, cast)
    count, batches = len(cast.kept), len(table.batches)
    gains = tuple(dict.fromkeys(model.gain for model in models))
    hidden = hidden_pairs(table)[cast.kept[cast.is_pair] - 1 - len(table.space.singles)]
    shape = (count, len(models))
    mean, own, open_share, other = np.zeros(shape), np.ones(shape), np.zeros(shape), np.zeros(shape)
    counted = np.zeros(shape, dtype=bool)
    loads = np.zeros((*shape, batches + len(gains) + 2))
    for r, (column, model) in enumerate(zip(table.columns, models, strict=True)):
        chosen = np.full(count, column.healthy, dtype=np.intp)
        chosen[cast.is_single] = column.single[cast.single]
        together = column.pair[column.row_of_double[cast.first], column.row_of_double[cast.second]]
        alone = np.where(hidden == 1, column.double[cast.first], column.double[cast.second])
        chosen[cast.is_pair] = np.where(hidden > 0, alone, together)
        shown = column.displays
        value = shown.value[chosen]
        finite = np.isfinite(value)
        mean[:, r] = value
        loads[:, r, :batches] = shown.batch_load[:, chosen].T * BATCH_SPREAD_V
        loads[:, r, batches + gains.index(model.gain)] = np.where(finite, value, 0.0) * model.gain_sd
        members = np.full((count, 2), -1, dtype=np.intp)
        members[cast.is_single, 0] = column.class_of_single[cast.single]
        members[cast.is_pair, 0] = column.class_of_double[cast.first]
        members[cast.is_pair, 1] = column.class_of_double[cast.second]
        for member in (0, 1):
            own_load = np.where(
                shown.owner[0, chosen] == members[:, member],
                shown.severity_load[0, chosen],
                np.where(shown.owner[1, chosen] == members[:, member], shown.severity_load[1, chosen], 0.0),
            )
            loads[:, r, batches + len(gains) + member] = own_load * sigma[:, member]
        own[:, r] = np.sqrt(shown.own_sd[chosen] ** 2 + shown.time_sd[chosen] ** 2 + model.digits_sd**2)
        total = np.sqrt(own[:, r] ** 2 + np.sum(loads[:, r, :] ** 2, axis=1))
        other[:, r] = log_likelihood(model, shown, chosen, value, total, column.limit)
        with np.errstate(invalid="ignore"):
            open_share[:, r] = np.where(finite, 1.0 - normal_cdf((column.limit - value) / total), 1.0)
            near = np.abs(model.value - value) < 12.0 * total
        # a number against a finite prediction enters the joint Gaussian; the rest stands by itself
        counted[:, r] = (model.kind == "number") & finite & near
    values = np.array([model.value for model in models])
    gap = np.where(counted, values[None, :] - np.where(np.isfinite(mean), mean, 0.0), 0.0)
    return _integrate(
        models, (cast.kept, faults, prior, ohms, sigma), (mean, own, open_share, loads), gap, counted, other
    )


def _integrate(
    models: Sequence[ReadingModel],
    who: tuple[Index, Index, Array, Array, Array],
    predicted: tuple[Array, Array, Array, Array],
    gap: Array,
    counted: NDArray[np.bool_],
    other: Array,
) -> Survivors:
    """Integrate the shared unknowns in closed form, no reading or any one of them a slip."""
    kept, faults, prior, ohms, sigma = who
    mean, own, open_share, loads = predicted
    weight = np.where(counted, 1.0 / own**2, 0.0)
    precision = np.eye(loads.shape[2]) + np.einsum("kru,kr,krv->kuv", loads, weight, loads, optimize=True)
    pull = np.einsum("kru,kr->ku", loads, weight * gap)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("kuv,kv->ku", covariance, pull)
    _, log_determinant = np.linalg.slogdet(precision)
    quadratic = np.sum(weight * gap**2, axis=1) - np.sum(pull * shift, axis=1)
    log_own = np.where(counted, np.log(own) + 0.5 * math.log(2.0 * math.pi), 0.0)
    honest = np.array([1.0 - model.slip - model.false_open for model in models])
    joint = -0.5 * quadratic - 0.5 * log_determinant - np.sum(log_own, axis=1)
    joint += np.sum(np.where(counted, np.log(honest), other), axis=1)
    # leave one out, in closed form
    leverage = np.einsum("kru,kuv,krv->kr", loads, covariance, loads, optimize=True) * weight
    remaining = np.maximum(1.0 - leverage, 1e-9)
    residual = (gap - np.einsum("kru,ku->kr", loads, shift)) / remaining
    spread = own / np.sqrt(remaining)
    log_expected = -0.5 * (residual / spread) ** 2 - np.log(spread) - 0.5 * math.log(2.0 * math.pi)
    slip = np.array([math.log(model.slip * model.slip_density) for model in models])
    ratio = np.where(counted, np.exp(np.minimum(slip - np.log(honest) - log_expected, 600.0)), 0.0)
    best = np.array([_best_case(model) for model in models])
    impossible = ~counted & (other < best - 3.0)
    return Survivors(
        kept=kept,
        faults=faults,
        log_evidence=prior + joint + np.log1p(np.sum(ratio, axis=1)),
        ohms=ohms * np.exp(np.clip(shift[:, -2:] * sigma, -3.0, 3.0)),
        surprise=np.where(counted, np.abs(residual) / spread, np.where(impossible, np.inf, 0.0)),
        slip=np.where(counted, ratio / (1.0 + np.sum(ratio, axis=1, keepdims=True)), np.where(impossible, 0.99, 0.0)),
        mean=mean,
        own_sd=own,
        open_share=open_share,
        loads=loads,
    )


def _best_case(model: ReadingModel) -> float:
    """Return the log density a number should at least have, or the log probability of an expected outcome."""
    if model.kind == "number" or not math.isnan(model.value):
        return math.log(model.slip_density) + 2.0
    return 0.0
