"""Rows of products added where several share a target, against numpy's own unbuffered addition."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.rowsum import RowSum


@pytest.mark.parametrize("targets", [[], [3], [0, 1, 2], [2, 2, 2, 2], [4, 0, 4, 1, 4, 0, 3], list(range(9)) * 3])
def test_against_numpy(targets: list[int]) -> None:
    """Every product lands on its target, whatever shares it, and nothing else moves."""
    rng = np.random.default_rng(len(targets))
    table = rng.normal(size=(10, 6))
    products = rng.normal(size=(len(targets), 6))
    expected = table.copy()
    np.add.at(expected, np.array(targets, dtype=np.intp), products)
    pattern = RowSum(targets)
    assert sorted(pattern.order.tolist()) == list(range(len(targets)))
    pattern.add(table, products[pattern.order])
    assert table == pytest.approx(expected, rel=1e-12, abs=1e-14)
