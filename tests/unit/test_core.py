"""The main circuit alone reads what the whole board reads."""

from __future__ import annotations

import dataclasses
import random

import numpy as np
import pytest

from bridge.board import list_boards, load_board
from bridge.circuit import Circuit, build_circuit
from bridge.core import find_core
from bridge.damage import Change, change_of
from bridge.faults import list_faults, median_ohms
from bridge.instants import build_points
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.solve import solve_points
from bridge.variants import ChangeClasses
from tests.physics.benchboards import bare_bridge, diode, make_board, resistor, switch


def main_nodes(circuit: Circuit) -> list[int]:
    """Return the nodes of the main terminals."""
    return sorted({circuit.node(name) for name in circuit.board.main_terminals})


@pytest.mark.parametrize("name", list_boards())
def test_reads_as_the_whole_board(name: str) -> None:
    """For every change that leaves hanging networks hanging, main terminals read the same to a microvolt."""
    board, meter, rng = load_board(name), load_meter(), random.Random(name)
    circuit = build_circuit(board, Setup())
    faults = list_faults(board, list(circuit.parts))
    changes = [Change()]
    for fault in rng.sample(faults, min(40, len(faults))):
        changes.append(change_of(circuit, fault.part, fault.mode, median_ohms(board.parts[fault.part], fault.mode)))
    core = find_core(circuit, main_nodes(circuit), changes)
    assert core.safe[0]
    columns = [(rng.sample(board.main_terminals, 2), number) for number in np.flatnonzero(core.safe) for _ in range(3)]
    found = []
    for one, mine, number in ((circuit, changes, None), (core.circuit, core.changes, core.nodes)):
        shots = []
        for place, (leads, _) in enumerate(columns):
            red, black = (circuit.node(lead) for lead in leads)
            if number is not None:
                red, black = int(np.searchsorted(number, red)), int(np.searchsorted(number, black))
                assert number[red] == circuit.node(leads[0])
            (shot,) = plan_shots(circuit, meter, Probing(*leads), place)
            shots.append(dataclasses.replace(shot, red=red, black=black))
        classes = ChangeClasses(one, mine, list(range(len(mine))))
        which = np.arange(len(shots))
        points, _ = build_points(one, shots, which, classes, np.array([change for _, change in columns]))
        solution = solve_points(one, points)
        assert solution.converged.all()
        found.append(solution.voltage[points.red, which])
    assert found[1] == pytest.approx(found[0], abs=1e-6)
    assert np.ptp(found[0]) > 0.3


def test_leaves_out_what_hangs_on_one_node() -> None:
    """A network on one net goes, a path between two terminals through any number of parts stays."""
    hanging = resistor("R_1", "U", "X", 1e3) + resistor("R_2", "X", "Y", 1e3) + diode("D_1", "Y", "U")
    path = resistor("R_3", "U", "Z", 1e3) + diode("D_2", "Z", "N")
    circuit = build_circuit(make_board("P N U", bare_bridge("U"), hanging, path), Setup())
    core = find_core(circuit, main_nodes(circuit), [Change()])
    kept = {net for net, node in circuit.node_of_net.items() if node in core.nodes}
    assert kept == {"P", "N", "U", "Z"}


def test_a_fault_that_ties_a_hanging_network_is_not_safe() -> None:
    """A short from gate to collector brings the gate network in, one from gate to emitter does not."""
    board = make_board("C E", switch("L", "C", "E"), resistor("RGE_L", "G_L", "E", 1e4))
    circuit = build_circuit(board, Setup())
    changes = [change_of(circuit, "Q_L", mode, 1.0) for mode in ("gc-short", "ge-short", "ce-short")]
    core = find_core(circuit, main_nodes(circuit), changes)
    assert core.safe.tolist() == [False, True, True]


def test_six_switch_bridge_shrinks_to_its_legs() -> None:
    """Of the six-switch bridge the five main nets stay: 21 nodes become 5, each switch keeping its channel."""
    circuit = build_circuit(load_board("six-switch-bridge"), Setup())
    core = find_core(circuit, main_nodes(circuit), [Change()])
    kept = {net for net, node in circuit.node_of_net.items() if node in core.nodes}
    assert kept == {"P", "N", "U", "V", "W"}
    assert len(core.circuit.channel_high) == 6
