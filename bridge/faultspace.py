"""The hypotheses of a board in a set-up: healthy, every single fault, every pair, at a few severities."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.damage import change_of
from bridge.faults import MOST_PAIRED, Fault, SeverityNode, list_faults, severity_nodes
from bridge.numbering import numbered
from bridge.priors import Priors
from bridge.probing import Setup

__all__ = ["FaultSpace", "Variants", "build_space"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# What bends with a resistance in parallel needs nodes close together; in pairs, where each node costs as many solves as
# the other fault has nodes, fewer have to do, and the fit between nodes does the rest.
PAIR_NODES: Mapping[str, int] = {"leak": 4, "high": 4}


@dataclass(frozen=True, slots=True)
class Variants:
    """Faults at severity nodes, as parallel arrays.

    Parameters
    ----------
    fault : ndarray of int, variants
        Fault of each variant.
    ohms : ndarray, variants
        Resistance [ohm]; NaN for a mode without severity.
    ln_sigma : ndarray, variants
        Spread of ln(ohms) the node stands for [1].
    log_weight : ndarray, variants
        Log share of the fault's cases at this node [1].
    """

    fault: Index
    ohms: Array
    ln_sigma: Array
    log_weight: Array

    def __len__(self) -> int:
        return len(self.fault)

    def none(self) -> Variants:
        """Return no variants at all: for a table of the good board alone."""
        return self.some(np.zeros(0, dtype=np.intp))

    def some(self, which: Index | Mask) -> Variants:
        """Return some of the variants, by number or by mask."""
        return Variants(self.fault[which], self.ohms[which], self.ln_sigma[which], self.log_weight[which])


@dataclass(frozen=True, eq=False)
class FaultSpace:
    """Healthy, every single fault and every pair of faults of one board in one set-up.

    Parameters
    ----------
    faults : tuple of Fault
        Single faults, sorted.
    priors : Priors
        Prior probabilities of all hypotheses.
    singles : Variants
        Single faults on the fine severity grid.
    doubles : Variants
        Members of pairs on the coarse grid; of more faults than MOST_PAIRED the likeliest alone.
    part_of_fault : ndarray of int, faults
        Number of the part a fault belongs to.
    hides : frozenset of (int, int)
        Fault pairs in which the first cuts the second off entirely.
    """

    board: Board
    setup: Setup
    faults: tuple[Fault, ...]
    priors: Priors
    singles: Variants
    doubles: Variants
    part_of_fault: Index
    hides: frozenset[tuple[int, int]]

    @cached_property
    def pairs(self) -> tuple[Index, Index]:
        """Variant numbers (coarse grid) of every pair of different parts, first fault below second."""
        part = self.part_of_fault[self.doubles.fault]
        first, second = np.triu_indices(len(self.doubles), 1)
        different = part[first] != part[second]
        return first[different], second[different]


def _variants(board: Board, faults: Sequence[Fault], pair_nodes: Mapping[str, int]) -> Variants:
    rows: list[tuple[int, float, float, float]] = []
    for number, fault in enumerate(faults):
        count = next((nodes for ending, nodes in pair_nodes.items() if fault.mode.endswith(ending)), None)
        nodes = severity_nodes(board.parts[fault.part], fault.mode, count)
        for node in nodes or (SeverityNode(float("nan"), 1.0, 0.0),):
            rows.append((number, node.ohms, node.ln_sigma, float(np.log(node.weight))))
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return Variants(table[:, 0].astype(np.intp), table[:, 1], table[:, 2], table[:, 3])


def build_space(board: Board, setup: Setup, pair_nodes: Mapping[str, int] = PAIR_NODES) -> FaultSpace:
    """Return the hypotheses of a board in a set-up.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        Parts that are not there in this set-up have no faults.
    pair_nodes : mapping of str to int
        Severity nodes of members of pairs by the ending of their mode; the others have as many as alone.
    """
    circuit = build_circuit(board, setup)
    faults = list_faults(board, list(circuit.parts))
    hides = []
    for number, fault in enumerate(faults):
        if fault.mode in ("emitter-open", "burst"):
            change = change_of(circuit, fault.part, fault.mode, None)
            cut = {
                ref
                for (ref, slot), row in circuit.junction_rows.items()
                if slot == "junction" and row in change.junctions
            }
            hides += [(number, other) for other, hidden in enumerate(faults) if hidden.part in cut]
    priors = Priors.for_board(board, faults)
    doubles = _variants(board, faults, pair_nodes)
    paired = np.zeros(len(faults), dtype=bool)
    paired[np.argsort(-priors.log_single, kind="stable")[:MOST_PAIRED]] = True
    return FaultSpace(
        board=board,
        setup=setup,
        faults=faults,
        priors=priors,
        singles=_variants(board, faults, {}),
        doubles=doubles.some(paired[doubles.fault]),
        part_of_fault=numbered(fault.part for fault in faults)[1],
        hides=frozenset(hides),
    )
