"""What a crowd of hypotheses would read, worked out together where one by one would take minutes.

A hypothesis is solved for only where it moves a reading, and a climbing display is estimated from its first and last
value as the reading table does it. For a few hypotheses, `bridge.forecast` follows the charging itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bridge.board import Board
from bridge.circuit import Circuit
from bridge.damage import Change
from bridge.dwell import value_after_dwell
from bridge.faults import Fault
from bridge.forecast import Forecast, circuits_of, damage_of, forecast_of
from bridge.meter import MeterProfile
from bridge.predict import CellSolver
from bridge.probing import Probing, Setup
from bridge.shots import plan_each
from bridge.variants import ChangeClasses

__all__ = ["forecast_crowd"]

Damage = Sequence[tuple[Fault, float | None]]

COMPANY = 2000  # hypotheses in one table: their node voltages stay in memory until it is done


def forecast_crowd(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    hypotheses: Sequence[Damage],
) -> tuple[tuple[Forecast, ...], ...]:
    """Return what each of many boards would read, a row of probings for each.

    Parameters
    ----------
    board, meter, setup, probings
        As for :func:`bridge.forecast.forecast`.
    hypotheses : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.

    Raises
    ------
    InputError
        A lead, pin, position, range or part that does not exist in this set-up.
    """
    rows: list[dict[int, Forecast]] = [{} for _ in hypotheses]
    for circuit, numbers in circuits_of(board, setup, probings):
        places = [probings[number] for number in numbers]
        # what shares its solutions stays together
        order = sorted(range(len(hypotheses)), key=lambda number: _is_shared(hypotheses[number]))
        fitted = sum(not _is_shared(faults) for faults in hypotheses)
        companies = [order[start : min(start + COMPANY, fitted)] for start in range(0, fitted, COMPANY)]
        for company in (*companies, order[fitted:]):
            found = _columns(circuit, meter, places, [hypotheses[number] for number in company])
            for place, shown in zip(numbers, found, strict=True):
                for number, forecast in zip(company, shown, strict=True):
                    rows[number][place] = forecast
    return tuple(tuple(row[number] for number in range(len(probings))) for row in rows)


def _is_shared(faults: Damage) -> bool:
    """Whether others share its solutions: no more than two faults, none with a resistance of its own."""
    return len(faults) <= 2 and all(ohms is None for _, ohms in faults)


def _members(circuit: Circuit, faults: Damage) -> tuple[Change, Change]:
    """Return a hypothesis as two changes; the second is empty unless faults of no stated resistance make a pair.

    Such faults are the same wherever they occur, so that pairs of them share their solutions.
    """
    if len(faults) == 2 and _is_shared(faults):
        one, other = (damage_of(circuit, [fault]) for fault in faults)
        if not _rows(one) & _rows(other):
            return one, other
    return damage_of(circuit, faults), Change()


def _rows(change: Change) -> set[tuple[str, int]]:
    """Return the branches that a change touches; where two touch the same, their order counts."""
    return {
        *(("linear", row) for row, _ in change.linear),
        *(("capacitor", row) for row, _ in change.capacitors),
        *(("junction", row) for row in change.junctions),
        *(("channel", row) for row, _ in change.channels),
    }


def _columns(
    circuit: Circuit, meter: MeterProfile, probings: Sequence[Probing], hypotheses: Sequence[Damage]
) -> list[list[Forecast]]:
    """Return the forecasts of all hypotheses, a list for each probing."""
    members = [_members(circuit, faults) for faults in hypotheses]
    classes = ChangeClasses(circuit, [Change(), *(change for pair in members for change in pair)])
    shots = plan_each(circuit, meter, probings)
    mine = classes.class_of[1:].reshape(-1, 2)
    together = np.flatnonzero(mine[:, 1])
    pair_classes, pair_rows = np.unique(mine[together], return_inverse=True)
    cells = CellSolver(circuit, shots, classes, pair_classes, bus_volts=circuit.setup.bus_volts)
    row = np.zeros_like(mine)
    row[together] = pair_rows.reshape(-1, 2)
    columns: list[list[Forecast]] = []
    for number, probing in enumerate(probings):
        levels = [index for index, shot in enumerate(shots) if shot.probing == number]
        joined = circuit.reaches(probing.red, probing.black)
        start, value, end, chosen = (np.full(len(mine), np.nan) for _ in range(4))
        left = np.arange(len(mine))
        for index in levels:
            first = cells.single_start[index][mine[left, 0]].astype(np.intp)
            last = cells.single_end[index][mine[left, 0]].astype(np.intp)
            pairs = mine[left, 1] > 0
            if pairs.any():
                first[pairs], last[pairs] = cells.complete(index, *row[left[pairs]].T)
            answers = cells.answers
            shown = value_after_dwell(
                answers, first, last, circuit.capacitor_farads, cells.arrays, circuit.setup.dwell_s
            ).value
            start[left], value[left], end[left], chosen[left] = answers.value[first], shown, answers.value[last], index
            left = left[np.isinf(shown)]
        columns.append(
            [
                forecast_of(meter, probing, shots[int(index)], display, joined=joined)
                for index, display in zip(chosen.tolist(), np.stack([start, value, end], axis=1).tolist(), strict=True)
            ]
        )
    return columns
