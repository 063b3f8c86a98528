"""A worksheet on paper, on the screen, as a file to fill in, and for programs."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from bridge.htmlpage import render
from bridge.layout import Column, Page, Table
from bridge.makesafe import making_safe, safe_points
from bridge.placement import PLACEMENT_COLUMNS, placement_fields
from bridge.worksheet import Worksheet, expected_words

__all__ = ["worksheet_csv", "worksheet_html", "worksheet_page", "worksheet_payload"]


def _title(sheet: Worksheet) -> str:
    return f"{'What a good board reads' if sheet.expected else 'Worksheet'}: {sheet.board.title}"


def _instruction(sheet: Worksheet) -> str:
    words = (
        f"Red and black as listed. Hold the leads still for {sheet.setup.dwell_s:g} s before reading; write climbing "
        "or falling behind the number if it still does, and OL for overload. A minus sign means charge is left."
    )
    if sheet.expected:
        words += (
            " The band holds 95 % of good boards; readings of like places, as the three phases, must agree with each "
            "other more closely than that."
        )
    return words


def _table(sheet: Worksheet) -> Table:
    """Return the rows without their numbers: columns nobody needs are left out."""
    columns = [Column(name) for name in PLACEMENT_COLUMNS]
    expected = [expected_words(one) for one in sheet.expected] or [""] * len(sheet.probings)
    rows = [
        (*placement_fields(probing).values(), words) for probing, words in zip(sheet.probings, expected, strict=True)
    ]
    return Table("Readings", (*columns, Column("good board")), tuple(rows)).without_empty_columns()


def worksheet_page(sheet: Worksheet) -> Page:
    """Return a worksheet for people.

    Parameters
    ----------
    sheet : Worksheet
        The worksheet.
    """
    table = _table(sheet)
    rows = tuple((str(number), *row, "") for number, row in enumerate(table.rows, 1))
    columns = (Column("no.", right=True), *table.columns, Column("reading"))
    title = "Readings, in the order in which the leads move least"
    return [
        f"{_title(sheet)}. Meter: {sheet.meter.title or sheet.meter.name}.",
        *making_safe(sheet.board),
        _instruction(sheet),
        Table(title, columns, rows),
        "--csv gives the same as a file that rank reads once it is filled in, --html FILE a page to print.",
    ]


def worksheet_csv(sheet: Worksheet) -> str:
    """Return a worksheet as a readings file whose readings are still empty.

    Parameters
    ----------
    sheet : Worksheet
        The worksheet; what a good board reads goes into the notes.
    """
    expected = [f"good: {expected_words(one)}" for one in sheet.expected] or [""] * len(sheet.probings)
    held = any(probing.hold for probing in sheet.probings)
    lifted = any(probing.lift for probing in sheet.probings)
    header = ["red", "black", "mode", *["hold"] * held, *["lift"] * lifted, "reading", "note"]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for probing, note in zip(sheet.probings, expected, strict=True):
        places = [probing.red, probing.black, probing.mode_text]
        writer.writerow([*places, *[probing.hold_text] * held, *[probing.lift_text] * lifted, "", note])
    return text.getvalue()


def worksheet_html(sheet: Worksheet) -> str:
    """Return a worksheet as one page of HTML that needs nothing else, ready to print on A4 or Letter.

    Parameters
    ----------
    sheet : Worksheet
        The worksheet.
    """
    table = _table(sheet)
    page = render(
        "worksheet",
        title=_title(sheet),
        meter=sheet.meter.title or sheet.meter.name,
        safety=making_safe(sheet.board),
        points=safe_points(sheet.board),
        instruction=_instruction(sheet),
        columns=["no.", *(column.title for column in table.columns), "reading", "note"],
        rows=table.rows,
    )
    return page + "\n"


def worksheet_payload(sheet: Worksheet) -> dict[str, Any]:
    """Return a worksheet for programs: ``low`` and ``high`` are null for OL, and all but the places on a blank one.

    Parameters
    ----------
    sheet : Worksheet
        The worksheet.
    """
    rows: list[dict[str, Any]] = []
    for number, probing in enumerate(sheet.probings):
        row: dict[str, Any] = {**placement_fields(probing)}
        if sheet.expected:
            one = sheet.expected[number]
            settled = None if math.isinf(one.band.value) else one.band
            row |= {
                "value": one.forecast.value,
                "unit": one.forecast.unit,
                "state": one.forecast.state,
                "low": settled.low if settled else None,
                "high": settled.high if settled else None,
            }
        rows.append(row)
    return {"board": sheet.board.name, "meter": sheet.meter.name, "readings": rows}
