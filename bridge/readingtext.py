"""What a technician writes for one reading: a number, ``OL``, ``beep``, ``0.41 climbing``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.meterprofile import MeterProfile
from bridge.probing import Probing
from bridge.units import (
    ACCEPTED_VALUES,
    MULTIPLIER_LETTERS,
    NotAValue,
    Quantity,
    format_compact,
    parse_quantity,
)
from bridge.wording import quoted

__all__ = ["ACCEPTED_READINGS", "ReadingValue", "check_reading", "parse_reading_text"]

LONGEST_READING = 60
ACCEPTED_READINGS = (
    f"{ACCEPTED_VALUES} OL 0L O.L beep chirp climbing falling, 'climbing to OL', '0.41 climbing', -0.41, -OL"
)

# displays draw it 0L, O.L, .OL or 0.L; on a needle it is the mark at the end of the scale
_OVERLOAD = r"(?:\.?[oO0][.,]?[lL]\.?|\N{INFINITY})"
_SHAPE = re.compile(
    rf"(?P<sign>[-+]?)\s*(?P<overload>{_OVERLOAD})"
    r"|(?P<sound>beep|chirp)"
    rf"|(?P<trend>climbing|falling)(?P<to_overload>\s+to\s+{_OVERLOAD})?",
    re.IGNORECASE,
)
_NUMBER_WITH_TREND = re.compile(
    rf"(?P<number>.*\S)\s+(?P<trend>climbing|falling)(?P<to_overload>\s+to\s+{_OVERLOAD})?", re.IGNORECASE
)
# 10,000 in a quoted field or a semicolon file: ten and ten thousand ohms are both at home on a board
_TEN_OR_TEN_THOUSAND = re.compile(rf"\s*\+?[1-9][0-9]{{0,2}},[0-9]{{3}}(?![0-9]|\s*[{MULTIPLIER_LETTERS}])")
# millivolts typed without their m: 412, 5, 12.5; a single digit with decimals (2.6) was meant as volts
_BARE = re.compile(
    r"\s*[-+\N{MINUS SIGN}]?(?:[0-9]+(?![0-9.,])|[0-9]{2,}[.,][0-9]*)\s*(?:[vV]\b|[cf]|$)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class ReadingValue:
    """One reading as written, before anyone asks where the leads were.

    Parameters
    ----------
    value : float or None
        The number written, multiplier applied; None where there is none.
    state : str
        ``steady`` (a bare number), ``climbing``, ``falling``, ``OL``, ``beep`` or ``chirp``.
    to_ol : bool
        Whether it was climbing towards OL.
    negative : bool
        Whether a minus was shown, with a number or with OL.
    unit : str
        Unit written with the number, ``V`` or ``ohm``; empty where none was.
    """

    value: float | None
    state: str
    to_ol: bool = False
    negative: bool = False
    unit: str = ""


def parse_reading_text(text: str) -> ReadingValue:
    """Return what a reading says.

    Parameters
    ----------
    text : str
        ``0.412`` ``0,412`` ``412m`` ``4k7`` ``0R1`` ``2M2`` ``10.2k`` ``OL`` ``0L`` ``O.L`` ``-OL`` ``beep``
        ``chirp`` ``climbing`` ``falling`` ``climbing to OL`` ``0.41 climbing``.

    Raises
    ------
    InputError
        Nothing of the kind. It is a ValueError too.

    Examples
    --------
    >>> parse_reading_text("0.41 climbing").state
    'climbing'
    """
    written = text.strip().replace("\N{MINUS SIGN}", "-")
    if len(written) > LONGEST_READING:
        raise InputError(f"{quoted(text)} is no reading; accepted: {ACCEPTED_READINGS}")
    shape = _SHAPE.fullmatch(written)
    if shape:
        if shape["overload"]:
            return ReadingValue(None, "OL", negative=shape["sign"] == "-")
        if shape["sound"]:
            return ReadingValue(None, shape["sound"].lower())
        return _with_trend(None, shape, text)
    trend = _NUMBER_WITH_TREND.fullmatch(written)
    try:
        quantity = parse_quantity(trend["number"] if trend else written)
    except NotAValue:
        raise InputError(f"{quoted(text)} is no reading; accepted: {ACCEPTED_READINGS}") from None
    if trend:
        return _with_trend(quantity, trend, text)
    return ReadingValue(quantity.value, "steady", negative=quantity.value < 0.0, unit=quantity.unit)


def _with_trend(quantity: Quantity | None, found: re.Match[str], text: str) -> ReadingValue:
    state, to_ol = found["trend"].lower(), found["to_overload"] is not None
    if to_ol and state == "falling":
        raise InputError(f"{quoted(text)}: a reading falls to a number; accepted: {ACCEPTED_READINGS}")
    if quantity is None:
        return ReadingValue(None, state, to_ol)
    return ReadingValue(quantity.value, state, to_ol, quantity.value < 0.0, quantity.unit)


def check_reading(reading: ReadingValue, text: str, probing: Probing, meter: MeterProfile) -> str:
    """Return the unit of a reading, after asking whether this meter can have shown it in this mode.

    Parameters
    ----------
    reading : ReadingValue
        What was written.
    text : str
        How it was written, for messages.
    probing : Probing
        Where the leads were and in which mode.
    meter : MeterProfile
        The meter.

    Returns
    -------
    str
        ``V``, ``ohm``, or empty for a beep.

    Raises
    ------
    InputError
        A beep outside continuity, the wrong unit, a negative resistance, or a value the display cannot show.
    """
    mode = probing.mode
    if reading.state in ("beep", "chirp"):
        if mode != "continuity":
            raise InputError(f"{quoted(text)} in mode {mode}; accepted: the number shown, or mode continuity")
        if meter.beep_ohms == 0.0:
            raise InputError(f"{quoted(text)}, but meter {meter.name} has no beeper; accepted: the number shown, or OL")
        return ""
    unit = "V" if mode in ("diode", "volts") else "ohm"
    if reading.unit and reading.unit != unit:
        words = {"V": "volts", "ohm": "ohms"}
        raise InputError(
            f"{quoted(text)} is in {words[reading.unit]}, but mode {probing.mode_text} shows {words[unit]}"
        )
    if mode == "volts" and (reading.state == "OL" or reading.to_ol):
        raise InputError(f"{quoted(text)} in mode volts is beyond any bus; accepted: the voltage shown, as 12.5")
    if reading.value is None:
        return unit
    if unit == "ohm":
        _check_ohms(reading.value, text, probing, meter)
    elif abs(reading.value) > meter.largest(mode):
        _refuse_volts(reading.value, text, mode, meter)
    return unit


def _check_ohms(value: float, text: str, probing: Probing, meter: MeterProfile) -> None:
    if value < 0.0:
        raise InputError(
            f"{quoted(text)} is a negative resistance: charge is left on the bus; "
            "discharge it through a resistor and read again; accepted: 0 or more"
        )
    if _TEN_OR_TEN_THOUSAND.match(text):
        whole = text.replace(",", "").split()[0]
        raise InputError(f"{quoted(text)} can be read two ways; write {format_compact(value)} or {whole}")
    largest = meter.largest(probing.mode, probing.range_name)
    if value > largest:
        shown = f"range {probing.range_name} of meter {meter.name}" if probing.range_name else f"meter {meter.name}"
        raise InputError(
            f"{quoted(text)} is above the {format_compact(largest)} ohm that {shown} shows "
            f"in mode {probing.mode}; accepted: OL, a smaller value, or another meter profile"
        )


def _refuse_volts(value: float, text: str, mode: str, meter: MeterProfile) -> None:
    limit = f"above the {meter.largest(mode):g} V that meter {meter.name} shows in mode {mode}"
    if mode == "diode" and _BARE.match(text) and abs(value) / 1000.0 <= meter.diode.limit_volts:
        raise InputError(f"{quoted(text)} is {limit}; write {value / 1000.0:g} or {value:g}m")
    raise InputError(f"{quoted(text)} is {limit}; accepted: OL, a smaller value, or another meter profile")
