"""What every hypothesis reads at one probing, in the range an autorange settles in, after the dwell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.columndisplays import ColumnDisplays, add_loads
from bridge.dwell import AfterDwell, value_after_dwell
from bridge.predict import UNKNOWN, CellSolver, Progress
from bridge.probing import Probing
from bridge.shots import HEADROOM

__all__ = ["ReadingColumn", "solve_together"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

JUNCTION_PER_V = 1.0  # share of a display for a volt of drop: ohms through a junction go by 20 to 40, a resistor's by 0
CLIFF_SHARE = 0.5  # a display between what one range shows and where the other ends, as two standard deviations


@dataclass(frozen=True, eq=False)
class ReadingColumn:
    """What every hypothesis reads at one probing; pairs are solved for when asked.

    Parameters
    ----------
    probing : Probing
        The placement of the leads.
    unit : str
        ``V`` or ``ohm``.
    limit : float
        Largest value the display shows.
    cells : CellSolver
        Answers of the circuit this probing is taken on.
    shots : tuple of int
        Its shots, lowest range first.
    class_of_single, class_of_double : ndarray of int
        Class of each variant, to match severity loads with their owners.
    row_of_double : ndarray of int, pair variants
        Row of each variant among the pair classes.
    ln_sigma : ndarray, classes
        Severity spread of each class [1].
    charge : ndarray, capacitors
        What the readings before this one left on the capacitors of a healthy board [V].
    taken : int
        How many readings were taken here. How far a part strays from its like is one draw, not one per reading: each of
        them is given that spread so much wider that all together tell no more of it than one.
    """

    probing: Probing
    unit: str
    limit: float
    cells: CellSolver
    shots: tuple[int, ...]
    class_of_single: Index
    class_of_double: Index
    row_of_double: Index
    ln_sigma: Array
    charge: Array
    taken: int = 1

    def of_classes(self, classes: Index) -> tuple[Index, Index]:
        """Return start and end answers of single classes, in the range an autorange settles in.

        Parameters
        ----------
        classes : ndarray of int, n
            Classes; both answers, numbers of entries of ``cells.answers``, have their shape.
        """
        return self._settle(
            len(classes),
            lambda shot, left: (
                self.cells.single_start[shot][classes[left]],
                self.cells.single_end[shot][classes[left]],
            ),
        )

    def of_pairs(self, first: Index, second: Index, progress: Progress | None = None) -> tuple[Index, Index]:
        """Return start and end answers of pairs of rows, solving what is not known yet.

        Parameters
        ----------
        first, second : ndarray of int, pairs
            Rows of the pairs; both answers, numbers of entries of ``cells.answers``, have their shape.
        progress : callable, optional
            Called with answers solved and answers to solve.
        """
        return self._settle(
            len(first), lambda shot, left: self.cells.complete(shot, first[left], second[left], progress)
        )

    def shots_of(self, first: Index, second: Index, level: int) -> list[tuple[int, Index, Index]]:
        """Return the shot that pairs of rows are to be solved in once all ranges below ``level`` are known.

        Parameters
        ----------
        first, second : ndarray of int, pairs
            Rows of the pairs.
        level : int
            Number of the range, lowest first.
        """
        if level >= len(self.shots):
            return []
        value = self.cells.answers.value
        for shot in self.shots[:level]:
            _start, end = self.cells.known(shot, first, second)
            shown = (end == UNKNOWN) | ~np.isinf(value[np.maximum(end, 0)])
            first, second = first[~shown], second[~shown]
        return [(self.shots[level], first, second)]

    def known_pairs(self, first: Index, second: Index) -> tuple[Index, Index]:
        """Return start and end answers of pairs of rows, UNKNOWN where one would have to be solved for.

        Parameters
        ----------
        first, second : ndarray of int, pairs
            As for :meth:`of_pairs`.
        """
        return self._settle(len(first), lambda shot, left: self.cells.known(shot, first[left], second[left]))

    def guessed_pairs(self, first: Index, second: Index) -> tuple[Index, Index]:
        """Return start and end answers close to those of pairs of rows, UNKNOWN where only a solve can tell.

        Parameters
        ----------
        first, second : ndarray of int, pairs
            As for :meth:`of_pairs`.
        """
        return self._settle(len(first), lambda shot, left: self.cells.guess(shot, first[left], second[left]))

    def _settle(
        self, count: int, look_up: Callable[[int, Index], tuple[NDArray[np.int32], NDArray[np.int32]]]
    ) -> tuple[Index, Index]:
        """Take the lowest range that shows a value after the dwell, or has no answer; the highest where none does."""
        start = np.empty(count, dtype=np.intp)
        end = np.empty(count, dtype=np.intp)
        left = np.arange(count)
        for shot in self.shots:
            start[left], end[left] = look_up(shot, left)
            if shot == self.shots[-1]:
                break
            value = self.cells.answers.value
            shown = (end[left] == UNKNOWN) | ~np.isinf(value[np.maximum(end[left], 0)])
            # what moves may be short of OL when it is read, or not down from it yet
            moves = np.flatnonzero((start[left] != end[left]) & (start[left] != UNKNOWN) & (end[left] != UNKNOWN))
            shown[moves] = ~np.isinf(self._after_dwell(start[left[moves]], end[left[moves]]).value)
            left = left[~shown]
        return start, end

    def _after_dwell(self, start: Index, end: Index, charge: Array | None = None) -> AfterDwell:
        """Return the display after the dwell between answers at the first instant and in the end."""
        circuit = self.cells.circuit
        return value_after_dwell(
            self.cells.answers, start, end, circuit.capacitor_farads, self.cells.arrays, circuit.setup.dwell_s, charge
        )

    def _beside_a_cliff(self, value: Array, shot: Index, by_drop: Array) -> Array:
        """Return a spread for displays that a lower range shows as OL although its scale would hold them.

        A junction that blocks lets through a little more or less than that range's current: in the one case the range
        shows OL, in the other a number, and which of them a board does lies within its spread. Likewise what the range
        a meter was seen in would show beyond its end may have been read in the next one, where a junction is another
        value; a resistor is not. ``by_drop`` is how displays answer to the junctions' drops [unit/V].
        """
        limit = self.cells.arrays.limit
        with np.errstate(invalid="ignore"):
            widened = (shot == self.shots[0]) & self.cells.shots[self.shots[0]].widened
            beyond = widened & (value > limit[self.shots[0]] / HEADROOM) & np.isfinite(value)
            beyond &= by_drop > JUNCTION_PER_V * value
        spread = np.where(beyond, CLIFF_SHARE * math.log(HEADROOM) * np.where(beyond, value, 0.0), 0.0)
        for lower in self.shots[:-1]:
            with np.errstate(invalid="ignore"):
                passed = (shot > lower) & (value > 0.0) & (value < limit[lower])
            shown = value[passed]
            spread[passed] = np.maximum(spread[passed], CLIFF_SHARE * shown * np.log(limit[lower] / shown))
        return spread

    def displays(self, start: Index, end: Index) -> ColumnDisplays:
        """Return displays that begin at some answers and end at others."""
        answers = self.cells.answers
        value, time_sd = answers.value[end], np.zeros(len(end))
        own_sd, batch_load = answers.own_sd[end], answers.batch_load[:, end]
        severity_load, owner = answers.severity_load[:, end], answers.owner[:, end]
        carried = value.copy()
        moves = np.flatnonzero(start != end)
        if len(moves):
            begins = start[moves]
            then = self._after_dwell(begins, end[moves])
            value[moves], time_sd[moves] = then.value, then.time_sd
            carried[moves] = then.value
            if self.charge.any():
                carried[moves] = self._after_dwell(begins, end[moves], self.charge).value
            own_sd[moves] = np.hypot(then.first_share * answers.own_sd[begins], then.last_share * own_sd[moves])
            batch_load[:, moves] = (
                then.first_share * answers.batch_load[:, begins] + then.last_share * batch_load[:, moves]
            )
            severity_load[:, moves], owner[:, moves] = add_loads(
                (then.last_share * severity_load[:, moves], owner[:, moves]),
                (then.first_share * answers.severity_load[:, begins], answers.owner[:, begins]),
            )
        by_drop = np.sum(np.abs(batch_load[:-1]), axis=0)  # all but the temperature
        own_sd = math.sqrt(self.taken) * np.hypot(own_sd, self._beside_a_cliff(value, answers.shot[end], by_drop))
        return ColumnDisplays(
            start=answers.value[start],
            value=value,
            carried=carried,
            end=answers.value[end],
            time_sd=time_sd,
            own_sd=own_sd,
            batch_load=batch_load,
            severity_load=severity_load,
            owner=owner,
            turn_on=answers.turn_on[end],
        )


def solve_together(
    columns: Sequence[ReadingColumn], pairs: Sequence[tuple[Index, Index]], progress: Progress | None = None
) -> None:
    """Solve pairs of rows for in many columns at once: large batches cost less than many small ones.

    Parameters
    ----------
    columns : sequence of ReadingColumn
        Columns of one table.
    pairs : sequence of (ndarray of int, ndarray of int)
        Rows of the pairs wanted in each.
    progress : callable, optional
        Called with pairs solved and pairs to solve, for each range.
    """
    for level in range(max((len(column.shots) for column in columns), default=0)):
        wanted: dict[int, list[tuple[int, Index, Index]]] = {}
        solvers: dict[int, CellSolver] = {}
        for column, (first, second) in zip(columns, pairs, strict=True):
            solvers[id(column.cells)] = column.cells
            wanted.setdefault(id(column.cells), []).extend(column.shots_of(first, second, level))
        for name, cells in solvers.items():
            cells.fill(wanted[name], progress)
