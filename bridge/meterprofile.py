"""A multimeter as numbers: its sources, ranges, accuracy and what its display does with a value."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.units import parse_quantity
from bridge.wording import listed, quoted

__all__ = [
    "LARGEST_VOLTS",
    "METER_MODES",
    "VOLTMETER_OHMS",
    "Accuracy",
    "DiodeTest",
    "MeterProfile",
    "OhmsRange",
    "Source",
]

METER_MODES = ("diode", "ohms", "continuity", "volts")
VOLTMETER_OHMS = 10e6  # the voltage mode of hand-held meters; common practice, no source
LARGEST_VOLTS = 1000.0  # top of the voltage mode of hand-held meters; common practice, no source
FINEST_VOLTS_DIGIT = 1e-3  # the voltage mode starts at a range of `counts` millivolts; common practice, no source


@dataclass(frozen=True, slots=True)
class Source:
    """What the meter drives its leads with in one mode or range.

    Parameters
    ----------
    kind : str
        ``current``: a current source that runs out at its open-circuit voltage; ``resistor``: that voltage
        behind a resistor.
    amps : float or None
        Test current of a current source [A]; None for the other kind.
    ohms : float or None
        Resistor of the other kind [ohm]; None for a current source.
    open_volts : float
        Voltage between open leads [V].
    """

    kind: str
    amps: float | None
    ohms: float | None
    open_volts: float

    def to_mapping(self) -> dict[str, object]:
        """Return the keys a meter file holds for this source."""
        size = {"amps": self.amps} if self.amps is not None else {"ohms": self.ohms}
        return {"source": self.kind, **size, "open_volts": self.open_volts}


@dataclass(frozen=True, slots=True)
class DiodeTest:
    """The diode mode.

    Parameters
    ----------
    source : Source
        What drives the leads.
    limit_volts : float
        Largest voltage it shows [V]; beyond it the display says OL.
    """

    source: Source
    limit_volts: float


@dataclass(frozen=True, slots=True)
class OhmsRange:
    """One range of the ohms mode.

    Parameters
    ----------
    name : str
        What ``ohms:NAME`` in a reading calls it: ``2k``.
    full_scale : float
        Largest resistance it shows [ohm].
    source : Source
        What drives the leads.
    """

    name: str
    full_scale: float
    source: Source


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error of one mode, as a specification table prints them: +/-(percent of reading + digits).

    Parameters
    ----------
    percent : float
        Share of the reading [%].
    digits : float
        Steps of the last digit [1].
    """

    percent: float
    digits: float


@dataclass(frozen=True, slots=True)
class MeterProfile:
    """A multimeter.

    Parameters
    ----------
    name, title : str
        Short name and title.
    reversed : bool
        Whether the red lead is the negative one in diode and ohms mode, as on a moving-needle meter.
    counts : int
        Steps of the display in a full range.
    lead_ohms : float
        Resistance of both leads together [ohm].
    beep_ohms : float
        Continuity beeps below this [ohm]; 0 for a meter without a beeper.
    diode : DiodeTest
        The diode mode.
    ohms : tuple of OhmsRange
        Ranges of the ohms mode, lowest first.
    accuracies : tuple of (str, Accuracy)
        Limits of error by mode.
    """

    name: str
    title: str
    reversed: bool
    counts: int
    lead_ohms: float
    beep_ohms: float
    diode: DiodeTest
    ohms: tuple[OhmsRange, ...]
    accuracies: tuple[tuple[str, Accuracy], ...]

    def range_named(self, name: str) -> OhmsRange:
        """Return the ohms range a reading names, by its name or by its full scale written another way.

        Parameters
        ----------
        name : str
            ``2k``; ``2K`` and ``2000`` mean the same range.

        Raises
        ------
        InputError
            The meter has no such range; those it has are listed.
        """
        by_name = {entry.name: entry for entry in self.ohms}
        if name in by_name:
            return by_name[name]
        try:
            quantity = parse_quantity(name)
        except InputError:
            pass
        else:
            for entry in self.ohms:
                if entry.full_scale == quantity.value and quantity.unit != "V":
                    return entry
        known = listed(f"ohms:{entry.name}" for entry in self.ohms)
        raise InputError(f"meter {self.name} has no ohms range {quoted(name)}; accepted: ohms, {known}")

    def range_for(self, ohms: float) -> OhmsRange:
        """Return the lowest range that shows a resistance; the highest one where none does.

        Parameters
        ----------
        ohms : float
            Resistance [ohm].
        """
        return next((entry for entry in self.ohms if abs(ohms) <= entry.full_scale), self.ohms[-1])

    def _ohms_range(self, mode: str, range_name: str | None, value: float) -> OhmsRange:
        if mode == "continuity":
            return self.ohms[0]
        return self.range_for(value) if range_name is None else self.range_named(range_name)

    def _decimals(self, mode: str, range_name: str | None, value: float) -> int:
        """Digits after the decimal point; negative where the last digit is tens or more."""
        _check_mode(mode)
        if mode == "volts":
            decimals = -_power_at_least(FINEST_VOLTS_DIGIT)
            return decimals - max(_power_at_least(abs(value) / (self.counts * FINEST_VOLTS_DIGIT)), 0)
        full = self.diode.limit_volts if mode == "diode" else self._ohms_range(mode, range_name, value).full_scale
        return -_power_at_least(full / self.counts)

    def resolution(self, mode: str, range_name: str | None = None, value: float = 0.0) -> float:
        """Return the step of the last digit.

        Parameters
        ----------
        mode : str
            ``diode``, ``ohms``, ``continuity`` or ``volts``.
        range_name : str or None
            Ohms range; None lets the meter choose by value.
        value : float
            What is shown, which decides the range where the meter chooses [V] or [ohm].

        Returns
        -------
        float
            One digit [V] or [ohm].

        Raises
        ------
        InputError
            An unknown mode or range.

        Notes
        -----
        Full scale over counts, rounded up to a power of ten: displays are decimal, and a meter of 6000
        counts that stops at 2 V in diode mode still shows millivolts.
        """
        return float(f"1e{-self._decimals(mode, range_name, value)}")

    def accuracy_of(self, mode: str) -> Accuracy:
        """Return limits of error; where a file is silent, continuity is as ohms and volts as diode.

        Parameters
        ----------
        mode : str
            ``diode``, ``ohms``, ``continuity`` or ``volts``.

        Raises
        ------
        InputError
            An unknown mode.
        """
        _check_mode(mode)
        known = dict(self.accuracies)
        return known[mode] if mode in known else known["ohms" if mode == "continuity" else "diode"]

    def sigma(self, mode: str, range_name: str | None, value: float) -> tuple[float, float]:
        """Return the standard deviations of the meter's own error.

        Parameters
        ----------
        mode : str
            ``diode``, ``ohms``, ``continuity`` or ``volts``.
        range_name : str or None
            Ohms range; None lets the meter choose by value.
        value : float
            What is shown [V] or [ohm].

        Returns
        -------
        gain_sigma : float
            Relative gain error, one for a meter and range and shared by all its readings [1].
        digits_sigma : float
            Independent error of each reading [V] or [ohm].

        Raises
        ------
        InputError
            An unknown mode or range.

        Notes
        -----
        Limits are taken as two standard deviations. The digits are never better than rounding to one
        digit, whose standard deviation is a digit over the square root of twelve.
        """
        accuracy = self.accuracy_of(mode)
        digit = self.resolution(mode, range_name, value)
        return accuracy.percent / 200.0, max(accuracy.digits / 2.0, 1.0 / math.sqrt(12.0)) * digit

    def display(self, mode: str, range_name: str | None, value: float) -> float | None:
        """Return what the display shows for the voltage or resistance at the jacks.

        Parameters
        ----------
        mode : str
            ``diode``, ``ohms``, ``continuity`` or ``volts``.
        range_name : str or None
            Ohms range; None lets the meter choose by value.
        value : float
            Voltage between the jacks, or resistance [V] or [ohm]; infinite for an open circuit.

        Returns
        -------
        float or None
            The value rounded to the last digit; None for OL.

        Raises
        ------
        InputError
            An unknown mode or range, or a value that is not a number.
        """
        _check_mode(mode)
        if math.isnan(value):
            raise InputError("not a number: the display has nothing to show")
        if abs(value) > self.largest(mode, range_name):
            return None
        return round(value, self._decimals(mode, range_name, value)) + 0.0  # + 0.0 turns -0.0 into 0.0

    def largest(self, mode: str, range_name: str | None = None) -> float:
        """Return the largest value the display shows, beyond which it says OL.

        Parameters
        ----------
        mode : str
            ``diode``, ``ohms``, ``continuity`` or ``volts``.
        range_name : str or None
            Ohms range; None for the highest.

        Raises
        ------
        InputError
            An unknown mode or range.
        """
        _check_mode(mode)
        if mode == "diode":
            return self.diode.limit_volts
        if mode == "volts":
            return LARGEST_VOLTS
        return self._ohms_range(mode, range_name, math.inf).full_scale

    def to_mapping(self) -> dict[str, object]:
        """Return the keys of a meter file, from which the same profile can be read."""
        return {
            "name": self.name,
            "title": self.title,
            "reversed": self.reversed,
            "counts": self.counts,
            "lead_ohms": self.lead_ohms,
            "beep_ohms": self.beep_ohms,
            "diode": {**self.diode.source.to_mapping(), "limit_volts": self.diode.limit_volts},
            "ohms": [
                {"name": entry.name, "full_scale": entry.full_scale, **entry.source.to_mapping()} for entry in self.ohms
            ],
            "accuracy": {mode: [limits.percent, limits.digits] for mode, limits in self.accuracies},
        }


def _check_mode(mode: str) -> None:
    if mode not in METER_MODES:
        raise InputError(f"mode {quoted(mode)}; accepted: {listed(METER_MODES)}")


def _power_at_least(value: float) -> int:
    """Return the smallest power of ten that is not below a value (0 for 0)."""
    return math.ceil(math.log10(value) - 1e-9) if value > 0.0 else 0
