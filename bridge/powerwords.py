"""A first power-up in words: pages for people and answers for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.board import Board
from bridge.faults import Fault, describe_fault
from bridge.firstpower import USUAL_A, BenchSupply, Place, places_to_read, power_volts
from bridge.forecast import Forecast
from bridge.layout import Column, Page, Table, bulleted
from bridge.makesafe import safe_points
from bridge.partkinds import SWITCH_KINDS
from bridge.payload import ranking_payload
from bridge.powerrank import PowerRanking
from bridge.powerrows import single_faults
from bridge.probing import Setup
from bridge.rankingpage import ranking_page
from bridge.units import format_volts
from bridge.wording import listed

__all__ = ["power_page", "power_payload", "powered_forecast_page", "powered_page"]

SEEN_V = 0.5  # what a voltage has to move by to be noticed beside leakage and the meter
LISTED = 25
SHORTS = ("short", "ce-short", "all-short", "gc-short")  # of a switch or diode: from one main net to another
SHORTS_NAMED = 12
CAUTIONS = (
    "Mains unplugged and no mains anywhere on the board; bus discharged and measured; motor, coil or transformer off, "
    "unless named with --connected.",
    "The supply isolated from mains, its current limit set before it is joined to P and N, plus to P.",
    "The gate drive stays without supply: a gate that is up now is a fault by itself.",
    "Nobody touches the board, its heatsink or the supply's leads while it is fed; the voltmeter's tips alone.",
    "If the supply stays in its limit once the bus has charged, switch off and look for a short; do not turn it up.",
    "A good switch leaks a fraction of a microampere, which a 10 megohm voltmeter shows as volts; compare like places.",
    "Live work is for people trained and authorised for it; where local rules or the maker's manual ask for more, they "
    "are right.",
)
FIRST = (
    "The first stage of power coming back, before the gate signals: with no gate driven nothing may conduct, so any "
    f"current beyond that of bleeder and dividers is a fault, and a limit of {USUAL_A:g} A breaks nothing."
)
Row = tuple[float | None, ...]
Move = tuple[float, Place, float, float]  # how far, where, from the fault, on a good board [V]


def _cautions(board: Board) -> tuple[str, ...]:
    """Return what to mind before power goes on."""
    ends = []
    for name in board.main_terminals:
        net = board.net_of(name)
        here = [one.kind for one in board.parts.values() if one.when is None and net in one.pins.values()]
        if len(here) > 1 and set(here) == {"capacitor"}:
            ends.append(name)
    if not ends:
        return CAUTIONS
    falling = (
        f"Between capacitors in series, at {' and '.join(ends)}, a voltage starts near its share of the supply and "
        "falls through the voltmeter; note it once it rests."
    )
    return (*CAUTIONS[:-1], falling, CAUTIONS[-1])


def _afterwards(board: Board) -> str:
    """Return what to do once the supply is off: every capacitor that may hold charge keeps it by itself."""
    places = [f"{point.red} to {point.black}" for point in safe_points(board)]
    holds = "the bus capacitor keeps the supply's volts."
    each = ""
    if len(places) > 1:
        each, holds = " each", "capacitors keep the supply's volts, and one behind a diode is not emptied with the bus."
    return (
        f"Afterwards: switch the supply off, wait, measure {listed(places)}, and discharge{each} through a "
        f"resistor below 0.5 V before any diode or ohms reading: {holds}"
    )


def _caution_block(board: Board) -> str:
    return bulleted("Before power goes on", _cautions(board))


def _fed(supply: BenchSupply) -> str:
    return f"{supply.volts:g} V limited to {supply.amps:g} A from P to N"


def _all_volts(
    board: Board, setup: Setup, supply: BenchSupply
) -> tuple[tuple[Place, ...], Row, list[tuple[str, str, Row]]]:
    """Return places, healthy volts, and name, phrase and volts of every single fault at its median resistance."""
    places = places_to_read(board)
    faults = single_faults(board, setup)
    healthy, *rows = power_volts(board, setup, supply, places, [[], *([(fault, None)] for fault in faults)])
    named = [
        (str(fault), describe_fault(board.parts[fault.part], fault.mode).phrase, row)
        for fault, row in zip(faults, rows, strict=True)
    ]
    return places, healthy, named


def power_payload(
    board: Board, setup: Setup, supply: BenchSupply, ranking: PowerRanking | None = None, top: int = 0
) -> dict[str, Any]:
    """Return the answer for programs.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged.
    supply : BenchSupply
        What feeds it.
    ranking : PowerRanking, optional
        What the voltages read say.
    top : int
        How many candidates to list; 0 for all.
    """
    places, healthy, faults = _all_volts(board, setup, supply)
    answer: dict[str, Any] = {
        "board": board.name,
        "supply_volts": supply.volts,
        "limit_amps": supply.amps,
        "cautions": [*_cautions(board), _afterwards(board)],
        "places": [{"red": place.red, "black": place.black} for place in places],
        "healthy": list(healthy),
        "faults": [{"fault": name, "volts": list(row)} for name, _, row in faults],
        "candidates": [],
    }
    if ranking is not None:
        answer.update(ranking_payload(ranking, top))
    return answer


def _cell(volts: float | None) -> str:
    return "not known" if volts is None else format_volts(volts)


def power_page(
    board: Board, setup: Setup, supply: BenchSupply, ranking: PowerRanking | None = None, top: int = 0
) -> Page:
    """Return the answer for people.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged.
    supply : BenchSupply
        What feeds it.
    ranking : PowerRanking, optional
        What the voltages read say.
    top : int
        How many candidates to list; 0 for all.
    """
    places, healthy, faults = _all_volts(board, setup, supply)
    blocks: list[str | Table] = [_caution_block(board)]
    if ranking is not None:
        blocks += ranking_page(ranking, top, closing=())
    blocks.append(
        f"{board.title}, {_fed(supply)}, read with a voltmeter of "
        "10 M\N{GREEK CAPITAL LETTER OMEGA}, gate drive without supply."
    )
    blocks.append(FIRST)
    if supply.amps > USUAL_A:
        blocks.append(
            f"{supply.amps:g} A can burn what {USUAL_A:g} A would have spared: begin with {USUAL_A:g} A, and raise the "
            "limit only where bleeder and dividers alone keep the bus from charging."
        )
    shown: list[tuple[float, tuple[str, ...]]] = []
    silent: list[tuple[str, Move]] = []
    for name, phrase, row in faults:
        moves = [
            (abs(volts - usual), place, volts, usual)
            for place, volts, usual in zip(places, row, healthy, strict=True)
            if volts is not None and usual is not None
        ]
        plainest = max(moves, key=lambda move: move[0], default=(0.0, places[0], 0.0, 0.0))
        moved, place, volts, _ = plainest
        if moved > SEEN_V:
            shown.append((moved, (name, phrase, str(place), format_volts(volts))))
        else:
            silent.append((name, plainest))
    if silent:
        blocks.append(_silent_words(board, silent, len(faults)))  # first: who finds a good board's volts stops there
    good = tuple((str(place), _cell(volts)) for place, volts in zip(places, healthy, strict=True))
    blocks.append(Table("A good board", (Column("leads"), Column("volts", right=True)), good))
    shown.sort(key=lambda item: -item[0])
    columns = (Column("fault"), Column("what"), Column("plainest at"), Column("volts", right=True))
    rows = tuple(row for _, row in shown[:LISTED])
    title = f"Faults that show, {len(shown)} of {len(faults)}, at their usual resistance; plainest first"
    blocks.append(Table(title, columns, rows))
    blocks.append(_afterwards(board))
    return blocks


def _silent_words(board: Board, silent: Sequence[tuple[str, Move]], count: int) -> str:
    """Return what does not show, dead shorts first, so that nobody takes silence for health."""
    shorts: dict[str, Move] = {}
    kinds: dict[str, None] = {}
    for name, move in silent:
        ref, mode = name.split(":", 1)
        kind = board.parts[ref].kind
        if mode in SHORTS and kind in (*SWITCH_KINDS, "diode"):
            shorts[ref] = max(shorts.get(ref, move), move, key=lambda one: one[0])
        else:
            kinds.setdefault(kind)
    words = [f"Silence is no health: {len(silent)} of {count} faults move no voltage here by more than {SEEN_V:g} V."]
    if shorts:
        _, place, volts, usual = max(shorts.values(), key=lambda move: move[0])
        more = f" and {len(shorts) - SHORTS_NAMED} more" if len(shorts) > SHORTS_NAMED else ""
        words.append(
            f"Dead shorts among them: {', '.join(list(shorts)[:SHORTS_NAMED])}{more}; the plainest reads "
            f"{format_volts(volts)} at {place}, a good board {format_volts(usual)}."
        )
    words += [f"The others are faults of {', '.join(kinds)}."] if kinds else []
    return " ".join([*words, "Diode and ohms readings show more of them."])


def powered_page(ranking: PowerRanking, top: int, *, every_row: bool = False) -> Page:
    """Return what voltages say, for people.

    Parameters
    ----------
    ranking : PowerRanking
        What the voltages read say.
    top : int
        How many candidates to list; 0 for all.
    every_row : bool
        Whether rows of hardly any probability are listed too.
    """
    board = ranking.board
    page = ranking_page(ranking, top, every_row=every_row, closing=(_afterwards(board),))
    return [_caution_block(board), *page]


def powered_forecast_page(
    board: Board,
    supply: BenchSupply,
    forecasts: Sequence[Forecast],
    faults: Sequence[tuple[Fault, float | None]],
    healthy: Sequence[Forecast] | None = None,
) -> Page:
    """Return what a voltmeter is expected to show, for people.

    Parameters
    ----------
    board : Board
        The board.
    supply : BenchSupply
        What feeds it.
    forecasts : sequence of Forecast
        What is expected, a row each.
    faults : sequence of (Fault, float or None)
        What is broken, with its resistance [ohm]; None for the usual one.
    healthy : sequence of Forecast, optional
        What a good board reads, where something is broken.
    """
    words = [f"{fault.part} {describe_fault(board.parts[fault.part], fault.mode).phrase}" for fault, _ in faults]
    rows = tuple(
        (
            f"{one.probing.red} to {one.probing.black}",
            _cell(one.value),
            _cell(healthy[number].value) if healthy else "",
            one.error or "",
        )
        for number, one in enumerate(forecasts)
    )
    columns = (Column("leads"), Column("volts", right=True), Column("a good board", right=True), Column("remark"))
    return [
        _caution_block(board),
        f"{board.name}, {'with ' + ', '.join(words) if words else 'good'}, {_fed(supply)}.",
        Table("Voltages to expect", columns, rows).without_empty_columns(),
        _afterwards(board),
    ]
