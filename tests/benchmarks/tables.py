"""The whole table of a board's singles and pairs, timed, with a count of the circuits that were really solved."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

import bridge.solve
from bridge.board import Board
from bridge.faultspace import FaultSpace, build_space
from bridge.forecast import default_probings, forecast
from bridge.meter import MeterProfile
from bridge.predict import Progress
from bridge.probing import Probing, Setup
from bridge.readingcolumn import solve_together
from bridge.table import ReadingTable, build_table
from tests.benchmarks.measure import Cost, timed
from tests.crosscheck.netlist import Damage

CONDUCTING, BLOCKING = 4, 2  # placements; most of the readings worth taking show a number
PLACES = {
    "motor-drive": (("N", "U"), ("U", "P"), ("N", "P"), ("L1", "P"), ("U", "N"), ("P", "U")),
}


@dataclass(slots=True)
class Solved:
    """Circuits handed to the solver, and the processor time spent in it [s]."""

    circuits: int = 0
    cpu_s: float = 0.0


@contextlib.contextmanager
def counting() -> Iterator[Solved]:
    """Count the points that any module hands to ``bridge.solve.solve_points`` while this lasts."""
    original = bridge.solve.solve_points
    solved = Solved()

    def counted(circuit: Any, points: Any, *rest: Any, **named: Any) -> Any:
        began = time.process_time()
        answer = original(circuit, points, *rest, **named)
        solved.cpu_s += time.process_time() - began
        solved.circuits += points.size
        return answer

    # the solver's own module is left alone, so that points it hands on to itself are not counted twice
    users = [
        module
        for name, module in list(sys.modules.items())
        if name.startswith("bridge.") and name != "bridge.solve" and getattr(module, "solve_points", None) is original
    ]
    for module in users:
        module.solve_points = counted  # type: ignore[attr-defined]
    try:
        yield solved
    finally:
        for module in users:
            module.solve_points = original  # type: ignore[attr-defined]


def representative_probings(board: Board, meter: MeterProfile) -> tuple[Probing, ...]:
    """Return placements in diode mode, those of a list, or spread over all.

    Without a list: four where a good board shows a number, and two where it shows OL.

    Parameters
    ----------
    board, meter
        The board, and what it is measured with.
    """
    probings = [probing for probing in default_probings(board) if probing.mode == "diode"]
    if board.name in PLACES:
        return tuple(Probing(red, black) for red, black in PLACES[board.name])
    good = [one for one in forecast(board, meter, Setup(), probings) if one.error is None]
    chosen: list[Probing] = []
    for wanted, count in ((True, CONDUCTING), (False, BLOCKING)):
        those = [one.probing for one in good if (one.value is not None) is wanted]
        chosen += [those[index * len(those) // count] for index in range(min(count, len(those)))]
    return tuple(chosen)


@dataclass(slots=True)
class TableRun:
    """A table of all singles and pairs, and what it cost.

    Parameters
    ----------
    space : FaultSpace
        The hypotheses.
    table : ReadingTable
        The table, every pair solved for.
    cost : Cost
        Of the table with the singles and all pairs; the board and its hypotheses were there before.
    solved : Solved
        What the solver was asked.
    """

    space: FaultSpace
    table: ReadingTable
    cost: Cost
    solved: Solved = field(default_factory=Solved)

    @property
    def distinct_answers(self) -> int:
        """Hypotheses times placements: healthy, each fault mode, each pair of them; severities are not counted."""
        return count_hypotheses(self.space) * len(self.table.columns)

    def displays(self, pairs: Sequence[tuple[int, int]], column: int) -> np.ndarray:
        """Return what pairs of variants show in the end at one placement [V] or [ohm], infinity for OL.

        Parameters
        ----------
        pairs : sequence of (int, int)
            Numbers of pair variants.
        column : int
            Number of the placement.
        """
        of = self.table.columns[column]
        first, second = (of.row_of_double[[pair[side] for pair in pairs]] for side in (0, 1))
        start, end = of.of_pairs(first, second)
        return np.asarray(of.displays(start, end).end)

    def healthy(self, column: int) -> float:
        """Return what a good board shows in the end at one placement [V] or [ohm]."""
        of = self.table.columns[column]
        return float(of.displays(*of.of_classes(np.zeros(1, dtype=np.intp))).end[0])

    def damage(self, variant: int) -> Damage:
        """Return a pair variant as the netlists write it."""
        fault, ohms = self.space.faults[self.space.doubles.fault[variant]], float(self.space.doubles.ohms[variant])
        return Damage(fault.part, fault.mode, None if np.isnan(ohms) else ohms)


def count_hypotheses(space: FaultSpace) -> int:
    """Return how many hypotheses of at most two faults a board has: fault modes, of different parts in a pair."""
    faults = len(space.faults)
    of_part = np.bincount(space.part_of_fault)
    pairs = (faults * faults - int((of_part**2).sum())) // 2
    return 1 + faults + pairs


def fill_table(
    space: FaultSpace, meter: MeterProfile, probings: Sequence[Probing], progress: Progress | None = None
) -> ReadingTable:
    """Return the table of a board with every single fault and every pair answered."""
    table = build_table(space, meter, probings)
    first, second = space.pairs
    rows = [(column.row_of_double[first], column.row_of_double[second]) for column in table.columns]
    solve_together(table.columns, rows, progress)
    return table


def run_table(board: Board, meter: MeterProfile, probings: Sequence[Probing], repeats: int) -> TableRun:
    """Return the fastest of several builds of a board's whole table."""
    space = build_space(board, Setup())
    runs: list[TableRun] = []
    for _ in range(repeats):
        with counting() as solved:
            table, cost = timed(lambda: fill_table(space, meter, probings))
        if solved.circuits == 0:
            raise RuntimeError("no circuit was counted: the solver is called by another name")
        runs.append(TableRun(space, table, cost, solved))
    return min(runs, key=lambda run: run.cost.cpu_s)
