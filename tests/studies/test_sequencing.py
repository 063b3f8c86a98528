"""The rule of ``next`` against the fewest readings possible, on slices small enough for an exact answer."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.board import load_board
from bridge.lookahead import Lookahead
from tests.studies.sequencing import Slice, by_gain, by_lookahead, fewest, needed, ratios


def slice_of(outcomes: list[list[int]], targets: list[int], weights: list[float] | None = None) -> Slice:
    """Return a slice written down as a table."""
    weight = np.array(weights or [1.0] * len(targets))
    return Slice(weight / weight.sum(), np.array(targets), np.array(outcomes))


def test_fewest_by_hand() -> None:
    """Four equal culprits and three yes-or-no readings take two; three skewed ones take the likely one out first."""
    assert fewest(slice_of([[0, 0, 1, 1], [0, 1, 0, 1], [0, 1, 1, 1]], [0, 1, 2, 3])) == pytest.approx(2.0)
    skewed = slice_of([[0, 1, 1], [0, 0, 1]], [0, 1, 2], [8.0, 1.0, 1.0])
    assert fewest(skewed) == pytest.approx(1.0 * 0.8 + 2.0 * 0.2)
    # two modes of one part need not be told apart
    assert fewest(slice_of([[0, 0, 1], [0, 1, 1]], [0, 0, 1])) == pytest.approx(1.0)
    # and what no reading tells apart is no reason to go on
    assert fewest(slice_of([[0, 0]], [0, 1])) == 0.0


def test_a_trap_for_one_step() -> None:
    """Where telling most at once leads astray, looking ahead finds the fewest."""
    rng = np.random.default_rng(5)
    worse = better = 0
    for _ in range(60):
        one = slice_of(rng.integers(0, 2, (8, 9)).tolist(), list(range(9)), rng.dirichlet(np.ones(9)).tolist())
        least = fewest(one)
        if least == 0.0:
            continue
        step, ahead = needed(one, by_gain), needed(one, by_lookahead)
        assert least <= ahead + 1e-9
        worse += ahead > step + 1e-9
        better += ahead < step - 1e-9
    assert better > 3 * worse


def test_readings_needed_on_a_shipped_board() -> None:
    """On slices of the single-switch cooktop the rule needs at most 2 % more readings than the fewest possible."""
    found = ratios(load_board("single-switch-cooktop"), 30, 2, by_lookahead)
    assert len(found) > 20
    assert min(found) >= 1.0 - 1e-9
    assert float(np.mean(found)) <= 1.02
    assert float(np.quantile(found, 0.99)) <= 1.15


def test_effort_after_a_reading() -> None:
    """The effort of a reading and what follows is that of the tree drawn by hand."""
    # A at cost 1 tells {0} from {1, 2}; B at cost 4 tells those two apart
    outcome = np.array([[0, 1, 1], [0, 0, 1]])
    weight, target = np.array([0.5, 0.25, 0.25]), np.array([0, 1, 2])
    ahead = Lookahead(outcome, [1.0, 4.0], weight, target)
    assert ahead.effort_after(0) == pytest.approx(1.0 + 0.5 * 4.0)
    assert ahead.effort_after(1) == pytest.approx(4.0 + 0.75 * 1.0)
    # after B the pair {0, 1} leaves 0 at two thirds: enough where 60 % are
    sure = Lookahead(outcome, [1.0, 4.0], weight, target, 0.6)
    assert sure.effort_after(1) == pytest.approx(4.0)
