"""What single faults and pairs make a voltmeter show on a first power-up, a row for each with its prior.

Every single fault is solved on a fine grid of its resistance. What a pair does is estimated as the sum of what each of
the two does alone, which holds where they sit on different legs. Pairs on a leg whose voltages are odd are solved, and
so are those that matter most after that.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.faults import Fault, list_faults, severity_nodes
from bridge.firstpower import BenchSupply, Place, power_volts
from bridge.partkinds import SWITCH_KINDS
from bridge.places import place_parts
from bridge.priors import Priors
from bridge.probing import Setup

__all__ = [
    "FITS_WITHIN_SD",
    "Faults",
    "PowerBench",
    "PowerRows",
    "last_digit",
    "leading_pairs",
    "list_rows",
    "meter_sd",
    "neighbours",
    "single_faults",
    "solve_rows",
]

_DECIMALS = re.compile(r"[.,Vv](\d+)")
_MILLIVOLTS = re.compile(r"\d\s*m")

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Faults = tuple[tuple[Fault, float | None], ...]

# All of these are common practice, no source.
REPAIRED_GOOD = 0.6  # of boards that reach this step
METER_SHARE = 0.005  # the meter's gain and the setting of the supply
LAST_DIGIT_V = 0.001, 0.1  # finest and coarsest last digit that is believed; "24" is hardly more than 24.0
FITS_WITHIN_SD = 4.0
LEAK_OHMS = 100e6  # a good switch at some tens of volts leaks a fraction of a microampere
SHORT_MISSED = 0.1  # of shorts that the meter did not find before power went on
NODES = 9
EVERY_OTHER = 2  # nodes that a pair takes of them: each stands for its neighbours too
TOUCHES_V = 0.002  # what a fault has to move an odd voltage to have a part in it
SILENT_V = 1e-3  # what a fault has to move at some place to be more than a silent companion
SOLVED_PAIRS, SOLVED_NEIGHBOURS = 200, 1500


@dataclass(frozen=True, slots=True)
class PowerBench:
    """A board fed by a bench supply, and where its voltages were read.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged; the temperature.
    supply : BenchSupply
        What feeds it.
    places : tuple of Place
        Where the voltmeter went.
    """

    board: Board
    setup: Setup
    supply: BenchSupply
    places: tuple[Place, ...]

    def volts(self, hypotheses: Sequence[Faults]) -> Array:
        """Return voltages, hypotheses x places [V]; NaN where a solve did not converge."""
        found = power_volts(self.board, self.setup, self.supply, self.places, hypotheses)
        return np.array([[math.nan if volts is None else volts for volts in row] for row in found], dtype=np.float64)


def single_faults(board: Board, setup: Setup) -> tuple[Fault, ...]:
    """Return every single fault of the parts that are there.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged.
    """
    return list_faults(board, build_circuit(board, setup).parts)


@dataclass(frozen=True, slots=True)
class PowerRows:
    """Hypotheses with one resistance each, and what they make a voltmeter show.

    Parameters
    ----------
    first, second : ndarray of int, rows
        Numbers of faults; -1 for none.
    first_ohms, second_ohms : ndarray, rows
        Their resistances [ohm]; NaN for a mode without one.
    log_prior : ndarray, rows
        ln of the prior probability.
    volts : ndarray, rows x places
        What the voltmeter shows [V].
    step : ndarray, rows x places
        Standard deviation that comes of the unknown resistance [V].
    leak : ndarray, rows x places
        How far leaking good switches move it [V].
    """

    first: Index
    second: Index
    first_ohms: Array
    second_ohms: Array
    log_prior: Array
    volts: Array
    step: Array
    leak: Array

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.first)

    def joined(self, other: PowerRows) -> PowerRows:
        """Return these rows and then others."""
        names = [field.name for field in dataclasses.fields(PowerRows)]
        return PowerRows(**{name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names})

    def faults_of(self, row: int, faults: Sequence[Fault]) -> Faults:
        """Return the faults of a row with their resistances [ohm]."""
        members = ((self.first, self.first_ohms), (self.second, self.second_ohms))
        found = ((int(number[row]), float(ohms[row])) for number, ohms in members)
        return tuple((faults[number], None if math.isnan(ohms) else ohms) for number, ohms in found if number >= 0)


def list_rows(bench: PowerBench, faults: Sequence[Fault]) -> PowerRows:
    """Return the healthy board, every single fault and every pair, with priors that sum to one.

    Parameters
    ----------
    bench : PowerBench
        The board and its supply.
    faults : sequence of Fault
        Every single fault.
    """
    priors = Priors.for_board(bench.board, faults)
    missed = np.array([math.log(SHORT_MISSED) if fault.mode.endswith("short") else 0.0 for fault in faults])
    singles = _singles(bench, faults, priors.log_single + missed)
    rows = singles.joined(_pairs(singles, priors, missed))
    # boards that come back broken at this step, in the proportions of all broken boards
    rows.log_prior[1:] += math.log(1.0 - REPAIRED_GOOD) - np.logaddexp.reduce(rows.log_prior[1:])
    return rows


def _singles(bench: PowerBench, faults: Sequence[Fault], log_prior: Array) -> PowerRows:
    """Return the healthy board and every single fault on a grid of its resistance."""
    first, ohms, prior, kin = [-1], [math.nan], [math.log(REPAIRED_GOOD)], [0]
    for number, (fault, log_single) in enumerate(zip(faults, log_prior.tolist(), strict=True)):
        grid = severity_nodes(bench.board.parts[fault.part], fault.mode, NODES)
        steps = [(node.ohms, node.weight) for node in grid] or [(math.nan, 1.0)]
        for step, (value, weight) in enumerate(steps):
            kin.append(len(first) + (1 if step + 1 < len(steps) else 0))
            first.append(number)
            ohms.append(value)
            prior.append(log_single + math.log(weight))
    hypotheses: list[Faults] = [
        () if number < 0 else ((faults[number], None if math.isnan(value) else value),)
        for number, value in zip(first, ohms, strict=True)
    ]
    volts = bench.volts(hypotheses)
    # a silent fault leaves good switches to leak as on a good board
    loud = np.max(np.abs(np.nan_to_num(volts - volts[0], nan=math.inf)), axis=1) > SILENT_V
    loud[0] = True
    leaking = _leaking(bench.board, [one for one, counts in zip(hypotheses, loud.tolist(), strict=True) if counts])
    leak = np.zeros(volts.shape)
    leak[loud] = np.nan_to_num(bench.volts(leaking) - volts[loud])
    leak[~loud] = leak[0]
    # anywhere between this resistance and the next
    step_v = np.abs(np.nan_to_num(volts[np.array(kin)] - volts)) / math.sqrt(12.0)
    size = len(first)
    return PowerRows(
        first=np.array(first, dtype=np.intp),
        second=np.full(size, -1, dtype=np.intp),
        first_ohms=np.array(ohms),
        second_ohms=np.full(size, math.nan),
        log_prior=np.array(prior),
        volts=volts,
        step=step_v,
        leak=leak,
    )


def _pairs(singles: PowerRows, priors: Priors, missed: Array) -> PowerRows:
    """Return all pairs, each as the sum of what its two faults do alone; a silent fault counts once, not per node."""
    moves = np.max(np.abs(np.nan_to_num(singles.volts - singles.volts[0])), axis=1)
    row: list[int] = []
    share: list[float] = []
    step = singles.step.copy()
    for number in range(len(priors.faults)):
        own = np.flatnonzero(singles.first == number)
        if np.max(moves[own]) <= SILENT_V or len(own) == 1:
            row.append(int(own[len(own) // 2]))
            share.append(1.0)
            continue
        some = own[::EVERY_OTHER]
        reach = np.minimum(np.arange(0, len(own), EVERY_OTHER) + EVERY_OTHER, len(own) - 1)
        step[some] = np.abs(np.nan_to_num(singles.volts[own[reach]] - singles.volts[some])) / math.sqrt(12.0)
        row += some.tolist()
        share += [1.0 / len(some)] * len(some)
    weight, chosen = np.array(share), np.array(row, dtype=np.intp)
    upper, lower = np.triu_indices(len(chosen), k=1)
    log_pair = priors.log_pair(singles.first[chosen[upper]], singles.first[chosen[lower]])
    there = np.isfinite(log_pair)
    upper, lower = upper[there], lower[there]
    a, b = chosen[upper], chosen[lower]
    return PowerRows(
        first=singles.first[a],
        second=singles.first[b],
        first_ohms=singles.first_ohms[a],
        second_ohms=singles.first_ohms[b],
        log_prior=log_pair[there]
        # where one short went unmeasured, its neighbour did too
        + np.minimum(missed[singles.first[a]], missed[singles.first[b]])
        + np.log(weight[upper] * weight[lower]),
        volts=singles.volts[a] + singles.volts[b] - singles.volts[0],
        step=np.hypot(step[a], step[b]),
        leak=np.hypot(singles.leak[a], singles.leak[b]) / math.sqrt(2.0),
    )


def neighbours(
    bench: PowerBench, faults: Sequence[Fault], rows: PowerRows, read: Array, own: Array, column: Index
) -> Index:
    """Return pairs on one leg that move a voltage that is odd: there the sum of two faults does not hold.

    Either fault may move it by itself, or only both in series: two shorted switches pull down the bus that neither
    touches alone.

    Parameters
    ----------
    bench : PowerBench
        The board and its supply.
    faults : sequence of Fault
        Every single fault.
    rows : PowerRows
        The hypotheses.
    read, own : ndarray, readings
        What was read, and the meter's standard deviation [V].
    column : ndarray of int, readings
        At which place.

    Returns
    -------
    ndarray of int, pairs
        Their rows among the hypotheses, the most probable beforehand first.
    """
    single = rows.second < 0
    healthy = rows.volts[0]
    odd = column[np.abs(read - healthy[column]) > FITS_WITHIN_SD * np.hypot(rows.leak[0, column], own)]
    moves = np.abs(np.nan_to_num(rows.volts[single] - healthy))
    loud, touching = (np.zeros(len(faults), dtype=np.bool_) for _ in range(2))
    np.logical_or.at(loud, rows.first[single][1:], moves[1:].max(axis=1) > SILENT_V)
    np.logical_or.at(touching, rows.first[single][1:], moves[1:][:, odd].max(axis=1, initial=0.0) > TOUCHES_V)
    placed = place_parts(bench.board)
    legs = [placed[fault.part].leg or placed[fault.part].package for fault in faults]
    leg = np.unique(legs, return_inverse=True)[1]
    a, b = rows.first, rows.second
    near = np.flatnonzero(~single & (leg[a] == leg[b]) & loud[a] & loud[b])
    alone = touching[a[near]] | touching[b[near]]
    together = _touching_together(bench, faults, rows, near[~alone], odd)
    found = np.concatenate([near[alone], together])
    return found[np.argsort(-rows.log_prior[found], kind="stable")[:SOLVED_NEIGHBOURS]]


def _touching_together(bench: PowerBench, faults: Sequence[Fault], rows: PowerRows, some: Index, odd: Index) -> Index:
    """Return those of some rows whose two faults, at their least resistances, move an odd voltage in company."""
    if not len(some) or not len(odd):
        return some[:0]
    pair, number = np.unique(rows.first[some] * len(faults) + rows.second[some], return_inverse=True)
    ohms = np.nan_to_num(rows.first_ohms[some]) + np.nan_to_num(rows.second_ohms[some])
    falling = np.argsort(-ohms, kind="stable")
    plainest = np.empty(len(pair), dtype=np.intp)
    plainest[number[falling]] = some[falling]
    volts = bench.volts([rows.faults_of(row, faults) for row in plainest.tolist()])
    moves: Array = np.abs(np.nan_to_num(volts - rows.volts[0]))[:, odd].max(axis=1)
    return some[(moves > TOUCHES_V)[number]]


def _steps(rows: PowerRows, near: Index) -> Array:
    """Return how far the voltages of solved pairs are from those at the next resistance of either fault [V]."""
    ohms = np.nan_to_num(np.stack([rows.first_ohms[near], rows.second_ohms[near]], axis=1)).tolist()
    parts = np.stack([rows.first[near], rows.second[near]], axis=1).tolist()
    row_at = {(*part, *size): row for part, size, row in zip(parts, ohms, near.tolist(), strict=True)}
    grid = {
        number: sorted({s[k] for p, s in zip(parts, ohms, strict=True) for k in (0, 1) if p[k] == number})
        for number in {one for part in parts for one in part}
    }
    square = np.zeros((len(near), rows.volts.shape[1]))
    for index, (part, size) in enumerate(zip(parts, ohms, strict=True)):
        for member in (0, 1):
            steps = grid[part[member]]
            after = min(steps.index(size[member]) + 1, len(steps) - 1)
            other = [*size]
            other[member] = steps[after]
            row = row_at.get((*part, *other))
            if row is not None:
                square[index] += np.nan_to_num(rows.volts[row] - rows.volts[near[index]]) ** 2
    return np.sqrt(square / 12.0)


def solve_rows(bench: PowerBench, faults: Sequence[Fault], rows: PowerRows, some: Index, near: Index) -> None:
    """Solve for some rows in place of the sum of two faults; for neighbours, how far the next resistance is as well.

    Parameters
    ----------
    bench : PowerBench
        The board and its supply.
    faults : sequence of Fault
        Every single fault.
    rows : PowerRows
        The hypotheses; their voltages are put right in place.
    some : ndarray of int
        Rows to solve for.
    near : ndarray of int
        Rows of neighbours, solved by now.
    """
    if len(some):
        rows.volts[some] = bench.volts([rows.faults_of(row, faults) for row in some.tolist()])
    if len(near):
        rows.step[near] = _steps(rows, near)


def leading_pairs(rows: PowerRows, log_joint: Array) -> Index:
    """Return the pairs that explain the voltages best so far.

    Parameters
    ----------
    rows : PowerRows
        The hypotheses.
    log_joint : ndarray, rows
        ln of prior times likelihood.
    """
    pairs = np.flatnonzero(rows.second >= 0)
    return pairs[np.argsort(-log_joint[pairs], kind="stable")[:SOLVED_PAIRS]]


def last_digit(text: str) -> float:
    """Return what the last digit of a voltage as it was written down is worth [V].

    Parameters
    ----------
    text : str
        What was written: ``0.100``, ``24,0``, ``412m``.
    """
    decimals = _DECIMALS.search(text)
    step = 10.0 ** -len(decimals.group(1)) if decimals else 1.0
    if _MILLIVOLTS.search(text):
        step *= 1e-3
    return min(max(step, LAST_DIGIT_V[0]), LAST_DIGIT_V[1])


def meter_sd(read: Array, digit: Array) -> Array:
    """Return the standard deviation of each voltage read [V].

    Parameters
    ----------
    read : ndarray, readings
        What was read [V].
    digit : ndarray, readings
        What the last digit of each is worth [V].
    """
    answer: Array = np.hypot(digit, METER_SHARE * read)
    return answer


def _leaking(board: Board, hypotheses: Sequence[Faults]) -> list[Faults]:
    """Return the hypotheses once more, every switch they do not name leaking as good ones may."""
    switches = [ref for ref, part in board.parts.items() if part.kind in SWITCH_KINDS and "ce-leak" in part.modes]
    return [
        (*faults, *((Fault(ref, "ce-leak"), LEAK_OHMS) for ref in switches if all(f.part != ref for f, _ in faults)))
        for faults in hypotheses
    ]
