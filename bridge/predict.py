"""Hypotheses x probings to predicted displays: one table, shared work done once.

A fault is solved for only where it moves a reading. The healthy board is solved first, then every fault that leaves its
currents unbalanced there, then every pair whose second fault unbalances the solution of the first; all others take over
the number already known.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import CAPACITOR_ESR_OHMS, Circuit
from bridge.company import Company, find_company
from bridge.core import find_core
from bridge.damage import CHANNEL_NORMAL
from bridge.effects import NO_EFFECT, STRONG, WEAK, EffectTest
from bridge.instants import build_points, first_instant
from bridge.shots import Shot, ShotArrays
from bridge.solve import (
    CHANNEL_DARK_V,
    Points,
    Response,
    batch_size,
    full_scale_amps,
    solve_points,
    solve_response,
    solve_transfer,
)
from bridge.variants import ChangeClasses

__all__ = ["UNKNOWN", "Answers", "CellSolver", "CellTable", "Progress", "solve_cells"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Progress = Callable[[int, int], None]

MODULE_SPREAD_V = 0.005  # between diodes of one module; common practice, no source
THRESHOLD_SPREAD_V = (
    0.5  # data sheets give an IGBT's threshold within 1 to 1.5 V of typical, a limit of about 2.5 sigma
)
LARGE_STEP_V = 2e-6  # a voltage that a capacitor would change, be it with no way to the reading: a fault may open one
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

    @classmethod
    def together(cls, pieces: Sequence[Answers]) -> Answers:
        """Return several runs of answers as one; the last axis of every field is the answer."""
        names = [field.name for field in dataclasses.fields(cls)]
        return cls(**{name: np.concatenate([getattr(piece, name) for piece in pieces], axis=-1) for name in names})

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Which answers are numbers that can be trusted."""
        answer: NDArray[np.bool_] = ~np.isnan(self.value)
        return answer


@dataclass(frozen=True, slots=True)
class _Piece:
    """Some answers, the node voltages behind them, and the effects of further faults where they were asked for."""

    answers: Answers
    voltage: Array
    effects: NDArray[np.uint8]
    points: Points
    response: Response


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
        self.bus_volts = bus_volts
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
        self,
        shot: Index,
        first: Index,
        second: Index,
        start: Array | None,
        *,
        at_start: bool,
        test: EffectTest | None = None,
        tested: NDArray[np.bool_] | None = None,
    ) -> list[_Piece]:
        """Return answers a batch at a time, those of ``tested`` columns with the effects of further faults."""
        circuit = self.circuit
        points, factors = build_points(circuit, self.shots, shot, self.classes, first, second)
        if at_start:
            first_instant(circuit, points, factors, self.bus_volts)
        solution = solve_points(circuit, points, start)
        size = batch_size(circuit)

        def describe(begin: int) -> _Piece:
            part = slice(begin, begin + size)
            some, voltage = points.take(part), np.ascontiguousarray(solution.voltage[:, part])
            asked = np.zeros(0, dtype=np.intp) if tested is None else np.flatnonzero(tested[part])
            response = solve_response(circuit, some, voltage, ports=len(asked) > 0)
            faults = np.array([first[part], second[part]])
            state = some, voltage, response
            answers = self._answers(shot[part], faults, state, solution.converged[part], factors[:, part], at_start)
            effects = np.zeros((0 if test is None else test.classes.size, some.size), dtype=np.uint8)
            if test is not None and len(asked):
                slack = self.arrays.slack(shot[part], answers.value, answers.jack)
                effects[:, asked] = test.grades(
                    some.take(asked),
                    voltage[:, asked],
                    response.take(asked),
                    full_scale_amps(some)[asked],
                    slack[asked],
                )
            return _Piece(answers, voltage, effects, some, response)

        return [describe(begin) for begin in range(0, max(points.size, 1), size)]

    def _answers(
        self,
        shot: Index,
        faults: Index,
        state: tuple[Points, Array, Response],
        converged: NDArray[np.bool_],
        factors: Array,
        at_start: bool,
    ) -> Answers:
        """Return what the display shows in a solved state, and what moves it."""
        circuit = self.circuit
        points, voltage, response = state
        adjoint = response.transfer
        jack, at_tips = self.arrays.jack_voltage(shot, voltage[points.red, np.arange(points.size)])
        value, slope = self.arrays.display(shot, jack)
        slope = slope * at_tips
        a, b = circuit.junction_a, circuit.junction_b
        flows, conductance = laws.junction(
            voltage[a] - voltage[b], points.saturation, circuit.junction_scale[:, None], circuit.junction_ohms[:, None]
        )
        # a higher drop divides the saturation current: the current answers by i and not by i + Is
        carried = flows + points.saturation
        share = np.divide(flows, carried, out=np.zeros_like(flows), where=carried > 0.0)
        by_drop = (adjoint[a] - adjoint[b]) * conductance * share
        batch_load = np.array([by_drop[rows].sum(axis=0) for rows in self.batch_rows])
        batch_load = batch_load.reshape(len(self.batch_rows), points.size)
        variance = self.junction_variance @ by_drop**2
        a, b = circuit.linear_a, circuit.linear_b
        row_power = (voltage[a] - voltage[b]) * (adjoint[a] - adjoint[b])
        variance += self.tolerance_variance @ (row_power * points.siemens) ** 2
        variance += self._threshold_variance(points, voltage, adjoint)
        load = np.array([self.classes.severity_slope(points, which, row_power) for which in faults])
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
            charges = ((gap * reach).sum(axis=0) > 1e-6) | (np.max(gap, axis=0, initial=0.0) > LARGE_STEP_V)
        return Answers(
            value=np.where(converged, value, np.nan),
            own_sd=np.sqrt(variance) * np.abs(slope),
            batch_load=batch_load * slope,
            severity_load=load * slope,
            owner=faults,
            charges=charges,
            shot=shot,
            jack=jack,
            capacitor_volts=capacitor_volts,
            capacitor_amps=capacitor_amps,
        )

    def _threshold_variance(self, points: Points, voltage: Array, adjoint: Array) -> Array:
        """Return the variance of the reading [V^2] from the spread of the gate thresholds."""
        circuit = self.circuit
        high, low, gate = circuit.channel_high, circuit.channel_low, circuit.channel_gate
        drive, drop = voltage[gate] - voltage[low], voltage[high] - voltage[low]
        variance = np.zeros(points.size)
        near = (drive > circuit.channel_offset[:, None] - CHANNEL_DARK_V) & (points.channel == CHANNEL_NORMAL)
        for row in np.flatnonzero(near.any(axis=1)).tolist():
            shape = circuit.channel_specific[row], circuit.channel_offset[row]
            if circuit.channel_is_mosfet[row]:
                slope = laws.mosfet_channel(drop[row], drive[row], *shape)[2]
            else:
                scale = circuit.channel_scale[row]
                slope = laws.igbt_channel(drop[row], drive[row], shape[0], scale, shape[1])[2]
            reach = adjoint[high[row]] - adjoint[low[row]]
            variance += np.where(near[row], (slope * reach * THRESHOLD_SPREAD_V) ** 2, 0.0)
        return variance


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
        self._every = EffectTest(circuit, classes)
        self._pairing = EffectTest(circuit, classes.restrict(pair_classes))
        self.is_member = np.zeros(classes.size, dtype=bool)
        self.is_member[pair_classes] = True
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
        self._effects: list[NDArray[np.uint8]] = []
        self._at_start: list[NDArray[np.bool_]] = []
        self._on_healthy: dict[int, NDArray[np.uint8]] = {}
        self._company: dict[int, Company] = {}
        self.count = 0

    def solve(
        self, shot: Index, first: Index, second: Index, start: Array | None, *, at_start: bool
    ) -> NDArray[np.int32]:
        """Solve a batch at one instant; return the numbers of its answers.

        Node voltages and the effects of further faults are kept for later pairs.
        """
        numbers = np.arange(self.count, self.count + len(shot), dtype=np.int32)
        healthy = not first.any()
        test = self._every if healthy else self._pairing
        for begin in range(0, max(len(shot), 1), LOAD):
            part = slice(begin, begin + LOAD)
            # only in circuits of pair members will the effect of a second fault be asked for
            for piece in self._whole.solve(
                shot[part],
                first[part],
                second[part],
                None if start is None else start[:, part],
                at_start=at_start,
                test=test,
                tested=self.is_member[first[part]] | healthy,
            ):
                count = len(piece.answers.value)
                self._pieces.append(piece.answers)
                self._voltages.append(piece.voltage)
                self._at_start.append(np.full(count, at_start))
                self._effects.append(piece.effects[self.pair_classes] if healthy else piece.effects)
                if healthy:
                    self._on_healthy.update(zip(range(self.count, self.count + count), piece.effects.T, strict=True))
                    self._find_company(piece)
                self.count += count
        return numbers

    def _find_company(self, piece: _Piece) -> None:
        """Note which pair classes would show together on healthy circuits."""
        if not len(self.pair_classes):
            return
        circuit = self._whole.circuit
        slack = self._whole.arrays.slack(piece.answers.shot, piece.answers.value, piece.answers.jack)
        test_amps = full_scale_amps(piece.points)
        transfer = solve_transfer(circuit, piece.points, piece.voltage)
        for column in range(piece.points.size):
            one = np.array([column])
            self._company[self.count + column] = find_company(
                self._pairing,
                piece.effects[self.pair_classes, column],
                piece.points.take(one),
                piece.voltage[:, one],
                piece.response.take(one),
                transfer[column],
                float(test_amps[column]),
                float(slack[column]),
            )

    def company(self, healthy: int) -> Company:
        """Return which pair classes without effect on a healthy answer would show together."""
        return self._company[healthy]

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
                self._pieces += [
                    piece.answers
                    for piece in context.solve(
                        shot[part], first[part], second[part], starts(part)[nodes], at_start=at_start
                    )
                ]
                numbers[part] = np.arange(self.count, self.count + len(part))
                self.count += len(part)
                done += len(part)
                if progress is not None:
                    progress(done, len(shot))
        return numbers

    def voltages(self) -> Array:
        """Node voltages of all kept answers, nodes x answers."""
        return _joined(self._voltages, axis=1)

    def effects(self) -> NDArray[np.uint8]:
        """How much pair classes would move kept answers, pair classes x answers."""
        return _joined(self._effects, axis=1)

    def solved_at(self, answers: NDArray[np.int32], at_start: bool) -> NDArray[np.bool_]:
        """Which kept answers were solved for at this instant, and not taken over from the other."""
        at: NDArray[np.bool_] = _joined(self._at_start, axis=0)[answers] == at_start
        return at

    def all_effects(self, healthy: NDArray[np.int32]) -> NDArray[np.uint8]:
        """How much all classes would move each of these healthy answers, classes x answers."""
        return np.array([self._on_healthy[number] for number in healthy.tolist()]).T

    def answers(self) -> Answers:
        """All answers so far."""
        if len(self._pieces) > 1:
            self._pieces = [Answers.together(self._pieces)]
        return self._pieces[0]


def _joined(pieces: list[NDArray[Any]], axis: int) -> NDArray[Any]:
    """Return pieces as one array, and remember them as one."""
    if len(pieces) > 1:
        pieces[:] = [np.concatenate(pieces, axis=axis)]
    return pieces[0]


UNKNOWN = -1
LOUD = 255


class CellSolver:
    """Displays of singles, solved at once, and of pairs, solved when asked for.

    Parameters
    ----------
    circuit : Circuit
        The healthy board, with the probing's pins lifted.
    shots : sequence of Shot
        Shots of this circuit; the ranges of an autorange follow each other, lowest first.
    classes : ChangeClasses
        Changes; class 0 is the healthy board.
    pair_classes : ndarray of int, optional
        Classes that take part in pairs; none by default.
    bus_volts : float
        Charge on the bus at the first instant [V].

    Attributes
    ----------
    single_start, single_end : ndarray of int, shots x classes
        Answer of each class alone at the first instant and in the end.
    batches : tuple of str
        Names along the first axis of ``Answers.batch_load``.
    """

    def __init__(
        self,
        circuit: Circuit,
        shots: Sequence[Shot],
        classes: ChangeClasses,
        pair_classes: Index | None = None,
        *,
        bus_volts: float = 0.0,
    ) -> None:
        self.circuit = circuit
        self.shots = tuple(shots)
        self.classes = classes
        self.pair_classes = np.zeros(0, dtype=np.intp) if pair_classes is None else pair_classes
        collector = self._collector = _Collector(circuit, shots, classes, self.pair_classes, bus_volts)
        self.batches = collector.batches
        self.arrays = ShotArrays.of(shots)
        every = np.arange(len(shots))
        nothing = np.zeros(len(shots), dtype=np.intp)
        # the end first: where no capacitor would carry current, it is the first instant too
        self._healthy_end = collector.solve(every, nothing, nothing, None, at_start=False)
        charged = np.flatnonzero(collector.answers().charges[self._healthy_end])
        self._healthy_start = self._healthy_end.copy()
        self._healthy_start[charged] = collector.solve(
            charged,
            nothing[charged],
            nothing[charged],
            collector.voltages()[:, self._healthy_end[charged]],
            at_start=True,
        )
        self.single_end = np.repeat(self._healthy_end[:, None], classes.size, axis=1)
        self.single_start = np.repeat(self._healthy_start[:, None], classes.size, axis=1)
        for level in _range_levels(shots):
            wanted = self._lower_range_open(level)
            self._solve_singles(level, wanted, at_start=False)
            self._solve_singles(level, wanted, at_start=True)
        self._singles = collector.count  # answers from here on belong to pairs
        self._pairs: dict[int, tuple[NDArray[np.int32], NDArray[np.int32]]] = {}

    @property
    def answers(self) -> Answers:
        """All answers so far."""
        return self._collector.answers()

    def _lower_range_open(self, level: Index) -> NDArray[np.bool_]:
        """Return, level shots x classes, what the next lower range could not show; an autorange stops there."""
        value = self.answers.value
        wanted = np.ones((len(level), self.single_end.shape[1]), dtype=bool)
        for row, shot in enumerate(level.tolist()):
            if shot > 0 and self.shots[shot - 1].probing == self.shots[shot].probing:
                wanted[row] = ~np.isfinite(value[self.single_end[shot - 1]])
        return wanted

    def _solve_singles(self, level: Index, wanted: NDArray[np.bool_], *, at_start: bool) -> None:
        collector = self._collector
        healthy = self._healthy_start if at_start else self._healthy_end
        single = self.single_start if at_start else self.single_end
        least = np.full((len(level), single.shape[1]), WEAK, dtype=np.uint8)
        if len(self.pair_classes):
            # what shows nothing by itself but pulls nodes may show in a pair; where nothing else tells whether it
            # does, its own circuit must
            for place, number in enumerate(healthy[level].tolist()):
                least[place, self.pair_classes[~collector.company(number).silent]] = NO_EFFECT + 1
        # on an answer of the end nothing tells what a capacitor would show of a pulled node at the first instant
        least[~collector.solved_at(healthy[level], at_start)] = NO_EFFECT + 1
        moved = (least <= collector.all_effects(healthy[level]).T) & wanted
        moved[:, 0] = False
        if at_start:
            # solved for in the end, and no capacitor would carry current: that is the first instant too
            end = self.single_end[level]
            settled = ~self.answers.charges[end] & (end != self._healthy_end[level][:, None])
            single[level] = np.where(settled, end, single[level])
            moved &= ~settled
        row, which = np.nonzero(moved)
        # members of pairs side by side, so that whole batches are asked for second faults, or none of a batch
        order = np.argsort(~collector.is_member[which], kind="stable")
        row, which = row[order], which[order]
        shot = level[row]
        start = collector.voltages()[:, healthy[shot]]
        single[shot, which] = collector.solve(shot, which, np.zeros_like(which), start, at_start=at_start)

    def _table(self, shot: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return start and end answers of all pairs in a shot, UNKNOWN where one must be solved for."""
        if shot not in self._pairs:
            tables = []
            for at_start in (True, False):
                own, disturbed = self._disturbance(shot, at_start=at_start)
                tables.append(_taken(own[:, None], own, disturbed.T, disturbed))
            start, end = tables
            start[end == UNKNOWN] = UNKNOWN
            self._pairs[shot] = start, end
        return self._pairs[shot]

    def _disturbance(self, shot: int, *, at_start: bool) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Return the answer of each pair class alone, and how much each class (row) disturbs that of each (column)."""
        collector = self._collector
        own = (self.single_start if at_start else self.single_end)[shot, self.pair_classes]
        healthy = int((self._healthy_start if at_start else self._healthy_end)[shot])
        effects = collector.effects().take(own, axis=1)
        # an answer of the end says nothing about the first instant once a node is pulled: a capacitor may hold it
        grade = np.where(collector.solved_at(own, at_start), WEAK, NO_EFFECT + 1).astype(np.uint8)
        np.putmask(effects, effects >= grade, LOUD)
        # a part that moves nothing by itself was not solved for: how others act beside it only their own circuits tell
        silent = np.flatnonzero(own == healthy)
        effects[:, silent] = LOUD
        loud = collector.company(healthy).loud_pairs(silent)
        effects[np.ix_(silent, silent)] = np.where(loud, LOUD, NO_EFFECT)
        return own, effects

    def known(self, shot: int, first: Index, second: Index) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return start and end answers of pairs (rows of ``pair_classes``), UNKNOWN where not solved yet."""
        start, end = self._table(shot)
        place = first * len(self.pair_classes) + second
        return start.take(place), end.take(place)

    def guess(self, shot: int, first: Index, second: Index) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return start and end answers close to those of pairs, UNKNOWN where only a solve can tell."""
        effects = self._collector.effects()
        answers = []
        for single in (self.single_start, self.single_end):
            own = single[shot, self.pair_classes]
            by_second, by_first = effects[second, own[first]], effects[first, own[second]]
            by_second[by_second >= STRONG], by_first[by_first >= STRONG] = LOUD, LOUD
            answers.append(_taken(own[first], own[second], by_second, by_first))
        start, end = answers
        start[end == UNKNOWN] = UNKNOWN
        end[start == UNKNOWN] = UNKNOWN
        return start, end

    def complete(
        self, shot: int, first: Index, second: Index, progress: Progress | None = None
    ) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return start and end answers of pairs (rows of ``pair_classes``), solving those not known yet."""
        self.fill([(shot, first, second)], progress)
        return self.known(shot, first, second)

    def fill(self, wanted: Sequence[tuple[int, Index, Index]], progress: Progress | None = None) -> None:
        """Solve pairs in several shots together, those not known yet.

        Parameters
        ----------
        wanted : sequence of (int, ndarray of int, ndarray of int)
            Shot, and the pairs (rows of ``pair_classes``) to answer in it.
        progress : callable, optional
            Called with pairs solved and pairs to solve.
        """
        pairs = [(shot, np.minimum(first, second), np.maximum(first, second)) for shot, first, second in wanted]
        self._solve_pairs(pairs, at_start=False, progress=progress)
        for shot, low, high in pairs:
            start, end = self._table(shot)
            # solved for in the end, and no capacitor would carry current: that is the first instant too
            ends = end[low, high]
            settled = (start[low, high] == UNKNOWN) & (ends >= self._singles) & ~self.answers.charges[ends]
            start[low[settled], high[settled]] = start[high[settled], low[settled]] = ends[settled]
            unknown = start[low, high] == UNKNOWN
            if unknown.any():
                some, other = low[unknown], high[unknown]
                own, disturbed = self._disturbance(shot, at_start=True)
                taken = _taken(own[some], own[other], disturbed[other, some], disturbed[some, other])
                start[some, other] = start[other, some] = taken
        self._solve_pairs(pairs, at_start=True, progress=progress)

    def _solve_pairs(
        self, wanted: Sequence[tuple[int, Index, Index]], *, at_start: bool, progress: Progress | None
    ) -> None:
        size = len(self.pair_classes)
        codes = []
        for shot, low, high in wanted:
            table = self._table(shot)[0 if at_start else 1]
            unknown = table[low, high] == UNKNOWN
            codes.append(shot * size * size + low[unknown] * size + high[unknown])
        code = np.unique(np.concatenate(codes)) if codes else np.zeros(0, dtype=np.intp)
        if not len(code):
            return
        shots, rest = np.divmod(code, size * size)
        first, second = np.divmod(rest, size)
        collector = self._collector
        single = self.single_start if at_start else self.single_end
        healthy = self._healthy_start if at_start else self._healthy_end
        voltages = collector.voltages()

        def starts(part: Index) -> Array:
            of_first = single[shots[part], self.pair_classes[first[part]]]
            of_second = single[shots[part], self.pair_classes[second[part]]]
            superposed: Array = voltages[:, of_first] + voltages[:, of_second] - voltages[:, healthy[shots[part]]]
            return superposed

        numbers = collector.solve_pairs(
            shots, self.pair_classes[first], self.pair_classes[second], starts, at_start=at_start, progress=progress
        )
        for shot in np.unique(shots).tolist():
            here = shots == shot
            table = self._table(shot)[0 if at_start else 1]
            table[first[here], second[here]] = table[second[here], first[here]] = numbers[here]


def _taken(
    first: NDArray[np.int32], second: NDArray[np.int32], by_second: NDArray[np.uint8], by_first: NDArray[np.uint8]
) -> NDArray[np.int32]:
    """Answer pairs by the member that the other disturbs less; UNKNOWN where both disturbances are LOUD."""
    answer: NDArray[np.int32] = np.where(by_second <= by_first, first, second)
    np.putmask(answer, (by_second == LOUD) & (by_first == LOUD), UNKNOWN)
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
        Answer of each pair, symmetric; UNKNOWN for pairs that were not needed. In a range that an autorange does not
        reach, the answer of a range below it is all that counts.
    batches : tuple of str
        Names along the first axis of ``answers.batch_load``.
    """

    answers: Answers
    single_start: NDArray[np.int32]
    single_end: NDArray[np.int32]
    pair_start: NDArray[np.int32]
    pair_end: NDArray[np.int32]
    batches: tuple[str, ...]


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
    """Return the displays of every single fault, and of all pairs asked for, in every shot: the whole table at once.

    Parameters
    ----------
    circuit, shots, classes, pair_classes, bus_volts
        As for :class:`CellSolver`.
    needed : ndarray of bool, pair classes x pair classes, optional
        Pairs to answer, symmetric; all different ones by default.
    progress : callable, optional
        Called with pairs solved and pairs to solve.
    """
    cells = CellSolver(circuit, shots, classes, pair_classes, bus_volts=bus_volts)
    size = len(cells.pair_classes)
    if needed is None:
        needed = ~np.eye(size, dtype=bool)
    first, second = np.nonzero(np.triu(needed | needed.T))
    start = np.full((len(shots), size, size), UNKNOWN, dtype=np.int32)
    end = np.full_like(start, UNKNOWN)
    cells.fill([(shot, first, second) for shot in range(len(shots))], progress)
    for shot in range(len(shots)):
        begins, ends = cells.known(shot, first, second)
        start[shot, first, second] = start[shot, second, first] = begins
        end[shot, first, second] = end[shot, second, first] = ends
    return CellTable(cells.answers, cells.single_start, cells.single_end, start, end, cells.batches)


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
