"""Voltages of a first power-up, and how probable they make each fault."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.errors import InputError, InputErrors
from bridge.faults import Fault, list_faults, severity_nodes
from bridge.firstpower import BenchSupply, Place, power_volts
from bridge.partkinds import SWITCH_KINDS
from bridge.plainsheet import read_sheet
from bridge.priors import Priors
from bridge.probing import Setup
from bridge.ranking import Candidate, FaultGuess
from bridge.textfile import decode_text, read_file, shown_source
from bridge.units import parse_quantity
from bridge.wording import quoted

__all__ = ["PowerRanking", "PowerReading", "load_power_readings", "rank_power", "single_faults"]

Array = NDArray[np.float64]

# All of these are common practice, no source.
REPAIRED_GOOD = 0.6  # of boards that reach this step
WRONG_READING = 0.012
METER_V, METER_SHARE = 0.01, 0.005  # the meter's digits; its gain and the setting of the supply
FITS_WITHIN_SD = 4.0
LEAK_OHMS = 100e6  # a good switch at some tens of volts leaks a fraction of a microampere
LEAKLESS = 0.7  # of switches that leak nothing such a voltmeter sees
NODES = 9
LARGEST_V = 100.0

Faults = Sequence[tuple[Fault, float | None]]


@dataclass(frozen=True, slots=True)
class PowerReading:
    """A voltage read while the bench supply feeds the board.

    Parameters
    ----------
    line : int
        Line in its file.
    place : Place
        Where.
    volts : float
        What was read [V].
    """

    line: int
    place: Place
    volts: float


@dataclass(frozen=True, slots=True)
class PowerRanking:
    """What the voltages say.

    Parameters
    ----------
    candidates : tuple of Candidate
        The healthy board and every single fault, most probable first.
    fits : bool
        Whether the best one explains every voltage.
    worst_reading : int or None
        Reading that fits worst where one does not, from 0.
    """

    candidates: tuple[Candidate, ...]
    fits: bool
    worst_reading: int | None


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


def load_power_readings(source: str, board: Board) -> tuple[PowerReading, ...]:
    """Return the voltages of a file with the columns ``red``, ``black`` and ``volts``.

    Parameters
    ----------
    source : str
        Path, or ``-`` for standard input.
    board : Board
        The board they were read on.

    Raises
    ------
    InputError
        The file cannot be read, something in it is wrong, or it holds no voltage.
    """
    where = shown_source(source)
    found: list[PowerReading] = []
    problems: list[InputError] = []
    for line, row in read_sheet(decode_text(read_file(source), where), where, ("red", "black", "volts"), ("note",)):
        if not row["volts"]:
            continue
        try:
            found.append(_reading(line, row, board))
        except InputError as error:
            problems.append(InputError(error.problem, where=f"{where}, line {line}, {error.where}"))
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems[:10])
    if not found:
        raise InputError("no voltage in any row; accepted: at least one", where=where)
    return tuple(found)


def _reading(line: int, row: dict[str, str], board: Board) -> PowerReading:
    for lead in ("red", "black"):
        try:
            board.net_of(row[lead])
        except InputError as error:
            raise InputError(error.problem, where=lead) from None
    accepted = f"a voltage as in 11.9, at most {LARGEST_V:g} V"
    try:
        quantity = parse_quantity(row["volts"])
    except InputError:
        raise InputError(f"{quoted(row['volts'])}; accepted: {accepted}", where="volts") from None
    if quantity.unit == "ohm" or abs(quantity.value) > LARGEST_V:
        raise InputError(f"{quoted(row['volts'])}; accepted: {accepted}", where="volts")
    return PowerReading(line, Place(row["red"], row["black"]), quantity.value)


def rank_power(board: Board, setup: Setup, supply: BenchSupply, readings: Sequence[PowerReading]) -> PowerRanking:
    """Return the healthy board and every single fault, ranked by how well they explain the voltages.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged; the temperature.
    supply : BenchSupply
        What feeds it.
    readings : sequence of PowerReading
        The voltages.

    Raises
    ------
    InputError
        No voltage at all, or a lead that is not there in this set-up.
    """
    if not readings:
        raise InputError("no voltage to rank by; take at least one")
    faults = single_faults(board, setup)
    log_single = Priors.for_board(board, faults).log_single
    log_single = log_single - np.logaddexp.reduce(log_single) + math.log(1.0 - REPAIRED_GOOD)
    rows: list[tuple[Fault | None, float | None, float]] = [(None, None, math.log(REPAIRED_GOOD))]
    kin = [0]
    for fault, log_prior in zip(faults, log_single.tolist(), strict=True):
        nodes = severity_nodes(board.parts[fault.part], fault.mode, NODES)
        steps: list[tuple[float | None, float]] = [(node.ohms, node.weight) for node in nodes] or [(None, 1.0)]
        for number, (ohms, weight) in enumerate(steps):
            kin.append(len(rows) + (1 if number + 1 < len(steps) else 0))
            rows.append((fault, ohms, log_prior + math.log(weight)))
    places = tuple(dict.fromkeys(reading.place for reading in readings))
    hypotheses: list[Faults] = [[] if fault is None else [(fault, ohms)] for fault, ohms, _ in rows]
    volts = _table(board, setup, supply, places, hypotheses)
    leakage = np.nan_to_num(_table(board, setup, supply, places, _leaking(board, hypotheses)) - volts)
    # anywhere between this resistance and the next
    step = np.abs(np.nan_to_num(volts[np.array(kin)] - volts)) / math.sqrt(12.0)
    wide = np.hypot(step, leakage)
    chance = np.zeros((len(readings), len(rows)))
    for number, reading in enumerate(readings):
        column = places.index(reading.place)
        away = reading.volts - volts[:, column]
        near = sum(
            weight * _bell(away, spread[:, column], _meter_sd(reading.volts))
            for weight, spread in ((LEAKLESS, step), (1.0 - LEAKLESS, wide))
        )
        meter = _meter_sd(reading.volts)
        slip = WRONG_READING * meter * math.sqrt(2.0 * math.pi) / supply.volts
        chance[number] = np.log((1.0 - WRONG_READING) * np.nan_to_num(near) + slip)
    log_joint = np.array([row[2] for row in rows]) + chance.sum(axis=0)
    share = np.exp(log_joint - np.max(log_joint))
    share /= share.sum()
    candidates = _candidates(rows, share)
    leader = candidates[0].faults
    lead = (leader[0].part, leader[0].mode) if leader else None
    own = [number for number, (fault, _, _) in enumerate(rows) if (fault and (fault.part, fault.mode)) == lead]
    best = max(own, key=lambda number: float(share[number]))
    misfits = [
        abs(reading.volts - volts[best, column]) / math.sqrt(wide[best, column] ** 2 + _meter_sd(reading.volts) ** 2)
        for reading in readings
        for column in [places.index(reading.place)]
    ]
    worst = max(range(len(misfits)), key=lambda number: misfits[number])
    fits = bool(misfits[worst] < FITS_WITHIN_SD)
    return PowerRanking(candidates, fits, None if fits else worst)


def _bell(away: Array, spread: Array, meter: float) -> Array:
    """Return the density of a reading at a distance [V] from what is predicted, as a share of the meter's peak."""
    total = np.hypot(spread, meter)
    bell: Array = meter / total * np.exp(-0.5 * (away / total) ** 2)
    return bell


def _meter_sd(volts: float) -> float:
    """Return the standard deviation of a voltage read [V]."""
    return math.hypot(METER_V, METER_SHARE * volts)


def _table(
    board: Board,
    setup: Setup,
    supply: BenchSupply,
    places: Sequence[Place],
    hypotheses: Sequence[Faults],
) -> Array:
    found = power_volts(board, setup, supply, places, hypotheses)
    return np.array([[math.nan if volts is None else volts for volts in row] for row in found], dtype=np.float64)


def _leaking(board: Board, hypotheses: Sequence[Faults]) -> list[list[tuple[Fault, float | None]]]:
    """Return the hypotheses once more, every switch they do not name leaking as good ones may."""
    switches = [ref for ref, part in board.parts.items() if part.kind in SWITCH_KINDS and "ce-leak" in part.modes]
    return [
        [*faults, *((Fault(ref, "ce-leak"), LEAK_OHMS) for ref in switches if all(f.part != ref for f, _ in faults))]
        for faults in hypotheses
    ]


def _candidates(rows: Sequence[tuple[Fault | None, float | None, float]], share: Array) -> tuple[Candidate, ...]:
    whole: dict[Fault | None, float] = {}
    likeliest: dict[Fault | None, tuple[float, float | None]] = {}
    for (fault, ohms, _), p in zip(rows, share.tolist(), strict=True):
        whole[fault] = whole.get(fault, 0.0) + p
        if p > likeliest.get(fault, (-1.0, None))[0]:
            likeliest[fault] = (p, ohms)
    ordered = sorted(whole.items(), key=lambda item: -item[1])
    return tuple(
        Candidate(() if fault is None else (FaultGuess(fault.part, fault.mode, likeliest[fault][1]),), p, number)
        for number, (fault, p) in enumerate(ordered)
    )
