"""Whether one more fault would move a solved reading, told without a solve.

A fault replaces branches. Seen from its two nodes the solved circuit is a source behind a resistance, so the current
that the new branch takes, how far it pulls its nodes, and by how much it moves the reading follow in closed form. What
is so found holds for small moves only; every figure is therefore enlarged by what the junctions' slopes could change on
the way before it is called small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.newton import ALWAYS_ON_GATE_V
from bridge.points import ALWAYS_ON, CHANNEL_OFF, Points
from bridge.response import Response
from bridge.variants import ChangeClasses

__all__ = [
    "NO_EFFECT",
    "NO_EFFECT_ALONE",
    "STRONG",
    "WEAK",
    "Branches",
    "EffectTest",
    "is_quiet",
    "smallest_steps",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Grades = NDArray[np.uint8]

NO_EFFECT = 0
NO_EFFECT_ALONE = 1  # nothing on the display, but nodes are pulled: with a capacitor or another fault that may show
WEAK, STRONG = 2, 3

SAFE_AMPS_SHARE = 5e-3  # of the test current: a step from which first order still tells the size of the answer
SAFE_MOVE_V = 0.25
GROWTH_V = 0.0225  # half of n kT/q of a hard junction: two slopes in a row change by no more than exp(move / this)
SAFE_READING_V = 1e-6
SAFE_READING_SHARE = 4e-6
WEAK_AMPS_SHARE = 0.02  # up to here the answer is only a guess, good enough to tell what is worth solving
WEAK_READING_V = 2e-3
WEAK_READING_SHARE = 5e-3
SAFE_STEP_SHARE = 1e-5  # of the test current, where the resistance behind a step is not known
KNOWN_SHARE = 0.05  # that rounding may take of what is left beside an opened branch


def smallest_steps(reading: Array, slack: Array) -> Array:
    """Return how far readings may move before that counts [V], in the shape of the readings.

    Parameters
    ----------
    reading, slack : ndarray
        Readings at the jacks [V], and how far each may move without another display [V]; of one shape.
    """
    answer: Array = np.maximum(SAFE_READING_V + SAFE_READING_SHARE * np.abs(reading), slack)
    return answer


def is_quiet(
    amps: Array, moves: Array, volts: Array, test_amps: Array | float, smallest: Array | float
) -> NDArray[np.bool_]:
    """Return which steps stay without effect, whatever the slopes change on the way.

    Parameters
    ----------
    amps, moves, volts : ndarray
        Current of the step [A], pull on the nodes it starts from [V], move of the reading [V].
    test_amps, smallest : ndarray or float
        What the meter can deliver [A], and the move of the reading that counts [V].
    """
    with np.errstate(over="ignore", invalid="ignore"):
        growth = np.exp(np.minimum(moves / GROWTH_V, 300.0))
        quiet: NDArray[np.bool_] = (amps * growth <= SAFE_AMPS_SHARE * test_amps) & (volts * growth <= smallest)
        quiet &= moves <= SAFE_MOVE_V
    return quiet


class _Yardsticks:
    """What each column of a batch allows."""

    def __init__(self, points: Points, voltage: Array, test_amps: Array, slack: Array) -> None:
        reading = np.abs(voltage[points.red, np.arange(points.size)])
        self.test_amps = test_amps
        self.volts = smallest_steps(reading, slack)
        self.weak_volts = np.maximum(WEAK_READING_V + WEAK_READING_SHARE * reading, slack)

    def grades(self, amps: Array, moves: Array, volts: Array, columns: Index | slice) -> Grades:
        """Grade steps by current [A], pull on the own nodes [V] and move of the reading [V], all ``... x columns``."""
        with np.errstate(over="ignore", invalid="ignore"):
            growth = np.exp(np.minimum(moves / GROWTH_V, 300.0))
            current, reading = amps * growth, volts * growth
            test_amps = self.test_amps[columns]
            quiet = (current <= SAFE_AMPS_SHARE * test_amps) & (reading <= self.volts[columns])
            quiet &= moves <= SAFE_MOVE_V
            still = moves * growth <= SAFE_READING_V
            near = (current <= WEAK_AMPS_SHARE * test_amps) & (reading <= self.weak_volts[columns])
        grades: Grades = np.where(quiet, np.where(still, NO_EFFECT, NO_EFFECT_ALONE), np.where(near, WEAK, STRONG))
        return grades.astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Branches:
    """Branches that classes add to a solved point, or take away from it.

    Parameters
    ----------
    a, b : ndarray of int, branches
        Nodes.
    siemens : ndarray, branches
        Conductance added, negative where it is taken away [S].
    amps : ndarray, branches
        That conductance times the voltage between its nodes, or what a junction no longer carries [A].
    row : ndarray of int, branches
        Linear row, or a negative number for each junction.
    owner : ndarray of int, branches
        Class.
    unknown : ndarray of bool, classes
        Classes that change a channel which carries something: no branch stands for that.
    """

    a: Index
    b: Index
    siemens: Array
    amps: Array
    row: Index
    owner: Index
    unknown: NDArray[np.bool_]

    def speakers(self, some: NDArray[np.bool_]) -> Index:
        """Return for each branch that which speaks for it: of some that add to one row the largest, else itself."""
        speaker = np.arange(len(self.row))
        adds = np.flatnonzero(some & (self.siemens > 0.0))
        order = adds[np.lexsort((-self.siemens[adds], self.row[adds]))]
        if len(order):
            _, first, which = np.unique(self.row[order], return_index=True, return_inverse=True)
            speaker[order] = order[first][which]
        return speaker


class EffectTest:
    """Tests the classes of a circuit on solved points.

    Parameters
    ----------
    circuit : Circuit
        The healthy board.
    classes : ChangeClasses
        The faults to test.
    """

    def __init__(self, circuit: Circuit, classes: ChangeClasses) -> None:
        self.circuit = circuit
        self.classes = classes
        linear = classes.linear
        self._edge = circuit.linear_edges[linear.row] if len(linear.row) else np.zeros(0, dtype=np.intp)
        # faults that add a conductance between the same nodes differ only in its size: the largest speaks for all
        adds = np.flatnonzero(linear.value > 0.0)
        order = adds[np.lexsort((-linear.value[adds], linear.row[adds]))]
        rows, first = np.unique(linear.row[order], return_index=True)
        self._added_rows = rows.astype(np.intp)
        self._added_entries = np.split(order, first[1:]) if len(rows) else []
        self._taken = np.flatnonzero(linear.value <= 0.0)

    def grades(
        self, points: Points, voltage: Array, response: Response, test_amps: Array, slack: Array | None = None
    ) -> Grades:
        """Return how much classes would move readings, classes x batch: NO_EFFECT to STRONG.

        Parameters
        ----------
        points : Points
            The solved batch.
        voltage : ndarray, nodes x batch
            Its node voltages [V].
        response : Response
            How it answers small currents.
        test_amps : ndarray, batch
            What the meter can deliver [A].
        slack : ndarray, batch, optional
            Move of the reading that would not show [V]; none by default.

        Notes
        -----
        A conductance g added between two nodes a voltage v and a resistance z apart takes g v / (1 + g z) (Helmholtz,
        1853; Thevenin, 1883); taken away it does the same with -g.
        """
        slack = np.zeros(points.size) if slack is None else slack
        allowed = _Yardsticks(points, voltage, test_amps, slack)
        result = np.zeros((self.classes.size, points.size), dtype=np.uint8)
        for entries, grade in (
            (self.classes.linear, self._linear),
            (self.classes.junction, self._junctions),
            (self.classes.channel, self._channels),
            (self.classes.capacitor, self._capacitors),
        ):
            if len(entries.row) and points.size:
                graded = grade(points, voltage, response, allowed)
                some = np.flatnonzero(entries.count)
                result[some] = np.maximum(result[some], np.maximum.reduceat(graded, entries.first[some], axis=0))
        return result

    @property
    def is_single(self) -> NDArray[np.bool_]:
        """Which classes change one branch only."""
        kinds = (self.classes.linear, self.classes.junction, self.classes.channel, self.classes.capacitor)
        counts = np.array([entries.count for entries in kinds]).sum(axis=0)
        answer: NDArray[np.bool_] = counts == 1
        return answer

    def branches(self, points: Points, voltage: Array) -> Branches:
        """Return what each class adds and takes away on one solved point.

        Parameters
        ----------
        points : Points
            The point.
        voltage : ndarray, nodes x 1
            Its node voltages [V].
        """
        circuit, classes = self.circuit, self.classes
        linear, junction, capacitor = classes.linear, classes.junction, classes.capacitor
        own = circuit.capacitor_rows[capacitor.row]
        opened = np.where(capacitor.value == 0.0, -points.siemens[own, 0], 0.0) if len(own) else np.zeros(0)
        rows = np.concatenate([linear.row, own])
        siemens = np.concatenate([linear.value, opened])
        a, b = circuit.linear_a[rows], circuit.linear_b[rows]
        amps = siemens * (voltage[a, 0] - voltage[b, 0])
        anode, cathode = circuit.junction_a[junction.row], circuit.junction_b[junction.row]
        flows, slope = laws.junction(
            voltage[anode] - voltage[cathode],
            points.saturation[junction.row],
            circuit.junction_scale[junction.row][:, None],
            circuit.junction_ohms[junction.row][:, None],
        )
        unknown = np.zeros(classes.size, dtype=bool)
        if len(classes.channel.row):
            unknown[classes.channel.owner[self._channel_steps(points, voltage)[:, 0] != 0.0]] = True
        return Branches(
            a=np.concatenate([a, anode]),
            b=np.concatenate([b, cathode]),
            siemens=np.concatenate([siemens, -slope[:, 0]]),
            amps=np.concatenate([amps, -flows[:, 0]]),
            row=np.concatenate([rows, -1 - junction.row]),
            owner=np.concatenate([linear.owner, capacitor.owner, junction.owner]),
            unknown=unknown,
        )

    def _linear(self, points: Points, voltage: Array, response: Response, allowed: _Yardsticks) -> Grades:
        linear, circuit = self.classes.linear, self.circuit
        graded = np.zeros((len(linear.row), points.size), dtype=np.uint8)
        a, b = circuit.linear_a, circuit.linear_b
        transfer = response.transfer
        rows = self._added_rows
        edges = circuit.linear_edges[rows]
        drop = np.abs(voltage[a[rows]] - voltage[b[rows]])
        reach = np.abs(transfer[a[rows]] - transfer[b[rows]])
        # too low a resistance makes the step too large: on the safe side
        ohms = np.maximum(response.port_ohms[edges] - response.port_lost[edges], 0.0)
        strongest = linear.value[[entries[0] for entries in self._added_entries]] if len(rows) else np.zeros(0)
        loud = self._added(strongest[:, None], drop, reach, ohms, allowed, slice(None)) > NO_EFFECT
        loud &= (edges[:, None] >= 0) & response.ports_known
        for place in np.flatnonzero(loud.any(axis=1)).tolist():
            columns = np.flatnonzero(loud[place])
            entries = self._added_entries[place]
            one = drop[place, columns], reach[place, columns], ohms[place, columns]
            graded[entries[:, None], columns] = self._added(linear.value[entries][:, None], *one, allowed, columns)
        taken = self._taken
        rows, edges = linear.row[taken], self._edge[taken]
        value = linear.value[taken][:, None]
        graded[taken] = self._gone(
            value * (voltage[a[rows]] - voltage[b[rows]]),
            value,
            (transfer[a[rows]], transfer[b[rows]]),
            (response.port_ohms[edges], response.port_lost[edges]),
            allowed,
        )
        unknown = np.flatnonzero(~response.ports_known)
        if len(unknown):
            rows = linear.row
            flows = linear.value[:, None] * (voltage[a[rows]] - voltage[b[rows]])[:, unknown]
            reach = (transfer[a[rows]] - transfer[b[rows]])[:, unknown]
            graded[:, unknown] = self._plain(flows, reach, allowed, unknown)
        graded[self._edge < 0] = NO_EFFECT
        return graded

    @staticmethod
    def _added(
        siemens: Array, drop: Array, reach: Array, ohms: Array, allowed: _Yardsticks, columns: Index | slice
    ) -> Grades:
        amps = siemens * drop / (1.0 + siemens * ohms)
        return allowed.grades(amps, amps * ohms, amps * reach, columns)

    @staticmethod
    def _gone(
        amps: Array, siemens: Array, transfer: tuple[Array, Array], port: tuple[Array, Array], allowed: _Yardsticks
    ) -> Grades:
        """Grade branches that lose a conductance (negative [S]) and the current it carried [A]."""
        amps = np.abs(amps)
        ohms, lost = port
        left = 1.0 + siemens * ohms
        known = np.abs(siemens) * lost <= KNOWN_SHARE * left
        freed = amps / np.where(known, left, 1.0)
        graded = allowed.grades(amps, freed * ohms, freed * np.abs(transfer[0] - transfer[1]), slice(None))
        # what alone joins its nodes to the rest frees no more than it carries, at one end and at the other
        volts = amps * (np.abs(transfer[0]) + np.abs(transfer[1]))
        bridge = ~known & (amps <= SAFE_STEP_SHARE * allowed.test_amps) & (volts <= allowed.volts)
        result: Grades = np.where(known, graded, np.where(bridge, NO_EFFECT_ALONE, STRONG)).astype(np.uint8)
        return result

    def _junctions(self, points: Points, voltage: Array, response: Response, allowed: _Yardsticks) -> Grades:
        entries, circuit = self.classes.junction, self.circuit
        rows = entries.row
        a, b = circuit.junction_a[rows], circuit.junction_b[rows]
        scale, series = circuit.junction_scale[rows][:, None], circuit.junction_ohms[rows][:, None]
        flows, slope = laws.junction(voltage[a] - voltage[b], points.saturation[rows], scale, series)
        edges = circuit.junction_edges[rows]
        ends = response.transfer[a], response.transfer[b]
        reach = ends[0] - ends[1]
        graded = self._gone(flows, -slope, ends, (response.port_ohms[edges], response.port_lost[edges]), allowed)
        unknown = np.flatnonzero(~response.ports_known)
        graded[:, unknown] = self._plain(flows[:, unknown], reach[:, unknown], allowed, unknown)
        graded[edges < 0] = NO_EFFECT
        return graded

    def _channels(self, points: Points, voltage: Array, response: Response, allowed: _Yardsticks) -> Grades:
        entries, circuit = self.classes.channel, self.circuit
        steps = self._channel_steps(points, voltage)
        high, low = circuit.channel_high[entries.row], circuit.channel_low[entries.row]
        return self._plain(steps, response.transfer[high] - response.transfer[low], allowed, slice(None))

    def _capacitors(self, points: Points, voltage: Array, response: Response, allowed: _Yardsticks) -> Grades:
        """Grade capacitors; a smaller capacitance changes neither the first instant nor the end."""
        entries, circuit = self.classes.capacitor, self.circuit
        rows = circuit.capacitor_rows
        if not points.siemens[rows].any():
            return np.zeros((len(entries.row), points.size), dtype=np.uint8)
        a, b = circuit.linear_a[rows], circuit.linear_b[rows]
        flows = points.siemens[rows] * (voltage[a] - voltage[b])
        steps = np.where((entries.value == 0.0)[:, None], flows[entries.row], 0.0)
        return self._plain(steps, (response.transfer[a] - response.transfer[b])[entries.row], allowed, slice(None))

    @staticmethod
    def _plain(steps: Array, reach: Array, allowed: _Yardsticks, columns: Index | slice) -> Grades:
        """Grade steps of current [A] whose own answer to the move of their nodes is not known."""
        amps = np.abs(steps)
        volts = amps * np.abs(reach)
        quiet = (amps <= SAFE_STEP_SHARE * allowed.test_amps[columns]) & (volts <= allowed.volts[columns])
        near = (amps <= WEAK_AMPS_SHARE * allowed.test_amps[columns]) & (volts <= allowed.weak_volts[columns])
        graded: Grades = np.where(
            quiet, np.where(amps == 0.0, NO_EFFECT, NO_EFFECT_ALONE), np.where(near, WEAK, STRONG)
        )
        return graded.astype(np.uint8)

    def _channel_steps(self, points: Points, voltage: Array) -> Array:
        """Return by how much each channel entry would change its channel's current, entries x batch [A]."""
        circuit, entries = self.circuit, self.classes.channel
        steps = np.zeros((len(entries.row), points.size))
        for entry, (row, state) in enumerate(zip(entries.row.tolist(), entries.value.tolist(), strict=True)):
            high, low, gate = circuit.channel_high[row], circuit.channel_low[row], circuit.channel_gate[row]
            drop = voltage[high] - voltage[low]
            steps[entry] = -self._through(row, drop, voltage[gate] - voltage[low])
            steps[entry] *= points.channel[row] != CHANNEL_OFF
            if state == ALWAYS_ON:
                steps[entry] += self._through(row, drop, np.full_like(drop, ALWAYS_ON_GATE_V))
        return steps

    def _through(self, row: int, drop: Array, gate: Array) -> Array:
        """Return the current [A] of one channel at main-path and gate voltages [V]."""
        circuit = self.circuit
        if circuit.channel_is_mosfet[row]:
            return laws.mosfet_channel(drop, gate, circuit.channel_specific[row], circuit.channel_offset[row])[0]
        shape = circuit.channel_specific[row], circuit.channel_scale[row], circuit.channel_offset[row]
        return laws.igbt_channel(drop, gate, *shape)[0]
