"""Look-alikes in words: what these readings cannot tell apart, what can, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from bridge.advise import CERTAIN
from bridge.faults import describe_fault
from bridge.groups import REPLACE_SHARE
from bridge.units import percent
from bridge.wording import joined

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.ranking import Candidate, Group, Ranking

__all__ = ["bad_words", "group_words", "packages_in_words", "suspect_words"]

NAMED = 3  # look-alikes named in one sentence
WORTH_NAMING = 0.02  # of its group
PACKAGES_NAMED = 6

# How a fault of a part is said before its name; modes that are not here are said behind it.
BEFORE = {
    "ce-short": "shorted",
    "short": "shorted",
    "all-short": "fused",
    "open": "open",
    "burst": "burst",
    "ce-leak": "leaking",
    "leak": "leaking",
}
VOWELS = "aeiou"
TEST_FIRST = "test, with a lead lifted where no reading in place tells, and replace if bad,"


def _one_fault(board: Board, part: str, mode: str) -> str:
    word = BEFORE.get(mode)
    if word is None:
        return f"{part} ({describe_fault(board.parts[part], mode).phrase})"
    return f"{'an' if word[0] in VOWELS else 'a'} {word} {part}"


def _in_words(board: Board, candidate: Candidate) -> str:
    if not candidate.faults:
        return "a healthy board"
    return " with ".join(_one_fault(board, guess.part, guess.mode) for guess in candidate.faults)


def packages_in_words(names: tuple[str, ...]) -> str:
    """Return packages as a list in a sentence, a long one cut short.

    Parameters
    ----------
    names : tuple of str
        Packages.

    Examples
    --------
    >>> packages_in_words(("BR_1", "Q_L"))
    'BR_1 and Q_L'
    """
    if not names:
        return "nothing"
    if len(names) > PACKAGES_NAMED:
        return f"{', '.join(names[: PACKAGES_NAMED - 1])} and {len(names) - PACKAGES_NAMED + 1} more"
    return joined(names)


def suspect_words(board: Board, package: str, probability: float) -> str:
    """Return a package with what it does, where it is named after a part, and how suspect it is.

    Parameters
    ----------
    board : Board
        The board.
    package : str
        Name of a package.
    probability : float
        That it is bad [1].
    """
    part = board.parts.get(package)
    role = f"{part.role}, " if part is not None and part.role else ""
    return f"{package} ({role}{percent(probability)})"


def bad_words(ranking: Ranking, bad: Mapping[str, float], *, doubted: bool) -> list[str]:
    """Return what to replace, a sentence for what is bad and one for what is either the one or the other.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    bad : mapping of str to float
        Packages that are likelier bad than good, with how probable that is [1].
    doubted : bool
        Whether something is to be cleared up before anything is replaced.
    """
    either = _alternatives(ranking, [package for package, share in bad.items() if share < CERTAIN])
    named = {package: suspect_words(ranking.board, package, share) for package, share in bad.items()}
    clear = tuple(words for package, words in named.items() if package not in either)
    said = []
    if clear:
        said.append(f"{'Suspect, but do not replace yet,' if doubted else 'Replace'} {joined(clear)}.")
    if either:
        one_of = joined([named[package] for package in either])
        what = "replace both"
        if doubted:
            what = "suspect both, but do not replace yet"
        elif ranking.separable_in_place(ranking.groups[0]):
            what = "take a further reading that tells them apart, or replace both"
        said.append(f"One of {one_of} is bad, perhaps both; these readings cannot tell which: {what}.")
    return said


def _alternatives(ranking: Ranking, packages: Sequence[str]) -> tuple[str, ...]:
    """Return two packages that stand for one fault, of which the readings do not tell where it is; none otherwise.

    They do where, among what looks like the likeliest explanation, either is likelier to be the only bad one of the two
    than both together are.
    """
    if len(packages) != 2 or not ranking.groups:
        return ()
    alone = dict.fromkeys(packages, 0.0)
    together = 0.0
    for candidate in ranking.candidates:
        here = candidate.packages(ranking.board) & alone.keys()
        if len(here) == 2:
            together += candidate.probability
        elif here and candidate.group == ranking.groups[0].id:
            alone[min(here)] += candidate.probability
    return tuple(packages) if min(alone.values()) > together else ()


def group_words(ranking: Ranking, group: Group) -> str:
    """Return what a group means, in one sentence.

    Parameters
    ----------
    ranking : Ranking
        The ranking it belongs to.
    group : Group
        The group.
    """
    board = ranking.board
    members = [ranking.candidates[member] for member in group.members]
    if group.rest:
        return (
            f"What is left over: {group.size} possibilities, each below one in ten thousand; some of them these "
            "readings do tell apart, none is worth one more"
        )
    if group.size == 1:
        return f"Nothing else would look like {_in_words(board, members[0])}"
    worth = [one for one in members if one.probability >= WORTH_NAMING * group.probability] or members[:1]
    named = [_in_words(board, one) for one in worth[:NAMED]]
    left = group.size - len(named)
    if left:
        named.append(f"{left} rarer cause{'' if left == 1 else 's'}")
    told = f"These readings cannot tell {' from '.join(named[:2])}"
    told += f", nor from {' or '.join(named[2:])}" if len(named) > 2 else ""
    some = "nothing in place can" if group.size == 2 else "not all of them can be told apart in place"
    separable = ranking.separable_in_place(group)
    apart = "a further reading in place can" if separable else some
    return f"{told}; {apart}: {_what_to_do(board, group, members, separable)}"


def _what_to_do(board: Board, group: Group, members: Sequence[Candidate], separable: bool) -> str:
    """Return what to replace: what is bad under nearly all members first, then what may be."""
    if not group.replace:
        return "nothing need be replaced"
    if len(group.replace) == 1:
        return f"one package, replace it ({group.replace[0]})"
    held = dict.fromkeys(group.replace, 0.0)
    for one in members:
        for package in one.packages(board) & held.keys():
            held[package] += one.probability
    certain = tuple(name for name in group.replace if held[name] >= REPLACE_SHARE * group.probability)
    open_ones = tuple(name for name in group.replace if name not in certain)
    way = "take it before you replace" if separable else TEST_FIRST
    if not open_ones:
        return f"the same parts either way, replace {packages_in_words(certain)}"
    if not certain:
        return f"{way} {packages_in_words(open_ones)}"
    return f"{packages_in_words(certain)} in any case, and {way} {packages_in_words(open_ones)}"
