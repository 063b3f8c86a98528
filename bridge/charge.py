"""Charge that readings betray, and what to do about it before anything else.

The limits: 60 V is where a DC bus becomes dangerous to touch (IEC 60204-1, 6.2.4 and 6.4); diode and ohms modes want
0.5 V or less (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.probing import Setup
from bridge.readings import Reading
from bridge.units import format_volts

__all__ = [
    "DANGEROUS_V",
    "EMPTY_V",
    "bus_was_measured",
    "charge_warning",
    "falls",
    "highest_charge",
    "what_was_connected",
]

DANGEROUS_V = 60.0
EMPTY_V = 0.5
MAINS_ON = (
    "DANGER: mains wiring is still on the board. Pull the plug, or lock the supply out, and prove at the mains "
    "terminals that it is dead before a lead goes near them."
)


def what_was_connected(readings: Sequence[Reading], setup: Setup) -> frozenset[str]:
    """Return what was connected for all readings by the set-up, or during any of them by its own row.

    Parameters
    ----------
    readings : sequence of Reading
        The readings.
    setup : Setup
        The stated set-up.
    """
    return setup.connected.union(*(reading.connected for reading in readings))


def highest_charge(readings: Sequence[Reading], setup: Setup) -> float:
    """Return the largest voltage that the last word of the readings or the set-up puts on the board [V].

    Parameters
    ----------
    readings : sequence of Reading
        In the order they were taken; a later reading in volts mode at the same place replaces an earlier one.
    setup : Setup
        The stated set-up.
    """
    latest: dict[frozenset[str], float] = {}
    for reading in readings:
        if reading.probing.mode == "volts" and reading.value is not None:
            latest[frozenset((reading.probing.red, reading.probing.black))] = abs(reading.value)
    return max([abs(setup.bus_volts), *latest.values()])


def falls(reading: Reading) -> bool:
    """Whether a display fell in ohms mode while the leads rested: only charge drives it down.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    return reading.state == "falling" and reading.probing.mode == "ohms"


def bus_was_measured(readings: Sequence[Reading]) -> bool:
    """Whether readings say that somebody measured charge or emptied the bus.

    Parameters
    ----------
    readings : sequence of Reading
        The readings.
    """
    return any(reading.probing.mode == "volts" or reading.discharged for reading in readings)


def charge_warning(readings: Sequence[Reading], setup: Setup) -> str | None:
    """Return what to do about charge or mains on the board, None if nothing speaks of either.

    A danger comes first: nothing that is merely odd about a reading may hide it.

    Parameters
    ----------
    readings : sequence of Reading
        In the order they were taken.
    setup : Setup
        The stated set-up.
    """
    volts = highest_charge(readings, setup)
    if volts > DANGEROUS_V:
        return (
            f"DANGER: {format_volts(volts)} on the board. Hands off. Isolate the supply and secure it, wait, discharge "
            "the bus through a resistor, never with a blade, and measure every capacitor again before a lead or a hand "
            f"goes near it. Above {DANGEROUS_V:g} V it is dangerous to touch, and no reading below can be trusted."
        )
    said = [MAINS_ON] if "mains" in what_was_connected(readings, setup) else []
    residue = _residue_warning(readings, volts)
    if residue is not None:
        said.append(residue)
    return " ".join(said) or None


def _residue_warning(readings: Sequence[Reading], volts: float) -> str | None:
    """Return what to do about charge that is no danger [V], or that a display only hints at."""
    if volts > EMPTY_V:
        return (
            f"{format_volts(volts)} left on the board: discharge it through a resistor to {EMPTY_V:g} V or less before "
            "diode or ohms mode, and take readings made before that again."
        )
    if any(reading.negative and reading.probing.mode != "volts" for reading in readings):
        return (
            "A minus sign in diode or ohms mode means charge on the board, or leads exchanged: measure it in volts "
            "mode, discharge through a resistor, and take that reading again."
        )
    if any(map(falls, readings)):
        return (
            "A display that falls in ohms mode means charge on the board: measure it in volts mode, discharge through "
            "a resistor, and take that reading again."
        )
    return None
