"""The shipped class set, as tests use it: made beforehand, so that a test need not make puzzles."""

from __future__ import annotations

from functools import cache

import pytest
from _pytest.mark import ParameterSet

from bridge.puzzlefile import Key
from bridge.puzzleset import load_keys
from tests.conftest import ROOT

FOLDER = ROOT / "examples" / "class-set"


FEW = 3  # of the set in the quick tests, all of it in the slow ones


@cache
def shipped_keys() -> tuple[Key, ...]:
    """Return the keys of the shipped class set."""
    return tuple(load_keys(str(FOLDER)))


def each_key() -> list[ParameterSet]:
    """Return the keys as parameters of a test, all but a few of them for the slow tests."""
    return [
        pytest.param(key, id=str(key.puzzle.number), marks=[pytest.mark.slow] if place >= FEW else [])
        for place, key in enumerate(shipped_keys())
    ]
