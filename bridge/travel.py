"""The order of readings in which the leads move least.

A shortest open tour. Nearest neighbour from a few starts, then 2-opt and moves of short runs until neither helps:
Croes, Oper. Res. 6 (1958) 791; Or, thesis, Northwestern University (1976). Both from memory.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from bridge.board import Board
from bridge.probing import Probing

__all__ = ["move_cost", "order_by_movement"]

PAD_EFFORT = 2.0  # placing a lead on a pad against a main terminal; common practice, no source
KNOB_EFFORT = 3.0  # turning the meter's knob: done seldom
HOLD_EFFORT = 8.0
LIFT_EFFORT = 40.0
STARTS = 12
LONGEST_RUN = 3
HAIR = 1e-9


def _lead_effort(board: Board, lead: str) -> float:
    terminal = board.terminals.get(lead)
    return 1.0 if terminal is not None and terminal.access == "terminal" else PAD_EFFORT


def move_cost(board: Board, before: Probing, after: Probing) -> float:
    """Return the effort of going from one reading to the next; the same in both directions.

    Parameters
    ----------
    board : Board
        The board, for how hard each place is to reach.
    before, after : Probing
        The two readings.

    Returns
    -------
    float
        1 for each lead moved between main terminals, more for pads, for the knob, for held gates and lifted pins.
    """
    cost = 0.0
    for one, other in ((before.red, after.red), (before.black, after.black)):
        if one != other:
            cost += 0.5 * (_lead_effort(board, one) + _lead_effort(board, other))
    if before.mode_text != after.mode_text:
        cost += KNOB_EFFORT
    cost += HOLD_EFFORT * len({*before.hold} ^ {*after.hold})
    return cost + LIFT_EFFORT * len({*before.lift} ^ {*after.lift})


def order_by_movement(board: Board, probings: Sequence[Probing]) -> tuple[Probing, ...]:
    """Return readings in an order in which the leads move little; a heuristic, near the least.

    Parameters
    ----------
    board : Board
        The board.
    probings : sequence of Probing
        The readings; equal ones stand together.
    """
    count = len(probings)
    if count < 3:
        return tuple(probings)
    cost = [[move_cost(board, one, other) for other in probings] for one in probings]
    step = max(1, count // STARTS)
    tours = [_improve(_nearest(cost, start), cost) for start in range(0, count, step)]
    best = min(tours, key=lambda tour: _length(tour, cost))  # the first of equals: the same sheet every time
    return tuple(probings[index] for index in best)


def _length(tour: Sequence[int], cost: Sequence[Sequence[float]]) -> float:
    return sum(cost[one][other] for one, other in itertools.pairwise(tour))


def _nearest(cost: Sequence[Sequence[float]], start: int) -> list[int]:
    tour, left = [start], [index for index in range(len(cost)) if index != start]
    while left:
        row = cost[tour[-1]]
        following = min(left, key=lambda index: (row[index], index))
        tour.append(following)
        left.remove(following)
    return tour


def _improve(tour: list[int], cost: Sequence[Sequence[float]]) -> list[int]:
    better = True
    while better:
        better = _reverse_runs(tour, cost) or _move_runs(tour, cost)
    return tour


def _joint(tour: Sequence[int], cost: Sequence[Sequence[float]], one: int, other: int) -> float:
    """Cost between two places of a tour; nothing beyond its ends."""
    return cost[tour[one]][tour[other]] if one >= 0 and other < len(tour) else 0.0


def _reverse_runs(tour: list[int], cost: Sequence[Sequence[float]]) -> bool:
    """Turn runs round wherever that shortens the tour; whether it did."""
    helped, count = False, len(tour)
    for first in range(count - 1):
        for last in range(first + 1, count):
            before = _joint(tour, cost, first - 1, first) + _joint(tour, cost, last, last + 1)
            after = (cost[tour[first - 1]][tour[last]] if first else 0.0) + (
                cost[tour[first]][tour[last + 1]] if last + 1 < count else 0.0
            )
            if after < before - HAIR:
                tour[first : last + 1] = tour[first : last + 1][::-1]
                helped = True
    return helped


def _move_runs(tour: list[int], cost: Sequence[Sequence[float]]) -> bool:
    """Move the first short run that is better off elsewhere, either way round; whether there was one."""
    count = len(tour)
    for length in range(1, min(LONGEST_RUN, count - 1) + 1):
        for first in range(count - length + 1):
            run = tour[first : first + length]
            rest = tour[:first] + tour[first + length :]
            before = _joint(tour, cost, first - 1, first) + _joint(tour, cost, first + length - 1, first + length)
            healed = cost[rest[first - 1]][rest[first]] if 0 < first < len(rest) else 0.0
            for place in range(len(rest) + 1):
                if place == first:
                    continue
                gap = cost[rest[place - 1]][rest[place]] if 0 < place < len(rest) else 0.0
                for piece in (run, run[::-1]):
                    joined = (cost[rest[place - 1]][piece[0]] if place else 0.0) + (
                        cost[piece[-1]][rest[place]] if place < len(rest) else 0.0
                    )
                    if healed - gap + joined < before - HAIR:
                        tour[:] = rest[:place] + piece + rest[place:]
                        return True
    return False
