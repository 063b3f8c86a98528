"""Whether the simulator's answers are right, before anything is said about how fast they were.

A netlist that is not parsed, a fault that is not altered and an analysis that gives up are all quick. So only answers
that agree with ours count, nearly all have to, and enough of them have to differ from the healthy board's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tests.crosscheck.compare import Tally, allowed
from tests.crosscheck.predicted import Question

LEAST_RIGHT = 0.8
LEAST_MOVED = 0.1


class WrongAnswersError(Exception):
    """The two sides did not answer alike, so their times cannot be compared."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Which of many answers were right.

    Parameters
    ----------
    right : tuple of int
        Numbers of the questions answered alike: within 1 mV, or 0.5 % of a resistance; OL against OL.
    asked : int
        Questions put.
    moved : int
        Right answers that are not what the healthy board reads.
    complaint : str
        What was wrong with the others, a few of each.
    """

    right: tuple[int, ...]
    asked: int
    moved: int
    complaint: str


def judge(
    asked: Sequence[Question], ours: Sequence[float], jacks: Sequence[float], healthy: Sequence[float]
) -> Verdict:
    """Return which answers are right.

    Parameters
    ----------
    asked : sequence of Question
        The questions.
    ours, healthy : sequence of float
        Our displays of the damaged and of the healthy board, infinity for OL [V] or [ohm].
    jacks : sequence of float
        The simulator's voltages at the meter's jacks, NaN where it had no answer [V].
    """
    right: list[int] = []
    whole = Tally()
    moved = 0
    for number, (question, mine, theirs, good) in enumerate(zip(asked, ours, jacks, healthy, strict=True)):
        one = Tally()
        one.add(question, mine, theirs)
        whole.add(question, mine, theirs)
        if one.complaint():
            continue
        right.append(number)
        moved += differ(question, mine, good)
    return Verdict(tuple(right), len(asked), moved, whole.complaint())


def differ(question: Question, one: float, other: float) -> bool:
    """Return whether two displays [V] or [ohm] are further apart than two right answers to a question may be."""
    if math.isinf(one) or math.isinf(other):
        return math.isinf(one) != math.isinf(other)
    return abs(one - other) > allowed(question.meter_range, other)


def demand(verdict: Verdict, least: float = LEAST_RIGHT) -> None:
    """Raise WrongAnswersError unless enough answers are right and enough of them show the damage.

    Parameters
    ----------
    verdict : Verdict
        The verdict.
    least : float
        Share of the questions that have to be answered right [1].
    """
    if not verdict.asked:
        raise WrongAnswersError("nothing was asked")
    if len(verdict.right) < least * verdict.asked:
        raise WrongAnswersError(f"{len(verdict.right)} of {verdict.asked} answers are right; {verdict.complaint}")
    if verdict.moved < LEAST_MOVED * len(verdict.right):
        raise WrongAnswersError(
            f"only {verdict.moved} of {len(verdict.right)} right answers differ from the healthy board: no proof that "
            "the damage was there"
        )
