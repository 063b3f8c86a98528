"""All cells of a reading table at once, where ranking asks for them one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.answers import Answers
from bridge.circuit import Circuit
from bridge.predict import UNKNOWN, CellSolver, Progress
from bridge.shots import Shot
from bridge.variants import ChangeClasses

Index = NDArray[np.intp]


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
