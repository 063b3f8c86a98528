"""What readings can tell apart on a board, for people and for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.cover import Cover
from bridge.faults import Fault
from bridge.layout import Column, Page, Table
from bridge.units import percent

__all__ = ["cover_page", "cover_payload"]

EFFORT_WORDS = {
    "terminals": "main terminals alone",
    "gates": "gate leads and pads as well",
    "holds": "held gates as well",
    "lift": "one pin lifted as well",
}
GROUPS_SHOWN = 12


def _by_part(faults: Sequence[Fault]) -> str:
    """Return faults grouped by part: ``C_BUS low, open; R_DIS high``."""
    modes: dict[str, list[str]] = {}
    for fault in faults:
        modes.setdefault(fault.part, []).append(fault.mode)
    alike: dict[tuple[str, ...], list[str]] = {}
    for part, those in modes.items():
        alike.setdefault(tuple(those), []).append(part)
    return "; ".join(f"{', '.join(parts)} {', '.join(those)}" for those, parts in alike.items())


def cover_page(cover: Cover, *, every_group: bool = False) -> Page:
    """Return what can be told apart, in numbers and as groups.

    Parameters
    ----------
    cover : Cover
        What readings can tell apart.
    every_group : bool
        Whether groups of little weight are listed too.
    """
    readings = [str(count) for count in cover.readings] + [""]
    rows = tuple(
        (
            EFFORT_WORDS[tier.effort],
            number,
            f"{tier.shows} ({percent(tier.shows_share)})",
            str(tier.groups),
            str(tier.alone),
            f"{tier.decided} ({percent(tier.decided_share)})",
        )
        for tier, number in zip(cover.tiers, readings, strict=True)
    )
    columns = (
        Column("with"),
        Column("readings", right=True),
        Column("faults that show", right=True),
        Column("groups", right=True),
        Column("told from all others", right=True),
        Column("what to replace is decided", right=True),
    )
    page: list[str | Table] = [
        f"{cover.board.title}: {cover.faults} single faults, each at its usual severity, read with one meter without "
        "slips. In brackets: their share of the bench weight, how often each is the one.",
        Table("What can be told", columns, rows),
    ]
    groups = cover.in_place if every_group else cover.in_place[:GROUPS_SHOWN]
    if groups:
        shown = tuple((percent(group.share), ", ".join(group.packages), _by_part(group.faults)) for group in groups)
        page.append(
            Table(
                "Never told apart in place, though in different parts to replace",
                (Column("weight", right=True), Column("parts to replace"), Column("faults")),
                shown,
            )
        )
        left = len(cover.in_place) - len(groups)
        page += [f"{left} more groups; --all lists them."] if left else []
    else:
        page.append("In place every fault that shows is decided down to what is replaced.")
    if cover.hidden_in_place:
        page.append(f"Never shows in place: {_by_part(cover.hidden_in_place)}.")
    if cover.hidden:
        page.append(f"Not even with one of its pins lifted and read across the part: {_by_part(cover.hidden)}.")
    return page


def _texts(faults: Sequence[Fault]) -> list[dict[str, str]]:
    return [{"part": fault.part, "mode": fault.mode} for fault in faults]


def cover_payload(cover: Cover) -> dict[str, Any]:
    """Return what can be told apart, for programs.

    Parameters
    ----------
    cover : Cover
        What readings can tell apart.
    """
    return {
        "board": cover.board.name,
        "faults": cover.faults,
        "tiers": [
            {
                "effort": tier.effort,
                "readings": count,
                "shows": tier.shows,
                "shows_share": tier.shows_share,
                "groups": tier.groups,
                "alone": tier.alone,
                "decided": tier.decided,
                "decided_share": tier.decided_share,
            }
            for tier, count in zip(cover.tiers, (*cover.readings, None), strict=True)
        ],
        "groups_in_place": [
            {"share": group.share, "packages": list(group.packages), "faults": _texts(group.faults)}
            for group in cover.in_place
        ],
        "hidden_in_place": _texts(cover.hidden_in_place),
        "hidden": _texts(cover.hidden),
    }
