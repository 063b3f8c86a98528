"""Operating points of many variants of one circuit at once: damped Newton on nodal equations.

Each column of a batch is one set of branch values under one placement of the leads. Junction voltages are limited in the
way circuit simulators do; the channels' transconductance enters as a low-rank correction, so that the elimination itself
stays symmetric and free of subtraction. The residual of every answer is checked; what did not converge is reported.

References
----------
Nagel, SPICE2, UCB/ERL M520 (1975) for nodal Newton with junction limiting. Woodbury's identity: Hager, SIAM Rev. 31 (1989) 221.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.damage import ALWAYS_ON, CHANNEL_OFF
from bridge.elimination import Factors

__all__ = ["Points", "Solution", "solve_adjoint", "solve_points"]

Array = NDArray[np.float64]

BATCH = 1024  # columns solved together: large enough to hide call overhead, small enough for the cache
GROUND_S = 1e9  # ties the black lead's node to the reference; carries the test current with a picovolt
ALWAYS_ON_GATE_V = 15.0
METER_SCALE_V = 0.025  # how sharply a current source runs out at its open-circuit voltage
RESIDUAL_SHARE = 1e-9  # Kirchhoff's law holds to this share of the test current
STEP_V = 1e-7  # last Newton step of a converged point; its square is far below a microvolt
GATE_STEP_V = 0.5
SLOPE_FLOOR_S = 1e-13  # a transconductance below this moves nothing a meter shows
MAX_ITERATIONS = 120


@dataclass(frozen=True, slots=True)
class Points:
    """A batch of operating points of one circuit; the last axis of every array is the batch.

    Parameters
    ----------
    siemens : ndarray, linear rows x batch
        Conductance of each linear row [S].
    inject : ndarray, nodes x batch
        Current injected into each node by capacitors and held gates [A].
    saturation : ndarray, junctions x batch
        Saturation current of each junction [A]; 0 where it is gone.
    channel : ndarray of int, channels x batch
        State of each channel.
    red, black : ndarray of int, batch
        Nodes under the leads; black is the reference.
    amps : ndarray, batch
        Test current of a current source [A]; 0 for a source behind a resistor.
    volts : ndarray, batch
        Open-circuit voltage [V].
    ohms : ndarray, batch
        Leads, and the source's resistor where it has one [ohm].
    """

    siemens: Array
    inject: Array
    saturation: Array
    channel: NDArray[np.int8]
    red: NDArray[np.intp]
    black: NDArray[np.intp]
    amps: Array
    volts: Array
    ohms: Array

    @property
    def size(self) -> int:
        """Number of operating points."""
        return int(self.red.shape[0])

    def take(self, columns: NDArray[np.intp] | slice) -> Points:
        """Return the points of some columns."""
        return Points(
            self.siemens[:, columns],
            self.inject[:, columns],
            self.saturation[:, columns],
            self.channel[:, columns],
            self.red[columns],
            self.black[columns],
            self.amps[columns],
            self.volts[columns],
            self.ohms[columns],
        )


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages of a batch and whether they can be trusted.

    Parameters
    ----------
    voltage : ndarray, nodes x batch
        Node voltages against the black lead's node [V].
    residual : ndarray, batch
        Largest violation of Kirchhoff's current law, as a share of what is allowed [1].
    converged : ndarray of bool, batch
        Whether residual and last step are within their limits.
    iterations : ndarray of int, batch
        Newton steps taken.
    """

    voltage: Array
    residual: Array
    converged: NDArray[np.bool_]
    iterations: NDArray[np.int64]


def _full_scale_amps(points: Points) -> Array:
    """Return the largest current the meter can deliver [A]: the yardstick of the residual."""
    with np.errstate(divide="ignore", invalid="ignore"):
        behind_resistor = np.abs(points.volts) / points.ohms
    return np.where(points.amps > 0.0, points.amps, behind_resistor)


def meter_current(points: Points, red_voltage: Array) -> tuple[Array, Array]:
    """Return the current out of the red lead [A] and minus its slope [S] at a red-to-black voltage [V]."""
    flows = points.amps > 0.0
    into, slope = laws.junction(
        red_voltage - points.volts, points.amps, np.full_like(points.amps, METER_SCALE_V), points.ohms, floor=0.0
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        conductance = np.where(flows, 0.0, 1.0 / points.ohms)
    return np.where(flows, -into, (points.volts - red_voltage) * conductance), np.where(flows, slope, conductance)


class _Newton:
    """State of one batch while it is being solved."""

    def __init__(self, circuit: Circuit, points: Points, voltage: Array) -> None:
        self.circuit = circuit
        self.plan = circuit.plan
        self.points = points
        self.voltage = voltage
        self.columns = np.arange(points.size)
        scale = np.broadcast_to(circuit.junction_scale[:, None], points.saturation.shape)
        self.scale = np.array(scale)
        self.series = np.array(np.broadcast_to(circuit.junction_ohms[:, None], points.saturation.shape))
        with np.errstate(divide="ignore"):
            self.critical = self.scale * np.log(self.scale / (np.sqrt(2.0) * points.saturation))
            self.meter_critical = METER_SCALE_V * np.log(METER_SCALE_V / (np.sqrt(2.0) * points.amps))
        self.junction_at = voltage[circuit.junction_a] - voltage[circuit.junction_b]
        self.meter_at = voltage[points.red, self.columns] - points.volts
        self.gate_at = voltage[circuit.channel_gate] - voltage[circuit.channel_low]
        self.collector_at = voltage[circuit.channel_high] - voltage[circuit.channel_low]
        self.channels_used = np.flatnonzero((points.channel != CHANNEL_OFF).any(axis=1))
        self.linear_used = np.flatnonzero((points.siemens != 0.0).any(axis=1))
        self.yardstick = _full_scale_amps(points)
        self._prepare_linear()

    def _prepare_linear(self) -> None:
        circuit, points = self.circuit, self.points
        self.edges_linear = np.zeros((self.plan.edge_count, points.size))
        for row in self.linear_used.tolist():
            a, b = int(circuit.linear_a[row]), int(circuit.linear_b[row])
            if a != b:
                self.edges_linear[self.plan.edge(a, b)] += points.siemens[row]
        self.largest = np.max(points.siemens, axis=0, initial=0.0)

    def keep(self, columns: NDArray[np.intp]) -> None:
        """Drop all columns but the given ones."""
        self.points = self.points.take(columns)
        self.columns = np.arange(len(columns))
        for name in ("voltage", "scale", "series", "critical", "junction_at", "gate_at", "collector_at", "edges_linear"):
            setattr(self, name, np.ascontiguousarray(getattr(self, name)[:, columns]))
        for name in ("meter_at", "meter_critical", "yardstick", "largest"):
            setattr(self, name, getattr(self, name)[columns])

    def channel_currents(self, row: int) -> tuple[Array, Array, Array]:
        """Return current [A], collector slope [S] and gate slope [S] of one channel at its linearisation point."""
        circuit = self.circuit
        state = self.points.channel[row]
        collector = self.collector_at[row]
        gate = np.where(state == ALWAYS_ON, ALWAYS_ON_GATE_V, self.gate_at[row])
        offset = circuit.channel_offset[row]
        if circuit.channel_is_mosfet[row]:
            current, by_collector, by_gate = laws.mosfet_channel(collector, gate, circuit.channel_specific[row], offset)
        else:
            current, by_collector, by_gate = laws.igbt_channel(
                collector, gate, circuit.channel_specific[row], circuit.channel_scale[row], offset
            )
        on = state != CHANNEL_OFF
        return current * on, by_collector * on, np.where(state == ALWAYS_ON, 0.0, by_gate * on)

    def linearise(self) -> tuple[Array, Array, Array, list[tuple[int, Array]]]:
        """Return excess current into each node [A], edge and ground conductances [S], and the channels' gate slopes."""
        circuit, points, voltage = self.circuit, self.points, self.voltage
        excess = points.inject.copy()
        for row in self.linear_used.tolist():
            a, b = int(circuit.linear_a[row]), int(circuit.linear_b[row])
            current = points.siemens[row] * (voltage[a] - voltage[b])
            excess[a] -= current
            excess[b] += current
        edges = self.edges_linear.copy()
        across = voltage[circuit.junction_a] - voltage[circuit.junction_b]
        current, slope = laws.junction(self.junction_at, points.saturation, self.scale, self.series)
        current += slope * (across - self.junction_at)
        for row, (a, b) in enumerate(zip(circuit.junction_a.tolist(), circuit.junction_b.tolist(), strict=True)):
            if a != b:
                excess[a] -= current[row]
                excess[b] += current[row]
                edges[self.plan.edge(a, b)] += slope[row]
        gate_slopes: list[tuple[int, Array]] = []
        for row in range(len(circuit.channel_high)):
            high, low, gate = (
                int(circuit.channel_high[row]),
                int(circuit.channel_low[row]),
                int(circuit.channel_gate[row]),
            )
            floor = laws.GMIN_S * (points.channel[row] != CHANNEL_OFF)
            drop = voltage[high] - voltage[low]
            total = floor * drop
            if row in self.channels_used and high != low:
                current, by_collector, by_gate = self.channel_currents(row)
                total = total + current + by_collector * (drop - self.collector_at[row])
                if by_gate.max(initial=0.0) > SLOPE_FLOOR_S or by_gate.min(initial=0.0) < -SLOPE_FLOOR_S:
                    total += by_gate * (voltage[gate] - voltage[low] - self.gate_at[row])
                    gate_slopes.append((row, by_gate))
                floor = floor + by_collector
            if high != low:
                excess[high] -= total
                excess[low] += total
                edges[self.plan.edge(high, low)] += floor
        ground = np.zeros_like(excess)
        red_voltage = voltage[points.red, self.columns]
        current, slope = meter_current(points, self.meter_at + points.volts)
        current -= slope * (red_voltage - points.volts - self.meter_at)
        excess[points.red, self.columns] += current
        ground[points.red, self.columns] += slope
        excess[points.black, self.columns] -= GROUND_S * voltage[points.black, self.columns]
        ground[points.black, self.columns] += GROUND_S
        return excess, edges, ground, gate_slopes

    def solve_linear(
        self, factors: Factors, currents: Array, gate_slopes: list[tuple[int, Array]], transposed: bool = False
    ) -> Array:
        """Return the voltages that answer ``currents``, the channels' gate slopes included.

        The Jacobian is S + sum u gm w^T with u = high - low and w = gate - low; its transpose exchanges u and w.
        """
        answer = self.plan.solve(factors, currents)
        if not gate_slopes:
            return answer
        circuit = self.circuit
        count = len(gate_slopes)
        columns: list[Array] = []
        for row, _slope in gate_slopes:
            unit = np.zeros_like(answer)
            unit[circuit.channel_gate[row] if transposed else circuit.channel_high[row]] += 1.0
            unit[circuit.channel_low[row]] -= 1.0
            columns.append(self.plan.solve(factors, unit))
        system = np.zeros((answer.shape[1], count, count))
        right = np.zeros((answer.shape[1], count))
        for k, (row, slope) in enumerate(gate_slopes):
            end = circuit.channel_high[row] if transposed else circuit.channel_gate[row]
            low = circuit.channel_low[row]
            right[:, k] = slope * (answer[end] - answer[low])
            for m in range(count):
                system[:, k, m] = slope * (columns[m][end] - columns[m][low])
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

    def advance(self) -> Array:
        """Move the linearisation points towards the node voltages; return how far each column still is [V]."""
        circuit, points, voltage = self.circuit, self.points, self.voltage
        across = voltage[circuit.junction_a] - voltage[circuit.junction_b]
        limited = laws.limit_junction_step(across, self.junction_at, self.scale, self.critical)
        gap = np.max(np.abs(across - limited), axis=0, initial=0.0)
        self.junction_at = limited
        meter = voltage[points.red, self.columns] - points.volts
        held = laws.limit_junction_step(
            meter, self.meter_at, np.full_like(meter, METER_SCALE_V), np.where(points.amps > 0.0, self.meter_critical, np.inf)
        )
        gap = np.maximum(gap, np.abs(meter - held))
        self.meter_at = held
        gate = voltage[circuit.channel_gate] - voltage[circuit.channel_low]
        collector = voltage[circuit.channel_high] - voltage[circuit.channel_low]
        for row in self.channels_used.tolist():
            offset = circuit.channel_offset[row]
            over = np.maximum(self.gate_at[row] - offset, 0.0)
            ceiling = offset + np.maximum(2.0 * over, GATE_STEP_V)
            new_gate = np.minimum(gate[row], ceiling)
            driven = (new_gate > offset - GATE_STEP_V) | (points.channel[row] == ALWAYS_ON)
            new_collector = collector[row]
            if driven.any():
                if circuit.channel_is_mosfet[row]:
                    step = np.clip(new_collector - self.collector_at[row], -1.0, 1.0)
                    new_collector = np.where(driven, self.collector_at[row] + step, new_collector)
                else:
                    scale = np.full_like(new_collector, circuit.channel_scale[row])
                    critical = scale * np.log(scale / (np.sqrt(2.0) * circuit.channel_specific[row]))
                    damped = laws.limit_junction_step(new_collector, self.collector_at[row], scale, critical)
                    new_collector = np.where(driven, damped, new_collector)
                gap = np.maximum(gap, np.abs(collector[row] - new_collector))
            gap = np.maximum(gap, np.abs(gate[row] - new_gate))
            self.gate_at[row] = new_gate
            self.collector_at[row] = new_collector
        return gap

    def allowed_amps(self) -> Array:
        """Return the residual [A] each column may keep: a share of the test current, and what rounding leaves."""
        rounding = 8.0 * np.finfo(float).eps * self.largest * (1e-3 + np.max(np.abs(self.voltage), axis=0))
        return RESIDUAL_SHARE * self.yardstick + rounding + 1e-18


def _solve_chunk(circuit: Circuit, points: Points, start: Array) -> Solution:
    size = points.size
    voltage = np.array(start)
    residual = np.full(size, np.inf)
    converged = np.zeros(size, dtype=bool)
    iterations = np.zeros(size, dtype=np.int64)
    state = _Newton(circuit, points, np.array(start))
    alive = np.arange(size)
    last_step = np.full(size, np.inf)
    gap = np.zeros(size)
    for iteration in range(MAX_ITERATIONS + 1):
        excess, edges, ground, gate_slopes = state.linearise()
        share = np.max(np.abs(excess), axis=0) / state.allowed_amps()
        done = (share <= 1.0) & (gap <= STEP_V) & (last_step <= STEP_V)
        if iteration == MAX_ITERATIONS:
            done = np.ones_like(done)
        if done.any():
            where = alive[done]
            voltage[:, where] = state.voltage[:, done]
            residual[where] = share[done]
            iterations[where] = iteration
            converged[where] = (share[done] <= 1.0) & (gap[done] <= STEP_V) & (last_step[done] <= STEP_V)
            if done.all():
                break
            if done.mean() > 0.25 or len(alive) < 64:
                stay = np.flatnonzero(~done)
                state.keep(stay)
                alive = alive[stay]
                excess, edges, ground = excess[:, stay], edges[:, stay], ground[:, stay]
                gate_slopes = [(row, slope[stay]) for row, slope in gate_slopes]
        factors = state.plan.factor(np.ascontiguousarray(edges), np.ascontiguousarray(ground))
        step = state.solve_linear(factors, np.ascontiguousarray(excess), gate_slopes)
        step[~np.isfinite(step)] = 0.0
        state.voltage += step
        last_step = np.max(np.abs(step), axis=0)
        gap = state.advance()
    return Solution(voltage, residual, converged, iterations)


def solve_points(circuit: Circuit, points: Points, start: Array | None = None) -> Solution:
    """Return the operating points of a batch.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    points : Points
        Branch values and meter of each operating point.
    start : ndarray, nodes x batch, optional
        Voltages to start from [V]; zero if not given.

    Returns
    -------
    Solution
        Voltages; points that did not converge are marked and must not be read as numbers.
    """
    if start is None:
        start = np.zeros((circuit.node_count, points.size))
    chunks = []
    for first in range(0, points.size, BATCH):
        columns = slice(first, first + BATCH)
        chunks.append(_solve_chunk(circuit, points.take(columns), start[:, columns]))
    if len(chunks) == 1:
        return chunks[0]
    if not chunks:
        none = np.zeros(0)
        return Solution(np.zeros((circuit.node_count, 0)), none, none.astype(bool), none.astype(np.int64))
    return Solution(
        np.concatenate([chunk.voltage for chunk in chunks], axis=1),
        np.concatenate([chunk.residual for chunk in chunks]),
        np.concatenate([chunk.converged for chunk in chunks]),
        np.concatenate([chunk.iterations for chunk in chunks]),
    )


def solve_adjoint(circuit: Circuit, points: Points, voltage: Array) -> Array:
    """Return how the red lead's voltage answers one ampere into each node [ohm].

    Parameters
    ----------
    circuit, points
        As for :func:`solve_points`.
    voltage : ndarray, nodes x batch
        A converged solution [V].

    Returns
    -------
    ndarray, nodes x batch
        Transfer resistances: a branch from a to b that carries dI more moves the reading by -(out[a] - out[b]) dI.
    """
    pieces = []
    for first in range(0, points.size, BATCH):
        columns = slice(first, first + BATCH)
        chunk = points.take(columns)
        state = _Newton(circuit, chunk, np.array(voltage[:, columns]))
        _excess, edges, ground, gate_slopes = state.linearise()
        factors = state.plan.factor(edges, ground)
        unit = np.zeros_like(state.voltage)
        unit[chunk.red, state.columns] = 1.0
        pieces.append(state.solve_linear(factors, unit, gate_slopes, transposed=True))
    return np.concatenate(pieces, axis=1) if pieces else np.zeros((circuit.node_count, 0))


def with_capacitors(circuit: Circuit, points: Points, siemens: Array, inject: Array) -> Points:
    """Return points whose capacitors are Norton sources: conductance [S] and current into their first pin [A], each capacitors x batch."""
    rows = circuit.capacitor_rows
    table = points.siemens.copy()
    table[rows] = siemens
    current = points.inject.copy()
    np.add.at(current, circuit.linear_a[rows], inject)
    np.subtract.at(current, circuit.linear_b[rows], inject)
    return replace(points, siemens=table, inject=current)
