"""Channels that turn on backwards: a MOSFET whose threshold is low carries the current before its own diode does.

A source that lies above its drain by more than the threshold turns its channel on, with the gate held at the source.
Where the diode drops less than the threshold it carries the current, and the threshold shows in no slope; a low one, as
one part in some tens has, shows by itself: the display is then the threshold.

References
----------
Third-quadrant conduction of MOSFETs at zero gate voltage: Baliga, Fundamentals of Power Semiconductor Devices (2008),
chapter 6, from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import Circuit
from bridge.points import CHANNEL_NORMAL, Points
from bridge.spreads import THRESHOLD_SPREAD_V

__all__ = ["BackwardChannels"]

Array = NDArray[np.float64]

FOLLOWS = 0.9  # of a volt across the diode that the display shows: the current has no other way
FARTHEST_SD = 4.0


class BackwardChannels:
    """The MOSFET channels of a circuit that lie across a diode of their own.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    """

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        ends = {
            (anode, cathode): row
            for row, (anode, cathode) in enumerate(
                zip(circuit.junction_a.tolist(), circuit.junction_b.tolist(), strict=True)
            )
        }
        self._rows = [
            (row, ends[low, high], laws.mosfet_threshold(circuit.channel_specific[row], circuit.channel_offset[row]))
            for row, (low, high) in enumerate(
                zip(circuit.channel_low.tolist(), circuit.channel_high.tolist(), strict=True)
            )
            if circuit.channel_is_mosfet[row] and (low, high) in ends
        ]

    def display(self, points: Points, voltage: Array, by_drop: Array, value: Array) -> Array:
        """Return what diode mode would show were a threshold, as the file has it, lower than the diode's drop [V].

        Parameters
        ----------
        points : Points
            The batch.
        voltage : ndarray, nodes x batch
            Its solution [V].
        by_drop : ndarray, junctions x batch
            Answer of the display to one volt more across each junction [1].
        value : ndarray, batch
            The display [V].

        Returns
        -------
        ndarray, batch
            The display at which a channel takes over from the diode beside it, infinite where no channel is near. With
            a threshold z standard deviations lower it takes over as much lower, and shows once that is below ``value``.
        """
        answer = np.full(points.size, np.inf)
        circuit = self._circuit
        for row, junction, threshold in self._rows:
            gate, high = circuit.channel_gate[row], circuit.channel_high[row]
            gap = threshold - (voltage[gate] - voltage[high])
            near = (gap > 0.0) & (gap < FARTHEST_SD * THRESHOLD_SPREAD_V) & (by_drop[junction] > FOLLOWS)
            near &= (points.channel[row] == CHANNEL_NORMAL) & np.isfinite(value)
            answer[near] = np.minimum(answer[near], value[near] + gap[near])
        return answer
