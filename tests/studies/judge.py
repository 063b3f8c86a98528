"""How one ranking came out against what was planted."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.ranking import Ranking
from bridge.virtualboard import Damage
from tests.studies.scores import repair_utility
from tests.studies.trace import Trace


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one board came out.

    Parameters
    ----------
    count : int
        Faults planted.
    traceable : int
        Faults that leave a trace on the sheet; a damage whose faults mask one another counts with all of them.
    masked : bool
        Whether they mask one another.
    first_group : bool
        Whether the first group holds the damage, or what of it leaves a trace.
    complete : bool
        Whether ``replace`` of the first group holds every package that leaves a trace.
    size : int
        Packages in that list.
    stated : float
        Probability of the first group [1].
    holds : bool
        Whether the damage as planted lies in the first group: what its probability speaks of.
    utility : float
        Repair utility of the leading candidate [1].
    fit : bool
        Whether something modelled explains the readings.
    setup : str
        The state of the bench held most likely.
    worst : int or None
        Reading named as the worst.
    stands : bool
        Whether a bench session would have given its verdict by these readings.
    thumb, nearest : bool
        Whether the rule of thumb and the dictionary name the packages that leave a trace, and no others.
    truth : str
        The damage in words.
    setup_shows : bool
        Whether a bench that is not as stated leaves a trace on the sheet.
    """

    count: int
    traceable: int
    masked: bool
    first_group: bool
    complete: bool
    size: int
    stated: float
    holds: bool
    utility: float
    fit: bool
    setup: str
    worst: int | None
    thumb: bool
    nearest: bool
    truth: str
    stands: bool = False
    setup_shows: bool = False


def judge(ranking: Ranking, damage: Damage, left: Trace, thumb: frozenset[str], nearest: frozenset[str]) -> Verdict:
    """Compare a ranking with what was planted.

    Parameters
    ----------
    ranking : Ranking
        What the readings led to.
    damage : tuple of (Fault, float or None)
        What was planted.
    left : Trace
        What of it leaves a trace.
    thumb, nearest : frozenset of str
        Packages that the rivals name.
    """
    board = ranking.board
    planted = tuple(fault for fault, _ in damage)
    seen = planted if left.masked else left.seen
    whole = frozenset((fault.part, fault.mode) for fault in planted)
    part = frozenset((fault.part, fault.mode) for fault in seen)
    place = {
        frozenset((guess.part, guess.mode) for guess in one.faults): one.group
        for one in ranking.candidates
        if len(one.faults) <= len(whole)
    }
    packages = frozenset(board.parts[fault.part].package for fault in seen)
    first = ranking.groups[0]
    leader = frozenset(board.parts[guess.part].package for guess in ranking.candidates[0].faults)
    every = frozenset(one.package for one in board.parts.values())
    return Verdict(
        count=len(damage),
        traceable=len(seen),
        masked=left.masked,
        first_group=0 in (place.get(whole), place.get(part)),
        complete=packages <= set(first.replace),
        size=len(first.replace),
        stated=first.probability,
        holds=place.get(whole) == 0,
        utility=repair_utility(packages, leader, len(every)),
        fit=ranking.fit.ok,
        setup=ranking.setup[0].what,
        worst=ranking.fit.worst_reading,
        thumb=thumb == packages,
        nearest=nearest == packages,
        truth=" ".join(f"{fault}" + ("" if ohms is None else f":{ohms:.3g}") for fault, ohms in damage) or "healthy",
    )
