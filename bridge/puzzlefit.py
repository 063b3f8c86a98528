"""Which other explanations come as near to the readings of a puzzle as what was planted, each at its best resistances.

Evidence takes the mean over all resistances that a fault may have, so that an explanation which fits at one of them
alone loses by it; somebody who works the sheet finds that one all the same. Here an explanation counts by the squared
distance of its displays from the readings, in standard deviations, what the readings share taken off: the misfit. It
knows no prior, no slip, and no share of resistances that fit. A display caught on its way to OL is no misfit of an
explanation that climbs to OL: how soon it was read is not known.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.columndisplays import ColumnDisplays
from bridge.likelihood import ReadingModel, as_read
from bridge.predict import UNKNOWN
from bridge.readingcolumn import ReadingColumn, solve_together
from bridge.refit import STEPS, displays_at, refit_ohms
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import ReadingTable

__all__ = ["AS_GOOD", "Fit", "best_misfits", "close_fits", "misfit_limit"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# By how much the misfit of another explanation must exceed that of the planted one: 2 nats, and two standard
# deviations of one reading, which is as far as a meter within its limits goes.
AS_GOOD = 4.0
BENT = 8.0  # what a resistance solved for may gain on the slope at a severity node
NORMAL_999 = 3.0902  # quantile of the standard normal distribution
RANGE_SD = 2.0  # of ln R over its cell: as far as the slope at a node is followed
NEAR_LIMIT, IN_TIME_SD = 0.9, 1.5  # an OL is allowed to what falls short of the limit by its tolerances
AT_ONCE = 50_000
MOST_REFITTED = 24
MORE_AT_ONCE = 3
LISTED_FAULTS = 2  # sets up to this size are listed one by one at every severity


@dataclass(frozen=True, slots=True)
class Fit:
    """An explanation near the readings.

    Parameters
    ----------
    faults : tuple of int
        Fault numbers; empty for the good board.
    misfit : float
        Squared distance from the readings at the resistances that fit best [1].
    """

    faults: tuple[int, ...]
    misfit: float


@dataclass(frozen=True, slots=True)
class _Who:
    """Variants: of single faults, the good board before them, or of pairs."""

    numbers: Index
    pairs: bool

    def __len__(self) -> int:
        return len(self.numbers)

    def take(self, which: Index | Mask) -> _Who:
        return _Who(self.numbers[which], self.pairs)


def misfit_limit(readings: int) -> float:
    """Return the misfit that one right explanation in a thousand exceeds: a quantile of chi square.

    Parameters
    ----------
    readings : int
        How many readings.

    Notes
    -----
    Wilson & Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684: the cube root of chi square is nearly normal.
    """
    share = 2.0 / (9.0 * readings)
    return readings * (1.0 - share + NORMAL_999 * math.sqrt(share)) ** 3


def close_fits(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    held: Mask,
    planted: tuple[int, ...] = (),
    order: Sequence[int] = (),
    ohms: tuple[float, ...] = (),
) -> list[Fit]:
    """Return explanations that come as near to the readings as what was planted, the nearest first.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    models : sequence of ReadingModel
        The readings.
    held : ndarray of bool, pairs of variants
        Pairs that are not asked for.
    planted : tuple of int, optional
        The planted faults, by number; without, whatever fits at all is returned, up to :func:`misfit_limit`.
    order : sequence of int, optional
        Readings that rule most out, to begin with.
    ohms : tuple of float, optional
        Of three and more planted faults, resistances near which theirs are sought [ohm]; NaN for one without.

    Notes
    -----
    The misfit of all readings together is at least that of each, so that a single reading rules an explanation out.
    Readings known without a solve are asked first; only the few pairs then left are solved for. Misfits come by slopes
    at severity nodes; of explanations within ``BENT`` of the limit the resistances are solved for again. Of the two
    misfits the smaller counts, for the planted one the larger. Three and more planted faults are at no nodes: theirs is
    solved for.
    """
    readings = [*order, *(row for row in range(len(models)) if row not in order)]
    limit, own = misfit_limit(len(models)), None
    if planted:
        if len(planted) > LISTED_FAULTS:
            distance = float(best_misfits(table, models, [planted], [ohms])[0])
        else:
            own, distance = _nearest(table, models, _variants_of(table, planted))
        limit = distance + AS_GOOD
        if math.isinf(limit):
            return [Fit((), 0.0)]
    singles = _Who(np.arange(1 + len(table.space.singles)), pairs=False)
    fits: dict[tuple[int, ...], float] = {}
    unsure: list[tuple[float, tuple[int, ...], tuple[float, ...]]] = []
    for who in (singles, _Who(np.flatnonzero(~held), pairs=True)):
        alive = _ruled_out(table, models, who, limit + BENT, readings)
        distances = _misfits(table, models, alive).tolist()
        names = zip(distances, _faults_of(table, alive), _ohms_of(table, alive), strict=True)
        for value, faults, ohms in sorted(names, key=lambda one: one[0]):
            if faults == planted or faults in fits or value >= limit + BENT:
                continue
            fits[faults] = value
            unsure.append((value, faults, ohms))
    unsure = [one for one in sorted(unsure) if one[0] >= limit and one[1]][:MOST_REFITTED]
    if unsure:
        sets, ohms_of_set = [one[1] for one in unsure], [one[2] for one in unsure]
        if own is not None:
            sets, ohms_of_set = [*sets, planted], [*ohms_of_set, _ohms_of(table, own)[0]]
        solved = best_misfits(table, models, sets, ohms_of_set).tolist()
        if own is not None:
            limit = max(limit, min(solved.pop(), limit - AS_GOOD + BENT) + AS_GOOD)
        fits |= {faults: min(value, again) for (value, faults, _), again in zip(unsure, solved, strict=True)}
    close = [Fit(faults, misfit) for faults, misfit in fits.items() if misfit < limit]
    return sorted(close, key=lambda one: one.misfit)


def _variants_of(table: ReadingTable, planted: tuple[int, ...]) -> _Who:
    space = table.space
    if len(planted) == 1:
        return _Who(1 + np.flatnonzero(space.singles.fault == planted[0]), pairs=False)
    first, second = (space.doubles.fault[members] for members in space.pairs)
    return _Who(np.flatnonzero((first == planted[0]) & (second == planted[1])), pairs=True)


def _nearest(table: ReadingTable, models: Sequence[ReadingModel], who: _Who) -> tuple[_Who, float]:
    distances = _misfits(table, models, who)
    best = int(np.argmin(distances))
    return who.take(np.array([best])), float(distances[best])


def _faults_of(table: ReadingTable, who: _Who) -> list[tuple[int, ...]]:
    return _of_members(who, table, table.space.singles.fault, table.space.doubles.fault)


def _ohms_of(table: ReadingTable, who: _Who) -> list[tuple[float, ...]]:
    return _of_members(who, table, table.space.singles.ohms, table.space.doubles.ohms)


def _of_members(
    who: _Who, table: ReadingTable, of_single: NDArray[Any], of_double: NDArray[Any]
) -> list[tuple[Any, ...]]:
    """Return for each variant what belongs to its faults: none, one or two."""
    if who.pairs:
        first, second = (of_double[members[who.numbers]] for members in table.space.pairs)
        return list(zip(first.tolist(), second.tolist(), strict=True))
    return [(of_single[number - 1].item(),) if number else () for number in who.numbers.tolist()]


def _answers(column: ReadingColumn, table: ReadingTable, who: _Who, *, solve: bool) -> tuple[Index, Index]:
    """Return start and end answers; without ``solve`` UNKNOWN where a pair would have to be solved for."""
    if not who.pairs:
        return column.of_classes(np.concatenate([[0], column.class_of_single])[who.numbers])
    first, second = (column.row_of_double[members[who.numbers]] for members in table.space.pairs)
    return column.of_pairs(first, second) if solve else column.known_pairs(first, second)


def _ruled_out(
    table: ReadingTable, models: Sequence[ReadingModel], who: _Who, limit: float, order: Sequence[int]
) -> _Who:
    """Return what no single reading rules out."""
    for row in order:
        column, model = table.columns[row], models[row]
        missed = np.zeros(len(who), dtype=bool)
        for part in np.array_split(np.arange(len(who)), max(1, len(who) // AT_ONCE)):
            start, end = _answers(column, table, who.take(part), solve=False)
            there = (start != UNKNOWN) & (end != UNKNOWN)
            missed[part[there]] = _missed(column, model, start[there], end[there], limit)
        who = who.take(~missed)
    if not who.pairs:
        return who
    begin, share = 0, 1
    while begin < len(order) and len(who):  # few readings while there are many pairs, all together when few are left
        some = order[begin : begin + share]
        columns = [table.columns[row] for row in some]
        _solve(columns, table, who)
        missed = np.zeros(len(who), dtype=bool)
        for row, column in zip(some, columns, strict=True):
            missed |= _missed(column, models[row], *_answers(column, table, who, solve=True), limit)
        who = who.take(~missed)
        begin, share = begin + share, MORE_AT_ONCE * share
    return who


def _solve(columns: Sequence[ReadingColumn], table: ReadingTable, who: _Who) -> None:
    """Solve pairs for in many columns at once."""
    first, second = (members[who.numbers] for members in table.space.pairs)
    solve_together(columns, [(column.row_of_double[first], column.row_of_double[second]) for column in columns])


def _missed(column: ReadingColumn, model: ReadingModel, start: Index, end: Index, limit: float) -> Mask:
    """Return which displays between some answers one reading rules out."""
    count = len(column.cells.answers.value)
    codes, place = np.unique(start * count + end, return_inverse=True)  # few distinct ones among many pairs
    displays = column.displays(codes // count, codes % count)
    gap, own, loads = _parted(column, model, as_read(displays, model))
    answer: Mask = gap**2 > limit * (own**2 + np.sum(loads**2, axis=0) + (model.value * model.gain_sd) ** 2)
    return (answer if not math.isnan(model.value) else ~np.isfinite(gap))[place]


def _parted(column: ReadingColumn, model: ReadingModel, shown: ColumnDisplays) -> tuple[Array, Array, Array]:
    """Return how far displays are from a reading, their own spread, and what they share, unknowns x displays.

    The gap is infinite where the reading cannot come from the display, 0 where it says nothing.
    """
    is_open = ~np.isfinite(shown.value)
    severe = shown.severity_load * np.expm1(RANGE_SD * column.ln_sigma[shown.owner])
    loads = np.where(is_open, 0.0, np.concatenate([shown.batch_load * BATCH_SPREAD_V, severe]))
    own = np.sqrt(shown.own_sd**2 + shown.time_sd**2 + model.digits_sd**2)
    if math.isnan(model.value):
        short = ~is_open & (shown.value + IN_TIME_SD * shown.time_sd < NEAR_LIMIT * column.limit)
        return np.where(short, np.inf, 0.0), own, np.zeros_like(loads)
    never = is_open & (~np.isfinite(shown.start) | (model.kind == "number"))
    gap = np.where(is_open, np.where(never, np.inf, 0.0), model.value - np.where(is_open, 0.0, shown.value))
    return gap, np.where(is_open, model.digits_sd, own), loads


def _misfits(table: ReadingTable, models: Sequence[ReadingModel], who: _Who) -> Array:
    if who.pairs:
        _solve(table.columns, table, who)
    shown = [column.displays(*_answers(column, table, who, solve=True)) for column in table.columns]
    return _distances(table, models, shown)


def _distances(table: ReadingTable, models: Sequence[ReadingModel], displays: Sequence[ColumnDisplays]) -> Array:
    """Return squared distances, what the readings share taken off; infinite where a reading cannot be had."""
    count = len(displays[0].value)
    gains = list(dict.fromkeys(model.gain for model in models))
    batches = len(table.batches)
    loads = np.zeros((count, len(models), batches + 2 + len(gains)))
    gaps, own = np.zeros((count, len(models))), np.ones((count, len(models)))
    for row, (column, model, shown) in enumerate(zip(table.columns, models, displays, strict=True)):
        gaps[:, row], own[:, row], shared = _parted(column, model, as_read(shown, model))
        loads[:, row, : batches + 2] = shared.T
        if not math.isnan(model.value):
            read = np.isfinite(shown.value)
            loads[:, row, batches + 2 + gains.index(model.gain)] = np.where(read, model.value * model.gain_sd, 0.0)
    fits = np.isfinite(gaps).all(axis=1)
    weighted = (np.where(np.isfinite(gaps), gaps, 0.0)) / own
    scaled = loads / own[:, :, None]
    pull = np.einsum("kru,kr->ku", scaled, weighted)
    information = np.eye(loads.shape[2]) + np.einsum("kru,krv->kuv", scaled, scaled, optimize=True)
    shift = np.linalg.solve(information, pull[:, :, None])[:, :, 0]
    left = weighted - np.einsum("kru,ku->kr", scaled, shift)
    answer: Array = np.where(fits, np.sum(left**2, axis=1) + np.sum(shift**2, axis=1), np.inf)
    return answer


def best_misfits(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    sets: Sequence[tuple[int, ...]],
    ohms: Sequence[tuple[float, ...]],
    steps: int = STEPS,
) -> Array:
    """Return misfits at the resistances that fit best, found by solving again from given ones.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings.
    models : sequence of ReadingModel
        The readings.
    sets : sequence of tuple of int
        Fault numbers of each set, of any size.
    ohms : sequence of tuple of float
        Where to start [ohm]; NaN for a fault without resistance.
    steps : int
        How often displays are solved for, at most.

    Returns
    -------
    ndarray, sets
        Squared distances from the readings [1].
    """
    trusted = np.ones((len(sets), len(models)), dtype=bool)
    fitted, _ = refit_ohms(table, models, sets, ohms, trusted, steps)
    # the resistance is fixed now: nothing more to be gained along its slope
    fixed = [
        dataclasses.replace(one, severity_load=np.zeros_like(one.severity_load), owner=np.zeros_like(one.owner))
        for one in displays_at(table, sets, fitted)
    ]
    return _distances(table, models, fixed)
