"""Replace and check: what is bad, what goes with it, and how power comes back.

What is said about companions, checks and stages stands in ``data/repair.toml``, each with its source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase

from bridge.board import Board, Part
from bridge.faults import describe_fault
from bridge.faulttable import matches
from bridge.groups import suspect_packages
from bridge.places import Place, place_parts
from bridge.ranking import Ranking
from bridge.repairtable import CompanionRow, repair_table

__all__ = [
    "Companion",
    "RepairList",
    "Replacement",
    "Sourced",
    "Stage",
    "package_words",
    "repair_list",
]

DECIDED = 0.5  # a package more likely bad than good is replaced, as the ranking says
NOT_RULED_OUT = 0.02
MOST_UNCLEARED = 0.05  # what is likelier bad than this is tested before power; the other side of a verdict's certainty
MODE_SHARE = 0.1  # a fault mode this probable, given that its package is bad, calls its companions
MODES_NAMED = 2


@dataclass(frozen=True, slots=True)
class Replacement:
    """A package to replace.

    Parameters
    ----------
    package : str
        Its name.
    what : str
        What it does on the board.
    fault : str
        What is probably wrong with it.
    probability : float
        That it is bad [1].
    """

    package: str
    what: str
    fault: str
    probability: float


@dataclass(frozen=True, slots=True)
class Companion:
    """A package that goes with a bad one.

    Parameters
    ----------
    package : str
        Its name.
    what : str
        What it does on the board.
    advice : str
        ``replace``, or ``test`` and replace if in doubt.
    reason, source : str
        Why, and who says so.
    """

    package: str
    what: str
    advice: str
    reason: str
    source: str


@dataclass(frozen=True, slots=True)
class Sourced:
    """A piece of advice and who says so."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the power-up: its name, what to do, what says stop, and who says so."""

    title: str
    text: str
    watch: str
    source: str


@dataclass(frozen=True, slots=True)
class RepairList:
    """What to do once the readings have spoken.

    Parameters
    ----------
    replace : tuple of Replacement
        Packages more likely bad than good, most probable first.
    certainty : float
        Probability that these packages and no others are bad [1].
    doubt : str
        Why nothing should be condemned yet; empty if there is no reason.
    uncleared : tuple of (str, str, float)
        Packages that are not replaced but not cleared either, what they do, how probable it is that they are bad [1].
    companions : tuple of Companion
        What goes with them: those to replace first, then those to test, the most suspect of them first.
    checks : tuple of Sourced
        Before power, in order.
    insulation : tuple of Sourced
        The test of the insulation to the heatsink; empty where nothing on the heatsink is replaced.
    stages : tuple of Stage
        How power comes back, in order.
    cautions : tuple of str
        What holds for every stage.
    """

    replace: tuple[Replacement, ...]
    certainty: float
    doubt: str
    uncleared: tuple[tuple[str, str, float], ...]
    companions: tuple[Companion, ...]
    checks: tuple[Sourced, ...]
    insulation: tuple[Sourced, ...]
    stages: tuple[Stage, ...]
    cautions: tuple[str, ...]


def package_words(board: Board, package: str) -> str:
    """Return what a package does on its board, in words.

    Parameters
    ----------
    board : Board
        The board.
    package : str
        Name of a package.
    """
    part = board.parts.get(package)
    if part is not None:
        return part.role
    members = [part for part in board.parts.values() if part.package == package]
    blocks = list(dict.fromkeys(part.block for part in members))
    if len(members) == 1:
        return members[0].role
    if len(blocks) == 1:
        return f"{blocks[0]}, {len(members)} parts in one case"
    return f"module with {members[0].ref} to {members[-1].ref}"


def repair_list(ranking: Ranking) -> RepairList:
    """Return what to replace, what goes with it, what to check and how power comes back.

    Parameters
    ----------
    ranking : Ranking
        What the readings say.

    Returns
    -------
    RepairList
        Packages to ``replace`` and how certain that is [1], what goes with them, checks before power, stages of power.
    """
    board, table = ranking.board, repair_table()
    lists = ranking.replace_lists
    suspects = suspect_packages(lists)
    bad = [package for package, probability in suspects.items() if probability >= DECIDED]
    modes = _bad_modes(ranking, bad)
    replacements = tuple(
        Replacement(package, package_words(board, package), _fault_words(board, modes[package]), suspects[package])
        for package in bad
    )
    kinds = {board.parts[part].kind for package in bad for part, _ in modes[package]}
    names = list(board.parts)
    stages = tuple(
        Stage(row.title, row.text, row.watch, row.source)
        for row in table.stage
        if _stage_fits(board, names, row.kinds, row.refs, row.without_refs)
    )
    return RepairList(
        replace=replacements,
        certainty=lists.get(frozenset(bad), 0.0),
        doubt=_doubt(ranking),
        uncleared=tuple(
            (package, package_words(board, package), probability)
            for package, probability in suspects.items()
            if package not in bad and probability > MOST_UNCLEARED
        ),
        companions=_companions(board, modes, suspects),
        checks=tuple(
            Sourced(row.text.replace("{board}", board.name), row.source)
            for row in table.check
            if not row.kinds or kinds & set(row.kinds)
        ),
        insulation=tuple(Sourced(text, table.insulation.source) for text in table.insulation.text)
        if kinds & set(table.insulation.kinds)
        else (),
        stages=stages,
        cautions=table.caution.text,
    )


def _doubt(ranking: Ranking) -> str:
    if not ranking.fit.ok:
        return (
            "None of the modelled faults explains these readings: check set-up and board file before replacing a part."
        )
    believed = max(ranking.setup, key=lambda belief: belief.probability, default=None)
    if believed is not None and believed.what != "as-stated" and believed.probability >= DECIDED:
        return "The readings speak of another state of the bench: set that right before replacing a part."
    return ""


def _bad_modes(ranking: Ranking, bad: list[str]) -> dict[str, dict[tuple[str, str], float]]:
    """Return, for each bad package, how probable each fault in it is, given that it is bad; the probable ones first."""
    found: dict[str, dict[tuple[str, str], float]] = {package: {} for package in bad}
    total = dict.fromkeys(bad, 0.0)
    for candidate in ranking.candidates:
        here = candidate.packages(ranking.board) & set(bad)
        for package in here:
            total[package] += candidate.probability
        for guess in candidate.faults:
            package = ranking.board.parts[guess.part].package
            if package in here:
                key = guess.part, guess.mode
                found[package][key] = found[package].get(key, 0.0) + candidate.probability
    return {
        package: {
            key: share / total[package]
            for key, share in sorted(modes.items(), key=lambda item: -item[1])
            if share >= MODE_SHARE * total[package]
        }
        or {max(modes, key=lambda key: modes[key]): max(modes.values()) / total[package]}
        for package, modes in found.items()
    }


def _fault_words(board: Board, modes: Mapping[tuple[str, str], float]) -> str:
    words = [f"{part} {describe_fault(board.parts[part], mode).phrase}" for part, mode in modes]
    return " or ".join(words[:MODES_NAMED])


def _companions(
    board: Board, modes: Mapping[str, Mapping[tuple[str, str], float]], suspects: Mapping[str, float]
) -> tuple[Companion, ...]:
    places = place_parts(board)
    found: dict[str, Companion] = {}
    rows = repair_table().companion
    for row in sorted(rows, key=lambda row: row.advice != "replace"):
        for package, faults in modes.items():
            culprits = [
                board.parts[part]
                for part, mode in faults
                if mode in row.modes and matches(board.parts[part], refs=row.refs, kinds=row.kinds)
            ]
            for part in board.parts.values():
                if part.package in modes or part.package in found or not _goes_with(row, part):
                    continue
                if any(_is_near(row.where, places[culprit.ref], places[part.ref]) for culprit in culprits):
                    what = package_words(board, part.package)
                    reason = row.reason.format(package=package, part=part.ref, role=part.role)
                    found[part.package] = Companion(part.package, what, row.advice, reason, row.source)
    for package, probability in suspects.items():
        if package in modes or probability < NOT_RULED_OUT:
            continue
        chance = f"the readings leave it a chance of {100.0 * probability:.2g} %"
        known = found.get(package)
        if known is not None and known.advice == "replace":
            continue
        reason = chance if known is None else f"{chance}; {known.reason}"
        source = "the readings" if known is None else known.source
        found[package] = Companion(package, package_words(board, package), "test", reason, source)
    # what may well be bad stands before what only goes with it
    return tuple(
        sorted(found.values(), key=lambda one: (one.advice != "replace", -_worth_telling(suspects, one.package)))
    )


def _worth_telling(suspects: Mapping[str, float], package: str) -> float:
    """Return how probable it is that a package is bad [1], 0 where that is next to nothing."""
    probability = suspects.get(package, 0.0)
    return probability if probability >= NOT_RULED_OUT else 0.0


def _goes_with(row: CompanionRow, part: Part) -> bool:
    named = any(fnmatchcase(part.ref, pattern) for pattern in row.with_refs)
    return named or (part.kind in row.with_kinds and bool(part.modes))


def _is_near(where: str, culprit: Place, part: Place) -> bool:
    if where == "board":
        return True
    mine, other = (culprit.position, part.position) if where == "position" else (culprit.leg, part.leg)
    return mine is not None and mine == other


def _stage_fits(
    board: Board, names: list[str], kinds: tuple[str, ...], refs: tuple[str, ...], without: tuple[str, ...]
) -> bool:
    def has(patterns: tuple[str, ...]) -> bool:
        return any(fnmatchcase(name, pattern) for name in names for pattern in patterns)

    of_kind = not kinds or any(part.kind in kinds for part in board.parts.values())
    return of_kind and (not refs or has(refs)) and not (without and has(without))
