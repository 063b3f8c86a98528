"""Damage patterns of the fault table on one board: sets of faults that go together, and how probable each is.

A pattern strikes at a site (a leg, a position, a package, the board). Its participants fail independently, so
the probability of any set is a product, and the patterns need not be spelled out to be summed over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.faults import Fault
from bridge.faulttable import Pattern, fault_table, matches
from bridge.places import Place, place_parts

__all__ = ["SMALLEST_SET", "Strike", "list_strikes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SMALLEST_SET = 3  # singles and pairs are all listed one by one


@dataclass(frozen=True, slots=True)
class _Participant:
    """A part that may take part: its member, the chance that it stays whole, its faults and their chances."""

    member: int
    whole: float
    faults: tuple[int, ...]
    chances: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Strike:
    """One damage pattern at one site of a board.

    Parameters
    ----------
    name : str
        The pattern (``blown leg``).
    share : float
        Probability of this pattern at this site, given that the damage followed a pattern [1].
    """

    name: str
    share: float
    _participants: tuple[_Participant, ...]
    _required: tuple[int, ...]
    _most: int
    _log_whole: float  # ln of the chance that nobody takes part, over the chance of an admissible set
    _log_odds: Array  # faults: ln of failing so over staying whole; minus infinity for outsiders
    _member: Index  # faults: number of the member the fault's part belongs to

    def log_chance(self, sets: Index) -> Array:
        """Return ln of the probability of each set, given this strike.

        Parameters
        ----------
        sets : ndarray of int, sets x size
            Indices of faults of different parts.

        Returns
        -------
        ndarray, sets
            Minus infinity for sets this strike cannot leave.
        """
        count, size = sets.shape
        if not SMALLEST_SET <= size <= self._most:
            return np.full(count, -np.inf)
        chance: Array = self._log_whole + self._log_odds[sets].sum(axis=1)
        for member, need in enumerate(self._required):
            if need:
                chance[(self._member[sets] == member).sum(axis=1) < need] = -np.inf
        return chance

    def likeliest(self, count: int) -> list[tuple[int, ...]]:
        """Return about ``count`` of the likeliest sets, each as rising indices of faults.

        Participants are added one by one and only the best beginnings are kept. As they are independent, no
        better set is lost but for those that the least and the most number of parts rule in.
        """
        members = [one.member for one in self._participants]
        left_of_member = [members.count(number) for number in range(len(self._required))]
        left = len(self._participants)
        chance = np.zeros(1)
        chosen = np.empty((1, 0), dtype=np.intp)  # beginnings x participants: fault index, -1 whole
        size = np.zeros(1, dtype=np.intp)
        have = np.zeros((1, len(self._required)), dtype=np.intp)
        for one in self._participants:
            left -= 1
            left_of_member[one.member] -= 1
            options = np.array((-1, *one.faults), dtype=np.intp)
            failing = (options >= 0).astype(np.intp)
            following = chance[:, np.newaxis] + np.log((one.whole, *one.chances))
            new_size = size[:, np.newaxis] + failing
            member_have = have[:, one.member, np.newaxis] + failing
            admissible = (
                (new_size <= self._most)
                & (new_size + left >= SMALLEST_SET)
                & (member_have + left_of_member[one.member] >= self._required[one.member])
            )
            following[~admissible] = -np.inf
            flat = following.ravel()
            kept = np.argpartition(-flat, count)[:count] if len(flat) > count else np.arange(len(flat))
            kept = kept[np.isfinite(flat[kept])]
            row, column = np.divmod(kept, len(options))
            chance, size = flat[kept], new_size[row, column]
            have = have[row]
            have[:, one.member] = member_have[row, column]
            chosen = np.column_stack((chosen[row], options[column]))
        return [tuple(sorted(fault for fault in row if fault >= 0)) for row in chosen.tolist()]


def _site_of(site: str, place: Place) -> str | None:
    return {"leg": place.leg, "position": place.position, "package": place.package, "board": ""}[site]


def _candidates(
    pattern: Pattern, board: Board, groups: Mapping[str, str], faults: Sequence[Fault]
) -> dict[tuple[int, str], _Participant]:
    """Parts that may take part, by member and name, wherever they sit."""
    index_of: dict[str, dict[str, int]] = {}
    for number, fault in enumerate(faults):
        index_of.setdefault(fault.part, {})[fault.mode] = number
    found: dict[tuple[int, str], _Participant] = {}
    for number, member in enumerate(pattern.member):
        for ref, modes_here in index_of.items():
            chosen = {mode: share for mode, share in member.modes.items() if mode in modes_here}
            wanted = not member.groups or groups[ref] in member.groups
            if chosen and wanted and matches(board.parts[ref], refs=member.refs, kinds=member.kinds):
                total = math.fsum(chosen.values())
                indices = tuple(modes_here[mode] for mode in chosen)
                chances = tuple(member.chance * share / total for share in chosen.values())
                found[(number, ref)] = _Participant(number, 1.0 - member.chance, indices, chances)
    return found


def _participants(
    pattern: Pattern,
    site: str,
    places: Mapping[str, Place],
    candidates: Mapping[tuple[int, str], _Participant],
) -> tuple[_Participant, ...]:
    """Parts that take part at a site, required ones first; a part that two members match joins the first."""
    found: dict[str, _Participant] = {}
    for (number, ref), one in candidates.items():
        within, own = pattern.member[number].within, _site_of(pattern.site, places[ref])
        if within == "board" or own == site or (within == "shared" and own is None):
            found.setdefault(ref, one)
    return tuple(sorted(found.values(), key=lambda one: -pattern.member[one.member].required))


def _admissible_chance(participants: Sequence[_Participant], required: Sequence[int], most: int) -> float:
    """Chance that enough and not too many take part: a sum over head counts, of members and in all."""
    states: dict[tuple[int, tuple[int, ...]], float] = {(0, (0,) * len(required)): 1.0}
    for one in participants:
        following: dict[tuple[int, tuple[int, ...]], float] = {}
        for (size, have), chance in states.items():
            joined = tuple(min(count + (number == one.member), required[number]) for number, count in enumerate(have))
            for state, share in (((size, have), one.whole), ((size + 1, joined), 1.0 - one.whole)):
                following[state] = following.get(state, 0.0) + chance * share
        states = following
    return math.fsum(
        chance for (size, have), chance in states.items() if SMALLEST_SET <= size <= most and have == tuple(required)
    )


def _strikes_of(
    pattern: Pattern, board: Board, faults: Sequence[Fault], first: Array, groups: Mapping[str, str],
    places: Mapping[str, Place],
) -> Iterator[Strike]:  # fmt: skip
    """Yield a pattern at each of its sites; shares are bench weights, not yet scaled."""
    most = fault_table().growth.most_parts
    required = tuple(member.required for member in pattern.member)
    candidates = _candidates(pattern, board, groups, faults)
    sites = dict.fromkeys(
        _site_of(pattern.site, places[ref])
        for number, ref in candidates
        if pattern.site == "board" or pattern.member[number].within != "board"
    )
    for site in sites:
        if site is None:
            continue
        participants = _participants(pattern, site, places, candidates)
        admissible = _admissible_chance(participants, required, most)
        if admissible <= 0.0:
            continue
        log_odds = np.full(len(faults), -np.inf)
        member = np.full(len(faults), -1, dtype=np.intp)
        for one in participants:
            log_odds[list(one.faults)] = np.log(one.chances) - math.log(one.whole)
            member[list(one.faults)] = one.member
        log_whole = math.fsum(math.log(one.whole) for one in participants) - math.log(admissible)
        leading = [k for one in participants if required[one.member] or not any(required) for k in one.faults]
        share = float(first[leading].sum())
        yield Strike(pattern.name, share, participants, required, most, log_whole, log_odds, member)


def list_strikes(board: Board, faults: Sequence[Fault], first: Array, groups: Mapping[str, str]) -> tuple[Strike, ...]:
    """Return every damage pattern at every site of a board where it can leave three or more faults.

    Patterns that cannot strike this board give their share to the others; the sites of a pattern share it by
    the bench weights of the parts it requires there.

    Parameters
    ----------
    board : Board
        The board.
    faults : sequence of Fault
        The faults possible in this set-up.
    first : ndarray, faults
        Bench weight of each fault [1].
    groups : mapping
        Group of each part that has faults.
    """
    places = place_parts(board)
    found: list[tuple[float, list[Strike]]] = []
    for pattern in fault_table().pattern:
        strikes = list(_strikes_of(pattern, board, faults, first, groups, places))
        if strikes:
            found.append((pattern.share, strikes))
    total = math.fsum(share for share, _ in found)
    scaled: list[Strike] = []
    for share, strikes in found:
        of_sites = math.fsum(one.share for one in strikes)
        scaled += [replace(one, share=share / total * one.share / of_sites) for one in strikes]
    return tuple(scaled)
