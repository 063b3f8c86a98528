"""Errors of the set-up in words, and which of them is told before any part."""

from __future__ import annotations

from bridge.ranking import Ranking, SetupBelief
from bridge.units import percent
from bridge.wording import joined

__all__ = ["SETUP_WORDS", "believed_error", "check_first", "other_doubts"]

BELIEVED = 0.5  # an error of the set-up more likely than not is told before any part
WORTH_A_CHECK = 0.2  # probability from which another state of the bench is worth a look

SETUP_WORDS = {
    "as-stated": "the bench is as stated",
    "leads-swapped": "the leads were swapped",
    "motor-connected": "the motor was still connected",
    "coil-connected": "the coil was still connected",
    "transformer-connected": "the transformer was still connected",
    "brake-resistor-connected": "the brake resistor was still connected",
    "bus-charged": "charge was left on the bus",
    "relay-closed": "the relay was closed",
    "gate-charged": "a gate still held charge",
    "other-meter": "another kind of meter was used",
    "wrong-board": "this is another kind of board",
}


def believed_error(ranking: Ranking) -> SetupBelief | None:
    """Return the error of the set-up that is more likely than not; None for none.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    """
    believed = max(ranking.setup, key=lambda belief: belief.probability, default=None)
    errs = believed is not None and believed.what != "as-stated" and believed.probability >= BELIEVED
    return believed if errs else None


def check_first(believed: SetupBelief) -> str:
    """Return in a sentence that the bench is to be checked first.

    Parameters
    ----------
    believed : SetupBelief
        What :func:`believed_error` found.
    """
    words = SETUP_WORDS.get(believed.what, believed.what)
    return f"Check the bench before condemning a part: it looks as if {words} ({percent(believed.probability)})."


def other_doubts(ranking: Ranking) -> list[str]:
    """Return in a sentence which errors of the set-up are worth a look, besides one that heads the verdict.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    """
    said = believed_error(ranking) if ranking.fit.ok else None  # where nothing fits, the verdict says that first
    doubts = [
        f"{SETUP_WORDS.get(belief.what, belief.what)} ({percent(belief.probability)})"
        for belief in ranking.setup
        if belief.what != "as-stated" and belief is not said and belief.probability >= WORTH_A_CHECK
    ]
    return [f"Check the bench too: it may be that {joined(doubts, 'or')}."] if doubts else []
