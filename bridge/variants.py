"""Faults as classes of equal circuits, applied to whole batches and tested for effect without a solve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.damage import ALWAYS_ON, CHANNEL_OFF, Change
from bridge.solve import ALWAYS_ON_GATE_V, Points

__all__ = ["NO_EFFECT", "STRONG", "WEAK", "ChangeClasses"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SAFE_AMPS_SHARE = 1e-5  # a current step below this share of the test current is small enough to trust the slope
WEAK_AMPS_SHARE = 0.02  # up to here the answer is only a guess, good enough to tell what is worth solving
WEAK_READING_V = 2e-3
WEAK_READING_SHARE = 5e-3
NO_EFFECT, WEAK, STRONG = 0, 1, 2
SAFE_READING_SHARE = 3e-6  # and it must move the reading by less than this share, plus a microvolt


class _Entries:
    """Entries of all classes of one kind, sorted by class: which row each changes, and to what."""

    def __init__(self, pairs: Sequence[Sequence[tuple[int, float]]]) -> None:
        self.count = np.array([len(entries) for entries in pairs], dtype=np.intp)
        self.first = np.concatenate([[0], np.cumsum(self.count)[:-1]]).astype(np.intp)
        flat = [entry for entries in pairs for entry in entries]
        self.row = np.array([row for row, _ in flat], dtype=np.intp)
        self.value = np.array([value for _, value in flat], dtype=float)
        self.owner = np.repeat(np.arange(len(pairs)), self.count)

    def expand(self, classes: Index) -> tuple[Index, Index]:
        """Return (column, entry) of every entry that the classes of a batch have."""
        counts = self.count[classes]
        columns = np.repeat(np.arange(len(classes)), counts)
        within = np.arange(len(columns)) - np.repeat(np.cumsum(counts) - counts, counts)
        return columns, self.first[classes][columns] + within


class ChangeClasses:
    """Changes of a circuit, those that make the same circuit merged into one class.

    Parameters
    ----------
    circuit : Circuit
        The healthy board.
    changes : sequence of Change
        Changes; number 0 should be the empty one.
    tags : sequence of float, optional
        Changes with different tags are kept apart although they make the same circuit.

    Attributes
    ----------
    class_of : ndarray of int, changes
        Class of each change.
    size : int
        Number of classes.
    """

    def __init__(self, circuit: Circuit, changes: Sequence[Change], tags: Sequence[float] | None = None) -> None:
        self.circuit = circuit
        base = circuit.linear_siemens
        numbers: dict[object, int] = {}
        kept: list[Change] = []
        class_of: list[int] = []
        for number, change in enumerate(changes):
            key = (self._key(circuit, change), None if tags is None else tags[number])
            if key not in numbers:
                numbers[key] = len(kept)
                kept.append(change)
            class_of.append(numbers[key])
        self.class_of = np.array(class_of, dtype=np.intp)
        self.changes = tuple(kept)
        self.size = len(kept)
        self._linear = _Entries([[(row, value - base[row]) for row, value in change.linear] for change in kept])
        self._junction = _Entries([[(row, 0.0) for row in change.junctions] for change in kept])
        self._channel = _Entries([[(row, float(state)) for row, state in change.channels] for change in kept])
        self._capacitor = _Entries([list(change.capacitors) for change in kept])

    @staticmethod
    def _key(circuit: Circuit, change: Change) -> object:
        """Return a key equal for changes that make equal circuits."""
        edges: dict[tuple[int, int], float] = {}
        rows: list[tuple[int, float]] = []
        for row, value in change.linear:
            if circuit.linear_siemens[row] == 0.0 and value > 0.0:
                a, b = int(circuit.linear_a[row]), int(circuit.linear_b[row])
                ends = (min(a, b), max(a, b))
                edges[ends] = edges.get(ends, 0.0) + value
            elif circuit.linear_siemens[row] != value:
                rows.append((row, value))
        return (
            tuple(sorted((ends, round(value, 15)) for ends, value in edges.items() if ends[0] != ends[1])),
            tuple(sorted(rows)),
            tuple(sorted(change.capacitors)),
            tuple(sorted(change.junctions)),
            tuple(sorted(change.channels)),
        )

    def apply(self, points: Points, classes: Index) -> None:
        """Change a batch in place: column k gets class ``classes[k]``, on top of what it already has."""
        columns, entries = self._linear.expand(classes)
        np.add.at(points.siemens, (self._linear.row[entries], columns), self._linear.value[entries])
        np.maximum(points.siemens, 0.0, out=points.siemens)
        columns, entries = self._junction.expand(classes)
        points.saturation[self._junction.row[entries], columns] = 0.0
        columns, entries = self._channel.expand(classes)
        points.channel[self._channel.row[entries], columns] = self._channel.value[entries].astype(np.int8)

    def scale_capacitors(self, factors: Array, classes: Index) -> None:
        """Multiply capacitances, capacitors x batch, by what the classes leave of them."""
        columns, entries = self._capacitor.expand(classes)
        factors[self._capacitor.row[entries], columns] *= self._capacitor.value[entries]

    def severity_slope(self, points: Points, classes: Index, row_power: Array) -> Array:
        """Return the reading's answer [V] to one neper more resistance in a class's own branches.

        Parameters
        ----------
        points : Points
            The solved batch, classes applied.
        classes : ndarray of int, batch
            Class of each column.
        row_power : ndarray, linear rows x batch
            Voltage over each row times the difference of transfer resistances at its ends [V ohm].
        """
        columns, entries = self._linear.expand(classes)
        rows = self._linear.row[entries]
        siemens = np.maximum(self._linear.value[entries] + self.circuit.linear_siemens[rows], 0.0)
        answer = np.zeros(points.size)
        np.add.at(answer, columns, siemens * row_power[rows, columns])
        return answer

    def restrict(self, some: Index) -> ChangeClasses:
        """Return only some of the classes, renumbered in their order, for testing their effects."""
        return ChangeClasses(self.circuit, [self.changes[number] for number in some], list(range(len(some))))

    def effects(self, points: Points, voltage: Array, adjoint: Array, test_amps: Array) -> NDArray[np.uint8]:
        """Return how much classes would move readings, classes x batch: NO_EFFECT, WEAK or STRONG.

        Parameters
        ----------
        points : Points
            The solved batch.
        voltage, adjoint : ndarray, nodes x batch
            Its node voltages [V] and transfer resistances [ohm].
        test_amps : ndarray, batch
            What the meter can deliver [A].

        Notes
        -----
        Replacing branches leaves the currents unbalanced by some dI. A class is without effect where every |dI| is far
        below the test current and the reading's answer to all of them together, to first order, is below a microvolt.
        """
        circuit = self.circuit
        size = points.size
        current = np.zeros((self.size, size))
        reading = np.zeros((self.size, size))

        def gather(entries: _Entries, row_current: Array, row_reading: Array, factor: Array | float) -> None:
            if not len(entries.row):
                return
            some = np.flatnonzero(entries.count)
            starts = entries.first[some]
            amps = np.abs(row_current[entries.row]) * factor
            volts = np.abs(row_reading[entries.row]) * factor
            current[some] = np.maximum(current[some], np.maximum.reduceat(amps, starts, axis=0))
            reading[some] += np.add.reduceat(volts, starts, axis=0)

        a, b = circuit.linear_a, circuit.linear_b
        drop = voltage[a] - voltage[b]
        reach = adjoint[a] - adjoint[b]
        gather(self._linear, drop, drop * reach, np.abs(self._linear.value)[:, None])
        a, b = circuit.junction_a, circuit.junction_b
        flows, _ = laws.junction(
            voltage[a] - voltage[b], points.saturation, circuit.junction_scale[:, None], circuit.junction_ohms[:, None]
        )
        gather(self._junction, flows, flows * (adjoint[a] - adjoint[b]), 1.0)
        if len(self._channel.row):
            amps = self._channel_steps(points, voltage)
            ends = circuit.channel_high[self._channel.row], circuit.channel_low[self._channel.row]
            volts = np.abs(amps * (adjoint[ends[0]] - adjoint[ends[1]]))
            owners = self._channel.owner
            np.maximum.at(current, owners, np.abs(amps))
            np.add.at(reading, owners, volts)
        rows = circuit.capacitor_rows
        if (
            len(self._capacitor.row) and points.siemens[rows].any()
        ):  # a smaller capacitance changes neither first instant nor end
            a, b = circuit.linear_a[rows], circuit.linear_b[rows]
            flows = points.siemens[rows] * (voltage[a] - voltage[b])
            gone = self._capacitor.value == 0.0
            steps = np.where(gone[:, None], flows[self._capacitor.row], 0.0)
            volts = steps * (adjoint[a] - adjoint[b])[self._capacitor.row]
            np.maximum.at(current, self._capacitor.owner, np.abs(steps))
            np.add.at(reading, self._capacitor.owner, np.abs(volts))
        limit = 1e-6 + SAFE_READING_SHARE * np.abs(voltage[points.red, np.arange(size)])
        moved = (current > SAFE_AMPS_SHARE * test_amps) | (reading > limit)
        weak_limit = WEAK_READING_V + WEAK_READING_SHARE * np.abs(voltage[points.red, np.arange(size)])
        strong = (current > WEAK_AMPS_SHARE * test_amps) | (reading > weak_limit)
        grade: NDArray[np.uint8] = moved.astype(np.uint8) + (moved & strong)
        return grade

    def _channel_steps(self, points: Points, voltage: Array) -> Array:
        """Return by how much each channel entry would change its channel's current, entries x batch [A]."""
        circuit = self.circuit
        steps = np.zeros((len(self._channel.row), points.size))
        for entry, (row, state) in enumerate(
            zip(self._channel.row.tolist(), self._channel.value.tolist(), strict=True)
        ):
            high, low, gate = circuit.channel_high[row], circuit.channel_low[row], circuit.channel_gate[row]
            drop = voltage[high] - voltage[low]

            def through(gate_voltage: Array, row: int = row, drop: Array = drop) -> Array:
                if circuit.channel_is_mosfet[row]:
                    return laws.mosfet_channel(
                        drop, gate_voltage, circuit.channel_specific[row], circuit.channel_offset[row]
                    )[0]
                return laws.igbt_channel(
                    drop,
                    gate_voltage,
                    circuit.channel_specific[row],
                    circuit.channel_scale[row],
                    circuit.channel_offset[row],
                )[0]

            present = through(voltage[gate] - voltage[low]) * (points.channel[row] != CHANNEL_OFF)
            steps[entry] = -present
            if state == ALWAYS_ON:
                steps[entry] += through(np.full_like(drop, ALWAYS_ON_GATE_V))
        return steps
