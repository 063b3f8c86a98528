"""Gates that steer their channels: a low-rank correction to an elimination that knows conductances only.

References
----------
Woodbury's identity: Hager, SIAM Rev. 31 (1989) 221.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.elimination import Factors

__all__ = ["Steering", "follows_collector", "solve_steered"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Steering:
    """How one channel's current answers to its gate, in every column of a batch.

    Parameters
    ----------
    row : int
        The channel.
    siemens : ndarray, batch
        Slope of its current against the gate voltage [S].
    follows : ndarray, batch
        1 where the gate hangs on the collector. There the slope counts as a conductance from collector to emitter, and
        only what the gate departs from the collector is left to correct: with nothing else on the emitter a correction
        against the emitter would be the difference of two numbers a million times larger than itself.
    """

    row: int
    siemens: Array
    follows: Array

    def take(self, columns: NDArray[np.intp]) -> Steering:
        """Return some columns."""
        return Steering(self.row, self.siemens[columns], self.follows[columns])

    def repeat(self, count: int) -> Steering:
        """Return every column so many times."""
        return Steering(self.row, np.repeat(self.siemens, count), np.repeat(self.follows, count))

    @property
    def as_conductance(self) -> Array:
        """What the elimination is given between collector and emitter [S]."""
        answer: Array = self.siemens * self.follows
        return answer


def follows_collector(circuit: Circuit, row: int, siemens: Array, edges: Array) -> Array:
    """Return 1 where the gate of a channel hangs on its collector more than on its emitter, else 0.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    row : int
        The channel.
    siemens : ndarray, batch
        Slope of its current against the gate voltage [S]; a negative one is no conductance.
    edges : ndarray, edges x batch
        Linear conductance between neighbouring nodes [S].
    """
    gate, high, low = (int(one[row]) for one in (circuit.channel_gate, circuit.channel_high, circuit.channel_low))
    to_high, to_low = (
        edges[circuit.plan.edge(gate, end)] if circuit.plan.has_edge(gate, end) else np.zeros(len(siemens))
        for end in (high, low)
    )
    return np.where((siemens > 0.0) & (to_high > to_low), 1.0, 0.0)


def solve_steered(
    circuit: Circuit, factors: Factors, currents: Array, steerings: Sequence[Steering], *, transposed: bool = False
) -> Array:
    """Return the voltages [V] that answer currents into the nodes, the gates' steering included.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    factors : Factors
        Of all conductances, those of ``Steering.as_conductance`` among them.
    currents : ndarray, nodes x batch
        Current into each node [A]; overwritten.
    steerings : sequence of Steering
        The channels whose gates count.
    transposed : bool
        Whether to solve with the transpose, for what each node's current would do to one voltage.

    Notes
    -----
    The Jacobian is S + sum u gm w^T with u = high - low and w = gate - low, or gate - high where the gate follows the
    collector; its transpose exchanges u and w.
    """
    answer = circuit.plan.solve(factors, currents)
    if not steerings:
        return answer
    count = len(steerings)
    columns: list[Array] = []
    for one in steerings:
        high, low, gate = circuit.channel_high[one.row], circuit.channel_low[one.row], circuit.channel_gate[one.row]
        unit = np.zeros_like(answer)
        if transposed:
            unit[gate] += 1.0
            unit[low] -= 1.0 - one.follows
            unit[high] -= one.follows
        else:
            unit[high] += 1.0
            unit[low] -= 1.0
        columns.append(circuit.plan.solve(factors, unit))
    system = np.zeros((answer.shape[1], count, count))
    right = np.zeros((answer.shape[1], count))
    for k, one in enumerate(steerings):
        high, low, gate = circuit.channel_high[one.row], circuit.channel_low[one.row], circuit.channel_gate[one.row]

        def drive(voltage: Array, one: Steering = one, high: int = high, low: int = low, gate: int = gate) -> Array:
            """Return what steers the channel, or in the transpose what it steers [V]."""
            if transposed:
                between: Array = voltage[high] - voltage[low]
            else:
                between = voltage[gate] - np.where(one.follows > 0.0, voltage[high], voltage[low])
            return between

        right[:, k] = one.siemens * drive(answer)
        for m in range(count):
            system[:, k, m] = one.siemens * drive(columns[m])
        system[:, k, k] += 1.0
    with np.errstate(all="ignore"):
        determinant = np.linalg.det(system)
        bad = ~np.isfinite(determinant) | (determinant == 0.0)
        system[bad] = np.eye(count)
        right[bad] = 0.0
    weights = np.linalg.solve(system, right[:, :, None])[:, :, 0]
    for k in range(count):
        answer -= columns[k] * weights[:, k]
    return answer
