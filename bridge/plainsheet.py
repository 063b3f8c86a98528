"""Small tables from a spreadsheet: a header, one row a line, and nothing guessed."""

from __future__ import annotations

import csv

from bridge.errors import InputError, InputErrors
from bridge.wording import listed, quoted

__all__ = ["read_sheet"]

_SEPARATORS = (",", ";", "\t")


def read_sheet(
    text: str, where: str, required: tuple[str, ...], optional: tuple[str, ...] = ()
) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a table that are not blank, each with its line and its fields by column.

    Parameters
    ----------
    text : str
        Content of the file: comma, semicolon or tab between the fields.
    where : str
        Its name, for messages.
    required, optional : tuple of str
        Columns that have to be there, and those that may.

    Raises
    ------
    InputError
        No header, a column that is unknown, missing or there twice, or a row longer than the header.
    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if not lines:
        raise InputError(f"empty; accepted: a header {','.join(required)} and rows below it", where=where)
    first, head = lines[0]
    separator = max(_SEPARATORS, key=head.count)
    columns = [name.casefold() for name in _fields(head, separator, f"{where}, line {first}")]
    accepted = (*required, *optional)
    place = f"{where}, line {first}"
    for name in columns:
        if name not in accepted:
            raise InputError(f"column {quoted(name)}; accepted: {listed(accepted)}", where=place)
        if columns.count(name) > 1:
            raise InputError(f"column {quoted(name)} is there twice", where=place)
    missing = [name for name in required if name not in columns]
    if missing:
        raise InputError(f"no column {listed(missing)}; accepted: {listed(accepted)}", where=place)
    rows: list[tuple[int, dict[str, str]]] = []
    problems: list[InputError] = []
    for number, line in lines[1:]:
        try:
            fields = _fields(line, separator, f"{where}, line {number}")
            if len(fields) > len(columns):
                raise InputError(
                    f"{len(fields)} fields under {len(columns)} columns; a decimal comma needs quotes in a comma file",
                    where=f"{where}, line {number}",
                )
        except InputError as error:
            problems.append(error)
            continue
        fields += [""] * (len(columns) - len(fields))
        if any(fields):
            rows.append((number, dict(zip(columns, fields, strict=True))))
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    return rows


def _fields(line: str, separator: str, where: str) -> list[str]:
    try:
        fields = next(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error:
        raise InputError("a quote that is not closed; accepted: quotes around a whole field", where=where) from None
    found = [field.strip() for field in fields]
    while found and not found[-1]:
        found.pop()
    return found
