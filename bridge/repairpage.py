"""Replace and check, laid out for people."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.layout import Column, Page, Table
from bridge.repair import RepairList, Sourced
from bridge.units import percent

__all__ = ["repair_page"]

UNSOURCED = "common practice, no source"
NOTHING = "The readings condemn no part: nothing is replaced on their word."


def _told(advice: Iterable[Sourced], *, numbered: bool = False) -> list[str]:
    """Return one paragraph for each piece of advice, its source behind it where it has one."""
    lines = []
    for number, piece in enumerate(advice, 1):
        source = "" if piece.source == UNSOURCED else f" ({piece.source})"
        lines.append(f"{number}. {piece.text}{source}" if numbered else f"{piece.text}{source}")
    return lines


def repair_page(repair: RepairList) -> Page:
    """Return what to replace, what goes with it, what to check and how power comes back.

    Parameters
    ----------
    repair : RepairList
        From `bridge.repair.repair_list`.
    """
    page: list[str | Table] = [repair.doubt] if repair.doubt else []
    if not repair.replace:
        page.append(NOTHING)
    else:
        rows = tuple((one.package, one.what, one.fault, percent(one.probability)) for one in repair.replace)
        columns = (Column("replace"), Column("what it is"), Column("fault"), Column("bad", right=True))
        page.append(Table("To replace", columns, rows))
        page.append(f"That these and no others are bad: {percent(repair.certainty)}.")
    if repair.uncleared:
        named = ", ".join(f"{package} ({what}, {percent(chance)})" for package, what, chance in repair.uncleared)
        page.append(f"Not cleared by these readings, to be tested before any power: {named}.")
    if repair.companions:
        together: dict[tuple[str, str, str], list[str]] = {}
        for one in repair.companions:
            source = "" if one.source in (UNSOURCED, "the readings") else f" ({one.source})"
            together.setdefault((one.advice, one.reason, source), []).append(one.package)
        companions = tuple(
            (
                ", ".join(packages),
                "replace" if advice == "replace" else "test, replace if in doubt",
                f"{reason}{source}",
            )
            for (advice, reason, source), packages in together.items()
        )
        page.append(Table("What goes with it", (Column("part"), Column("advice"), Column("why")), companions))
    page.append("Before power returns:")
    page += _told(repair.checks, numbered=True)
    if repair.insulation:
        page.append("Insulation to the heatsink:")
        page += _told(repair.insulation)
    page += repair.cautions
    page.append("Power comes back in stages; go on only when a stage is right:")
    for number, stage in enumerate(repair.stages, 1):
        source = "" if stage.source == UNSOURCED else f" ({stage.source})"
        page.append(f"{number}. {stage.title}. {stage.text} Stop at: {stage.watch[0].lower()}{stage.watch[1:]}{source}")
    page.append(f"Where no source is named: {UNSOURCED}.")
    return page
