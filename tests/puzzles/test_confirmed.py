"""Puzzles are what they claim, confirmed by a simulator and by a search that has no part in the proof."""

from __future__ import annotations

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzlefile import Key
from bridge.puzzlelevel import LEVEL_STEPS
from bridge.puzzlemake import Order, identity, make_puzzles
from tests.crosscheck.runner import require_simulator
from tests.puzzles.class_set import each_key, shipped_keys
from tests.puzzles.confirm import Searcher, confirm, remade


@pytest.mark.parametrize("key", each_key())
def test_the_simulator_reads_what_the_trainee_reads(key: Key) -> None:
    """ngspice, made from the key's true values, gives every reading of the shipped set within the meter's error."""
    require_simulator()
    assert remade(key) == (0, [])


@pytest.mark.slow
def test_no_second_answer_in_the_class_set() -> None:
    """A search over all single faults and pairs finds no second answer in the shipped set."""
    searchers: dict[str, Searcher] = {}
    for key in shipped_keys():
        name = key.puzzle.board
        searchers.setdefault(name, Searcher(load_board(name), load_meter(), dict(key.puzzle.setup)))
        assert searchers[name].second_answers(key) == [], key.puzzle.number


def test_the_search_finds_a_second_answer() -> None:
    """With an answer that is not right the search finds explanations outside it, so that it can fail."""
    key = next(key for key in shipped_keys() if key.puzzle.board == "half-bridge-cooktop" and key.faults)
    searcher = Searcher(load_board(key.puzzle.board), load_meter(), dict(key.puzzle.setup))
    key.answers[0], kept = ["F_1"], key.answers[0]
    try:
        assert searcher.second_answers(key)
    finally:
        key.answers[0] = kept


@pytest.mark.slow
def test_ten_new_puzzles_are_confirmed() -> None:
    """Ten puzzles made anew, no two the same, are confirmed; the same seed makes the same ones again."""
    require_simulator()
    made = [
        key
        for name, count in (("six-switch-bridge", 6), ("half-bridge-cooktop", 4))
        for key in make_puzzles(Order(name, "handheld", Setup(), count=count, seed=77), workers=1).keys
    ]
    assert len({(key.puzzle.board, identity(key)) for key in made}) == 10
    for key in made:
        found = confirm(key)
        assert not found.wrong, (found, key.faults, key.error)
        assert not found.second, (found, key.faults, key.error)
    again = make_puzzles(Order("half-bridge-cooktop", "handheld", Setup(), count=4, seed=77), workers=2).keys
    assert list(again) == made[6:]


def test_levels_follow_measured_effort() -> None:
    """The level is the effort's step: whatever takes more is no easier."""
    for key in shipped_keys():
        effort = key.effort
        assert effort.score == pytest.approx(effort.novice + 4.0 * effort.solver)
        assert key.puzzle.level == 1 + sum(effort.score >= step for step in LEVEL_STEPS)
    levels = {key.puzzle.level for key in shipped_keys()}
    assert len(levels) >= 4


def test_a_key_holds_its_proof() -> None:
    """Every key has one answer, as probable as stated but never certain, and nothing close beside it."""
    assert len(shipped_keys()) == 10
    for key in shipped_keys():
        assert 0.95 <= key.proof.probability == round(key.proof.probability, 3) < 1.0
        assert key.proof.gap_nats >= 3.0
        assert key.answers
        assert key.best or not key.faults
