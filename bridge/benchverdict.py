"""How a bench session ends: what stands, what to replace, or why nothing more is to be learnt."""

from __future__ import annotations

from bridge.advicepage import good_words
from bridge.advise import ENOUGH_BITS, Reach, suggest_readings
from bridge.benchpage import package_title, proposal_page
from bridge.layout import Page, Table
from bridge.ranking import Ranking
from bridge.repair import repair_list
from bridge.repairpage import repair_page
from bridge.stoprule import LITTLE, LITTLE_TIMES, SURE, Standing, StopRule, asks_again
from bridge.units import percent

__all__ = ["nothing_helps_page", "settled_page", "verdict_page"]


def verdict_page(ranking: Ranking, rule: StopRule) -> Page | None:
    """Return how a session ends by itself; None where it goes on.

    Parameters
    ----------
    ranking : Ranking
        After the last reading.
    rule : StopRule
        Whether it may end.
    """
    worst = ranking.fit.worst_reading
    if ranking.readings and not ranking.fit.ok:
        if asks_again(ranking):
            return None
        tried = ", and taking the worst again has not helped" if worst is not None else ""
        return [
            f"Nothing fits: no single fault, no pair and no damage pattern explains these readings{tried}. Check "
            "board file, meter and set-up, or look for a fault of another kind.",
        ]
    stands = rule.verdict(ranking)
    if stands is None:
        return None
    said = f"Certain enough ({percent(stands.probability)}, the limit is {percent(rule.certain)})"
    if not stands.packages:
        return [f"{said}: these readings are what a healthy board gives."]
    return _replace(f"{said}: replace", stands, ranking)


def settled_page(ranking: Ranking, rule: StopRule) -> Page | None:
    """Return the end where one list stands and readings hardly move it any more; None where it goes on.

    Parameters
    ----------
    ranking : Ranking
        After the last reading; to be asked about once.
    rule : StopRule
        Whether it may end.
    """
    stands = rule.settles(ranking)
    if stands is None:
        return None
    said = (
        f"Stopped at {percent(stands.probability)}: the last {LITTLE_TIMES} readings moved that by less than "
        f"{percent(LITTLE)} each, and from {percent(SURE)} on that is where a session ends. To be asked for "
        f"more all the same, end here and start again on the same file with --certain 0.99."
    )
    if not stands.packages:
        return [f"{said} These readings are what a healthy board gives."]
    return [said, *_replace("Replace", stands, ranking)]


def _replace(said: str, stands: Standing, ranking: Ranking) -> Page:
    """Return what to replace, how to go about it, and once more what: the rest fills more than a screen."""
    what = package_title(ranking.board, stands.packages)
    short = f"In short: replace {what} ({percent(stands.probability)}). `bridgefault report` puts it all on a page."
    return [f"{said} {what}.", *repair_page(repair_list(ranking)), short]


def nothing_helps_page(ranking: Ranking, reach: Reach) -> Page:
    """Return the end where no reading within reach tells more, with one beyond that would.

    Parameters
    ----------
    ranking : Ranking
        After the last reading.
    reach : Reach
        What can be reached.
    """
    lists = list(ranking.replace_lists.items())
    page: list[str | Table] = [
        f"No reading within reach ({reach.effort}) would tell more about what to replace: the best is worth "
        f"less than {ENOUGH_BITS:g} of a yes or no."
    ]
    beyond = suggest_readings(ranking, 1)
    if beyond:
        good = good_words(ranking.board, ranking.meter, ranking.given_setup, beyond[0])
        page += ["Beyond that one would.", *proposal_page(beyond[0], (), good)]
    if not ranking.readings:
        return page
    if lists[0][0]:
        page += repair_page(repair_list(ranking))
    else:
        page.append(f"The healthy board leads ({percent(lists[0][1])}): nothing is condemned.")
    return page
