"""Batched star-mesh elimination: one pattern of nodes and edges, thousands of sets of conductances.

Nodes are removed one at a time; each star of conductances becomes a mesh between its neighbours. Only sums, products
and quotients of non-negative numbers occur, so every entry keeps its relative accuracy even where 100 S sits beside
1 fS. Nodes that do not touch one another go together, level by level: a level costs a dozen array operations however
many nodes it holds.

References
----------
Rosen, J. IEE 62 (1924) 916 (star-mesh); Grassmann, Taksar & Heyman, Oper. Res. 33 (1985) 1107 (elimination without
subtraction); Liu, ACM Trans. Math. Softw. 11 (1985) 141 (independent nodes of least degree); Takahashi, Fagan & Chin,
8th PICA Conf. (1973) 63 (entries of a sparse inverse).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.rowsum import RowSum

__all__ = ["EliminationPlan", "Factors"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

ROUNDING_SHARE = 32 * float(np.finfo(float).eps)  # what a few dozen sums leave of a difference
DEGREE_SLACK = 1  # neighbours more than the least that a node of the same level may have: a little fill, fewer levels


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


class _Level:
    """Removing some nodes of one degree that do not touch one another.

    Parameters
    ----------
    stars : sequence of (int, sequence of int)
        Nodes with their remaining neighbours, equally many each.
    edge_of : mapping of (int, int) to int
        Row of each edge; the first spokes of all stars stand side by side, then the second ones, and so on.
    """

    def __init__(self, stars: Sequence[tuple[int, Sequence[int]]], edge_of: dict[tuple[int, int], int]) -> None:
        self.degree, self.count = len(stars[0][1]), len(stars)
        self.nodes = np.array([node for node, _around in stars], dtype=np.intp)
        first = edge_of[_key(stars[0][0], stars[0][1][0])]
        self.spokes = slice(first, first + self.degree * self.count)
        self.neighbours = np.array([around[k] for k in range(self.degree) for _node, around in stars], dtype=np.intp)
        self.outward = RowSum(self.neighbours.tolist())
        one, two, mesh = [], [], []
        for node, around in stars:
            for p in range(self.degree):
                for q in range(p + 1, self.degree):
                    one.append(edge_of[_key(node, around[p])])
                    two.append(edge_of[_key(node, around[q])])
                    mesh.append(edge_of[_key(around[p], around[q])])
        self.mesh = RowSum(mesh)
        self.one, self.two = (np.array(rows, dtype=np.intp)[self.mesh.order] for rows in (one, two))
        # the same mesh read backwards: each spoke takes from the other through the edge between their ends
        self.back = RowSum([*two, *one])
        self.from_spoke = np.array([*one, *two], dtype=np.intp)[self.back.order]
        self.from_edge = np.array([*mesh, *mesh], dtype=np.intp)[self.back.order]

    def stars(self, table: Array) -> Array:
        """Return the spokes' rows of a table, spoke of a star x star x batch."""
        return table[self.spokes].reshape(self.degree, self.count, table.shape[1])


def _key(a: int, b: int) -> tuple[int, int]:
    return (a, b) if a < b else (b, a)


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
        # what hangs on nothing has no star to turn into a mesh
        lone = [node for node in range(node_count) if not neighbours[node]]
        left = set(range(node_count)) - set(lone)
        self._edge_of: dict[tuple[int, int], int] = {}
        every_star: list[list[tuple[int, list[int]]]] = []
        while left:
            for stars in _independent(left, neighbours):
                for spoke in zip(*(around for _node, around in stars), strict=True):
                    for (node, _around), other in zip(stars, spoke, strict=True):
                        self._edge_of[_key(node, other)] = len(self._edge_of)
                for node, around in stars:
                    for other in around:
                        neighbours[other].discard(node)
                        neighbours[other].update(set(around) - {other})
                    left.discard(node)
                every_star.append(stars)
            last = [node for node in left if not neighbours[node]]
            lone += last
            left -= set(last)
        self.edge_count = len(self._edge_of)
        self.ends: Index = np.array(list(self._edge_of), dtype=np.intp).reshape(-1, 2)
        self._levels = tuple(_Level(stars, self._edge_of) for stars in every_star)
        self._lone = np.array(sorted(lone), dtype=np.intp)

    def edge(self, a: int, b: int) -> int:
        """Return the row of the edge between nodes ``a`` and ``b`` in an edge array."""
        return self._edge_of[_key(a, b)]

    def has_edge(self, a: int, b: int) -> bool:
        """Return whether nodes ``a`` and ``b`` are ever joined, by a branch or on the way of the elimination."""
        return _key(a, b) in self._edge_of

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
        inverse = np.empty((self.node_count, edges.shape[1]))
        shares = np.empty_like(edges)
        for level in self._levels:
            spokes, taken = level.stars(edges), level.stars(shares)
            own_ground = ground.take(level.nodes, axis=0)
            pivot = _inverted(np.add.reduce(spokes, axis=0) + own_ground)
            inverse[level.nodes] = pivot
            np.multiply(spokes, pivot, out=taken)
            if own_ground.any():
                leak = (taken * own_ground).reshape(-1, edges.shape[1])
                level.outward.add(ground, leak.take(level.outward.order, axis=0))
            if len(level.one):
                grown = edges.take(level.one, axis=0)
                grown *= shares.take(level.two, axis=0)
                level.mesh.add(edges, grown)
        inverse[self._lone] = _inverted(ground[self._lone])
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
        shares, width = factors.shares, currents.shape[1]
        for level in self._levels:
            passed = level.stars(shares) * currents.take(level.nodes, axis=0)
            level.outward.add(currents, passed.reshape(-1, width).take(level.outward.order, axis=0))
        currents *= factors.inverse_pivot
        for level in reversed(self._levels):
            followed = currents.take(level.neighbours, axis=0)
            followed *= shares[level.spokes]
            currents[level.nodes] += np.add.reduce(followed.reshape(level.degree, level.count, width), axis=0)
        return currents

    def port_ohms(self, factors: Factors) -> tuple[Array, Array]:
        """Return the resistance between the ends of every edge, and how much of it may be lost, edges x batch [ohm].

        Parameters
        ----------
        factors : Factors
            From :meth:`factor`.

        Notes
        -----
        Only those entries of the inverse that lie on the elimination's own pattern are worked out, last level first.
        Both ends of an edge may be far from the reference: rounding takes its share of those distances.
        """
        own = factors.inverse_pivot.copy()
        shares = factors.shares
        between = np.empty_like(shares)
        for level in reversed(self._levels):
            rows = between[level.spokes]
            np.multiply(shares[level.spokes], own.take(level.neighbours, axis=0), out=rows)
            if len(level.from_edge):
                through = between.take(level.from_edge, axis=0)
                through *= shares.take(level.from_spoke, axis=0)
                level.back.add(between, through)
            own[level.nodes] += np.add.reduce(level.stars(shares) * level.stars(between), axis=0)
        far = own[self.ends[:, 0]] + own[self.ends[:, 1]]
        between *= -2.0
        between += far
        far *= ROUNDING_SHARE
        return np.maximum(between, 0.0, out=between), far


def _independent(left: set[int], neighbours: Sequence[set[int]]) -> list[list[tuple[int, list[int]]]]:
    """Return stars of about the least degree, none beside another, those of one degree together."""
    by_degree = sorted(left, key=lambda node: (len(neighbours[node]), node))
    most = len(neighbours[by_degree[0]]) + DEGREE_SLACK
    stars: dict[int, list[tuple[int, list[int]]]] = {}
    blocked: set[int] = set()
    for node in by_degree:
        if len(neighbours[node]) > most:
            break
        if node not in blocked:
            stars.setdefault(len(neighbours[node]), []).append((node, sorted(neighbours[node])))
            blocked |= neighbours[node]
    return list(stars.values())


def _inverted(pivot: Array) -> Array:
    """Return one over each pivot in place, zero where there is none."""
    if not pivot.all():
        pivot[pivot == 0.0] = np.inf
    return np.divide(1.0, pivot, out=pivot)
