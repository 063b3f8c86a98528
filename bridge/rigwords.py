"""The lamp rig in words: what the lamp looks like, what is the matter, and pages for people and programs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from bridge.candidatewords import candidate_words, candidates_payload
from bridge.faults import describe_fault
from bridge.layout import Column, Page, Table, bulleted
from bridge.rig import RigCase, RigState, rig_board
from bridge.switchpart import DIODE
from bridge.units import format_ohms, format_volts

if TYPE_CHECKING:
    from bridge.rigplan import RigPlan
    from bridge.rigrank import RigRanking

__all__ = ["case_text", "lamp_word", "rig_page", "rig_payload"]

"""What an eye says of a lamp."""

# shares of rated voltage; light goes with about the 3.4th power of the voltage (Fink & Beaty, 11th ed., p. 22-8), so
# the first is a seventh of full light; where glowing starts is common practice, no source
DIM_BELOW = 0.55
OFF_BELOW = 0.12
LISTED = 12


def lamp_word(volts: float | None, rated: float) -> str:
    """Return ``on``, ``dim`` or ``off`` for a lamp.

    Parameters
    ----------
    volts : float or None
        Across the lamp [V]; None where it is not known.
    rated : float
        Its rated voltage [V].
    """
    if volts is None:
        return "not known"
    share = abs(volts) / rated
    if share >= DIM_BELOW:
        return "on"
    return "dim" if share >= OFF_BELOW else "off"


def case_text(plan: RigPlan, case: RigCase) -> str:
    """Return what is the matter in one line.

    Parameters
    ----------
    plan : RigPlan
        The rig.
    case : RigCase
        The case.
    """
    board = rig_board(plan.rig)
    words = [
        f"{'diode' if fault.part == DIODE else 'switch'} {describe_fault(board.parts[fault.part], fault.mode).phrase}"
        for fault, _ in case.faults
    ]
    text = ", ".join(words) or "good"
    return text if case.connection == "right" else f"{text}, connected the wrong way round"


def _fault_name(case: RigCase) -> str:
    return " ".join(str(fault) for fault, _ in case.faults) or "good"


def rig_payload(
    plan: RigPlan, states: Sequence[Sequence[RigState]], ranking: RigRanking | None = None
) -> dict[str, Any]:
    """Return the answer for programs.

    Parameters
    ----------
    plan : RigPlan
        The rig.
    states : sequence of sequences of RigState
        What it does, a row for each case.
    ranking : RigRanking, optional
        What was measured says.
    """
    rig = plan.rig
    answer: dict[str, Any] = {
        "gate_volts": plan.gate_volts,
        "cautions": [*plan.warnings, *plan.cautions],
        "part": rig.part.name,
        "supply_volts": rig.supply,
        "series_ohms": rig.series,
        "pull_down_ohms": rig.pull_down,
        "lamp": {
            "volts": rig.lamp.volts,
            "watts": rig.lamp.watts,
            "cold_ohms": rig.lamp.cold_ohms,
            "hot_ohms": rig.lamp.hot_ohms,
            "cold_amps": plan.cold_amps,
            "hot_amps": plan.hot_amps,
        },
        "proposed": list(plan.proposed),
        "states": [
            {
                "fault": _fault_name(state.case),
                "connection": state.case.connection,
                "button": state.button,
                "gate_volts": state.gate_volts,
                "lamp_volts": state.lamp_volts,
                "switch_volts": state.switch_volts,
                "lamp_amps": state.lamp_amps,
                "lamp": lamp_word(state.lamp_volts, rig.lamp.volts),
            }
            for row in states
            for state in row
        ],
        "candidates": [],
    }
    if ranking is not None:
        answer["candidates"] = candidates_payload(ranking.candidates)
        answer["setup"] = [{"what": belief.what, "probability": belief.probability} for belief in ranking.setup]
        answer["fit"] = {"ok": ranking.fits, "worst_reading": ranking.worst_reading}
    return answer


def _ohms_of(text: str, states: Sequence[RigState]) -> str:
    """Return a case with the resistance it was worked out for."""
    ohms = [value for _, value in states[0].case.faults if value is not None]
    return f"{text} ({format_ohms(ohms[0])})" if ohms else text


def _state_cell(state: RigState, rated: float) -> str:
    word = lamp_word(state.lamp_volts, rated)
    return word if state.lamp_volts is None else f"{word} {format_volts(state.lamp_volts)}"


def _volts_cell(value: float | None) -> str:
    return "not known" if value is None or math.isnan(value) else format_volts(value)


def rig_page(plan: RigPlan, states: Sequence[Sequence[RigState]], ranking: RigRanking | None = None) -> Page:
    """Return the answer for people.

    Parameters
    ----------
    plan : RigPlan
        The rig.
    states : sequence of sequences of RigState
        What it does, a row for each case.
    ranking : RigRanking, optional
        What was measured says.
    """
    rig = plan.rig
    # before the table: who reads what the lamp does joins the supply next
    blocks: list[str | Table] = [bulleted("Before power goes on", plan.cautions), *plan.warnings]
    if ranking is not None:
        blocks += _ranking_blocks(plan, ranking)
    blocks.append(
        f"{rig.part.title} on {rig.supply:g} V with a lamp of {rig.lamp}, {format_ohms(rig.series)} from the button to "
        f"the gate and {format_ohms(rig.pull_down)} from gate to emitter."
    )
    if plan.proposed:
        blocks.append(f"Proposed, since not given: {'; '.join(plan.proposed)}.")
    blocks.append(
        f"A good switch gets {format_volts(plan.gate_volts)} at its gate. The lamp has "
        f"{format_ohms(rig.lamp.cold_ohms)} cold and {format_ohms(rig.lamp.hot_ohms)} at its rated "
        f"voltage; it draws {plan.cold_amps:.2f} A at the first instant and {plan.hot_amps:.3f} A once it is hot."
    )
    turned = [row for row in states if row[0].case.connection == "reversed" and _is_shown_reversed(row[0].case)]
    shown = [row for row in states if row[0].case.connection == "right"] + turned
    rows = tuple(
        (
            _ohms_of(case_text(plan, row[0].case), row),
            *(_state_cell(state, rig.lamp.volts) for state in row),
            _volts_cell(row[1].gate_volts),
            _volts_cell(row[1].switch_volts),
        )
        for row in shown
    )
    columns = (
        Column("switch"),
        Column("lamp, button released"),
        Column("pressed"),
        Column("after"),
        Column("gate, pressed", right=True),
        Column("switch, pressed", right=True),
    )
    blocks.append(Table("What the lamp does", columns, rows))
    return blocks


def _is_shown_reversed(case: RigCase) -> bool:
    """Whether a case is worth a line with the switch the wrong way round: that is how the diode is seen."""
    return all(fault.part == DIODE and fault.mode == "open" for fault, _ in case.faults)


def _ranking_blocks(plan: RigPlan, ranking: RigRanking) -> list[str | Table]:
    best = ranking.candidates[0]
    blocks: list[str | Table] = [f"{ranking.verdict} ({best.probability:.0%} for the likeliest)."]
    if not ranking.fits:
        blocks.append("Nothing modelled explains all of this well; take the readings again before you decide.")
    if ranking.setup[0].what != "as-stated":
        blocks.append(f"First look at the rig: {ranking.setup[0].what} ({ranking.setup[0].probability:.0%}).")
    board = rig_board(plan.rig)
    rows = tuple(
        (f"{candidate.probability:.1%}", candidate_words(board, candidate))
        for candidate in ranking.candidates[:LISTED]
        if candidate.probability >= 0.001
    )
    blocks.append(Table("What explains it", (Column("probability", right=True), Column("switch")), rows))
    return blocks
