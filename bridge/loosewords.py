"""Loose switches and spares in words: pages for people and answers for programs."""

from __future__ import annotations

from typing import Any

from bridge.candidatewords import candidate_words, candidates_payload
from bridge.layout import Column, Page, Table
from bridge.loosepart import (
    CANNOT_TURN_ON,
    LooseVerdict,
    charge_volts,
    expect_loose,
    loose_board,
    loose_steps,
    turns_on,
)
from bridge.meter import MeterProfile
from bridge.spares import Batch
from bridge.switchpart import SwitchPart
from bridge.units import format_display, format_volts

__all__ = ["loose_page", "loose_payload", "spares_page", "spares_payload"]

CAUTION = (
    "A loose gate is ruined by static: touch emitter or source first. Before the part goes back in, tie gate to "
    "emitter. Where local rules or the maker's manual ask for more, they are right."
)


def _charging(part: SwitchPart, meter: MeterProfile) -> str:
    """Return whether this meter can turn the switch on, in a sentence."""
    mode, volts = charge_volts(meter)
    if turns_on(part, meter):
        return (
            f"Mode {mode} of this meter charges the gate to about {volts:g} V, and the switch needs about "
            f"{part.gate_threshold:g} V: it turns on."
        )
    return (
        f"This meter cannot turn this switch on: it charges the gate to about {volts:g} V (mode {mode}), and the "
        f"switch needs about {part.gate_threshold:g} V. OL with a charged gate is no fault; use the lamp."
    )


def _diode(part: SwitchPart) -> str:
    return "" if part.has_diode else " It has no diode by design: OL both ways is what a good one reads."


def loose_payload(part: SwitchPart, meter: MeterProfile, verdict: LooseVerdict | None = None) -> dict[str, Any]:
    """Return the answer for programs.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand.
    verdict : LooseVerdict, optional
        What its readings say.
    """
    mode, volts = charge_volts(meter)
    answer: dict[str, Any] = {
        "part": part.name,
        "meter": meter.name,
        "turns_on": turns_on(part, meter),
        "charge": {"mode": mode, "volts": volts},
        "cautions": [CAUTION],
        "steps": [
            {
                "step": step.name,
                "red": step.probing.red,
                "black": step.probing.black,
                "mode": step.probing.mode_text,
                "hold": step.probing.hold_text,
                "value": shown.value,
                "unit": shown.unit,
                "state": shown.state,
                "what": step.what,
            }
            for step, shown in zip(loose_steps(part, meter), expect_loose(part, meter), strict=True)
        ],
    }
    if verdict is not None:
        answer["verdict"] = verdict.verdict
        answer["good"] = verdict.good
        answer["reasons"] = list(verdict.reasons)
        answer["candidates"] = candidates_payload(verdict.candidates)
    return answer


def loose_page(part: SwitchPart, meter: MeterProfile, verdict: LooseVerdict | None = None) -> Page:
    """Return the answer for people.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand.
    verdict : LooseVerdict, optional
        What its readings say.
    """
    blocks: list[str | Table] = [CAUTION]
    if verdict is not None:
        reasons = f": {'; '.join(verdict.reasons)}" if verdict.reasons else ""
        blocks.append(f"{verdict.verdict.capitalize()}, good with {verdict.good:.1%}{reasons}.")
        board = loose_board(part)
        rows = tuple(
            (f"{guess.probability:.1%}", candidate_words(board, guess))
            for guess in verdict.candidates[:10]
            if guess.probability >= 0.001
        )
        blocks.append(Table("What explains it", (Column("probability", right=True), Column("switch")), rows))
    blocks.append(f"{part.title}, by itself, with {meter.title}. {_charging(part, meter)}{_diode(part)}")
    steps = tuple(
        (step.name, step.what, step.probing.mode_text, format_display(shown.value, shown.unit))
        for step, shown in zip(loose_steps(part, meter), expect_loose(part, meter), strict=True)
    )
    columns = (Column("step"), Column("what to do"), Column("mode"), Column("good", right=True))
    blocks.append(Table("Readings, in this order", columns, steps))
    return blocks


def spares_payload(part: SwitchPart, meter: MeterProfile, batch: Batch) -> dict[str, Any]:
    """Return a batch for programs.

    Parameters
    ----------
    part : SwitchPart
        What the spares are.
    meter : MeterProfile
        The meter in hand.
    batch : Batch
        The batch, judged.
    """
    return {
        "part": part.name,
        "meter": meter.name,
        "turns_on": turns_on(part, meter),
        "spares": [
            {
                "name": spare.name,
                "line": spare.line,
                "verdict": spare.verdict,
                "good": spare.good,
                "reasons": list(spare.reasons),
                "deviation": dict(spare.deviation),
            }
            for spare in batch.spares
        ],
        "matches": [
            {"step": match.step, "count": match.count, "median": match.median, "span": match.span}
            for match in batch.matches
        ],
    }


def spares_page(part: SwitchPart, meter: MeterProfile, batch: Batch) -> Page:
    """Return a batch for people.

    Parameters
    ----------
    part : SwitchPart
        What the spares are.
    meter : MeterProfile
        The meter in hand.
    batch : Batch
        The batch, judged.
    """
    count = {word: sum(spare.verdict == word for spare in batch.spares) for word in ("good", "suspect", "bad")}
    blocks: list[str | Table] = [
        f"{len(batch.spares)} of {part.title}: {count['good']} good, {count['suspect']} suspect, {count['bad']} bad."
    ]
    rows = tuple(
        (
            spare.name,
            spare.verdict,
            f"{spare.good:.1%}",
            *(f"{1e3 * spare.deviation[m.step]:+.0f} mV" if m.step in spare.deviation else "" for m in batch.matches),
            "; ".join(reason for reason in spare.reasons if reason != CANNOT_TURN_ON),  # said once below
        )
        for spare in batch.spares
    )
    columns = (
        Column("part"),
        Column("verdict"),
        Column("good with", right=True),
        *(Column(f"{match.step}, off the middle", right=True) for match in batch.matches),
        Column("why"),
    )
    blocks.append(Table("Spares", columns, rows))
    blocks += [
        f"{match.step}: {match.count} parts that are not bad lie within {1e3 * match.span:.0f} mV around "
        f"{format_volts(match.median)}."
        for match in batch.matches
    ]
    blocks.append(_charging(part, meter) + _diode(part))
    return blocks
