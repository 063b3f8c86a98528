"""Readings needed by the rule of ``next`` against the fewest possible: ``python -m tests.studies.sequencing BOARD``.

A slice is a handful of hypotheses with their prior weights; a reading sorts them into outcomes; done is who knows what
to replace, or whom no reading tells more. The fewest expected readings come from dynamic programming over all subsets.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, list_boards, load_board
from bridge.boarddisplays import displays_of
from bridge.circuit import build_circuit
from bridge.faults import Fault, list_faults
from bridge.gain import expected_gain, joint_shares, outcomes_of
from bridge.lookahead import LOOKED_AT, Lookahead
from bridge.meter import load_meter
from bridge.priors import Priors
from bridge.probing import Setup
from bridge.separate import reachable_probings

Index = NDArray[np.intp]
Array = NDArray[np.float64]

LARGEST = 14
PAIRS = 120


@dataclass(frozen=True)
class Slice:
    """A few hypotheses: weights [1], what to replace on each, and outcomes, readings x hypotheses."""

    weight: Array
    target: Index
    outcome: Index


@dataclass(frozen=True)
class Dictionary:
    """All hypotheses a board's slices are drawn from."""

    weight: Array
    target: Index
    place: Array
    sd: Array

    @classmethod
    def of(cls, board: Board, seed: int) -> Dictionary:
        """Return healthy board, single faults and some pairs at median severity, and what each would show."""
        setup, rng = Setup(), random.Random(seed)
        faults = list_faults(board, list(build_circuit(board, setup).parts))
        priors = Priors.for_board(board, faults)
        sets: list[tuple[Fault, ...]] = [(), *((fault,) for fault in faults)]
        logs = [priors.log_healthy, *priors.log_single.tolist()]
        single = np.exp(priors.log_single - priors.log_single.max())
        while len(sets) < 1 + len(faults) + PAIRS:
            one, other = sorted(rng.choices(faults, weights=single.tolist(), k=2))
            if one.part != other.part and (one, other) not in sets:
                sets.append((one, other))
                logs.append(priors.log_prior((one, other)))
        probings = [probing for probing in reachable_probings(board) if not probing.hold]
        boards = [[(fault, None) for fault in one] for one in sets]
        shown = displays_of(board, load_meter(), setup, boards, probings)
        scaled = [shown.on_scale(row, shown.sd[row]) for row in range(len(probings))]
        names: dict[frozenset[str], int] = {}
        target = [
            names.setdefault(frozenset(board.parts[fault.part].package for fault in one), len(names)) for one in sets
        ]
        weight = np.exp(np.array(logs) - max(logs))
        place, sd = (np.array([pair[number] for pair in scaled]) for number in (0, 1))
        return cls(weight / weight.sum(), np.array(target, dtype=np.intp), place, sd)

    def slices(self, count: int, seed: int) -> Iterable[Slice]:
        """Yield slices: every other one drawn from all, the rest from what looks alike after one reading."""
        rng = np.random.default_rng(seed)
        for number in range(count):
            pool = np.arange(len(self.weight))
            if number % 2:
                row = int(rng.integers(len(self.place)))
                outcome = outcomes_of(self.place[row], self.sd[row])
                pool = np.flatnonzero(outcome == outcome[rng.choice(len(self.weight), p=self.weight)])
            size = min(LARGEST, len(pool))
            share = self.weight[pool] / self.weight[pool].sum()
            size = min(size, int(np.count_nonzero(share)))
            chosen = pool[rng.choice(len(pool), size=size, replace=False, p=share)]
            outcomes = [outcomes_of(place[chosen], sd[chosen]) for place, sd in zip(self.place, self.sd, strict=True)]
            useful = {tuple(_canonical(outcome)): None for outcome in outcomes if len(set(outcome.tolist())) > 1}
            weight = self.weight[chosen] / self.weight[chosen].sum()
            _, target = np.unique(self.target[chosen], return_inverse=True)
            table = np.array(list(useful), dtype=np.intp).reshape(len(useful), size)
            yield Slice(weight, target.astype(np.intp), table)


def _canonical(outcome: Index) -> list[int]:
    """Return labels numbered in order of appearance, so that equal partitions are equal."""
    seen: dict[int, int] = {}
    return [seen.setdefault(label, len(seen)) for label in outcome.tolist()]


Choose = Callable[[Slice, tuple[int, ...], Sequence[int]], int]


def _parts(one: Slice, reading: int, members: tuple[int, ...]) -> list[tuple[int, ...]]:
    found: dict[int, list[int]] = {}
    row = one.outcome[reading]
    for member in members:
        found.setdefault(int(row[member]), []).append(member)
    return [tuple(part) for part in found.values()]


def _splitting(one: Slice, members: tuple[int, ...]) -> list[int]:
    """Return readings that still tell members apart, each partition once."""
    found: dict[tuple[tuple[int, ...], ...], int] = {}
    for reading in range(len(one.outcome)):
        parts = tuple(_parts(one, reading, members))
        if len(parts) > 1:
            found.setdefault(parts, reading)
    return list(found.values())


def _done(one: Slice, members: tuple[int, ...]) -> bool:
    return len({int(one.target[member]) for member in members}) == 1


def _can_help(one: Slice, members: tuple[int, ...], readings: Sequence[int]) -> bool:
    """Whether all readings together tell more of the target than is known: some outcomes leave other targets."""
    if _done(one, members) or not readings:
        return False
    rows = one.outcome[list(readings)][:, list(members)]
    left: dict[tuple[int, ...], set[int]] = {}
    for column, member in enumerate(members):
        left.setdefault(tuple(rows[:, column].tolist()), set()).add(int(one.target[member]))
    return len({frozenset(targets) for targets in left.values()}) > 1


def fewest(one: Slice) -> float:
    """Return the least expected number of readings, by dynamic programming over subsets."""

    @cache
    def least(members: tuple[int, ...]) -> float:
        readings = _splitting(one, members)
        if not _can_help(one, members, readings):
            return 0.0
        mass = float(one.weight[list(members)].sum())
        best = np.inf
        for reading in readings:
            cost = 1.0
            for part in _parts(one, reading, members):
                cost += float(one.weight[list(part)].sum()) / mass * least(part)
                if cost >= best:
                    break
            best = min(best, cost)
        return best

    return least(tuple(range(len(one.weight))))


def needed(one: Slice, choose: Choose) -> float:
    """Return the expected number of readings when each is chosen by a rule."""

    def cost(members: tuple[int, ...]) -> float:
        readings = _splitting(one, members)
        if not _can_help(one, members, readings):
            return 0.0
        mass = float(one.weight[list(members)].sum())
        parts = _parts(one, choose(one, members, readings), members)
        return 1.0 + sum(float(one.weight[list(part)].sum()) / mass * cost(part) for part in parts)

    return cost(tuple(range(len(one.weight))))


def gains(one: Slice, members: tuple[int, ...], readings: Sequence[int]) -> list[float]:
    """Return what each reading would tell about what to replace [bit]."""
    some = list(members)
    weight = one.weight[some] / one.weight[some].sum()
    _, target = np.unique(one.target[some], return_inverse=True)
    count = int(target.max()) + 1
    rows = (one.outcome[reading][some] for reading in readings)
    return [expected_gain(joint_shares(row, weight, target.astype(np.intp), count)) for row in rows]


def by_gain(one: Slice, members: tuple[int, ...], readings: Sequence[int]) -> int:
    """Choose the reading that tells most, one step ahead, all efforts alike."""
    return readings[int(np.argmax(gains(one, members, readings)))]


def by_lookahead(one: Slice, members: tuple[int, ...], readings: Sequence[int]) -> int:
    """Choose as ``next`` does: of the readings that tell most at once, the one that leaves least to do."""
    order = np.argsort(-np.array(gains(one, members, readings)), kind="stable")[:LOOKED_AT].tolist()
    some = list(members)
    outcome = one.outcome[[readings[number] for number in order]][:, some]
    every = one.outcome[list(readings)][:, some]
    ahead = Lookahead(
        np.concatenate([outcome, every]), [1.0] * (len(order) + len(every)), one.weight[some], one.target[some]
    )
    return readings[order[min(range(len(order)), key=ahead.effort_after)]]


def ratios(board: Board, count: int, seed: int, choose: Choose) -> list[float]:
    """Return, for each slice that needs a reading at all, readings needed by a rule over the fewest possible."""
    found = []
    for one in Dictionary.of(board, seed).slices(count, seed):
        least = fewest(one)
        if least > 0.0:
            found.append(needed(one, choose) / least)
    return found


def run(arguments: Sequence[str] | None = None) -> int:
    """Print mean, 99th percentile and worst ratio of both rules, board by board."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("boards", nargs="*", default=list_boards())
    parser.add_argument("--slices", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    print("board                    slices  rule       mean   99th   worst")
    for name in options.boards:
        for words, rule in (("one step", by_gain), ("lookahead", by_lookahead)):
            found = ratios(load_board(name), options.slices, options.seed, rule)
            mean, high, worst = float(np.mean(found)), float(np.quantile(found, 0.99)), max(found)
            print(f"{name:24} {len(found):6}  {words:9} {mean:6.3f} {high:6.3f} {worst:6.3f}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(run())
