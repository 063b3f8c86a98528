"""Whether a further fault moves a reading: told without a solve, against solving."""

from __future__ import annotations

import random

import numpy as np
import pytest

from bridge.board import list_boards, load_board
from bridge.circuit import build_circuit
from bridge.damage import Change, change_of
from bridge.effects import NO_EFFECT, EffectTest
from bridge.faults import list_faults, severity_nodes
from bridge.instants import build_points
from bridge.meter import load_meter
from bridge.points import full_scale_amps
from bridge.probing import Probing, Setup
from bridge.response import solve_response
from bridge.shots import displayed, plan_shots
from bridge.solve import solve_points
from bridge.variants import ChangeClasses
from tests.physics.benchboards import capacitor, diode, make_board, resistor, switch


class TestEffects:
    """What the test without a solve says, against solving."""

    @pytest.mark.parametrize("name", list_boards())
    def test_no_effect_is_none(self, name: str) -> None:
        """A class said to be without effect on a solved reading does not move it by more than 2 uV or 1e-5."""
        board, meter, rng = load_board(name), load_meter(), random.Random(name)
        circuit = build_circuit(board, Setup())
        changes, faults = [Change()], list_faults(board, list(circuit.parts))
        for fault in rng.sample(faults, min(30, len(faults))):
            nodes = severity_nodes(board.parts[fault.part], fault.mode)
            changes.append(change_of(circuit, fault.part, fault.mode, rng.choice(nodes).ohms if nodes else None))
        classes = ChangeClasses(circuit, changes)
        leads = [rng.sample(board.main_terminals, 2) for _ in range(8)]
        probings = [Probing(*pair) for pair in leads] + [Probing(*pair, "ohms") for pair in board.gate_leads[:2]]
        shots = [
            shot for number, probing in enumerate(probings) for shot in plan_shots(circuit, meter, probing, number)
        ]
        shot, nobody = np.arange(len(shots)), np.zeros(len(shots), dtype=np.intp)
        points, _ = build_points(circuit, shots, shot, classes, nobody)
        voltage = solve_points(circuit, points).voltage
        response = solve_response(circuit, points, voltage)
        grades = EffectTest(circuit, classes).grades(points, voltage, response, full_scale_amps(points))
        assert np.all(grades[0] == NO_EFFECT)
        which, column = np.nonzero(grades == NO_EFFECT)
        damaged, _ = build_points(circuit, shots, column, classes, which)
        solution = solve_points(circuit, damaged, voltage[:, column])
        good = solution.converged
        assert np.count_nonzero(good) >= 0.99 * len(good)
        before, after = (
            displayed(shots, column, state[damaged.red, np.arange(len(column))])
            for state in (voltage[:, column], solution.voltage)
        )
        per_volt = np.array([1.0 / one.amps if one.unit == "ohm" else 1.0 for one in shots])[column]
        with np.errstate(invalid="ignore"):
            moved = np.abs(after - before) > np.maximum(2e-6 * per_volt, 1e-5 * np.abs(before))
        # a display that the smallest step takes over its limit is no effect either
        assert not np.any(moved & good & np.isfinite(before) & np.isfinite(after))
        assert np.array_equal(np.isfinite(before[good]), np.isfinite(after[good]))
        # the test is worth something only if it sees effects, too
        assert 0.02 < np.mean(grades != NO_EFFECT) < 0.9

    def test_by_hand(self) -> None:
        """Beside a resistor that carries the reading, a branch without voltage does nothing and one across it much."""
        board = make_board(
            "A K B",
            resistor("R_1", "A", "K", 100.0),
            resistor("R_2", "K", "B", 100.0) + diode("D_1", "B", "K") + capacitor("C_1", "K", "B", 1e-6),
            switch("X", "K", "B"),
        )
        circuit = build_circuit(board, Setup())
        faults = (("R_2", "open", None), ("D_1", "short", 0.1), ("Q_X", "ce-short", 0.1), ("R_1", "short", 0.1))
        classes = ChangeClasses(circuit, [Change(), *(change_of(circuit, *fault) for fault in faults)])
        shots = plan_shots(circuit, load_meter(), Probing("A", "K"), 0)
        nobody = np.zeros(1, dtype=np.intp)
        points, _ = build_points(circuit, shots, nobody, classes, nobody)
        voltage = solve_points(circuit, points).voltage
        response = solve_response(circuit, points, voltage)
        grades = EffectTest(circuit, classes).grades(points, voltage, response, full_scale_amps(points))[:, 0]
        assert (grades[classes.class_of] > NO_EFFECT).tolist() == [False, False, False, False, True]
