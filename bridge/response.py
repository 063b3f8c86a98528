"""How solved points answer small currents: what one more fault would do there, and what a spread moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.newton import SLOPE_FLOOR_S, Newton
from bridge.points import Points
from bridge.solve import batch_size
from bridge.steering import solve_steered

__all__ = ["Response", "solve_response", "solve_transfer"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Response:
    """How a batch of solved points answers small currents.

    Parameters
    ----------
    transfer : ndarray, nodes x batch
        Move of the red lead with one ampere into each node [ohm]: a branch from a to b that carries dI more moves the
        reading by -(transfer[a] - transfer[b]) dI.
    port_ohms, port_lost : ndarray, edges x batch
        Resistance between the ends of each edge of the circuit's plan, its own conductance included, and what rounding
        may have added to it or taken away [ohm].
    ports_known : ndarray of bool, batch
        Columns whose port resistances hold: not those whose channels answer their gates.
    """

    transfer: Array
    port_ohms: Array
    port_lost: Array
    ports_known: NDArray[np.bool_]

    def take(self, columns: NDArray[np.intp]) -> Response:
        """Return the response of some columns."""
        return Response(
            self.transfer[:, columns], self.port_ohms[:, columns], self.port_lost[:, columns], self.ports_known[columns]
        )


def solve_response(circuit: Circuit, points: Points, voltage: Array, *, ports: bool = True) -> Response:
    """Return how solved points answer small currents.

    Parameters
    ----------
    circuit, points
        As for :func:`solve_points`.
    voltage : ndarray, nodes x batch
        A converged solution [V].
    ports : bool
        Whether resistances between neighbouring nodes are wanted too; without, there are none in the answer.
    """
    transfer: list[Array] = []
    port_ohms: list[tuple[Array, Array]] = []
    known = np.full(points.size, ports)
    batch = batch_size(circuit)
    for first in range(0, points.size, batch):
        columns = slice(first, first + batch)
        chunk = points.take(columns)
        state = Newton.at_rest(circuit, chunk, voltage[:, columns])
        _excess, edges, ground, steered = state.linearise()
        factors = state.plan.factor(edges, ground)
        unit = np.zeros_like(state.voltage)
        unit[chunk.red, state.columns] = 1.0
        transfer.append(solve_steered(circuit, factors, unit, steered, transposed=True))
        if ports:
            port_ohms.append(state.plan.port_ohms(factors))
        for one in steered:
            known[columns] &= np.abs(one.value) <= SLOPE_FLOOR_S
    no_node, no_edge = np.zeros((circuit.node_count, 0)), np.zeros((circuit.plan.edge_count, 0))
    ohms, lost = zip(*port_ohms, strict=True) if port_ohms else ((no_edge,), (no_edge,))
    return Response(
        np.concatenate(transfer, axis=1) if transfer else no_node,
        np.concatenate(ohms, axis=1),
        np.concatenate(lost, axis=1),
        known,
    )


def solve_transfer(circuit: Circuit, points: Points, voltage: Array) -> Array:
    """Return the voltage at every node with one ampere into each, points x nodes x nodes [ohm].

    Parameters
    ----------
    circuit, points
        As for :func:`solve_points`.
    voltage : ndarray, nodes x batch
        A converged solution [V].
    """
    count = circuit.node_count
    answer = np.empty((points.size, count, count))
    for point in range(points.size):
        state = Newton.at_rest(circuit, points.take(slice(point, point + 1)), voltage[:, point : point + 1])
        _excess, edges, ground, steered = state.linearise()
        wide = [np.repeat(table, count, axis=1) for table in (edges, ground)]
        factors = state.plan.factor(*wide)
        wide_steered = [one.repeat(count) for one in steered]
        answer[point] = solve_steered(circuit, factors, np.eye(count), wide_steered)
    return answer
