"""What a number typed at the bench probably was: as proposed, the display of another mode, or a slip of the pen."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

from bridge.board import Board
from bridge.faults import Fault
from bridge.forecast import Forecast, forecast_each
from bridge.meterprofile import MeterProfile
from bridge.penslips import PREFIXES, may_be_slip, slip_words
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate
from bridge.readings import Reading
from bridge.units import format_ohms, format_reading

__all__ = [
    "count_refused",
    "doubtful_number",
    "place_words",
    "repeated_words",
    "slip_question",
]

_BARE = re.compile(r"(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)\s*m?")  # 410m is a drop in millivolts, too
DROP_V = (0.25, 0.95)  # what junctions of the trade read in diode mode, typed in volts; common practice, no source
DROP_MV = (250.0, 950.0)  # the same typed in millivolts
NEAR = 1.5  # a resistance within this factor is what somebody expects there
NEAR_V = 0.07  # a drop within this is what a good board shows there
MEANT_SHARE = 0.15  # with its k, a number this close to what a board in question shows is probably that
ASKED, EXPECTED = 12, 0.3  # of the likeliest hypotheses; as much of them expects it: no question


def doubtful_number(
    reading: Reading,
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    candidates: Sequence[Candidate],
    *,
    slip: bool = False,
) -> str | None:
    """Return what to ask about a bare number taken as ohms that would be a drop in diode mode; None where it is fine.

    Parameters
    ----------
    reading : Reading
        The reading, its mode the proposed or the usual one and not typed.
    board : Board
        The board.
    meter : MeterProfile
        The meter.
    setup : Setup
        The state of the bench.
    candidates : sequence of Candidate
        What is likeliest so far; a resistance that many of them, or a good board, read there is not asked about, unless
        it is also the drop of a good board in diode mode.
    slip : bool
        Whether it may as well lack its k or M (`slip_question`): then one question names both.
    """
    probing, value = reading.probing, reading.value
    if probing.mode != "ohms" or value is None or _BARE.fullmatch(reading.text.strip()) is None:
        return None
    as_volts = DROP_V[0] <= value <= DROP_V[1]
    if not as_volts and not DROP_MV[0] <= value <= DROP_MV[1]:
        return None
    likely = candidates[:ASKED]
    healthy, *others = (
        row[0].value for row in forecast_each(board, meter, setup, [probing], [[], *map(_damage, likely)])
    )
    near = [shown is not None and shown > 0.0 and 1.0 / NEAR <= value / shown <= NEAR for shown in (healthy, *others)]
    volts = value if as_volts else value / 1000.0
    # a short of 0.4 ohm and a good diode's 0.4 V are one number: where both are likely, only the technician knows
    (as_diode,) = forecast_each(board, meter, setup, [replace(probing, mode="diode", range_name=None)], [[]])[0]
    drop_there = as_diode.value is not None and abs(as_diode.value - volts) <= NEAR_V
    expected = sum(one.probability for one, fits in zip(likely, near[1:], strict=True) if fits) >= EXPECTED
    if near[0] or (expected and not drop_there):
        return None
    place = f"{probing.red} {probing.black}"
    drop = (
        f"{probing.red} to {probing.black}: {reading.text} in ohms? It looks like a drop of {volts:g} V, as diode mode"
    )
    right = f"Type yes if the meter stood at ohms ({format_ohms(value)})"
    if slip and healthy:
        times = min(PREFIXES, key=lambda times: abs(math.log(times * value / healthy)))
        full = f"{reading.text.strip()}{PREFIXES[times]}"
        return (
            f"{drop} shows it, or like {full}, as a good board reads {format_reading(healthy, 'ohm')} there. {right}, "
            f"{full}, or the reading with its mode: {place} diode {volts:g}."
        )
    return f"{drop} shows it. {right}, or the reading with its mode: {place} diode {volts:g}."


def slip_question(
    reading: Reading, board: Board, meter: MeterProfile, setup: Setup, candidates: Sequence[Candidate] = ()
) -> str | None:
    """Return what to ask about a number that was perhaps written without its k, or for overload; None where it is fine.

    Parameters
    ----------
    reading : Reading
        The reading.
    board, meter, setup
        The bench.
    candidates : sequence of Candidate
        What is likeliest so far: a number that one of them shows with a k or an M, and none as it stands, is asked
        about, too.
    """
    if not may_be_slip(reading):
        return None
    likely = candidates[:ASKED] if reading.unit == "ohm" else ()
    good, *others = (
        row[0] for row in forecast_each(board, meter, setup, [reading.probing], [[], *map(_damage, likely)])
    )
    return slip_words(reading, good, meter) or _lost_prefix(reading, [good, *others]) or None


def _lost_prefix(reading: Reading, shown: Sequence[Forecast]) -> str:
    """Return what to check about bare ohms that no board in question shows, and one would with a k or an M."""
    value = float(reading.value or 0.0)
    expected = [one.value for one in shown if one.value is not None and one.value > 0.0]
    if any(abs(value - other) <= MEANT_SHARE * other for other in expected):
        return ""
    for times, prefix in PREFIXES.items():
        close = [other for other in expected if abs(times * value - other) <= MEANT_SHARE * other]
        if close:
            written = reading.text.strip()
            return (
                f"{reading.probing.red} to {reading.probing.black}: {written} is taken as "
                f"{format_reading(value, 'ohm')} Ω, and {format_reading(close[0], 'ohm')} may well be read there. If "
                f"{prefix}Ω were meant, write {written}{prefix}."
            )
    return ""


def _damage(candidate: Candidate) -> list[tuple[Fault, float | None]]:
    return [(Fault(guess.part, guess.mode), guess.ohms) for guess in candidate.faults]


def repeated_words(reading: Reading, earlier: Sequence[Reading]) -> str | None:
    """Return that a place was read before, None where it was not.

    Parameters
    ----------
    reading : Reading
        The reading.
    earlier : sequence of Reading
        Those before it, as ``doubt`` counts them.
    """
    before = [number for number, one in enumerate(earlier, 1) if one.probing == reading.probing]
    if not before:
        return None
    numbers = " and ".join(map(str, before))
    return (
        f"The same place as reading {numbers}: both stand, but of the part they tell little more than one. If the "
        f"first was wrong, type doubt {before[-1]}; if this one was a slip, undo."
    )


def place_words(probing: Probing) -> str:
    """Return where the leads are, in short: ``G_UL to E_UL, ohms``.

    Parameters
    ----------
    probing : Probing
        Placement of the leads.
    """
    return f"{probing.red} to {probing.black}, {probing.mode_text}"


def count_refused(count: int, probing: Probing, like: Sequence[Probing]) -> str:
    """Return why so many values in one line are not taken, and what is.

    Parameters
    ----------
    count : int
        How many were typed.
    probing : Probing
        The proposed reading.
    like : sequence of Probing
        Those taken in one go with it; it alone where there are none.
    """
    place = f"{probing.red}-{probing.black}"
    each = f"or a line for each, with its places: {probing.red} {probing.black} {probing.mode_text} VALUE"
    if len(like) == 1:
        return f"{count} values, but one place is proposed; accepted: the value at {place} (red-black), {each}"
    places = ", ".join(f"{one.red}-{one.black}" for one in like)
    return f"{count} values; accepted: one, at {place} (red-black), {len(like)} in this order: {places}, {each}"
