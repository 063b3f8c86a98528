"""What the benchmark counts and what it ranks."""

from __future__ import annotations

import itertools
import random

import bridge.separate
import bridge.solve
from bridge.board import load_board
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.readings import parse_readings
from bridge.table import build_table
from tests.benchmarks.sheets import PLANS, another_make, plan, planted_fault, sheet
from tests.benchmarks.tables import count_hypotheses, counting, fill_table

BOARD = "half-bridge-cooktop"


def test_hypotheses_are_counted_without_severities() -> None:
    """The count is that of a plain enumeration: healthy, every mode, every two modes of different parts."""
    space = build_space(load_board(BOARD), Setup())
    pairs = sum(one.part != other.part for one, other in itertools.combinations(space.faults, 2))
    assert count_hypotheses(space) == 1 + len(space.faults) + pairs


def test_circuits_are_counted_while_asked_for_and_no_longer() -> None:
    """Singles hand over fewer circuits than singles and pairs, and the solver is left as it was."""
    board, meter = load_board(BOARD), load_meter()
    space = build_space(board, Setup())
    probings = [Probing(*board.main_terminals[:2])]
    with counting() as singles:
        assert bridge.separate.solve_points is not bridge.solve.solve_points
        build_table(space, meter, probings)
    with counting() as pairs:
        fill_table(space, meter, probings)
    assert bridge.separate.solve_points is bridge.solve.solve_points
    assert 0 < singles.circuits < pairs.circuits
    assert singles.cpu_s > 0.0
    counted = pairs.circuits
    build_table(space, meter, probings)
    assert pairs.circuits == counted


def test_a_sheet_can_be_read() -> None:
    """A sheet has the readings of its plan, and the same ones come out again."""
    board, meter = load_board("six-switch-bridge"), load_meter()
    text = sheet(board, meter, 20)
    read = parse_readings(text.encode(), "sheet", board, meter, Setup()).readings
    assert [one.probing for one in read] == list(PLANS["six-switch-bridge"])
    assert text == sheet(board, meter, 20)


def test_plans_name_places_of_their_boards() -> None:
    """The plans have 24, 20 and 24 placements, all different, on terminals that are there."""
    for name, count in (("motor-drive", 24), ("six-switch-bridge", 20), ("three-level-bridge", 24)):
        places = {place for one in PLANS[name] for place in (one.red, one.black)}
        assert len(set(PLANS[name])) == len(PLANS[name]) == count
        assert places <= set(load_board(name).terminals)


def test_the_bench_is_not_the_board_of_the_file() -> None:
    """Junctions of the planted board are another make, and nothing else of it differs."""
    board = load_board(BOARD)
    other = another_make(board, random.Random(1))
    changed = {
        name
        for ref, part in board.parts.items()
        for name, value in part.values.items()
        if other.parts[ref].values[name] != value
    }
    assert changed == {"drop_1ma"}


def test_a_plan_has_what_was_asked_for() -> None:
    """A plan holds as many different placements as asked for, and begins with those of its board."""
    board = load_board("motor-drive")
    assert plan(board, 6) == PLANS["motor-drive"][:6]
    assert len(set(plan(load_board(BOARD), 12))) == 12


def test_the_planted_fault_is_a_fused_switch() -> None:
    """The second switch of a half bridge is its low side."""
    assert planted_fault(load_board(BOARD)) == Fault("Q_L", "ce-short")
