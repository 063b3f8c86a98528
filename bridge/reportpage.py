"""A report on one page of HTML that needs nothing else: verdict, schematic, evidence, what to do next."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bridge.advicepage import advice_page, probing_words
from bridge.advise import NextReading, suggest_readings
from bridge.band import Band, healthy_bands
from bridge.canvas import Lettering
from bridge.cautions import BUS_UNSTATED, CAUTION_AFTER, CAUTION_BEFORE
from bridge.charge import EMPTY_V, highest_charge
from bridge.circuit import build_circuit
from bridge.faults import Fault
from bridge.floorplan import Floorplan, plan_floor
from bridge.forecast import Forecast, forecast
from bridge.htmlpage import render
from bridge.layout import Page, Table
from bridge.makesafe import DEFER
from bridge.overlay import SHADES, lead_layer, path_layer, suspicion_layer
from bridge.payload import advice_payload, ranking_payload
from bridge.probing import Probing
from bridge.ranking import Ranking
from bridge.rankingpage import NEXT_STEP, ranking_page
from bridge.readingplot import Compared, compare, departure, display_words, good_words, is_as_good, reading_plot
from bridge.readings import Reading
from bridge.repair import repair_list
from bridge.repairpage import repair_page
from bridge.schematic import schematic_strips, schematic_svg
from bridge.units import percent
from bridge.verdictwords import verdict_sentences
from bridge.why import path_of, path_words, why_sentence

__all__ = ["Report", "make_report", "report_html", "report_payload", "report_picture", "report_strips"]

WIDE_SHEET, NARROW_SHEET = 1210.0, 400.0
PAPER_SHEET, PAPER_LETTERS = 1280.0, Lettering(1.4)  # on A4 labels are 6.3 points high at least
LISTED = 8
PROPOSED = 3
ROWS, TELLING_ROWS, LEAST_ROWS = 36, 24, 8  # of more readings, only those that no good board gives are told one by one


@dataclass(frozen=True)
class Report:
    """What a report says.

    Parameters
    ----------
    ranking : Ranking
        What the readings say.
    advice : tuple of NextReading
        Readings worth taking, best first; none while the board holds charge.
    shown : Probing or None
        The reading whose leads and whose current are drawn.
    is_next : bool
        Whether that reading is one to take.
    telling : Probing or None
        Of the readings that no good board gives, the one farthest from it.
    compared : tuple of Compared
        Each reading beside what was expected.
    bus_stated : bool
        Whether somebody said what charge the bus held; else that it was taken as empty comes before all else.
    """

    ranking: Ranking
    advice: tuple[NextReading, ...]
    shown: Probing | None
    is_next: bool
    telling: Probing | None
    compared: tuple[Compared, ...]
    bus_stated: bool = True


def make_report(ranking: Ranking, *, bus_stated: bool = True) -> Report:
    """Work out what a report says.

    Parameters
    ----------
    ranking : Ranking
        What the readings say.
    bus_stated : bool
        Whether somebody said what charge the bus held.
    """
    charged = highest_charge(ranking.readings, ranking.given_setup) > EMPTY_V
    advice = () if charged else tuple(suggest_readings(ranking, PROPOSED))
    compared = _compared(ranking)
    odd = [one for one in compared if is_as_good(one) is False]
    odd.sort(key=lambda one: -departure(one, ranking.meter))
    telling = [one.reading.probing for one in odd]
    taken = next(iter([*telling, *(one.reading.probing for one in compared if one.good is not None)]), None)
    shown = advice[0].probing if advice else taken
    return Report(ranking, advice, shown, bool(advice), telling[0] if telling else None, compared, bus_stated)


def _compared(ranking: Ranking) -> tuple[Compared, ...]:
    """Return each reading beside the forecasts of a good board and of the verdict."""
    numbers = [number for number, reading in enumerate(ranking.readings) if reading.probing.mode != "volts"]
    probings = [ranking.readings[number].probing for number in numbers]
    board, meter, setup = ranking.board, ranking.meter, ranking.given_setup
    good: dict[int, Forecast] = dict(zip(numbers, forecast(board, meter, setup, probings), strict=True))
    bands: dict[int, Band] = dict(zip(numbers, healthy_bands(board, meter, setup, probings), strict=True))
    verdict = ranking.predictions(0) if ranking.candidates else ()
    return tuple(
        compare(reading, good.get(number), bands.get(number), verdict[number] if number in good and verdict else None)
        for number, reading in enumerate(ranking.readings)
    )


def _faults(ranking: Ranking) -> list[tuple[Fault, float | None]]:
    guesses = ranking.candidates[0].faults if ranking.candidates else ()
    return [(Fault(guess.part, guess.mode), guess.ohms) for guess in guesses]


def report_picture(report: Report, width: float = WIDE_SHEET) -> str:
    """Return the schematic with suspicion, leads and the way of the current as SVG.

    Parameters
    ----------
    report : Report
        What the report says.
    width : float
        How wide the sheet should be [px].
    """
    ranking = report.ranking
    present = build_circuit(ranking.board, ranking.given_setup).parts
    pale = [ref for ref in ranking.board.parts if ref not in present]
    plan = plan_floor(ranking.board, width)
    return schematic_svg(plan, pale=pale, **_layers(report, plan))


def report_strips(report: Report) -> str:
    """Return the same schematic for paper: larger letters, in strips, without parts that are not there.

    Parameters
    ----------
    report : Report
        What the report says.
    """
    ranking = report.ranking
    present = build_circuit(ranking.board, ranking.given_setup).parts
    parts = {ref: part for ref, part in ranking.board.parts.items() if ref in present}
    plan = plan_floor(dataclasses.replace(ranking.board, parts=parts), PAPER_SHEET, PAPER_LETTERS)
    return schematic_strips(plan, **_layers(report, plan))


def _layers(report: Report, plan: Floorplan) -> dict[str, Any]:
    """Return title, suspicion, leads and the way of the current for a schematic."""
    ranking = report.ranking
    board, setup = ranking.board, ranking.given_setup
    suspicion = {one.part: one.probability for one in ranking.parts if one.probability >= SHADES[-1].least}
    beneath, above = suspicion_layer(plan, suspicion), []
    words = [f"Schematic of {board.name}."]
    words += (
        [f"Suspect: {', '.join(f'{part} {percent(share)}' for part, share in suspicion.items())}."] if suspicion else []
    )
    if report.shown is not None:
        path = path_of(board, ranking.meter, setup, _faults(ranking), report.shown)
        beneath += path_layer(plan, path)
        above = lead_layer(plan, report.shown.red, report.shown.black)
        words.append(f"Leads: {probing_words(report.shown)}.")
    return {
        "title": " ".join(words),
        "beneath": beneath,
        "above": above,
        "values": {part: percent(share) for part, share in suspicion.items()},
    }


def _blocks(page: Page) -> list[dict[str, Any]]:
    """Return paragraphs and tables as the template takes them."""
    return [
        {
            "title": block.title,
            "columns": [{"title": column.title, "right": column.right} for column in block.columns],
            "rows": block.rows,
        }
        if isinstance(block, Table)
        else {"words": block}
        for block in page
    ]


def _row(number: int, one: Compared, ranking: Ranking) -> dict[str, Any]:
    reading = one.reading
    extra = [f"holding {reading.probing.hold_text}"] if reading.probing.hold else []
    extra += [f"{reading.probing.lift_text} lifted"] if reading.probing.lift else []
    extra += [f"{', '.join(sorted(reading.connected))} connected"] if reading.connected else []
    remarks = ["differs from a good board"] if is_as_good(one) is False else []
    remarks += ["fits worst: take it again"] if ranking.fit.worst_reading == number else []
    remarks += [reading.note] if reading.note and reading.note != "discharged" else []
    return {
        "number": number + 1,
        "where": f"{reading.probing.red} \N{RIGHTWARDS ARROW} {reading.probing.black}",
        "mode": ", ".join([reading.probing.mode_text, *extra]),
        "text": reading.text,
        "good": good_words(one),
        "verdict": display_words(one.verdict),
        "remark": "; ".join(remarks),
        "plot": reading_plot(one, ranking.meter),
    }


def _rows(report: Report) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the readings told one by one, and in short those that are as on a good board, where there are many."""
    ranking = report.ranking
    every = list(enumerate(report.compared))
    worst = ranking.fit.worst_reading
    told = [number for number, _ in every]
    if len(every) > ROWS:
        told = [number for number, one in every if number == worst or is_as_good(one) is False][:TELLING_ROWS]
        told += [number for number, _ in every if number not in told][: max(LEAST_ROWS - len(told), 0)]
    alike: dict[str, list[str]] = {}
    for number, one in every:
        if number not in told:
            alike.setdefault(one.reading.text, []).append(_short(one.reading))
    short = [f"{text} at {', '.join(places)}" for text, places in alike.items()]
    return [_row(number, one, ranking) for number, one in every if number in told], short


def _short(reading: Reading) -> str:
    mode = "" if reading.probing.mode == "diode" else f" ({reading.probing.mode_text})"
    return f"{reading.probing.red}\N{RIGHTWARDS ARROW}{reading.probing.black}{mode}"


def _assumed(ranking: Ranking) -> list[tuple[str, str]]:
    setup, board, meter = ranking.given_setup, ranking.board, ranking.meter
    return [
        ("Board", f"{board.name}: {board.title}"),
        ("Meter", f"{meter.name}: {meter.title}"),
        ("Connected", ", ".join(sorted(setup.connected)) or "nothing"),
        ("Lifted", ", ".join(setup.lifted) or "no pin"),
        ("Relays", "closed" if setup.relay_closed else "open"),
        ("Gate board", "unplugged" if setup.unplugged else "plugged in, if there is one"),
        ("Charge on the bus", f"{setup.bus_volts:g} V"),
        ("Leads rest", f"{setup.dwell_s:g} s before the display is read"),
        ("Temperature", f"{setup.temperature_c:g} \N{DEGREE SIGN}C"),
        ("Seen before any reading", ", ".join(ranking.seen) or "nothing stated"),
        ("Weighed", "every single fault and every pair of faults of the parts in the board file"),
    ]


def _way(report: Report) -> str:
    """Return the way of the current that is drawn, in words."""
    if report.shown is None:
        return ""
    ranking, faults = report.ranking, _faults(report.ranking)
    path = path_of(ranking.board, ranking.meter, ranking.given_setup, faults, report.shown)
    words = path_words(ranking.board, path, faults)
    return f"{words[0].upper()}{words[1:].rstrip(',')}, if the verdict is right."


def _why(report: Report) -> str:
    """Return how the verdict explains a reading that no good board gives."""
    if report.telling is None or not _faults(report.ranking):
        return ""
    ranking = report.ranking
    why = why_sentence(ranking.board, ranking.meter, ranking.given_setup, _faults(ranking), report.telling)
    return f"{probing_words(report.telling)}. {why}"


def _evidence(ranking: Ranking, verdict: Sequence[str], warning: str) -> Page:
    """Return what ``rank`` says beyond its verdict and its cautions."""
    said = (*verdict, NEXT_STEP, CAUTION_BEFORE, CAUTION_AFTER, *([warning] if warning else []))
    page: list[str | Table] = []
    for block in ranking_page(ranking, LISTED):
        if isinstance(block, Table):
            page.append(block)
            continue
        rest = block.replace("; --top 0 lists them all", "")
        for sentence in said:
            rest = rest.replace(sentence, "")
        page += [rest.strip()] if rest.strip() else []
    return page


def report_payload(report: Report) -> dict[str, Any]:
    """Return a report for programs: what ``rank`` and ``next`` say, the band of a good board, and the repair.

    Parameters
    ----------
    report : Report
        What it says.
    """
    bands = [
        None
        if one.band is None or math.isinf(one.band.value)
        else {"value": one.band.value, "low": one.band.low, "high": one.band.high}
        for one in report.compared
    ]
    return {
        **ranking_payload(report.ranking, LISTED),
        "next": advice_payload(report.advice)["readings"],
        "good_board": bands,
        "repair": dataclasses.asdict(repair_list(report.ranking)),
    }


def report_html(report: Report) -> str:
    """Return a report as one page of HTML, to read on a screen of any width and to print on A4 or Letter.

    Parameters
    ----------
    report : Report
        What it says.
    """
    ranking = report.ranking
    warning = ranking.caution or ("" if report.bus_stated else BUS_UNSTATED)
    verdict = verdict_sentences(ranking)
    rows, short = _rows(report)
    return render(
        "report",
        board=ranking.board,
        verdict=verdict,
        warning=warning,
        wide=report_picture(report),
        narrow=report_picture(report, NARROW_SHEET),
        strips=report_strips(report),
        shades=SHADES,
        shown=probing_words(report.shown) if report.shown is not None else "",
        is_next=report.is_next,
        way=_way(report),
        why=_why(report),
        evidence=_blocks(_evidence(ranking, verdict, warning)),
        rows=rows,
        short=short,
        count=len(report.compared),
        discharged=sum(reading.discharged for reading in ranking.readings),
        limit=f"{ranking.meter.diode.limit_volts:g} V",
        advice=_blocks([block for block in advice_page(ranking, report.advice) if block != warning]),
        repair=_blocks(repair_page(repair_list(ranking))),
        cautions=[CAUTION_BEFORE, CAUTION_AFTER, DEFER],
        assumed=_assumed(ranking),
    )
