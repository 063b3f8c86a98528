"""Answers kept: each with its node voltages and how further faults would move it, so that pairs can build on it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.answers import Answers, AnswerSolver, Piece
from bridge.circuit import Circuit
from bridge.company import Company, find_company
from bridge.core import find_core
from bridge.effects import EffectTest
from bridge.points import full_scale_amps
from bridge.response import solve_transfer
from bridge.shots import Shot
from bridge.variants import ChangeClasses

__all__ = ["Collector", "Progress"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Progress = Callable[[int, int], None]

ROOM = 0.25  # of the answers so far, kept free for more of them
LOAD = 8192  # points handed to the solver together: many batches, so that slow points can finish in company


class Collector:
    """Solves batches and keeps of each what the table needs.

    Parameters
    ----------
    circuit : Circuit
        The healthy board.
    shots : sequence of Shot
        Shots of this circuit.
    classes : ChangeClasses
        Changes of this circuit; class 0 is the healthy board.
    pair_classes : ndarray of int
        Classes that take part in pairs.
    bus_volts : float
        Charge on the bus at the first instant [V].

    Attributes
    ----------
    count : int
        Number of answers so far.
    batches : tuple of str
        Names along the first axis of ``Answers.batch_load``.
    is_single, is_quick, is_member : ndarray of bool, classes
        Whether a class is one branch only, leaves less of a capacitance but some, takes part in pairs.
    """

    def __init__(
        self, circuit: Circuit, shots: Sequence[Shot], classes: ChangeClasses, pair_classes: Index, bus_volts: float
    ) -> None:
        self.classes = classes
        self.pair_classes = pair_classes
        self.batches = circuit.shared_unknowns
        every_capacitor = np.arange(len(circuit.capacitor_rows))
        self._whole = AnswerSolver(circuit, shots, classes, bus_volts, self.batches, every_capacitor)
        self._every = EffectTest(circuit, classes)
        self._pairing = EffectTest(circuit, classes.restrict(pair_classes))
        self.is_single = self._every.is_single
        self.is_quick = np.zeros(classes.size, dtype=bool)  # classes with less capacitance to charge
        self.is_quick[classes.capacitor.owner[(classes.capacitor.value > 0.0) & (classes.capacitor.value < 1.0)]] = True
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
        self._small = AnswerSolver(small.circuit, core_shots, core_classes, bus_volts, self.batches, place)
        self._pieces: list[Answers] = []
        self._rooms: dict[str, NDArray[Any]] = {}
        self._room = 0
        self._voltages: list[Array] = []
        self._effects: list[NDArray[np.uint8]] = []
        self._at_start: list[NDArray[np.bool_]] = []
        self._on_healthy: dict[int, NDArray[np.uint8]] = {}
        self._company: dict[int, Company] = {}
        self._rest: dict[int, Array] = {}  # what a rest moves on the healthy board, by shot
        self.count = 0

    def solve(
        self, shot: Index, first: Index, second: Index, start: Array | None, *, at_start: bool
    ) -> NDArray[np.int32]:
        """Solve a batch at one instant, and a first instant for a dwell after it; return the numbers of its answers.

        Node voltages and the effects of further faults are kept for later pairs.

        Parameters
        ----------
        shot : ndarray of int, batch
            Shot of each column.
        first, second : ndarray of int, batch
            Classes that are applied to each column. ``first`` is 0 in every column, the healthy board, or in none;
            ``second`` is 0 where there is no second fault.
        start : ndarray, nodes x batch, or None
            Node voltages to start from [V]; zero if there are none.
        at_start : bool
            Whether to solve for the first instant rather than for the end.

        Returns
        -------
        ndarray of int, batch
            Numbers of the answers, places in ``answers()``.
        """
        numbers = np.arange(self.count, self.count + len(shot), dtype=np.int32)
        healthy = not first.any()
        test = self._every if healthy else self._pairing
        for begin in range(0, max(len(shot), 1), LOAD):
            part = slice(begin, begin + LOAD)
            known = at_start and not healthy and all(one in self._rest for one in set(shot[part].tolist()))
            # only in circuits of pair members will the effect of a second fault be asked for
            for piece in self._whole.solve(
                shot[part],
                first[part],
                second[part],
                None if start is None else start[:, part],
                at_start=at_start,
                rest=at_start,
                moved=np.stack([self._rest[one] for one in shot[part].tolist()], axis=1) if known else None,
                test=test,
                tested=self.is_member[first[part]] | healthy,
            ):
                count = len(piece.answers.value)
                self._pieces.append(piece.answers)
                self._voltages.append(piece.voltage)
                self._at_start.append(np.full(count, at_start))
                self._effects.append(piece.effects[self.pair_classes] if healthy else piece.effects)
                if healthy and at_start:
                    moves = (piece.rested - piece.voltage).T
                    self._rest.update(zip(piece.answers.shot.tolist(), moves, strict=True))
                if healthy:
                    self._on_healthy.update(zip(range(self.count, self.count + count), piece.effects.T, strict=True))
                    self._find_company(piece)
                self.count += count
        return numbers

    def _find_company(self, piece: Piece) -> None:
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
        """Solve pairs at one instant, those that only the main circuit can see on the main circuit alone.

        Unlike those of `solve`, their node voltages and the effects of further faults are not kept.

        Parameters
        ----------
        shot : ndarray of int, pairs
            Shot each pair is read in.
        first, second : ndarray of int, pairs
            Classes of its two faults.
        starts : callable
            Takes the numbers of some of these pairs and returns node voltages to start from, nodes x pairs [V].
        at_start : bool
            Whether to solve for the first instant rather than for the end.
        progress : callable or None
            Called with pairs solved and pairs to solve.

        Returns
        -------
        ndarray of int, pairs
            Numbers of the answers, places in ``answers()``.
        """
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
            self._pieces = [self._append(self._pieces[0], self._pieces[1:])]
        return self._pieces[0]

    def _append(self, known: Answers, more: Sequence[Answers]) -> Answers:
        """Return answers with more behind them, copying only what is new as long as there is room."""
        before, total = len(known.value), len(known.value) + sum(len(piece.value) for piece in more)
        if total > self._room:
            whole = Answers.together([known, *more])
            self._room = total + int(ROOM * total)
            self._rooms = {}
            for field in dataclasses.fields(Answers):
                piece = getattr(whole, field.name)
                self._rooms[field.name] = np.empty((*piece.shape[:-1], self._room), dtype=piece.dtype)
                self._rooms[field.name][..., :total] = piece
        else:
            for name, room in self._rooms.items():
                np.concatenate([getattr(piece, name) for piece in more], axis=-1, out=room[..., before:total])
        return Answers(**{name: room[..., :total] for name, room in self._rooms.items()})


def _joined(pieces: list[NDArray[Any]], axis: int) -> NDArray[Any]:
    """Return pieces as one array, and remember them as one."""
    if len(pieces) > 1:
        pieces[:] = [np.concatenate(pieces, axis=axis)]
    return pieces[0]
