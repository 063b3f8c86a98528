"""The hypothesis space of a board and what each hypothesis reads at each probing: all that ranking ever sees."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import Circuit, build_circuit
from bridge.columndisplays import ColumnDisplays, add_loads
from bridge.damage import Change, change_of
from bridge.dwell import AfterDwell, charge_left, value_after_dwell
from bridge.faults import MOST_PAIRED, Fault, SeverityNode, list_faults, severity_nodes
from bridge.meter import MeterProfile
from bridge.predict import UNKNOWN, CellSolver, Progress
from bridge.priors import Priors
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.shots import HEADROOM, plan_shots
from bridge.variants import ChangeClasses

__all__ = [
    "FaultSpace",
    "ReadingColumn",
    "ReadingTable",
    "TableMemory",
    "build_space",
    "build_table",
    "solve_together",
    "table_of",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]
Place = tuple[Probing, str | None]  # and the range an autorange was seen to settle in

# What bends with a resistance in parallel needs nodes close together; in pairs, where each node costs as many solves as
# the other fault has nodes, fewer have to do, and the fit between nodes does the rest.
PAIR_NODES: Mapping[str, int] = {"leak": 4, "high": 4}
JUNCTION_PER_V = 1.0  # share of a display for a volt of drop: ohms through a junction go by 20 to 40, a resistor's by 0
CLIFF_SHARE = 0.5  # a display between what one range shows and where the other ends, as two standard deviations


@dataclass(frozen=True, slots=True)
class Variants:
    """Faults at severity nodes, as parallel arrays.

    Parameters
    ----------
    fault : ndarray of int, variants
        Fault of each variant.
    ohms : ndarray, variants
        Resistance [ohm]; NaN for a mode without severity.
    ln_sigma : ndarray, variants
        Spread of ln(ohms) the node stands for [1].
    log_weight : ndarray, variants
        Log share of the fault's cases at this node [1].
    """

    fault: Index
    ohms: Array
    ln_sigma: Array
    log_weight: Array

    def __len__(self) -> int:
        return len(self.fault)

    def none(self) -> Variants:
        """Return no variants at all: for a table of the good board alone."""
        return self.some(np.zeros(0, dtype=np.intp))

    def some(self, which: Index | Mask) -> Variants:
        """Return some of the variants, by number or by mask."""
        return Variants(self.fault[which], self.ohms[which], self.ln_sigma[which], self.log_weight[which])


@dataclass(frozen=True, eq=False)
class FaultSpace:
    """Healthy, every single fault and every pair of faults of one board in one set-up.

    Parameters
    ----------
    faults : tuple of Fault
        Single faults, sorted.
    priors : Priors
        Prior probabilities of all hypotheses.
    singles : Variants
        Single faults on the fine severity grid.
    doubles : Variants
        Members of pairs on the coarse grid; of more faults than MOST_PAIRED the likeliest alone.
    part_of_fault : ndarray of int, faults
        Number of the part a fault belongs to.
    hides : frozenset of (int, int)
        Fault pairs in which the first cuts the second off entirely.
    """

    board: Board
    setup: Setup
    faults: tuple[Fault, ...]
    priors: Priors
    singles: Variants
    doubles: Variants
    part_of_fault: Index
    hides: frozenset[tuple[int, int]]

    @cached_property
    def pairs(self) -> tuple[Index, Index]:
        """Variant numbers (coarse grid) of every pair of different parts, first fault below second."""
        part = self.part_of_fault[self.doubles.fault]
        first, second = np.triu_indices(len(self.doubles), 1)
        different = part[first] != part[second]
        return first[different], second[different]


def _variants(board: Board, faults: Sequence[Fault], pair_nodes: Mapping[str, int]) -> Variants:
    rows: list[tuple[int, float, float, float]] = []
    for number, fault in enumerate(faults):
        count = next((nodes for ending, nodes in pair_nodes.items() if fault.mode.endswith(ending)), None)
        nodes = severity_nodes(board.parts[fault.part], fault.mode, count)
        for node in nodes or (SeverityNode(float("nan"), 1.0, 0.0),):
            rows.append((number, node.ohms, node.ln_sigma, float(np.log(node.weight))))
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return Variants(table[:, 0].astype(np.intp), table[:, 1], table[:, 2], table[:, 3])


def build_space(board: Board, setup: Setup, pair_nodes: Mapping[str, int] = PAIR_NODES) -> FaultSpace:
    """Return the hypotheses of a board in a set-up.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        Parts that are not there in this set-up have no faults.
    pair_nodes : mapping of str to int
        Severity nodes of members of pairs by the ending of their mode; the others have as many as alone.
    """
    circuit = build_circuit(board, setup)
    faults = list_faults(board, list(circuit.parts))
    number_of_part = {ref: number for number, ref in enumerate(dict.fromkeys(fault.part for fault in faults))}
    hides = []
    for number, fault in enumerate(faults):
        if fault.mode in ("emitter-open", "burst"):
            change = change_of(circuit, fault.part, fault.mode, None)
            cut = {
                ref
                for (ref, slot), row in circuit.junction_rows.items()
                if slot == "junction" and row in change.junctions
            }
            hides += [(number, other) for other, hidden in enumerate(faults) if hidden.part in cut]
    priors = Priors.for_board(board, faults)
    doubles = _variants(board, faults, pair_nodes)
    paired = np.zeros(len(faults), dtype=bool)
    paired[np.argsort(-priors.log_single, kind="stable")[:MOST_PAIRED]] = True
    return FaultSpace(
        board=board,
        setup=setup,
        faults=faults,
        priors=priors,
        singles=_variants(board, faults, {}),
        doubles=doubles.some(paired[doubles.fault]),
        part_of_fault=np.array([number_of_part[fault.part] for fault in faults], dtype=np.intp),
        hides=frozenset(hides),
    )


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
        """Return start and end answers of single classes, in the range an autorange settles in."""
        return self._settle(
            len(classes),
            lambda shot, left: (
                self.cells.single_start[shot][classes[left]],
                self.cells.single_end[shot][classes[left]],
            ),
        )

    def of_pairs(self, first: Index, second: Index, progress: Progress | None = None) -> tuple[Index, Index]:
        """Return start and end answers of pairs of rows, solving what is not known yet."""
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
        """Return start and end answers of pairs of rows, UNKNOWN where one would have to be solved for."""
        return self._settle(len(first), lambda shot, left: self.cells.known(shot, first[left], second[left]))

    def guessed_pairs(self, first: Index, second: Index) -> tuple[Index, Index]:
        """Return start and end answers close to those of pairs of rows, UNKNOWN where only a solve can tell."""
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


class TableMemory:
    """Spaces and columns worked out before: in a session a reading more costs one column, not all of them again."""

    def __init__(self) -> None:
        self._spaces: dict[tuple[int, object], FaultSpace] = {}
        self._columns: dict[tuple[tuple[int, object], Place], ReadingColumn] = {}
        self._boards: dict[object, tuple[Board, Board]] = {}
        self._circuits: dict[tuple[int, object], Circuit] = {}

    def circuit(self, board: Board, setup: Setup, lifted: Sequence[str]) -> Circuit:
        """Return the circuit of a board in a set-up, as :func:`build_circuit` does, the same one each time."""
        key = id(board), (setup, tuple(lifted))
        if key not in self._circuits:
            self._circuits[key] = build_circuit(board, setup, lifted)  # holds the board, and so its id
        return self._circuits[key]

    def other_board(self, board: Board, off: object, make: Callable[[], Board]) -> Board:
        """Return a board that is another one in a known way, the same one as long as it is; ``off`` names the way.

        Only the last one is remembered: what a table of pairs takes is not to be had for every step of a session.
        """
        key = id(board), off
        if key not in self._boards:
            self._forget({id(other) for other, like in self._boards.values() if like is board})
            self._boards = {one: pair for one, pair in self._boards.items() if pair[1] is not board}
            self._boards[key] = make(), board  # the board is held, so that no other takes over its id
        return self._boards[key][0]

    def _forget(self, boards: set[int]) -> None:
        """Drop all that was worked out for boards."""
        self._spaces = {key: space for key, space in self._spaces.items() if key[0] not in boards}
        self._columns = {key: column for key, column in self._columns.items() if key[0][0] not in boards}
        self._circuits = {key: circuit for key, circuit in self._circuits.items() if key[0] not in boards}

    def space(self, board: Board, setup: Setup) -> FaultSpace:
        """Return the hypotheses of a board in a set-up, as :func:`build_space` does."""
        key = id(board), setup
        if key not in self._spaces:
            self._spaces[key] = build_space(board, setup)  # holds the board, so that no other takes over its id
        return self._spaces[key]

    def columns(
        self, key: tuple[int, object], places: Sequence[Place], build: Callable[[Sequence[Place]], list[ReadingColumn]]
    ) -> list[ReadingColumn]:
        """Return the columns of some places on one circuit, building those not known yet together."""
        missing = [place for place in dict.fromkeys(places) if (key, place) not in self._columns]
        if missing:
            self._columns.update(zip([(key, place) for place in missing], build(missing), strict=True))
        return [self._columns[key, place] for place in places]


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

        def build(some: Sequence[Place], circuit: Circuit = circuit) -> list[ReadingColumn]:
            return _build_group(space, circuit, meter, some, pairs)

        key = id(space.board), (meter, space.setup, setup, lifted, pairs)
        places = [(probings[number], settled[number] if settled else None) for number in numbers]
        group = memory.columns(key, places, build)
        columns.update(zip(numbers, group, strict=True))
    ordered = _carry_charge([columns[number] for number in range(len(probings))], emptied)
    return ReadingTable(space, meter, ordered, memory.circuit(space.board, space.setup, ()).shared_unknowns)


def _build_group(
    space: FaultSpace, circuit: Circuit, meter: MeterProfile, places: Sequence[Place], pairs: bool
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
