"""``bridgefault rig``: a loose switch on a lamp, under the meter by itself, or a batch of spares."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson

__all__ = ["rig"]


def rig(
    *,
    supply: Annotated[
        str | None, typer.Option("--supply", metavar="VOLTS", help="Supply voltage of the rig. [default: 12]")
    ] = None,
    lamp: Annotated[
        str | None, typer.Option("--lamp", metavar="VOLTSxWATTS", help="The lamp: 12x5. Proposed where not given.")
    ] = None,
    series: Annotated[
        str | None,
        typer.Option("--series", metavar="OHMS", help="From the button to the gate. Proposed where not given."),
    ] = None,
    pull_down: Annotated[
        str | None, typer.Option("--pull-down", metavar="OHMS", help="From gate to emitter. Proposed where not given.")
    ] = None,
    part: Annotated[
        str | None,
        typer.Option(
            "--part", metavar="FILE|NAME", help="The switch: a shipped part or a file. [default: igbt-600v-30a]"
        ),
    ] = None,
    loose: Annotated[bool, typer.Option("--loose", help="No lamp: the meter alone on the loose switch.")] = False,
    readings: Annotated[
        str | None,
        typer.Option(
            "--readings", metavar="FILE", help="Rank by what was seen on the rig or, with --loose, read; - is stdin."
        ),
    ] = None,
    spares: Annotated[
        str | None,
        typer.Option("--spares", metavar="FILE", help="Judge a batch by the meter: a row of readings for each."),
    ] = None,
    meter: Annotated[
        str | None,
        typer.Option(
            "--meter",
            metavar="NAME|FILE",
            help="With --loose, --spares: a shipped one or a file. [default: handheld]",
        ),
    ] = None,
    json: AsJson = False,
) -> Page | str:
    """Test a switch that is out of its board.

    On a lamp, or with --loose or --spares by the meter alone.

    Says what the lamp does with the button released, pressed and after, for a good switch and for each fault.
    """
    by_meter = loose or spares is not None
    for_rig = {"--supply": supply, "--lamp": lamp, "--series": series, "--pull-down": pull_down}
    for option, typed in for_rig.items():
        if by_meter and typed is not None:
            raise InputError("there is no lamp where the meter judges; accepted: without it", where=option)
    if meter is not None and not by_meter:
        raise InputError("the lamp needs no meter; accepted: with --loose or --spares", where="--meter")
    if spares is not None and (loose or readings is not None):
        raise InputError("there together with --loose or --readings; accepted: one of them", where="--spares")
    if by_meter:
        payload_of, page = _by_meter(part, meter, readings, spares)
    else:
        payload_of, page = _on_lamp((part, supply, lamp, series, pull_down), readings)
    if json:
        from bridge.payload import json_text

        return json_text(payload_of)
    return page


def _on_lamp(typed: tuple[str | None, ...], readings: str | None) -> tuple[dict[str, Any], Page]:
    from bridge.rig import list_cases, rig_states
    from bridge.rigplan import plan_from
    from bridge.rigrank import load_rig_readings, rank_rig
    from bridge.rigwords import rig_page, rig_payload

    plan = plan_from(*typed)
    ranking = None if readings is None else rank_rig(plan.rig, load_rig_readings(readings))
    states = rig_states(plan.rig, list_cases(plan.rig))
    return rig_payload(plan, states, ranking), rig_page(plan, states, ranking)


def _by_meter(
    part: str | None, meter: str | None, readings: str | None, spares: str | None
) -> tuple[dict[str, Any], Page]:
    from bridge.loosepart import judge_loose, load_loose
    from bridge.loosewords import loose_page, loose_payload, spares_page, spares_payload
    from bridge.meter import load_meter
    from bridge.spares import judge_spares, load_spares
    from bridge.switchpart import typed_part

    switch = typed_part(part)
    try:
        profile = load_meter() if meter is None else load_meter(meter)
    except InputError as error:
        raise InputError(str(error), where="--meter") from None
    if spares is not None:
        batch = judge_spares(switch, profile, load_spares(spares, switch, profile))
        return spares_payload(switch, profile, batch), spares_page(switch, profile, batch)
    verdict = None
    if readings is not None:
        verdict = judge_loose(switch, profile, load_loose(readings, switch, profile))
    return loose_payload(switch, profile, verdict), loose_page(switch, profile, verdict)
