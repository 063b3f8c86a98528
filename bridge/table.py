"""What each hypothesis of a board reads at each probing: all that ranking ever sees."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.circuit import Circuit
from bridge.damage import Change, change_of
from bridge.dwell import charge_left
from bridge.faultspace import FaultSpace
from bridge.meter import MeterProfile
from bridge.predict import CellSolver
from bridge.probing import Probing
from bridge.readingcolumn import ReadingColumn
from bridge.readings import Reading
from bridge.shots import plan_shots
from bridge.tablememory import ColumnPlace, TableMemory
from bridge.variants import ChangeClasses

__all__ = ["ReadingTable", "build_table", "table_of"]


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """A board's predicted displays: hypotheses x severities x probings.

    Parameters
    ----------
    space : FaultSpace
        The hypotheses.
    meter : MeterProfile
        The meter.
    columns : tuple of ReadingColumn
        One per probing.
    batches : tuple of str
        Junction batches, and last the temperature, along the first axis of every ``batch_load``.
    """

    space: FaultSpace
    meter: MeterProfile
    columns: tuple[ReadingColumn, ...]
    batches: tuple[str, ...]


def table_of(
    space: FaultSpace,
    meter: MeterProfile,
    readings: Sequence[Reading],
    *,
    pairs: bool = True,
    memory: TableMemory | None = None,
) -> ReadingTable:
    """Return the displays of every hypothesis where readings were taken.

    Parameters
    ----------
    space : FaultSpace
        The hypotheses.
    meter : MeterProfile
        The meter.
    readings : sequence of Reading
        The readings; where and how they were taken matters, and of a number the range it was read in.
    pairs, memory
        As for :func:`build_table`.
    """
    return build_table(
        space,
        meter,
        [reading.probing for reading in readings],
        [reading.discharged for reading in readings],
        [reading.connected for reading in readings],
        [_settled(reading, meter) for reading in readings],
        pairs=pairs,
        memory=memory,
    )


def _settled(reading: Reading, meter: MeterProfile) -> str | None:
    """Return the range an autorange must have been in for what it showed, None where that is not told."""
    if reading.probing.mode != "ohms" or reading.value is None or reading.to_ol:
        return None
    return meter.range_for(reading.value).name


def build_table(
    space: FaultSpace,
    meter: MeterProfile,
    probings: Sequence[Probing],
    discharged: Sequence[bool] | None = None,
    connected: Sequence[frozenset[str]] | None = None,
    settled: Sequence[str | None] | None = None,
    *,
    pairs: bool = True,
    memory: TableMemory | None = None,
) -> ReadingTable:
    """Return the displays of every hypothesis at every probing.

    Parameters
    ----------
    space : FaultSpace
        The hypotheses.
    meter : MeterProfile
        The meter.
    probings : sequence of Probing
        Placements of the leads, in the order they were taken.
    discharged : sequence of bool, optional
        Whether the board was discharged before each of them, of what the set-up states as well; charge is carried along
        otherwise.
    connected : sequence of frozenset of str, optional
        What was connected during each of them, besides what the set-up says.
    settled : sequence of str or None, optional
        Range an autorange was seen to settle in at each of them.
    pairs : bool
        Whether pairs of faults will be asked for; without, their members are left out.
    memory : TableMemory, optional
        Columns of earlier tables of the same board.
    """
    memory = TableMemory() if memory is None else memory
    columns: dict[int, ReadingColumn] = {}
    there = [
        space.setup.connected | (connected[number] if connected else frozenset()) for number in range(len(probings))
    ]
    emptied = [False] * len(probings) if discharged is None else discharged
    volts = [0.0 if empty else space.setup.bus_volts for empty in emptied]
    states = [(probing.lift, what, charge) for probing, what, charge in zip(probings, there, volts, strict=True)]
    for state in dict.fromkeys(states):
        lifted, what, charge = state
        setup = dataclasses.replace(space.setup, connected=what, bus_volts=charge)
        circuit = memory.circuit(space.board, setup, lifted)
        numbers = [number for number, other in enumerate(states) if other == state]

        def build(some: Sequence[ColumnPlace], circuit: Circuit = circuit) -> list[ReadingColumn]:
            return _build_group(space, circuit, meter, some, pairs)

        key = id(space.board), (meter, space.setup, setup, lifted, pairs)
        places = [(probings[number], settled[number] if settled else None) for number in numbers]
        group = memory.columns(key, places, build)
        columns.update(zip(numbers, group, strict=True))
    ordered = _carry_charge([columns[number] for number in range(len(probings))], emptied)
    return ReadingTable(space, meter, ordered, memory.circuit(space.board, space.setup, ()).shared_unknowns)


def _build_group(
    space: FaultSpace, circuit: Circuit, meter: MeterProfile, places: Sequence[ColumnPlace], pairs: bool
) -> list[ReadingColumn]:
    shots = [
        shot
        for number, (probing, settled) in enumerate(places)
        for shot in plan_shots(circuit, meter, probing, number, settled)
    ]
    changes, tags = [Change()], [0.0]
    doubles = len(space.doubles) if pairs else 0
    for variants in (space.singles, space.doubles) if pairs else (space.singles,):
        for fault, ohms, spread in zip(variants.fault, variants.ohms, variants.ln_sigma, strict=True):
            name = space.faults[fault]
            changes.append(change_of(circuit, name.part, name.mode, None if np.isnan(ohms) else float(ohms)))
            tags.append(float(spread))
    classes = ChangeClasses(circuit, changes, tags)
    class_of_single = classes.class_of[1 : 1 + len(space.singles)]
    class_of_double = classes.class_of[1 + len(space.singles) : 1 + len(space.singles) + doubles]
    pair_classes, row_of_double = np.unique(class_of_double, return_inverse=True)
    ln_sigma = np.zeros(classes.size)
    ln_sigma[classes.class_of] = tags
    cells = CellSolver(circuit, shots, classes, pair_classes, bus_volts=circuit.setup.bus_volts)
    columns: list[ReadingColumn] = []
    for number, (probing, _) in enumerate(places):
        mine = tuple(index for index, shot in enumerate(shots) if shot.probing == number)
        columns.append(
            ReadingColumn(
                probing=probing,
                unit=shots[mine[0]].unit,
                limit=shots[mine[-1]].limit,
                cells=cells,
                shots=mine,
                class_of_single=class_of_single,
                class_of_double=class_of_double,
                row_of_double=row_of_double,
                ln_sigma=ln_sigma,
                charge=np.zeros(len(circuit.capacitor_rows)),
            )
        )
    return columns


def _carry_charge(columns: Sequence[ReadingColumn], discharged: Sequence[bool]) -> tuple[ReadingColumn, ...]:
    """Follow a healthy board through the readings: note what each finds on the capacitors, and who shares a place."""
    charge: dict[str, float] = {}
    taken = Counter((column.probing, id(column.cells.circuit)) for column in columns)
    result: list[ReadingColumn] = []
    for column, emptied in zip(columns, discharged, strict=True):
        circuit = column.cells.circuit
        names = list(circuit.capacitor_index)
        before = np.array([0.0 if emptied else charge.get(name, 0.0) for name in names])
        here = taken[column.probing, id(circuit)]
        result.append(dataclasses.replace(column, charge=before, taken=here))
        start, end = column.of_classes(np.zeros(1, dtype=np.intp))
        left = charge_left(
            column.cells.answers, int(start[0]), int(end[0]), circuit.capacitor_farads, circuit.setup.dwell_s, before
        )
        charge = dict(zip(names, left.tolist(), strict=True))
    return tuple(result)
