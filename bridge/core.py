"""The part of a circuit that a reading on the main terminals can see.

A network that hangs on one node carries no current: a gate network on its emitter, say. It is left out exactly, not
approximately, as long as no fault ties it to a second node.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.damage import Change

__all__ = ["Core", "find_core"]

Index = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Core:
    """A circuit without its hanging networks.

    Parameters
    ----------
    circuit : Circuit
        The smaller circuit.
    nodes : ndarray of int, nodes of the smaller circuit
        Number of each node in the whole circuit.
    changes : tuple of Change
        The same changes on the smaller circuit.
    safe : ndarray of bool, changes
        Whether a change leaves every hanging network hanging.
    """

    circuit: Circuit
    nodes: Index
    changes: tuple[Change, ...]
    safe: NDArray[np.bool_]


def find_core(circuit: Circuit, terminals: Sequence[int], changes: Sequence[Change]) -> Core:
    """Return what is left of a circuit for readings between some nodes.

    Parameters
    ----------
    circuit : Circuit
        The whole circuit.
    terminals : sequence of int
        Nodes the leads will touch.
    changes : sequence of Change
        Changes on the whole circuit.
    """
    graph = nx.Graph(circuit.graph())
    core = set(terminals)
    while True:
        grown = set(core)
        hangs_on = {node: node for node in core}
        for piece in nx.connected_components(graph.subgraph(set(graph) - core)):
            touched = {other for node in piece for other in graph[node]} & core
            if len(touched) > 1:
                grown |= piece
            else:
                anchor = next(iter(touched), -1 - min(piece))  # an island hangs on nothing
                hangs_on.update(dict.fromkeys(piece, anchor))
        if grown == core:
            break
        core = grown
    nodes = np.array(sorted(core), dtype=np.intp)
    return _restrict(circuit, nodes, hangs_on, changes)


def _restrict(circuit: Circuit, nodes: Index, hangs_on: dict[int, int], changes: Sequence[Change]) -> Core:
    number = np.full(circuit.node_count, -1, dtype=np.intp)
    number[nodes] = np.arange(len(nodes))

    def kept(a: Index, b: Index) -> tuple[Index, Index]:
        inside = np.flatnonzero((number[a] >= 0) & (number[b] >= 0))
        place = np.full(len(a), -1, dtype=np.intp)
        place[inside] = np.arange(len(inside))
        return inside, place

    linear, linear_at = kept(circuit.linear_a, circuit.linear_b)
    junction, junction_at = kept(circuit.junction_a, circuit.junction_b)
    channel, channel_at = kept(circuit.channel_high, circuit.channel_low)
    capacitor = np.flatnonzero(linear_at[circuit.capacitor_rows] >= 0)
    capacitor_at = np.full(len(circuit.capacitor_rows), -1, dtype=np.intp)
    capacitor_at[capacitor] = np.arange(len(capacitor))
    # a gate outside hangs on its own emitter and rests at its voltage
    gate = number[circuit.channel_gate[channel]]
    low = number[circuit.channel_low[channel]]
    smaller = dataclasses.replace(
        circuit,
        node_of_net={net: int(number[node]) for net, node in circuit.node_of_net.items() if number[node] >= 0},
        node_count=len(nodes),
        linear_a=number[circuit.linear_a[linear]],
        linear_b=number[circuit.linear_b[linear]],
        linear_siemens=circuit.linear_siemens[linear],
        linear_rows={key: int(linear_at[row]) for key, row in circuit.linear_rows.items() if linear_at[row] >= 0},
        capacitor_rows=linear_at[circuit.capacitor_rows[capacitor]],
        capacitor_farads=circuit.capacitor_farads[capacitor],
        capacitor_share=circuit.capacitor_share[capacitor],
        capacitor_index={
            ref: int(capacitor_at[k]) for ref, k in circuit.capacitor_index.items() if capacitor_at[k] >= 0
        },
        junction_a=number[circuit.junction_a[junction]],
        junction_b=number[circuit.junction_b[junction]],
        junction_saturation=circuit.junction_saturation[junction],
        junction_scale=circuit.junction_scale[junction],
        junction_ohms=circuit.junction_ohms[junction],
        junction_rows={key: int(junction_at[k]) for key, k in circuit.junction_rows.items() if junction_at[k] >= 0},
        junction_batch=tuple(circuit.junction_batch[k] for k in junction),
        junction_construction=tuple(circuit.junction_construction[k] for k in junction),
        channel_high=number[circuit.channel_high[channel]],
        channel_low=low,
        channel_gate=np.where(gate >= 0, gate, low),
        channel_is_mosfet=circuit.channel_is_mosfet[channel],
        channel_specific=circuit.channel_specific[channel],
        channel_scale=circuit.channel_scale[channel],
        channel_offset=circuit.channel_offset[channel],
        channel_batch=tuple(circuit.channel_batch[k] for k in channel),
        channel_construction=tuple(circuit.channel_construction[k] for k in channel),
        channel_rows={ref: int(channel_at[k]) for ref, k in circuit.channel_rows.items() if channel_at[k] >= 0},
        hold_rows={ref: int(linear_at[row]) for ref, row in circuit.hold_rows.items() if linear_at[row] >= 0},
    )
    smaller_changes = tuple(
        Change(
            tuple((int(linear_at[row]), value) for row, value in change.linear if linear_at[row] >= 0),
            tuple((int(capacitor_at[k]), value) for k, value in change.capacitors if capacitor_at[k] >= 0),
            tuple(int(junction_at[k]) for k in change.junctions if junction_at[k] >= 0),
            tuple((int(channel_at[k]), state) for k, state in change.channels if channel_at[k] >= 0),
            change.opens,
        )
        for change in changes
    )
    anchor = np.array([hangs_on[node] for node in range(circuit.node_count)], dtype=np.intp)
    joined = anchor[circuit.linear_a] == anchor[circuit.linear_b]
    inside = linear_at >= 0
    safe = np.array(
        [all(inside[row] or joined[row] or value == 0.0 for row, value in change.linear) for change in changes]
    )
    return Core(smaller, nodes, smaller_changes, safe)
