"""Whether a reading that can be taken in place would tell hypotheses apart."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.faults import Fault
from bridge.forecast import damage_of, default_probings
from bridge.instants import build_points
from bridge.meter import MeterProfile
from bridge.partkinds import PART_KINDS, SWITCH_KINDS, collector_pin, emitter_pin
from bridge.probing import Hold, Probing, Setup
from bridge.shots import displayed, plan_each
from bridge.solve import solve_points
from bridge.variants import ChangeClasses

__all__ = ["reachable_probings", "separable_in_place"]

Array = NDArray[np.float64]

FULL_ON_V = 12.0  # turns on any switch of the trade; common practice, no source
CLEAR_DISTANCE = 3.29  # standard deviations that bring the two-way error under 0.05
TWO_PARTS_SD_V = 0.015  # two parts of one board against each other, and the digits
OHMS_SPREAD = 0.06  # resistor tolerance and meter on both sides


def reachable_probings(board: Board) -> tuple[Probing, ...]:
    """Return readings that need nothing lifted: main terminals, gate leads, across parts, held gates."""
    held = []
    terminal_on = {terminal.net: name for name, terminal in reversed(list(board.terminals.items()))}
    for part in board.parts.values():
        if part.kind in SWITCH_KINDS and part.position is not None:
            high, low = collector_pin(part.kind), emitter_pin(part.kind)
            red, black = (terminal_on.get(part.pins[pin], f"{part.ref}.{pin}") for pin in (high, low))
            held.append(Probing(red, black, "diode", None, (Hold(part.position, FULL_ON_V),)))
    return tuple(dict.fromkeys((*default_probings(board), *_across_parts(board), *held)))


def _across_parts(board: Board) -> list[Probing]:
    """Return a reading straight across each part whose ends can be reached: in ohms, and at pads as a diode too.

    A diode is read in ohms the way it blocks, and a switch likewise: that shows a leak which diode mode cannot. At
    pads a switch is also read from its gate to its collector or drain; gate to emitter is read in any case.
    """
    on = board.easiest_on
    # a fuse's clips lie open, and behind a blown one nothing else may be reached; common practice, no source
    for part in board.parts.values():
        if part.kind == "fuse":
            for pin, net in part.pins.items():
                on.setdefault(net, f"{part.ref}.{pin}")
    main = set(board.main_terminals)
    gates = {frozenset(board.terminals[name].net for name in pair) for pair in board.gate_leads}
    found: dict[Probing, None] = {}
    read: set[tuple[frozenset[str], str]] = {(nets, "ohms") for nets in gates}
    for part in board.parts.values():
        if not part.modes or part.when is not None:
            continue
        pins = tuple(part.pins)
        kind = PART_KINDS[part.kind]
        # a switch's diode is a part of its own; a driver is proposed in ohms alone
        junction = len(kind.pins) == 2 and kind.mode_between(*kind.pins) == "diode"
        ends = [(kind.pins[1], kind.pins[0])] if junction else [(pins[0], pins[1])]
        if part.kind in SWITCH_KINDS:
            ends.append(("gate", pins[0]))
        for red_pin, black_pin in ends:
            nets = frozenset((part.pins[red_pin], part.pins[black_pin]))
            if len(nets) < 2 or not nets <= set(on):
                continue
            red, black = on[part.pins[red_pin]], on[part.pins[black_pin]]
            if (nets, "ohms") not in read:
                read.add((nets, "ohms"))
                found[Probing(red, black, "ohms")] = None
            if junction and not {red, black} <= main and (nets, "diode") not in read:
                read.add((nets, "diode"))
                found.update(dict.fromkeys((Probing(black, red), Probing(red, black))))
    return list(found)


def separable_in_place(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    hypotheses: Sequence[Sequence[tuple[Fault, float | None]]],
) -> bool:
    """Return whether one reachable reading tells every other hypothesis from the first, where the displays end.

    Parameters
    ----------
    board, meter, setup
        As for ranking.
    hypotheses : sequence of sequences of (Fault, float or None)
        The leader first; resistances as fitted [ohm].
    """
    if len(hypotheses) < 2:
        return True
    circuit = build_circuit(board, setup)
    changes = [damage_of(circuit, faults) for faults in hypotheses]
    classes = ChangeClasses(circuit, changes)
    if np.any(classes.class_of[1:] == classes.class_of[0]):
        return False  # the very same circuit
    probings = reachable_probings(board)
    shots = plan_each(circuit, meter, probings)
    shot = np.tile(np.arange(len(shots)), classes.size)
    which = np.repeat(np.arange(classes.size), len(shots))
    points, _ = build_points(circuit, shots, shot, classes, which)
    solution = solve_points(circuit, points)
    value = displayed(shots, shot, solution.voltage[points.red, np.arange(points.size)])
    value = np.where(solution.converged, value, np.nan).reshape(classes.size, len(shots))
    for number in range(len(probings)):
        mine = [index for index, entry in enumerate(shots) if entry.probing == number]
        shown = value[:, mine[0]]
        for index in mine[1:]:
            shown = np.where(np.isinf(shown), value[:, index], shown)  # NaN stays: the meter may have settled there
        if np.all(_distance(shown[0], shown[1:], shots[mine[0]].unit) > CLEAR_DISTANCE):
            return True
    return False


def _distance(leader: float, others: Array, unit: str) -> Array:
    """Return how many standard deviations lie between displays; OL against a number is clear."""
    if math.isnan(leader):
        return np.zeros(len(others))
    with np.errstate(invalid="ignore"):
        sd = TWO_PARTS_SD_V if unit == "V" else np.maximum(OHMS_SPREAD * np.minimum(abs(leader), np.abs(others)), 0.5)
        apart = np.abs(others - leader) / sd
    one_open = np.isinf(others) != math.isinf(leader)
    both_open = np.isinf(others) & math.isinf(leader)
    return np.where(np.isnan(others) | both_open, 0.0, np.where(one_open, 10.0, apart))
