"""What goes with a repair: ``data/repair.toml``, read and checked."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib import resources
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from bridge.partkinds import PART_KINDS
from bridge.tablefile import parse_table

__all__ = [
    "CheckRow",
    "CompanionRow",
    "InsulationTest",
    "RepairTable",
    "StageRow",
    "Texts",
    "parse_repair_table",
    "repair_table",
]

STRICT = ConfigDict(extra="forbid")
Filled = Annotated[str, Field(min_length=1)]
FilledTexts = Annotated[tuple[Filled, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=STRICT)
class CompanionRow:
    """Which parts go with a bad one, and why.

    Parameters
    ----------
    kinds, refs : tuple of str
        Kinds and patterns of names of the bad part; no patterns match every name.
    modes : tuple of str
        Its fault modes.
    with_kinds, with_refs : tuple of str
        Kinds or patterns of names of the companions.
    where : str
        How near a companion sits: same ``position``, same ``leg``, or anywhere on the ``board``.
    advice : str
        ``replace``, or ``test`` and replace if in doubt.
    reason, source : str
        Why, and who says so.
    """

    kinds: FilledTexts
    modes: FilledTexts
    where: Literal["position", "leg", "board"]
    advice: Literal["replace", "test"]
    reason: Filled
    source: Filled
    refs: tuple[str, ...] = ()
    with_kinds: tuple[str, ...] = ()
    with_refs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class CheckRow:
    """A check before power; no kinds: always, else where a part of such a kind is replaced."""

    text: Filled
    source: Filled
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class InsulationTest:
    """The test of the insulation to the heatsink, and the kinds of part whose repair asks for it."""

    kinds: FilledTexts
    text: FilledTexts
    source: Filled


@dataclass(frozen=True, slots=True, config=STRICT)
class StageRow:
    """A stage of the power-up.

    Parameters
    ----------
    title, text, watch : str
        Its name, what to do, and what says stop.
    source : str
        Who says so.
    kinds, refs : tuple of str
        Only on boards with a part of such a kind, or with such a name.
    without_refs : tuple of str
        Only on boards without a part of such a name.
    """

    title: Filled
    text: Filled
    watch: Filled
    source: Filled
    kinds: tuple[str, ...] = ()
    refs: tuple[str, ...] = ()
    without_refs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Texts:
    """Paragraphs."""

    text: FilledTexts


@dataclass(frozen=True, slots=True, config=STRICT)
class RepairTable:
    """Everything the file holds."""

    companion: tuple[CompanionRow, ...]
    check: tuple[CheckRow, ...]
    insulation: InsulationTest
    stage: tuple[StageRow, ...]
    caution: Texts


def _strangers(name: str, words: Iterable[str], known: Iterable[str]) -> list[str]:
    accepted = list(known)
    return [f"{name}: no {word!r}; accepted: {' '.join(accepted)}" for word in words if word not in accepted]


def _problems(table: RepairTable) -> list[str]:
    found: list[str] = []
    for number, row in enumerate(table.companion, 1):
        name = f"companion {number}"
        found += _strangers(f"{name}: kinds", (*row.kinds, *row.with_kinds), PART_KINDS)
        known = [mode for kind in row.kinds if kind in PART_KINDS for mode in PART_KINDS[kind].modes]
        found += _strangers(f"{name}: modes", row.modes, dict.fromkeys(known))
        if not row.with_kinds and not row.with_refs:
            found.append(f"{name}: names no companion; accepted: with_kinds or with_refs")
    for number, check in enumerate(table.check, 1):
        found += _strangers(f"check {number}: kinds", check.kinds, PART_KINDS)
    found += _strangers("insulation: kinds", table.insulation.kinds, PART_KINDS)
    for number, stage in enumerate(table.stage, 1):
        found += _strangers(f"stage {number}: kinds", stage.kinds, PART_KINDS)
    return found


def parse_repair_table(text: str, source: str) -> RepairTable:
    """Read and check a repair table.

    Parameters
    ----------
    text : str
        The table in TOML.
    source : str
        Where it came from, for messages.

    Raises
    ------
    InputError
        The text is not TOML.
    InputErrors
        Keys are unknown, missing or of the wrong type; a kind or mode does not exist. All problems are listed.
    """
    return parse_table(text, source, RepairTable, _problems)


@cache
def repair_table() -> RepairTable:
    """Return the shipped repair table."""
    text = resources.files("bridge").joinpath("data", "repair.toml").read_text(encoding="utf-8")
    return parse_repair_table(text, "bridge/data/repair.toml")
