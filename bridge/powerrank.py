"""Voltages of a first power-up, and how probable they make each fault and each pair of faults.

Every single fault is solved on a fine grid of its resistance. What a pair does is estimated as the sum of what each of
the two does alone, which holds where they sit on different legs. Pairs on a leg whose voltages are odd are solved, and
so are those that matter most after that.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.errors import InputError
from bridge.faults import Fault, list_faults, severity_nodes
from bridge.firstpower import BenchSupply, Place, power_volts
from bridge.forecast import Forecast
from bridge.groups import error_between, smallest_replacement
from bridge.meter import load_meter
from bridge.partkinds import SWITCH_KINDS
from bridge.places import place_parts
from bridge.priors import Priors
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Group, PartSuspicion, Ranking, SetupBelief
from bridge.readings import Reading
from bridge.separate import separable_in_place

__all__ = ["PowerRanking", "power_forecasts", "rank_power", "single_faults"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# All of these are common practice, no source.
REPAIRED_GOOD = 0.6  # of boards that reach this step
WRONG_READING = 0.012
METER_V, METER_SHARE = 0.01, 0.005  # the meter's digits; its gain and the setting of the supply
FITS_WITHIN_SD = 4.0
LEAK_OHMS = 100e6  # a good switch at some tens of volts leaks a fraction of a microampere
LEAKLESS = 0.7  # of switches that leak nothing such a voltmeter sees
NODES = 9
EVERY_OTHER = 2  # nodes that a pair takes of them: each stands for its neighbours too
SILENT_V = 1e-3  # what a fault has to move at some place to be more than a silent companion
SOLVED_PAIRS, SOLVED_NEIGHBOURS = 200, 1500
SHORT_MISSED = 0.1  # of shorts that the meter did not find before power went on
SAME_ERROR = 0.25
LEAST_LEADER = 1e-6  # what is less probable leads no group of its own
MOST_LEADERS = 40
WORTH_SEPARATING, SEPARATE_MOST = 0.02, 12

Faults = tuple[tuple[Fault, float | None], ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class PowerRanking(Ranking):
    """What the voltages say: the healthy board, every single fault and every pair.

    Parameters
    ----------
    supply : BenchSupply
        What fed the board.
    """

    supply: BenchSupply

    @property
    def caution(self) -> str | None:
        """Nothing to say of charge: the voltage on the board is the bench supply's."""
        return None

    def predictions_of(self, candidates: Sequence[int]) -> tuple[tuple[Forecast, ...], ...]:
        """Return what several candidates predict for each reading, solved together.

        Parameters
        ----------
        candidates : sequence of int
            Their numbers.
        """
        faults = [
            tuple((Fault(guess.part, guess.mode), guess.ohms) for guess in self.candidates[number].faults)
            for number in candidates
        ]
        return power_forecasts(
            self.board, self.given_setup, self.supply, [reading.probing for reading in self.readings], faults
        )


def power_forecasts(
    board: Board, setup: Setup, supply: BenchSupply, probings: Sequence[Probing], hypotheses: Sequence[Faults]
) -> tuple[tuple[Forecast, ...], ...]:
    """Return what a voltmeter is expected to show at each placement, a row for each hypothesis.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged; the temperature.
    supply : BenchSupply
        What feeds it.
    probings : sequence of Probing
        Where the voltmeter goes.
    hypotheses : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.

    Raises
    ------
    InputError
        A board without P and N, a lead or a part that is not there.
    """
    places = tuple(dict.fromkeys(Place(probing.red, probing.black) for probing in probings))
    rows = power_volts(board, setup, supply, places, hypotheses)
    return tuple(
        tuple(_forecast(one, row[places.index(Place(one.red, one.black))]) for one in probings) for row in rows
    )


def _forecast(probing: Probing, volts: float | None) -> Forecast:
    if volts is None:
        return Forecast(probing, None, "V", None, None, None, "the solve did not converge")
    return Forecast(probing, volts, "V", "steady", volts, volts)


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
class _Rows:
    """Hypotheses with one resistance each, and what they make a voltmeter show.

    ``first`` and ``second`` number faults, -1 for none; ``first_ohms`` and ``second_ohms`` are NaN for a mode without
    a resistance. ``volts``, ``step`` (to the next resistance) and ``leak`` (of good switches) are rows x places [V].
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
        return len(self.first)

    def joined(self, other: _Rows) -> _Rows:
        names = [field.name for field in dataclasses.fields(_Rows)]
        return _Rows(**{name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names})

    def faults_of(self, row: int, faults: Sequence[Fault]) -> Faults:
        members = ((self.first, self.first_ohms), (self.second, self.second_ohms))
        found = ((int(number[row]), float(ohms[row])) for number, ohms in members)
        return tuple((faults[number], None if math.isnan(ohms) else ohms) for number, ohms in found if number >= 0)


def rank_power(board: Board, setup: Setup, supply: BenchSupply, readings: Sequence[Reading]) -> PowerRanking:
    """Return the healthy board, every single fault and every pair, ranked by how well they explain the voltages.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged; the temperature.
    supply : BenchSupply
        What feeds it.
    readings : sequence of Reading
        The voltages, in volts mode.

    Raises
    ------
    InputError
        No voltage at all, or a lead that is not there in this set-up.
    """
    if not readings:
        raise InputError("no voltage to rank by; take at least one")
    faults = single_faults(board, setup)
    priors = Priors.for_board(board, faults)
    missed = np.array([math.log(SHORT_MISSED) if fault.mode.endswith("short") else 0.0 for fault in faults])
    places = tuple(dict.fromkeys(Place(reading.probing.red, reading.probing.black) for reading in readings))
    column = np.array([places.index(Place(one.probing.red, one.probing.black)) for one in readings], dtype=np.intp)
    read = np.array([reading.value for reading in readings], dtype=np.float64)
    bench = board, setup, supply, places
    singles = _singles(*bench, faults, priors.log_single + missed)
    rows = singles.joined(_pairs(singles, priors, missed))
    # boards that come back broken at this step, in the proportions of all broken boards
    rows.log_prior[1:] += math.log(1.0 - REPAIRED_GOOD) - np.logaddexp.reduce(rows.log_prior[1:])
    log_joint = rows.log_prior + _log_chance(rows, slice(None), read, column, supply.volts)
    near = _neighbours(board, faults, rows, read, column)
    for picked in (near, None):
        some = _leading_pairs(rows, log_joint) if picked is None else picked
        if len(some):
            rows.volts[some] = _table(*bench, [rows.faults_of(row, faults) for row in some.tolist()])
            rows.step[near] = _steps(rows, near)
            log_joint[some] = rows.log_prior[some] + _log_chance(rows, some, read, column, supply.volts)
    share = np.exp(log_joint - np.max(log_joint))
    share /= share.sum()
    code = (rows.first + 1) * (len(faults) + 1) + rows.second + 1
    _, hypothesis = np.unique(code, return_inverse=True)
    total: Array = np.bincount(hypothesis, weights=share).astype(np.float64)
    rising = np.argsort(log_joint, kind="stable")
    best = np.empty(len(total), dtype=np.intp)
    best[hypothesis[rising]] = rising
    order = np.argsort(-total, kind="stable")
    total, best = total[order], best[order]
    label = _label_groups(rows, best, total, read, column)
    guesses = [
        tuple(FaultGuess(fault.part, fault.mode, ohms) for fault, ohms in rows.faults_of(row, faults))
        for row in best.tolist()
    ]
    candidates = tuple(
        Candidate(guess, probability, group)
        for guess, probability, group in zip(guesses, total.tolist(), label.tolist(), strict=True)
    )
    return PowerRanking(
        board=board,
        meter=load_meter(),
        given_setup=setup,
        readings=tuple(readings),
        fit=_judge(rows, int(best[0]), readings, read, column),
        candidates=candidates,
        groups=_list_groups(board, setup, candidates, total, label),
        parts=_suspect_parts(board, candidates),
        setup=(SetupBelief("as-stated", 1.0),),
        supply=supply,
    )


def _singles(
    board: Board,
    setup: Setup,
    supply: BenchSupply,
    places: Sequence[Place],
    faults: Sequence[Fault],
    log_prior: Array,
) -> _Rows:
    """Return the healthy board and every single fault on a grid of its resistance."""
    first, ohms, prior, kin = [-1], [math.nan], [math.log(REPAIRED_GOOD)], [0]
    for number, (fault, log_single) in enumerate(zip(faults, log_prior.tolist(), strict=True)):
        grid = severity_nodes(board.parts[fault.part], fault.mode, NODES)
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
    volts = _table(board, setup, supply, places, hypotheses)
    # a silent fault leaves good switches to leak as on a good board
    loud = np.max(np.abs(np.nan_to_num(volts - volts[0], nan=math.inf)), axis=1) > SILENT_V
    loud[0] = True
    leaking = _leaking(board, [one for one, counts in zip(hypotheses, loud.tolist(), strict=True) if counts])
    leak = np.zeros(volts.shape)
    leak[loud] = np.nan_to_num(_table(board, setup, supply, places, leaking) - volts[loud])
    leak[~loud] = leak[0]
    # anywhere between this resistance and the next
    step_v = np.abs(np.nan_to_num(volts[np.array(kin)] - volts)) / math.sqrt(12.0)
    size = len(first)
    return _Rows(
        first=np.array(first, dtype=np.intp),
        second=np.full(size, -1, dtype=np.intp),
        first_ohms=np.array(ohms),
        second_ohms=np.full(size, math.nan),
        log_prior=np.array(prior),
        volts=volts,
        step=step_v,
        leak=leak,
    )


def _pairs(singles: _Rows, priors: Priors, missed: Array) -> _Rows:
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
    return _Rows(
        first=singles.first[a],
        second=singles.first[b],
        first_ohms=singles.first_ohms[a],
        second_ohms=singles.first_ohms[b],
        log_prior=log_pair[there]
        + missed[singles.first[a]]
        + missed[singles.first[b]]
        + np.log(weight[upper] * weight[lower]),
        volts=singles.volts[a] + singles.volts[b] - singles.volts[0],
        step=np.hypot(step[a], step[b]),
        leak=np.hypot(singles.leak[a], singles.leak[b]) / math.sqrt(2.0),
    )


def _neighbours(board: Board, faults: Sequence[Fault], rows: _Rows, read: Array, column: Index) -> Index:
    """Return pairs on one leg, one of which moves a voltage that is odd: there the sum of two faults does not hold."""
    single = rows.second < 0
    healthy = rows.volts[0]
    own = np.array([_meter_sd(value) for value in read.tolist()])
    odd = column[np.abs(read - healthy[column]) > FITS_WITHIN_SD * np.hypot(rows.leak[0, column], own)]
    moves = np.abs(np.nan_to_num(rows.volts[single] - healthy))
    loud, touching = (np.zeros(len(faults), dtype=np.bool_) for _ in range(2))
    np.logical_or.at(loud, rows.first[single][1:], moves[1:].max(axis=1) > SILENT_V)
    np.logical_or.at(touching, rows.first[single][1:], moves[1:][:, odd].max(axis=1, initial=0.0) > METER_V)
    placed = place_parts(board)
    legs = [placed[fault.part].leg or placed[fault.part].package for fault in faults]
    leg = np.unique(legs, return_inverse=True)[1]
    a, b = rows.first, rows.second
    near = ~single & (leg[a] == leg[b]) & loud[a] & loud[b] & (touching[a] | touching[b])
    found = np.flatnonzero(near)
    return found[np.argsort(-rows.log_prior[found], kind="stable")[:SOLVED_NEIGHBOURS]]


def _steps(rows: _Rows, near: Index) -> Array:
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


def _leading_pairs(rows: _Rows, log_joint: Array) -> Index:
    """Return the pairs that explain the voltages best so far."""
    pairs = np.flatnonzero(rows.second >= 0)
    return pairs[np.argsort(-log_joint[pairs], kind="stable")[:SOLVED_PAIRS]]


def _log_chance(rows: _Rows, some: slice | Index, read: Array, column: Index, supply_volts: float) -> Array:
    """Return ln of the probability of all voltages under some of the rows."""
    volts, step, leak = rows.volts[some], rows.step[some], rows.leak[some]
    total = np.zeros(len(volts))
    for value, place in zip(read.tolist(), column.tolist(), strict=True):
        away, meter = value - volts[:, place], _meter_sd(value)
        wide = np.hypot(step[:, place], leak[:, place])
        near = LEAKLESS * _bell(away, step[:, place], meter) + (1.0 - LEAKLESS) * _bell(away, wide, meter)
        slip = WRONG_READING * meter * math.sqrt(2.0 * math.pi) / supply_volts
        total += np.log((1.0 - WRONG_READING) * np.nan_to_num(near) + slip)
    return total


def _bell(away: Array, spread: Array, meter: float) -> Array:
    """Return the density of a reading at a distance [V] from what is predicted, as a share of the meter's peak."""
    total = np.hypot(spread, meter)
    bell: Array = meter / total * np.exp(-0.5 * (away / total) ** 2)
    return bell


def _meter_sd(volts: float) -> float:
    """Return the standard deviation of a voltage read [V]."""
    return math.hypot(METER_V, METER_SHARE * volts)


def _judge(rows: _Rows, best: int, readings: Sequence[Reading], read: Array, column: Index) -> Fit:
    """Judge the best row of the leading hypothesis by the voltage that it misses most."""
    spread = np.hypot(rows.step[best, column], rows.leak[best, column])
    own = np.array([_meter_sd(value) for value in read.tolist()])
    misses = np.nan_to_num(np.abs(read - rows.volts[best, column]) / np.hypot(spread, own), nan=math.inf)
    worst = int(np.argmax(misses))
    chance = math.erfc(min(float(misses[worst]), 30.0) / math.sqrt(2.0))
    if misses[worst] < FITS_WITHIN_SD:
        return Fit(True, None, chance, "the voltages fit")
    place = readings[worst].probing
    return Fit(False, worst, chance, f"the voltage {place.red} to {place.black} does not fit; take it again")


def _label_groups(rows: _Rows, best: Index, probability: Array, read: Array, column: Index) -> Index:
    """Return a group for each hypothesis: leaders by probability take all that these voltages cannot tell from them."""
    volts = rows.volts[best][:, column]
    meter = np.array([_meter_sd(value) for value in read.tolist()])
    own = np.sqrt(rows.step[best][:, column] ** 2 + rows.leak[best][:, column] ** 2 + meter**2)
    label = np.full(len(best), -1, dtype=np.intp)
    worth = probability >= LEAST_LEADER * 0.1
    never = np.zeros(len(column))
    group = 0
    for leader in range(len(best)):
        if probability[leader] < LEAST_LEADER or group >= MOST_LEADERS:
            break
        if label[leader] >= 0:
            continue
        free = np.flatnonzero((label < 0) & worth & np.isfinite(volts).all(axis=1))
        sd = np.maximum(own[leader], own[free])
        none = np.zeros((len(free), len(column)))
        error = error_between(volts[leader], volts[free], never, none, sd, np.zeros((*none.shape, 1)))
        label[free[error >= SAME_ERROR]] = group
        label[leader] = group
        group += 1
    label[label < 0] = group
    return _by_probability(label, probability)


def _by_probability(label: Index, probability: Array) -> Index:
    mass = np.bincount(label, weights=probability)
    number = np.empty(len(mass), dtype=np.intp)
    number[np.argsort(-mass, kind="stable")] = np.arange(len(mass))
    return number[label]


def _list_groups(
    board: Board, setup: Setup, candidates: Sequence[Candidate], probability: Array, label: Index
) -> tuple[Group, ...]:
    groups = []
    for number in range(int(label.max()) + 1):
        members = np.flatnonzero(label == number)
        known = [
            (
                frozenset(board.parts[guess.part].package for guess in candidates[member].faults),
                candidates[member].probability,
            )
            for member in members.tolist()
        ]
        listed = [
            [(Fault(guess.part, guess.mode), guess.ohms) for guess in candidates[member].faults]
            for member in members[:SEPARATE_MOST].tolist()
        ]
        worth = probability[members].sum() >= WORTH_SEPARATING
        groups.append(
            Group(
                id=number,
                probability=float(probability[members].sum()),
                size=len(members),
                separable_in_place=separable_in_place(board, load_meter(), setup, listed) if worth else True,
                members=tuple(members.tolist()),
                replace=smallest_replacement(known),
                rest=bool(probability[members[0]] < LEAST_LEADER),
            )
        )
    return tuple(groups)


def _suspect_parts(board: Board, candidates: Sequence[Candidate]) -> tuple[PartSuspicion, ...]:
    total: dict[str, float] = {}
    for candidate in candidates:
        for guess in candidate.faults:
            total[guess.part] = total.get(guess.part, 0.0) + candidate.probability
    return tuple(
        PartSuspicion(part, board.parts[part].package, min(probability, 1.0))
        for part, probability in sorted(total.items(), key=lambda item: (-item[1], item[0]))
    )


def _table(
    board: Board,
    setup: Setup,
    supply: BenchSupply,
    places: Sequence[Place],
    hypotheses: Sequence[Faults],
) -> Array:
    found = power_volts(board, setup, supply, places, hypotheses)
    return np.array([[math.nan if volts is None else volts for volts in row] for row in found], dtype=np.float64)


def _leaking(board: Board, hypotheses: Sequence[Faults]) -> list[Faults]:
    """Return the hypotheses once more, every switch they do not name leaking as good ones may."""
    switches = [ref for ref, part in board.parts.items() if part.kind in SWITCH_KINDS and "ce-leak" in part.modes]
    return [
        (*faults, *((Fault(ref, "ce-leak"), LEAK_OHMS) for ref in switches if all(f.part != ref for f, _ in faults)))
        for faults in hypotheses
    ]
