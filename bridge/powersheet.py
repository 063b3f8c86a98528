"""Voltages of a first power-up as readings: from a table of their own, or from rows in volts mode of any sheet."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.board import Board
from bridge.errors import InputError, InputErrors
from bridge.meter import load_meter
from bridge.plainsheet import read_sheet
from bridge.probing import Probing, Setup
from bridge.readings import Reading, parse_reading, parse_readings
from bridge.textfile import decode_text, read_file, shown_source
from bridge.wording import quoted

__all__ = ["LARGEST_V", "check_powered", "check_powered_place", "load_power_readings"]

LARGEST_V = 100.0
_COLUMNS = ("red", "black", "volts")


def load_power_readings(source: str, board: Board, setup: Setup | None = None) -> tuple[Reading, ...]:
    """Return the voltages of a file: the columns ``red``, ``black`` and ``volts``, or a readings sheet in volts mode.

    Parameters
    ----------
    source : str
        Path, or ``-`` for standard input.
    board : Board
        The board they were read on.
    setup : Setup, optional
        What is connected or unplugged.

    Raises
    ------
    InputError
        The file cannot be read, something in it is wrong, or it holds no voltage.
    """
    where = shown_source(source)
    data = read_file(source)
    text = decode_text(data, where)
    first = next((line for line in text.splitlines() if line.strip()), "")
    if "mode" in first.casefold():
        return check_powered(parse_readings(data, source, board, setup=setup).readings, where)
    found: list[Reading] = []
    problems: list[InputError] = []
    meter = load_meter()
    for line, row in read_sheet(text, where, _COLUMNS, ("note",)):
        if not row["volts"]:
            continue
        fields = {"red": row["red"], "black": row["black"], "mode": "volts", "reading": row["volts"]}
        try:
            found.append(_checked(parse_reading(fields, board, meter, setup, line=line)))
        except InputError as error:
            column = "volts" if error.where in ("reading", "") else error.where
            problem = error.problem if column != "volts" else _no_voltage(row["volts"])
            problems.append(InputError(problem, where=f"{where}, line {line}, {column}"))
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    if not found:
        raise InputError("no voltage in any row; accepted: at least one", where=where)
    return tuple(found)


def check_powered(readings: Sequence[Reading], where: str) -> tuple[Reading, ...]:
    """Return readings that were all taken in volts mode with the bench supply on.

    Parameters
    ----------
    readings : sequence of Reading
        Readings of a sheet or journal.
    where : str
        Its name, for messages.

    Raises
    ------
    InputError
        A reading in another mode, with a gate held or a pin lifted, or one that is no voltage.
    """
    for reading in readings:
        try:
            check_powered_place(reading.probing)
            _checked(reading)
        except InputError as error:
            raise InputError(error.problem, where=f"{where}, line {reading.line}, {error.where}") from None
    return tuple(readings)


def check_powered_place(probing: Probing) -> None:
    """Refuse what nobody does while the bench supply is on.

    Parameters
    ----------
    probing : Probing
        Where the leads are.

    Raises
    ------
    InputError
        Another mode than volts, a gate held, a pin lifted; its place is the column.
    """
    if probing.mode != "volts":
        raise InputError(
            f"{quoted(probing.mode_text)} while the bench supply feeds the board; accepted: volts", where="mode"
        )
    if probing.hold:
        raise InputError(
            f"{quoted(probing.hold_text)}; accepted: nothing, gates stay at rest in a first power-up", where="hold"
        )
    if probing.lift:
        raise InputError(f"{quoted(probing.lift_text)}; accepted: --lifted, for all readings alike", where="lift")


def _checked(reading: Reading) -> Reading:
    """Return a reading that is a voltage."""
    if reading.value is None or abs(reading.value) > LARGEST_V:
        raise InputError(_no_voltage(reading.text), where="reading")
    return reading


def _no_voltage(text: str) -> str:
    return f"{quoted(text)}; accepted: a voltage as in 11.9, at most {LARGEST_V:g} V"
