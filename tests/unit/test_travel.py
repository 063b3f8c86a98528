"""Readings in the order in which the leads move least."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import pytest

from bridge.board import Board, list_boards, load_board
from bridge.forecast import default_probings
from bridge.probing import Hold, Probing
from bridge.separate import reachable_probings
from bridge.travel import move_cost, order_by_movement

BRIDGE = load_board("six-switch-bridge")


def tour_cost(board: Board, order: Sequence[Probing]) -> float:
    """Return the effort of all moves between readings in an order."""
    return sum(move_cost(board, one, other) for one, other in itertools.pairwise(order))


def test_moves_cost_what_the_hands_do() -> None:
    """One lead between main terminals costs 1, two cost 2; pads, the knob and held gates cost more."""
    start = Probing("N", "U")
    assert move_cost(BRIDGE, start, start) == 0.0
    assert move_cost(BRIDGE, start, Probing("N", "V")) == 1.0
    assert move_cost(BRIDGE, start, Probing("U", "N")) == 2.0
    gate = Probing("G_UL", "E_UL", "ohms")
    assert move_cost(BRIDGE, start, gate) == move_cost(BRIDGE, gate, start) == 1.5 + 1.5 + 3.0
    assert move_cost(BRIDGE, start, Probing("N", "U", hold=(Hold("UL", 12.0),))) > 3.0


@pytest.mark.parametrize("size", [3, 5, 7])
def test_small_sets_against_every_order(size: int) -> None:
    """On small sets no order of all there are is better by more than a twentieth; on average none is by 1 %."""
    rng = random.Random(size)
    every = reachable_probings(BRIDGE)
    ratios = []
    for _ in range(25):
        some = rng.sample(every, size)
        best = min(tour_cost(BRIDGE, order) for order in itertools.permutations(some))
        ratios.append(tour_cost(BRIDGE, order_by_movement(BRIDGE, some)) / best)
    assert min(ratios) >= 1.0 - 1e-12
    assert max(ratios) <= 1.05
    assert sum(ratios) / len(ratios) <= 1.01


def test_the_whole_sheet_of_a_bridge_moves_one_lead_at_a_time() -> None:
    """All 20 pairs of five terminals need 19 moves, and 6 gates 5 x 4 more and 6 to get there: no order does better."""
    order = order_by_movement(BRIDGE, default_probings(BRIDGE))
    assert tour_cost(BRIDGE, order) == 19.0 + 6.0 + 20.0


@pytest.mark.parametrize("name", list_boards())
def test_nothing_is_lost_and_nothing_gets_worse(name: str) -> None:
    """Every reading is there once, and the order is no worse than that of the list."""
    board = load_board(name)
    before = default_probings(board)
    after = order_by_movement(board, before)
    assert sorted(after, key=str) == sorted(before, key=str)
    assert tour_cost(board, after) <= tour_cost(board, before)


def test_two_readings_stay_as_they_are() -> None:
    """With fewer than three readings there is nothing to order, and equal ones are kept."""
    pair = (Probing("N", "U"), Probing("N", "U"))
    assert order_by_movement(BRIDGE, pair) == pair
    assert order_by_movement(BRIDGE, ()) == ()
