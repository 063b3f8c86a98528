"""One step of damped Newton on nodal equations, for many variants of one circuit at once.

Each column of a batch is one set of branch values under one placement of the leads. Junction voltages are limited in
the way circuit simulators do; the channels' transconductance enters as a low-rank correction, so that the elimination
itself stays symmetric and free of subtraction. The residual of every answer is checked; what did not converge is
reported.

References
----------
Nagel, SPICE2, UCB/ERL M520 (1975) for nodal Newton with junction limiting.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.points import ALWAYS_ON, CHANNEL_OFF, METER_SCALE_V, Points, Solution, full_scale_amps, meter_current
from bridge.steering import Transconductance, follows_collector

__all__ = ["Newton"]

Array = NDArray[np.float64]

GROUND_S = 1e9  # ties the black lead's node to the reference; carries the test current with a picovolt
ALWAYS_ON_GATE_V = 15.0
RESIDUAL_SHARE = 1e-9  # Kirchhoff's law holds to this share of the test current
ROUNDING_SHARE = 2.0 * float(np.finfo(float).eps)  # of conductance times voltage
STEP_V = 1e-6  # last move of a converged reading; Newton's next is its square. Idle nodes may drift
GATE_STEP_V = 0.5
CHANNEL_DARK_V = 1.6  # 35 e-folds under threshold: below 1e-15 A
SLOPE_FLOOR_S = 1e-13  # a transconductance below this moves nothing a meter shows
OPEN_SLOPE_SHARE = 1e-9  # of the test current per volt
MAX_ITERATIONS = 120
PATIENT_STEPS = 40
LARGEST_SOURCE_V = 30.0  # held gates and charged capacitors
REACH_MARGIN_V = 0.5
NOWHERE = Solution(np.zeros((0, 0)), np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64))


def _limit_gate(new: Array, old: Array, offset: float) -> Array:
    """Return gate voltages [V] held back to steps that a channel with this threshold offset [V] can follow."""
    limited: Array = np.minimum(new, offset + np.maximum(2.0 * np.maximum(old - offset, 0.0), GATE_STEP_V))
    return limited


class Newton:
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
        self.channel_rounding = np.zeros((circuit.node_count, points.size))
        self._prepare_linear()

    @classmethod
    def at_rest(cls, circuit: Circuit, points: Points, voltage: Array) -> Newton:
        """Return the state of solved points, from which nothing is to be written anywhere."""
        return cls(circuit, points, voltage, np.arange(points.size), NOWHERE)

    def _prepare_linear(self) -> None:
        circuit, points = self.circuit, self.points
        self.edges_linear = np.zeros((self.plan.edge_count, points.size))
        circuit.into_edges["linear"].add(self.edges_linear, points.siemens)
        circuit.into_edges["channel"].add(self.edges_linear, laws.GMIN_S * (points.channel != CHANNEL_OFF))

    @classmethod
    def together(cls, states: list[Newton]) -> Newton:
        """Return the unfinished columns of several batches of one circuit as one batch."""
        first = states[0]
        if len(states) == 1:
            return first
        for name in cls.by_row + cls.prepared:
            setattr(first, name, np.concatenate([getattr(state, name) for state in states], axis=1))
        for name in cls.by_column:
            setattr(first, name, np.concatenate([getattr(state, name) for state in states]))
        first.points = Points.together([state.points for state in states])
        first.columns = np.arange(first.points.size)
        return first

    def move(self, step: Array) -> None:
        """Add a step to the voltages [V]; slow columns stay between the sources' voltages, where every solution lies.

        A leg that floats on picoamperes can be thrown to thousands of volts and back, round and round.
        """
        step[~np.isfinite(step)] = 0.0
        self.voltage += step
        slow = self.steps > PATIENT_STEPS
        if slow.any():
            driven = np.any(self.points.inject[:, slow] != 0.0, axis=0)
            reach = np.abs(self.points.volts[slow]) + np.where(driven, LARGEST_SOURCE_V, 0.0) + REACH_MARGIN_V
            self.voltage[:, slow] = np.clip(self.voltage[:, slow], -reach, reach)
        self.last_step = np.abs(step[self.points.red, self.columns])

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
        for name in self.by_column:
            setattr(self, name, getattr(self, name)[stay])
        return stay

    def conducting_channels(self) -> NDArray[np.bool_]:
        """Return which channels pass anything in any column, channels; far below threshold nothing is left to do."""
        reach = np.where(
            self.circuit.channel_is_mosfet[:, None],
            np.maximum(self.gate_at, self.gate_at - self.collector_at),
            self.gate_at,
        )
        on = (reach > self.circuit.channel_offset[:, None] - CHANNEL_DARK_V) & (self.points.channel != CHANNEL_OFF)
        answer: NDArray[np.bool_] = (on | (self.points.channel == ALWAYS_ON)).any(axis=1)
        return answer

    def channel_currents(self, row: int) -> tuple[Array, Array, Array]:
        """Return current [A], collector slope [S] and gate slope [S] of one channel at its linearisation points.

        Parameters
        ----------
        row : int
            Number of the channel; each answer has one entry for each point of the batch.
        """
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

    def linearise(self) -> tuple[Array, Array, Array, list[Transconductance]]:
        """Return what the linearised circuit asks of the node voltages.

        Returns
        -------
        excess : ndarray, nodes x batch
            Current into each node that is not led away [A].
        edges : ndarray, edges x batch
            Conductance of each edge [S].
        ground : ndarray, nodes x batch
            Conductance from each node to the reference [S].
        steered : list of Transconductance
            The channels that a gate steers.
        """
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
        self.channel_rounding = np.zeros_like(excess)
        steered: list[Transconductance] = []
        conducting = self.conducting_channels()
        for row in np.flatnonzero(conducting).tolist():
            high, low = int(circuit.channel_high[row]), int(circuit.channel_low[row])
            if high == low:
                continue
            gate = int(circuit.channel_gate[row])
            total, by_collector, by_gate = self.channel_currents(row)
            # what its gate makes of the rounding of its voltages; its other conductances stand among the edges
            unsure = by_gate * (np.abs(voltage[gate]) + np.abs(voltage[low]))
            total += by_collector * (voltage[high] - voltage[low] - self.collector_at[row])
            if np.max(np.abs(by_gate)) > SLOPE_FLOOR_S:
                total += by_gate * (voltage[gate] - voltage[low] - self.gate_at[row])
                follows = follows_collector(circuit, row, by_gate, self.edges_linear)
                steered.append(Transconductance(row, by_gate, follows))
                by_collector += steered[-1].as_conductance
                unsure -= steered[-1].as_conductance * (np.abs(voltage[high]) + np.abs(voltage[low]))
            for end in (high, low):
                self.channel_rounding[end] += ROUNDING_SHARE * unsure
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
        return excess, edges, ground, steered

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

    def allowed_amps(self, edges: Array, ground: Array) -> Array:
        """Return the residual [A] each node may keep, nodes x batch: a share of the test current, and rounding.

        Parameters
        ----------
        edges, ground : ndarray
            Conductances of the linearised circuit, as :meth:`linearise` returns them [S].
        """
        # what rounding may leave at a node is a matter of the currents there, not of the largest one elsewhere; between
        # two charged capacitors they are amperes that cancel
        ends, size = self.plan.ends, np.abs(self.voltage)
        grain = size.take(ends[:, 0], axis=0)
        grain += size.take(ends[:, 1], axis=0)
        grain *= edges  # a junction or a meter that passes amperes makes siemens of its voltage's rounding, too
        allowed = np.abs(self.points.inject)
        allowed += ground * size
        self.circuit.into_nodes.add(allowed, grain)
        allowed *= ROUNDING_SHARE
        allowed += self.channel_rounding
        return np.maximum(allowed, RESIDUAL_SHARE * self.yardstick)
