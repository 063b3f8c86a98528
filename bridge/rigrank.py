"""What was seen on the lamp rig, and how probable that makes each fault of the switch."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, parse_board
from bridge.errors import InputError, InputErrors
from bridge.faults import Fault, Hypothesis, list_faults, severity_nodes
from bridge.lamp import Lamp
from bridge.likelihood import normal_cdf
from bridge.plainsheet import read_sheet
from bridge.priors import Priors
from bridge.ranking import Candidate, FaultGuess, SetupBelief
from bridge.rig import BUTTONS, CONNECTIONS, Rig, RigCase, RigState, rig_states
from bridge.spreads import BATCH_SPREAD_V, THRESHOLD_SPREAD_V
from bridge.switchpart import switch_tables
from bridge.textfile import decode_text, read_file, shown_source
from bridge.units import parse_quantity
from bridge.wording import listed, quoted

__all__ = ["RigRanking", "RigReading", "load_rig_readings", "parse_rig_readings", "rank_rig"]

Array = NDArray[np.float64]

LAMP_WORDS = ("on", "dim", "off")

# All of these are common practice, no source.
GOOD_SHARE = 0.5  # of suspects unsoldered from a dead board that turn out good
SLIPS = {
    "as-stated": 0.90,
    "reversed": 0.04,  # collector and emitter exchanged
    "lamp-dead": 0.02,
    "gate-lead-off": 0.03,
    "pull-down-off": 0.01,
}
WORD_EDGES = ((0.55, 0.30), (0.12, 0.45))  # share of rated voltage between two words, and its spread in ln
METER_V, METER_SHARE = 0.03, 0.01  # a meter's digits, and its gain
WRONG_ROW = 0.02
LAMP_SHARE_SD = 0.08  # of its power
NODES, NODES_OF_A_PAIR = 9, 3
FITS_WITHIN_SD = 4.0

_FAULT_OF_SLIP = {
    "lamp-dead": Fault("LAMP", "open"),
    "gate-lead-off": Fault("R_SER", "open"),
    "pull-down-off": Fault("R_PULL", "open"),
}
_COLUMNS = ("lamp", "switch", "gate")

_Sized = tuple[tuple[Fault, float | None], ...]


@dataclass(frozen=True, slots=True)
class RigReading:
    """One thing seen or measured on the rig.

    Parameters
    ----------
    line : int
        Line in its file.
    button : str
        ``released``, ``pressed`` or ``after``.
    connection : str
        How the switch was meant to sit: ``right`` or ``reversed``.
    place : str
        ``lamp``, ``switch`` or ``gate``.
    word : str
        ``on``, ``dim`` or ``off``; empty where volts were measured.
    volts : float
        What was measured [V]; 0 where there is a word.
    """

    line: int
    button: str
    connection: str
    place: str
    word: str
    volts: float


@dataclass(frozen=True, slots=True)
class RigRanking:
    """What the rig says.

    Parameters
    ----------
    candidates : tuple of Candidate
        Good, every single fault and a fault of the switch with one of its diode, most probable first; the group is the
        candidate's own number.
    setup : tuple of SetupBelief
        What the rig was like, most probable first.
    verdict : str
        ``Good``, ``Bad`` or ``Not decided``, with a reason.
    fits : bool
        Whether the best case explains what was seen.
    worst_reading : int or None
        Reading that fits worst where none fits, from 0.
    """

    candidates: tuple[Candidate, ...]
    setup: tuple[SetupBelief, ...]
    verdict: str
    fits: bool
    worst_reading: int | None


def load_rig_readings(source: str) -> tuple[RigReading, ...]:
    """Return what a file says was seen on the rig.

    Parameters
    ----------
    source : str
        Path, or ``-`` for standard input.

    Raises
    ------
    InputError
        The file cannot be read, or something in it is wrong.
    """
    where = shown_source(source)
    return parse_rig_readings(decode_text(read_file(source), where), where)


def parse_rig_readings(text: str, where: str) -> tuple[RigReading, ...]:
    """Return what a file says was seen on the rig.

    Parameters
    ----------
    text : str
        A table with the columns ``button`` and ``lamp``, perhaps ``switch``, ``gate``, ``connection`` and ``note``.
        The lamp is ``on``, ``dim``, ``off`` or its voltage; the others are voltages.
    where : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        Something in it is wrong, or nothing was seen.
    """
    readings: list[RigReading] = []
    problems: list[InputError] = []
    for line, row in read_sheet(text, where, ("button", "lamp"), ("switch", "gate", "connection", "note")):
        try:
            readings += _readings_of(line, row)
        except InputError as error:
            place = f"{where}, line {line}"
            problems.append(InputError(error.problem, where=f"{place}, {error.where}" if error.where else place))
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    if not readings:
        raise InputError("nothing was seen in any row; accepted: at least one", where=where)
    return tuple(readings)


def _readings_of(line: int, row: Mapping[str, str]) -> list[RigReading]:
    button = row["button"].casefold()
    if button not in BUTTONS:
        raise InputError(f"{quoted(row['button'])}; accepted: {listed(BUTTONS)}", where="button")
    connection = row.get("connection", "").casefold() or "right"
    if connection not in CONNECTIONS:
        raise InputError(f"{quoted(row['connection'])}; accepted: {listed(CONNECTIONS)}", where="connection")
    found = []
    for place in _COLUMNS:
        cell = row.get(place, "").strip()
        if not cell:
            continue
        if place == "lamp" and cell.casefold() in LAMP_WORDS:
            found.append(RigReading(line, button, connection, place, cell.casefold(), 0.0))
            continue
        accepted = "on, dim, off or its voltage, as in 11.1" if place == "lamp" else "a voltage, as in 0.9"
        try:
            quantity = parse_quantity(cell)
        except InputError:
            raise InputError(f"{quoted(cell)}; accepted: {accepted}", where=place) from None
        if quantity.unit == "ohm" or abs(quantity.value) > 100.0:
            raise InputError(f"{quoted(cell)}; accepted: {accepted}, at most 100 V", where=place)
        found.append(RigReading(line, button, connection, place, "", quantity.value))
    return found


@dataclass(frozen=True, slots=True)
class _Variant:
    """Faults with one resistance each under one slip."""

    faults: _Sized
    slip: str
    log_prior: float
    next_of_kin: int | None  # the same with the next larger resistance of the first fault

    @property
    def hypothesis(self) -> Hypothesis:
        return tuple(fault for fault, _ in self.faults)


def rank_rig(rig: Rig, readings: Sequence[RigReading]) -> RigRanking:
    """Return good, every fault of the switch or its diode and every pair of them, by how well they explain it all.

    Parameters
    ----------
    rig : Rig
        The rig.
    readings : sequence of RigReading
        What was seen.

    Raises
    ------
    InputError
        Nothing was seen.
    """
    if not readings:
        raise InputError("nothing was seen; take at least one reading")
    variants = _variants(rig)
    states = _states(rig, variants, readings)
    spread = _spread(rig, variants, readings, states)
    chance = np.array([_log_chance(reading, rig.lamp, states, spread, variants) for reading in readings])
    log_joint = np.array([variant.log_prior for variant in variants]) + chance.sum(axis=0)
    share = np.exp(log_joint - np.max(log_joint))
    share /= share.sum()
    candidates = _candidates(variants, share)
    slips = [
        SetupBelief(what, float(sum(p for p, variant in zip(share, variants, strict=True) if variant.slip == what)))
        for what in SLIPS
    ]
    slips.sort(key=lambda belief: -belief.probability)
    best = int(np.argmax(log_joint))
    misfits = [_misfit(reading, states, spread, chance[number, best], best) for number, reading in enumerate(readings)]
    worst = max(range(len(misfits)), key=lambda number: misfits[number])
    fits = misfits[worst] < FITS_WITHIN_SD
    return RigRanking(candidates, tuple(slips), _verdict(candidates), fits, None if fits else worst)


def _variants(rig: Rig) -> list[_Variant]:
    board = parse_board(
        'name = "loose"\ntitle = "loose"\nterminal = [{ name = "C", what = "", access = "terminal" }]\n'
        + switch_tables(rig.part, "C", "E", "G"),
        "loose switch",
    )
    faults = list_faults(board)
    priors = Priors.for_board(board, faults)
    ladders: list[tuple[float, list[tuple[_Sized, float]]]] = []
    for fault, log_prior in zip(faults, priors.log_single.tolist(), strict=True):
        alone: list[tuple[_Sized, float]] = [(((fault, ohms),), weight) for ohms, weight in _steps(board, fault, NODES)]
        ladders.append((log_prior, alone))
    for a, b in itertools.combinations(range(len(faults)), 2):
        log_prior = float(priors.log_pair(np.array([a]), np.array([b]))[0])
        if math.isfinite(log_prior):
            for ohms, share in _steps(board, faults[b], NODES_OF_A_PAIR):
                rising = _steps(board, faults[a], NODES_OF_A_PAIR)
                steps: list[tuple[_Sized, float]] = [
                    (((faults[a], size), (faults[b], ohms)), weight * share) for size, weight in rising
                ]
                ladders.append((log_prior, steps))
    whole = math.fsum(math.exp(log_prior) * weight for log_prior, steps in ladders for _, weight in steps)
    broken = math.log((1.0 - GOOD_SHARE) / whole)
    found: list[_Variant] = []
    for slip, slip_share in SLIPS.items():
        found.append(_Variant((), slip, math.log(GOOD_SHARE * slip_share), None))
        for log_prior, steps in ladders:
            for step, (pair, weight) in enumerate(steps):
                kin = len(found) + 1 if step + 1 < len(steps) else None
                found.append(_Variant(pair, slip, log_prior + broken + math.log(slip_share * weight), kin))
    return found


def _steps(board: Board, fault: Fault, nodes: int) -> list[tuple[float | None, float]]:
    """Return resistances of a fault, rising, with their shares."""
    grid = severity_nodes(board.parts[fault.part], fault.mode, nodes)
    return [(node.ohms, node.weight) for node in grid] or [(None, 1.0)]


def _case(variant: _Variant, meant: str) -> RigCase:
    own = variant.faults
    slip = _FAULT_OF_SLIP.get(variant.slip)
    turned = CONNECTIONS[1 - CONNECTIONS.index(meant)] if variant.slip == "reversed" else meant
    return RigCase(own if slip is None else (*own, (slip, None)), turned)


_Seen = tuple[str, str, str]


def _place_of(reading: RigReading) -> _Seen:
    return reading.connection, reading.button, reading.place


def _states(rig: Rig, variants: Sequence[_Variant], readings: Sequence[RigReading]) -> dict[_Seen, Array]:
    """Return volts at each place that was looked at, one for each variant; NaN where it is not known."""
    found: dict[_Seen, Array] = {}
    for meant in dict.fromkeys(reading.connection for reading in readings):
        rows = rig_states(rig, [_case(variant, meant) for variant in variants])
        for seen in dict.fromkeys(_place_of(reading) for reading in readings if reading.connection == meant):
            column = BUTTONS.index(seen[1])
            found[seen] = np.array([_volts(row[column], seen[2]) for row in rows], dtype=np.float64)
    return found


def _volts(state: RigState, place: str) -> float:
    value = {"lamp": state.lamp_volts, "switch": state.switch_volts, "gate": state.gate_volts}[place]
    return math.nan if value is None else value


def _spread(
    rig: Rig, variants: Sequence[_Variant], readings: Sequence[RigReading], states: Mapping[_Seen, Array]
) -> dict[_Seen, Array]:
    """Return the standard deviation [V] that parts of one type and steps of the resistance bring to each place."""
    part, lamp = rig.part, rig.lamp
    drop = part.on_drop_1ma
    others = [
        dataclasses.replace(part, gate_threshold=part.gate_threshold + THRESHOLD_SPREAD_V),
        dataclasses.replace(
            part,
            on_drop_1ma=None if drop is None else drop + BATCH_SPREAD_V,
            diode_drop_1ma=None if part.diode_drop_1ma is None else part.diode_drop_1ma + BATCH_SPREAD_V,
        ),
    ]
    rigs = [dataclasses.replace(rig, part=other) for other in others]
    rigs.append(dataclasses.replace(rig, lamp=Lamp(lamp.volts, lamp.watts * (1.0 + LAMP_SHARE_SD))))
    square = {seen: np.zeros(len(variants)) for seen in states}
    for other in rigs:
        moved = _states(other, variants, readings)
        for seen, volts in states.items():
            square[seen] += np.nan_to_num(moved[seen] - volts) ** 2
    kin = np.array([number if v.next_of_kin is None else v.next_of_kin for number, v in enumerate(variants)])
    for seen, volts in states.items():
        step = np.nan_to_num(volts[kin] - volts)
        square[seen] += step**2 / 12.0  # anywhere between this resistance and the next
    return {seen: np.sqrt(total) for seen, total in square.items()}


def _log_chance(
    reading: RigReading,
    lamp: Lamp,
    states: Mapping[_Seen, Array],
    spread: Mapping[_Seen, Array],
    variants: Sequence[_Variant],
) -> Array:
    """Return ln of the probability of a word, or of a voltage to within its own error, for each variant."""
    volts, sd = states[_place_of(reading)], spread[_place_of(reading)]
    if reading.word:
        # a burnt lamp has the supply across it and stays dark
        burnt = np.array([variant.slip == "lamp-dead" for variant in variants])
        share = np.where(burnt, 1e-6, np.maximum(np.abs(volts), 1e-6)) / lamp.volts
        blur = sd / np.maximum(np.abs(volts), 1e-3)
        above = [
            normal_cdf(np.log(share / edge) / np.sqrt(width**2 + np.minimum(blur, 2.0) ** 2))
            for edge, width in WORD_EDGES
        ]
        at_least_dim = np.maximum(above[1], above[0])
        chance = {"on": above[0], "dim": at_least_dim - above[0], "off": 1.0 - at_least_dim}[reading.word]
        chance = (1.0 - WRONG_ROW) * chance + WRONG_ROW / 3.0
    else:
        meter = math.hypot(METER_V, METER_SHARE * reading.volts)
        total = np.sqrt(sd**2 + meter**2)
        # as a share of the sharpest there can be, so that a perfect fit counts 1 at most
        chance = (1.0 - WRONG_ROW) * meter / total * np.exp(-0.5 * ((reading.volts - volts) / total) ** 2)
        chance += WRONG_ROW * min(1.0, meter * math.sqrt(2.0 * math.pi) / max(lamp.volts, 1.0))
    known = np.isfinite(chance)
    return np.log(np.where(known, chance, WRONG_ROW))


def _misfit(
    reading: RigReading, states: Mapping[_Seen, Array], spread: Mapping[_Seen, Array], log_chance: float, best: int
) -> float:
    """Return by how many standard deviations one reading misses what the best variant makes of it [1]."""
    if reading.word:  # a word is either possible there or as good as not
        return 0.0 if log_chance > math.log(2.0 * WRONG_ROW) else 2.0 * FITS_WITHIN_SD
    seen = _place_of(reading)
    away = reading.volts - float(states[seen][best])
    sd = math.hypot(float(spread[seen][best]), METER_V, METER_SHARE * reading.volts)
    return abs(away) / sd if math.isfinite(away) else 2.0 * FITS_WITHIN_SD


def _candidates(variants: Sequence[_Variant], share: Array) -> tuple[Candidate, ...]:
    whole: dict[Hypothesis, float] = {}
    ladder: dict[tuple[Hypothesis, Fault], dict[float, float]] = {}
    for variant, p in zip(variants, share.tolist(), strict=True):
        whole[variant.hypothesis] = whole.get(variant.hypothesis, 0.0) + p
        for fault, ohms in variant.faults:
            if ohms is not None:
                steps = ladder.setdefault((variant.hypothesis, fault), {})
                steps[ohms] = steps.get(ohms, 0.0) + p
    ordered = sorted(whole.items(), key=lambda item: -item[1])
    return tuple(
        Candidate(
            tuple(FaultGuess(fault.part, fault.mode, _median(ladder.get((faults, fault)))) for fault in faults),
            p,
            number,
        )
        for number, (faults, p) in enumerate(ordered)
    )


def _median(steps: Mapping[float, float] | None) -> float | None:
    if not steps:
        return None
    half, below = 0.5 * sum(steps.values()), 0.0
    for ohms in sorted(steps):
        below += steps[ohms]
        if below >= half:
            return ohms
    return max(steps)


def _verdict(candidates: Sequence[Candidate]) -> str:
    good = next(candidate.probability for candidate in candidates if not candidate.faults)
    if good >= 0.9:
        return f"Good, as far as this rig can tell: {good:.0%}"
    if good <= 0.1:
        return f"Bad: {1.0 - good:.0%}"
    return f"Not decided: good with {good:.0%}"
