"""The readings of a played puzzle gone through again: how much each told, what would have told more, what was open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.advise import CERTAIN, probing_cost
from bridge.board import Board
from bridge.boarddisplays import BoardDisplays
from bridge.faults import Fault
from bridge.gain import SLIP
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.puzzlebench import possible_errors
from bridge.puzzlefile import Key
from bridge.puzzlelevel import holds_answer, prior_weights, reading_worths
from bridge.puzzlerows import Rows, rows_of_errors, rows_of_sets, rows_of_singles
from bridge.puzzlesheet import puzzle_probings
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading, parse_reading
from bridge.repair import replace_lists
from bridge.table import TableMemory, build_table

__all__ = ["Replay", "Told", "replay_readings"]

Array = NDArray[np.float64]

OPEN_SHARE = 0.05
OPEN_MOST = 3
LEFT_OPEN = 0.03  # a list this probable when the answer was given was still open
DIGITS_VOLTS, DIGITS_SHARE = 0.005, 0.02
MUCH_MORE = 1.5  # times as much as was expected of the reading taken: worth saying


@dataclass(frozen=True, slots=True)
class Told:
    """What one reading told.

    Parameters
    ----------
    reading : Reading
        The reading.
    bits : float
        log2 of how many times more probable it made the right answer [bit]; below zero it misled.
    expected_bits : float
        Information about what to replace expected of it beforehand [bit].
    better : Probing or None
        A reading that was expected to tell much more for its effort.
    better_bits : float
        What was expected of that one [bit].
    open_lists : tuple of (frozenset of str, float)
        What was most probably to be replaced afterwards, and how probable that was, single faults and the truth alone.
    """

    reading: Reading
    bits: float
    expected_bits: float
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
        Lists that all readings together left open, singles, pairs and larger sets weighed; empty without a reading.
    settled : float
        How far the readings settle the right answer: 1 where they make it as probable as is acted on, or as the best
        sequence makes it where that is less; below, in proportion. 0 without a reading.
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
    probings = list(dict.fromkeys((*puzzle_probings(board, key.puzzle.reach), *(one.probing for one in readings))))
    table = build_table(memory.space(board, setup), meter, probings, [True] * len(probings), pairs=False)
    errors = possible_errors(board, setup)
    rows = rows_of_singles(table).with_more(rows_of_errors(board, meter, setup, probings, errors))
    if len(key.faults) > 1:
        damage = tuple((Fault(one.part, one.mode), one.ohms) for one in key.faults)
        prior = memory.space(board, setup).priors.log_prior(tuple(sorted(fault for fault, _ in damage)))
        rows = rows.with_more(rows_of_sets(board, meter, setup, probings, [(damage, prior)]))
    told = _told(key, board, rows, probings, readings)
    ranking = rank(board, meter, setup, readings)
    lists = replace_lists(ranking)
    left = tuple((packages, share) for packages, share in lists.items() if share >= LEFT_OPEN)
    blamed = [one for one in ranking.setup if one.what != "as-stated" and one.probability >= LEFT_OPEN]
    if blamed and ranking.setup[0].what != "as-stated":
        left = tuple((frozenset((f"<{one.what}>",)), one.probability) for one in blamed)
    return Replay(tuple(told), left, _settled(key, ranking))


def _settled(key: Key, ranking: Ranking) -> float:
    """Return how far a ranking settles the answer, beside what the best sequence of the key makes of it."""
    mine = _right_share(key, ranking)
    if mine >= CERTAIN:
        return 1.0
    fields = [
        {"red": one.red, "black": one.black, "mode": one.mode, "hold": one.hold, "reading": one.shows}
        for one in key.best
    ]
    board, meter = ranking.board, ranking.meter
    best = [parse_reading(row, board, meter, discharged=True) for row in fields]
    if not best:
        return 1.0
    enough = min(_right_share(key, rank(board, meter, ranking.given_setup, best)), CERTAIN)
    return min(mine / enough, 1.0) if enough > 0.0 else 1.0


def _right_share(key: Key, ranking: Ranking) -> float:
    """Return how probable the right answer is by some readings."""
    if key.error:
        return sum(one.probability for one in ranking.setup if one.what == key.error)
    answers = [frozenset(answer) for answer in key.answers]
    lists = replace_lists(ranking).items()
    return sum(share for packages, share in lists if any(one <= packages if one else not packages for one in answers))


def _told(key: Key, board: Board, rows: Rows, probings: Sequence[Probing], readings: Sequence[Reading]) -> list[Told]:
    cost = [probing_cost(board, one) for one in probings]
    right = holds_answer(rows, [frozenset(answer) for answer in key.answers])
    weight = prior_weights(rows)
    left = list(range(len(probings)))
    told: list[Told] = []
    for reading in readings:
        row = probings.index(reading.probing)
        before = float(weight[right].sum() / weight.sum())
        worths = dict(zip(left, reading_worths(rows, weight, left), strict=True))
        expected = worths.get(row, 0.0)
        best = max(worths, key=lambda one: worths[one] / cost[one], default=row)
        more = worths.get(best, 0.0) / cost[best] > MUCH_MORE * expected / cost[row] + 0.02
        weight = np.where(_differs(rows, row, reading), SLIP * weight, weight)
        after = float(weight[right].sum() / weight.sum())
        left = [one for one in left if one != row]
        told.append(
            Told(
                reading,
                math.log2(max(after, 1e-12) / max(before, 1e-12)),
                expected,
                probings[best] if more and best != row else None,
                worths.get(best, 0.0),
                _open_lists(rows, weight),
            )
        )
    return told


def _differs(rows: Rows, row: int, reading: Reading) -> NDArray[np.bool_]:
    """Return which explanations a reading speaks against."""
    value = math.inf if reading.value is None else reading.value
    sd = np.array([[DIGITS_VOLTS if reading.unit == "V" else DIGITS_SHARE * value]])
    shown = BoardDisplays(np.array([[value]]), sd, np.zeros((0, 1, 1)), (reading.unit,))
    here = Rows(rows.who, rows.place[[row]], rows.sd[[row]])
    answer: NDArray[np.bool_] = here.differs(*shown.on_scale(0, sd[0]))[0]
    return answer


def _open_lists(rows: Rows, weight: Array) -> tuple[tuple[frozenset[str], float], ...]:
    shares: dict[frozenset[str], float] = {}
    for one, share in zip(rows.who, (weight / weight.sum()).tolist(), strict=True):
        shares[one.target] = shares.get(one.target, 0.0) + share
    ordered = sorted(shares.items(), key=lambda item: (-item[1], sorted(item[0])))
    return tuple((packages, share) for packages, share in ordered[:OPEN_MOST] if share >= OPEN_SHARE)
