"""Virtual boards: drawn from the spreads that ranking assumes, broken as the priors say, read by a meter of its kind.

One sampler serves studies and puzzles. Drops differ by batch and by part, resistors and capacitors lie in their
tolerance, the bench is not at its stated temperature, the meter has a gain error in each range, and the last digit is
uncertain.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, Part
from bridge.faults import Fault, has_severity, severity_nodes
from bridge.faultspace import FaultSpace
from bridge.forecast import Forecast, forecast
from bridge.meter import MeterProfile
from bridge.partkinds import PART_KINDS, ValueSpec
from bridge.probing import COLDEST_C, HOTTEST_C, Probing, Setup
from bridge.readings import Reading
from bridge.spreads import (
    BATCH_SPREAD_V,
    OFF_SPREAD_DOWN,
    OFF_SPREAD_UP,
    PART_SPREAD_V,
    TEMPERATURE_SPREAD_C,
    THRESHOLD_SPREAD_V,
)

__all__ = [
    "Damage",
    "NoAnswerError",
    "VirtualBoard",
    "draw_board",
    "draw_faults",
    "draw_ohms",
    "nearest_accepted",
    "read_board",
]

SEVERITY_STEPS = 1000
SEEN_TO_MOVE_DIGITS = 5.0
EARLIER_SHARE = 0.85  # of the dwell; what moves from then on is seen to move

Damage = tuple[tuple[Fault, float | None], ...]
Luck = Callable[[Probing], float]


class NoAnswerError(ArithmeticError):
    """A placement of the leads that the solver has no answer for."""


@dataclass(frozen=True, slots=True)
class VirtualBoard:
    """One board, one meter, one bench.

    Parameters
    ----------
    board : Board
        The board with its own values.
    meter : MeterProfile
        The kind of meter.
    setup : Setup
        The bench as it really is.
    gains : mapping of str to float
        Gain error of each mode and range [1].
    """

    board: Board
    meter: MeterProfile
    setup: Setup
    gains: Mapping[str, float]


def draw_board(
    board: Board, meter: MeterProfile, setup: Setup, rng: np.random.Generator, part_spread: float = 1.0
) -> VirtualBoard:
    """Return a board of the kind of a file, with values of its own.

    Parameters
    ----------
    board, meter, setup
        The kind of board and meter, and the bench as stated.
    rng : numpy.random.Generator
        Source of chance.
    part_spread : float
        Factor on the spread from part to part [1]; 1 is what ranking assumes.
    """
    batch = {part.batch: float(rng.normal(0.0, BATCH_SPREAD_V)) for part in board.parts.values()}
    parts = {ref: _own_values(part, batch[part.batch], rng, part_spread) for ref, part in board.parts.items()}
    gains = {"diode": float(rng.normal(0.0, meter.sigma("diode", None, 0.0)[0]))}
    for one in meter.ohms:
        gains[one.name] = float(rng.normal(0.0, meter.sigma("ohms", one.name, 0.0)[0]))
    celsius = setup.temperature_c + float(rng.normal(0.0, TEMPERATURE_SPREAD_C))
    real = dataclasses.replace(setup, temperature_c=min(max(celsius, COLDEST_C), HOTTEST_C))
    return VirtualBoard(dataclasses.replace(board, parts=parts), meter, real, gains)


def _own_values(part: Part, batch_v: float, rng: np.random.Generator, part_spread: float) -> Part:
    values = dict(part.values)
    own = batch_v + float(rng.normal(0.0, part_spread * PART_SPREAD_V[part.construction]))
    for name in ("drop_1ma", "on_drop_1ma"):
        if name in values:
            values[name] = max(values[name] + own, 0.05)
    for name in ("ohms", "farads"):
        if name in values:
            values[name] *= max(1.0 + float(rng.normal(0.0, 0.5 * part_spread * part.tolerance)), 0.05)
    if "off_ohms" in values:
        z = float(rng.normal(0.0, part_spread))
        values["off_ohms"] *= math.exp(z * (OFF_SPREAD_UP if z > 0.0 else OFF_SPREAD_DOWN))
    if "gate_threshold" in values:
        values["gate_threshold"] += float(rng.normal(0.0, part_spread * THRESHOLD_SPREAD_V))
    specs = PART_KINDS[part.kind].values  # at the edge of what a board file may hold, a drawn value stays within it
    return dataclasses.replace(
        part, values={name: nearest_accepted(specs[name], value) for name, value in values.items()}
    )


def nearest_accepted(spec: ValueSpec, value: float) -> float:
    """Return the value that a part may have and that is nearest to another; one that it may have is returned itself.

    Parameters
    ----------
    spec : ValueSpec
        What the value may be.
    value : float
        A value, in the unit of the kind of part.
    """
    return value if spec.zero and value == 0.0 else min(max(value, spec.low), spec.high)


def draw_faults(
    space: FaultSpace,
    count: int,
    rng: np.random.Generator,
    *,
    uniform: bool = False,
    among: NDArray[np.bool_] | None = None,
) -> Damage:
    """Return faults drawn from the prior, each with a resistance drawn from its own spread.

    Parameters
    ----------
    space : FaultSpace
        The hypotheses.
    count : int
        How many faults: 0, 1 or 2.
    rng : numpy.random.Generator
        Source of chance.
    uniform : bool
        Whether every fault is equally likely instead.
    among : ndarray of bool, faults, optional
        The faults that may be drawn; of two, at least one is among them.

    Raises
    ------
    ValueError
        Another count.
    """
    faults = space.faults
    allowed = np.ones(len(faults), dtype=bool) if among is None else among
    if count == 0:
        chosen: tuple[int, ...] = ()
    elif count == 1:
        log_weight = np.zeros(len(faults)) if uniform else space.priors.log_single
        chosen = (_choose(np.where(allowed, log_weight, -np.inf), rng),)
    elif count == 2:
        first, second = np.triu_indices(len(faults), 1)
        different = space.part_of_fault[first] != space.part_of_fault[second]
        wanted = different & (allowed[first] | allowed[second])
        first, second = first[wanted], second[wanted]
        log_weight = np.zeros(len(first)) if uniform else space.priors.log_pair(first, second)
        pair = _choose(log_weight, rng)
        chosen = (int(first[pair]), int(second[pair]))
    else:
        raise ValueError(f"{count} faults; 0, 1 or 2 can be drawn")
    return tuple((faults[number], draw_ohms(space.board, faults[number], rng)) for number in chosen)


def _choose(log_weight: np.ndarray[tuple[int, ...], np.dtype[np.float64]], rng: np.random.Generator) -> int:
    weight = np.exp(log_weight - np.max(log_weight))
    return int(rng.choice(len(weight), p=weight / np.sum(weight)))


def draw_ohms(board: Board, fault: Fault, rng: np.random.Generator) -> float | None:
    """Return a resistance drawn from the spread of a fault [ohm]; None for a mode without one.

    Parameters
    ----------
    board : Board
        The board.
    fault : Fault
        The fault.
    rng : numpy.random.Generator
        Source of chance.
    """
    if not has_severity(fault.mode):
        return None
    nodes = severity_nodes(board.parts[fault.part], fault.mode, SEVERITY_STEPS)
    return nodes[int(rng.integers(SEVERITY_STEPS))].ohms


def read_board(
    virtual: VirtualBoard, probings: Sequence[Probing], damage: Damage, rng: np.random.Generator | Luck
) -> tuple[Reading, ...]:
    """Return what a technician writes, the bus discharged before each reading.

    Parameters
    ----------
    virtual : VirtualBoard
        The board on the bench.
    probings : sequence of Probing
        Where the leads go.
    damage : tuple of (Fault, float or None)
        What is wrong, with resistances [ohm].
    rng : numpy.random.Generator or callable
        Source of chance, for the last digit; or what returns the luck of each placement, of unit variance, so that
        a reading taken again shows the same.

    Raises
    ------
    NoAnswerError
        A placement the solver has no answer for: no meter shows nothing.
    """
    setup = virtual.setup
    noted = forecast(virtual.board, virtual.meter, setup, probings, damage)
    for one in noted:
        if one.state is None:
            raise NoAnswerError(f"no answer at {one.probing.red} {one.probing.black} {one.probing.mode_text}")
    moving = [number for number, one in enumerate(noted) if one.state in ("climbing", "falling")]
    earlier: dict[int, Forecast] = {}
    if moving:
        before = dataclasses.replace(setup, dwell_s=EARLIER_SHARE * setup.dwell_s)
        places = [probings[number] for number in moving]
        earlier = dict(zip(moving, forecast(virtual.board, virtual.meter, before, places, damage), strict=True))
    return tuple(_note(virtual, one, earlier.get(number), rng) for number, one in enumerate(noted))


def _note(virtual: VirtualBoard, shown: Forecast, before: Forecast | None, rng: np.random.Generator | Luck) -> Reading:
    probing, meter = shown.probing, virtual.meter
    if shown.value is None:
        return Reading(0, probing, "OL", None, shown.unit, "OL", discharged=True)
    in_ohms = probing.mode in ("ohms", "continuity")
    range_name = (probing.range_name or meter.range_for(shown.value).name) if in_ohms else None
    gain = virtual.gains[range_name] if range_name is not None else virtual.gains["diode"]
    _, digits_sd = meter.sigma(probing.mode, range_name, shown.value)
    luck = float(rng.normal()) if isinstance(rng, np.random.Generator) else rng(probing)
    real = max(shown.value * (1.0 + gain) + luck * digits_sd, 0.0)
    if probing.mode == "ohms" and probing.range_name is None:
        real = min(real, meter.range_for(shown.value).full_scale)  # an autorange shows no OL where a range ends
    value = meter.display(probing.mode, range_name, real)
    if value is None:
        return Reading(0, probing, "OL", None, shown.unit, "OL", discharged=True)
    state = "steady"
    if before is not None and before.value is not None:
        step = shown.value - before.value
        digit = meter.resolution(probing.mode, range_name, shown.value)
        if abs(step) > SEEN_TO_MOVE_DIGITS * digit:
            state = "climbing" if step > 0.0 else "falling"
    return Reading(0, probing, f"{value:g}", value, shown.unit, state, discharged=True)
