"""One operating point at a time, the plain way: the reference the fast path is compared with.

A dense matrix, Newton steps that are cut short where a junction or a gate would move too far, no elimination order, no
batches, nothing skipped, nothing carried over from another point. Of the package only the branch table, the changes of
a fault and the meter's sources are used; the device laws are written down again here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.damage import Change
from bridge.shots import Shot

Array = NDArray[np.float64]

SURFACE_S = 1e-15  # across every junction and channel that is there
SLOPE_V = 0.045  # of a channel below threshold
IGBT_A = 0.5
FULL_ON_V = 15.0  # gate of a channel that conducts by itself
METER_SCALE_V = 0.025
ESR_OHMS = 0.01
LARGEST_MOVE_V = 0.2  # of any junction or gate in one step: four e-folds of a silicon junction
IDLE_SLOPE_S = 1e-9  # what the matrix holds for a current source far from its open-circuit voltage, instead of e^-120
MOST_STEPS = 3000


@dataclass(frozen=True)
class PlainPoint:
    """A solved operating point.

    Parameters
    ----------
    voltage : ndarray, nodes
        Node voltages against the black lead [V].
    amps : float
        Current out of the red lead [A].
    jack : float
        Voltage at the meter's jacks [V].
    display : float
        What the display shows [V] or [ohm], infinity for OL.
    capacitor_volts : ndarray, capacitors
        Voltage across each capacitor [V].
    imbalance : float
        Largest violation of Kirchhoff's current law [A].
    """

    voltage: Array
    amps: float
    jack: float
    display: float
    capacitor_volts: Array
    imbalance: float


def junction_law(volts: Array, saturation: Array, scale: Array, series_ohms: Array) -> tuple[Array, Array]:
    """Return current [A] and slope [S] of Shockley junctions, the voltage behind the series resistance by iteration."""
    with np.errstate(divide="ignore", invalid="ignore"):
        # at or above the solution, so that Newton's method on a convex function comes down to it
        above = scale * np.log1p(np.maximum(volts, 0.0) / (series_ohms * saturation))
    above = np.where((volts > 0.0) & (series_ohms > 0.0), above, np.inf)
    inner = np.where(volts > 0.0, np.minimum(volts, above), 0.0)
    for _ in range(200):
        growth = saturation * np.exp(np.minimum(inner / scale, 500.0))
        miss = inner + series_ohms * (growth - saturation) - volts
        move = miss / (1.0 + series_ohms * growth / scale)
        inner = inner - move
        if np.all(np.abs(move) <= 1e-15 * (1.0 + np.abs(inner))):
            break
    growth = saturation * np.exp(np.minimum(inner / scale, 500.0))
    slope = growth / scale / (1.0 + series_ohms * growth / scale)
    return saturation * np.expm1(np.minimum(inner / scale, 500.0)), slope


def _inversion(x: float) -> tuple[float, float]:
    """Return ln(1 + exp(x/2))^2 and its derivative."""
    soft = max(x / 2.0, 0.0) + math.log1p(math.exp(-abs(x / 2.0)))
    return soft * soft, soft / (1.0 + math.exp(min(-x / 2.0, 700.0)))


def channel_law(circuit: Circuit, row: int, drop: float, gate: float) -> tuple[float, float, float]:
    """Return current [A], slope against the drop and against the gate voltage [S] of one channel that is not off."""
    specific, offset = float(circuit.channel_specific[row]), float(circuit.channel_offset[row])
    forward, forward_slope = _inversion((gate - offset) / SLOPE_V)
    if circuit.channel_is_mosfet[row]:
        backward, backward_slope = _inversion((gate - drop - offset) / SLOPE_V)
        by_drop = specific * backward_slope / SLOPE_V
        by_gate = specific * (forward_slope - backward_slope) / SLOPE_V
        return specific * (forward - backward), by_drop, by_gate
    scale = float(circuit.channel_scale[row])
    limit, limit_slope = IGBT_A * forward, IGBT_A * forward_slope / SLOPE_V
    growth = math.exp(min(drop / scale, 300.0))
    both = specific * (growth + 1.0) + limit
    current = specific * math.expm1(min(drop / scale, 300.0)) * limit / both
    by_drop = specific * growth / scale * limit * (limit + 2.0 * specific) / both**2
    by_gate = specific * math.expm1(min(drop / scale, 300.0)) * limit_slope * specific * (growth + 1.0) / both**2
    return current, by_drop, by_gate


@dataclass(frozen=True)
class _Branches:
    """The branches of one point: resistances in series with sources, junctions with the meter's among them, channels.

    Parameters
    ----------
    resistances : ndarray, resistances x 4
        Ends, conductance [S], voltage of the source in series [V].
    junctions : ndarray, junctions x 6
        Ends, saturation current [A], scale [V], series resistance [ohm], surface conductance [S].
    offsets : ndarray, junctions
        Voltage of the source in series with each junction [V].
    channels : ndarray of int, channels x 5
        Row, high, low, gate, and whether the channel conducts by itself.
    """

    resistances: Array
    junctions: Array
    offsets: Array
    channels: NDArray[np.intp]


def _branches(circuit: Circuit, shot: Shot, change: Change, at_start: bool, bus_volts: float) -> _Branches:
    siemens = circuit.linear_siemens.copy()
    for row, value in change.linear:
        siemens[row] = value
    resistances = [
        (a, b, value, 0.0) for a, b, value in zip(circuit.linear_a, circuit.linear_b, siemens, strict=True) if value
    ]
    gone = {index for index, factor in change.capacitors if factor == 0.0}
    for index, row in enumerate(circuit.capacitor_rows):
        if at_start and index not in gone:
            volts = circuit.capacitor_share[index] * bus_volts
            resistances.append((circuit.linear_a[row], circuit.linear_b[row], 1.0 / ESR_OHMS, volts))
    for row, volts, ohms in shot.holds:
        resistances.append((circuit.linear_a[row], circuit.linear_b[row], 1.0 / ohms, volts))
    junctions = [
        (a, b, circuit.junction_saturation[row], circuit.junction_scale[row], circuit.junction_ohms[row], SURFACE_S)
        for row, (a, b) in enumerate(zip(circuit.junction_a, circuit.junction_b, strict=True))
        if row not in change.junctions
    ]
    offsets = [0.0] * len(junctions)
    if shot.amps > 0.0:  # a source that runs out: a junction, which in reverse drives its saturation current outwards
        junctions.append((shot.red, shot.black, shot.amps, METER_SCALE_V, shot.ohms, 0.0))
        offsets.append(shot.volts)
    else:
        resistances.append((shot.red, shot.black, 1.0 / shot.ohms, shot.volts))
    state = dict(change.channels)
    channels = []
    for row in range(len(circuit.channel_high)):
        if state.get(row, 1) != 0:
            high, low, gate = circuit.channel_high[row], circuit.channel_low[row], circuit.channel_gate[row]
            resistances.append((high, low, SURFACE_S, 0.0))
            channels.append((row, high, low, gate, int(state.get(row, 1) == 2)))
    return _Branches(
        np.array(resistances, dtype=float).reshape(-1, 4),
        np.array(junctions, dtype=float).reshape(-1, 6),
        np.array(offsets),
        np.array(channels, dtype=np.intp).reshape(-1, 5),
    )


def _paths(circuit: Circuit, branches: _Branches, black: int) -> tuple[Array, list[int]]:
    """Return a tree of the circuit, nodes x nodes, and the nodes that nothing ties to the black lead's.

    Row n marks the nodes between n and the black lead. The unknowns are the voltages along this tree, laid over the
    largest conductances: two nodes joined by 10^4 S and tied to the rest by 10^-15 S have one small unknown between
    them and one for both, where plain node voltages would lose the second in the rounding of the first.
    """
    graph = nx.Graph()
    graph.add_nodes_from(range(circuit.node_count))
    ends = [(int(a), int(b), float(siemens)) for a, b, siemens, _volts in branches.resistances]
    ends += [(int(a), int(b), 1e-7) for a, b, *_values in branches.junctions]
    for a, b, siemens in ends:
        if siemens > graph.get_edge_data(a, b, {"weight": 0.0})["weight"]:
            graph.add_edge(a, b, weight=siemens)
    tree = nx.maximum_spanning_tree(graph)
    emitters = {int(gate): int(low) for _row, _high, low, gate, _on in branches.channels}
    islands = []
    for island in list(nx.connected_components(tree)):
        if black not in island:
            # a gate that nothing is tied to has been discharged: it rests at its emitter
            resting = [(node, emitters[node]) for node in sorted(island) if emitters.get(node, node) not in island]
            node, anchor = resting[0] if resting else (min(island), black)
            tree.add_edge(node, anchor)
            islands.append(node)
    paths = np.zeros((circuit.node_count, circuit.node_count))
    for parent, node in nx.bfs_edges(tree, black):
        paths[node] = paths[parent]
        paths[node, node] = 1.0
    return paths, islands


def plain_solve(circuit: Circuit, shot: Shot, change: Change, *, at_start: bool, bus_volts: float = 0.0) -> PlainPoint:
    """Return the operating point of a circuit with a change under one source.

    Parameters
    ----------
    circuit : Circuit
        The healthy board.
    shot : Shot
        The meter in one range on one pair of nodes.
    change : Change
        What the fault makes of the branches.
    at_start : bool
        Whether capacitors hold their first voltage, or are open: the end.
    bus_volts : float
        Charge on the bus at the first instant [V].
    """
    branches = _branches(circuit, shot, change, at_start, bus_volts)
    paths, islands = _paths(circuit, branches, shot.black)

    def between(a: Array, b: Array) -> Array:
        return paths[a.astype(int)] - paths[b.astype(int)]

    resistors = between(branches.resistances[:, 0], branches.resistances[:, 1])
    siemens, sources = branches.resistances[:, 2], branches.resistances[:, 3]
    junctions = between(branches.junctions[:, 0], branches.junctions[:, 1])
    saturation, scale, series, surface = branches.junctions[:, 2:].T
    least_slope = np.where(surface == 0.0, IDLE_SLOPE_S, 0.0)  # the meter's own junction has no surface
    mains = between(branches.channels[:, 1], branches.channels[:, 2])
    gates = between(branches.channels[:, 3], branches.channels[:, 2])
    watched = np.concatenate([junctions, mains, gates])
    fixed = [*islands, shot.black]
    unknown = np.zeros(circuit.node_count)
    largest = LARGEST_MOVE_V
    for step_number in range(MOST_STEPS):
        flow = resistors.T @ (siemens * (resistors @ unknown - sources))
        matrix = resistors.T @ (siemens[:, None] * resistors)
        across = junctions @ unknown - branches.offsets
        current, slope = junction_law(across, saturation, scale, series)
        flow += junctions.T @ (current + surface * across)
        matrix += junctions.T @ (np.maximum(slope + surface, least_slope)[:, None] * junctions)
        for channel, (row, _high, _low, _gate, always_on) in enumerate(branches.channels):
            main, gate = mains[channel], gates[channel]
            drive = FULL_ON_V if always_on else float(gate @ unknown)
            amps, by_drop, by_gate = channel_law(circuit, row, float(main @ unknown), drive)
            flow += main * amps
            matrix += np.outer(main, by_drop * main + (0.0 if always_on else by_gate) * gate)
        flow[fixed] = 0.0
        matrix[fixed] = 0.0
        matrix[fixed, fixed] = 1.0
        move = np.linalg.solve(matrix, -flow)
        reach = np.max(np.abs(watched @ move), initial=0.0)
        unknown = unknown + move * min(1.0, largest / max(reach, 1e-300))
        if reach < 1e-7 and np.max(np.abs(move)) < 1e-6:
            return _point(circuit, shot, paths @ unknown, float(np.max(np.abs(flow))))
        if step_number % 300 == 299:
            largest *= 0.5  # going round in circles: shorter steps
    raise AssertionError(f"the plain solver did not converge: {shot}, {change}")


def _point(circuit: Circuit, shot: Shot, voltage: Array, imbalance: float) -> PlainPoint:
    tips = float(voltage[shot.red] - voltage[shot.black])
    if shot.amps > 0.0:
        ends = np.array([shot.amps]), np.array([METER_SCALE_V]), np.array([shot.ohms])
        amps = -float(junction_law(np.array([tips - shot.volts]), *ends)[0][0])
    else:
        amps = (shot.volts - tips) / shot.ohms
    jack = tips + amps * shot.lead_ohms
    display = jack
    if shot.unit == "ohm":
        # a current source divides by its nominal current, a source behind a resistor by what really flows
        flows = shot.amps if shot.amps > 0.0 else (shot.volts - jack) / (shot.ohms - shot.lead_ohms)
        display = jack / flows if flows > 0.0 else math.inf
    if abs(display) > shot.limit:
        display = math.inf
    rows = circuit.capacitor_rows
    across = voltage[circuit.linear_a[rows]] - voltage[circuit.linear_b[rows]]
    return PlainPoint(voltage, amps, jack, display, across, imbalance)
