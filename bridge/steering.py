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

__all__ = ["Transconductance", "follows_collector", "solve_steered"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Transconductance:
    """How one channel's current answers to its gate, in every column of a batch.

    Parameters
    ----------
    row : int
        The channel.
    value : ndarray, batch
        Transconductance [S].
    follows : ndarray of bool, batch
        Where the gate hangs on the collector. There it counts as a conductance from collector to emitter, and only what
        the gate departs from the collector is left to correct: with nothing else on the emitter a correction against
        the emitter would be the difference of two numbers a million times larger than itself.
    """

    row: int
    value: Array
    follows: Mask

    def take(self, columns: NDArray[np.intp]) -> Transconductance:
        """Return some columns."""
        return Transconductance(self.row, self.value[columns], self.follows[columns])

    def repeat(self, count: int) -> Transconductance:
        """Return every column so many times."""
        return Transconductance(self.row, np.repeat(self.value, count), np.repeat(self.follows, count))

    @property
    def as_conductance(self) -> Array:
        """What the elimination is given between collector and emitter, batch [S]."""
        return np.where(self.follows, self.value, 0.0)

    def pulled(self, circuit: Circuit, shape: tuple[int, ...], *, transposed: bool) -> Array:
        """Return the unit current that the channel draws, nodes x batch; in the transpose that which its gate feels."""
        high, low, gate = (int(end[self.row]) for end in _ends(circuit))
        unit = np.zeros(shape)
        if transposed:
            unit[gate] += 1.0
            unit[high] -= self.follows
            unit[low] -= ~self.follows
        else:
            unit[high] += 1.0
            unit[low] -= 1.0
        return unit

    def between(self, circuit: Circuit, voltage: Array, *, transposed: bool) -> Array:
        """Return the voltage that steers the channel, batch [V]; in the transpose that which it stands between."""
        high, low, gate = (int(end[self.row]) for end in _ends(circuit))
        if transposed:
            across: Array = voltage[high] - voltage[low]
            return across
        drive: Array = voltage[gate] - np.where(self.follows, voltage[high], voltage[low])
        return drive


def _ends(circuit: Circuit) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    return circuit.channel_high, circuit.channel_low, circuit.channel_gate


def follows_collector(circuit: Circuit, row: int, value: Array, edges: Array) -> Mask:
    """Return where the gate of a channel hangs on its collector more than on its emitter, batch.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    row : int
        The channel.
    value : ndarray, batch
        Its transconductance [S]; a negative one is no conductance.
    edges : ndarray, edges x batch
        Linear conductance between neighbouring nodes [S].
    """
    high, low, gate = (int(end[row]) for end in _ends(circuit))

    def tied_to(end: int) -> Array:
        if gate == end:
            return np.full(len(value), np.inf)
        return edges[circuit.plan.edge(gate, end)] if circuit.plan.has_edge(gate, end) else np.zeros(len(value))

    answer: Mask = (value > 0.0) & (tied_to(high) > tied_to(low))
    return answer


def solve_steered(
    circuit: Circuit,
    factors: Factors,
    currents: Array,
    steered: Sequence[Transconductance],
    *,
    transposed: bool = False,
) -> Array:
    """Return the voltages that answer currents into the nodes, the gates' steering included, nodes x batch [V].

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    factors : Factors
        Of all conductances, those of ``Transconductance.as_conductance`` among them.
    currents : ndarray, nodes x batch
        Current into each node [A]; overwritten.
    steered : sequence of Transconductance
        The channels whose gates count.
    transposed : bool
        Whether to solve with the transpose, for what each node's current would do to one voltage.

    Notes
    -----
    The Jacobian is S + sum u g w^T with u = high - low and w = gate - low, or gate - high where the gate follows the
    collector; its transpose exchanges u and w.
    """
    answer = circuit.plan.solve(factors, currents)
    if not steered:
        return answer
    count = len(steered)
    columns = [circuit.plan.solve(factors, one.pulled(circuit, answer.shape, transposed=transposed)) for one in steered]
    system = np.zeros((answer.shape[1], count, count))
    right = np.zeros((answer.shape[1], count))
    for k, one in enumerate(steered):
        right[:, k] = one.value * one.between(circuit, answer, transposed=transposed)
        for m in range(count):
            system[:, k, m] = one.value * one.between(circuit, columns[m], transposed=transposed)
        system[:, k, k] += 1.0
    # a step without the correction is a poor one, but Newton's next comes from another point; a singular one is none
    with np.errstate(all="ignore"):
        determinant = np.linalg.det(system)
        bad = ~np.isfinite(determinant) | (determinant == 0.0)
        system[bad] = np.eye(count)
        right[bad] = 0.0
    weights = np.linalg.solve(system, right[:, :, None])[:, :, 0]
    for k in range(count):
        answer -= columns[k] * weights[:, k]
    return answer
