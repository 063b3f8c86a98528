"""Hypotheses x probings to predicted displays: one table, shared work done once.

A fault is solved for only where it moves a reading. The healthy board is solved first, then every fault that leaves its
currents unbalanced there, then every pair whose second fault unbalances the solution of the first; all others take over
the number already known.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import CAPACITOR_ESR_OHMS, Circuit
from bridge.instants import build_points, set_capacitors
from bridge.shots import Shot, displayed
from bridge.solve import Points, full_scale_amps, solve_adjoint, solve_points
from bridge.variants import ChangeClasses

__all__ = ["Answers", "CellTable", "solve_cells"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Progress = Callable[[int, int], None]

MODULE_SPREAD_V = 0.005  # between diodes of one module; common practice, no source
DISCRETE_SPREAD_V = 0.010  # between discrete diodes of one batch; common practice, no source
LOAD = 8192  # points handed to the solver together: many batches, so that slow points can finish in company


@dataclass(frozen=True, slots=True)
class Answers:
    """Distinct solved displays of one circuit, in the order they were found.

    Parameters
    ----------
    value : ndarray, answers
        Displayed volts or ohms, infinity for OL, NaN where the solve did not converge.
    own_sd : ndarray, answers
        Standard deviation from part-to-part spread and resistor tolerance [unit of the display].
    batch_load : ndarray, batches x answers
        Change of the display with one volt more drop in a whole batch of junctions [unit/V].
    severity_load : ndarray, 2 x answers
        Change of the display with one neper more in the first and second fault's resistance [unit].
    owner : ndarray of int, 2 x answers
        Class each severity load belongs to.
    """

    value: Array
    own_sd: Array
    batch_load: Array
    severity_load: Array
    owner: Index

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Which answers are numbers that can be trusted."""
        answer: NDArray[np.bool_] = ~np.isnan(self.value)
        return answer


@dataclass(frozen=True, slots=True)
class CellTable:
    """Which answer every single fault and pair gives in every view (shot at one instant).

    Parameters
    ----------
    answers : Answers
        The distinct answers.
    single : ndarray of int, views x classes
        Answer of each class alone; class 0 is the healthy board.
    pair : ndarray of int, views x classes x classes
        Answer of each pair of classes, symmetric; empty if no pairs were asked for.
    batches : tuple of str
        Names along the first axis of ``answers.batch_load``.
    solved : int
        Operating points that were really solved.
    """

    answers: Answers
    single: NDArray[np.int32]
    pair: NDArray[np.int32]
    batches: tuple[str, ...]
    solved: int


class _Collector:
    """Solves batches and keeps what the table needs of each."""

    def __init__(
        self, circuit: Circuit, shots: Sequence[Shot], classes: ChangeClasses, bus_volts: float
    ) -> None:
        self.circuit = circuit
        self.shots = shots
        self.classes = classes
        self.bus_volts = bus_volts
        self.batches = tuple(dict.fromkeys(circuit.junction_batch))
        self._batch_rows = [
            np.flatnonzero([name == batch for name in circuit.junction_batch]) for batch in self.batches
        ]
        spread = [
            MODULE_SPREAD_V if kind == "module" else DISCRETE_SPREAD_V
            for kind in circuit.junction_construction
        ]
        self._junction_spread = np.array(spread)
        tolerance = np.zeros(len(circuit.linear_siemens))
        for (ref, slot), row in circuit.linear_rows.items():
            if slot in ("main", "off"):
                tolerance[row] = 0.5 * circuit.parts[ref].tolerance
        self._tolerance = tolerance
        self._pieces: list[Answers] = []
        self.count = 0

    def points(self, shot: Index, at_start: NDArray[np.bool_], *applied: Index) -> Points:
        points, factors = build_points(self.circuit, self.shots, shot, self.classes, *applied)
        siemens = np.where((factors > 0.0) & at_start, 1.0 / CAPACITOR_ESR_OHMS, 0.0)
        volts = np.repeat((self.circuit.capacitor_share * self.bus_volts)[:, None], points.size, axis=1)
        set_capacitors(self.circuit, points, siemens, volts)
        return points

    def solve(
        self, shot: Index, at_start: NDArray[np.bool_], first: Index, second: Index, start: Array | None
    ) -> tuple[Points, Array, Array]:
        """Solve a batch, keep its answers, return points, node voltages and transfer resistances."""
        circuit = self.circuit
        points = self.points(shot, at_start, first, second)
        solution = solve_points(circuit, points, start)
        adjoint = solve_adjoint(circuit, points, solution.voltage)
        red = solution.voltage[points.red, np.arange(points.size)]
        value, slope = displayed(self.shots, shot, red)
        value = np.where(solution.converged, value, np.nan)
        a, b = circuit.junction_a, circuit.junction_b
        _, conductance = laws.junction(
            solution.voltage[a] - solution.voltage[b],
            points.saturation,
            circuit.junction_scale[:, None],
            circuit.junction_ohms[:, None],
        )
        by_drop = (adjoint[a] - adjoint[b]) * conductance
        batch_load = np.array([by_drop[rows].sum(axis=0) for rows in self._batch_rows]).reshape(
            -1, points.size
        )
        variance = np.einsum("jb,j->b", by_drop**2, self._junction_spread**2)
        a, b = circuit.linear_a, circuit.linear_b
        row_power = (solution.voltage[a] - solution.voltage[b]) * (adjoint[a] - adjoint[b])
        with np.errstate(over="ignore"):
            variance += np.einsum("lb,l->b", (row_power * points.siemens) ** 2, self._tolerance**2)
        load = np.array(
            [
                self.classes.severity_slope(points, first, row_power),
                self.classes.severity_slope(points, second, row_power),
            ]
        )
        self._pieces.append(
            Answers(
                value,
                np.sqrt(variance) * np.abs(slope),
                batch_load * slope,
                load * slope,
                np.array([first, second]),
            )
        )
        self.count += points.size
        return points, solution.voltage, adjoint

    def answers(self) -> Answers:
        return Answers(
            np.concatenate([piece.value for piece in self._pieces]),
            np.concatenate([piece.own_sd for piece in self._pieces]),
            np.concatenate([piece.batch_load for piece in self._pieces], axis=1),
            np.concatenate([piece.severity_load for piece in self._pieces], axis=1),
            np.concatenate([piece.owner for piece in self._pieces], axis=1),
        )


def solve_cells(
    circuit: Circuit,
    shots: Sequence[Shot],
    classes: ChangeClasses,
    needed: NDArray[np.bool_] | None,
    *,
    bus_volts: float = 0.0,
    progress: Progress | None = None,
) -> CellTable:
    """Return the displays of every single fault, and of the pairs asked for, in every shot at both instants.

    Parameters
    ----------
    circuit : Circuit
        The healthy board, with the probing's pins lifted.
    shots : sequence of Shot
        Shots of this circuit; view ``2 k`` is shot k at the first instant, ``2 k + 1`` its end value.
    classes : ChangeClasses
        Changes; class 0 is the healthy board.
    needed : ndarray of bool, classes x classes, optional
        Pairs to answer (symmetric); none if not given.
    bus_volts : float
        Charge on the bus at the first instant [V].
    progress : callable, optional
        Called with pairs solved and pairs to solve.
    """
    collector = _Collector(circuit, shots, classes, bus_volts)
    views = 2 * len(shots)
    shot_of_view = np.repeat(np.arange(len(shots)), 2)
    start_of_view = np.arange(views) % 2 == 0
    none = np.zeros(views, dtype=np.intp)
    points, healthy, adjoint = collector.solve(shot_of_view, start_of_view, none, none, None)
    moved = classes.effects(points, healthy, adjoint, full_scale_amps(points))
    moved[0] = False
    single = np.repeat(np.arange(views, dtype=np.int32)[:, None], classes.size, axis=1)
    view, klass = np.nonzero(moved.T)
    voltages = [healthy]
    effects = [moved]
    for first in range(0, len(view), LOAD):
        part = slice(first, first + LOAD)
        at, which = view[part], klass[part]
        numbers = collector.count + np.arange(len(at))
        points, voltage, adjoint = collector.solve(
            shot_of_view[at], start_of_view[at], which, np.zeros_like(which), healthy[:, at]
        )
        single[at, which] = numbers
        if needed is not None:
            voltages.append(voltage)
            effects.append(classes.effects(points, voltage, adjoint, full_scale_amps(points)))
    if needed is None:
        empty = np.zeros((views, 0, 0), dtype=np.int32)
        return CellTable(collector.answers(), single, empty, collector.batches, collector.count)
    pair = _solve_pairs(
        collector,
        (shot_of_view, start_of_view),
        single,
        np.concatenate(voltages, axis=1),
        np.concatenate(effects, axis=1),
        np.triu(needed),
        progress,
    )
    return CellTable(collector.answers(), single, pair, collector.batches, collector.count)


def _solve_pairs(
    collector: _Collector,
    views: tuple[Index, NDArray[np.bool_]],
    single: NDArray[np.int32],
    voltages: Array,
    effects: NDArray[np.bool_],
    needed: NDArray[np.bool_],
    progress: Progress | None,
) -> NDArray[np.int32]:
    """Answer all pairs: take over a single's answer where the other part does not disturb it, solve the rest."""
    shot_of_view, start_of_view = views
    count, size = single.shape
    pair = np.empty((count, size, size), dtype=np.int32)
    todo: list[tuple[Index, Index, Index]] = []
    for view in range(count):
        own = single[view]
        disturbed = effects[:, own].T  # [first, second]: whether second moves the solution of first
        pair[view] = np.where(disturbed, own[None, :], own[:, None])
        first, second = np.nonzero(disturbed & disturbed.T & needed)
        todo.append((np.full(len(first), view), first, second))
    at, first, second = (np.concatenate(columns) for columns in zip(*todo, strict=True))
    healthy = voltages[:, :count]
    for begin in range(0, len(at), LOAD):
        part = slice(begin, begin + LOAD)
        v, c1, c2 = at[part], first[part], second[part]
        numbers = collector.count + np.arange(len(v))
        start = voltages[:, single[v, c1]] + voltages[:, single[v, c2]] - healthy[:, v]
        collector.solve(shot_of_view[v], start_of_view[v], c1, c2, start)
        pair[v, c1, c2] = numbers
        pair[v, c2, c1] = numbers
        if progress is not None:
            progress(min(begin + LOAD, len(at)), len(at))
    return pair
