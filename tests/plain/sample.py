"""Questions drawn from a board: where the leads are, what is broken, and what the fast table answers."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bridge.board import load_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.faults import Fault, severity_nodes
from bridge.faultspace import build_space
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.separate import reachable_probings
from bridge.shots import Shot, plan_shots
from bridge.variants import ChangeClasses
from tests.plain.wholetable import CellTable, solve_cells


@dataclass(frozen=True)
class Question:
    """One display: a shot on a board with some faults, at one instant.

    Parameters
    ----------
    shot : Shot
        The meter.
    faults : tuple of Fault
        What is broken; nothing on a healthy board.
    change : Change
        All of it together.
    at_start : bool
        The first instant, or the end.
    answer : int
        Place in the fast table's answers.
    """

    shot: Shot
    faults: tuple[Fault, ...]
    change: Change
    at_start: bool
    answer: int

    def __str__(self) -> str:
        broken = " ".join(str(fault) for fault in self.faults) or "healthy"
        moment = "first instant" if self.at_start else "end"
        return f"{self.shot.red}-{self.shot.black} {self.shot.range_name or 'diode'}, {broken}, {moment}"


@dataclass(frozen=True)
class Sample:
    """Questions to one board, and the fast table with the answers."""

    circuit: Circuit
    questions: tuple[Question, ...]
    table: CellTable


def _placements(rng: random.Random, board_name: str, meter: MeterProfile) -> list[Probing]:
    """Return places a technician reads at, and any two pads in any range: a table need not like them, but answers."""
    board = load_board(board_name)
    chosen = rng.sample(reachable_probings(board), 5)
    for mode in ("diode", "ohms", "ohms"):
        red, black = rng.sample(list(board.terminals), 2)
        chosen.append(Probing(red, black, mode, rng.choice(meter.ohms).name if mode == "ohms" else None))
    return chosen


def draw(board_name: str, seed: int, *, faults: int, each: int, setup: Setup | None = None) -> Sample:
    """Return questions about a healthy board, single faults and pairs at both instants, with the fast answers.

    Parameters
    ----------
    board_name : str
        A shipped board.
    seed : int
        Of the draw.
    faults : int
        How many faults to draw.
    each : int
        How many questions of each kind: healthy, single, pair twice as many.
    setup : Setup, optional
        The state of the bench.
    """
    rng = random.Random(f"{board_name} {seed}")
    setup = setup or Setup()
    board = load_board(board_name)
    meter = load_meter(rng.choice(("handheld", "high-compliance", "moving-needle", "pocket")))
    circuit = build_circuit(board, setup)
    shots = [
        shot
        for number, probing in enumerate(_placements(rng, board_name, meter))
        for shot in plan_shots(circuit, meter, probing, number)
        if shot.red != shot.black
    ]
    # each range by itself, so that none is skipped because a lower one shows a value
    shots = [dataclasses.replace(shot, probing=number) for number, shot in enumerate(shots)]
    space = build_space(board, setup)
    chosen = rng.sample(range(len(space.faults)), faults)
    broken = [space.faults[number] for number in chosen]
    changes = [Change()]
    for fault in broken:
        nodes = severity_nodes(board.parts[fault.part], fault.mode)
        changes.append(change_of(circuit, fault.part, fault.mode, rng.choice(nodes).ohms if nodes else None))
    classes = ChangeClasses(circuit, changes)
    pair_classes, row = np.unique(classes.class_of[1:], return_inverse=True)
    asked: list[tuple[int, tuple[int, ...], bool]] = []
    needed = np.zeros((len(pair_classes), len(pair_classes)), dtype=bool)
    for members in _hypotheses(rng, faults, each):
        one, other = members[0] if members else 0, members[-1] if members else 0
        if len(members) == 2:
            hidden = {(chosen[one], chosen[other]), (chosen[other], chosen[one])} & space.hides
            if broken[one].part == broken[other].part or row[one] == row[other] or hidden:
                continue
            needed[row[one], row[other]] = True
        shot = rng.randrange(len(shots))
        asked += [(shot, members, True), (shot, members, False)]
    table = solve_cells(circuit, shots, classes, pair_classes, needed, bus_volts=setup.bus_volts)
    questions = []
    for shot, members, at_start in asked:
        if len(members) == 2:
            answers = (table.pair_start if at_start else table.pair_end)[shot]
            answer = answers[row[members[0]], row[members[1]]]
        else:
            answers = (table.single_start if at_start else table.single_end)[shot]
            answer = answers[classes.class_of[members[0] + 1] if members else 0]
        change = combine([changes[number + 1] for number in members])
        names = tuple(broken[number] for number in members)
        questions.append(Question(shots[shot], names, change, at_start, int(answer)))
    return Sample(circuit, tuple(questions), table)


def _hypotheses(rng: random.Random, faults: int, each: int) -> Iterator[tuple[int, ...]]:
    for _ in range(each):
        yield ()
        yield (rng.randrange(faults),)
        yield tuple(rng.sample(range(faults), 2))
        yield tuple(rng.sample(range(faults), 2))
