"""A key confirmed from outside: its readings made anew by ngspice, and its answer by a search of its own.

The simulator gets the key's true values and nothing of the solver. The search knows no prior, no slip and no
likelihood: it goes through the good board, every single fault and every pair, at every severity of the grid, throws
out whatever misses one reading by six standard deviations or reads a number for an OL, and weighs what is left by the
squared distance with the covariance of what the readings share. Of three and more planted faults, which stand at no
severity of the grid, the distance is brought down by scipy's search for a minimum, from the key's resistances on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import chi2

from bridge.board import Board, load_board
from bridge.columndisplays import ColumnDisplays
from bridge.faults import Fault
from bridge.journal import parse_setup
from bridge.meter import MeterProfile, load_meter
from bridge.puzzlefile import Key
from bridge.puzzleshell import bench_of
from bridge.readingcolumn import ReadingColumn
from bridge.readings import Reading, parse_reading
from bridge.refit import displays_at
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import ReadingTable, build_table
from bridge.tablememory import TableMemory
from tests.crosscheck.netlist import Damage, MeterRange, point_text, ranges_of, write_board
from tests.crosscheck.runner import after_dwell

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FAR_SD = 6.0
SECOND = 4.0  # squared distance by which another explanation must be worse than the planted one
MISFIT = 0.999  # quantile beyond which an explanation does not fit at all
SLACK_SHARE, SLACK_V = 0.006, 2e-6  # what the simulator is allowed, as in the comparison of single readings
LUCK_SD = 2.0
NEAR_LIMIT = 0.9
MOST_TRIED = 100  # times the planted set is solved for
FAR_OFF = 1e9  # a distance for what a reading throws out
IN_TIME_SD = 1.5  # the leads rest as long as they should, the capacitors lie in their tolerance


@dataclass(frozen=True, slots=True)
class Confirmed:
    """How a key came out.

    Parameters
    ----------
    readings : int
        Readings compared with the simulator.
    unanswered : int
        Readings the simulator found no answer for.
    wrong : tuple of str
        Readings it does not confirm.
    weighed : int
        Explanations searched.
    second : tuple of str
        Explanations that are a second answer.
    """

    readings: int
    unanswered: int
    wrong: tuple[str, ...]
    weighed: int
    second: tuple[str, ...]


def readings_of(key: Key, board: Board, meter: MeterProfile) -> list[Reading]:
    """Return the worksheet of a key."""
    return [
        parse_reading(
            {"red": row.red, "black": row.black, "mode": row.mode, "hold": row.hold, "reading": row.reading},
            board,
            meter,
            discharged=True,
        )
        for row in key.puzzle.readings
    ]


def remade(key: Key) -> tuple[int, list[str]]:
    """Return how many readings the simulator did not answer, and those that it does not confirm."""
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    bench = bench_of(key, board, meter, "key")
    virtual = bench.virtual
    damage = [Damage(one.part, one.mode, one.ohms) for one in key.faults]
    taken = readings_of(key, board, meter)
    asked: list[tuple[Reading, MeterRange, float, str]] = []
    for one in taken:
        probing = one.probing.swapped if key.error == "leads-swapped" else one.probing
        wanted = None
        if probing.mode == "ohms":
            wanted = meter.ohms[-1].name if one.value is None else meter.range_for(one.value).name
        meter_range = ranges_of(meter, probing.mode, wanted)[0]
        netlist = write_board(virtual.board, virtual.setup, damage, capacitors="real", holds=probing.hold)
        text = point_text(netlist, meter_range, probing.red, probing.black)
        asked.append((one, meter_range, virtual.gains[wanted or "diode"], text))
    jacks = after_dwell([text for *_, text in asked], virtual.setup.dwell_s)
    wrong, unanswered = [], 0
    for (one, meter_range, gain, _), jack in zip(asked, jacks, strict=True):
        if math.isnan(jack):
            unanswered += 1
            continue
        shown = meter_range.shown(jack) * (1.0 + gain)
        name = None if one.probing.mode == "diode" else meter_range.label.partition(":")[2]
        digits = meter.sigma(one.probing.mode, name, min(shown, meter_range.full_scale))[1]
        allowed = LUCK_SD * digits + meter.resolution(one.probing.mode, name, one.value or 0.0)
        allowed += SLACK_SHARE * min(shown, meter_range.full_scale) + SLACK_V
        if one.value is None:
            fits = shown > meter_range.full_scale - allowed
        else:
            fits = abs(shown - one.value) <= allowed
        if not fits:
            wrong.append(f"{one.probing.red} {one.probing.black} {one.text}: ngspice {shown:.6g}")
    return unanswered, wrong


class Searcher:
    """The search on one board with one meter in one stated set-up; columns solved for are kept."""

    def __init__(self, board: Board, meter: MeterProfile, setup_text: dict[str, object]) -> None:
        self.board, self.meter = board, meter
        self.setup = parse_setup(setup_text, board)
        self.memory = TableMemory()
        self.space = self.memory.space(board, self.setup)
        first, second = self.space.pairs
        doubles = self.space.doubles.fault
        packages = [board.parts[fault.part].package for fault in self.space.faults]
        self.singles = [frozenset((packages[one],)) for one in self.space.singles.fault.tolist()]
        self.first, self.second = first, second
        self.names = packages
        self.number = {name: place for place, name in enumerate(dict.fromkeys(packages))}
        of_fault = np.array([self.number[name] for name in packages])
        self.pair_packages = of_fault[doubles[first]], of_fault[doubles[second]]

    @property
    def size(self) -> int:
        """Explanations searched: the good board, singles and pairs, each at every severity."""
        return 1 + len(self.space.singles) + len(self.first)

    def second_answers(self, key: Key) -> list[str]:
        """Return explanations outside the accepted lists that explain the readings as well as the planted one."""
        taken = readings_of(key, self.board, self.meter)
        order = [place - 1 for place in key.proof.readings]
        order += [place for place in range(len(taken)) if place not in order]
        places = [one.probing for one in taken]
        table = build_table(self.space, self.meter, places, [True] * len(places), memory=self.memory)
        columns = table.columns
        answers = [frozenset() if key.error else frozenset(answer) for answer in key.answers]
        if not key.error and not answers[0]:
            distance = self._distances(columns, taken, np.zeros(1, dtype=np.intp), None)[0]
            return [] if distance < chi2.ppf(MISFIT, len(taken)) else [f"the good board misfits: {distance:.0f}"]
        held = self._held(answers) if not key.error else np.zeros(len(self.first), dtype=bool)
        every_single = np.arange(1 + len(self.space.singles))
        singles_alive = self._alive_singles(columns, taken, order)
        alive = self._alive_pairs(columns, taken, order, np.flatnonzero(~held))
        limit = chi2.ppf(MISFIT, len(taken))
        if not key.error:
            limit = min(limit, self._planted(key, table, taken) + SECOND)
        found: list[str] = []
        some = every_single[singles_alive]
        for place, distance in zip(some.tolist(), self._distances(columns, taken, some, None), strict=True):
            packages = frozenset() if place == 0 else self.singles[place - 1]
            if distance < limit and (key.error or not any(answer <= packages for answer in answers)):
                what = "the good board" if place == 0 else str(self.space.faults[self.space.singles.fault[place - 1]])
                found.append(f"{what} {distance:.1f} < {limit:.1f}")
        for place, distance in zip(alive.tolist(), self._distances(columns, taken, None, alive), strict=True):
            if distance < limit:
                doubles = self.space.doubles.fault
                pair = doubles[self.first[place]], doubles[self.second[place]]
                found.append(
                    f"{' and '.join(str(self.space.faults[one]) for one in pair)} {distance:.1f} < {limit:.1f}"
                )
        return sorted(set(found))

    def _held(self, answers: Sequence[frozenset[str]]) -> NDArray[np.bool_]:
        held = np.zeros(len(self.first), dtype=bool)
        for answer in answers:
            every = np.ones_like(held)
            for name in answer:
                every &= (self.pair_packages[0] == self.number[name]) | (self.pair_packages[1] == self.number[name])
            held |= every
        return held

    def _planted(self, key: Key, table: ReadingTable, taken: Sequence[Reading]) -> float:
        """Return the distance of the planted faults: at the nearest severity of the grid, larger sets at their own."""
        columns = table.columns
        if len(key.faults) > 2:
            return self.nearest_of_set(key, table, taken)
        numbers = [self.space.faults.index(fault) for fault in self.space.faults if str(fault) in key.same[0]]
        if len(numbers) == 1:
            mine = 1 + np.flatnonzero(self.space.singles.fault == numbers[0])
            return float(np.min(self._distances(columns, taken, mine, None)))
        doubles = self.space.doubles.fault
        mine = np.flatnonzero((doubles[self.first] == numbers[0]) & (doubles[self.second] == numbers[1]))
        return float(np.min(self._distances(columns, taken, None, mine)))

    def nearest_of_set(self, key: Key, table: ReadingTable, taken: Sequence[Reading]) -> float:
        """Return the distance of all planted faults together at the resistances that scipy finds to fit best."""
        numbers = tuple(self.space.faults.index(Fault(one.part, one.mode)) for one in key.faults)
        start = np.array([math.nan if one.ohms is None else one.ohms for one in key.faults])
        free = np.isfinite(start)

        def distance(nepers: Array) -> float:
            ohms = start.copy()
            ohms[free] *= np.exp(nepers)
            shown = displays_at(table, [numbers], [ohms])
            never = [
                bool(_misses(column, one, read, self.meter, fixed=True)[0])
                for column, one, read in zip(columns, shown, taken, strict=True)
            ]
            return FAR_OFF if any(never) else self._squared(columns, shown, taken, 1, fixed=True)[0]

        columns = table.columns
        if not free.any():
            return distance(np.zeros(0))
        found = minimize(distance, np.zeros(int(free.sum())), method="Nelder-Mead", options={"maxfev": MOST_TRIED})
        return float(found.fun)

    def _alive_singles(
        self, columns: Sequence[ReadingColumn], taken: Sequence[Reading], order: Sequence[int]
    ) -> NDArray[np.bool_]:
        alive = np.ones(1 + len(self.space.singles), dtype=bool)
        for place in order:
            shown = self._single(columns[place], np.arange(len(alive)))
            alive &= ~_misses(columns[place], columns[place].displays(*shown), taken[place], self.meter)
        return alive

    def _alive_pairs(
        self, columns: Sequence[ReadingColumn], taken: Sequence[Reading], order: Sequence[int], alive: Index
    ) -> Index:
        for place in order:
            kept = [
                part[~self._pair_misses(columns[place], part, taken[place])]
                for part in np.array_split(alive, max(1, len(alive) // 50_000))
            ]
            alive = np.concatenate(kept)
        return alive

    def _pair_misses(self, column: ReadingColumn, part: Index, one: Reading) -> NDArray[np.bool_]:
        return _misses(column, column.displays(*self._pair(column, part)), one, self.meter)

    def _single(self, column: ReadingColumn, which: Index) -> tuple[Index, Index]:
        return column.of_classes(np.concatenate([[0], column.class_of_single])[which])

    def _pair(self, column: ReadingColumn, which: Index) -> tuple[Index, Index]:
        rows = column.row_of_double
        return column.of_pairs(rows[self.first[which]], rows[self.second[which]])

    def _distances(
        self, columns: Sequence[ReadingColumn], taken: Sequence[Reading], singles: Index | None, pairs: Index | None
    ) -> list[float]:
        """Return squared distances, what the readings share taken off."""
        count = len(singles) if singles is not None else len(pairs) if pairs is not None else 0
        displays = []
        for column in columns:
            start, end = self._single(column, singles) if singles is not None else self._pair(column, pairs)  # type: ignore[arg-type]
            displays.append(column.displays(start, end))
        return self._squared(columns, displays, taken, count)

    def _squared(
        self,
        columns: Sequence[ReadingColumn],
        displays: Sequence[ColumnDisplays],
        taken: Sequence[Reading],
        count: int,
        *,
        fixed: bool = False,
    ) -> list[float]:
        """Return squared distances of displays; with ``fixed`` resistances none is gained along their slopes."""
        gaps = np.zeros((count, len(taken)))
        own = np.ones_like(gaps)
        batches = max(len(column.cells.answers.batch_load) for column in columns)
        gains = list(dict.fromkeys(_gain_name(one, self.meter) for one in taken))
        shared = np.zeros((count, len(taken), batches + len(gains) + 2))
        for place, (column, one, shown) in enumerate(zip(columns, taken, displays, strict=True)):
            if one.value is None:
                continue
            there = np.isfinite(shown.value)
            gaps[:, place] = np.where(there, one.value - np.where(there, shown.value, 0.0), 0.0)
            gain_sd, digits_sd = _errors(one, self.meter)
            own[:, place] = np.sqrt(shown.own_sd**2 + shown.time_sd**2 + digits_sd**2)
            load = (shown.batch_load * BATCH_SPREAD_V).T
            shared[:, place, : load.shape[1]] = load
            shared[:, place, batches + gains.index(_gain_name(one, self.meter))] = one.value * gain_sd
            for member in () if fixed else (0, 1):
                spread = np.expm1(2.0 * column.ln_sigma[shown.owner[member]])
                shared[:, place, batches + len(gains) + member] = shown.severity_load[member] * spread
        distances = []
        for gap, sd, loads in zip(gaps, own, shared, strict=True):
            covariance = np.diag(sd**2) + loads @ loads.T
            distances.append(float(gap @ np.linalg.solve(covariance, gap)))
        return distances


def _gain_name(one: Reading, meter: MeterProfile) -> str:
    return "diode" if one.probing.mode == "diode" or one.value is None else meter.range_for(one.value).name


def _errors(one: Reading, meter: MeterProfile) -> tuple[float, float]:
    name = None if one.probing.mode == "diode" or one.value is None else meter.range_for(one.value).name
    if one.probing.mode == "ohms" and name is None:
        name = meter.ohms[-1].name
    return meter.sigma(one.probing.mode, name, one.value or 0.0)


def _misses(
    column: ReadingColumn, shown: ColumnDisplays, one: Reading, meter: MeterProfile, *, fixed: bool = False
) -> NDArray[np.bool_]:
    """Return which displays a reading throws out; with ``fixed`` resistances none is gained along their slopes."""
    is_open = ~np.isfinite(shown.value)
    moving = shown.time_sd > 0.0
    if one.value is None:
        late = np.where(moving, IN_TIME_SD * shown.time_sd, 0.0)
        short_of: NDArray[np.bool_] = ~is_open & (shown.value + late < NEAR_LIMIT * column.limit)
        return short_of
    gain_sd, digits_sd = _errors(one, meter)
    spread = 0.0 if fixed else np.expm1(2.0 * column.ln_sigma[shown.owner])
    severe = np.sum((shown.severity_load * spread) ** 2, axis=0)
    batch = np.sum((shown.batch_load * BATCH_SPREAD_V) ** 2, axis=0)
    sd = np.sqrt(shown.own_sd**2 + shown.time_sd**2 + digits_sd**2 + (gain_sd * one.value) ** 2 + severe + batch)
    with np.errstate(invalid="ignore"):
        far = np.abs(shown.value - one.value) > FAR_SD * sd
    # OL in the end, and a number read: only if the display was seen on its way there
    never = is_open & (~np.isfinite(shown.start) | (one.state == "steady"))
    answer: NDArray[np.bool_] = np.where(is_open, never, far)
    return answer


def confirm(key: Key, searcher: Searcher | None = None) -> Confirmed:
    """Confirm one key from outside."""
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    unanswered, wrong = remade(key)
    searcher = searcher or Searcher(board, meter, dict(key.puzzle.setup))
    second = searcher.second_answers(key)
    return Confirmed(len(key.puzzle.readings), unanswered, tuple(wrong), searcher.size, tuple(second))
