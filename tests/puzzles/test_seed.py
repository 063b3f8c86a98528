"""Where no seed is asked for, nobody can make the class's set at home."""

from __future__ import annotations

from bridge.options import BenchOptions
from bridge.puzzleorder import SEEDS, parse_order


def test_without_a_seed_every_order_has_its_own() -> None:
    """Twenty orders typed alike have twenty seeds; the one that is typed is kept, zero as well."""
    seeds = {parse_order("drive-module", BenchOptions()).seed for _ in range(20)}
    assert len(seeds) == 20
    assert all(0 <= seed < SEEDS for seed in seeds)
    assert [parse_order("drive-module", BenchOptions(), seed=seed).seed for seed in (0, 7)] == [0, 7]
