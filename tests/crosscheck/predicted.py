"""What this project's solver answers to the same questions as the simulator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, Part
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.faulttable import fault_table
from bridge.instants import build_points, first_instant
from bridge.meter import MeterProfile
from bridge.partkinds import has_severity
from bridge.predict import CellSolver
from bridge.probing import Probing, Setup
from bridge.shots import displayed, plan_shots
from bridge.solve import solve_points
from bridge.variants import ChangeClasses
from tests.crosscheck.netlist import Damage, MeterRange, is_there, point_text, ranges_of, write_board

INSTANTS = ("start", "end")
CAPACITORS = {"start": "source", "end": "open"}


@dataclass(frozen=True, slots=True)
class Question:
    """One value both sides answer: a damage, a placement in one range, the first instant or the end."""

    damage: tuple[Damage, ...]
    probing: Probing
    meter_range: MeterRange
    instant: str

    def __str__(self) -> str:
        what = " + ".join(map(str, self.damage)) or "healthy"
        at = f"{self.probing.red}-{self.probing.black} {self.meter_range.label}"
        return " ".join(filter(None, (what, "|", at, self.probing.hold_text, self.probing.lift_text, self.instant)))


def severities(part: Part, mode: str, count: int) -> tuple[float | None, ...]:
    """Return the median resistance of a fault [ohm] (count 1), or low, median and high (count 3)."""
    if not has_severity(mode):
        return (None,)
    row = fault_table().severity_row(part.kind, mode)
    unit = 1.0 if row.of == "ohms" else max(part.values["ohms"], 1e-3)
    chosen = (row.median,) if count == 1 else (row.low, row.median, row.high)
    return tuple(unit * value for value in chosen)


def all_damage(board: Board, setup: Setup, count: int = 3) -> list[Damage]:
    """Return every fault mode of every part that is there, at low, median and high severity (or the median alone)."""
    return [
        Damage(ref, mode, ohms)
        for ref, part in board.parts.items()
        if is_there(part, setup)
        for mode in part.modes
        for ohms in severities(part, mode, count)
    ]


def placements(board: Board, meter: MeterProfile) -> list[Probing]:
    """Return every ordered pair of main terminals in diode mode, and each gate lead to its emitter in every ohms range.

    Ranges are named one by one, for an autorange that has found its range leaves the higher ones unanswered.
    """
    main = board.main_terminals
    pairs = [Probing(red, black) for red in main for black in main if red != black]
    return pairs + [
        Probing(gate, emitter, "ohms", entry.name) for gate, emitter in board.gate_leads for entry in meter.ohms
    ]


def questions(
    damages: Sequence[tuple[Damage, ...]], probings: Sequence[Probing], meter: MeterProfile
) -> list[Question]:
    """Return every damage at every placement at both instants."""
    ranges = {probing: ranges_of(meter, probing.mode, probing.range_name)[0] for probing in probings}
    return [
        Question(damage, probing, ranges[probing], instant)
        for damage in damages
        for instant in INSTANTS
        for probing in probings
    ]


def netlists_of(board: Board, setup: Setup, asked: Sequence[Question]) -> list[str]:
    """Return the netlist of each question, without simulator options."""
    texts: list[str] = []
    last_key: object = None
    for question in asked:
        key = (question.damage, question.instant, question.probing.hold, question.probing.lift)
        if key != last_key:
            last_key = key
            netlist = write_board(
                board,
                setup,
                question.damage,
                capacitors=CAPACITORS[question.instant],
                lifted=question.probing.lift,
                holds=question.probing.hold,
            )
        texts.append(point_text(netlist, question.meter_range, question.probing.red, question.probing.black))
    return texts


def _change(circuit: Circuit, damage: Damage) -> Change:
    return change_of(circuit, damage.ref, damage.mode, damage.ohms)


def _bonded(board: Board, damage: Sequence[Damage]) -> bool:
    """Whether one part of a pair is a diode on the other's bond: the pair is then no sum of its members."""
    refs = {one.ref for one in damage}
    return any(board.parts[ref].shares_bond_with in refs for ref in refs)


@dataclass(frozen=True, slots=True)
class SolverValues:
    """Displays of many questions, infinity for OL and NaN where the solve did not converge.

    Parameters
    ----------
    direct : ndarray, questions
        Every question solved for itself.
    tabled : ndarray, questions
        The way whole tables are made: solved only where a fault moves a reading, pairs built on their members.
    """

    direct: NDArray[np.float64]
    tabled: NDArray[np.float64]


def solver_values(board: Board, setup: Setup, meter: MeterProfile, asked: Sequence[Question]) -> SolverValues:
    """Return the displays of many questions."""
    values = SolverValues(np.full(len(asked), np.nan), np.full(len(asked), np.nan))
    for lift in dict.fromkeys(question.probing.lift for question in asked):
        circuit = build_circuit(board, setup, lift)
        mine = np.array([number for number, question in enumerate(asked) if question.probing.lift == lift])
        group = _Group(circuit, meter, [asked[number] for number in mine])
        values.direct[mine] = group.direct()
        values.tabled[mine] = group.tabled()
    return values


class _Group:
    """Questions on one circuit."""

    def __init__(self, circuit: Circuit, meter: MeterProfile, asked: Sequence[Question]) -> None:
        self.circuit = circuit
        self.asked = asked
        self.probings = list(dict.fromkeys(question.probing for question in asked))
        self.damages = list(dict.fromkeys(question.damage for question in asked))
        self.shots = [
            shot for number, probing in enumerate(self.probings) for shot in plan_shots(circuit, meter, probing, number)
        ]
        number_of_shot = {self.probings[shot.probing]: number for number, shot in enumerate(self.shots)}
        self.shot = np.array([number_of_shot[question.probing] for question in asked])
        self.at_start = np.array([question.instant == "start" for question in asked])

    def _combined(self) -> list[Change]:
        return [combine([_change(self.circuit, one) for one in damage]) for damage in self.damages]

    def direct(self) -> NDArray[np.float64]:
        classes = ChangeClasses(self.circuit, [Change(), *self._combined()])
        class_of = dict(zip(self.damages, classes.class_of[1:], strict=True))
        which = np.array([class_of[question.damage] for question in self.asked])
        values = np.full(len(self.asked), np.nan)
        for moment in (True, False):
            mine = np.flatnonzero(self.at_start == moment)
            points, factors = build_points(self.circuit, self.shots, self.shot[mine], classes, which[mine])
            if moment:
                first_instant(self.circuit, points, factors, self.circuit.setup.bus_volts)
            solution = solve_points(self.circuit, points)
            shown = displayed(self.shots, self.shot[mine], solution.voltage[points.red, np.arange(points.size)])
            values[mine] = np.where(solution.converged, shown, np.nan)
        return values

    def tabled(self) -> NDArray[np.float64]:
        members = list(dict.fromkeys(one for damage in self.damages if len(damage) == 2 for one in damage))
        changes = [Change(), *(_change(self.circuit, one) for one in members), *self._combined()]
        classes = ChangeClasses(self.circuit, changes)
        class_of_member = dict(zip(members, classes.class_of[1 : 1 + len(members)].tolist(), strict=True))
        class_of_damage = dict(zip(self.damages, classes.class_of[1 + len(members) :].tolist(), strict=True))
        pair_classes = np.unique(classes.class_of[1 : 1 + len(members)])
        place = {number: index for index, number in enumerate(pair_classes.tolist())}
        cells = CellSolver(self.circuit, self.shots, classes, pair_classes, bus_volts=self.circuit.setup.bus_volts)
        values = np.full(len(self.asked), np.nan)
        pairs: dict[int, list[int]] = {}
        for number, question in enumerate(self.asked):
            if len(question.damage) == 2 and not _bonded(self.circuit.board, question.damage):
                pairs.setdefault(int(self.shot[number]), []).append(number)
            else:
                single = cells.single_start if question.instant == "start" else cells.single_end
                values[number] = cells.answers.value[single[self.shot[number], class_of_damage[question.damage]]]
        for shot, numbers in pairs.items():
            damages = [self.asked[number].damage for number in numbers]
            first, second = (np.array([place[class_of_member[pair[side]]] for pair in damages]) for side in (0, 1))
            start, end = cells.complete(shot, first, second)
            values[numbers] = cells.answers.value[np.where(self.at_start[numbers], start, end)]
        return values
