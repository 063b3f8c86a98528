"""Making safe: where to measure, how long to wait, in what words."""

from __future__ import annotations

import math

import pytest

from bridge.board import list_boards, load_board
from bridge.makesafe import fall_seconds, making_safe, safe_points, seconds_words, waits


@pytest.mark.parametrize(
    ("farads", "start", "ohms", "end", "seconds"),
    [
        # worked out by hand: R C ln(V0/V)
        (2000e-6, 800.0, 100e3, 60.0, 518.0),
        (2000e-6, 800.0, 100e3, 50.0, 554.5),
        (470e-6, 325.0, 47e3, 60.0, 37.3),
        (5e-6, 325.0, 330e3, 60.0, 2.79),
    ],
)
def test_falls_against_hand_figures(farads: float, start: float, ohms: float, end: float, seconds: float) -> None:
    """A capacitor falls through its resistor as V0 exp(-t/RC) says."""
    assert fall_seconds(farads, ohms, start, end) == pytest.approx(seconds, rel=2e-3)


def test_an_empty_capacitor_does_not_wait() -> None:
    """Below the limit there is nothing to wait for."""
    assert fall_seconds(1.0, 1.0, 40.0, 60.0) == 0.0


def test_series_capacitors_are_measured_each() -> None:
    """Bus, ahead of the precharge resistor, and both halves of a divided bus."""
    assert [(point.red, point.black) for point in safe_points(load_board("motor-drive"))] == [
        ("P", "N"),
        ("PR", "N"),
        ("P", "NP"),
        ("NP", "N"),
    ]


def test_resonant_capacitors_are_measured_too() -> None:
    """0.33 uF at 325 V holds 107 uC, above the 60 uC that are exempt: it is measured; 15 nF is not."""
    named = " ".join(point.what for point in safe_points(load_board("half-bridge-cooktop")))
    assert "resonant" in named
    assert "snubber" not in named
    assert "driver" not in named


def test_halves_of_a_bus_hold_half() -> None:
    """Each half of a divided bus starts from half the peak of 400 V mains: 283 V."""
    halves = waits(load_board("motor-drive"))
    assert [wait.capacitor for wait in halves] == ["C_BUS_H", "C_BUS_L"]
    assert [wait.start_volts for wait in halves] == pytest.approx([400.0 * math.sqrt(2.0) / 2.0] * 2)
    assert [wait.bleeders for wait in halves] == [("R_BLEED_H",), ("R_BLEED_L",)]


def test_times_in_words_are_never_too_short() -> None:
    """A time is rounded up: nobody is sent to the board early."""
    assert [seconds_words(value) for value in (2.2, 59.5, 61.0, 158.0, 600.0, 601.0)] == [
        "3 s",
        "60 s",
        "1 min 10 s",
        "2 min 40 s",
        "10 min",
        "11 min",
    ]


@pytest.mark.parametrize("name", list_boards())
def test_every_board_says_the_essentials(name: str) -> None:
    """On every board: no blade, a resistor, measure, the limit with its standard, and who has the last word."""
    text = " ".join(making_safe(load_board(name)))
    for words in ("through a resistor", "never with a blade", "easure", "60 V", "IEC 60204-1", "local code"):
        assert words in text
    if waits(load_board(name)):
        assert "makes any computed wait false" in text


def test_gates_without_pull_down_are_tied_first() -> None:
    """A bare module's gates may hold charge; those of a board with pull-downs do not."""
    assert "tie each gate" in " ".join(making_safe(load_board("drive-module")))
    assert "tie each gate" not in " ".join(making_safe(load_board("six-switch-bridge")))
