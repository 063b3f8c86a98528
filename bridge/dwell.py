"""What a climbing display shows after the dwell, estimated from its first and its last value.

The table needs this for a hundred thousand pairs, and neither the dwell nor the capacitor is known well; so the
charging curve is taken from the current at the first instant and the voltage at the end. The exact transient is in
transient.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.predict import Answers
from bridge.shots import ShotArrays

__all__ = ["value_after_dwell"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

DWELL_SPREAD = 0.3  # ln: a dwell within +/-50 % and a capacitor within +/-20 %, both two sigma
RELEVANT_SHARE = 0.02  # capacitors that take less of the current than this do not set the pace


def value_after_dwell(
    answers: Answers, start: Index, end: Index, farads: Array, shots: ShotArrays, seconds: float
) -> tuple[Array, Array]:
    """Return the display after the dwell and its spread from what is not known of dwell and capacitance.

    Parameters
    ----------
    answers : Answers
        Solved answers.
    start, end : ndarray of int, displays
        Answers at the first instant and in the end.
    farads : ndarray, capacitors
        Capacitances [F].
    shots : ShotArrays
        The shots of the table.
    seconds : float
        The dwell [s].

    Notes
    -----
    Charging takes about T = C v_end/i_start. A source of constant current charges linearly until something else takes
    the current over; a source behind a resistor, or a current source that works against a resistance, exponentially.
    """
    amps = np.abs(answers.capacitor_amps[:, start])
    step = np.abs(answers.capacitor_volts[:, end] - answers.capacitor_volts[:, start])
    largest = np.max(amps, axis=0, initial=0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.where(amps > RELEVANT_SHARE * largest, farads[:, None] * step / amps, 0.0)
    pace = np.maximum(np.max(times, axis=0, initial=0.0), 1e-12)
    shot = answers.shot[end]
    first, last = answers.jack[start], answers.jack[end]
    linear = (shots.amps[shot] > 0.0) & (~shots.in_ohms[shot] | (last > 0.9 * shots.volts[shot]))
    shown = []
    for spread in (-DWELL_SPREAD, 0.0, DWELL_SPREAD):
        elapsed = seconds * np.exp(spread) / pace
        progress = np.where(linear, np.minimum(elapsed, 1.0), 1.0 - np.exp(-elapsed))
        shown.append(shots.display(shot, first + progress * (last - first))[0])
    early, value, late = shown
    known = ~np.isnan(answers.value[start]) & ~np.isnan(answers.value[end])
    low = np.where(np.isfinite(early), early, shots.limit[shot])
    high = np.where(np.isfinite(late), late, shots.limit[shot])
    return np.where(known, value, np.nan), np.where(known, 0.5 * np.abs(high - low), 0.0)
