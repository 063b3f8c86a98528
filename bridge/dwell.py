"""What a climbing display shows after the dwell, estimated from its first and its last value.

The table needs this for a hundred thousand pairs, and neither the dwell nor the capacitor is known well; so the
charging curve is taken from the current at the first instant and the voltage at the end. The exact transient is in
transient.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.answers import Answers
from bridge.shots import ShotArrays

__all__ = ["AfterDwell", "charge_left", "measured_pace", "value_after_dwell"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

DWELL_SPREAD = 0.3  # ln: a dwell within +/-50 % and a capacitor within +/-20 %, both two sigma
SMALLEST_STEP_V = 1e-3  # a capacitor that hardly moves has no memory worth carrying
LONGEST_SHARE = 10.0
LEAST_PROGRESS = 0.003  # of one long step: what is less or more than the rest of it tells no time
SMALLEST_STEP_SHARE = 1e-6  # of the source's voltage: a display that does not move tells no time
LARGEST_PACE = 1e3
MOST_AT_ONCE = 16_384  # displays: of a large board's pairs, capacitors x displays of several arrays fill no memory
RELEVANT_SHARE = 0.02  # capacitors that take less of the current than this do not set the pace


@dataclass(frozen=True, slots=True)
class AfterDwell:
    """Displays when they are read, and how far they still go with their first and already with their last instant.

    Parameters
    ----------
    value : ndarray, displays
        Display [V] or [ohm]; infinite for OL, NaN where a solve did not converge.
    time_sd : ndarray, displays
        Spread from what is not known of dwell and capacitance [unit].
    first_share, last_share : ndarray, displays
        Change of the display with the display at the first instant and in the end [1]: while a bus charges, a diode's
        drop still counts in full.
    """

    value: Array
    time_sd: Array
    first_share: Array
    last_share: Array


def _charging_times(answers: Answers, start: Index, end: Index, farads: Array) -> Array:
    """Return how long each capacitor takes at its first current [s]; 0 for one that does not set the pace."""
    amps = np.abs(answers.capacitor_amps[:, start])
    step = np.abs(answers.capacitor_volts[:, end] - answers.capacitor_volts[:, start])
    largest = np.max(amps, axis=0, initial=0.0)
    relevant = amps > RELEVANT_SHARE * largest
    with np.errstate(divide="ignore", invalid="ignore"):
        seconds = np.where(relevant, farads[:, None] * step / amps, 0.0)
        # one that has lost capacitance lets those in series with it wait for less current, too: volts per second add up
        volts_per_second = np.where(relevant, amps / farads[:, None], 0.0)
        left = answers.capacitor_left[:, start]
        faster = np.where(left > 0.0, volts_per_second / left, 0.0).sum(axis=0) / volts_per_second.sum(axis=0)
    return answers.pace[start] * seconds / np.where(faster > 1.0, faster, 1.0)


def _is_linear(answers: Answers, end: Index, shots: ShotArrays) -> NDArray[np.bool_]:
    """Return which displays a source of constant current moves until it runs out of volts; others bend."""
    shot = answers.shot[end]
    answer: NDArray[np.bool_] = (shots.amps[shot] > 0.0) & (answers.jack[end] > 0.9 * shots.volts[shot])
    return answer


def measured_pace(
    answers: Answers, start: Index, end: Index, farads: Array, shots: ShotArrays, seconds: float
) -> Array:
    """Return how much longer charging takes than the currents of the first instant say [1], from one long step.

    Those currents are shared among capacitors by their series resistance, soon after by their capacitance; and a
    resistance far from the leads takes its share only when there is a voltage across it.

    Parameters
    ----------
    answers, start, end, farads, shots, seconds
        As for :func:`value_after_dwell`; the answers at the first instant know where one step of the dwell leads.
    """
    pace = np.maximum(np.max(_charging_times(answers, start, end, farads), axis=0, initial=0.0), 1e-12)
    first, last = answers.jack[start], answers.jack[end]
    with np.errstate(divide="ignore", invalid="ignore"):
        progress = (answers.rested_jack[start] - first) / (last - first)
        known = np.isfinite(progress) & (
            np.abs(last - first) > SMALLEST_STEP_SHARE * np.abs(shots.volts[answers.shot[end]])
        )
        kept = np.clip(progress, LEAST_PROGRESS, 1.0 - LEAST_PROGRESS)
        share = np.where(_is_linear(answers, end, shots), kept, kept / (1.0 - kept))
        ratio = seconds / (share * pace)
    # hardly begun, or done: how far beyond that is not told
    ratio = np.where(progress <= LEAST_PROGRESS, np.maximum(ratio, 1.0), ratio)
    ratio = np.where(progress >= 1.0 - LEAST_PROGRESS, np.minimum(ratio, 1.0), ratio)
    answer: Array = np.where(known, np.clip(ratio, 1.0 / LARGEST_PACE, LARGEST_PACE), 1.0)
    return answer


def value_after_dwell(
    answers: Answers,
    start: Index,
    end: Index,
    farads: Array,
    shots: ShotArrays,
    seconds: float,
    charge: Array | None = None,
) -> AfterDwell:
    """Return the display after the dwell, its spread, and what moves it.

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
    charge : ndarray, capacitors, optional
        What earlier readings left on the capacitors, beyond their first-instant voltage [V].

    Notes
    -----
    Charging takes about T = C v_end/i_start. A source of constant current charges linearly until something else takes
    the current over; a source behind a resistor, or a current source that works against a resistance, exponentially.
    """
    blocks = [
        _value_after_dwell(
            answers,
            start[first : first + MOST_AT_ONCE],
            end[first : first + MOST_AT_ONCE],
            farads,
            shots,
            seconds,
            charge,
        )
        for first in range(0, max(len(start), 1), MOST_AT_ONCE)
    ]
    if len(blocks) == 1:
        return blocks[0]
    return AfterDwell(
        np.concatenate([block.value for block in blocks]),
        np.concatenate([block.time_sd for block in blocks]),
        np.concatenate([block.first_share for block in blocks]),
        np.concatenate([block.last_share for block in blocks]),
    )


def _value_after_dwell(
    answers: Answers, start: Index, end: Index, farads: Array, shots: ShotArrays, seconds: float, charge: Array | None
) -> AfterDwell:
    """Return the same for as many displays as are worked out at once."""
    times = _charging_times(answers, start, end, farads)
    pace = np.maximum(np.max(times, axis=0, initial=0.0), 1e-12)
    begun = np.zeros(len(start))
    if charge is not None and len(farads):
        slowest = np.argmax(times, axis=0)
        columns = np.arange(len(start))
        step = (answers.capacitor_volts[:, end] - answers.capacitor_volts[:, start])[slowest, columns]
        with np.errstate(divide="ignore", invalid="ignore"):
            begun = np.where(np.abs(step) > SMALLEST_STEP_V, charge[slowest] / step, 0.0)
    shot = answers.shot[end]
    first, last = answers.jack[start], answers.jack[end]
    linear = _is_linear(answers, end, shots)
    shown, slopes, remains = [], [], []
    for spread in (-DWELL_SPREAD, 0.0, DWELL_SPREAD):
        elapsed = seconds * np.exp(spread) / pace
        progress = np.where(linear, np.minimum(begun + elapsed, 1.0), 1.0 - (1.0 - begun) * np.exp(-elapsed))
        display, slope = shots.display(shot, first + progress * (last - first))
        shown.append(display)
        slopes.append(slope)
        # a constant current adds the same to any first value until the end is reached
        remains.append(np.where(linear, progress < 1.0, 1.0 - progress))
    early, value, late = shown
    known = ~np.isnan(answers.value[start]) & ~np.isnan(answers.value[end])
    low = np.where(np.isfinite(early), early, shots.limit[shot])
    high = np.where(np.isfinite(late), late, shots.limit[shot])
    return AfterDwell(
        np.where(known, value, np.nan),
        np.where(known, 0.5 * np.abs(high - low), 0.0),
        remains[1] * _ratio(slopes[1], shots.display(shot, first)[1]),
        (1.0 - remains[1]) * _ratio(slopes[1], shots.display(shot, last)[1]),
    )


def _ratio(slope: Array, other: Array) -> Array:
    """Return slope over another; 0 where that shows OL, which nothing small moves."""
    answer: Array = np.where(other > 0.0, slope / np.where(other > 0.0, other, 1.0), 0.0)
    return answer


def charge_left(answers: Answers, start: int, end: int, farads: Array, seconds: float, before: Array) -> Array:
    """Return what a reading leaves on the capacitors [V], given what was on them before it [V].

    Parameters
    ----------
    answers : Answers
        Solved answers.
    start, end : int
        The reading's answers at the first instant and in the end.
    farads, before : ndarray, capacitors
        Capacitances [F] and voltages before the reading [V].
    seconds : float
        The dwell [s].
    """
    places = np.array([start], dtype=np.intp), np.array([end], dtype=np.intp)
    times = _charging_times(answers, *places, farads)[:, 0]
    step = answers.capacitor_volts[:, end] - answers.capacitor_volts[:, start]
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = np.where(times > 0.0, step * np.minimum(seconds / times, LONGEST_SHARE), 0.0)
    reached = before + moved
    toward_end = np.where(
        step > 0.0, np.minimum(reached, np.maximum(before, step)), np.maximum(reached, np.minimum(before, step))
    )
    result: Array = np.where(times > 0.0, toward_end, before)
    return result
