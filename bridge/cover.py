"""What readings can tell apart on a board, with how much effort, and what never shows.

The efforts: main terminals alone, gate leads and pads as well, held gates as well, one pin lifted. Looked at are single
faults, each at the median of its severity.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bridge.advise import EFFORTS, Reach
from bridge.board import Board
from bridge.boarddisplays import BoardDisplays, displays_of
from bridge.circuit import build_circuit
from bridge.faults import Fault, list_faults
from bridge.meter import MeterProfile
from bridge.partkinds import PART_KINDS
from bridge.priors import Priors
from bridge.probing import Probing, Setup
from bridge.separate import CLEAR_DISTANCE, reachable_probings

__all__ = ["Cover", "CoverGroup", "Tier", "cover_board"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tier:
    """What can be told with a given effort.

    Parameters
    ----------
    effort : str
        ``terminals``, ``gates``, ``holds`` or ``lift``, each with all before it.
    shows : int
        Faults that some reading tells from the healthy board.
    shows_share : float
        Their share of the bench weight of all single faults [1].
    groups : int
        Groups of faults that no reading tells apart, the healthy board's group left out.
    alone : int
        Faults that are told from every other.
    decided : int
        Faults whose whole group lies in one package: what to replace is decided.
    decided_share : float
        Their share of the bench weight [1].
    """

    effort: str
    shows: int
    shows_share: float
    groups: int
    alone: int
    decided: int
    decided_share: float


@dataclass(frozen=True, slots=True)
class CoverGroup:
    """Faults that nothing tells apart.

    Parameters
    ----------
    faults : tuple of Fault
        Its members, the most usual first.
    packages : tuple of str
        The packages they lie in.
    share : float
        Their share of the bench weight [1].
    """

    faults: tuple[Fault, ...]
    packages: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class Cover:
    """What readings can tell apart on a board.

    Parameters
    ----------
    board : Board
        The board.
    faults : int
        Single faults there are.
    readings : tuple of int
        Readings there are with each effort but lifting.
    tiers : tuple of Tier
        With each effort.
    in_place : tuple of CoverGroup
        Groups across more than one package when everything in place was read, the weightiest first.
    hidden_in_place : tuple of Fault
        Faults that no reading in place tells from the healthy board.
    hidden : tuple of Fault
        Those that do not even show with one of their pins lifted.
    boards : tuple of Fault or None
        The healthy board, None, then each fault.
    effort_needed : ndarray, boards x boards
        With which of `EFFORTS` two boards are first told apart; their number where never.
    """

    board: Board
    faults: int
    readings: tuple[int, ...]
    tiers: tuple[Tier, ...]
    in_place: tuple[CoverGroup, ...]
    hidden_in_place: tuple[Fault, ...]
    hidden: tuple[Fault, ...]
    boards: tuple[Fault | None, ...]
    effort_needed: NDArray[np.intp] = field(repr=False, compare=False)


def cover_board(board: Board, meter: MeterProfile, setup: Setup) -> Cover:
    """Return what readings can tell apart on a board.

    Parameters
    ----------
    board, meter, setup
        The bench.
    """
    faults = list_faults(board, list(build_circuit(board, setup).parts))
    log_weight = Priors.for_board(board, faults).log_single
    weight = np.exp(log_weight - np.max(log_weight))
    weight = weight / np.sum(weight)
    sets: list[list[tuple[Fault, float | None]]] = [[]]
    sets += [[(fault, None)] for fault in faults]
    probings = reachable_probings(board)
    shown = displays_of(board, meter, setup, sets, probings)
    apart = np.zeros((len(sets), len(sets)), dtype=bool)
    tiers, counts = [], []
    labels = np.zeros(len(sets), dtype=np.intp)
    needed = np.full(apart.shape, len(EFFORTS), dtype=np.intp)
    for effort in EFFORTS[:-1]:
        allowed = Reach(effort)
        rows = [row for row, probing in enumerate(probings) if allowed.allows(board, probing)]
        for row in rows:
            apart |= _told_apart(shown, row)
        counts.append(len(rows))
        needed[apart] = np.minimum(needed[apart], EFFORTS.index(effort))
        labels = _partition(apart, weight)
        tiers.append(_tier(effort, board, faults, weight, apart, labels))
    in_place = _groups(board, faults, weight, labels)
    hidden_in_place = tuple(fault for number, fault in enumerate(faults, 1) if not apart[0, number])
    _lift(board, meter, setup, faults, labels, apart)
    tiers.append(_tier(EFFORTS[-1], board, faults, weight, apart, _partition(apart, weight)))
    hidden = tuple(fault for number, fault in enumerate(faults, 1) if not apart[0, number])
    needed[apart] = np.minimum(needed[apart], len(EFFORTS) - 1)
    told = tuple(counts), tuple(tiers), in_place, hidden_in_place, hidden
    return Cover(board, len(faults), *told, boards=(None, *faults), effort_needed=needed)


def _told_apart(shown: BoardDisplays, row: int) -> Flags:
    """Return which pairs of boards one reading tells apart, boards x boards."""
    place, sd = shown.on_scale(row, shown.own_sd[row])
    is_open = np.isinf(place)
    place = np.where(is_open, 0.0, place)
    gap = np.abs(place[:, None] - place[None, :])
    clear: Flags = gap > CLEAR_DISTANCE * np.hypot(sd[:, None], sd[None, :])
    one_open: Flags = is_open[:, None] != is_open[None, :]
    both_open = is_open[:, None] & is_open[None, :]
    known = ~np.isnan(place)
    return np.asarray(((clear & ~both_open) | one_open) & known[:, None] & known[None, :])


def _partition(apart: Flags, weight: Array) -> NDArray[np.intp]:
    """Return a label for each board: the weightiest not yet grouped leads and takes all it is not told from.

    The healthy board leads the first group, label 0.
    """
    labels = np.full(len(apart), -1, dtype=np.intp)
    order = [0, *(1 + np.argsort(-weight, kind="stable")).tolist()]
    label = 0
    for leader in order:
        if labels[leader] >= 0:
            continue
        labels[(labels < 0) & ~apart[leader]] = label
        label += 1
    return labels


def _tier(
    effort: str, board: Board, faults: Sequence[Fault], weight: Array, apart: Flags, labels: NDArray[np.intp]
) -> Tier:
    shows = apart[0, 1:]
    package = [board.parts[fault.part].package for fault in faults]
    mine = labels[1:]
    groups = [np.flatnonzero(mine == label) for label in range(1, int(labels.max()) + 1)]
    decided = np.zeros(len(faults), dtype=bool)
    alone = 0
    for members in groups:
        decided[members] = len({package[member] for member in members.tolist()}) == 1
        alone += len(members) == 1
    decided &= shows
    return Tier(
        effort,
        int(np.sum(shows)),
        float(np.sum(weight[shows])),
        len(groups),
        alone,
        int(np.sum(decided)),
        float(np.sum(weight[decided])),
    )


def _groups(board: Board, faults: Sequence[Fault], weight: Array, labels: NDArray[np.intp]) -> tuple[CoverGroup, ...]:
    found = []
    for label in range(1, int(labels.max()) + 1):
        members = np.flatnonzero(labels[1:] == label)
        members = members[np.argsort(-weight[members], kind="stable")]
        here = tuple(faults[member] for member in members.tolist())
        packages = tuple(dict.fromkeys(board.parts[fault.part].package for fault in here))
        if len(packages) > 1:
            found.append(CoverGroup(here, packages, float(np.sum(weight[members]))))
    return tuple(sorted(found, key=lambda group: -group.share))


def _lift(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    faults: Sequence[Fault],
    labels: NDArray[np.intp],
    apart: Flags,
) -> None:
    """Mark, in place, what is told apart by lifting one leg of a part and reading across that part."""
    tried: set[frozenset[str]] = set()
    for label in range(int(labels.max()) + 1):
        members = np.flatnonzero(labels == label)
        if len(members) < 2:
            continue
        sets: list[list[tuple[Fault, float | None]]] = [
            [] if member == 0 else [(faults[member - 1], None)] for member in members.tolist()
        ]
        for ref in dict.fromkeys(faults[member - 1].part for member in members.tolist() if member):
            for pin in board.parts[ref].pins:
                lifted = f"{ref}.{pin}"
                key = frozenset((*board.pins_on_leg(lifted), f"group {label}"))
                if key in tried:
                    continue
                tried.add(key)
                probings = _across(board, ref, lifted)
                shown = displays_of(board, meter, setup, sets, probings, (lifted,))
                for row in range(len(probings)):
                    apart[np.ix_(members, members)] |= _told_apart(shown, row)


def _across(board: Board, ref: str, lifted: str) -> list[Probing]:
    """Return readings across a part with one of its pins lifted."""
    part = board.parts[ref]
    found = []
    for red, black in itertools.permutations(part.pins, 2):
        mode = PART_KINDS[part.kind].mode_between(red, black)
        found.append(Probing(f"{ref}.{red}", f"{ref}.{black}", mode, lift=(lifted,)))
    return found
