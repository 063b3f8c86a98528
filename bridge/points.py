"""Operating points to be solved for: branch values, and the meter at its two nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws

__all__ = ["ALWAYS_ON", "CHANNEL_NORMAL", "CHANNEL_OFF", "Points", "Solution", "full_scale_amps", "meter_current"]

Array = NDArray[np.float64]

CHANNEL_OFF = 0
CHANNEL_NORMAL = 1  # as its gate says
ALWAYS_ON = 2
LEAST_TEST_A = 1e-8  # of any meter, and what a voltmeter is measured by
METER_SCALE_V = 0.025  # how sharply a current source runs out at its open-circuit voltage


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
        State of each channel: ``CHANNEL_OFF``, ``CHANNEL_NORMAL`` or ``ALWAYS_ON``.
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
    """Return the largest current the meter can deliver [A], batch: the yardstick of the residual.

    Parameters
    ----------
    points : Points
        The batch.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        behind_resistor = np.abs(points.volts) / points.ohms
    return np.maximum(np.where(points.amps > 0.0, points.amps, behind_resistor), LEAST_TEST_A)


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
