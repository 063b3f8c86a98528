"""Engineering values as a technician writes them: ``4k7``, ``0R1``, ``412m``, ``0,412``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.wording import quoted

__all__ = [
    "ACCEPTED_VALUES",
    "MULTIPLIER_LETTERS",
    "NotAValue",
    "Quantity",
    "format_compact",
    "format_display",
    "format_ohms",
    "format_reading",
    "format_volts",
    "parse_quantity",
    "percent",
]

NEARLY_CERTAIN = 0.995  # no reading makes anything certain: above this it is "over 99 %"

ACCEPTED_VALUES = "0.412 0,412 412m 4k7 0R1 2M2 10.2k"

# Powers of ten. k and K mean the same; m is milli and M mega, always.
# R and V mark the decimal point of ohms and volts.
POWERS = {
    "p": -12,
    "n": -9,
    "u": -6,
    "\N{MICRO SIGN}": -6,
    "\N{GREEK SMALL LETTER MU}": -6,
    "m": -3,
    "": 0,
    "R": 0,
    "r": 0,
    "V": 0,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
}
PREFIXES = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}

_SIGN = "(?P<sign>[-+]?)"
_UNIT = r"\s*(?P<unit>V|v|volts?|\N{OHM SIGN}|\N{GREEK CAPITAL LETTER OMEGA}|[oO]hms?|OHMS?)?"
MULTIPLIER_LETTERS = "pnu\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}mkKMG"
# digits, a point or comma, then perhaps a multiplier: 10.2k; or an exponent, whose sign must be written
_PLAIN = re.compile(
    rf"{_SIGN}(?P<number>[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)"
    rf"(?:[eE](?P<exponent>[-+][0-9]{{1,3}})|\s*(?P<letter>[{MULTIPLIER_LETTERS}Rr]))?{_UNIT}"
)
# IEC 60062: the letter stands where the decimal point is: R47 4R7 470R 4K7 47K3 4M7
_LETTER_CODE = re.compile(rf"{_SIGN}(?P<whole>[0-9]*)(?P<letter>[{MULTIPLIER_LETTERS}RrV])(?P<rest>[0-9]+){_UNIT}")
_UNSIGNED_EXPONENT = re.compile(r"[-+]?[0-9.,]+[eE][0-9]+")
_SPACES = str.maketrans("\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}", "   ")


class NotAValue(InputError):
    """The text is no engineering notation at all."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A parsed value and the unit written with it.

    Parameters
    ----------
    value : float
        The value, multiplier applied.
    unit : str
        ``V``, ``ohm``, or empty where none was written.
    """

    value: float
    unit: str


def parse_quantity(text: str) -> Quantity:
    """Return the value and unit of an engineering notation.

    Parameters
    ----------
    text : str
        ``0.412``, ``0,412``, ``412m``, ``412 mV``, ``4k7``, ``0R1``, ``2M2``, ``10.2k``.
        ``m`` is milli, ``M`` is mega.

    Raises
    ------
    NotAValue
        Not such a notation. It is an InputError and a ValueError.
    InputError
        A notation that can be read two ways, mixes units, or is too large to hold.

    References
    ----------
    Letter in place of the decimal point: IEC 60062, marking codes for resistors and capacitors.
    """
    written = text.translate(_SPACES).strip().replace("\N{MINUS SIGN}", "-")
    plain = _PLAIN.fullmatch(written)
    code = None if plain else _LETTER_CODE.fullmatch(written)
    if plain:
        number = plain["number"].replace(",", ".")
        letter, sign, unit = plain["letter"] or "", plain["sign"], plain["unit"] or ""
        power = int(plain["exponent"] or 0)
    elif code:
        number = f"{code['whole'] or '0'}.{code['rest']}"
        letter, sign, unit = code["letter"], code["sign"], code["unit"] or ""
        power = 0
    elif _UNSIGNED_EXPONENT.fullmatch(written):
        before, after = written.lower().split("e")
        raise InputError(f"{quoted(text)} can be read two ways; write {before}R{after} ohm or {before}e+{after}")
    else:
        raise NotAValue(f"{quoted(text)} is no value; accepted: {ACCEPTED_VALUES} (m is milli, M is mega)")
    # one reading of the whole decimal: 4k7 is then the very double that 4700 is
    value = float(f"{number}e{power + POWERS[letter]}")
    if not math.isfinite(value):
        raise InputError(f"{quoted(text)} is too large a number")
    measured = _unit_of(unit)
    marked = {"R": "ohm", "r": "ohm", "V": "V"}.get(letter, "")
    if marked and measured and marked != measured:
        raise InputError(f"{quoted(text)} mixes ohms and volts")
    return Quantity(-value if sign == "-" and value else value, measured or marked)


def _unit_of(word: str) -> str:
    if not word:
        return ""
    return "V" if word[0] in "vV" else "ohm"


def _engineering(value: float, digits: int) -> tuple[str, str]:
    """Return mantissa and prefix, rounded to so many significant digits."""
    if value == 0.0:
        return "0", ""
    # rounding first, so that 999.6 becomes 1.00 k rather than 1000
    power = int(f"{value:.{digits - 1}e}".partition("e")[2])
    thousands = min(max(3 * (power // 3), min(PREFIXES)), max(PREFIXES))
    mantissa = value / 10.0**thousands if thousands >= 0 else value * 10.0**-thousands
    text = f"{mantissa:.{max(digits - 1 - (power - thousands), 0)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text), PREFIXES[thousands]


def _check_number(value: float) -> None:
    if math.isnan(value):
        raise InputError("not a number: there is nothing to show")


def format_compact(value: float, digits: int = 4) -> str:
    """Return a value with its multiplier and no unit: ``2k``, ``4.7k``, ``0.33u``.

    Parameters
    ----------
    value : float
        The value.
    digits : int
        Significant digits; trailing zeros are dropped.

    Raises
    ------
    InputError
        The value is no finite number.
    """
    if not math.isfinite(value):
        raise InputError(f"{value} is no finite number")
    mantissa, prefix = _engineering(value, digits)
    return mantissa + prefix


def format_ohms(value: float) -> str:
    """Return a resistance as written on a sheet: ``0.43 Ω``, ``4.7 kΩ``, ``OL`` for no path at all.

    Parameters
    ----------
    value : float
        Resistance [ohm]; infinite means open.

    Raises
    ------
    InputError
        The value is not a number.
    """
    _check_number(value)
    if math.isinf(value):
        return "OL"
    if 0.1 <= abs(value) < 1.0:  # 0.43 ohm is written so; 430 milliohm is not what a multimeter shows
        text = f"{value:.3f}".rstrip("0").rstrip(".")
        return f"{text} \N{GREEK CAPITAL LETTER OMEGA}"
    mantissa, prefix = _engineering(value, 3)
    prefix = prefix.replace("u", "\N{MICRO SIGN}")
    return f"{mantissa} {prefix}\N{GREEK CAPITAL LETTER OMEGA}"


def _volts_digits(value: float) -> str:
    for decimals, below in ((3, 10.0), (2, 100.0), (1, 1000.0)):
        if round(abs(value), decimals) < below:
            text = f"{value:.{decimals}f}"
            return text.removeprefix("-") if float(text) == 0.0 else text
    return f"{value:.0f}"


def format_volts(value: float) -> str:
    """Return a voltage as a display shows it: ``0.412 V``, ``24.50 V``, ``OL`` for beyond it.

    Parameters
    ----------
    value : float
        Voltage [V]; infinite means beyond the display.

    Raises
    ------
    InputError
        The value is not a number.
    """
    _check_number(value)
    return "OL" if math.isinf(value) else f"{_volts_digits(value)} V"


def format_display(value: float | None, unit: str) -> str:
    """Return what a display shows, with its unit: ``0.412 V``, ``4.7 kΩ``, ``OL``.

    Parameters
    ----------
    value : float or None
        Volts or ohms; None or infinite for OL.
    unit : str
        ``V``; anything else is ohms.

    Raises
    ------
    InputError
        Not a number.

    Examples
    --------
    >>> format_display(0.412, "V"), format_display(None, "ohm")
    ('0.412 V', 'OL')
    """
    if value is None:
        return "OL"
    return format_volts(value) if unit == "V" else format_ohms(value)


def format_reading(value: float | None, unit: str) -> str:
    """Return a reading as a readings file holds it: ``0.412``, ``4.7k``, ``OL``.

    Parameters
    ----------
    value : float or None
        Volts or ohms; None or infinite for OL.
    unit : str
        ``V`` or ``ohm``.

    Raises
    ------
    InputError
        Another unit, or not a number.
    """
    if unit not in ("V", "ohm"):
        raise InputError(f"unit {quoted(unit)} of a reading; accepted: V, ohm")
    if value is None:
        return "OL"
    _check_number(value)
    if math.isinf(value):
        return "OL"
    if unit == "V":
        return _volts_digits(value)
    if abs(value) < 1.0:  # no multimeter resolves less than a hundredth of an ohm
        text = f"{value:.2f}".rstrip("0").rstrip(".")
        return "0" if float(text) == 0.0 else text
    return format_compact(value, 3)


def percent(probability: float) -> str:
    """Return a probability the way it is said.

    Parameters
    ----------
    probability : float
        From 0 to 1.

    Examples
    --------
    >>> [percent(value) for value in (0.9999, 0.974, 0.034, 0.00001)]
    ['>99 %', '97 %', '3.4 %', '<0.1 %']
    """
    if probability >= NEARLY_CERTAIN:
        return ">99 %"
    if probability >= 0.0995:
        return f"{probability:.0%}".replace("%", " %")
    return f"{probability:.1%}".replace("%", " %") if probability >= 0.0005 else "<0.1 %"
