"""What a fault changes is written down for every mode of every kind; what is not is named."""

from __future__ import annotations

import pytest

from bridge.board import load_board
from bridge.circuit import build_circuit
from bridge.damage import Change, change_of
from bridge.probing import Setup

CIRCUIT = build_circuit(load_board("motor-drive"), Setup())


def test_every_mode_changes_something() -> None:
    """No mode of a shipped board's parts leaves the circuit as it is."""
    changes = [change_of(CIRCUIT, ref, mode, 1.0) for ref, part in CIRCUIT.parts.items() for mode in part.modes]
    assert len(changes) > 100
    assert Change() not in changes


@pytest.mark.parametrize(
    ("kind", "mode"),
    [
        ("resistor", "drift"),
        ("diode", "drift"),
        ("relay", "drift"),
        ("capacitor", "drift"),
        ("driver", "drift"),
        ("igbt", "drift"),
        ("insulation", "high"),
        ("varistor", "open"),
    ],
)
def test_a_mode_without_a_change_is_named(kind: str, mode: str) -> None:
    """A mode or branch that the damage does not know names kind, mode and the step of the recipe that was left out."""
    ref = next(part.ref for part in CIRCUIT.parts.values() if part.kind == kind)
    with pytest.raises(AssertionError, match=f"the mode {mode} changes in a part of kind {kind} .* step 3 of 'How to"):
        change_of(CIRCUIT, ref, mode, 1.0)
