"""Damage patterns as puzzles: three or four faults that go together, drawn, and proved to be the one right answer.

Singles and pairs can all be weighed; larger sets cannot, there are too many. What is proved of a pattern is this. No
single fault and no pair comes as near to the readings as it does, at their best resistances: each of them is asked,
as for any puzzle. None of its parts does either. For sets of three and more the ranking speaks, which grows them from
the best smaller ones: its probability is on explanations that replace all that the pattern has damaged, and no other
set it lists makes the readings about as likely, priors aside. A larger set that the ranking does not come by is not
asked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault, Hypothesis
from bridge.faultspace import FaultSpace
from bridge.likelihood import ReadingModel, model_readings
from bridge.meter import MeterProfile
from bridge.patterns import SMALLEST_SET
from bridge.probing import Probing, Setup
from bridge.puzzledraw import Wish
from bridge.puzzlefit import AS_GOOD, best_misfits
from bridge.puzzleopen import list_shares, stated_share
from bridge.puzzleproof import (
    BETTER,
    BY_THE_BENCH,
    CLOSE_NATS,
    MOST_NATS,
    PART_OF_IT,
    Proof,
    Prover,
    Rejected,
    nearest_of,
)
from bridge.puzzlerows import packages_of, rows_of_sets
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.virtualboard import Damage, draw_ohms

__all__ = ["PatternProver", "Patterns", "draw_pattern", "wished_patterns"]

LARGEST_SET = 4  # a trainee still tells what each of so many does to the readings
AT_ONCE, TURNS = 10, 6  # sets drawn together, and how often, until one shows as a whole
STEPS = 6  # of Gauss and Newton: what is left of a pattern has to make up for the rest


@dataclass(frozen=True, slots=True)
class Patterns:
    """Sets of three and four faults that damage patterns leave on a board.

    Parameters
    ----------
    sets : tuple of tuple of Fault
        The sets; empty where no pattern strikes.
    chance : ndarray, sets
        How probable each is, given that it is one of them [1].
    """

    sets: tuple[Hypothesis, ...]
    chance: NDArray[np.float64]


def wished_patterns(space: FaultSpace, wish: Wish, allowed: NDArray[np.bool_]) -> Patterns:
    """Return the damage patterns to draw from; none where a wish has none planted.

    Parameters
    ----------
    space : FaultSpace
        The faults of a board.
    wish : Wish
        What is wanted.
    allowed : ndarray of bool, faults
        The faults that may be drawn; at least one of each set is among them.

    Raises
    ------
    InputError
        Patterns are wanted, and none strikes this board, or none with a fault that may be drawn.
    """
    if "pattern" not in wish.plants:
        return Patterns((), np.zeros(0))
    mine = {fault for fault, may in zip(space.faults, allowed.tolist(), strict=True) if may}
    every = [one for one in space.priors.patterns() if len(one.faults) <= LARGEST_SET]
    found = [one for one in every if mine & set(one.faults)]
    if not found:
        which = "with what --part, --leg and --kind name" if every else "of three or four faults"
        raise InputError(
            f"'pattern': {space.board.name} has no damage pattern {which}; accepted: single or pair"
            f"{', or other parts' if every else ''}",
            where="--plant",
        )
    chance = np.exp([one.log_prior - found[0].log_prior for one in found])
    return Patterns(tuple(one.faults for one in found), chance / chance.sum())


def draw_pattern(
    patterns: Patterns,
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    rng: np.random.Generator,
) -> Damage:
    """Return a damage pattern every fault of which shows: without any of them the nominal board reads otherwise.

    Parameters
    ----------
    patterns : Patterns
        What to draw from, at least one set.
    board, meter, setup
        The bench as stated.
    probings : sequence of Probing
        Readings within reach.
    rng : numpy.random.Generator
        Source of chance.

    Raises
    ------
    Rejected
        Of no set drawn every fault shows. Behind a shorted switch most of what is wrong with its driver does not.
    """
    for _ in range(TURNS):
        drawn: list[Damage] = []
        for number in rng.choice(len(patterns.sets), AT_ONCE, p=patterns.chance).tolist():
            drawn.append(tuple((fault, draw_ohms(board, fault, rng)) for fault in patterns.sets[number]))
        asked = [[one, *_parts(one)] for one in drawn]
        rows = rows_of_sets(board, meter, setup, probings, [(one, 0.0) for several in asked for one in several])
        begin = 0
        for one in asked:
            if rows.apart(begin)[:, begin + 1 : begin + len(one)].any(axis=0).all():
                return one[0]
            begin += len(one)
    raise Rejected(PART_OF_IT)


def _parts(damage: Damage) -> list[Damage]:
    """Return every proper part of some faults, one at least."""
    return [part for size in range(1, len(damage)) for part in combinations(damage, size)]


class PatternProver(Prover):
    """A prover that also knows sets of three and more faults; what it takes, :class:`Prover` says."""

    def prove(self, damage: Damage, readings: Sequence[Reading]) -> Proof:
        """Return why the readings leave one answer.

        Parameters
        ----------
        damage, readings
            As for :meth:`Prover.prove`; a set of three and more faults is proved as this module says.

        Raises
        ------
        Rejected
            They do not.
        """
        if len(damage) < SMALLEST_SET:
            return super().prove(damage, readings)
        models = model_readings(readings, self.meter)
        self._judge_parts(models, damage)
        planted = tuple(sorted(self._number[fault] for fault, _ in damage))
        answers = [packages_of(self.board, damage)]
        self._judge_fits(models, damage, planted, answers)
        # no memory of other draws: the same seed gives the same key
        return self._prove_ranked(rank(self.board, self.meter, self.setup, readings), damage, planted, answers)

    def _judge_parts(self, models: Sequence[ReadingModel], damage: Damage) -> None:
        """Reject a draw of which a part fits as well as the whole, wherever its faults sit."""
        every = [damage, *_parts(damage)]
        sets = [tuple(self._number[fault] for fault, _ in one) for one in every]
        ohms = [tuple(math.nan if value is None else value for _, value in one) for one in every]
        whole, *parts = best_misfits(self.table, models, sets, ohms, STEPS).tolist()
        if not math.isfinite(whole):
            raise Rejected(BETTER)
        if min(parts) < whole + AS_GOOD:
            raise Rejected(PART_OF_IT)

    def _prove_ranked(
        self, ranking: Ranking, damage: Damage, planted: tuple[int, ...], answers: list[frozenset[str]]
    ) -> Proof:
        if not stated_share(ranking):
            raise Rejected(BY_THE_BENCH)
        if not ranking.fit.ok:
            raise Rejected("the ranking does not explain the readings")
        evidence = self._evidence(ranking)
        truth = evidence.get(planted)
        if truth is None:
            raise Rejected(BETTER)
        for faults, log in sorted(evidence.items(), key=lambda item: -item[1]):
            if log > truth - CLOSE_NATS:
                self._take_or_reject(faults, answers, damage)
        probability = math.fsum(
            share for packages, share in list_shares(ranking).items() if any(answer <= packages for answer in answers)
        )
        if probability < self.stated:
            raise Rejected("the answer is not probable enough")
        others = {
            faults: log
            for faults, log in evidence.items()
            if not any(answer <= self._packages(faults) for answer in answers)
        }
        nearest = nearest_of(others)
        same = [
            faults
            for faults, log in sorted(evidence.items(), key=lambda item: -item[1])
            if faults != planted
            and len(faults) <= len(planted)
            and self._packages(faults) in answers
            and log > truth - CLOSE_NATS
        ]
        larger = sum(len(faults) >= SMALLEST_SET for faults in evidence)
        return Proof(
            answers=tuple(tuple(sorted(answer)) for answer in answers),
            probability=min(probability, 1.0),
            gap_nats=min(truth - others[nearest] if others else math.inf, MOST_NATS),
            nearest=tuple(self.space.faults[fault] for fault in nearest),
            same=tuple(tuple(self.space.faults[fault] for fault in faults) for faults in (planted, *same)),
            readings=tuple(range(len(self.probings))),
            weighed=1 + len(self.space.singles) + len(self._pair[0]) + larger,
        )

    def _evidence(self, ranking: Ranking) -> dict[tuple[int, ...], float]:
        """Return how likely each set that a ranking lists makes the readings, in nats from a level of its own."""
        by_size: dict[int, list[tuple[tuple[int, ...], float]]] = {}
        for one in ranking.candidates:
            if one.probability > 0.0:
                faults = tuple(sorted(self._number[Fault(guess.part, guess.mode)] for guess in one.faults))
                by_size.setdefault(len(faults), []).append((faults, math.log(one.probability)))
        evidence: dict[tuple[int, ...], float] = {}
        for size, several in by_size.items():
            log_prior = self._log_priors(np.array([faults for faults, _ in several], dtype=np.intp), size)
            evidence |= {faults: log - prior for (faults, log), prior in zip(several, log_prior, strict=True)}
        return evidence

    def _log_priors(self, sets: NDArray[np.intp], size: int) -> list[float]:
        priors = self.space.priors
        if size == 0:
            return [priors.log_healthy]
        if size == 1:
            return list(priors.log_single[sets[:, 0]].tolist())
        found = priors.log_pair(sets[:, 0], sets[:, 1]) if size == 2 else priors.log_sets(sets)
        return list(found.tolist())

    def modes_left(
        self, planted: Sequence[Fault], packages: frozenset[str], readings: Sequence[Reading]
    ) -> list[tuple[Fault, ...]]:
        """Return which faults of some packages the readings leave open, all of these packages bad and no other.

        Parameters
        ----------
        planted, packages, readings
            As for :meth:`Prover.modes_left`.

        Returns
        -------
        list of tuple of Fault
            As there; where three and more faults were planted, those among what the ranking lists.
        """
        if len(planted) < SMALLEST_SET:
            return super().modes_left(planted, packages, readings)
        ranking = rank(self.board, self.meter, self.setup, readings)
        if not stated_share(ranking):
            return []
        number = tuple(sorted(self._number[fault] for fault in planted))
        return self._left(self._evidence(ranking), number, packages)
