"""What readings of a puzzle leave open: one weighing, that of a ranking, for the key's best sequence and for a play.

An explanation that replaces the answer and something more is no other answer to what the readings show. But where it is
probable, and a reading within reach would exclude it, somebody with experience takes that reading before the board goes
back: a shorted switch often takes the other one of its leg along. Readings settle an answer when its parts are as
probably bad as is acted on, and no other list that can be excluded is at one in ten.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.advise import CERTAIN
from bridge.board import Board
from bridge.faults import Fault
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.puzzlebench import possible_errors
from bridge.puzzlefile import Key
from bridge.puzzlerows import Rows, rows_of_errors, rows_of_sets
from bridge.puzzlesheet import puzzle_probings
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage

__all__ = ["WELL_OPEN", "Standing", "Weighing", "list_shares", "stated_share"]

Array = NDArray[np.float64]

LEAST_SHARE = 1e-4  # what is less probable is not weighed closely; before the first reading pairs are not at all
LOOKED_AT = 60  # explanations of each ranking among which readings are compared
WELL_OPEN = 0.10  # another list this probable is looked into before anything is replaced; common practice, no source


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand after some readings.

    Parameters
    ----------
    ranking : Ranking
        What the readings say.
    shares : dict of frozenset of str to float
        How probable each list is, an error of the bench in angle brackets, most probable first [1].
    exact : float
        How probable the right lists are, nothing more replaced [1].
    right : float
        How probable it is that what is to be replaced holds a right list [1].
    rival : float
        How probable the likeliest other list is that some reading within reach excludes [1].
    """

    ranking: Ranking
    shares: dict[frozenset[str], float]
    exact: float
    right: float
    rival: float

    def settles(self, stated: float = CERTAIN) -> bool:
        """Return whether the answer can be acted on, and no other is well open.

        Parameters
        ----------
        stated : float
            How probable the answer must be [1].
        """
        return self.right >= stated and self.rival <= WELL_OPEN

    def bits_since(self, earlier: Standing) -> float:
        """Return log2 of how many times more probable the right lists have become, nothing more replaced [bit].

        Parameters
        ----------
        earlier : Standing
            Before.
        """
        return math.log2(max(self.exact, LEAST_SHARE) / max(earlier.exact, LEAST_SHARE))

    def settled_beside(self, best: Standing) -> float:
        """Return how far the answer is settled, 1 for as far as it has to be, or as the best sequence takes it.

        Parameters
        ----------
        best : Standing
            After the best sequence.
        """
        enough, allowed = min(best.right, CERTAIN), max(best.rival, WELL_OPEN)
        held = min(self.right / enough, 1.0) if enough > 0.0 else 1.0
        return min(held, allowed / self.rival if self.rival > allowed else 1.0)


def stated_share(ranking: Ranking) -> float:
    """Return how probable the bench is as stated; 0 where a ranking takes it for another and is about that one [1].

    Parameters
    ----------
    ranking : Ranking
        What readings say; before the first one nothing is suspected of the bench.
    """
    if not ranking.setup:
        return 1.0
    first = ranking.setup[0]
    return first.probability if first.what == "as-stated" else 0.0


def list_shares(ranking: Ranking) -> dict[frozenset[str], float]:
    """Return how probable each list is, errors of the bench among them, most probable first [1].

    Parameters
    ----------
    ranking : Ranking
        What readings say. Where it takes the bench to be in error its lists are for that bench, and are left out.
    """
    shares = {frozenset((f"<{one.what}>",)): one.probability for one in ranking.setup if one.what != "as-stated"}
    stated = stated_share(ranking)
    if stated:
        shares |= {packages: stated * share for packages, share in ranking.replace_lists.items()}
    return dict(sorted(shares.items(), key=lambda item: (-item[1], sorted(item[0]))))


class Weighing:
    """Weighs readings of one puzzle against its answer.

    Parameters
    ----------
    board, meter, setup
        The bench as stated.
    reach : str
        How far readings may go.
    damage : tuple of (Fault, float or None)
        What was planted, with resistances [ohm].
    answers : sequence of frozenset of str
        The right lists; an error of the bench in angle brackets, the empty one for a good board.
    """

    def __init__(
        self,
        board: Board,
        meter: MeterProfile,
        setup: Setup,
        reach: str,
        damage: Damage,
        answers: Sequence[frozenset[str]],
    ) -> None:
        self.board, self.meter, self.setup = board, meter, setup
        self.probings = puzzle_probings(board, reach)
        self.damage, self.answers = tuple(damage), tuple(answers)

    @classmethod
    def of_key(cls, key: Key, board: Board, meter: MeterProfile, setup: Setup) -> Weighing:
        """Return the weighing of a key's puzzle.

        Parameters
        ----------
        key : Key
            The key.
        board, meter, setup
            The bench as stated.
        """
        damage = tuple((Fault(one.part, one.mode), one.ohms) for one in key.faults)
        return cls(board, meter, setup, key.puzzle.reach, damage, [frozenset(answer) for answer in key.answers])

    def after(self, readings: Sequence[Reading], memory: TableMemory | None = None) -> Standing:
        """Return how things stand after some readings, at least one.

        Parameters
        ----------
        readings : sequence of Reading
            The readings, in their order.
        memory : TableMemory, optional
            What earlier weighings of this board worked out.
        """
        return self.judge(rank(self.board, self.meter, self.setup, readings, memory=memory))

    def judge(self, ranking: Ranking) -> Standing:
        """Return how things stand by a ranking.

        Parameters
        ----------
        ranking : Ranking
            What some readings say.
        """
        shares = list_shares(ranking)
        exact = sum(share for packages, share in shares.items() if packages in self.answers)
        right = sum(share for packages, share in shares.items() if self._holds(packages))
        rival = 0.0
        for packages, share in shares.items():
            if packages in self.answers or share <= rival:
                continue
            if share > WELL_OPEN and self._holds(packages):
                share *= self._excluded(ranking, packages)
            rival = max(rival, share)
        return Standing(ranking, shares, exact, right, rival)

    def _holds(self, packages: frozenset[str]) -> bool:
        return any(answer <= packages if answer else not packages for answer in self.answers)

    def _excluded(self, ranking: Ranking, packages: frozenset[str]) -> float:
        """Return which share of a list some reading within reach tells from what was planted [1]."""
        parts = self.board.parts
        sets: list[tuple[Damage, float]] = [(self.damage, 0.0)]
        for one in ranking.candidates:
            if frozenset(parts[guess.part].package for guess in one.faults) == packages:
                sets.append(
                    (tuple((Fault(guess.part, guess.mode), guess.ohms) for guess in one.faults), one.probability)
                )
        rows = rows_of_sets(self.board, self.meter, self.setup, self.probings, sets)
        apart = np.atleast_1d(rows.apart(0).any(axis=0))[1:]
        weights = np.array([share for _, share in sets[1:]])
        return float(weights[apart].sum() / weights.sum())

    def explanations(self, standings: Sequence[Standing], probings: Sequence[Probing]) -> tuple[Rows, list[Array]]:
        """Return what any of some standings holds probable, and how probable each one holds it.

        Parameters
        ----------
        standings : sequence of Standing
            The standings.
        probings : sequence of Probing
            Placements to compare.

        Returns
        -------
        rows : Rows
            The explanations.
        weights : list of ndarray, explanations
            For each standing [1].
        """
        board, meter, setup = self.board, self.meter, self.setup
        sets: dict[tuple[Fault, ...], Damage] = {}
        shares: list[dict[tuple[Fault, ...], float]] = []
        for standing in standings:
            shares.append({})
            for damage, share in _likeliest(standing.ranking):
                faults = tuple(fault for fault, _ in damage)
                sets[faults] = damage
                shares[-1][faults] = share
        errors = possible_errors(board, setup)
        rows = rows_of_errors(board, meter, setup, probings, errors)
        if sets:
            rows = rows_of_sets(board, meter, setup, probings, [(one, 0.0) for one in sets.values()]).with_more(rows)
        weights = [
            np.array(
                [
                    *(mine.get(faults, 0.0) for faults in sets),
                    *(standing.shares.get(frozenset((f"<{one}>",)), 0.0) for one in errors),
                ]
            )
            for standing, mine in zip(standings, shares, strict=True)
        ]
        return rows, weights


def _likeliest(ranking: Ranking) -> list[tuple[Damage, float]]:
    """Return the first explanations of a ranking in the stated bench, and how probable each is."""
    stated = stated_share(ranking)
    if not stated:
        return []
    return [
        (tuple((Fault(guess.part, guess.mode), guess.ohms) for guess in one.faults), stated * one.probability)
        for one in ranking.candidates[:LOOKED_AT]
    ]
