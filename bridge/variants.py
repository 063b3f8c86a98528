"""Faults as classes of equal circuits, applied to whole batches."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.damage import Change
from bridge.points import Points

__all__ = ["ChangeClasses", "Entries"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Entries:
    """Entries of all classes of one kind, sorted by class: which row each changes, and to what.

    Parameters
    ----------
    pairs : sequence of sequences of (int, float)
        Row and value of each entry of each class; values in the unit of what the rows hold.

    Attributes
    ----------
    count, first : ndarray of int, classes
        How many entries a class has, and the number of its first.
    row, owner : ndarray of int, entries
        Which row each changes, and the class it belongs to.
    value : ndarray, entries
        What the row is changed to.
    """

    def __init__(self, pairs: Sequence[Sequence[tuple[int, float]]]) -> None:
        self.count = np.array([len(entries) for entries in pairs], dtype=np.intp)
        self.first = np.concatenate([[0], np.cumsum(self.count)[:-1]]).astype(np.intp)
        flat = [entry for entries in pairs for entry in entries]
        self.row = np.array([row for row, _ in flat], dtype=np.intp)
        self.value = np.array([value for _, value in flat], dtype=float)
        self.owner = np.repeat(np.arange(len(pairs)), self.count)

    def expand(self, classes: Index) -> tuple[Index, Index]:
        """Return (column, entry) of every entry that the classes of a batch have, two arrays of equal length.

        Parameters
        ----------
        classes : ndarray of int, batch
            Class of each column.
        """
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
        self.linear = Entries([[(row, value - base[row]) for row, value in change.linear] for change in kept])
        self.junction = Entries([[(row, 0.0) for row in change.junctions] for change in kept])
        self.channel = Entries([[(row, float(state)) for row, state in change.channels] for change in kept])
        self.capacitor = Entries([list(change.capacitors) for change in kept])

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
        columns, entries = self.linear.expand(classes)
        np.add.at(points.siemens, (self.linear.row[entries], columns), self.linear.value[entries])
        np.maximum(points.siemens, 0.0, out=points.siemens)
        columns, entries = self.junction.expand(classes)
        points.saturation[self.junction.row[entries], columns] = 0.0
        columns, entries = self.channel.expand(classes)
        points.channel[self.channel.row[entries], columns] = self.channel.value[entries].astype(np.int8)

    def scale_capacitors(self, factors: Array, classes: Index) -> None:
        """Multiply capacitances, capacitors x batch, by what the classes leave of them."""
        columns, entries = self.capacitor.expand(classes)
        factors[self.capacitor.row[entries], columns] *= self.capacitor.value[entries]

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
        columns, entries = self.linear.expand(classes)
        rows = self.linear.row[entries]
        siemens = np.maximum(self.linear.value[entries] + self.circuit.linear_siemens[rows], 0.0)
        answer = np.zeros(points.size)
        np.add.at(answer, columns, siemens * row_power[rows, columns])
        return answer

    def restrict(self, some: Index) -> ChangeClasses:
        """Return only some of the classes, renumbered in their order, for testing their effects."""
        return ChangeClasses(self.circuit, [self.changes[number] for number in some], list(range(len(some))))
