"""``bridgefault cover`` answers in words and in JSON."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from tests.conftest import Outcome


@pytest.mark.slow
def test_words(command: Callable[..., Outcome]) -> None:
    """The four efforts, the groups and what never shows."""
    outcome = command("cover", "single-switch-cooktop")
    assert (outcome.status, outcome.err) == (0, "")
    for words in ("main terminals alone", "held gates as well", "one pin lifted as well", "Never shows in place"):
        assert words in outcome.out


def test_json(command: Callable[..., Outcome]) -> None:
    """The same for programs, with shares from 0 to 1."""
    answer = json.loads(command("cover", "drive-module", "--json").out)
    assert answer["board"] == "drive-module"
    assert [tier["effort"] for tier in answer["tiers"]] == ["terminals", "gates", "holds", "lift"]
    assert all(0.0 <= tier["shows_share"] <= 1.0 + 1e-9 for tier in answer["tiers"])


@pytest.mark.slow
def test_a_meter_that_drives_less_tells_less(command: Callable[..., Outcome]) -> None:
    """With the moving-needle meter, other faults show; the answer depends on the meter asked for."""
    usual = json.loads(command("cover", "drive-module", "--json").out)
    needle = json.loads(command("cover", "drive-module", "--meter", "moving-needle", "--json").out)
    assert usual["tiers"] != needle["tiers"]
