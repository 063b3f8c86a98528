"""When a bench session has its answer: one replace list stands, and some reading has spoken against the good board."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

from bridge.advise import CERTAIN, HEALTHY_EXCLUDED
from bridge.health import speaks_against_health
from bridge.ranking import Ranking
from bridge.readings import Reading

__all__ = ["LITTLE", "LITTLE_TIMES", "SURE", "Standing", "StopRule", "asks_again", "contradict", "same_place"]

DISAGREE_SHARE = 0.1  # leads moved and a digit or two; common practice, no source
LEAST_DISAGREEMENT = {"V": 0.01, "ohm": 1.0}  # contacts; common practice, no source
SURE, LITTLE, LITTLE_TIMES = 0.90, 0.02, 3  # from 90 % on, three readings that move it by less than 2 % each are enough


@dataclass(frozen=True, slots=True)
class Standing:
    """The replace list that leads.

    Parameters
    ----------
    packages : frozenset of str
        What it condemns; empty for the good board.
    probability : float
        How probable it is [1].
    settled : bool
        Whether it stands short of the certainty asked for, because readings hardly move it any more.
    """

    packages: frozenset[str]
    probability: float
    settled: bool = False


@dataclass
class StopRule:
    """Whether a session may end, reading by reading.

    Parameters
    ----------
    certain : float
        How probable a list must be to stand [1].
    """

    certain: float = CERTAIN
    _leads: dict[int, Standing] = field(default_factory=dict)  # the first list after so many readings

    def verdict(self, ranking: Ranking) -> Standing | None:
        """Return the list that stands by a ranking, None while none does.

        A list is condemned by no prior alone: some reading must be one that a good board does not give. Where the bench
        is likelier in another state than stated, nothing stands.

        Parameters
        ----------
        ranking : Ranking
            After the last reading.
        """
        if not ranking.readings or not self._trusts(ranking):
            return None
        lists = ranking.replace_lists
        packages, probability = next(iter(lists.items()))
        if probability < self.certain:
            return None
        if packages and lists.get(frozenset(), 0.0) > HEALTHY_EXCLUDED and not speaks_against_health(ranking):
            return None
        return Standing(packages, probability)

    def settles(self, ranking: Ranking) -> Standing | None:
        """Return the list that has stopped moving, None while none has; to be asked once after each reading.

        As in :meth:`verdict`, nothing stands where the bench is likelier in another state than stated.

        Parameters
        ----------
        ranking : Ranking
            After the last reading.
        """
        count = len(ranking.readings)
        if not count:
            return None
        self._leads[count] = Standing(*next(iter(ranking.replace_lists.items())), settled=True)
        recent = [self._leads[number] for number in range(count - LITTLE_TIMES, count + 1) if number in self._leads]
        if self.certain > CERTAIN or len(recent) <= LITTLE_TIMES or not self._trusts(ranking):
            return None  # who asks for more than the usual certainty wants every reading
        last = recent[-1]
        moves = [abs(after.probability - before.probability) for before, after in itertools.pairwise(recent)]
        same = all(one.packages == last.packages for one in recent)
        if not same or last.probability < SURE or max(moves) >= LITTLE:
            return None
        if last.packages and not speaks_against_health(ranking):
            return None
        return last

    def _trusts(self, ranking: Ranking) -> bool:
        """Whether the readings can be built on: explained, none to be taken again, the bench as it was stated."""
        if not ranking.fit.ok or asks_again(ranking):
            return False
        believed = max(ranking.setup, key=lambda belief: belief.probability, default=None)
        return believed is None or believed.what == "as-stated" or believed.probability < 1.0 - self.certain


def asks_again(ranking: Ranking) -> bool:
    """Whether the reading that fits worst is to be taken again before any verdict.

    It is where it was taken once and is not known to be doubtful, or where its place was read twice and showed one
    thing and then another: the third time decides.

    Parameters
    ----------
    ranking : Ranking
        After the last reading.
    """
    worst = ranking.fit.worst_reading
    if worst is None:
        return False
    reading = ranking.readings[worst]
    here = [one for one in ranking.readings if same_place(one, reading)]
    if len(here) == 2:
        return contradict(*here)
    return len(here) == 1 and not reading.doubted


def same_place(one: Reading, other: Reading) -> bool:
    """Whether two readings were taken alike: the same placement of the leads with the same things connected."""
    return one.probing == other.probing and one.connected == other.connected


def contradict(one: Reading, other: Reading) -> bool:
    """Whether two readings of one place cannot both be right: no part's spread or meter's error lies between them.

    What still moves contradicts nothing: a display caught on its way shows another value each time.

    Parameters
    ----------
    one, other : Reading
        Readings of one placement of the leads.
    """
    if {"climbing", "falling"} & {one.state, other.state}:
        return False
    if one.value is None or other.value is None or one.state != other.state:
        return one.state != other.state
    larger = max(abs(one.value), abs(other.value))
    return abs(one.value - other.value) > max(
        DISAGREE_SHARE * larger, LEAST_DISAGREEMENT["ohm" if one.unit == "ohm" else "V"]
    )
