"""Operating points of many variants of one circuit at once: damped Newton on nodal equations.

Each column of a batch is one set of branch values under one placement of the leads. Junction voltages are limited in
the way circuit simulators do; the channels' transconductance enters as a low-rank correction, so that the elimination
itself stays symmetric and free of subtraction. The residual of every answer is checked; what did not converge is
reported.

References
----------
Nagel, SPICE2, UCB/ERL M520 (1975) for nodal Newton with junction limiting. Woodbury's identity: Hager, SIAM Rev. 31
(1989) 221.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.damage import ALWAYS_ON, CHANNEL_OFF
from bridge.elimination import Factors

__all__ = [
    "Points",
    "Response",
    "Solution",
    "batch_size",
    "full_scale_amps",
    "meter_current",
    "solve_points",
    "solve_response",
    "solve_transfer",
]

Array = NDArray[np.float64]

BATCH_EDGES = 180_000  # edges times columns solved together: enough to hide call overhead, few enough for the cache
LEAST_BATCH, MOST_BATCH = 256, 2048
GROUND_S = 1e9  # ties the black lead's node to the reference; carries the test current with a picovolt
ALWAYS_ON_GATE_V = 15.0
METER_SCALE_V = 0.025  # how sharply a current source runs out at its open-circuit voltage
RESIDUAL_SHARE = 1e-9  # Kirchhoff's law holds to this share of the test current
STEP_V = 1e-6  # last move of a converged reading; Newton's next is its square. Idle nodes may drift
GATE_STEP_V = 0.5
CHANNEL_DARK_V = 1.6  # 35 e-folds under threshold: below 1e-15 A
SLOPE_FLOOR_S = 1e-13  # a transconductance below this moves nothing a meter shows
OPEN_SLOPE_SHARE = 1e-9  # of the test current per volt
MAX_ITERATIONS = 120
PATIENT_STEPS = 40
LARGEST_SOURCE_V = 30.0  # held gates and charged capacitors
REACH_MARGIN_V = 0.5
LEAK_STEPS_S = tuple(10.0**-power for power in range(3, 14))  # from every node to the reference, taken away in decades
STRAGGLERS = 0.12  # share of a batch left for the next round


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

    @staticmethod
    def together(batches: list[Points]) -> Points:
        """Return several batches of one circuit as one."""
        return Points(
            np.concatenate([batch.siemens for batch in batches], axis=1),
            np.concatenate([batch.inject for batch in batches], axis=1),
            np.concatenate([batch.saturation for batch in batches], axis=1),
            np.concatenate([batch.channel for batch in batches], axis=1),
            np.concatenate([batch.red for batch in batches]),
            np.concatenate([batch.black for batch in batches]),
            np.concatenate([batch.amps for batch in batches]),
            np.concatenate([batch.volts for batch in batches]),
            np.concatenate([batch.ohms for batch in batches]),
        )

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


def full_scale_amps(points: Points) -> Array:
    """Return the largest current the meter can deliver [A]: the yardstick of the residual."""
    with np.errstate(divide="ignore", invalid="ignore"):
        behind_resistor = np.abs(points.volts) / points.ohms
    return np.maximum(np.where(points.amps > 0.0, points.amps, behind_resistor), 1e-8)


def meter_current(amps: Array, volts: Array, ohms: Array, red_voltage: Array) -> tuple[Array, Array]:
    """Return the current out of the red lead [A] and minus its slope [S] at a voltage between the tips [V].

    Parameters
    ----------
    amps, volts, ohms : ndarray
        Test current [A] (0: a source behind a resistor), open-circuit voltage [V], leads and source resistance [ohm].
    red_voltage : ndarray
        Voltage between the tips of the leads [V].
    """
    flows = amps > 0.0
    into, slope = laws.junction(red_voltage - volts, amps, np.full_like(amps, METER_SCALE_V), ohms, floor=0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        conductance = np.where(flows, 0.0, 1.0 / ohms)
    return np.where(flows, -into, (volts - red_voltage) * conductance), np.where(flows, slope, conductance)


def _limit_gate(new: Array, old: Array, offset: float) -> Array:
    """Return gate voltages [V] held back to steps that a channel with this threshold offset [V] can follow."""
    limited: Array = np.minimum(new, offset + np.maximum(2.0 * np.maximum(old - offset, 0.0), GATE_STEP_V))
    return limited


NO_COLUMN = np.zeros(1, dtype=np.intp)
NOWHERE = Solution(np.zeros((0, 0)), np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64))


class _Newton:
    """State of one batch while it is being solved.

    Parameters
    ----------
    circuit, points
        The branch table and the batch.
    voltage : ndarray, nodes x batch
        Voltages to start from [V].
    target : ndarray of int, batch
        Column of ``result`` each point belongs to.
    result : Solution
        Where finished columns are written.
    leak : float
        Conductance from every node to the reference [S].
    """

    by_row = ("voltage", "critical", "junction_at", "gate_at", "collector_at")
    by_column = ("meter_at", "meter_critical", "yardstick", "steps", "last_step", "gap", "target")
    prepared = ("edges_linear",)

    def __init__(
        self,
        circuit: Circuit,
        points: Points,
        voltage: Array,
        target: NDArray[np.intp],
        result: Solution,
        leak: float = 0.0,
    ) -> None:
        self.circuit = circuit
        self.plan = circuit.plan
        self.points = points
        self.voltage = np.array(voltage)
        self.target = target
        self.result = result
        self.leak = leak
        self.columns = np.arange(points.size)
        self.scale = circuit.junction_scale[:, None]
        self.series = circuit.junction_ohms[:, None]
        with np.errstate(divide="ignore"):
            self.critical = self.scale * np.log(self.scale / (np.sqrt(2.0) * points.saturation))
            self.meter_critical = METER_SCALE_V * np.log(METER_SCALE_V / (np.sqrt(2.0) * points.amps))
        self.junction_at = voltage[circuit.junction_a] - voltage[circuit.junction_b]
        self.meter_at = voltage[points.red, self.columns] - points.volts
        self.gate_at = voltage[circuit.channel_gate] - voltage[circuit.channel_low]
        self.collector_at = voltage[circuit.channel_high] - voltage[circuit.channel_low]
        self.yardstick = full_scale_amps(points)
        self.steps = np.zeros(points.size, dtype=np.int64)
        self.last_step = np.full(points.size, np.inf)
        self.gap = np.zeros(points.size)
        self._prepare_linear()

    def _prepare_linear(self) -> None:
        circuit, points = self.circuit, self.points
        self.edges_linear = np.zeros((self.plan.edge_count, points.size))
        circuit.into_edges["linear"].add(self.edges_linear, points.siemens)
        circuit.into_edges["channel"].add(self.edges_linear, laws.GMIN_S * (points.channel != CHANNEL_OFF))
        self.largest = np.max(points.siemens, axis=0, initial=0.0)

    @classmethod
    def together(cls, states: list[_Newton]) -> _Newton:
        """Return the unfinished columns of several batches of one circuit as one batch."""
        first = states[0]
        if len(states) == 1:
            return first
        for name in cls.by_row + cls.prepared:
            setattr(first, name, np.concatenate([getattr(state, name) for state in states], axis=1))
        for name in (*cls.by_column, "largest"):
            setattr(first, name, np.concatenate([getattr(state, name) for state in states]))
        first.points = Points.together([state.points for state in states])
        first.columns = np.arange(first.points.size)
        return first

    def rein_in(self) -> None:
        """Bring slow columns back between the sources' voltages, where every solution lies.

        A leg that floats on picoamperes can be thrown to thousands of volts and back, round and round.
        """
        slow = self.steps > PATIENT_STEPS
        if slow.any():
            driven = np.any(self.points.inject[:, slow] != 0.0, axis=0)
            reach = np.abs(self.points.volts[slow]) + np.where(driven, LARGEST_SOURCE_V, 0.0) + REACH_MARGIN_V
            self.voltage[:, slow] = np.clip(self.voltage[:, slow], -reach, reach)

    def settle(self, share: Array) -> NDArray[np.intp] | None:
        """Write converged and hopeless columns to the result and drop them; return those that stay, or None for all.

        Parameters
        ----------
        share : ndarray, batch
            Violation of Kirchhoff's law as a share of what is allowed [1].
        """
        good = (share <= 1.0) & (self.gap <= STEP_V) & (self.last_step <= STEP_V)
        done = good | (self.steps >= MAX_ITERATIONS)
        if not done.any():
            return None
        where = self.target[done]
        self.result.voltage[:, where] = self.voltage[:, done]
        self.result.residual[where] = share[done]
        self.result.iterations[where] = self.steps[done]
        self.result.converged[where] = good[done]
        if done.mean() < 0.2 and len(done) > 64:
            return None  # carried along: cheaper than copying everything for a few
        stay = np.flatnonzero(~done)
        self.points = self.points.take(stay)
        self.columns = np.arange(len(stay))
        for name in self.by_row + self.prepared:
            setattr(self, name, np.ascontiguousarray(getattr(self, name)[:, stay]))
        for name in (*self.by_column, "largest"):
            setattr(self, name, getattr(self, name)[stay])
        return stay

    def conducting_channels(self) -> NDArray[np.bool_]:
        """Return which channels pass anything in any column; far below threshold nothing is left to compute."""
        reach = np.where(
            self.circuit.channel_is_mosfet[:, None],
            np.maximum(self.gate_at, self.gate_at - self.collector_at),
            self.gate_at,
        )
        on = (reach > self.circuit.channel_offset[:, None] - CHANNEL_DARK_V) & (self.points.channel != CHANNEL_OFF)
        answer: NDArray[np.bool_] = (on | (self.points.channel == ALWAYS_ON)).any(axis=1)
        return answer

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
        ends = self.plan.ends
        flows = voltage.take(ends[:, 0], axis=0)
        flows -= voltage.take(ends[:, 1], axis=0)
        flows *= self.edges_linear
        edges = self.edges_linear.copy()
        across = voltage.take(circuit.junction_a, axis=0) - voltage.take(circuit.junction_b, axis=0)
        current, slope = laws.junction(self.junction_at, points.saturation, self.scale, self.series)
        current += slope * (across - self.junction_at)
        circuit.into_edges["junction"].add(edges, slope)
        circuit.into_edges["junction"].add_flows(flows, current)
        excess = points.inject.copy()
        circuit.into_nodes.add_flows(excess, flows)
        gate_slopes: list[tuple[int, Array]] = []
        conducting = self.conducting_channels()
        for row in np.flatnonzero(conducting).tolist():
            high, low = int(circuit.channel_high[row]), int(circuit.channel_low[row])
            if high == low:
                continue
            gate = int(circuit.channel_gate[row])
            total, by_collector, by_gate = self.channel_currents(row)
            total += by_collector * (voltage[high] - voltage[low] - self.collector_at[row])
            if np.max(np.abs(by_gate)) > SLOPE_FLOOR_S:
                total += by_gate * (voltage[gate] - voltage[low] - self.gate_at[row])
                gate_slopes.append((row, by_gate))
            edges[self.plan.edge(high, low)] += by_collector
            excess[high] -= total
            excess[low] += total
        ground = np.full_like(excess, self.leak)
        if self.leak:
            excess -= self.leak * voltage
        red_voltage = voltage[points.red, self.columns]
        current, slope = meter_current(points.amps, points.volts, points.ohms, self.meter_at + points.volts)
        current -= slope * (red_voltage - points.volts - self.meter_at)
        excess[points.red, self.columns] += current
        # an open circuit leaves only the source's own vanishing slope; a floor keeps the first step finite
        ground[points.red, self.columns] += np.maximum(slope, OPEN_SLOPE_SHARE * self.yardstick)
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
        across = voltage.take(circuit.junction_a, axis=0) - voltage.take(circuit.junction_b, axis=0)
        limited = laws.limit_junction_step(across, self.junction_at, self.scale, self.critical)
        gap = np.max(np.abs(across - limited), axis=0, initial=0.0)
        self.junction_at = limited
        meter = voltage[points.red, self.columns] - points.volts
        held = laws.limit_junction_step(
            meter,
            self.meter_at,
            np.full_like(meter, METER_SCALE_V),
            np.where(points.amps > 0.0, self.meter_critical, np.inf),
        )
        gap = np.maximum(gap, np.abs(meter - held))
        self.meter_at = held
        gate = voltage[circuit.channel_gate] - voltage[circuit.channel_low]
        collector = voltage[circuit.channel_high] - voltage[circuit.channel_low]
        drive = np.where(circuit.channel_is_mosfet[:, None], np.maximum(gate, gate - collector), gate)
        near = (drive > circuit.channel_offset[:, None] - GATE_STEP_V) & (points.channel != CHANNEL_OFF)
        followed = (near | (points.channel == ALWAYS_ON)).any(axis=1)
        self.gate_at, gate_before = gate.copy(), self.gate_at
        self.collector_at, collector_before = collector.copy(), self.collector_at
        for row in np.flatnonzero(followed).tolist():
            offset = circuit.channel_offset[row]
            new_gate = _limit_gate(gate[row], gate_before[row], offset)
            new_collector = collector[row]
            if circuit.channel_is_mosfet[row]:
                # drain and source are alike to the channel: both its ends are held back by the same rule
                fixed = points.channel[row] == ALWAYS_ON
                before = np.where(fixed, ALWAYS_ON_GATE_V, gate_before[row]) - collector_before[row]
                at_drain = np.where(fixed, ALWAYS_ON_GATE_V, gate[row]) - collector[row]
                held_back = _limit_gate(at_drain, before, offset)
                new_collector = np.where(
                    (held_back < at_drain) | (new_gate < gate[row]),
                    np.where(fixed, ALWAYS_ON_GATE_V, new_gate) - held_back,
                    new_collector,
                )
                gap = np.maximum(gap, np.abs(collector[row] - new_collector))
            else:
                driven = (new_gate > offset - GATE_STEP_V) | (points.channel[row] == ALWAYS_ON)
                scale = np.full_like(new_collector, circuit.channel_scale[row])
                critical = scale * np.log(scale / (np.sqrt(2.0) * circuit.channel_specific[row]))
                damped = laws.limit_junction_step(new_collector, collector_before[row], scale, critical)
                new_collector = np.where(driven, damped, new_collector)
                gap = np.maximum(gap, np.abs(collector[row] - new_collector))
            gap = np.maximum(gap, np.abs(gate[row] - new_gate))
            self.gate_at[row] = new_gate
            self.collector_at[row] = new_collector
        answer: Array = gap
        return answer

    def allowed_amps(self) -> Array:
        """Return the residual [A] each column may keep: a share of the test current, and what rounding leaves."""
        rounding = 8.0 * np.finfo(float).eps * self.largest * (1e-3 + np.max(np.abs(self.voltage), axis=0))
        allowed: Array = RESIDUAL_SHARE * self.yardstick + rounding + 1e-18
        return allowed


def batch_size(circuit: Circuit) -> int:
    """Return how many columns of a circuit to solve together."""
    return int(np.clip(BATCH_EDGES // max(circuit.plan.edge_count, 1), LEAST_BATCH, MOST_BATCH))


def _iterate(state: _Newton, until: float) -> None:
    """Advance a batch until at most a share ``until`` of its columns is left; the finished ones are written away."""
    initial = state.points.size
    while state.points.size:
        excess, edges, ground, gate_slopes = state.linearise()
        stay = state.settle(np.max(np.abs(excess), axis=0) / state.allowed_amps())
        if stay is not None:
            if len(stay) <= until * initial:
                return
            excess, edges, ground = excess[:, stay], edges[:, stay], ground[:, stay]
            gate_slopes = [(row, slope[stay]) for row, slope in gate_slopes]
        factors = state.plan.factor(edges, ground)
        step = state.solve_linear(factors, excess, gate_slopes)
        step[~np.isfinite(step)] = 0.0
        state.voltage += step
        state.rein_in()
        state.last_step = np.abs(step[state.points.red, state.columns])
        state.gap = state.advance()
        state.steps += 1


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
    size = points.size
    if start is None:
        start = np.zeros((circuit.node_count, size))
    result = Solution(
        np.array(start), np.full(size, np.inf), np.zeros(size, dtype=bool), np.zeros(size, dtype=np.int64)
    )
    waiting: list[_Newton] = []
    batch = batch_size(circuit)
    for first in range(0, size, batch):
        columns = np.arange(first, min(first + batch, size))
        state = _Newton(circuit, points.take(columns), start[:, columns], columns, result)
        _iterate(state, STRAGGLERS)
        waiting.append(state)
        if sum(one.points.size for one in waiting) >= batch or columns[-1] == size - 1:
            # the slow ones of many batches finish together: a step costs the same for ten columns as for a hundred
            _iterate(_Newton.together(waiting), 0.0)
            waiting = []
    _retry(circuit, points, result)
    return result


def _retry(circuit: Circuit, points: Points, result: Solution) -> None:
    """Solve what did not converge again, led there from a leaky circuit; what still fails stays marked.

    A channel whose gate hangs on its own drain can send Newton's method round and round. With a leak at every node the
    answer is near zero and found at once; each decade less starts from the answer before (Nagel's conductance
    stepping).
    """
    stubborn = np.flatnonzero(~result.converged)
    if not len(stubborn):
        return
    few = points.take(stubborn)
    places = np.arange(len(stubborn))
    guess = np.zeros((circuit.node_count, len(stubborn)))
    for leak in (*LEAK_STEPS_S, 0.0):
        trial = Solution(
            guess.copy(), np.full(len(places), np.inf), np.zeros(len(places), dtype=bool), np.zeros_like(places)
        )
        _iterate(_Newton(circuit, few, guess, places, trial, leak), 0.0)
        guess = np.where(trial.converged, trial.voltage, guess)
        result.iterations[stubborn] += trial.iterations
    result.voltage[:, stubborn] = trial.voltage
    result.residual[stubborn] = trial.residual
    result.converged[stubborn] = trial.converged


@dataclass(frozen=True, slots=True)
class Response:
    """How a batch of solved points answers small currents.

    Parameters
    ----------
    transfer : ndarray, nodes x batch
        Move of the red lead with one ampere into each node [ohm]: a branch from a to b that carries dI more moves the
        reading by -(transfer[a] - transfer[b]) dI.
    port_ohms : ndarray, edges x batch
        Resistance between the ends of each edge of the circuit's plan, its own conductance included [ohm].
    ports_known : ndarray of bool, batch
        Columns whose port resistances hold: not those whose channels answer their gates.
    """

    transfer: Array
    port_ohms: Array
    ports_known: NDArray[np.bool_]

    def take(self, columns: NDArray[np.intp]) -> Response:
        """Return the response of some columns."""
        return Response(self.transfer[:, columns], self.port_ohms[:, columns], self.ports_known[columns])


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
    transfer, port_ohms = [], []
    known = np.full(points.size, ports)
    batch = batch_size(circuit)
    for first in range(0, points.size, batch):
        columns = slice(first, first + batch)
        chunk = points.take(columns)
        state = _Newton(circuit, chunk, voltage[:, columns], np.arange(chunk.size), NOWHERE)
        _excess, edges, ground, gate_slopes = state.linearise()
        factors = state.plan.factor(edges, ground)
        unit = np.zeros_like(state.voltage)
        unit[chunk.red, state.columns] = 1.0
        transfer.append(state.solve_linear(factors, unit, gate_slopes, transposed=True))
        if ports:
            port_ohms.append(state.plan.port_ohms(factors))
        for _row, slope in gate_slopes:
            known[columns] &= np.abs(slope) <= SLOPE_FLOOR_S
    nothing = np.zeros((circuit.node_count, 0))
    return Response(
        np.concatenate(transfer, axis=1) if transfer else nothing,
        np.concatenate(port_ohms, axis=1) if port_ohms else np.zeros((circuit.plan.edge_count, 0)),
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
        state = _Newton(
            circuit, points.take(slice(point, point + 1)), voltage[:, point : point + 1], NO_COLUMN, NOWHERE
        )
        _excess, edges, ground, gate_slopes = state.linearise()
        wide = [np.repeat(table, count, axis=1) for table in (edges, ground)]
        factors = state.plan.factor(*wide)
        slopes = [(row, np.repeat(slope, count)) for row, slope in gate_slopes]
        answer[point] = state.solve_linear(factors, np.eye(count), slopes)
    return answer
