"""Batched star-mesh elimination: one pattern of nodes and edges, thousands of sets of conductances.

Nodes are removed one at a time; each star of conductances becomes a mesh between its neighbours. Only sums, products
and quotients of non-negative numbers occur, so every entry keeps its relative accuracy even where 100 S sits beside
1 fS.

References
----------
Rosen, J. IEE 62 (1924) 916 (star-mesh); Grassmann, Taksar & Heyman, Oper. Res. 33 (1985) 1107 (elimination without
subtraction); minimum-degree ordering after Tinney & Walker, Proc. IEEE 55 (1967) 1801.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["EliminationPlan", "Factors"]

Array = NDArray[np.float64]

ROUNDING_SHARE = 32 * float(np.finfo(float).eps)  # what a few dozen sums leave of a difference


@dataclass(frozen=True, slots=True)
class _Step:
    """Removing one node: its remaining neighbours, the slice of edges to them, and the mesh edges that grow."""

    node: int
    first: int
    last: int
    neighbours: tuple[int, ...]
    mesh: tuple[tuple[int, int, int], ...]  # (edge that grows, position of one spoke, position of the other)


@dataclass(frozen=True, slots=True)
class Factors:
    """Eliminated conductances of a batch, ready for any number of right-hand sides.

    Parameters
    ----------
    shares : ndarray, edges x batch
        Share of a removed node's current that each neighbour takes [1].
    inverse_pivot : ndarray, nodes x batch
        One over the sum of the conductances at a node when it is removed [ohm].
    """

    shares: Array
    inverse_pivot: Array


class EliminationPlan:
    """The order of removal and the fill of one graph, worked out once and used for every batch.

    Parameters
    ----------
    node_count : int
        Number of nodes.
    edges : iterable of (int, int)
        Pairs of different nodes that may be joined by a conductance.
    """

    def __init__(self, node_count: int, edges: Iterable[tuple[int, int]]) -> None:
        self.node_count = node_count
        neighbours: list[set[int]] = [set() for _ in range(node_count)]
        for a, b in edges:
            if a != b:
                neighbours[a].add(b)
                neighbours[b].add(a)
        left = set(range(node_count))
        self._edge_of: dict[tuple[int, int], int] = {}
        order: list[tuple[int, tuple[int, ...]]] = []
        while left:
            node = min(left, key=lambda candidate: (len(neighbours[candidate]), candidate))
            around = tuple(sorted(neighbours[node]))
            for other in around:
                key = (min(node, other), max(node, other))
                self._edge_of[key] = len(self._edge_of)
            order.append((node, around))
            for other in around:
                neighbours[other].discard(node)
                neighbours[other].update(x for x in around if x != other)
            left.discard(node)
        self.edge_count = len(self._edge_of)
        self.ends: NDArray[np.intp] = np.array(list(self._edge_of), dtype=np.intp).reshape(-1, 2)
        steps: list[_Step] = []
        first = 0
        for node, around in order:
            mesh = tuple(
                (self._edge_of[(around[p], around[q])], p, q)
                for p in range(len(around))
                for q in range(p + 1, len(around))
            )
            steps.append(_Step(node, first, first + len(around), around, mesh))
            first += len(around)
        self._steps = tuple(steps)

    def edge(self, a: int, b: int) -> int:
        """Return the row of the edge between nodes ``a`` and ``b`` in an edge array."""
        return self._edge_of[(a, b) if a < b else (b, a)]

    def factor(self, edges: Array, ground: Array) -> Factors:
        """Eliminate all nodes; ``edges`` and ``ground`` are overwritten.

        Parameters
        ----------
        edges : ndarray, edges x batch
            Conductance of each edge [S], not negative.
        ground : ndarray, nodes x batch
            Conductance of each node to the reference [S], not negative.

        Notes
        -----
        A node without any conductance gets an infinite pivot resistance of zero: its voltage change is reported as 0.
        """
        batch = edges.shape[1]
        inverse = np.empty((self.node_count, batch))
        shares = np.empty_like(edges)
        edge_rows = list(edges)
        ground_rows = list(ground)
        scratch = np.empty(batch)
        for step in self._steps:
            pivot = inverse[step.node]
            own_ground = ground_rows[step.node]
            if step.first == step.last:
                np.copyto(pivot, own_ground)
            else:
                np.add.reduce(edges[step.first : step.last], axis=0, out=pivot)
                pivot += own_ground
            if not pivot.all():
                pivot[pivot == 0.0] = np.inf
            np.divide(1.0, pivot, out=pivot)
            spokes = edge_rows[step.first : step.last]
            taken = shares[step.first : step.last]
            np.multiply(edges[step.first : step.last], pivot, out=taken)
            parts = list(taken)
            if own_ground.any():
                for other, part in zip(step.neighbours, parts, strict=True):
                    np.multiply(part, own_ground, out=scratch)
                    np.add(ground_rows[other], scratch, out=ground_rows[other])
            for target, p, q in step.mesh:
                np.multiply(spokes[p], parts[q], out=scratch)
                row = edge_rows[target]
                np.add(row, scratch, out=row)
        return Factors(shares, inverse)

    def solve(self, factors: Factors, currents: Array) -> Array:
        """Return node voltages [V] that carry ``currents`` [A] into the nodes; ``currents`` is overwritten.

        Parameters
        ----------
        factors : Factors
            From :meth:`factor`.
        currents : ndarray, nodes x batch
            Current into each node [A].
        """
        rows = list(currents)
        shares = list(factors.shares)
        scratch = np.empty(currents.shape[1])
        for step in self._steps:
            own = rows[step.node]
            for other, part in zip(step.neighbours, shares[step.first : step.last], strict=True):
                np.multiply(part, own, out=scratch)
                np.add(rows[other], scratch, out=rows[other])
        currents *= factors.inverse_pivot
        for step in reversed(self._steps):
            own = rows[step.node]
            for other, part in zip(step.neighbours, shares[step.first : step.last], strict=True):
                np.multiply(part, rows[other], out=scratch)
                np.add(own, scratch, out=own)
        return currents

    def port_ohms(self, factors: Factors) -> Array:
        """Return the resistance between the ends of every edge, edges x batch [ohm].

        Parameters
        ----------
        factors : Factors
            From :meth:`factor`.

        Notes
        -----
        Only those entries of the inverse that lie on the elimination's own pattern are worked out, last node first.
        Both ends of an edge may be far from the reference, so what rounding may have added is taken off: the answer
        errs towards zero.

        References
        ----------
        Takahashi, Fagan & Chin, 8th PICA Conf. (1973) 63 (entries of a sparse inverse).
        """
        own = list(factors.inverse_pivot.copy())
        rows = np.empty_like(factors.shares)
        between = list(rows)
        shares = list(factors.shares)
        scratch = np.empty(factors.inverse_pivot.shape[1])
        for step in reversed(self._steps):
            first = step.first
            for place, other in enumerate(step.neighbours):
                np.multiply(shares[first + place], own[other], out=between[first + place])
            for edge, p, q in step.mesh:
                for one, two in ((p, q), (q, p)):
                    np.multiply(shares[first + one], between[edge], out=scratch)
                    np.add(between[first + two], scratch, out=between[first + two])
            for place in range(step.last - first):
                np.multiply(shares[first + place], between[first + place], out=scratch)
                np.add(own[step.node], scratch, out=own[step.node])
        diagonal = np.array(own)
        far = diagonal[self.ends[:, 0]] + diagonal[self.ends[:, 1]]
        rows *= -2.0
        rows += far
        far *= ROUNDING_SHARE
        rows -= far
        answer: Array = np.maximum(rows, 0.0, out=rows)
        return answer
