"""``bridgefault power-up``: the first, current-limited power on a repaired board."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, LimitAmps, load_told, whole_number

__all__ = ["power_up"]

TOP = 20


def power_up(
    board: BoardName,
    *,
    supply: Annotated[
        str | None, typer.Option("--supply", metavar="VOLTS", help="Bench supply from P to N, 12 to 30. [default: 24]")
    ] = None,
    limit: LimitAmps = None,
    connected: Annotated[
        list[str] | None,
        typer.Option("--connected", metavar="WHAT", help="Left connected: motor, coil, ... Repeatable."),
    ] = None,
    unplugged: Annotated[bool, typer.Option("--unplugged", help="The gate board is off.")] = False,
    readings: Annotated[
        str | None,
        typer.Option("--readings", metavar="FILE", help="Rank by voltages read: red, black, volts; - is stdin."),
    ] = None,
    top: Annotated[
        str | None, typer.Option("--top", metavar="N", help=f"How many to list; 0 for all. [default: {TOP}]")
    ] = None,
    json: AsJson = False,
) -> Page | str:
    """Say what a first power-up reads.

    A bench supply with a current limit feeds P to N: voltages of a good board, and of each single fault.
    """
    from bridge import payload, powerwords
    from bridge.firstpower import supply_from
    from bridge.meter import load_meter
    from bridge.powerrank import rank_power
    from bridge.powersheet import load_power_readings

    listed = TOP if top is None else whole_number(top, "--top")
    known = load_told(board, silent=json)
    source = supply_from(supply, limit)
    setup = BenchOptions(connected=connected, unplugged=unplugged).setup(known)
    ranking = None
    if readings is not None:
        ranking = rank_power(known, load_meter(), setup, source, load_power_readings(readings, known, setup))
    if json:
        return payload.json_text(powerwords.power_payload(known, setup, source, ranking, listed))
    return powerwords.power_page(known, setup, source, ranking, listed)
