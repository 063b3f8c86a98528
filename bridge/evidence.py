"""How well each hypothesis explains the readings.

Readings are independent given a few shared unknowns: the drops of each batch of junctions, the gain error of the meter in
each range, the severity of each fault. A first pass over the whole space integrates the batch the readings depend on most
over a grid; what survives is integrated over all shared unknowns exactly, as a linear-Gaussian model, with every single
reading allowed to be a slip.

References
----------
Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), section 5.4.2 (leave-one-out in closed form).
Box & Tiao, Biometrika 55 (1968) 119 (contamination model of bad readings).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.meter import MeterProfile
from bridge.readings import Reading
from bridge.table import Displays, ReadingColumn, ReadingTable

__all__ = ["ScreenedSpace", "Survivors", "refine", "screen"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

BATCH_SPREAD_V = 0.035  # one board's drops against its board file's; 60 mV spread for one part number over public models
GRID_V = np.linspace(-0.075, 0.075, 11)
FALSE_OL = 0.02  # a coating, a bad contact: the commonest slip; common practice, no source
WRONG_READING = 0.012  # wrong terminal or wrong digits; manual entry goes wrong in 1-4 % of cases
DOUBTED_SLIP = 0.3  # a reading its own technician doubts
DECADES_OF_OHMS = 18.0  # ln of what an ohmmeter can show, 0.1 ohm to 10 Mohm
WORST_DIGITS = 1e-4
KEEP_NATS = 16.0
KEEP_MOST = 4000


def _normal_cdf(z: Array) -> Array:
    """Return the standard normal distribution function (Abramowitz & Stegun 26.2.17, error below 7.5e-8)."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * poly
    return np.where(z > 0.0, 1.0 - tail, tail)


@dataclass(frozen=True, slots=True)
class ReadingModel:
    """What a reading says, in the terms the likelihood needs.

    Parameters
    ----------
    kind : str
        ``number``, ``OL``, ``beep``, ``chirp``, ``climbing`` or ``falling``.
    value : float
        Number read [V] or [ohm]; NaN if there is none.
    digits_sd, gain_sd : float
        Meter error: independent [unit] and shared, relative [1].
    gain : str
        Mode and range that share a gain error.
    slip, false_open : float
        Probability of a wrong number and of a false OL [1].
    slip_density : float
        Density of a wrong number [1/unit].
    """

    kind: str
    value: float
    digits_sd: float
    gain_sd: float
    gain: str
    slip: float
    false_open: float
    slip_density: float
    to_ol: bool


def model_reading(reading: Reading, meter: MeterProfile) -> ReadingModel:
    """Return a reading in the terms of the likelihood.

    Parameters
    ----------
    reading : Reading
        What was read.
    meter : MeterProfile
        The meter it was read on.
    """
    probing = reading.probing
    value = float("nan") if reading.value is None else reading.value
    kind = {"steady": "number"}.get(reading.state, reading.state)
    mode, range_name = probing.mode, probing.range_name
    at = 0.0 if math.isnan(value) else abs(value)
    gain_sd, digits_sd = meter.sigma(mode, range_name, at)
    gain = mode
    if mode in ("ohms", "continuity"):
        gain = f"ohms:{range_name if range_name is not None else meter.range_for(at).name}"
        density = 1.0 / (DECADES_OF_OHMS * max(at, 0.5))
    else:
        density = 1.0 / (meter.diode.limit_volts if mode == "diode" else 20.0)
    doubt = DOUBTED_SLIP if reading.doubted else 0.0
    return ReadingModel(
        kind=kind,
        value=value,
        digits_sd=digits_sd,
        gain_sd=gain_sd,
        gain=gain,
        slip=max(WRONG_READING, doubt),
        false_open=max(FALSE_OL, doubt),
        slip_density=density,
        to_ol=reading.to_ol,
    )


def _log_likelihood(model: ReadingModel, displays: Displays, which: Index, mean: Array, sd: Array, limit: float) -> Array:
    """Return the log probability of a reading under each display, slips included; ``mean`` may be infinite."""
    open_share = np.where(np.isfinite(mean), 1.0 - _normal_cdf((limit - mean) / sd), 1.0)
    start, end = displays.start[which], displays.end[which]
    low = np.where(np.isfinite(start), np.minimum(start, np.where(np.isfinite(end), end, limit)), limit)
    high = np.where(np.isfinite(end), np.maximum(end, np.where(np.isfinite(start), start, limit)), limit)
    moving = np.where(np.isfinite(low), high - low, 0.0) > 4.0 * model.digits_sd
    climbs = moving & (np.where(np.isfinite(end), end, np.inf) > np.where(np.isfinite(start), start, np.inf))
    honest = 1.0 - model.slip
    if model.kind == "OL":
        with np.errstate(divide="ignore"):
            return np.log((1.0 - model.false_open) * open_share + model.false_open)
    if model.kind == "number":
        with np.errstate(invalid="ignore", over="ignore"):
            z = np.where(np.isfinite(mean), (model.value - mean) / sd, 1e3)
            density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / (sd * math.sqrt(2.0 * math.pi))
            # written down while it still moved: anywhere between first and last value
            passing = moving & (model.value >= low - model.digits_sd) & (model.value <= high + model.digits_sd)
            spread = np.where(passing, 1.0 / np.maximum(high - low, model.digits_sd), 0.0)
        settled = np.where(moving, 0.75, 1.0)
        return np.log(
            (honest - model.false_open) * (settled * density + (1.0 - settled) * spread)
            + model.slip * model.slip_density
        )
    if model.kind in ("climbing", "falling"):
        right_way = climbs if model.kind == "climbing" else moving & ~climbs
        if model.to_ol:
            right_way = right_way & ~np.isfinite(end)
        if math.isnan(model.value):
            return np.log(honest * (0.95 * right_way) + 0.05 * honest + model.slip)
        inside = (model.value >= low - 3 * model.digits_sd) & (model.value <= high + 3 * model.digits_sd)
        spread = np.where(right_way & inside, 1.0 / np.maximum(high - low, model.digits_sd), 0.0)
        return np.log(0.95 * honest * spread + (0.05 + model.slip) * model.slip_density)
    threshold = model.value  # beep and chirp carry the meter's threshold
    below = np.where(np.isfinite(mean), _normal_cdf((threshold - mean) / sd), 0.0)
    if model.kind == "chirp":
        below = np.where(np.isfinite(start) & (start < threshold), 1.0 - below, 0.0)
    return np.log((1.0 - model.slip) * below + model.slip)


def _moments(model: ReadingModel, displays: Displays, which: Index, shift: Array, primary: int, ln_sigma: Array) -> tuple[Array, Array]:
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


def screen(table: ReadingTable, readings: Sequence[Reading], models: Sequence[ReadingModel]) -> ScreenedSpace:
    """Return first-pass evidence of the whole space.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    readings, models : sequence
        The readings and their models.
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
        scores[:, column.used] = _log_likelihood(model, column.displays, column.used, mean, sd[None, :], column.limit)
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
    """Hypothesis variants worth exact treatment, with their evidence and fitted unknowns.

    Parameters
    ----------
    variant : ndarray of int, survivors x 2
        Single survivors: (single variant, -1); pairs: (coarse variant, coarse variant); the healthy board: (-1, -1).
    log_evidence : ndarray, survivors
        Log evidence with prior.
    display : ndarray of int, survivors x readings
        Display of each reading.
    ohms : ndarray, survivors x 2
        Fitted resistance of each fault [ohm]; NaN where it has none.
    surprise : ndarray, survivors x readings
        How far each reading is from what the others lead to expect, in standard deviations; infinite for an outcome the
        hypothesis does not allow.
    slip : ndarray, survivors x readings
        Probability that the reading is a slip, given the hypothesis [1].
    """

    variant: Index
    log_evidence: Array
    display: Index
    ohms: Array
    surprise: Array
    slip: Array


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
    space = table.space
    every = np.concatenate([[screened.healthy], screened.single, screened.pair])
    floor = np.max(every) - KEEP_NATS
    if np.count_nonzero(every >= floor) > KEEP_MOST:
        floor = np.partition(every, len(every) - KEEP_MOST)[len(every) - KEEP_MOST]
    kept = np.flatnonzero(every >= floor)
    kept = kept if 0 in kept else np.concatenate([[0], kept])
    singles = len(screened.single)
    is_single = (kept > 0) & (kept <= singles)
    is_pair = kept > singles
    first, second = space.pairs
    variant = np.full((len(kept), 2), -1, dtype=np.intp)
    variant[is_single, 0] = kept[is_single] - 1
    variant[is_pair, 0] = first[kept[is_pair] - 1 - singles]
    variant[is_pair, 1] = second[kept[is_pair] - 1 - singles]
    hidden = np.zeros(len(kept), dtype=np.int8)
    hidden[is_pair] = hidden_pairs(table)[kept[is_pair] - 1 - singles]
    prior = np.full(len(kept), space.priors.log_healthy)
    s = variant[is_single, 0]
    prior[is_single] = space.singles.log_weight[s] + space.priors.log_single[space.singles.fault[s]]
    a, b = variant[is_pair, 0], variant[is_pair, 1]
    prior[is_pair] = (
        space.doubles.log_weight[a]
        + space.doubles.log_weight[b]
        + space.priors.log_pair(space.doubles.fault[a], space.doubles.fault[b])
    )
    gains = tuple(dict.fromkeys(model.gain for model in models))
    batches = len(table.batches)
    unknowns = batches + len(gains) + 2
    count = len(kept)
    display = np.zeros((count, len(models)), dtype=np.intp)
    loads = np.zeros((count, len(models), unknowns))
    own = np.full((count, len(models)), 1.0)
    gap = np.zeros((count, len(models)))
    counted = np.zeros((count, len(models)), dtype=bool)
    other = np.zeros((count, len(models)))
    for r, (column, model) in enumerate(zip(table.columns, models, strict=True)):
        chosen = np.full(count, column.healthy, dtype=np.intp)
        chosen[is_single] = column.single[variant[is_single, 0]]
        chosen[is_pair] = column.pair[column.row_of_double[a], column.row_of_double[b]]
        alone = np.where(hidden[is_pair] == 1, column.double[a], column.double[b])
        chosen[is_pair] = np.where(hidden[is_pair] > 0, alone, chosen[is_pair])
        display[:, r] = chosen
        shown = column.displays
        value = shown.value[chosen]
        loads[:, r, :batches] = shown.batch_load[:, chosen].T * BATCH_SPREAD_V
        with np.errstate(invalid="ignore"):
            loads[:, r, batches + gains.index(model.gain)] = np.where(np.isfinite(value), value, 0.0) * model.gain_sd
        sigma = _class_sigma(table, column)
        for member, classes, mask in (
            (0, column.class_of_single[np.maximum(variant[:, 0], 0) % max(len(column.class_of_single), 1)], is_single),
            (0, column.class_of_double[np.maximum(variant[:, 0], 0) % max(len(column.class_of_double), 1)], is_pair),
            (1, column.class_of_double[np.maximum(variant[:, 1], 0) % max(len(column.class_of_double), 1)], is_pair),
        ):
            own_load = np.where(
                shown.owner[0, chosen] == classes,
                shown.severity_load[0, chosen],
                np.where(shown.owner[1, chosen] == classes, shown.severity_load[1, chosen], 0.0),
            )
            loads[mask, r, batches + len(gains) + member] = (own_load * sigma[classes])[mask]
        own[:, r] = np.sqrt(shown.own_sd[chosen] ** 2 + shown.time_sd[chosen] ** 2 + model.digits_sd**2)
        total = np.sqrt(own[:, r] ** 2 + np.sum(loads[:, r, :] ** 2, axis=1))
        other[:, r] = _log_likelihood(model, shown, chosen, value, total, column.limit)
        # a number against a settled finite prediction enters the joint Gaussian; the rest stands by itself
        moving = np.abs(shown.end[chosen] - shown.start[chosen]) > 4.0 * model.digits_sd
        with np.errstate(invalid="ignore"):
            near = np.abs(model.value - value) < 12.0 * total
        counted[:, r] = (model.kind == "number") & np.isfinite(value) & ~moving & near
        gap[:, r] = np.where(counted[:, r], model.value - np.where(np.isfinite(value), value, 0.0), 0.0)
    return _integrate(models, variant, prior, display, loads, own, gap, counted, other, _node_ohms(space, variant, is_single, is_pair), (batches + len(gains)))


def _node_ohms(space: object, variant: Index, is_single: NDArray[np.bool_], is_pair: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the severity node [ohm] and its spread in ln(ohms) of both faults of each survivor."""
    from bridge.table import FaultSpace

    assert isinstance(space, FaultSpace)
    ohms = np.full(variant.shape, np.nan)
    sigma = np.zeros(variant.shape)
    ohms[is_single, 0] = space.singles.ohms[variant[is_single, 0]]
    sigma[is_single, 0] = space.singles.ln_sigma[variant[is_single, 0]]
    for member in (0, 1):
        ohms[is_pair, member] = space.doubles.ohms[variant[is_pair, member]]
        sigma[is_pair, member] = space.doubles.ln_sigma[variant[is_pair, member]]
    return ohms, sigma


def _integrate(
    models: Sequence[ReadingModel],
    variant: Index,
    prior: Array,
    display: Index,
    loads: Array,
    own: Array,
    gap: Array,
    counted: NDArray[np.bool_],
    other: Array,
    nodes: tuple[Array, Array],
    severity_at: int,
) -> Survivors:
    """Integrate the shared unknowns in closed form, no reading or any one of them a slip."""
    weight = np.where(counted, 1.0 / own**2, 0.0)
    unknowns = loads.shape[2]
    precision = np.eye(unknowns) + np.einsum("kru,kr,krv->kuv", loads, weight, loads)
    pull = np.einsum("kru,kr,kr->ku", loads, weight, gap)
    covariance = np.linalg.inv(precision)
    mean = np.einsum("kuv,kv->ku", covariance, pull)
    _, log_determinant = np.linalg.slogdet(precision)
    quadratic = np.sum(weight * gap**2, axis=1) - np.einsum("ku,ku->k", pull, mean)
    log_own = np.where(counted, np.log(own) + 0.5 * math.log(2.0 * math.pi), 0.0)
    honest = np.array([1.0 - model.slip - model.false_open for model in models])
    joint = -0.5 * quadratic - 0.5 * log_determinant - np.sum(log_own, axis=1)
    joint += np.sum(np.where(counted, np.log(honest), other), axis=1)
    # leave one out, in closed form
    leverage = np.einsum("kru,kuv,krv->kr", loads, covariance, loads) * weight
    remaining = np.maximum(1.0 - leverage, 1e-9)
    residual = (gap - np.einsum("kru,ku->kr", loads, mean)) / remaining
    spread = own / np.sqrt(remaining)
    log_expected = -0.5 * (residual / spread) ** 2 - np.log(spread) - 0.5 * math.log(2.0 * math.pi)
    slip = np.array([math.log(model.slip * model.slip_density) for model in models])
    with np.errstate(over="ignore"):
        ratio = np.where(counted, np.exp(np.minimum(slip - np.log(honest) - log_expected, 600.0)), 0.0)
    log_evidence = prior + joint + np.log1p(np.sum(ratio, axis=1))
    best = np.array([_best_case(model) for model in models])
    impossible = ~counted & (other < best - 3.0)
    surprise = np.where(counted, np.abs(residual) / spread, np.where(impossible, np.inf, 0.0))
    share = np.where(counted, ratio / (1.0 + np.sum(ratio, axis=1, keepdims=True)), np.where(impossible, 0.99, 0.0))
    ohms, sigma = nodes
    shift = mean[:, severity_at : severity_at + 2] * sigma
    return Survivors(variant, log_evidence, display, ohms * np.exp(np.clip(shift, -3.0, 3.0)), surprise, share)


def _best_case(model: ReadingModel) -> float:
    """Return the log probability a reading has where it is what was expected."""
    if model.kind == "number":
        return math.log(model.slip_density)
    if model.kind in ("climbing", "falling") and not math.isnan(model.value):
        return math.log(model.slip_density)
    return 0.0
