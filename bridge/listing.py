"""From candidates with their probabilities to groups, with what to replace, and suspect parts."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.board import Board
from bridge.groups import smallest_replacement
from bridge.ranking import Candidate, Group, PartSuspicion

__all__ = ["list_groups", "suspect_parts"]


def list_groups(board: Board, candidates: Sequence[Candidate], rest: int) -> tuple[Group, ...]:
    """Return the groups that candidates belong to, in the order of their numbers.

    Parameters
    ----------
    board : Board
        The board.
    candidates : sequence of Candidate
        All of them, the most probable first.
    rest : int
        Number of the group that is none: what is too improbable to be asked what it looks like.
    """
    members: dict[int, list[int]] = {}
    for number, candidate in enumerate(candidates):
        members.setdefault(candidate.group, []).append(number)
    groups = []
    for group in sorted(members):
        mine = members[group]
        some = [candidates[member] for member in mine]
        groups.append(
            Group(
                id=group,
                probability=sum(candidate.probability for candidate in some),
                size=len(mine),
                members=tuple(mine),
                replace=smallest_replacement([(one.packages(board), one.probability) for one in some]),
                rest=group == rest,
            )
        )
    return tuple(groups)


def suspect_parts(board: Board, candidates: Sequence[Candidate]) -> tuple[PartSuspicion, ...]:
    """Return the parts of a board by the probability that they are faulty, the most suspect first.

    Parameters
    ----------
    board : Board
        The board.
    candidates : sequence of Candidate
        All of them.
    """
    total: dict[str, float] = {}
    for candidate in candidates:
        for guess in candidate.faults:
            total[guess.part] = total.get(guess.part, 0.0) + candidate.probability
    return tuple(
        PartSuspicion(part, board.parts[part].package, min(probability, 1.0))
        for part, probability in sorted(total.items(), key=lambda item: (-item[1], item[0]))
    )
