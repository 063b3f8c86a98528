"""What the ranking has to beat: a table of rules of thumb, and a dictionary that takes the nearest known board."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.crowd import forecast_crowd
from bridge.faults import Fault
from bridge.faultspace import FaultSpace
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.virtualboard import draw_faults

Array = NDArray[np.float64]

PAIRS_IN_DICTIONARY = 2000
OPEN = 9.0  # stands for OL in the dictionary's distances, in decades or volts
SHORT_V = 0.1  # under this in diode mode a path counts as shorted; common practice, no source
OPEN_V = 1.5  # over this a diode counts as open; common practice, no source
GATE_SHORT_OHMS = 1000.0  # under this a gate counts as punctured; common practice, no source


class Dictionary:
    """Readings of known faults; the nearest one is the guess."""

    def __init__(
        self, board: Board, meter: MeterProfile, space: FaultSpace, plan: Sequence[Probing], seed: int
    ) -> None:
        rng = np.random.default_rng(seed)
        hypotheses: list[tuple[Fault, ...]] = [(), *((fault,) for fault in space.faults)]
        while len(hypotheses) < 1 + len(space.faults) + PAIRS_IN_DICTIONARY:
            hypotheses.append(tuple(fault for fault, _ in draw_faults(space, 2, rng)))
        hypotheses = list(dict.fromkeys(hypotheses))
        shown = forecast_crowd(board, meter, Setup(), plan, [[(fault, None) for fault in one] for one in hypotheses])
        self.points = np.array([[_coordinate(one.value, one.unit) for one in row] for row in shown])
        self.packages = [frozenset(board.parts[fault.part].package for fault in one) for one in hypotheses]

    def nearest(self, readings: Sequence[Reading]) -> frozenset[str]:
        """Return the packages of the entry closest to the readings."""
        here = np.array([_coordinate(one.value, one.unit) for one in readings])
        return self.packages[int(np.argmin(np.abs(self.points - here).sum(axis=1)))]


def _coordinate(value: float | None, unit: str) -> float:
    if value is None:
        return OPEN if unit != "V" else 3.0
    return value if unit == "V" else math.log10(max(value, 0.1))


def rule_of_thumb(board: Board, readings: Sequence[Reading]) -> frozenset[str]:
    """Return the packages a technician would condemn by the usual table.

    Parameters
    ----------
    board : Board
        The board.
    readings : sequence of Reading
        What was read.

    Notes
    -----
    Near zero both ways across a switch or a diode: it is shorted. Open along a diode that should conduct: it is open.
    A gate lead near zero to its own emitter: the switch is dead. Common practice, no source.
    """
    diode: dict[tuple[str, str], float] = {}
    gates: dict[str, float] = {}
    for reading in readings:
        value = math.inf if reading.value is None else reading.value
        nets = tuple(board.terminals[lead].net for lead in (reading.probing.red, reading.probing.black))
        if reading.probing.mode == "diode":
            diode[nets[0], nets[1]] = value
        elif reading.probing.red.startswith("G_"):
            gates[nets[0]] = value
    guilty: set[str] = set()
    for part in board.parts.values():
        ends = [part.pins[pin] for pin in ("anode", "emitter", "source") if pin in part.pins]
        tops = [part.pins[pin] for pin in ("cathode", "collector", "drain") if pin in part.pins]
        if not ends or not tops:
            continue
        forward, back = diode.get((ends[0], tops[0])), diode.get((tops[0], ends[0]))
        if forward is not None and back is not None and forward < SHORT_V and back < SHORT_V:
            guilty.add(part.package)
        if forward is not None and "anode" in part.pins and forward > OPEN_V:
            guilty.add(part.package)
        if gates.get(part.pins.get("gate", ""), math.inf) < GATE_SHORT_OHMS:
            guilty.add(part.package)
    return frozenset(guilty)
