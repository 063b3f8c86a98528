"""Elimination against textbook answers and against a library's linear solver."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from bridge.elimination import EliminationPlan

ROUNDING = 1e-12  # a few hundred operations of 1e-16 each, none of which cancels


def solve_network(
    nodes: int, edges: list[tuple[int, int]], siemens: np.ndarray, ground: np.ndarray, currents: np.ndarray
) -> np.ndarray:
    """Return node voltages of a batch of networks, nodes x batch; all arguments are left as they are."""
    plan = EliminationPlan(nodes, edges)
    table = np.zeros((plan.edge_count, siemens.shape[1]))
    for (a, b), row in zip(edges, siemens, strict=True):
        table[plan.edge(a, b)] += row
    return plan.solve(plan.factor(table, ground.copy()), currents.copy())


def laplacian(nodes: int, edges: list[tuple[int, int]], siemens: np.ndarray, ground: np.ndarray) -> np.ndarray:
    """Return the conductance matrix of one network."""
    matrix = np.diag(ground)
    for (a, b), value in zip(edges, siemens, strict=True):
        matrix[[a, b], [a, b]] += value
        matrix[[a, b], [b, a]] -= value
    return matrix


def random_graph(rng: np.random.Generator, nodes: int) -> list[tuple[int, int]]:
    """Return a tree with some edges more, none twice."""
    edges = {(int(rng.integers(node)), node) for node in range(1, nodes)}
    while len(edges) < min(2 * nodes, nodes * (nodes - 1) // 2):
        a, b = sorted(rng.choice(nodes, 2, replace=False).tolist())
        edges.add((a, b))
    return sorted(edges)


@pytest.mark.parametrize("nodes", [2, 3, 7, 20, 45])
def test_against_a_linear_solver(nodes: int) -> None:
    """On random networks of like conductances node voltages are those of a dense linear solver."""
    rng = np.random.default_rng(nodes)
    edges = random_graph(rng, nodes)
    siemens = 10.0 ** rng.uniform(-2.0, 2.0, (len(edges), 6))
    ground = np.zeros((nodes, 6))
    ground[rng.integers(nodes, size=6), np.arange(6)] = 1.0
    currents = rng.normal(size=(nodes, 6))
    found = solve_network(nodes, edges, siemens, ground, currents)
    for column in range(6):
        matrix = laplacian(nodes, edges, siemens[:, column], ground[:, column])
        expected = np.linalg.solve(matrix, currents[:, column])
        assert found[:, column] == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_ladder_from_femtosiemens_to_bond_wires() -> None:
    """Down a chain of 1e-15 to 1e4 S the voltages are sums of I R to rounding, in whatever order nodes are numbered."""
    rng = np.random.default_rng(1)
    decades = np.arange(-15, 5)
    for _ in range(20):
        ohms = 1.0 / (rng.uniform(1.0, 9.9, len(decades)) * 10.0 ** rng.permutation(decades))
        order = rng.permutation(len(ohms))
        # node k of the chain hangs on k - 1 through ohms[k]; the first on the reference
        edges = [(int(order[k - 1]), int(order[k])) for k in range(1, len(ohms))]
        ground = np.zeros((len(ohms), 1))
        ground[order[0], 0] = 1.0 / ohms[0]
        currents = np.zeros((len(ohms), 1))
        currents[order[-1], 0] = 1e-3
        found = solve_network(len(ohms), edges, 1.0 / ohms[1:, None], ground, currents)
        assert found[order, 0] == pytest.approx(1e-3 * np.cumsum(ohms), rel=ROUNDING)


def test_small_voltage_between_two_nodes_that_float() -> None:
    """Two nodes joined by 1e4 S and tied to the rest by 1e-15 S keep their common voltage.

    1 pA goes in at one end and leaves through 1e-15 S at the other: 1000 V for both. A matrix that holds sums of
    conductances has lost 1e-15 S in the rounding of 1e4 S.
    """
    edges, siemens = [(0, 1)], np.array([[1e4]])
    ground, currents = np.array([[0.0], [1e-15]]), np.array([[1e-12], [0.0]])
    found = solve_network(2, edges, siemens, ground, currents)
    assert found[1, 0] == pytest.approx(1000.0, rel=ROUNDING)
    assert found[0, 0] == pytest.approx(1000.0, rel=ROUNDING)


def test_parallel_networks_of_any_size() -> None:
    """A star of legs, each 1 S behind 10^k S, is the sum of its series conductances, from k = -15 to 4."""
    small = 10.0 ** np.arange(-15, 5, dtype=float)
    legs = len(small)
    # node 0 is the star; leg k has an inner node with 1 S to the star and small[k] to the reference
    edges = [(0, 1 + leg) for leg in range(legs)]
    ground = np.concatenate([[0.0], small])[:, None]
    currents = np.zeros((1 + legs, 1))
    currents[0] = 1.0
    found = solve_network(1 + legs, edges, np.ones((legs, 1)), ground, currents)
    together = np.sum(small / (1.0 + small))
    assert found[0, 0] == pytest.approx(1.0 / together, rel=ROUNDING)
    # the divider of each leg
    assert found[1:, 0] == pytest.approx(found[0, 0] / (1.0 + small), rel=ROUNDING)


def test_widely_spread_random_networks_by_construction() -> None:
    """With conductances over 19 decades and voltages chosen first, the currents they need bring the voltages back.

    All voltages of one sign and a resistor from each node to the reference: the currents then hardly cancel, so the
    right side is as exact as the answer is asked to be.
    """
    rng = np.random.default_rng(3)
    for _ in range(30):
        nodes = int(rng.integers(2, 12))
        edges = random_graph(rng, nodes)
        siemens = 10.0 ** rng.uniform(-15.0, 4.0, len(edges))
        ground = np.zeros(nodes)
        ground[0] = 10.0 ** rng.uniform(-15.0, 4.0)
        source = int(rng.integers(nodes))
        currents = np.zeros((nodes, 1))
        currents[source] = 1.0
        found = solve_network(nodes, edges, siemens[:, None], ground[:, None], currents)[:, 0]
        # all current must leave through the one resistor to the reference
        assert ground[0] * found[0] == pytest.approx(1.0, rel=ROUNDING)
        # no node lies above the source or below the outlet, and every flow is downhill
        assert np.max(found) == pytest.approx(found[source], rel=ROUNDING)
        assert np.min(found) == pytest.approx(found[0], rel=ROUNDING)


def test_reciprocity() -> None:
    """What a current into one node does at another is what the same current there does here."""
    rng = np.random.default_rng(4)
    nodes, edges = 15, random_graph(rng, 15)
    siemens = np.repeat(10.0 ** rng.uniform(-12.0, 3.0, (len(edges), 1)), nodes, axis=1)
    ground = np.zeros((nodes, nodes))
    ground[7] = 1e-3
    transfer = solve_network(nodes, edges, siemens, ground, np.eye(nodes))
    assert transfer == pytest.approx(transfer.T, rel=1e-10)


def test_islands() -> None:
    """Islands do not feel each other: each answers as it would alone."""
    edges = [(0, 1), (2, 3)]
    siemens, ground = np.array([[2.0], [4.0]]), np.array([[1.0], [0.0], [0.0], [5.0]])
    found = solve_network(4, edges, siemens, ground, np.array([[0.0], [1.0], [1.0], [0.0]]))
    # 1 A through 1/2 + 1 ohm, and through 1/4 + 1/5 ohm
    assert found[:, 0] == pytest.approx([1.0, 1.5, 0.45, 0.2], rel=ROUNDING)


def test_node_without_any_conductance() -> None:
    """A node that nothing is tied to reports no voltage and disturbs nobody, in its own column alone."""
    edges = [(0, 1), (1, 2)]
    siemens = np.array([[1.0, 1.0], [0.0, 1.0]])
    ground = np.array([[1.0, 1.0], [0.0, 0.0], [0.0, 0.0]])
    found = solve_network(3, edges, siemens, ground, np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    assert found[:, 0] == pytest.approx([1.0, 2.0, 0.0], rel=ROUNDING)
    assert found[:, 1] == pytest.approx([1.0, 2.0, 3.0], rel=ROUNDING)


def test_columns_are_independent() -> None:
    """A column of a batch reads the same, bit by bit, alone and in company."""
    rng = np.random.default_rng(6)
    edges = random_graph(rng, 12)
    siemens = 10.0 ** rng.uniform(-9.0, 3.0, (len(edges), 8))
    ground = np.zeros((12, 8))
    ground[0] = 1.0
    currents = rng.normal(size=(12, 8))
    together = solve_network(12, edges, siemens, ground, currents)
    for column in range(8):
        part = slice(column, column + 1)
        alone = solve_network(12, edges, siemens[:, part], ground[:, part], currents[:, part])
        assert np.array_equal(alone[:, 0], together[:, column])


def test_factors_serve_many_right_sides() -> None:
    """One factorisation answers any number of currents: twice the current, twice the voltage."""
    rng = np.random.default_rng(8)
    edges = random_graph(rng, 9)
    plan = EliminationPlan(9, edges)
    table = np.zeros((plan.edge_count, 1))
    for a, b in edges:
        table[plan.edge(a, b)] = rng.uniform(0.1, 9.0)
    ground = np.zeros((9, 1))
    ground[2] = 1.0
    factors = plan.factor(table, ground)
    current = rng.normal(size=(9, 1))
    once, twice = plan.solve(factors, current.copy()), plan.solve(factors, 2.0 * current)
    assert twice == pytest.approx(2.0 * once, rel=1e-12)
    assert np.max(np.abs(once)) > 0.01


def test_edges_are_found_either_way_round() -> None:
    """An edge has one row, whichever end is named first, and loops of a node onto itself have none."""
    plan = EliminationPlan(3, [(0, 1), (1, 0), (2, 2), (1, 2)])
    assert plan.edge(0, 1) == plan.edge(1, 0)
    assert plan.edge_count == 2
    assert sorted(map(sorted, plan.ends.tolist())) == [[0, 1], [1, 2]]


def test_port_resistance_is_the_librarys_resistance_distance() -> None:
    """The resistance between the ends of every edge is what networkx makes of the same network.

    Source: Klein & Randic, J. Math. Chem. 12 (1993) 81, as `networkx.resistance_distance` computes it.
    """
    rng = np.random.default_rng(9)
    for nodes in (2, 3, 8, 20):
        edges = random_graph(rng, nodes)
        siemens = 10.0 ** rng.uniform(-3.0, 3.0, len(edges))
        graph = nx.Graph()
        plan = EliminationPlan(nodes, edges)
        table, ground = np.zeros((plan.edge_count, 1)), np.zeros((nodes, 1))
        for (a, b), value in zip(edges, siemens.tolist(), strict=True):
            table[plan.edge(a, b)] += value
            graph.add_edge(a, b, conductance=value)
        ground[int(rng.integers(nodes))] = 7.0  # the reference is one more resistor that carries nothing
        found, _lost = plan.port_ohms(plan.factor(table, ground))
        for a, b in edges:
            expected = nx.resistance_distance(graph, a, b, weight="conductance", invert_weight=False)
            assert found[plan.edge(a, b), 0] == pytest.approx(expected, rel=1e-9)


def test_port_resistance_says_what_rounding_takes() -> None:
    """Far from the reference a port's resistance is known within what is said to be lost: 10 ohm behind 1 POhm."""
    plan = EliminationPlan(3, [(0, 1), (1, 2)])
    table, ground = np.zeros((2, 1)), np.array([[1e9], [0.0], [0.0]])
    table[plan.edge(0, 1)], table[plan.edge(1, 2)] = 1e-15, 0.1
    found, lost = plan.port_ohms(plan.factor(table, ground))
    near, far = plan.edge(1, 2), plan.edge(0, 1)
    assert abs(found[near, 0] - 10.0) <= lost[near, 0]
    assert 0.1 < lost[near, 0] < 100.0
    assert found[far, 0] == pytest.approx(1e15, rel=1e-9)
