"""How well each hypothesis explains the readings.

Readings are independent given a few shared unknowns: the drops of each batch of junctions, the gain error of the meter
in each range, the severity of each fault, the temperature, and whether parts stray as far as they are said to or twice
as far. A first pass over the whole space integrates the batch the readings depend on most, and with it the temperature,
over a grid; what survives is integrated over all shared unknowns exactly, as a linear-Gaussian model, with every single
reading allowed to be a slip.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.columndisplays import ColumnDisplays
from bridge.likelihood import ReadingModel, as_read, by_ratio, early_density, early_share, log_likelihood, normal_cdf
from bridge.predict import UNKNOWN, Progress
from bridge.readingcolumn import ReadingColumn, solve_together
from bridge.severities import CELL_EDGE_SD, cell_spread, displays_moved
from bridge.spreads import BATCH_SPREAD_V, PART_SPREADS
from bridge.sums import log_mean, number_values
from bridge.survivors import Survivors, integrate, mix
from bridge.table import ReadingTable

__all__ = ["ScreenedSpace", "refine", "screen"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]
Scores = NDArray[np.float32]

GRID_V = np.linspace(-0.075, 0.075, 11)
MOST_NEPERS = 40.0  # of a display that goes with the drops: beyond all resistances there are, 0.1 mohm to 10 Gohm
FARTHEST_SD = 6.0  # a number farther from its prediction than this is a slip or the hypothesis is wrong
EARLY_NATS = 1.0  # by how much an early channel must say it better, beside what all drops together may be off
LEAST_SHARE = 1e-6  # of what a shared unknown moves, a display's own spread: less is lost in double precision
LEAST_LENT = 1e-6
KEEP_NATS = 12.0
UNDECIDED = 0.5  # chance of OL where a solve did not converge

GUESS_NATS = 2.0  # by how much an answer that is only close may be misjudged
HOPE_NATS = 1.5  # by how much two faults may explain one reading better than any single fault
KEEP_MOST = 5000
ROUNDS = (1, 2, 4, None)  # readings that each pair is solved for at a time; None: all that are left


def _scores(column: ReadingColumn, model: ReadingModel, primary: int, start: Index, end: Index) -> Scores:
    """Return the log likelihood of a reading on the grid of the primary batch, grid x displays."""
    place, scores = _distinct_scores(column, model, primary, start, end)
    return scores.take(place, axis=1)


def _distinct_scores(
    column: ReadingColumn, model: ReadingModel, primary: int, start: Index, end: Index
) -> tuple[Index, Scores]:
    """Return which distinct display each one is, and the log likelihoods of those, grid x distinct displays."""
    count = len(column.cells.answers.value)
    first, begins = number_values(start, count)
    second, ends = number_values(end, count)
    place, codes = number_values(first * len(ends) + second, len(begins) * len(ends))
    shown = as_read(column.displays(begins[codes // len(ends)], ends[codes % len(ends)]), model)
    variance = shown.own_sd**2 + shown.time_sd**2 + model.digits_sd**2
    lead, warm = shown.batch_load[primary], shown.batch_load[-1]
    # a warm bench looks like drops that are low: both are looked over together
    lead = np.copysign(np.hypot(lead, warm), np.where(np.abs(lead) > np.abs(warm), lead, -warm))
    for batch, load in enumerate(shown.batch_load[:-1]):
        if batch != primary:
            variance = variance + (load * BATCH_SPREAD_V) ** 2
    moved = variance + (lead * BATCH_SPREAD_V) ** 2
    ratio = by_ratio(model, shown.value, np.sqrt(moved))
    variance = variance + np.sum((shown.severity_load * cell_spread(column.ln_sigma[shown.owner])) ** 2, axis=0)
    finite = np.where(np.isfinite(shown.value), shown.value, 0.0)
    step = np.where(np.isfinite(shown.value), lead, 0.0)
    variance = variance + (finite * model.gain_sd) ** 2 + (step * (GRID_V[1] - GRID_V[0]) / math.sqrt(12.0)) ** 2
    mean = shown.value[None, :] + GRID_V[:, None] * step[None, :]
    sd = np.sqrt(variance)[None, :]
    if ratio.any():
        nepers = GRID_V[:, None] * np.where(ratio, step / np.where(ratio, shown.value, 1.0), 0.0)
        factor = np.exp(np.clip(nepers, -MOST_NEPERS, MOST_NEPERS))
        mean, sd = np.where(ratio, shown.value * factor, mean), np.where(ratio, sd * factor, sd)
    every = np.arange(len(shown.value))
    score = log_likelihood(model, shown, every, mean, sd, column.limit, ratio)
    return place, score.astype(np.float32)


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


def _primary_batch(table: ReadingTable) -> int:
    """Return the batch that moves the readings of a healthy board most."""
    total = np.zeros(len(table.batches))
    healthy = np.zeros(1, dtype=np.intp)
    for column in table.columns:
        _, end = column.of_classes(healthy)
        load = column.cells.answers.batch_load[:, end[0]]
        total += np.abs(load)
    return int(np.argmax(total[:-1])) if len(total) > 1 else 0  # the last is the temperature, alone where nothing drops


def screen(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    progress: Progress | None = None,
    *,
    pairs: bool = True,
    among: Mask | None = None,
    floor: float = -math.inf,
    keep_nats: float = KEEP_NATS,
) -> ScreenedSpace:
    """Return first-pass evidence of the whole space.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    models : sequence of ReadingModel
        The readings.
    progress : callable, optional
        Called with readings done and readings to do.
    pairs : bool
        Whether pairs are weighed too; without, they count as impossible.
    among : ndarray of bool, pairs of variants, optional
        The pairs to weigh, in the order of ``FaultSpace.pairs``; the others count as impossible.
    floor : float
        Log evidence, prior included, of an explanation known beforehand; what falls short of it is given up sooner.
    keep_nats : float
        How far behind the best explanation a pair may fall before it is given up [nat].

    Notes
    -----
    Singles and the healthy board are weighed completely. A pair needs a solve only where both faults act on a reading
    together; as long as one is outstanding the reading counts as explained better than by any single fault. A pair
    whose bound falls ``keep_nats`` below the best explanation is given up: the rest of its solves cannot bring it
    back, and it keeps the evidence that its members lead to expect.
    """
    space = table.space
    primary = _primary_batch(table)
    weights = -0.5 * (GRID_V / BATCH_SPREAD_V) ** 2
    weights -= np.log(np.sum(np.exp(weights)))
    single = np.zeros((len(GRID_V), len(space.singles)), dtype=np.float32)
    double = np.zeros((len(GRID_V), len(space.doubles)), dtype=np.float32)
    healthy = np.zeros((len(GRID_V), 1), dtype=np.float32)
    hopes = np.full(len(models), -np.inf)
    alike, member = _alike_everywhere(table) if pairs else (np.zeros(0, dtype=np.intp),) * 2
    peaks = np.zeros((len(models), len(member)))
    for r, (column, model) in enumerate(zip(table.columns, models, strict=True)):
        for total, classes in (
            (single, column.class_of_single),
            (double, column.class_of_double),
            (healthy, np.zeros(1, dtype=np.intp)),
        ):
            if total is double and not pairs:
                continue
            scores = _scores(column, model, primary, *column.of_classes(classes))
            total += scores
            hopes[r] = max(hopes[r], float(scores.max(initial=-np.inf)))
            if total is double:
                peaks[r, alike] = scores.max(axis=0)
    single_total = log_mean(single, weights) + space.singles.log_weight + space.priors.log_single[space.singles.fault]
    healthy_total = float(log_mean(healthy, weights)[0]) + space.priors.log_healthy
    first, second = space.pairs
    if not pairs:
        return ScreenedSpace(healthy_total, single_total, np.full(len(first), -np.inf))
    double_total = log_mean(double, weights)
    doubles = space.doubles
    prior = doubles.log_weight[first] + doubles.log_weight[second]
    prior = prior + space.priors.log_pair(doubles.fault[first], doubles.fault[second])
    hidden = hidden_pairs(table)
    alone = np.where(hidden == 1, double_total[first], double_total[second])
    wanted = np.ones(len(first), dtype=bool) if among is None else among
    pair_total = np.where((hidden > 0) & wanted, alone + prior, -np.inf)
    both = np.flatnonzero((hidden == 0) & wanted)
    if table.columns and len(both):
        best = max(healthy_total, floor, float(np.max(single_total, initial=-np.inf)))
        pair_total[both] = _screen_pairs(
            table,
            models,
            primary,
            weights,
            (first[both], second[both]),
            prior[both],
            (alike, member),
            (best, np.minimum(hopes + HOPE_NATS, [model.best_case for model in models]), peaks),
            progress,
            keep_nats,
        )
    else:
        pair_total[both] = prior[both]
    return ScreenedSpace(healthy=healthy_total, single=single_total, pair=pair_total)


def _alike_everywhere(table: ReadingTable) -> tuple[Index, Index]:
    """Return the kind of each pair variant, and one member of each kind: variants that no column tells apart."""
    if not table.columns:
        return np.zeros(len(table.space.doubles), dtype=np.intp), np.zeros(0, dtype=np.intp)
    # readings with a pin lifted are taken on a circuit of their own, where other faults may be alike
    rows = np.array([column.row_of_double for column in {id(one.cells): one for one in table.columns}.values()])
    _, member, alike = np.unique(rows, axis=1, return_index=True, return_inverse=True)
    return alike.reshape(-1), member


def _screen_pairs(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    primary: int,
    weights: Array,
    variants: tuple[Index, Index],
    prior: Array,
    rows: tuple[Index, Index],
    goal: tuple[float, Array, Array],
    progress: Progress | None,
    keep_nats: float,
) -> Array:
    """Return evidence of pairs of variants; for those given up on the way, what their members lead to expect."""
    best, hopes, peaks = goal
    alike, member = rows
    size = len(member)
    low, high = np.minimum(alike[variants[0]], alike[variants[1]]), np.maximum(alike[variants[0]], alike[variants[1]])
    code, pair_of_variant = np.unique(low * size + high, return_inverse=True)
    first, second = code // size, code % size
    most_likely = np.full(len(code), -np.inf)
    np.maximum.at(most_likely, pair_of_variant, prior)
    most_likely_of_all = most_likely
    outstanding = np.zeros((len(table.columns), len(code)), dtype=bool)
    # first what each reading says at the very most, whatever the drops: that alone rules out nearly all
    bound = most_likely.copy()
    unsettled = np.zeros(len(code))  # by how much less its members lead to expect of what is not solved for
    said: list[tuple[Index, Index, Scores]] = []
    for r, (column, model) in enumerate(zip(table.columns, models, strict=True)):
        rows_of = column.row_of_double[member]
        start, end = column.known_pairs(rows_of[first], rows_of[second])
        outstanding[r] = (start == UNKNOWN) | (end == UNKNOWN)
        there = np.flatnonzero(~outstanding[r])
        place, scores = _distinct_scores(column, model, primary, start[there], end[there])
        most = np.full(len(code), hopes[r])
        most[there] = scores.max(axis=0, initial=-np.inf).take(place)
        bound += most
        likely = np.maximum(peaks[r, first], peaks[r, second])
        unsettled += np.where(outstanding[r], np.maximum(hopes[r] - likely, 0.0), 0.0)
        said.append((there, place, scores))
    left = np.flatnonzero(bound >= best - keep_nats)
    kept = np.full(len(code), -1, dtype=np.intp)
    kept[left] = np.arange(len(left))
    first, second, most_likely, outstanding = first[left], second[left], most_likely[left], outstanding[:, left]
    total = np.zeros((len(GRID_V), len(left)), dtype=np.float32)
    hope = np.zeros((len(table.columns), len(left)), dtype=np.float32)
    for r, (column, model, (there, place, scores)) in enumerate(zip(table.columns, models, said, strict=True)):
        mine = kept[there]
        total[:, mine[mine >= 0]] += scores.take(place[mine >= 0], axis=1)
        hope[r, outstanding[r]] = hopes[r]
        weak = np.flatnonzero(outstanding[r])
        rows_of = column.row_of_double[member]
        start, end = column.guessed_pairs(rows_of[first[weak]], rows_of[second[weak]])
        close = (start != UNKNOWN) & (end != UNKNOWN)
        nearby = _scores(column, model, primary, start[close], end[close]).max(axis=0)
        hope[r, weak[close]] = np.minimum(nearby + GUESS_NATS, hopes[r])
    # where neither fault alone comes near a reading, both together are likely to fail it: that is asked first
    losses = np.maximum(peaks[:, first], peaks[:, second])
    losses = np.where(outstanding, hopes[:, None] - losses, -np.inf)
    finer = log_mean(total, weights) + hope.sum(axis=0) + most_likely
    for step, share in enumerate(ROUNDS):
        alive = np.flatnonzero((finer >= best - keep_nats) & outstanding.any(axis=0))
        chosen = _most_telling(losses[:, alive], share)
        asked = [alive[row] for row in chosen]
        pairs = [
            (column.row_of_double[member[first[there]]], column.row_of_double[member[second[there]]])
            for column, there in zip(table.columns, asked, strict=True)
        ]
        solve_together(table.columns, pairs)
        for r, (column, model, there) in enumerate(zip(table.columns, models, asked, strict=True)):
            if len(there):
                total[:, there] += _scores(column, model, primary, *column.known_pairs(*pairs[r]))
                outstanding[r, there], losses[r, there], hope[r, there] = False, -np.inf, 0.0
        finer[alive] = log_mean(total[:, alive], weights) + hope[:, alive].sum(axis=0) + most_likely[alive]
        complete = alive[~outstanding[:, alive].any(axis=0)]
        best = max(best, float(np.max(finer[complete], initial=-np.inf)))
        if progress is not None:
            progress((step + 1) * len(models) // len(ROUNDS), len(models))
    bound[left] = finer
    expected = hopes[:, None] - np.where(np.isfinite(losses), losses, np.inf)
    unsettled[left] = np.sum(np.where(outstanding, np.maximum(hope - expected, 0.0), 0.0), axis=0)
    answer: Array = (bound - unsettled - most_likely_of_all)[pair_of_variant] + prior
    return answer


def _most_telling(losses: Array, most: int | None) -> NDArray[np.bool_]:
    """Return for each pair the readings, at most so many, that cost it most, readings x pairs."""
    outstanding = np.isfinite(losses)
    if most is None or most >= len(losses):
        return outstanding
    floor = np.partition(losses, len(losses) - most, axis=0)[len(losses) - most]
    chosen: NDArray[np.bool_] = outstanding & (losses >= floor)
    return chosen


def hidden_pairs(table: ReadingTable) -> NDArray[np.int8]:
    """Return for each pair of variants which member alone is seen: 1 the first, 2 the second, 0 both."""
    space = table.space
    first, second = space.pairs
    fault_a, fault_b = space.doubles.fault[first], space.doubles.fault[second]
    hides = np.zeros((len(space.faults), len(space.faults)), dtype=bool)
    for one, other in space.hides:
        hides[one, other] = True
    return np.where(hides[fault_a, fault_b], 1, np.where(hides[fault_b, fault_a], 2, 0)).astype(np.int8)


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
    shown = _displays(table, models, cast)
    options = [_refined(table, models, cast, shown, factor) for factor in PART_SPREADS]
    return mix(options, list(PART_SPREADS.values()))


def _displays(table: ReadingTable, models: Sequence[ReadingModel], cast: _Cast) -> list[tuple[ColumnDisplays, Index]]:
    """Return what each reading shows under each survivor, and the classes of its members, survivors x 2."""
    count = len(cast.kept)
    hidden_member = np.zeros(count, dtype=np.int8)
    hidden_member[cast.is_pair] = hidden_pairs(table)[cast.kept[cast.is_pair] - 1 - len(table.space.singles)]
    seen = hidden_member[cast.is_pair] == 0
    together = cast.first[seen], cast.second[seen]
    pairs = np.flatnonzero(cast.is_pair & (hidden_member == 0))
    found = []
    for column, model in zip(table.columns, models, strict=True):
        members = np.full((count, 2), 0, dtype=np.intp)
        members[cast.is_single, 0] = column.class_of_single[cast.single]
        members[cast.is_pair, 0] = column.class_of_double[cast.first]
        members[cast.is_pair, 1] = column.class_of_double[cast.second]
        lone = np.where(hidden_member == 2, members[:, 1], members[:, 0])
        start, end = column.of_classes(lone)
        if len(pairs):  # without pairs their members may be missing from the table
            rows = column.row_of_double
            start[pairs], end[pairs] = column.of_pairs(rows[together[0]], rows[together[1]])
        found.append((as_read(column.displays(start, end), model), members))
    return found


def _wrong_alone(models: Sequence[ReadingModel], wrong: Mask) -> Array:
    """Return what it costs that wrong numbers cannot lend one another their likelihood, survivors x readings [ln].

    Two readings that show the same are no wrong terminals of each other: one of them has to be right.
    """
    several = np.flatnonzero(np.count_nonzero(wrong, axis=1) > 1)
    cost = np.zeros(wrong.shape)
    if len(several):
        whole = np.array([model.slip_density for model in models])
        lends = np.array([[model.lent[other.place] for other in models] for model in models])  # some may be left out
        lent = wrong[several] @ lends.T
        cost[several] = np.where(wrong[several], np.log(np.maximum(1.0 - lent / whole, LEAST_LENT)), 0.0)
    return cost


def _refined(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    cast: _Cast,
    displays: Sequence[tuple[ColumnDisplays, Index]],
    factor: float,
) -> Survivors:
    """Return exact evidence of the survivors if parts stray ``factor`` times as far as they are said to."""
    faults, prior, ohms, sigma = _faults_and_priors(table, cast)
    count, batches = len(cast.kept), len(table.batches)
    gains = tuple(dict.fromkeys(model.gain for model in models))
    shape = (count, len(models))
    mean, own, open_share, other = np.zeros(shape), np.ones(shape), np.zeros(shape), np.zeros(shape)
    early, kept = np.zeros(shape), np.ones(shape)
    counted, ratio, turned = (np.zeros(shape, dtype=bool) for _ in range(3))
    loads = np.zeros((*shape, batches + len(gains) + 2))
    spread = cell_spread(sigma)
    for r, (column, model, (shown, members)) in enumerate(zip(table.columns, models, displays, strict=True)):
        value = shown.value
        finite = np.isfinite(value)
        mean[:, r] = value
        loads[:, r, :batches] = shown.batch_load.T * BATCH_SPREAD_V
        loads[:, r, batches + gains.index(model.gain)] = np.where(finite, value, 0.0) * model.gain_sd
        reach_down, reach_up = np.zeros(count), np.zeros(count)
        for member in (0, 1):
            owned = np.where(
                shown.owner[0] == members[:, member],
                shown.severity_load[0],
                np.where(shown.owner[1] == members[:, member], shown.severity_load[1], 0.0),
            )
            # a display goes with the resistance, not with its logarithm
            loads[:, r, batches + len(gains) + member] = owned * spread[:, member]
            fall, rise = -np.expm1(-CELL_EDGE_SD * sigma[:, member]), np.expm1(CELL_EDGE_SD * sigma[:, member])
            reach_down += np.abs(owned) * np.where(owned > 0.0, fall, rise)
            reach_up += np.abs(owned) * np.where(owned > 0.0, rise, fall)
        own[:, r] = np.sqrt((factor * shown.own_sd) ** 2 + shown.time_sd**2 + model.digits_sd**2)
        own[:, r] = np.maximum(own[:, r], LEAST_SHARE * np.max(np.abs(loads[:, r, :]), axis=1))
        total = np.sqrt(own[:, r] ** 2 + np.sum(loads[:, r, :] ** 2, axis=1))
        unscaled = np.sqrt(own[:, r] ** 2 + np.sum(loads[:, r, :-2] ** 2, axis=1))
        ratio[:, r] = by_ratio(model, value, unscaled)
        other[:, r] = log_likelihood(model, shown, np.arange(count), value, total, column.limit, ratio[:, r])
        early[:, r] = early_density(model, shown.turn_on, value)
        kept[:, r] = 1.0 - early_share(model, shown.turn_on, value)
        # a number against a finite prediction enters the joint Gaussian; the rest stands by itself
        with np.errstate(invalid="ignore", divide="ignore"):
            unfinished = np.where(np.isnan(value), UNDECIDED, 1.0)
            open_share[:, r] = np.where(finite, 1.0 - normal_cdf((column.limit - value) / total), unfinished)
            far = FARTHEST_SD * unscaled
            near = (model.value > value - far - reach_down) & (model.value < value + far + reach_up)
            if ratio[:, r].any() and model.value > 0.0:
                away = np.abs(np.log(model.value / np.where(ratio[:, r], value, 1.0)))
                near = np.where(ratio[:, r], away * np.where(finite, value, 1.0) < FARTHEST_SD * total, near)
            # where a channel that turns on early says it far better, the reading stands by itself: taken twice it is
            # no two slips
            misses = 0.5 * ((model.value - np.where(finite, value, 0.0)) / unscaled) ** 2
            turned[:, r] = np.log(early[:, r]) + misses + np.log(unscaled) > EARLY_NATS
        counted[:, r] = (model.kind == "number") & finite & near & ~turned[:, r]
    other += _wrong_alone(
        models, np.array([model.kind == "number" for model in models]) & np.isfinite(mean) & ~counted & ~turned
    )
    values = np.array([model.value for model in models])
    gap = np.where(counted, values[None, :] - np.where(np.isfinite(mean), mean, 0.0), 0.0)
    # what strays by ratios enters by its logarithm
    ratio &= counted
    scale = np.where(ratio, 1.0 / np.where(ratio, mean, 1.0), 1.0)
    stretch = np.where(ratio, np.log(np.where(ratio, values[None, :], 1.0)), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.where(ratio, np.log(values[None, :] * scale), gap)
    who, predicted = (cast.kept, faults, prior, ohms, sigma), (mean, own * scale, open_share, loads * scale[:, :, None])
    survivors = integrate(models, who, predicted, (gap, stretch), counted, (other, early, kept, turned))
    # once the others have fixed the drops, more readings stand out as channels that turned on early
    with np.errstate(divide="ignore", invalid="ignore"):
        late = counted & (np.log(early) + 0.5 * survivors.surprise**2 + np.log(own) > EARLY_NATS)
    if late.any():
        counted, turned, gap = counted & ~late, turned | late, np.where(late, 0.0, gap)
        survivors = integrate(models, who, predicted, (gap, stretch), counted, (other, early, kept, turned))
    fitted = mean + displays_moved(loads[:, :, -2:], survivors.ohms / ohms, sigma)
    return dataclasses.replace(survivors, own_sd=own, loads=loads, fitted=fitted)
