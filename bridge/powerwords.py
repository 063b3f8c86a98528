"""A first power-up in words: pages for people and answers for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.board import Board
from bridge.faults import Fault, describe_fault
from bridge.firstpower import BenchSupply, Place, places_to_read, power_volts
from bridge.forecast import Forecast
from bridge.layout import Column, Page, Table
from bridge.payload import ranking_payload
from bridge.powerrank import PowerRanking
from bridge.powerrows import single_faults
from bridge.probing import Setup
from bridge.render import ranking_page
from bridge.units import format_volts

__all__ = ["power_page", "power_payload", "powered_forecast_page", "powered_page"]

SEEN_V = 0.5  # what a voltage has to move by to be noticed beside leakage and the meter
LISTED = 25
CAUTIONS = (
    "Mains unplugged, bus discharged and measured; the supply isolated from mains, its current limit set before it is "
    "joined to P and N, plus to P.",
    "The gate drive stays without supply: a gate that is up now is a fault by itself.",
    "If the supply falls into its limit, switch off and look for a short; do not turn the limit up.",
    "A good switch leaks a fraction of a microampere, which a 10 megohm voltmeter shows as volts; compare the phases.",
    "Where local rules or the maker's manual ask for more, they are right.",
)

_CAUTION_BLOCK = "Before power goes on:\n" + "\n".join(f"- {caution}" for caution in CAUTIONS)

Row = tuple[float | None, ...]


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
        "cautions": list(CAUTIONS),
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
    blocks: list[str | Table] = []
    if ranking is not None:
        blocks += ranking_page(ranking, top, closing=())
    blocks.append(
        f"{board.title}, {_fed(supply)}, read with a voltmeter of "
        "10 M\N{GREEK CAPITAL LETTER OMEGA}, gate drive without supply."
    )
    good = tuple((str(place), _cell(volts)) for place, volts in zip(places, healthy, strict=True))
    blocks.append(Table("A good board", (Column("leads"), Column("volts", right=True)), good))
    shown: list[tuple[float, tuple[str, ...]]] = []
    for name, phrase, row in faults:
        moves = [
            (abs(volts - usual), place, volts)
            for place, volts, usual in zip(places, row, healthy, strict=True)
            if volts is not None and usual is not None
        ]
        moved, place, volts = max(moves, key=lambda move: move[0], default=(0.0, places[0], 0.0))
        if moved > SEEN_V:
            shown.append((moved, (name, phrase, str(place), format_volts(volts))))
    shown.sort(key=lambda item: -item[0])
    columns = (Column("fault"), Column("what"), Column("plainest at"), Column("volts", right=True))
    rows = tuple(row for _, row in shown[:LISTED])
    title = f"Faults that show, {len(shown)} of {len(faults)}, at their usual resistance; plainest first"
    blocks.append(Table(title, columns, rows))
    blocks.append(_CAUTION_BLOCK)
    return blocks


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
    return ranking_page(ranking, top, every_row=every_row, closing=(_CAUTION_BLOCK,))


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
        f"{board.name}, {'with ' + ', '.join(words) if words else 'good'}, {_fed(supply)}.",
        Table("Voltages to expect", columns, rows).without_empty_columns(),
        _CAUTION_BLOCK,
    ]
