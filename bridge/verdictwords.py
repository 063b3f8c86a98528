"""From a ranking to a verdict: what to replace and how sure that is, in a few sentences."""

from __future__ import annotations

from bridge.advise import CERTAIN
from bridge.groups import suspect_packages
from bridge.groupwords import bad_words, suspect_words
from bridge.health import unlike_a_good_board
from bridge.ranking import Ranking
from bridge.setupwords import believed_error, check_first
from bridge.units import percent
from bridge.wording import joined

__all__ = ["verdict_sentences"]

DECIDED = 0.5  # a package more likely bad than good is to be replaced
WORTH_NAMING = 0.02
OTHERS_NAMED = 3
WORTH_COUNTING = 0.01  # readings no odder than this are odd by what they say, not by how far they are off


def verdict_sentences(ranking: Ranking) -> list[str]:
    """Return what to replace and how sure that is, in a few sentences.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    """
    believed = believed_error(ranking)
    sentences = []
    if not ranking.fit.ok:
        again = "the readings" if ranking.fit.worst_reading is None else "the reading named below"
        sentences.append(
            f"None of the modelled faults explains these readings ({_misfit_words(ranking.fit.misfit)}): check the "
            f"set-up and the board file, and take {again} again."
        )
    elif believed is not None:
        sentences.append(check_first(believed))
    shares = suspect_packages(ranking.replace_lists)
    healthy = sum(entry.probability for entry in ranking.candidates if not entry.faults)
    bad = [package for package in shares if shares[package] >= DECIDED]
    rest = [package for package in shares if package not in bad and shares[package] >= WORTH_NAMING][:OTHERS_NAMED]
    others = [suspect_words(ranking.board, package, shares[package]) for package in rest]
    if bad:
        alone = sum(entry.probability for entry in ranking.candidates if entry.packages(ranking.board) <= set(bad))
        sentences += bad_words(ranking, {package: shares[package] for package in bad}, doubted=bool(sentences))
        if alone >= DECIDED:
            sentences.append(f"Nothing else need be bad ({percent(alone)}).")
            sentences += [f"Not ruled out besides: {joined(others, 'and')}."] if others else []
        else:
            sure = "Something" if 1.0 - alone >= CERTAIN else "Most likely something"
            sentences.append(f"{sure} else is bad, too ({percent(1.0 - alone)}).")
            sentences += [f"It may be {joined(others, 'or')}."] if others else []
    elif healthy >= DECIDED and not ranking.fit.ok:
        sentences.append(
            f"They condemn no part: of what is modelled a healthy board comes nearest ({percent(healthy)})."
        )
    elif (healthy >= DECIDED or (not sentences and _looks_healthy(ranking))) and (odd := unlike_a_good_board(ranking)):
        places = joined([f"{one.probing.red} to {one.probing.black}" for one in odd[:OTHERS_NAMED]])
        sentences.append(
            f"Not decided yet: a healthy board is at {percent(healthy)}, but it does not read so at {places}. A bad "
            "contact may; take that again with clean tips."
        )
        sentences += [f"It may be {joined(others, 'or')}."] if others else []
    elif healthy >= DECIDED:
        sentences.append(f"These readings are what a healthy board gives ({percent(healthy)}); they condemn nothing.")
    elif not sentences and _looks_healthy(ranking):
        sentences.append(
            "Nothing is shown to be wrong: a good board gives these readings too. What they do not show is not decided "
            f"yet; a healthy board is at {percent(healthy)}."
        )
        sentences += [f"Still possible: {joined(others, 'or')}."] if others else []
    else:
        sentences.append(f"Not decided yet, more readings are needed: a healthy board is at {percent(healthy)}.")
        sentences += [f"It may be {joined(others, 'or')}."] if others else []
    return sentences


def _looks_healthy(ranking: Ranking) -> bool:
    """Return whether the likeliest set of explanations that look alike holds the healthy board."""
    healthy = next((entry for entry in ranking.candidates if not entry.faults), None)
    likeliest = max(range(len(ranking.groups)), key=lambda number: ranking.groups[number].probability, default=None)
    return bool(ranking.readings) and healthy is not None and healthy.group == likeliest


def _misfit_words(misfit: float) -> str:
    """Return how odd the readings are under the best hypothesis."""
    if misfit > WORTH_COUNTING:
        return "the best of them rules out more than one reading"
    return f"under the best of them, readings as odd come once in {1.0 / max(misfit, 1e-12):.0e}"
