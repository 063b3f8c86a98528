"""Kirchhoff's current law at given node voltages, in plain loops over branches: what the solver's own residual is not.

Of the package only the branch table and the values of the points are used; the laws of the devices are written down
again. Voltages are doubles, so a branch of g siemens between nodes at v volts has a current that is only known to
g v 2^-53: that much is granted, branch by branch and for the gate of a channel, and no more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.points import Points
from tests.plain.solver import FULL_ON_V, IGBT_A, METER_SCALE_V, SLOPE_V, SURFACE_S, junction_law

__all__ = ["imbalance", "largest_current"]

Array = NDArray[np.float64]

HALF_ULP = 2.0**-53
CONTACT_S = 1e9
OFF, NORMAL, ALWAYS_ON = 0, 1, 2


def _soft(x: Array) -> Array:
    """Return ln(1 + exp(x/2))."""
    return np.maximum(x / 2.0, 0.0) + np.log1p(np.exp(-np.abs(x / 2.0)))


def _mosfet(drain: Array, gate: Array, specific: float, offset: float) -> tuple[Array, Array]:
    """Return I0 (F(source end) - F(drain end)) as difference times sum of the roots, and its slope against drain."""
    source_end, drain_end = (gate - offset) / SLOPE_V, (gate - drain - offset) / SLOPE_V
    one, other = _soft(source_end), _soft(drain_end)
    apart = drain / SLOPE_V / 2.0
    share = np.exp(drain_end / 2.0 - other)
    with np.errstate(over="ignore"):
        near = np.log1p(share * np.expm1(np.clip(apart, -1.0, 1.0)))
    difference = np.where(np.abs(apart) <= 1.0, near, one - other)
    return specific * difference * (one + other), specific / SLOPE_V * np.maximum(other * share, 0.0)


def _igbt(drop: Array, gate: Array, saturation: float, scale: float, offset: float) -> tuple[Array, Array]:
    """Return the collector junction's current limited by the channel, and its slope against the drop."""
    limit = IGBT_A * _soft((gate - offset) / SLOPE_V) ** 2
    forward = saturation * np.exp(np.minimum(drop / scale, 300.0))
    share = limit / (forward + limit + saturation)
    return saturation * np.expm1(np.minimum(drop / scale, 300.0)) * share, forward * share / scale


def largest_current(points: Points) -> Array:
    """Return the current each point's meter can drive at most [A], 10 nA where it is less: no meter is finer."""
    behind = np.abs(points.volts) / np.maximum(points.ohms, 1e-12)
    return np.maximum(np.where(points.amps > 0.0, points.amps, behind), 1e-8)


def imbalance(circuit: Circuit, points: Points, voltage: Array) -> tuple[Array, Array]:
    """Return by how much each point violates Kirchhoff's law at its worst node, and what rounding explains there.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    points : Points
        Branch values and meter of each point.
    voltage : ndarray, nodes x batch
        Node voltages [V].

    Returns
    -------
    worst : ndarray, batch
        Current left over at the node where it exceeds its rounding most [A].
    rounding : ndarray, batch
        What the rounding of the voltages at that node's branches amounts to [A].
    """
    left, grain = points.inject.copy(), np.zeros_like(voltage)
    every = np.arange(points.size)

    def flow(a: int, b: int, amps: Array, siemens: Array) -> None:
        # the difference of two doubles is exact enough; that each of them is a double is not
        unsure = siemens * (np.abs(voltage[a]) + np.abs(voltage[b])) * HALF_ULP
        left[a] -= amps
        left[b] += amps
        grain[a] += unsure
        grain[b] += unsure

    for row, (a, b) in enumerate(zip(circuit.linear_a, circuit.linear_b, strict=True)):
        if a != b:
            flow(a, b, points.siemens[row] * (voltage[a] - voltage[b]), points.siemens[row])
            # a source behind this row is a current injected into its ends: known to the same grain
    grain += np.abs(points.inject) * HALF_ULP
    for row, (a, b) in enumerate(zip(circuit.junction_a, circuit.junction_b, strict=True)):
        there = points.saturation[row] > 0.0
        across = voltage[a] - voltage[b]
        scale = np.full_like(across, circuit.junction_scale[row])
        series = np.full_like(across, circuit.junction_ohms[row])
        amps, slope = junction_law(across, np.where(there, points.saturation[row], 1e-30), scale, series)
        if a != b:
            flow(a, b, np.where(there, amps + SURFACE_S * across, 0.0), np.where(there, slope + SURFACE_S, 0.0))
            # a current far below its saturation current is a difference of two numbers of that size
            for node in (a, b):
                grain[node] += points.saturation[row] * HALF_ULP
    for row, (a, b) in enumerate(zip(circuit.channel_high, circuit.channel_low, strict=True)):
        state = points.channel[row]
        drop = voltage[a] - voltage[b]
        gate = np.where(state == ALWAYS_ON, FULL_ON_V, voltage[circuit.channel_gate[row]] - voltage[b])
        specific, offset = float(circuit.channel_specific[row]), float(circuit.channel_offset[row])
        if circuit.channel_is_mosfet[row]:
            amps, slope = _mosfet(drop, gate, specific, offset)
        else:
            amps, slope = _igbt(drop, gate, specific, float(circuit.channel_scale[row]), offset)
        if a != b:
            on = state != OFF
            flow(a, b, np.where(on, amps + SURFACE_S * drop, 0.0), np.where(on, slope + SURFACE_S, 0.0))
            # the gate steers it by an e-fold per SLOPE_V at most, and its voltage too is a double
            ends = np.abs(voltage[circuit.channel_gate[row]]) + np.abs(voltage[b])
            for node in (a, b):
                grain[node] += np.where(state == NORMAL, np.abs(amps) / SLOPE_V * ends * HALF_ULP, 0.0)
    # the black lead meets its node through a nanoohm, at whose other end voltages are counted from
    tips = voltage[points.red, every]
    drives = points.amps > 0.0
    from_current, slope = junction_law(
        tips - points.volts, np.where(drives, points.amps, 1.0), np.full_like(tips, METER_SCALE_V), points.ohms
    )
    behind = np.maximum(points.ohms, 1e-12)
    amps = np.where(drives, -from_current, (points.volts - tips) / behind)
    unsure = np.where(drives, slope, 1.0 / behind) * (np.abs(tips) + np.abs(points.volts)) * HALF_ULP
    np.add.at(left, (points.red, every), amps)
    np.add.at(grain, (points.red, every), unsure)
    at_black = voltage[points.black, every]
    np.subtract.at(left, (points.black, every), CONTACT_S * at_black)
    np.add.at(grain, (points.black, every), CONTACT_S * np.abs(at_black) * HALF_ULP)
    # an island that nothing ties to the meter has one node whose equation is the sum of the others
    node = np.argmax(np.abs(left) - 4.0 * grain, axis=0)
    return np.abs(left[node, every]), 4.0 * grain[node, every]
