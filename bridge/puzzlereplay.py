"""The readings of a played puzzle gone through again: how much each told, what would have told more, what was open.

All of it comes from one weighing, that of the ranking: singles, pairs, larger sets and errors of the bench.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.advise import before_any_reading, probing_cost
from bridge.board import Board
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.puzzlefile import Key
from bridge.puzzlelevel import reading_worths
from bridge.puzzlemodes import written_readings
from bridge.puzzleopen import Standing, Weighing
from bridge.readings import Reading
from bridge.tablememory import TableMemory

__all__ = ["Replay", "Told", "replay_readings"]


OPEN_SHARE = 0.05
OPEN_MOST = 3
LEFT_OPEN = 0.03  # a list this probable when the answer was given was still open
MUCH_MORE = 1.5  # times as much as was expected of the reading taken: worth saying
MOST_WEIGHED = 6  # of the readings taken, evenly spread: each takes a ranking


@dataclass(frozen=True, slots=True)
class Told:
    """What one reading told.

    Parameters
    ----------
    reading : Reading
        The reading.
    bits : float or None
        log2 of how many times more probable it made the right list, nothing more replaced [bit]; below zero it misled.
        With those before it that have none; None where it was not weighed by itself.
    better : Probing or None
        A reading that was expected to tell much more for its effort.
    better_bits : float
        Information about what to replace that was expected of that one [bit].
    open_lists : tuple of (frozenset of str, float)
        What was most probably to be replaced afterwards, and how probable that was.
    """

    reading: Reading
    bits: float | None
    better: Probing | None
    better_bits: float
    open_lists: tuple[tuple[frozenset[str], float], ...]


@dataclass(frozen=True, slots=True)
class Replay:
    """A game gone through again.

    Parameters
    ----------
    told : tuple of Told
        Its readings.
    left_open : tuple of (frozenset of str, float)
        Lists that all readings together left open; empty without a reading.
    settled : float
        How far the readings settle the right answer, as `bridge.puzzleopen.Standing.settled_beside` has it; 0 without a
        reading.
    """

    told: tuple[Told, ...]
    left_open: tuple[tuple[frozenset[str], float], ...]
    settled: float


def replay_readings(key: Key, board: Board, meter: MeterProfile, setup: Setup, readings: Sequence[Reading]) -> Replay:
    """Return what each reading told.

    Parameters
    ----------
    key : Key
        The key.
    board, meter, setup
        The bench as the trainee was told.
    readings : sequence of Reading
        The readings taken, in their order.
    """
    if not readings:
        return Replay((), (), 0.0)
    memory = TableMemory()
    weighing = Weighing.of_key(key, board, meter, setup)
    places = sorted({math.ceil(len(readings) * part / MOST_WEIGHED) for part in range(1, MOST_WEIGHED + 1)})
    standings = {0: weighing.judge(before_any_reading(board, meter, setup))}
    standings |= {place: weighing.after(readings[:place], memory) for place in places}
    last = standings[len(readings)]
    left = tuple((packages, share) for packages, share in last.shares.items() if share >= LEFT_OPEN)
    best = written_readings(key.best, board, meter)
    settled = 1.0
    if best and not last.settles():
        settled = last.settled_beside(weighing.after(best, memory))
    return Replay(tuple(_told(weighing, standings, readings)), left, settled)


def _told(weighing: Weighing, standings: dict[int, Standing], readings: Sequence[Reading]) -> list[Told]:
    board = weighing.board
    probings = list(dict.fromkeys((*weighing.probings, *(one.probing for one in readings))))
    cost = [probing_cost(board, one) for one in probings]
    rows, weights = weighing.explanations(list(standings.values()), probings)
    left = list(range(len(probings)))
    told: list[Told] = []
    known = 0
    for number, reading in enumerate(readings, 1):
        row = probings.index(reading.probing)
        worths = dict(zip(left, reading_worths(rows, weights[list(standings).index(known)], left), strict=True))
        best = max(worths, key=lambda one: worths[one] / cost[one], default=row)
        more = worths.get(best, 0.0) / cost[best] > MUCH_MORE * worths.get(row, 0.0) / cost[row] + 0.02
        left = [one for one in left if one != row]
        bits: float | None = None
        lists: list[tuple[frozenset[str], float]] = []
        if number in standings:
            bits = standings[number].bits_since(standings[known])
            lists = [item for item in standings[number].shares.items() if item[1] >= OPEN_SHARE][:OPEN_MOST]
            known = number
        better = probings[best] if more and best != row else None
        told.append(Told(reading, bits, better, worths.get(best, 0.0), tuple(lists)))
    return told
