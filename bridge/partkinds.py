"""The kinds of part a board may hold: their pins, values and the ways they fail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = [
    "INSIDE_A_CASE_LIFT_COST",
    "MODULE_LIFT_COST",
    "PART_KINDS",
    "SWITCH_KINDS",
    "PartKind",
    "ValueSpec",
    "collector_pin",
    "emitter_pin",
    "has_severity",
]

MODULE_LIFT_COST = 20.0  # a soldered module's pin: the last resort
INSIDE_A_CASE_LIFT_COST = 100.0  # two dies in one case cannot be parted at all
_LEADLESS_LIFT_COST = 20.0  # an insulating pad: the screw, the paste and every leg of the part on it


@dataclass(frozen=True, slots=True)
class ValueSpec:
    """One value of a part kind: what it may be, and what it is when the board file is silent.

    Parameters
    ----------
    default : float or None
        Value in SI units when none is given; None if it must be given.
    low, high : float
        Accepted range, both ends included.
    unit : str
        Unit as written to people.
    clamped : bool
        Whether a value outside the range is moved to its edge with a note, rather than refused.
    zero : bool
        Whether exactly 0 is accepted too, whatever the range says.
    """

    default: float | None
    low: float
    high: float
    unit: str
    clamped: bool = False
    zero: bool = False


@dataclass(frozen=True, slots=True)
class PartKind:
    """A kind of part.

    Parameters
    ----------
    name : str
        Word used in board files.
    pins : tuple of str
        Pin names, each of which a board file connects.
    values : mapping of str to ValueSpec
        Values it takes.
    modes : tuple of str
        Ways it fails, in the order they are listed to people.
    tolerance : float
        Two-sigma relative tolerance of its main value when the board file is silent [1].
    lift_cost : float
        Effort of lifting one of its pins, in ends of a chip resistor [1]; common practice, no source.
    read_in : str
        Mode of the meter that tells most about it when it is read by itself: ``diode`` where a junction lies between
        its pins, ``ohms`` otherwise; common practice, no source.
    """

    name: str
    pins: tuple[str, ...]
    values: Mapping[str, ValueSpec]
    modes: tuple[str, ...]
    tolerance: float = 0.05
    lift_cost: float = 1.0
    read_in: str = "ohms"

    def mode_between(self, one: str, other: str) -> str:
        """Return the mode of the meter in which two of its pins are read, ``ohms`` or ``diode``.

        Parameters
        ----------
        one, other : str
            Names of the pins. A gate is insulated: what is wrong with it is a resistance, whatever the kind.
        """
        return "ohms" if "gate" in (one, other) else self.read_in


def _ohms(default: float | None) -> ValueSpec:
    # beyond 1e-4 .. 1e10 ohm a double can no longer carry a part beside the others
    return ValueSpec(default, 1e-4, 1e10, "ohm", clamped=True, zero=True)


def _volts(default: float | None) -> ValueSpec:
    return ValueSpec(default, 0.01, 5.0, "V")


def _threshold(highest: float) -> ValueSpec:
    return ValueSpec(None, 0.5, highest, "V")


_SWITCH_MODES = (
    "ce-short",
    "ce-leak",
    "ge-short",
    "ge-leak",
    "gc-short",
    "all-short",
    "burst",
    "never-on",
    "always-on",
    "emitter-open",
)

_KINDS = (
    PartKind(
        "igbt",
        ("collector", "emitter", "gate"),
        {"gate_threshold": _threshold(10.0), "on_drop_1ma": _volts(0.65)},
        _SWITCH_MODES,
        lift_cost=4.0,
        read_in="diode",
    ),
    PartKind(
        "mosfet",
        ("drain", "source", "gate"),
        # on_ohms is stated at 10 V on the gate, so the threshold stays well below that
        {"gate_threshold": _threshold(8.0), "on_ohms": ValueSpec(0.1, 1e-4, 100.0, "ohm")},
        _SWITCH_MODES,
        lift_cost=4.0,
        read_in="diode",
    ),
    PartKind(
        "diode",
        ("anode", "cathode"),
        {
            "drop_1ma": _volts(None),
            # three legs of 0.42 V diodes then read 0.75 V from minus to plus at 1 mA, as simulated bridges do
            "ideality": ValueSpec(1.6, 1.0, 20.0, "1"),
            "series_ohms": ValueSpec(0.03, 0.0, 10.0, "ohm"),
        },
        ("short", "open", "leak"),
        lift_cost=2.0,
        read_in="diode",
    ),
    PartKind("resistor", ("a", "b"), {"ohms": _ohms(None)}, ("open", "high", "short")),
    PartKind("shunt", ("a", "b"), {"ohms": _ohms(None)}, ("open", "high"), lift_cost=3.0),
    PartKind("fuse", ("a", "b"), {"ohms": _ohms(0.01)}, ("open", "high"), lift_cost=2.0),
    PartKind(
        "coil",
        ("a", "b"),
        {"ohms": _ohms(0.1), "henries": ValueSpec(0.0, 0.0, 1000.0, "H")},
        ("open", "short"),
        tolerance=0.1,
        lift_cost=3.0,
    ),
    PartKind("relay", ("a", "b"), {"ohms": _ohms(0.01)}, ("stuck-open", "stuck-closed"), lift_cost=4.0),
    PartKind(
        "capacitor",
        ("a", "b"),
        {"farads": ValueSpec(None, 1e-12, 10.0, "F")},
        ("short", "leak", "open", "low"),
        tolerance=0.2,
        lift_cost=3.0,
    ),
    PartKind(
        "driver",
        ("out", "common", "supply"),
        {"drop_1ma": _volts(0.62), "off_ohms": _ohms(1e6)},
        ("low-short", "high-short", "open", "supply-short"),
        tolerance=0.2,
        lift_cost=2.0,
        read_in="diode",
    ),
    PartKind("insulation", ("a", "b"), {}, ("short", "leak"), lift_cost=_LEADLESS_LIFT_COST),
    PartKind("varistor", ("a", "b"), {}, ("short", "leak"), lift_cost=2.0),
)

PART_KINDS: Mapping[str, PartKind] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every part kind by name."""

SWITCH_KINDS = ("igbt", "mosfet")
"""Kinds that have a gate."""


def has_severity(mode: str) -> bool:
    """Return whether a fault mode has a resistance: shorts, leaks and ``high`` do.

    Examples
    --------
    >>> has_severity("ce-short"), has_severity("open")
    (True, False)
    """
    return mode == "high" or mode.endswith(("short", "leak"))


def collector_pin(kind: str) -> str:
    """Return the pin at the other end of the main path: ``collector`` of an igbt, ``drain`` of a mosfet.

    Raises
    ------
    KeyError
        The kind is no switch.
    """
    return {"igbt": "collector", "mosfet": "drain"}[kind]


def emitter_pin(kind: str) -> str:
    """Return the pin a gate is held against: ``emitter`` of an igbt, ``source`` of a mosfet.

    Raises
    ------
    KeyError
        The kind is no switch.
    """
    return {"igbt": "emitter", "mosfet": "source"}[kind]
