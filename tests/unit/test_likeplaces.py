"""Readings that are taken in one go."""

from __future__ import annotations

import pytest

from bridge.board import load_board
from bridge.likeplaces import like_readings
from bridge.probing import Hold, Probing


def pairs(board: str, probing: Probing) -> set[tuple[str, str]]:
    """Return the leads of all readings that go with one."""
    return {(one.red, one.black) for one in like_readings(load_board(board), probing)}


def test_six_diodes_of_a_bridge() -> None:
    """The forward reading of one antiparallel diode brings the other five, the blocking one likewise."""
    forward = {("N", "U"), ("N", "V"), ("N", "W"), ("U", "P"), ("V", "P"), ("W", "P")}
    assert pairs("six-switch-bridge", Probing("N", "V")) == forward
    assert pairs("six-switch-bridge", Probing("V", "N")) == {(black, red) for red, black in forward}


def test_gates_and_held_switches() -> None:
    """A gate lead brings all gate leads, a held switch all switches held."""
    assert len(pairs("six-switch-bridge", Probing("G_UL", "E_UL", "ohms"))) == 6
    assert len(pairs("six-switch-bridge", Probing("P", "U", hold=(Hold("UH", 12.0),)))) == 6


def test_rectifier_and_inverter_are_not_mixed() -> None:
    """Diodes of another batch are another family."""
    rectifier = pairs("motor-drive", Probing("N", "L1"))
    assert ("N", "L3") in rectifier
    assert ("N", "U") not in rectifier


@pytest.mark.parametrize("probing", [Probing("N", "P"), Probing("U", "V"), Probing("N", "U", "ohms")])
def test_what_stands_alone(probing: Probing) -> None:
    """Minus to plus, phase to phase and another mode have no fellows."""
    assert like_readings(load_board("six-switch-bridge"), probing) == (probing,)
