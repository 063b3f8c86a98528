"""The table of what fails, how often, how badly and with what: ``data/faults.toml``, read and checked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field
from fnmatch import fnmatchcase
from functools import cache
from importlib import resources
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from bridge.board import Board, Part
from bridge.partkinds import PART_KINDS, SWITCH_KINDS, collector_pin, emitter_pin, has_severity
from bridge.tablefile import parse_table

__all__ = [
    "Counts",
    "Coupling",
    "FaultTable",
    "FaultsOf",
    "Group",
    "Growth",
    "Link",
    "Pattern",
    "PatternMember",
    "RatioRow",
    "SeverityRow",
    "Symptom",
    "SymptomCause",
    "WeightRow",
    "Wording",
    "Words",
    "fault_table",
    "matches",
    "parse_fault_table",
]

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]

SUM_SLACK = 1e-9  # decimal fractions do not add up to exactly 1 in binary
STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True, config=STRICT)
class Counts:
    """Shares of boards with no, one, two and more bad parts [1]."""

    healthy: Share
    one: Share
    two: Share
    more: Share
    source: str


@dataclass(frozen=True, slots=True, config=STRICT)
class Growth:
    """How boards with three and more bad parts divide.

    Parameters
    ----------
    pattern_share : float
        Share that follows a damage pattern [1]; the rest spread by coupling.
    further : float
        How much rarer each further part is than the one before [1], where damage spread.
    most_parts : int
        Largest number of bad parts.
    listed_sets : int
        About how many of the likeliest sets that patterns leave are listed one by one.
    """

    pattern_share: Share
    further: Annotated[float, Field(gt=0.0, lt=1.0)]
    most_parts: Annotated[int, Field(ge=3, le=12)]
    listed_sets: Annotated[int, Field(ge=1)]
    source: str


@dataclass(frozen=True, slots=True, config=STRICT)
class Group:
    """A group of parts and its bench weight [1]."""

    name: str
    about: str
    share: Share
    source: str


@dataclass(frozen=True, slots=True, config=STRICT)
class WeightRow:
    """Which parts belong to a group, and how much each weighs in it; empty conditions match everything."""

    group: str
    weight: Positive
    source: str
    refs: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    across: tuple[str, ...] = ()
    on_gate: bool = False


@dataclass(frozen=True, slots=True, config=STRICT)
class RatioRow:
    """How a part fails: the share of each mode [1], sum 1."""

    kinds: Annotated[tuple[str, ...], Field(min_length=1)]
    modes: Mapping[str, Positive]
    source: str
    refs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class SeverityRow:
    """How bad a fault is: lowest, median and highest resistance [ohm, or multiples of the nominal value]."""

    modes: Annotated[tuple[str, ...], Field(min_length=1)]
    of: Literal["ohms", "nominal"]
    low: Positive
    median: Positive
    high: Positive
    nodes: Annotated[int, Field(ge=1, le=50)]
    source: str
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Coupling:
    """How much likelier a second fault is where it shares something with the first [1]."""

    package: Positive
    position: Positive
    module_leg: Positive
    leg: Positive
    module: Positive
    elsewhere: Positive
    source: str


@dataclass(frozen=True, slots=True, config=STRICT)
class FaultsOf:
    """A choice of faults by group and kind of the part and by mode; empty conditions match everything."""

    modes: Annotated[tuple[str, ...], Field(min_length=1)]
    groups: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Link:
    """A factor on the coupling of two faults that cause one another."""

    about: str
    within: Literal["position", "leg", "shared", "board"]
    factor: Positive
    source: str
    one: FaultsOf
    other: FaultsOf


@dataclass(frozen=True, slots=True, config=STRICT)
class PatternMember:
    """Parts that take part in a damage pattern, each on its own with ``chance`` [1], in one of ``modes``."""

    within: Literal["site", "shared", "board"]
    chance: Annotated[float, Field(gt=0.0, lt=1.0)]
    modes: Annotated[Mapping[str, Positive], Field(min_length=1)]
    required: Annotated[int, Field(ge=0)] = 0
    refs: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Pattern:
    """A set of parts that go together, one instance per site."""

    name: str
    about: str
    site: Literal["leg", "position", "package", "board"]
    share: Share
    source: str
    member: Annotated[tuple[PatternMember, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=STRICT)
class SymptomCause:
    """Faults that bring a symptom about, each on its own with ``chance`` [1]; empty conditions match everything.

    ``within`` says where the fault lies from the part the symptom was seen at: that part, its position, its leg, or
    anywhere on the board.
    """

    chance: Annotated[float, Field(gt=0.0, lt=1.0)]
    within: Literal["part", "position", "leg", "board"] = "board"
    modes: tuple[str, ...] = ()
    refs: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Symptom:
    """What is seen, heard or told before any reading.

    Parameters
    ----------
    say : str
        How it is typed.
    about : str
        What it is.
    at : str
        ``part`` where it is seen at a part, ``board`` where it is how the whole board behaves.
    unrelated : float
        Probability that it is told although none of its causes is there [1].
    cause : tuple of SymptomCause
        What brings it about.
    also : tuple of str
        Other words for it.
    """

    say: Annotated[str, Field(min_length=1)]
    about: str
    at: Literal["part", "board"]
    unrelated: Annotated[float, Field(gt=0.0, lt=1.0)]
    source: str
    cause: Annotated[tuple[SymptomCause, ...], Field(min_length=1)]
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=STRICT)
class Wording:
    """A fault mode in words: a phrase for tables and a sentence on what it is and how it comes about."""

    phrase: str
    what: str


@dataclass(frozen=True, slots=True, config=STRICT)
class Words:
    """The wording of every mode of one kind of part."""

    kind: str
    source: str
    modes: Mapping[str, Wording]


@dataclass(frozen=True, slots=True, config=STRICT)
class FaultTable:
    """Everything known about faults that is not physics, row by row with its source."""

    counts: Counts
    growth: Growth
    group: tuple[Group, ...]
    weight: tuple[WeightRow, ...]
    ratio: tuple[RatioRow, ...]
    severity: tuple[SeverityRow, ...]
    coupling: Coupling
    link: tuple[Link, ...] = field(default=())
    pattern: tuple[Pattern, ...] = field(default=())
    words: tuple[Words, ...] = field(default=())
    symptom: tuple[Symptom, ...] = field(default=())

    def weight_row(self, part: Part, board: Board) -> WeightRow:
        """Return the row that gives a part its group and weight; the last row matches everything."""
        for row in self.weight:
            if matches(part, refs=row.refs, kinds=row.kinds) and _sits(part, board, row):
                return row
        raise AssertionError(f"no weight row matches {part.ref}")

    def mode_ratios(self, part: Part) -> Mapping[str, float]:
        """Return how a part of this kind fails, over all modes of its kind [1]."""
        for row in self.ratio:
            if matches(part, refs=row.refs, kinds=row.kinds):
                return row.modes
        raise AssertionError(f"no ratio row matches {part.ref}")

    def severity_row(self, kind: str, mode: str) -> SeverityRow:
        """Return the row that says how bad a fault mode of a kind is."""
        for row in self.severity:
            if mode in row.modes and (not row.kinds or kind in row.kinds):
                return row
        raise AssertionError(f"no severity row matches {kind} {mode}")

    def wording(self, kind: str, mode: str) -> Wording:
        """Return a fault mode in words."""
        for row in self.words:
            if row.kind == kind:
                return row.modes[mode]
        raise AssertionError(f"no words for {kind}")


def matches(part: Part, *, refs: tuple[str, ...], kinds: tuple[str, ...]) -> bool:
    """Whether a part has one of the names and is of one of the kinds; empty conditions match everything."""
    return (not kinds or part.kind in kinds) and (not refs or any(fnmatchcase(part.ref, ref) for ref in refs))


def _sits(part: Part, board: Board, row: WeightRow) -> bool:
    """Whether a part lies where a weight row asks for: across a switch of a kind, or on a gate."""
    if not row.across and not row.on_gate:
        return True
    switches = [other for other in board.parts.values() if other.kind in SWITCH_KINDS]
    if row.across and not any(_lies_across(part, other) for other in switches if other.kind in row.across):
        return False
    return not row.on_gate or any(other.pins["gate"] in part.pins.values() for other in switches)


def _lies_across(diode: Part, switch: Part) -> bool:
    if diode.kind != "diode":
        return False
    if diode.shares_bond_with == switch.ref:
        return True
    return (diode.pins["anode"], diode.pins["cathode"]) == (
        switch.pins[emitter_pin(switch.kind)],
        switch.pins[collector_pin(switch.kind)],
    )


def _sum_problems(name: str, values: Iterable[float]) -> list[str]:
    total = math.fsum(values)
    return [] if abs(total - 1.0) <= SUM_SLACK else [f"{name} sum to {total:.6g}, they must sum to 1"]


def _kind_problems(name: str, kinds: Iterable[str]) -> list[str]:
    return [
        f"{name}: unknown kind {kind!r}, known are {' '.join(PART_KINDS)}" for kind in kinds if kind not in PART_KINDS
    ]


def _mode_problems(name: str, modes: Iterable[str], kinds: tuple[str, ...]) -> list[str]:
    accepted = {mode for kind in kinds or PART_KINDS for mode in PART_KINDS[kind].modes}
    return [
        f"{name}: unknown mode {mode!r}, accepted are {' '.join(sorted(accepted))}"
        for mode in modes
        if mode not in accepted
    ]


def _group_problems(name: str, groups: Iterable[str], table: FaultTable) -> list[str]:
    known = [group.name for group in table.group]
    return [f"{name}: unknown group {group!r}, known are {', '.join(known)}" for group in groups if group not in known]


def _name_problems(table: FaultTable) -> list[str]:
    """Names of kinds, modes and groups that do not exist."""
    found: list[str] = []
    for number, row in enumerate(table.weight, 1):
        found += _kind_problems(f"weight {number}", (*row.kinds, *row.across))
        found += _group_problems(f"weight {number}", (row.group,), table)
    for number, ratio in enumerate(table.ratio, 1):
        found += _kind_problems(f"ratio {number}", ratio.kinds)
    for number, severity in enumerate(table.severity, 1):
        found += _kind_problems(f"severity {number}", severity.kinds)
    for words in table.words:
        found += _kind_problems("words", (words.kind,))
    choices: list[tuple[str, FaultsOf | PatternMember | SymptomCause]] = []
    for link in table.link:
        choices += [(f"link {link.about!r}", link.one), (f"link {link.about!r}", link.other)]
    for pattern in table.pattern:
        choices += [(f"pattern {pattern.name!r}", member) for member in pattern.member]
    for symptom in table.symptom:
        choices += [(f"symptom {symptom.say!r}", cause) for cause in symptom.cause]
    for name, choice in choices:
        found += _group_problems(name, choice.groups, table)
        unknown = _kind_problems(name, choice.kinds)
        found += unknown or _mode_problems(name, choice.modes, choice.kinds)
    return found


def _symptom_problems(table: FaultTable) -> list[str]:
    """Words that mean two symptoms, and symptoms of a whole board that ask where they were seen."""
    found: list[str] = []
    known: dict[str, str] = {}
    for symptom in table.symptom:
        for words in (symptom.say, *symptom.also):
            if words.casefold() in known:
                found.append(f"symptom {symptom.say!r}: {words!r} also means {known[words.casefold()]!r}")
            known[words.casefold()] = symptom.say
        if symptom.at == "board" and any(cause.within != "board" for cause in symptom.cause):
            found.append(f"symptom {symptom.say!r}: a cause of a whole board's symptom lies within the board")
    return found


def _coverage_problems(table: FaultTable) -> list[str]:
    """Kinds and modes the table says too little or too much about; all names are known to exist."""
    found: list[str] = []
    for number, ratio in enumerate(table.ratio, 1):
        for kind in ratio.kinds:
            if set(ratio.modes) != set(PART_KINDS[kind].modes):
                accepted = " ".join(PART_KINDS[kind].modes)
                found.append(f"ratio {number}: has modes {' '.join(ratio.modes)}, but {kind} has {accepted}")
    last = table.weight[-1] if table.weight else None
    if last is None or last.refs or last.kinds or last.across or last.on_gate:
        found.append("weight: the last row must have no conditions, so that every part has a group")
    for kind, part_kind in PART_KINDS.items():
        if not any(kind in ratio.kinds and not ratio.refs for ratio in table.ratio):
            found.append(f"ratio: no row without refs for {kind}")
        worded = {mode for words in table.words if words.kind == kind for mode in words.modes}
        if worded != set(part_kind.modes):
            modes = " ".join(part_kind.modes)
            found.append(f"words: {kind} has words for {' '.join(sorted(worded))}, its modes are {modes}")
        for mode in part_kind.modes:
            covered = any(mode in row.modes and (not row.kinds or kind in row.kinds) for row in table.severity)
            if has_severity(mode) and not covered:
                found.append(f"severity: no row for {kind} {mode}")
    for number, severity in enumerate(table.severity, 1):
        if not severity.low < severity.median < severity.high:
            found.append(f"severity {number}: low, median, high must increase")
        without = [mode for mode in severity.modes if not has_severity(mode)]
        found += [f"severity {number}: mode {mode!r} has no severity" for mode in without]
    return found


def _problems(table: FaultTable) -> list[str]:
    counts = table.counts
    found = _sum_problems("counts", (counts.healthy, counts.one, counts.two, counts.more))
    found += _sum_problems("group shares", (group.share for group in table.group))
    for number, ratio in enumerate(table.ratio, 1):
        found += _sum_problems(f"ratio {number}: modes", ratio.modes.values())
    if table.pattern:
        found += _sum_problems("pattern shares", (pattern.share for pattern in table.pattern))
    for pattern in table.pattern:
        for member in pattern.member:
            found += _sum_problems(f"pattern {pattern.name!r}: modes of a member", member.modes.values())
    return found + (_name_problems(table) or _coverage_problems(table)) + _symptom_problems(table)


def parse_fault_table(text: str, source: str) -> FaultTable:
    """Read and check a fault table.

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
        Keys are unknown, missing or of the wrong type; shares do not sum to 1; a kind, mode or group does not
        exist or is not covered. All problems are listed.
    """
    return parse_table(text, source, FaultTable, _problems)


@cache
def fault_table() -> FaultTable:
    """Return the shipped fault table."""
    text = resources.files("bridge").joinpath("data", "faults.toml").read_text(encoding="utf-8")
    return parse_fault_table(text, "bridge/data/faults.toml")
