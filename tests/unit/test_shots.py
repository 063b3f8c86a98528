"""A held gate is found by its switch's position, whatever the board file calls the switch."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bridge.board import Board, load_board, parse_board
from bridge.circuit import build_circuit
from bridge.errors import InputError
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.shots import Shot, ShotArrays, plan_shots
from tests.conftest import Outcome
from tests.crosscheck.netlist import write_board
from tests.physics.benchboards import diode, make_board, part, resistor

LEG = (("T1", "UH", "P", "U"), ("T2", "UL_1", "U", "N"), ("T3", "UL_2", "U", "N"))


def own_leg() -> str:
    """Return the file of a leg, its lower switch two in parallel, with designators of somebody's own."""
    lines = ['name = "own"', 'title = "Own"']
    lines += [f'[[terminal]]\nname = "{net}"\nwhat = "{net}"\naccess = "terminal"' for net in "PUN"]
    for ref, position, high, low in LEG:
        pins = {"collector": high, "emitter": low, "gate": f"g{ref}"}
        lines += [part(ref, "igbt", pins, gate_threshold=5.0, position=position), diode(f"V{ref}", low, high)]
    return "\n".join(lines)


def held(board: Board, position: str) -> set[str]:
    """Return the switches whose gates are held."""
    circuit = build_circuit(board, Setup())
    probing = Probing("P", "N", "diode", None, (Hold(position, 12.0),))
    (shot,) = plan_shots(circuit, load_meter(), probing, 0)
    return {ref for ref, row in circuit.hold_rows.items() if row in {row for row, _, _ in shot.holds}}


@pytest.mark.parametrize(
    ("position", "refs"), [("UH", {"T1"}), ("UL", {"T2", "T3"}), ("UL_1", {"T2"}), ("UL_2", {"T3"})]
)
def test_designators_of_ones_own(position: str, refs: set[str]) -> None:
    """The switches at a position are held, parallel ones together or singly; the simulator's netlist holds as many."""
    board = parse_board(own_leg(), "own.toml")
    assert held(board, position) == refs
    lines = write_board(board, Setup(), holds=(Hold(position, 12.0),)).lines
    assert len(lines) - len(write_board(board, Setup()).lines) == 2 * len(refs)  # a source and its resistor each


def test_shipped_parallel_switches() -> None:
    """On a shipped board a position holds both its parallel gates, and no other position's."""
    board = load_board("full-bridge-welder")
    assert held(board, "AH") == {"Q_AH_1", "Q_AH_2"}
    assert held(board, "AH_2") == {"Q_AH_2"}


def test_no_such_position() -> None:
    """A position the board does not have is refused, and those it has are named, not the designators."""
    with pytest.raises(InputError, match="no switch at position 'T1' to hold; accepted: UH UL_1 UL_2"):
        held(parse_board(own_leg(), "own.toml"), "T1")


def test_commands_on_such_a_board(tmp_path: Path, process: Callable[..., Outcome]) -> None:
    """Advice and coverage, which think of held gates by themselves, answer on such a board."""
    (tmp_path / "own.toml").write_text(own_leg(), "utf-8")
    (tmp_path / "r.csv").write_text("red,black,mode,reading\nP,U,diode,OL\nU,P,diode,0.42\n", "utf-8")
    advice = process("next", "./own.toml", "r.csv", "--json")
    assert (advice.status, advice.err) == (0, "")
    assert json.loads(advice.out)["readings"]
    cover = process("cover", "./own.toml", "--json")
    assert (cover.status, cover.err) == (0, "")


def test_a_voltmeter_drives_nothing() -> None:
    """Across 10 Mohm with no charge, as much as a voltmeter has itself, it shows zero."""
    (shown,) = forecast(
        make_board("A K", resistor("R_1", "A", "K", 10e6)), load_meter(), Setup(), [Probing("A", "K", "volts")]
    )
    assert shown.value == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("jack", [0.1, 0.5, 1.5, 2.5])
def test_slope_of_a_range_behind_a_resistor(jack: float) -> None:
    """Behind 1 kohm and 3 V the display is R = 1 kohm v/(3 V - v): dR/dv = 1 kohm 3 V/(3 V - v)^2."""
    arrays = ShotArrays.of([Shot(0, "cell", 0, 1, 0.0, 3.0, 1000.2, 0.2, "ohm", 1e6, ())])
    value, slope = arrays.display(np.zeros(1, dtype=np.intp), np.array([jack]))
    assert value == pytest.approx([1e3 * jack / (3.0 - jack)], rel=1e-9)
    assert slope == pytest.approx([1e3 * 3.0 / (3.0 - jack) ** 2], rel=1e-9)
