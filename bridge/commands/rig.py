"""``bridgefault rig``: a loose switch on a lamp, under the meter by itself, or a batch of spares."""

from __future__ import annotations

from typing import Annotated

import typer

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
    readings: Annotated[
        str | None,
        typer.Option(
            "--readings", metavar="FILE", help="Rank by what was seen on the rig, a CSV file; - for standard input."
        ),
    ] = None,
    json: AsJson = False,
) -> Page | str:
    """Test a switch that is out of its board on a lamp.

    Says what the lamp does with the button released, pressed and after, for a good switch and for each fault.
    """
    from bridge import payload, rigwords
    from bridge.rig import list_cases, rig_states
    from bridge.rigplan import plan_from
    from bridge.rigrank import load_rig_readings, rank_rig

    plan = plan_from(part, supply, lamp, series, pull_down)
    ranking = None if readings is None else rank_rig(plan.rig, load_rig_readings(readings))
    states = rig_states(plan.rig, list_cases(plan.rig))
    if json:
        return payload.json_text(rigwords.rig_payload(plan, states, ranking))
    return rigwords.rig_page(plan, states, ranking)
