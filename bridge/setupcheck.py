"""Whether a state of the bench is one that the board at hand can be in."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Set
from numbers import Real
from typing import Any

from bridge.errors import InputError
from bridge.placement import BoardNames, parse_connected, parse_lift
from bridge.probing import COLDEST_C, HOTTEST_C, Setup
from bridge.wording import quoted

__all__ = ["check_setup"]

HIGHEST_BUS_VOLTS = 2000.0
LONGEST_DWELL_S = 3600.0


def check_setup(setup: Setup, board: BoardNames) -> Setup:
    """Return a state of the bench, checked, with things and pins as the board spells them.

    Parameters
    ----------
    setup : Setup
        As a program, a journal or the command line gave it; any collection of words will do for its words.
    board : Board
        The board, for what can be connected and for lifted pins.

    Raises
    ------
    InputError
        A value of the wrong kind or out of range, an unknown pin, or something connected that this board has no part
        for; the place is the key of a journal's set-up.
    """
    return Setup(
        connected=parse_connected(_words("connected", setup.connected), board),
        lifted=parse_lift(_words("lifted", setup.lifted), board),
        relay_closed=_switch("relay_closed", setup.relay_closed),
        bus_volts=_number("bus_volts", setup.bus_volts, -HIGHEST_BUS_VOLTS, HIGHEST_BUS_VOLTS),
        unplugged=_switch("unplugged", setup.unplugged),
        dwell_s=_number("dwell_s", setup.dwell_s, 0.0, LONGEST_DWELL_S),
        temperature_c=_number("temperature_c", setup.temperature_c, COLDEST_C, HOTTEST_C),
    )


def _words(key: str, value: Any) -> str:
    several = isinstance(value, Collection) and not isinstance(value, str | bytes | Mapping)
    if not several or not all(isinstance(word, str) for word in value):
        raise InputError(f"{quoted(str(value))}; accepted: a list of words", where=f"setup.{key}")
    return " ".join(sorted(value) if isinstance(value, Set) else value)


def _switch(key: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{quoted(str(value))}; accepted: true, false", where=f"setup.{key}")
    return value


def _number(key: str, value: Any, low: float, high: float) -> float:
    is_number = isinstance(value, Real) and not isinstance(value, bool)
    if not is_number or not low <= value <= high:
        raise InputError(f"{quoted(str(value))}; accepted: a number from {low:g} to {high:g}", where=f"setup.{key}")
    return float(value)
