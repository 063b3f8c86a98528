"""The best order of readings that is fixed before the first: what a sheet would say if it could not look at answers."""

from __future__ import annotations

import numpy as np

from bridge.advise import before_any_reading, probing_cost
from bridge.board import Board
from bridge.boarddisplays import displays_of
from bridge.faults import Fault
from bridge.gain import expected_gain, joint_shares, outcomes_of
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.separate import reachable_probings

__all__ = ["fixed_order"]

LEAST_BITS = 1e-4  # what adds less is left where it is


def fixed_order(board: Board, meter: MeterProfile, setup: Setup, most: int) -> tuple[Probing, ...]:
    """Return readings in place, each the one that adds most information for its effort to those before it.

    Parameters
    ----------
    board, meter, setup
        The bench.
    most : int
        Readings at the most.

    Notes
    -----
    Greedy over what all single faults show, weighed by their prior: within 1 - 1/e of the best set of as many readings,
    as information about what is hidden gains less the more is known (Krause & Guestrin, UAI 2005).
    """
    candidates = before_any_reading(board, meter, setup).candidates
    weight = np.array([one.probability for one in candidates])
    targets = [one.packages(board) for one in candidates]
    number = {target: index for index, target in enumerate(dict.fromkeys(targets))}
    target = np.array([number[one] for one in targets], dtype=np.intp)
    probings = reachable_probings(board)
    sets = [[(Fault(guess.part, guess.mode), None) for guess in one.faults] for one in candidates]
    shown = displays_of(board, meter, setup, sets, probings)
    outcome = {
        probing: outcomes_of(*shown.on_scale(row, shown.sd[row]))
        for row, probing in enumerate(probings)
        if not np.isnan(shown.value[row]).any()
    }
    known, told = np.zeros(len(candidates), dtype=np.intp), 0.0
    order: list[Probing] = []
    while outcome and len(order) < most:
        finer = {probing: _together(known, one) for probing, one in outcome.items()}
        bits = {one: expected_gain(joint_shares(code, weight, target, len(number))) for one, code in finer.items()}
        best = max(outcome, key=lambda one: (bits[one] - told) / probing_cost(board, one))
        if bits[best] - told < LEAST_BITS:
            break
        order.append(best)
        known, told = finer[best], bits[best]
        del outcome[best]
    return tuple(order)


def _together(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return which pair of outcomes each board gives."""
    return np.unique(one * (int(other.max()) + 1) + other, return_inverse=True)[1]
