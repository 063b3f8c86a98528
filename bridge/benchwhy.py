"""What the word ``why`` answers at the bench: the path of the current, what a reading may show, why it is repeated."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.benchcheck import slip_question
from bridge.faults import Fault
from bridge.layout import Page
from bridge.probing import Probing, Setup
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.why import why_sentence

__all__ = ["again_words", "once_more_words", "paths_page"]

PATHS = 2


def paths_page(ranking: Ranking, setup: Setup, probing: Probing) -> Page:
    """Return the path under the two likeliest replace lists, their likeliest faults each.

    Parameters
    ----------
    ranking : Ranking
        What is likeliest.
    setup : Setup
        The state of the bench.
    probing : Probing
        Where the leads are.
    """
    told: dict[frozenset[str], str] = {}
    for candidate in ranking.candidates:
        packages = candidate.packages(ranking.board)
        if not candidate.faults or packages in told:
            continue
        faults = [(Fault(guess.part, guess.mode), guess.ohms) for guess in candidate.faults]
        told[packages] = why_sentence(ranking.board, ranking.meter, setup, faults, probing)
        if len(told) == PATHS:
            break
    return list(told.values())


def again_words(ranking: Ranking, setup: Setup, unsettled: int | None) -> str:
    """Return why a reading that stands is asked for once more.

    Parameters
    ----------
    ranking : Ranking
        The readings that stand.
    setup : Setup
        The state of the bench.
    unsettled : int or None
        The reading whose number may be a slip, counted from 0; None where it is the one that fits worst.
    """
    if unsettled is None:
        return "Of all readings it fits worst: taken again, it shows whether it was misread."
    asked = slip_question(ranking.readings[unsettled], ranking.board, ranking.meter, setup) or ""
    return f"Reading {unsettled + 1} may be a slip of the pen; before that is settled, it condemns nothing. {asked}"


def once_more_words(readings: Sequence[Reading], probing: Probing, unsettled: int | None, *, worst: bool) -> str:
    """Return why a proposed place that was read before is to be read once more; empty where it was not.

    Parameters
    ----------
    readings : sequence of Reading
        The readings that stand.
    probing : Probing
        The proposed reading.
    unsettled : int or None
        The reading whose number may be a slip, counted from 0; None where there is none.
    worst : bool
        Whether it is proposed because it fits worst.
    """
    here = [number for number, one in enumerate(readings) if one.probing == probing]
    if not here:
        return ""
    number = here[-1] if unsettled is None else unsettled
    if unsettled is not None:
        why = "whose number may be a slip"
    elif readings[number].doubted:
        why = "which is marked as doubtful"
    else:
        why = "which fits worst of all" if worst else "which may have been misread"
    return f"This takes reading {number + 1} again, {why}."
