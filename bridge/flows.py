"""The current through every branch of a solved operating point, part by part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.newton import ALWAYS_ON_GATE_V
from bridge.points import ALWAYS_ON, CHANNEL_OFF, Points

__all__ = ["Flow", "list_flows"]

Array = NDArray[np.float64]

HELD = "hold"  # the row of a held gate: a source of the bench, no part of the board


@dataclass(frozen=True, slots=True)
class Flow:
    """Current through one branch, counted positive from its start to its end.

    Parameters
    ----------
    part : str
        The part the branch belongs to.
    slot : str
        Which of its branches: ``main``, ``across``, ``junction``, ``channel``, ``ce``...
    start, end : int
        Nodes it flows from and to.
    amps : float
        Current, never negative [A].
    """

    part: str
    slot: str
    start: int
    end: int
    amps: float


def list_flows(circuit: Circuit, points: Points, voltage: Array, column: int, charge: Array) -> tuple[Flow, ...]:
    """Return the currents of one operating point, sources of held gates left out.

    Parameters
    ----------
    circuit : Circuit
        The circuit that was solved.
    points : Points
        The batch it was solved in.
    voltage : ndarray, nodes x batch
        Node voltages [V].
    column : int
        The operating point.
    charge : ndarray, capacitors
        Voltage of each capacitor's source [V]; of no account where capacitors are open.
    """
    at = voltage[:, column]
    found: list[Flow] = []

    def add(part: str, slot: str, a: int, b: int, amps: float) -> None:
        if a != b and amps != 0.0:
            found.append(Flow(part, slot, a, b, amps) if amps > 0.0 else Flow(part, slot, b, a, -amps))

    source = np.zeros(len(circuit.linear_a))
    source[circuit.capacitor_rows] = charge
    linear = points.siemens[:, column] * (at[circuit.linear_a] - at[circuit.linear_b] - source)
    for (ref, slot), row in circuit.linear_rows.items():
        if slot != HELD:
            add(ref, slot, int(circuit.linear_a[row]), int(circuit.linear_b[row]), float(linear[row]))
    a, b = circuit.junction_a, circuit.junction_b
    through, _ = laws.junction(
        at[a] - at[b], points.saturation[:, column], circuit.junction_scale, circuit.junction_ohms
    )
    for (ref, slot), row in circuit.junction_rows.items():
        add(ref, slot, int(a[row]), int(b[row]), float(through[row]))
    for ref, row in circuit.channel_rows.items():
        high, low = int(circuit.channel_high[row]), int(circuit.channel_low[row])
        add(ref, "channel", high, low, _channel_amps(circuit, points, at, row, column))
    return tuple(found)


def _channel_amps(circuit: Circuit, points: Points, at: Array, row: int, column: int) -> float:
    state = points.channel[row, column]
    if state == CHANNEL_OFF:
        return 0.0
    low = at[circuit.channel_low[row]]
    drop = np.array(at[circuit.channel_high[row]] - low)
    gate = np.array(ALWAYS_ON_GATE_V if state == ALWAYS_ON else at[circuit.channel_gate[row]] - low)
    specific, offset = circuit.channel_specific[row], circuit.channel_offset[row]
    if circuit.channel_is_mosfet[row]:
        return float(laws.mosfet_channel(drop, gate, specific, offset)[0])
    return float(laws.igbt_channel(drop, gate, specific, circuit.channel_scale[row], offset)[0])
