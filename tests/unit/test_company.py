"""Two faults that show nothing by themselves, together: told in closed form, against solving and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.circuit import build_circuit
from bridge.damage import Change, change_of
from bridge.meter import load_meter
from bridge.predict import UNKNOWN, CellSolver
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.variants import ChangeClasses
from tests.physics.benchboards import diode, make_board, resistor


def cells_of(parts: list[str], nets: str, probing: Probing, faults: list[tuple[str, str, float | None]]) -> CellSolver:
    """Return the answers of a board with all its faults as members of pairs."""
    circuit = build_circuit(make_board(nets, *parts), Setup())
    classes = ChangeClasses(circuit, [Change(), *(change_of(circuit, *fault) for fault in faults)])
    shots = plan_shots(circuit, load_meter(), probing, 0)
    return CellSolver(circuit, shots, classes, np.arange(1, classes.size))


def pair(cells: CellSolver) -> tuple[bool, float]:
    """Return whether the first two members' pair is known without a solve, and what it reads."""
    one, other = np.array([0]), np.array([1])
    _, end = cells.known(0, one, other)
    _, solved = cells.complete(0, one, other)
    return bool(end[0] != UNKNOWN), float(cells.answers.value[solved[0]])


def test_two_shorts_in_series_show_together() -> None:
    """Each of two 100 megohm resistors beside a diode may be shorted unseen; both together short the diode.

    By hand: 1 mA through 0.2 ohm and 0.2 ohm of leads is 0.0004 V.
    """
    parts = [diode("D_1", "A", "K"), resistor("R_1", "A", "M", 1e8), resistor("R_2", "M", "K", 1e8)]
    cells = cells_of(parts, "A K M", Probing("A", "K"), [("R_1", "short", 0.1), ("R_2", "short", 0.1)])
    alone = cells.answers.value[cells.single_end[0]]
    assert alone == pytest.approx(alone[0], abs=2e-5)
    _, together = pair(cells)
    assert together == pytest.approx(4e-4, abs=1e-6)


def test_shorts_apart_need_no_solve() -> None:
    """Two shorts across parts of one idle network that do not meet are known to show nothing."""
    parts = [
        diode("D_1", "A", "K"),
        *(resistor(f"R_{side}1", net, f"M{side}", 1e8) for side, net in (("a", "A"), ("k", "K"))),
        *(resistor(f"R_{side}2", f"M{side}", f"Q{side}", 1e8) for side in "ak"),
    ]
    faults = [("R_a2", "short", 0.1), ("R_k2", "short", 0.1)]
    cells = cells_of(parts, "A K Ma Mk Qa Qk", Probing("A", "K"), faults)
    known, together = pair(cells)
    assert known
    assert together == pytest.approx(cells.answers.value[cells.single_end[0, 0]], abs=1e-6)
