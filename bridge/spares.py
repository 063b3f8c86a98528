"""A batch of spares: which are good, suspect or bad, and how well the good ones match."""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.errors import InputError, InputErrors
from bridge.loosepart import STEP_NAMES, LooseVerdict, judge_loose, loose_board, loose_steps, read_step
from bridge.meter import MeterProfile
from bridge.plainsheet import read_sheet
from bridge.readings import Reading
from bridge.switchpart import SwitchPart
from bridge.textfile import decode_text, read_file, shown_source
from bridge.wording import quoted

__all__ = ["MATCHED_STEPS", "Batch", "Match", "Spare", "judge_spares", "load_spares"]

SPARES_GOOD = 0.95  # of parts that were bought as good; common practice, no source
MATCHED_STEPS = ("ec", "charged")
"""Readings in which parts of one make agree: the diode's drop, and that of the main path when turned on."""
ODD_V = 0.04  # four times what parts of one make differ by, 10 mV (common practice, no source)
FEWEST = 3  # of two that differ nobody knows which is the odd one

Row = Mapping[str, Reading]


@dataclass(frozen=True, slots=True)
class Spare:
    """One part of a batch.

    Parameters
    ----------
    name : str
        What its row calls it.
    line : int
        Line in its file.
    verdict : str
        ``good``, ``suspect`` or ``bad``.
    good : float
        Probability that it is good [1].
    reasons : tuple of str
        Why, in words.
    deviation : mapping of str to float
        By step, how far its reading lies from the middle of the batch [V].
    """

    name: str
    line: int
    verdict: str
    good: float
    reasons: tuple[str, ...]
    deviation: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Match:
    """How well the parts that are not bad agree in one reading.

    Parameters
    ----------
    step : str
        Which reading.
    count : int
        Number of parts it was read on.
    median : float
        Middle of their readings [V].
    span : float
        Largest less smallest [V].
    """

    step: str
    count: int
    median: float
    span: float


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch of spares, judged.

    Parameters
    ----------
    spares : tuple of Spare
        In the order of the file.
    matches : tuple of Match
        One for each reading that can be compared.
    """

    spares: tuple[Spare, ...]
    matches: tuple[Match, ...]


def load_spares(source: str, part: SwitchPart, meter: MeterProfile) -> tuple[tuple[str, int, Row], ...]:
    """Return name, line and readings of each spare in a file, a row for each; rows without a reading are left out.

    Parameters
    ----------
    source : str
        Path, or ``-`` for standard input; the columns are ``part`` and any of the steps of a loose switch.
    part : SwitchPart
        What they are.
    meter : MeterProfile
        The meter in hand.

    Raises
    ------
    InputError
        The file cannot be read, something in it is wrong, or it holds no reading.
    """
    where = shown_source(source)
    rows = read_sheet(decode_text(read_file(source), where), where, ("part",), (*STEP_NAMES, "note"))
    board = loose_board(part)
    steps = {step.name: step for step in loose_steps(part, meter)}
    found: dict[str, tuple[str, int, Row]] = {}
    problems: list[InputError] = []
    for line, row in rows:
        place = f"{where}, line {line}"
        name = row["part"]
        if not name:
            problems.append(InputError("no name; accepted: anything that tells it from the others", where=place))
        elif name in found:
            problems.append(InputError(f"{quoted(name)} is there twice, first in line {found[name][1]}", where=place))
        readings: dict[str, Reading] = {}
        for step in STEP_NAMES:
            if not row.get(step):
                continue
            try:
                readings[step] = read_step(steps[step], row[step], board, meter, line)
            except InputError as error:
                problems.append(InputError(error.problem, where=f"{place}, {step}"))
        if readings:
            found[name] = (name, line, readings)
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    if not found:
        raise InputError(f"no reading in any row; accepted: columns {', '.join(STEP_NAMES)}", where=where)
    return tuple(found.values())


def judge_spares(part: SwitchPart, meter: MeterProfile, rows: Sequence[tuple[str, int, Row]]) -> Batch:
    """Return which spares are good, suspect or bad, and how well they match.

    Parameters
    ----------
    part : SwitchPart
        What they are.
    meter : MeterProfile
        The meter in hand.
    rows : sequence of (str, int, mapping)
        Name, line and readings by step of each.

    Raises
    ------
    InputError
        A spare without a reading.
    """
    known: dict[tuple[tuple[str, str], ...], LooseVerdict] = {}
    judged: list[Spare] = []
    for name, line, readings in rows:
        key = tuple((step, reading.text) for step, reading in readings.items())
        if key not in known:  # most good ones of a batch read alike
            known[key] = judge_loose(part, meter, tuple(readings.values()), SPARES_GOOD)
        verdict = known[key]
        judged.append(Spare(name, line, verdict.verdict, verdict.good, verdict.reasons, {}))
    matches = [_match(step, rows, judged) for step in MATCHED_STEPS]
    kept = tuple(match for match in matches if match is not None)
    return Batch(
        tuple(_compared(spare, readings, kept) for spare, (_, _, readings) in zip(judged, rows, strict=True)), kept
    )


def _value(readings: Row, step: str) -> float | None:
    reading = readings.get(step)
    return None if reading is None or reading.state != "steady" else reading.value


def _match(step: str, rows: Sequence[tuple[str, int, Row]], judged: Sequence[Spare]) -> Match | None:
    values = [
        value
        for (_, _, readings), spare in zip(rows, judged, strict=True)
        if spare.verdict != "bad" and (value := _value(readings, step)) is not None
    ]
    if len(values) < FEWEST:
        return None
    return Match(step, len(values), statistics.median(values), max(values) - min(values))


def _compared(spare: Spare, readings: Row, matches: Sequence[Match]) -> Spare:
    """Return a spare with its deviations; a good one that is far from the others becomes suspect."""
    if spare.verdict == "bad":
        return spare
    off = {match.step: value - match.median for match in matches if (value := _value(readings, match.step)) is not None}
    odd = [f"{step} is {1e3 * volts:+.0f} mV off the others" for step, volts in off.items() if abs(volts) > ODD_V]
    verdict = "suspect" if odd else spare.verdict
    return dataclasses.replace(spare, verdict=verdict, reasons=(*odd, *spare.reasons), deviation=off)
