"""Lines of a readings sheet: its header, its separator, and one row as fields by column."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.wording import listed, quoted

__all__ = ["COLUMNS", "Header", "parse_header", "split_row", "text_lines"]

REQUIRED_COLUMNS = ("red", "black", "mode", "reading")
COLUMNS = (*REQUIRED_COLUMNS, "hold", "lift", "connected", "note")
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}

_LINE_END = re.compile(r"\r\n|\n|\r")
_WHOLE_NUMBER = re.compile(r"[-+\N{MINUS SIGN}]?[0-9]+")
# what follows the comma of 4,7k or 0,41 climbing when the comma was taken for a separator
_AFTER_THE_COMMA = re.compile(
    r"[0-9]+\s*[pnu\N{MICRO SIGN}mkKMGR]?\s*(?:V|\N{GREEK CAPITAL LETTER OMEGA}|ohms?)?"
    r"(?:\s+(?:climbing|falling)\b.*)?"
)
_DECIMAL_COMMA = 'a decimal comma needs quotes here, "0,412"; or write 0.412'


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a readings sheet.

    Parameters
    ----------
    columns : tuple of str
        Column names in the order of the file.
    separator : str
        Comma, semicolon or tab.
    """

    columns: tuple[str, ...]
    separator: str


def text_lines(text: str) -> list[tuple[int, str]]:
    """Return the lines that are not blank, each with its number from 1.

    Parameters
    ----------
    text : str
        Content of a file; any line end is accepted.
    """
    return [(number, line) for number, line in enumerate(_LINE_END.split(text), start=1) if line.strip()]


def _fields(line: str, separator: str) -> list[str]:
    """Return the fields of one line, stripped, without the empty ones spreadsheets pad its end with."""
    # one line at a time: a quote left open must not swallow the readings after it
    try:
        fields = [
            field.strip() for field in next(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
        ]
    except csv.Error as error:
        raise InputError(f"quotes out of place ({error}); accepted: a whole field in quotes, on one line") from None
    while fields and not fields[-1]:
        fields.pop()
    return fields


def _header_words(line: str, separator: str) -> list[str]:
    """Return the lower-case words of a header; none where quotes show that this is not its separator."""
    try:
        return [word.lower() for word in _fields(line, separator)]
    except InputError:
        return []


def parse_header(line: str, *, with_reading: bool = True) -> Header:
    """Return the columns and separator of the first line.

    Parameters
    ----------
    line : str
        First line that is not blank.
    with_reading : bool
        Whether a ``reading`` column must be there.

    Raises
    ------
    InputError
        No header, an unknown column, one that is there twice or one that is missing.
    """
    splits = {separator: _header_words(line, separator) for separator in SEPARATORS}

    def score(separator: str) -> tuple[int, int]:
        return sum(word in COLUMNS for word in splits[separator]), len(splits[separator])

    separator = max(SEPARATORS, key=score)
    columns = tuple(splits[separator])
    if score(separator)[0] == 0:
        raise InputError(
            f"no header but {quoted(line)}; accepted: {','.join(REQUIRED_COLUMNS)} and perhaps hold,lift,connected,note"
        )
    unknown = [quoted(word) for word in columns if word not in COLUMNS]
    if unknown:
        raise InputError(f"unknown column {listed(unknown)}; accepted: {listed(COLUMNS)}")
    twice = sorted({word for word in columns if columns.count(word) > 1}, key=columns.index)
    if twice:
        raise InputError(f"column {listed(twice)} is there twice; accepted: each column once")
    missing = [word for word in REQUIRED_COLUMNS if word not in columns and (with_reading or word != "reading")]
    if missing:
        raise InputError(f"column {listed(missing)} is missing; accepted: {listed(COLUMNS)}")
    return Header(columns, separator)


def split_row(line: str, header: Header) -> dict[str, str]:
    """Return one row as text by column, empty for columns it does not reach.

    Parameters
    ----------
    line : str
        The line.
    header : Header
        Header of its file.

    Raises
    ------
    InputError
        More fields than the header, a decimal comma taken for one, another separator, quotes out of place.
    """
    fields = _fields(line, header.separator)
    if len(fields) > len(header.columns):
        counted = f"{len(fields)} fields under {len(header.columns)} columns"
        raise InputError(
            f"{counted}: {_DECIMAL_COMMA}" if header.separator == "," else f"{counted}; accepted: one for each column"
        )
    others = [name for mark, name in SEPARATORS.items() if mark != header.separator and fields and mark in fields[0]]
    if others:
        raise InputError(
            f"separated by {others[0]}, but the header by {SEPARATORS[header.separator]}; accepted: one separator"
        )
    row = dict.fromkeys(COLUMNS, "") | dict(zip(header.columns, fields, strict=False))
    if header.separator == ",":
        _refuse_lost_decimals(row, header)
    return row


def _refuse_lost_decimals(row: dict[str, str], header: Header) -> None:
    """Refuse ``0,412`` without quotes where a column after the reading took the ``412``."""
    place = header.columns.index("reading") + 1 if "reading" in header.columns else len(header.columns)
    following = header.columns[place] if place < len(header.columns) else "note"
    for column in dict.fromkeys((following, "note")):
        digits_alone = row[column].isascii() and row[column].isdigit()
        cut_off = (
            column == following
            and _WHOLE_NUMBER.fullmatch(row["reading"]) is not None
            and _AFTER_THE_COMMA.fullmatch(row[column]) is not None
        )
        if digits_alone or cut_off:
            raise InputError(f"reading {quoted(row['reading'])} with {column} {quoted(row[column])}: {_DECIMAL_COMMA}")
