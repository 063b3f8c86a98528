"""Priors alone condemn nothing: some reading has to speak."""

from __future__ import annotations

import dataclasses

import pytest

from bridge.board import load_board
from bridge.health import speaks_against_health
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.ranking import Candidate, Fit, Ranking
from bridge.readings import Reading, parse_reading

BOARD, METER = load_board("six-switch-bridge"), load_meter()


def ranking(*readings: Reading) -> Ranking:
    """Return a ranking with the healthy board as only candidate."""
    return Ranking(BOARD, METER, Setup(), readings, Fit(True, None, 1.0, ""), (Candidate((), 1.0, 0),), (), (), ())


def reading(red: str, black: str, mode: str, text: str) -> Reading:
    """Return a reading as typed."""
    return parse_reading({"red": red, "black": black, "mode": mode, "reading": text}, BOARD, METER)


@pytest.mark.parametrize(
    ("one", "speaks"),
    [
        (("N", "U", "diode", "0.42"), False),
        (("N", "U", "diode", "0.36"), False),  # another batch, a warm board
        (("N", "U", "diode", "0.002"), True),
        (("N", "U", "diode", "OL"), True),
        (("U", "N", "diode", "OL"), False),
        (("U", "N", "diode", "0.002"), True),
        (("U", "N", "diode", "1.9 climbing"), False),
        (("G_UL", "E_UL", "ohms", "9.9k"), False),
        (("G_UL", "E_UL", "ohms", "28"), True),
        (("G_UL", "E_UL", "ohms", "OL"), True),
    ],
)
def test_readings_that_a_healthy_board_does_not_give(one: tuple[str, str, str, str], speaks: bool) -> None:
    """A short, an open diode and a wrong gate speak; spread between kinds of board and charging do not."""
    assert speaks_against_health(ranking(reading(*one))) is speaks


def test_a_doubted_reading_says_nothing() -> None:
    """What the technician doubts condemns nothing by itself."""
    short = reading("N", "U", "diode", "0.002")
    assert speaks_against_health(ranking(short))
    assert not speaks_against_health(ranking(dataclasses.replace(short, doubted=True)))


def test_without_the_healthy_board_something_has_spoken() -> None:
    """Where the healthy board is no candidate any more, it needs no single reading."""
    bare = dataclasses.replace(ranking(), candidates=())
    assert speaks_against_health(bare)
