"""The shipped class set, and the key of a damage pattern, made beforehand, so that a test need not make puzzles."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from _pytest.mark import ParameterSet

from bridge.puzzlefile import Key, parse_key
from bridge.puzzleset import load_keys
from tests.conftest import ROOT

FOLDER = ROOT / "examples" / "class-set"
# puzzle make six-switch-bridge --plant pattern --seed 1, of which it is the first
PATTERN_KEY = Path(__file__).parent / "pattern-key.json"

FEW = 3  # of the set in the quick tests, all of it in the slow ones


@cache
def shipped_keys() -> tuple[Key, ...]:
    """Return the keys of the shipped class set."""
    return tuple(load_keys(str(FOLDER)))


@cache
def pattern_key() -> Key:
    """Return the key of a board with three faults that go together."""
    return parse_key(PATTERN_KEY.read_bytes(), PATTERN_KEY.name)


def each_key() -> list[ParameterSet]:
    """Return the keys as parameters of a test, all but a few of them for the slow tests."""
    return [
        pytest.param(key, id=str(key.puzzle.number), marks=[pytest.mark.slow] if place >= FEW else [])
        for place, key in enumerate(shipped_keys())
    ]
