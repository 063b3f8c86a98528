"""Operating points of a board at one instant: capacitors as sources at the first moment, open at the end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import CAPACITOR_ESR_OHMS, Circuit
from bridge.points import CHANNEL_NORMAL, Points
from bridge.shots import Shot
from bridge.variants import ChangeClasses

__all__ = ["after_one_step", "build_points", "first_instant", "set_capacitors", "step_siemens"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


def build_points(
    circuit: Circuit, shots: Sequence[Shot], which: Index, classes: ChangeClasses, *applied: Index
) -> tuple[Points, Array]:
    """Return operating points with open capacitors, and what the faults leave of each capacitance.

    Parameters
    ----------
    circuit : Circuit
        The healthy board.
    shots : sequence of Shot
        Shots of this circuit.
    which : ndarray of int, batch
        Shot of each column.
    classes : ChangeClasses
        Changes known on this circuit.
    *applied : ndarray of int, batch
        Class numbers applied to each column, one array per fault.

    Returns
    -------
    points : Points
        The batch.
    factors : ndarray, capacitors x batch
        Share of each capacitance that is left [1].
    """
    size = len(which)
    points = Points(
        siemens=np.repeat(circuit.linear_siemens[:, None], size, axis=1),
        inject=np.zeros((circuit.node_count, size)),
        saturation=np.repeat(circuit.junction_saturation[:, None], size, axis=1),
        channel=np.full((len(circuit.channel_high), size), CHANNEL_NORMAL, dtype=np.int8),
        red=np.array([shot.red for shot in shots], dtype=np.intp)[which],
        black=np.array([shot.black for shot in shots], dtype=np.intp)[which],
        amps=np.array([shot.amps for shot in shots])[which],
        volts=np.array([shot.volts for shot in shots])[which],
        ohms=np.array([shot.ohms for shot in shots])[which],
    )
    factors = np.ones((len(circuit.capacitor_rows), size))
    for class_numbers in applied:
        classes.apply(points, class_numbers)
        classes.scale_capacitors(factors, class_numbers)
    for number, shot in enumerate(shots):
        for row, volts, ohms in shot.holds:
            columns = np.flatnonzero(which == number)
            points.siemens[row, columns] += 1.0 / ohms
            points.inject[circuit.linear_a[row], columns] += volts / ohms
            points.inject[circuit.linear_b[row], columns] -= volts / ohms
    return points, factors


def step_siemens(farads: Array, seconds: Array | float) -> Array:
    """Return what stands for capacitors during an implicit step: a conductance to their last voltage [S].

    Parameters
    ----------
    farads : ndarray, capacitors x batch
        Capacitances [F]; 0 for one that is gone, which conducts nothing.
    seconds : float or ndarray, batch
        How long the step is [s].
    """
    with np.errstate(divide="ignore"):
        behind = CAPACITOR_ESR_OHMS + seconds / np.maximum(farads, 1e-300)
        answer: Array = np.where(farads > 0.0, 1.0 / behind, 0.0)
    return answer


def set_capacitors(circuit: Circuit, points: Points, siemens: Array, volts: Array) -> None:
    """Turn the capacitors of a batch into sources [V] behind a conductance [S], in place; each capacitors x batch."""
    rows = circuit.capacitor_rows
    points.siemens[rows] = siemens
    current = siemens * volts
    np.add.at(points.inject, circuit.linear_a[rows], current)
    np.subtract.at(points.inject, circuit.linear_b[rows], current)


def first_instant(circuit: Circuit, points: Points, factors: Array, bus_volts: float) -> None:
    """Make a batch the first instant, in place: capacitors hold their charge, those that are gone nothing."""
    siemens = np.where(factors > 0.0, 1.0 / CAPACITOR_ESR_OHMS, 0.0)
    volts = np.repeat((circuit.capacitor_share * bus_volts)[:, None], points.size, axis=1)
    set_capacitors(circuit, points, siemens, volts)


def after_one_step(circuit: Circuit, points: Points, factors: Array, bus_volts: float, seconds: float) -> None:
    """Make a batch what one backward Euler step [s] from the first instant leads to, in place.

    However long, the step stays stable and shares currents among capacitors as their capacitance does; what charges
    with time constant T is then 1/(1 + s/T) from its end, where the real one is exp(-s/T) from it.
    """
    siemens = step_siemens(circuit.capacitor_farads[:, None] * factors, seconds)
    volts = np.repeat((circuit.capacitor_share * bus_volts)[:, None], points.size, axis=1)
    set_capacitors(circuit, points, siemens, volts)
