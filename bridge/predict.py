"""Hypotheses x probings to predicted displays: one table, shared work done once.

A fault is solved for only where it moves a reading. The healthy board is solved first, then every fault that leaves its
currents unbalanced there, then every pair whose second fault unbalances the solution of the first; all others take over
the number already known.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import CAPACITOR_ESR_OHMS, Circuit
from bridge.core import find_core
from bridge.instants import build_points, set_capacitors
from bridge.shots import Shot, ShotArrays
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
    charges : ndarray of bool, answers
        Whether a capacitor at its first-instant charge would move the answer.
    shot : ndarray of int, answers
        Shot each belongs to.
    jack : ndarray, answers
        Voltage at the meter's jacks [V], finite for OL too.
    capacitor_volts, capacitor_amps : ndarray, capacitors x answers
        Voltage across each capacitor [V] and, at the first instant, current into it [A].
    """

    value: Array
    own_sd: Array
    batch_load: Array
    severity_load: Array
    owner: Index
    charges: NDArray[np.bool_]
    shot: Index
    jack: Array
    capacitor_volts: Array
    capacitor_amps: Array

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Which answers are numbers that can be trusted."""
        answer: NDArray[np.bool_] = ~np.isnan(self.value)
        return answer


@dataclass(frozen=True, slots=True)
class CellTable:
    """Which answer every single fault and pair gives in every shot, at the first instant and in the end.

    Parameters
    ----------
    answers : Answers
        The distinct answers.
    single_start, single_end : ndarray of int, shots x classes
        Answer of each class alone; class 0 is the healthy board.
    pair_start, pair_end : ndarray of int, shots x pair classes x pair classes
        Answer of each pair, symmetric.
    batches : tuple of str
        Names along the first axis of ``answers.batch_load``.
    """

    answers: Answers
    single_start: NDArray[np.int32]
    single_end: NDArray[np.int32]
    pair_start: NDArray[np.int32]
    pair_end: NDArray[np.int32]
    batches: tuple[str, ...]


class _Context:
    """A circuit with its shots and changes, and the spreads of its parts."""

    def __init__(
        self,
        circuit: Circuit,
        shots: Sequence[Shot],
        classes: ChangeClasses,
        bus_volts: float,
        batches: tuple[str, ...],
        capacitor_place: Index,
    ) -> None:
        self.circuit = circuit
        self.shots = shots
        self.arrays = ShotArrays.of(shots)
        self.classes = classes
        self.capacitor_place = capacitor_place
        self.capacitor_volts = circuit.capacitor_share * bus_volts
        names = np.array(circuit.junction_batch, dtype=object)
        self.batch_rows = [np.flatnonzero(names == batch) for batch in batches]
        spread = [MODULE_SPREAD_V if kind == "module" else DISCRETE_SPREAD_V for kind in circuit.junction_construction]
        self.junction_variance = np.array(spread) ** 2
        tolerance = np.zeros(len(circuit.linear_siemens))
        for (ref, slot), row in circuit.linear_rows.items():
            if slot in ("main", "off"):
                tolerance[row] = 0.5 * circuit.parts[ref].tolerance
        self.tolerance_variance = tolerance**2

    def solve(
        self, shot: Index, first: Index, second: Index, start: Array | None, at_start: bool
    ) -> tuple[Answers, Points, Array, Array]:
        """Return answers, and the points, node voltages and transfer resistances behind them."""
        circuit = self.circuit
        points, factors = build_points(circuit, self.shots, shot, self.classes, first, second)
        if at_start:
            siemens = np.where(factors > 0.0, 1.0 / CAPACITOR_ESR_OHMS, 0.0)
            set_capacitors(circuit, points, siemens, np.repeat(self.capacitor_volts[:, None], points.size, axis=1))
        solution = solve_points(circuit, points, start)
        voltage = solution.voltage
        adjoint = solve_adjoint(circuit, points, voltage)
        jack, at_tips = self.arrays.jack_voltage(shot, voltage[points.red, np.arange(points.size)])
        value, slope = self.arrays.display(shot, jack)
        slope = slope * at_tips
        a, b = circuit.junction_a, circuit.junction_b
        _, conductance = laws.junction(
            voltage[a] - voltage[b], points.saturation, circuit.junction_scale[:, None], circuit.junction_ohms[:, None]
        )
        by_drop = (adjoint[a] - adjoint[b]) * conductance
        batch_load = np.array([by_drop[rows].sum(axis=0) for rows in self.batch_rows])
        batch_load = batch_load.reshape(len(self.batch_rows), points.size)
        variance = self.junction_variance @ by_drop**2
        a, b = circuit.linear_a, circuit.linear_b
        row_power = (voltage[a] - voltage[b]) * (adjoint[a] - adjoint[b])
        variance += self.tolerance_variance @ (row_power * points.siemens) ** 2
        load = np.array([self.classes.severity_slope(points, which, row_power) for which in (first, second)])
        charges = np.zeros(points.size, dtype=bool)
        rows = circuit.capacitor_rows
        across = voltage[a[rows]] - voltage[b[rows]]
        capacitor_volts = np.zeros((len(self.capacitor_place), points.size))
        capacitor_amps = np.zeros_like(capacitor_volts)
        mine = self.capacitor_place >= 0
        place = self.capacitor_place[mine]
        capacitor_volts[mine] = across[place]
        if at_start:
            capacitor_amps[mine] = (points.siemens[rows] * (across - self.capacitor_volts[:, None]))[place]
        else:
            gap = np.abs(across - self.capacitor_volts[:, None]) * (factors > 0.0)
            reach = np.abs(adjoint[a[rows]] - adjoint[b[rows]]) / CAPACITOR_ESR_OHMS
            charges = (gap * reach).sum(axis=0) > 1e-6
        answers = Answers(
            value=np.where(solution.converged, value, np.nan),
            own_sd=np.sqrt(variance) * np.abs(slope),
            batch_load=batch_load * slope,
            severity_load=load * slope,
            owner=np.array([first, second]),
            charges=charges,
            shot=shot,
            jack=jack,
            capacitor_volts=capacitor_volts,
            capacitor_amps=capacitor_amps,
        )
        return answers, points, voltage, adjoint


class _Collector:
    """Solves batches and keeps of each what the table needs."""

    def __init__(
        self, circuit: Circuit, shots: Sequence[Shot], classes: ChangeClasses, pair_classes: Index, bus_volts: float
    ) -> None:
        self.classes = classes
        self.pair_classes = pair_classes
        self.batches = tuple(dict.fromkeys(circuit.junction_batch))
        every_capacitor = np.arange(len(circuit.capacitor_rows))
        self._whole = _Context(circuit, shots, classes, bus_volts, self.batches, every_capacitor)
        self._pairing = classes.restrict(pair_classes)
        main = {circuit.node(name) for name in circuit.board.main_terminals}
        self._on_main = np.array([shot.red in main and shot.black in main and not shot.holds for shot in shots])
        self._core = find_core(circuit, sorted(main), classes.changes)
        number = {int(node): place for place, node in enumerate(self._core.nodes)}
        core_shots = [
            dataclasses.replace(shot, red=number.get(shot.red, 0), black=number.get(shot.black, 0), holds=())
            for shot in shots
        ]
        core_classes = ChangeClasses(self._core.circuit, self._core.changes, list(range(classes.size)))
        small = self._core
        place = np.array([small.circuit.capacitor_index.get(ref, -1) for ref in circuit.capacitor_index], dtype=np.intp)
        self._small = _Context(small.circuit, core_shots, core_classes, bus_volts, self.batches, place)
        self._pieces: list[Answers] = []
        self._voltages: list[Array] = []
        self._effects: list[NDArray[np.bool_]] = []
        self._on_healthy: dict[int, NDArray[np.bool_]] = {}
        self.count = 0

    def solve(
        self, shot: Index, first: Index, second: Index, start: Array | None, *, at_start: bool
    ) -> NDArray[np.int32]:
        """Solve a batch at one instant; return the numbers of its answers.

        Node voltages and the effects of further faults are kept for later pairs.
        """
        numbers = np.arange(self.count, self.count + len(shot), dtype=np.int32)
        for begin in range(0, max(len(shot), 1), LOAD):
            part = slice(begin, begin + LOAD)
            answers, points, voltage, adjoint = self._whole.solve(
                shot[part], first[part], second[part], None if start is None else start[:, part], at_start
            )
            self._pieces.append(answers)
            self._voltages.append(voltage)
            amps = full_scale_amps(points)
            self._effects.append(self._pairing.effects(points, voltage, adjoint, amps))
            if not first[part].any():
                moved = self.classes.effects(points, voltage, adjoint, amps)
                self._on_healthy.update(zip(numbers[part].tolist(), moved.T, strict=True))
        self.count += len(shot)
        return numbers

    def solve_pairs(
        self,
        shot: Index,
        first: Index,
        second: Index,
        starts: Callable[[Index], Array],
        *,
        at_start: bool,
        progress: Progress | None,
    ) -> NDArray[np.int32]:
        """Solve pairs at one instant, those that only the main circuit can see on the main circuit alone."""
        numbers = np.empty(len(shot), dtype=np.int32)
        small = self._on_main[shot] & self._core.safe[first] & self._core.safe[second]
        done = 0
        for context, columns, nodes in (
            (self._small, np.flatnonzero(small), self._core.nodes),
            (self._whole, np.flatnonzero(~small), slice(None)),
        ):
            for begin in range(0, len(columns), LOAD):
                part = columns[begin : begin + LOAD]
                answers, *_ = context.solve(shot[part], first[part], second[part], starts(part)[nodes], at_start)
                self._pieces.append(answers)
                numbers[part] = np.arange(self.count, self.count + len(part))
                self.count += len(part)
                done += len(part)
                if progress is not None:
                    progress(done, len(shot))
        return numbers

    def voltages(self) -> Array:
        """Node voltages of all kept answers, nodes x answers."""
        return np.concatenate(self._voltages, axis=1)

    def effects(self) -> NDArray[np.bool_]:
        """Which pair classes would move which kept answer, pair classes x answers."""
        return np.concatenate(self._effects, axis=1)

    def all_effects(self, healthy: NDArray[np.int32]) -> NDArray[np.bool_]:
        """Which classes would move each of these healthy answers, classes x answers."""
        return np.array([self._on_healthy[number] for number in healthy.tolist()]).T

    def end_values(self) -> Array:
        """Displays of all answers so far."""
        return np.concatenate([piece.value for piece in self._pieces])

    def charges(self) -> NDArray[np.bool_]:
        """Which answers a charged or empty capacitor would move."""
        return np.concatenate([piece.charges for piece in self._pieces])

    def answers(self) -> Answers:
        pieces = self._pieces
        return Answers(
            np.concatenate([piece.value for piece in pieces]),
            np.concatenate([piece.own_sd for piece in pieces]),
            np.concatenate([piece.batch_load for piece in pieces], axis=1),
            np.concatenate([piece.severity_load for piece in pieces], axis=1),
            np.concatenate([piece.owner for piece in pieces], axis=1),
            self.charges(),
            np.concatenate([piece.shot for piece in pieces]),
            np.concatenate([piece.jack for piece in pieces]),
            np.concatenate([piece.capacitor_volts for piece in pieces], axis=1),
            np.concatenate([piece.capacitor_amps for piece in pieces], axis=1),
        )


def solve_cells(
    circuit: Circuit,
    shots: Sequence[Shot],
    classes: ChangeClasses,
    pair_classes: Index | None = None,
    needed: NDArray[np.bool_] | None = None,
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
        Shots of this circuit.
    classes : ChangeClasses
        Changes; class 0 is the healthy board.
    pair_classes : ndarray of int, optional
        Classes that take part in pairs; none by default.
    needed : ndarray of bool, pair classes x pair classes, optional
        Pairs to answer, symmetric; all different ones by default.
    bus_volts : float
        Charge on the bus at the first instant [V].
    progress : callable, optional
        Called with pairs solved and pairs to solve.
    """
    pair_classes = np.zeros(0, dtype=np.intp) if pair_classes is None else pair_classes
    if needed is None:
        needed = ~np.eye(len(pair_classes), dtype=bool)
    collector = _Collector(circuit, shots, classes, pair_classes, bus_volts)
    every = np.arange(len(shots))
    nothing = np.zeros(len(shots), dtype=np.intp)
    # the end first: where no capacitor would carry current, it is the first instant too
    healthy_end = collector.solve(every, nothing, nothing, None, at_start=False)
    charged = np.flatnonzero(collector.charges()[healthy_end])
    healthy_start = healthy_end.copy()
    healthy_start[charged] = collector.solve(
        charged, nothing[charged], nothing[charged], collector.voltages()[:, healthy_end[charged]], at_start=True
    )
    single_end = np.repeat(healthy_end[:, None], classes.size, axis=1)
    single_start = np.repeat(healthy_start[:, None], classes.size, axis=1)
    levels = _range_levels(shots)
    for level in levels:
        open_still = _still_open(collector, single_end, shots, level)
        _solve_singles(collector, level, healthy_end, single_end, None, open_still)
        _solve_singles(collector, level, healthy_start, single_start, single_end, open_still)
    size = len(pair_classes)
    known = collector.voltages(), collector.effects()
    pair_end = np.empty((len(shots), size, size), dtype=np.int32)
    pair_start = np.empty_like(pair_end)
    jobs = np.triu(needed)
    for level in levels:
        open_still = _still_open(collector, pair_end, shots, level)
        ends = (healthy_end, single_end[:, pair_classes])
        _solve_pairs(collector, level, ends, known, pair_end, None, open_still & jobs, progress)
        begins = (healthy_start, single_start[:, pair_classes])
        _solve_pairs(collector, level, begins, known, pair_start, pair_end, open_still & jobs, progress)
    return CellTable(collector.answers(), single_start, single_end, pair_start, pair_end, collector.batches)


def _range_levels(shots: Sequence[Shot]) -> list[Index]:
    """Sort shots into levels: lowest or only range first, then the next range of the same probing, and so on."""
    seen: dict[int, int] = {}
    levels: list[list[int]] = []
    for number, shot in enumerate(shots):
        level = seen.get(shot.probing, 0)
        seen[shot.probing] = level + 1
        if level == len(levels):
            levels.append([])
        levels[level].append(number)
    return [np.array(level, dtype=np.intp) for level in levels]


def _still_open(
    collector: _Collector, answered: NDArray[np.int32], shots: Sequence[Shot], level: Index
) -> NDArray[np.bool_]:
    """Return for each shot of a level which hypotheses the next lower range left open; an autorange stops there."""
    value = collector.end_values()
    result = np.ones((len(level), *answered.shape[1:]), dtype=bool)
    for row, shot in enumerate(level.tolist()):
        if shot > 0 and shots[shot - 1].probing == shots[shot].probing:
            result[row] = ~np.isfinite(value[answered[shot - 1]])
    return result


def _solve_singles(
    collector: _Collector,
    level: Index,
    healthy: NDArray[np.int32],
    single: NDArray[np.int32],
    ended: NDArray[np.int32] | None,
    wanted: NDArray[np.bool_],
) -> None:
    """Answer all classes alone in some shots, in place; ``ended`` are the end values where they are known."""
    moved = collector.all_effects(healthy[level]).T & wanted
    moved[:, 0] = False
    if ended is not None:
        stays = ~collector.charges()[ended[level]]
        single[level] = np.where(stays, ended[level], single[level])
        moved &= ~stays
    row, which = np.nonzero(moved)
    shot = level[row]
    start = collector.voltages()[:, healthy[shot]]
    single[shot, which] = collector.solve(shot, which, np.zeros_like(which), start, at_start=ended is not None)


def _solve_pairs(
    collector: _Collector,
    level: Index,
    singles: tuple[NDArray[np.int32], NDArray[np.int32]],
    known: tuple[Array, NDArray[np.bool_]],
    pair: NDArray[np.int32],
    ended: NDArray[np.int32] | None,
    wanted: NDArray[np.bool_],
    progress: Progress | None,
) -> None:
    """Answer all pairs in some shots, in place.

    A pair takes over a single's answer where the other part does not disturb it; the rest is solved.
    """
    healthy, single = singles
    voltages, effects = known
    charges = collector.charges() if ended is not None else None
    todo: list[tuple[Index, Index, Index]] = []
    for row, shot in enumerate(level.tolist()):
        own = single[shot]
        disturbed = effects[:, own].T  # [first, second]: whether second moves the solution of first
        pair[shot] = np.where(disturbed, own[None, :], own[:, None])
        solve = disturbed & disturbed.T & wanted[row]
        if ended is not None and charges is not None:
            stays = ~charges[ended[shot]]
            pair[shot][stays] = ended[shot][stays]
            solve &= ~stays
        first, second = np.nonzero(solve)
        todo.append((np.full(len(first), shot), first, second))
    at, first, second = (np.concatenate(columns) for columns in zip(*todo, strict=True))

    def starts(part: Index) -> Array:
        s, c1, c2 = at[part], first[part], second[part]
        return voltages[:, single[s, c1]] + voltages[:, single[s, c2]] - voltages[:, healthy[s]]

    classes = collector.pair_classes
    numbers = collector.solve_pairs(
        at, classes[first], classes[second], starts, at_start=ended is not None, progress=progress
    )
    pair[at, first, second] = numbers
    pair[at, second, first] = numbers
