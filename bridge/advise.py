"""The next reading: the one expected to tell most about what to replace, for the effort it takes.

References
----------
de Kleer & Williams, Artif. Intell. 32 (1987) 97 (next measurement by expected information, one step ahead). Only what
would be replaced counts: telling apart two modes of one part is worth nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.charge import EMPTY_V, highest_charge
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.dwell import value_after_dwell
from bridge.evidence import BATCH_SPREAD_V
from bridge.faults import Fault
from bridge.forecast import damage_of
from bridge.meter import MeterProfile
from bridge.predict import CellSolver
from bridge.probing import Probing, Setup
from bridge.rank import Candidate, Ranking
from bridge.separate import reachable_probings
from bridge.shots import plan_shots
from bridge.units import format_reading
from bridge.variants import ChangeClasses

__all__ = ["Expectation", "NextReading", "probing_cost", "suggest_readings"]

Array = NDArray[np.float64]

CONSIDERED = 150  # hypotheses looked at, the most probable first; they hold nearly all of the probability
LIFT_SUSPECTS = 4
ENOUGH_BITS = 0.02  # below this no reading in place is worth the trouble, and lifting a pin is considered
SLIP = 0.03
GATE_LEAD_COST = 2.0  # a main terminal costs 1; common practice, no source
HOLD_COST = 4.0
CLUSTER_GAP = 3.5  # standard deviations between two displays that count as different outcomes
OPEN = math.inf


@dataclass(frozen=True, slots=True)
class Expectation:
    """One outcome a reading may have.

    Parameters
    ----------
    reading : str
        Display as a technician would write it, ``about`` for a spread of values.
    probability : float
        How likely it is [1].
    means : str
        What it would point at.
    """

    reading: str
    probability: float
    means: str


@dataclass(frozen=True, slots=True)
class NextReading:
    """A reading worth taking.

    Parameters
    ----------
    probing : Probing
        Where the leads go.
    gain_bits : float
        Information it is expected to give about what to replace [bit].
    cost : float
        Effort, 1 for a main terminal.
    expect : tuple of Expectation
        Its outcomes, most likely first.
    """

    probing: Probing
    gain_bits: float
    cost: float
    expect: tuple[Expectation, ...]


def probing_cost(board: Board, probing: Probing) -> float:
    """Return the effort of a reading, 1 for main terminals; lifting costs what the board file says of the pin."""
    cost = 1.0
    main = set(board.main_terminals)
    if probing.red not in main or probing.black not in main:
        cost = GATE_LEAD_COST
    if probing.hold:
        cost = max(cost, HOLD_COST * len(probing.hold))
    for pin in probing.lift:
        ref, _, name = pin.partition(".")
        cost += HOLD_COST + 4.0 * board.parts[ref].lift_cost.get(name, 4.0)
    return cost


def suggest_readings(ranking: Ranking, most: int = 5) -> tuple[NextReading, ...]:
    """Return the readings that would tell most per effort, best first; empty if nothing would.

    Parameters
    ----------
    ranking : Ranking
        What is known so far.
    most : int
        Number of readings at the most.

    Notes
    -----
    Lifting a pin is proposed only where no reading in place is worth taking.
    """
    if highest_charge(ranking.readings, ranking.given_setup) > EMPTY_V:
        return ()  # nothing is read in diode or ohms mode on a charged board
    board, meter, setup = ranking.board, ranking.meter, ranking.given_setup
    candidates = ranking.candidates[:CONSIDERED]
    # a reading that does not fit may well be taken again
    taken = {
        (reading.probing.red, reading.probing.black, reading.probing.mode, reading.probing.hold)
        for number, reading in enumerate(ranking.readings)
        if number != ranking.fit.worst_reading
    }
    in_place = [
        probing
        for probing in reachable_probings(board)
        if (probing.red, probing.black, probing.mode, probing.hold) not in taken
    ]
    found = _worth(board, meter, setup, candidates, in_place)
    if not any(reading.gain_bits >= ENOUGH_BITS for reading in found):
        found = _worth(board, meter, setup, candidates, _lifting_probings(ranking))
    useful = [reading for reading in found if reading.gain_bits >= ENOUGH_BITS]
    useful.sort(key=lambda reading: -reading.gain_bits / reading.cost)
    return tuple(useful[:most])


def _lifting_probings(ranking: Ranking) -> list[Probing]:
    """Return readings across suspect parts with one of their legs lifted, the cheapest leg of each."""
    probings: list[Probing] = []
    for suspicion in ranking.parts[:LIFT_SUSPECTS]:
        part = ranking.board.parts[suspicion.part]
        pins = sorted(part.pins, key=lambda pin: part.lift_cost.get(pin, 4.0))
        lifted = f"{part.ref}.{pins[0]}"
        for other in pins[1:]:
            opposite = f"{part.ref}.{other}"
            probings.append(Probing(lifted, opposite, "diode", lift=(lifted,)))
            probings.append(Probing(opposite, lifted, "diode", lift=(lifted,)))
    return probings


def _worth(
    board: Board, meter: MeterProfile, setup: Setup, candidates: Sequence[Candidate], probings: Sequence[Probing]
) -> list[NextReading]:
    """Return every probing with its expected information and outcomes."""
    weight = np.array([candidate.probability for candidate in candidates])
    weight = weight / np.sum(weight)
    targets = [frozenset(board.parts[guess.part].package for guess in candidate.faults) for candidate in candidates]
    number = {target: index for index, target in enumerate(dict.fromkeys(targets))}
    target = np.array([number[one] for one in targets], dtype=np.intp)
    names = list(number)
    result: list[NextReading] = []
    for lifted in dict.fromkeys(probing.lift for probing in probings):
        group = [probing for probing in probings if probing.lift == lifted]
        value, sd, units = _displays(board, meter, setup, candidates, group, lifted)
        for row, probing in enumerate(group):
            result.append(_one_reading(board, probing, (value[row], sd[row], units[row]), weight, target, names))
    return result


def _displays(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    candidates: Sequence[Candidate],
    probings: Sequence[Probing],
    lifted: tuple[str, ...],
) -> tuple[Array, Array, list[str]]:
    """Return display and standard deviation, probings x candidates, and units; infinity is OL."""
    circuit = build_circuit(board, setup, lifted)
    changes = [
        damage_of(circuit, [(Fault(guess.part, guess.mode), guess.ohms) for guess in candidate.faults])
        for candidate in candidates
    ]
    classes = ChangeClasses(circuit, [Change(), *changes])
    shots = [shot for row, probing in enumerate(probings) for shot in plan_shots(circuit, meter, probing, row)]
    cells = CellSolver(circuit, shots, classes, bus_volts=setup.bus_volts)
    answers, mine = cells.answers, classes.class_of[1:]
    value = np.full((len(probings), len(candidates)), np.inf)
    sd = np.ones_like(value)
    units = [""] * len(probings)
    for index, shot in reversed(list(enumerate(shots))):
        start, end = cells.single_start[index][mine].astype(np.intp), cells.single_end[index][mine].astype(np.intp)
        shown, time_sd = value_after_dwell(answers, start, end, circuit.capacitor_farads, cells.arrays, setup.dwell_s)
        gain_sd, digits_sd = meter.sigma(probings[shot.probing].mode, shot.range_name, 0.0)
        finite = np.where(np.isfinite(shown), shown, 0.0)
        spread = np.sum((answers.batch_load[:, end] * BATCH_SPREAD_V) ** 2, axis=0)
        spread = spread + answers.own_sd[end] ** 2 + time_sd**2 + digits_sd**2 + (finite * gain_sd) ** 2
        units[shot.probing] = shot.unit
        here = np.isfinite(shown)
        value[shot.probing] = np.where(here, shown, value[shot.probing])
        sd[shot.probing] = np.where(here, np.sqrt(spread), sd[shot.probing])
    return value, sd, units


def _one_reading(
    board: Board,
    probing: Probing,
    display: tuple[Array, Array, str],
    weight: Array,
    target: NDArray[np.intp],
    names: Sequence[frozenset[str]],
) -> NextReading:
    value, sd, unit = display
    outcome = _outcomes(value, sd)
    count = int(outcome.max()) + 1
    joint = np.zeros((count, len(names)))
    np.add.at(joint, (outcome, target), weight)
    marginal = joint.sum(axis=0)
    # a slip may show any outcome
    joint = (1.0 - SLIP) * joint + SLIP * np.outer(np.full(count, 1.0 / count), marginal)
    gain = _entropy(joint.sum(axis=1)) + _entropy(marginal) - _entropy(joint.ravel())
    expect = []
    for row in np.argsort(-joint.sum(axis=1), kind="stable").tolist():
        here = outcome == row
        share = float(np.sum(weight[here]))
        if share < 0.005:
            continue
        middle = float(np.average(value[here], weights=weight[here])) if np.isfinite(value[here]).all() else OPEN
        text = format_reading(None if math.isinf(middle) else middle, unit)
        expect.append(Expectation(text if math.isinf(middle) else f"about {text}", share, _meaning(joint[row], names)))
    return NextReading(probing, max(gain, 0.0), probing_cost(board, probing), tuple(expect))


def _outcomes(value: Array, sd: Array) -> NDArray[np.intp]:
    """Sort displays into outcomes: OL, and runs of values that no gap of several standard deviations parts."""
    outcome = np.zeros(len(value), dtype=np.intp)
    finite = np.flatnonzero(np.isfinite(value))
    order = finite[np.argsort(value[finite], kind="stable")]
    label = 0
    for place, index in enumerate(order.tolist()):
        if place:
            before = order[place - 1]
            if value[index] - value[before] > CLUSTER_GAP * max(sd[index], sd[before]):
                label += 1
        outcome[index] = label + 1
    return outcome


def _entropy(probability: Array) -> float:
    positive = probability[probability > 0.0]
    return float(-np.sum(positive * np.log2(positive)))


def _meaning(row: Array, names: Sequence[frozenset[str]]) -> str:
    """Name what an outcome would leave most probable."""
    best = int(np.argmax(row))
    share = row[best] / np.sum(row)
    what = " and ".join(sorted(names[best])) if names[best] else "nothing wrong"
    return f"{what} ({100.0 * share:.0f} %)"
