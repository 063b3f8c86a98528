"""Hypotheses x probings to predicted displays: one table, shared work done once.

A fault is solved for only where it moves a reading. The healthy board is solved first, then every fault that leaves its
currents unbalanced there, then every pair whose second fault unbalances the solution of the first; all others take over
the number already known.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.answers import Answers
from bridge.circuit import Circuit
from bridge.collector import Collector, Progress
from bridge.dwell import measured_pace, value_after_dwell
from bridge.effects import NO_EFFECT, STRONG, WEAK
from bridge.shots import Shot, ShotArrays
from bridge.variants import ChangeClasses

__all__ = ["UNKNOWN", "CellSolver", "Progress"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

UNKNOWN = -1
LOUD = 255
FEW_CELLS = (
    4096  # shots x classes for which a batch costs less than finding out which ranges an autorange never reaches
)


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
        collector = self._collector = Collector(circuit, shots, classes, self.pair_classes, bus_volts)
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
        self._set_pace(self._healthy_start[charged], self._healthy_end[charged])
        self.single_end = np.repeat(self._healthy_end[:, None], classes.size, axis=1)
        self.single_start = np.repeat(self._healthy_start[:, None], classes.size, axis=1)
        few = len(shots) * classes.size <= FEW_CELLS
        for level in [every] if few else _range_levels(shots):
            wanted = np.ones((len(level), classes.size), dtype=bool) if few else self._lower_range_open(level)
            self._solve_singles(level, wanted, at_start=False)
            self._solve_singles(level, wanted, at_start=True)
        self._singles = collector.count  # answers from here on belong to pairs
        self._pairs: dict[int, tuple[NDArray[np.int32], NDArray[np.int32]]] = {}
        # at the first instant it is asked for with every pair that charges a capacitor
        self._disturbed_at_start: dict[int, tuple[NDArray[np.int32], NDArray[np.uint8]]] = {}

    @property
    def answers(self) -> Answers:
        """All answers so far."""
        return self._collector.answers()

    def _lower_range_open(self, level: Index) -> NDArray[np.bool_]:
        """Return, level shots x classes, what the next lower range does not show; an autorange stops at what shows."""
        answers, circuit = self.answers, self.circuit
        wanted = np.ones((len(level), self.single_end.shape[1]), dtype=bool)
        for row, shot in enumerate(level.tolist()):
            if shot > 0 and self.shots[shot - 1].probing == self.shots[shot].probing:
                start, end = (one[shot - 1].astype(np.intp) for one in (self.single_start, self.single_end))
                open_then = np.isinf(answers.value[end])
                falls = np.flatnonzero((start != end) & ~open_then)
                open_then[falls] = np.isinf(
                    value_after_dwell(
                        answers,
                        start[falls],
                        end[falls],
                        circuit.capacitor_farads,
                        self.arrays,
                        circuit.setup.dwell_s,
                    ).value
                )
                wanted[row] = open_then
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
        # several branches, each of which only pulls nodes, may show together
        least[:, ~collector.is_single] = NO_EFFECT + 1
        # on an answer of the end nothing tells what a capacitor would show of a pulled node at the first instant
        least[~collector.solved_at(healthy[level], at_start)] = NO_EFFECT + 1
        moved = least <= collector.all_effects(healthy[level]).T
        # a smaller capacitor reads the same at first and in the end, but it gets there sooner
        moved |= at_start & collector.is_quick & (healthy != self._healthy_end)[level, None]
        moved &= wanted
        moved[:, 0] = False
        if at_start:
            # solved for in the end, and no capacitor would carry current: that is the first instant too
            end = self.single_end[level]
            another = end != self._healthy_end[level][:, None]
            settled = ~self.answers.charges[end] & another
            single[level] = np.where(settled, end, single[level])
            moved &= ~settled
            # what begins alike and ends elsewhere takes another time to get there
            moved |= another & ~settled & wanted
            moved[:, 0] = False
        row, which = np.nonzero(moved)
        # members of pairs side by side, so that whole batches are asked for second faults, or none of a batch
        order = np.argsort(~collector.is_member[which], kind="stable")
        row, which = row[order], which[order]
        shot = level[row]
        start = collector.voltages()[:, healthy[shot]]
        single[shot, which] = collector.solve(shot, which, np.zeros_like(which), start, at_start=at_start)
        if at_start:
            self._set_pace(single[shot, which], self.single_end[shot, which])

    def _set_pace(self, start: NDArray[np.int32], end: NDArray[np.int32]) -> None:
        """Note how long charging takes from answers just solved at the first instant."""
        answers, circuit = self.answers, self.circuit
        answers.pace[start] = measured_pace(
            answers,
            start.astype(np.intp),
            end.astype(np.intp),
            circuit.capacitor_farads,
            self.arrays,
            circuit.setup.dwell_s,
        )

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
        if at_start and shot in self._disturbed_at_start:
            return self._disturbed_at_start[shot]
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
        if at_start:
            self._disturbed_at_start[shot] = own, effects
        return own, effects

    def known(self, shot: int, first: Index, second: Index) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return answers of pairs, as far as they are known.

        Parameters
        ----------
        shot : int
            The shot they are read in.
        first, second : ndarray of int, pairs
            Rows of ``pair_classes``.

        Returns
        -------
        start, end : ndarray of int, pairs
            Places in ``answers`` at the first instant and in the end; UNKNOWN where not solved yet.
        """
        start, end = self._table(shot)
        place = first * len(self.pair_classes) + second
        return start.take(place), end.take(place)

    def guess(self, shot: int, first: Index, second: Index) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return answers close to those of pairs, which cost no solve.

        Parameters
        ----------
        shot, first, second
            As for :meth:`known`.

        Returns
        -------
        start, end : ndarray of int, pairs
            Places in ``answers`` at the first instant and in the end, each that of one fault alone which the other
            moves by no more than ``WEAK``; UNKNOWN, both, where each fault moves the other's more.
        """
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
        """Return answers of pairs, solving those not known yet.

        Parameters
        ----------
        shot : int
            The shot they are read in.
        first, second : ndarray of int, pairs
            Rows of ``pair_classes``.
        progress : callable, optional
            Called with pairs solved and pairs to solve.

        Returns
        -------
        start, end : ndarray of int, pairs
            Places in ``answers`` at the first instant and in the end; UNKNOWN nowhere.
        """
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
        if at_start:
            # each fault changes the pace by itself; a step of their own is more than the second of a pair is worth
            pace = self.answers.pace
            alone = [pace[single[shots, self.pair_classes[one]]] for one in (first, second)]
            pace[numbers] = alone[0] * alone[1] / pace[healthy[shots]]
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
