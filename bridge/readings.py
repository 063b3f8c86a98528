"""Readings taken on a board: read from a sheet or a bench journal, and checked against board and meter."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.errors import InputError, InputErrors
from bridge.journal import Journal, is_journal, parse_journal, parse_setup, whole_lines
from bridge.meter import MeterProfile, load_meter
from bridge.placement import BoardNames, parse_connected, parse_probing
from bridge.probing import Probing, Setup
from bridge.readingrows import parse_header, split_row, text_lines
from bridge.readingtext import ReadingValue, check_reading, parse_reading_text
from bridge.textfile import decode_text, is_of_another_user, is_path, path_text, read_file, shown_source
from bridge.wording import quoted

__all__ = [
    "MOST_READINGS",
    "Reading",
    "ReadingSet",
    "ReadingValue",
    "load_probings",
    "load_readings",
    "need_not_too_many",
    "parse_reading",
    "parse_reading_text",
    "parse_readings",
]

MOST_READINGS = 250  # to rank by; the longest sheet of a shipped board has 117 places
MOST_PROBLEMS_SHOWN = 5
_DISCHARGED = re.compile(r"(?<!not )(?<!un)\bdischarged\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a board.

    Parameters
    ----------
    line : int
        Its line in the file; 0 where it came from no file.
    probing : Probing
        Where the leads were.
    text : str
        What was written.
    value : float or None
        The number read [V] or [ohm]; None where there is none.
    unit : str
        ``V`` or ``ohm``; empty for a beep.
    state : str
        ``steady`` ``climbing`` ``falling`` ``OL`` ``beep`` ``chirp``.
    connected : frozenset of str
        What was connected during this reading, by the set-up or by its own row.
    discharged : bool
        Whether the bus was discharged before this reading.
    note : str
        The technician's note.
    to_ol : bool
        Whether it was climbing towards OL.
    negative : bool
        Whether the display showed a minus, with a number or with OL.
    doubted : bool
        Whether the technician marked it as doubtful.
    """

    line: int
    probing: Probing
    text: str
    value: float | None
    unit: str
    state: str
    connected: frozenset[str] = frozenset()
    discharged: bool = False
    note: str = ""
    to_ol: bool = False
    negative: bool = False
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class ReadingSet:
    """Readings of one board, in the order they were taken.

    Parameters
    ----------
    source : str
        File they came from; ``-`` for standard input.
    readings : tuple of Reading
        The readings.
    meter : MeterProfile
        The meter they were taken with.
    setup : Setup
        The set-up of the bench.
    is_journal : bool
        Whether the file is a bench journal.
    cut_line : int or None
        Number of a journal's last line that was cut off and left out.
    seen : tuple of str
        What a journal says was seen before any reading.
    journal : Journal or None
        The journal, as it stands in its file.
    """

    source: str
    readings: tuple[Reading, ...]
    meter: MeterProfile
    setup: Setup
    is_journal: bool = False
    cut_line: int | None = None
    seen: tuple[str, ...] = ()
    journal: Journal | None = None

    def __iter__(self) -> Iterator[Reading]:
        """Iterate over the readings."""
        return iter(self.readings)

    def __len__(self) -> int:
        """Return how many readings there are."""
        return len(self.readings)


class _Problems:
    """Problems of one file, each with its line; a long list is cut short."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.found: list[InputError] = []

    def add(self, line: int, error: InputError) -> None:
        self.found.append(InputError(str(error), where=f"{self.where}, line {line}"))

    def raise_any(self) -> None:
        if len(self.found) == 1:
            raise self.found[0]
        if self.found:
            shown, more = self.found[:MOST_PROBLEMS_SHOWN], len(self.found) - MOST_PROBLEMS_SHOWN
            if more > 0:
                shown.append(InputError(f"{more} more lines with problems", where=self.where))
            raise InputErrors(shown)


def parse_reading(
    fields: Mapping[str, str],
    board: BoardNames,
    meter: MeterProfile,
    setup: Setup | None = None,
    *,
    line: int = 0,
    discharged: bool = False,
    doubted: bool = False,
) -> Reading:
    """Return one reading from the text of its columns.

    Parameters
    ----------
    fields : mapping of str to str
        ``red`` ``black`` ``mode`` ``reading`` and perhaps ``hold`` ``lift`` ``connected`` ``note``.
    board : Board
        The board the leads were on.
    meter : MeterProfile
        The meter.
    setup : Setup or None
        The set-up of the bench.
    line : int
        Line in its file.
    discharged, doubted : bool
        What a journal says of it; the word ``discharged`` in its note or hold column counts too.

    Raises
    ------
    InputError
        Anything board or meter do not have, or cannot have shown; its place is the column.
    """
    hold, note = fields.get("hold", ""), fields.get("note", "").strip()
    held = _DISCHARGED.sub("", hold)
    probing = parse_probing(
        fields.get("red", ""),
        fields.get("black", ""),
        fields.get("mode", ""),
        held,
        fields.get("lift", ""),
        board,
        meter,
    )
    connected = parse_connected(fields.get("connected", ""), board)
    text = fields.get("reading", "").strip()
    try:
        value = parse_reading_text(text)
        unit = check_reading(value, text, probing, meter)
    except InputError as error:
        raise InputError(error.problem, where="reading") from None
    return Reading(
        line=line,
        probing=probing,
        text=text,
        value=value.value,
        unit=unit,
        state=value.state,
        connected=connected | (setup.connected if setup else frozenset()),
        discharged=discharged or held != hold or _DISCHARGED.search(note) is not None,
        note=note,
        to_ol=value.to_ol,
        negative=value.negative,
        doubted=doubted,
    )


def need_not_too_many(readings: Sequence[object], source: str = "") -> None:
    """Refuse more readings than a board has places, twice over.

    Parameters
    ----------
    readings : sequence
        The readings.
    source : str
        The file they are from; empty for none.

    Raises
    ------
    InputError
        More than MOST_READINGS.
    """
    if len(readings) > MOST_READINGS:
        problem = f"{len(readings)} readings; accepted: up to {MOST_READINGS}"
        advice = "leave out those that repeat others: a place read again tells little more"
        raise InputError(f"{problem}; {advice}", where=source)


def load_readings(
    source: str | os.PathLike[str],
    board: BoardNames,
    meter: MeterProfile | None = None,
    setup: Setup | None = None,
    *,
    allow_none: bool = False,
) -> ReadingSet:
    """Return the readings of a sheet or a bench journal, told apart by content.

    Parameters
    ----------
    source : str or path-like
        Path, or ``-`` for standard input.
    board : Board
        The board they were taken on.
    meter : MeterProfile or None
        The meter; None for the one a journal names, else the default one.
    setup : Setup or None
        The set-up; None for the one a journal holds, else an empty bench.
    allow_none : bool
        Whether a file without a single reading is accepted, as when a session begins.

    Returns
    -------
    ReadingSet
        The ``readings`` in the order they were taken, with the ``meter`` and the ``setup`` they were taken in.

    Raises
    ------
    InputError
        The file cannot be read, or something in it is wrong; file and line are named.
    """
    source = path_text(source)
    return parse_readings(read_file(source), source, board, meter, setup, allow_none=allow_none)


def parse_readings(
    data: bytes,
    source: str,
    board: BoardNames,
    meter: MeterProfile | None = None,
    setup: Setup | None = None,
    *,
    allow_none: bool = False,
) -> ReadingSet:
    """Return the readings in the content of a sheet or journal.

    Parameters
    ----------
    data : bytes
        Content of the file.
    source : str
        Its name, for messages.
    board, meter, setup, allow_none
        As in `load_readings`.

    Returns
    -------
    ReadingSet
        As :func:`load_readings`.

    Raises
    ------
    InputError
        Something in it is wrong; file and line are named.
    """
    where = shown_source(source)
    if is_journal(data):
        found = _journal_readings(data, source, board, meter, setup)
    else:
        found = _sheet_readings(decode_text(data, where), source, board, meter or load_meter(), setup or Setup())
    if not found.readings and not allow_none:
        raise InputError("no reading in it; accepted: at least one row with a reading", where=where)
    return found


def _sheet_readings(text: str, source: str, board: BoardNames, meter: MeterProfile, setup: Setup) -> ReadingSet:
    where = shown_source(source)
    problems, readings = _Problems(where), []
    for number, row in _rows(text, where, problems, with_reading=True):
        if not row["reading"]:
            continue
        try:
            readings.append(parse_reading(row, board, meter, setup, line=number))
        except InputError as error:
            problems.add(number, error)
    problems.raise_any()
    return ReadingSet(source, tuple(readings), meter, setup)


def _rows(text: str, where: str, problems: _Problems, *, with_reading: bool) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield line number and fields of each row below the header that is not blank."""
    lines = text_lines(text)
    if not lines:
        raise InputError("empty; accepted: a header red,black,mode,reading and rows below it", where=where)
    try:
        header = parse_header(lines[0][1], with_reading=with_reading)
    except InputError as error:
        raise InputError(str(error), where=f"{where}, line {lines[0][0]}") from None
    for number, line in lines[1:]:
        try:
            row = split_row(line, header)
        except InputError as error:
            problems.add(number, error)
            continue
        if any(row.values()):
            yield number, row


def _journal_readings(
    data: bytes, source: str, board: BoardNames, meter: MeterProfile | None, setup: Setup | None
) -> ReadingSet:
    where = shown_source(source)
    kept, cut_line = whole_lines(data)
    text = decode_text(kept, where)
    if not text.strip():
        raise InputError("a journal cut off in its first line", where=where)
    journal = parse_journal(text, where)
    if journal.board != board.name:
        raise InputError(
            f"a journal of board {quoted(journal.board)}; accepted: one of board {board.name!r}",
            where=f"{where}, line 1",
        )
    if meter is None and is_path(journal.meter) and is_of_another_user(source):
        raise InputError(
            f"this journal of another user names a meter file, {quoted(journal.meter)}, which is not read unasked; "
            "accepted: --meter with that file",
            where=f"{where}, line 1",
        )
    try:
        meter = meter or (load_meter(journal.meter) if journal.meter else load_meter())
        setup = setup or parse_setup(journal.setup, board)
    except InputError as error:
        raise InputError(str(error), where=f"{where}, line 1") from None
    problems, readings = _Problems(where), []
    for entry in journal.entries:
        try:
            readings.append(
                parse_reading(
                    entry.fields,
                    board,
                    meter,
                    setup,
                    line=entry.line,
                    discharged=entry.discharged,
                    doubted=entry.doubted,
                )
            )
        except InputError as error:
            own_text = error.where == "reading" and entry.text_line > 0
            problems.add(entry.text_line if own_text else entry.line, error)
    problems.raise_any()
    cut_line = cut_line or journal.cut_line
    return ReadingSet(source, tuple(readings), meter, setup, True, cut_line, journal.seen, journal)


def load_probings(
    source: str | os.PathLike[str], board: BoardNames, meter: MeterProfile | None = None
) -> tuple[Probing, ...]:
    """Return the placements of the leads in a sheet or journal, whether or not they were read.

    Parameters
    ----------
    source : str or path-like
        Path, or ``-`` for standard input.
    board : Board
        The board.
    meter : MeterProfile or None
        The meter; None for the one a journal names, else the default one.

    Returns
    -------
    tuple of Probing
        In the order of the file, repeated ones too; the column of readings is not looked at.

    Raises
    ------
    InputError
        The file cannot be read, something in it is wrong, or it places no leads.
    """
    source = path_text(source)
    where = shown_source(source)
    data = read_file(source)
    if is_journal(data):
        return tuple(reading.probing for reading in _journal_readings(data, source, board, meter, None))
    meter = meter or load_meter()
    problems, probings = _Problems(where), []
    for number, row in _rows(decode_text(data, where), where, problems, with_reading=False):
        if not (row["red"] or row["black"] or row["mode"]):
            continue
        try:
            hold = _DISCHARGED.sub("", row["hold"])
            probings.append(parse_probing(row["red"], row["black"], row["mode"], hold, row["lift"], board, meter))
        except InputError as error:
            problems.add(number, error)
    problems.raise_any()
    if not probings:
        raise InputError("no row in it; accepted: at least one row with red, black and mode", where=where)
    return tuple(probings)
