"""Voltages of a first power-up, and how probable they make each fault and each pair of faults."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.firstpower import BenchSupply, Place, power_volts
from bridge.forecast import Forecast
from bridge.groups import SAME_ERROR, error_between, label_by_leaders, number_by_mass
from bridge.listing import list_groups, suspect_parts
from bridge.meter import MeterProfile
from bridge.powerrows import (
    FITS_WITHIN_SD,
    Faults,
    PowerBench,
    PowerRows,
    last_digit,
    leading_pairs,
    list_rows,
    meter_sd,
    neighbours,
    single_faults,
    solve_rows,
)
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Ranking, SetupBelief
from bridge.readings import Reading

__all__ = ["PowerRanking", "power_forecasts", "rank_power"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# All of these are common practice, no source.
WRONG_READING = 0.012
LEAKLESS = 0.7  # of switches that leak nothing such a voltmeter sees
LEAST_LEADER = 1e-6  # what is less probable leads no group of its own
MOST_LEADERS = 40


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


def rank_power(
    board: Board, meter: MeterProfile, setup: Setup, supply: BenchSupply, readings: Sequence[Reading]
) -> PowerRanking:
    """Return the healthy board, every single fault and every pair, ranked by how well they explain the voltages.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter in hand: whether its other modes could tell what these voltages cannot.
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
    places = tuple(dict.fromkeys(Place(reading.probing.red, reading.probing.black) for reading in readings))
    column = np.array([places.index(Place(one.probing.red, one.probing.black)) for one in readings], dtype=np.intp)
    read = np.array([reading.value for reading in readings], dtype=np.float64)
    own = meter_sd(read, np.array([last_digit(reading.text) for reading in readings]))
    bench = PowerBench(board, setup, supply, places)
    rows = list_rows(bench, faults)
    near = neighbours(bench, faults, rows, read, own, column)
    solve_rows(bench, faults, rows, near, near)
    log_joint = rows.log_prior + _log_chance(rows, (read, own), column, supply.volts)
    some = leading_pairs(rows, log_joint)
    solve_rows(bench, faults, rows, np.setdiff1d(some, near), near[:0])
    log_joint = rows.log_prior + _log_chance(rows, (read, own), column, supply.volts)
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
    label, rest = _label_groups(rows, best, total, own, column)
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
        meter=meter,
        given_setup=setup,
        readings=tuple(readings),
        fit=_judge(rows, int(best[0]), readings, (read, own), column),
        candidates=candidates,
        groups=list_groups(board, candidates, rest),
        parts=suspect_parts(board, candidates),
        setup=(SetupBelief("as-stated", 1.0),),
        supply=supply,
    )


def _log_chance(rows: PowerRows, shown: tuple[Array, Array], column: Index, supply_volts: float) -> Array:
    """Return ln of the probability of all voltages under each row."""
    volts, step, leak = rows.volts, rows.step, rows.leak
    total = np.zeros(len(volts))
    for value, meter, place in zip(*(one.tolist() for one in shown), column.tolist(), strict=True):
        away = value - volts[:, place]
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


def _judge(rows: PowerRows, best: int, readings: Sequence[Reading], shown: tuple[Array, Array], column: Index) -> Fit:
    """Judge the best row of the leading hypothesis by the voltage that it misses most."""
    spread = np.hypot(rows.step[best, column], rows.leak[best, column])
    read, own = shown
    misses = np.nan_to_num(np.abs(read - rows.volts[best, column]) / np.hypot(spread, own), nan=math.inf)
    worst = int(np.argmax(misses))
    chance = math.erfc(min(float(misses[worst]), 30.0) / math.sqrt(2.0))
    if misses[worst] < FITS_WITHIN_SD:
        return Fit(True, None, chance, "the voltages fit")
    place = readings[worst].probing
    return Fit(False, worst, chance, f"the voltage {place.red} to {place.black} does not fit; take it again")


def _label_groups(rows: PowerRows, best: Index, probability: Array, meter: Array, column: Index) -> tuple[Index, int]:
    """Return a group for each hypothesis, and which of them is what is too improbable to lead one.

    Leaders by probability take all that these voltages cannot tell from them.
    """
    volts = rows.volts[best][:, column]
    own = np.sqrt(rows.step[best][:, column] ** 2 + rows.leak[best][:, column] ** 2 + meter**2)
    worth = (probability >= LEAST_LEADER * 0.1) & np.isfinite(volts).all(axis=1)
    never = np.zeros(len(column))

    def look_alikes(leader: int, free: Mask) -> Mask:
        others = np.flatnonzero(free & worth)
        sd = np.maximum(own[leader], own[others])
        none = np.zeros((len(others), len(column)))
        error = error_between(volts[leader], volts[others], never, none, sd, np.zeros((*none.shape, 1)))
        alike = np.zeros(len(best), dtype=np.bool_)
        alike[others[error >= SAME_ERROR]] = True
        return alike

    label, rest = label_by_leaders(probability, LEAST_LEADER, MOST_LEADERS, look_alikes)
    number = number_by_mass(label, probability, rest + 1)
    return number[label], int(number[rest])
