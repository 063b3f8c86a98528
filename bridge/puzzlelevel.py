"""How hard a puzzle is: what it costs the best solver and a novice, and the level that follows.

The solver knows what every fault shows and takes the reading that tells most about what to replace per effort. The
novice knows a good board's sheet only: looks for the first reading that differs, suspects what lies nearest to the
readings that differ, replaces it, reads again, and goes back where nothing changed. Effort of simulated solvers is the
best known predictor of the time people need: Pelanek, Difficulty rating of sudoku puzzles by a computational model
(FLAIRS 2011); that novices backtrack rather than eliminate: Gugerty (2007), both from secondary notes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bridge.advise import CERTAIN, ENOUGH_BITS, probing_cost
from bridge.board import Board
from bridge.gain import SLIP, expected_gain, joint_shares, outcomes_of
from bridge.numbering import numbered
from bridge.probing import Probing
from bridge.puzzleopen import WELL_OPEN
from bridge.puzzlerows import Rows

__all__ = [
    "LEVEL_STEPS",
    "Effort",
    "Further",
    "Step",
    "holds_answer",
    "measure_effort",
    "prior_weights",
    "reading_worths",
]

Array = NDArray[np.float64]
Further = Callable[[Sequence["Step"]], tuple["Step", ...]]

LOOKED_AT = 120  # explanations, the most probable ones, among which a reading is chosen
TRIAL = 8.0  # effort of replacing a part in vain, a main terminal read is 1; common practice, no source
MOST_TRIALS = 10  # then even a novice doubts the bench,
TRIALS_IF_ALL_DIFFER = 2  # and sooner where more than half of the sheet differs
SOLVER_WEIGHT = 4.0  # a reading of the solver's takes thought, and is one of a few: as much as four of the novice's
LEVEL_STEPS = (30.0, 50.0, 80.0, 120.0)  # effort at which levels 2, 3, 4 and 5 begin


@dataclass(frozen=True, slots=True)
class Step:
    """One reading of the best sequence.

    Parameters
    ----------
    probing : Probing
        Where the leads go.
    cost : float
        Its effort, 1 for main terminals.
    expected_bits : float
        Information about what to replace expected of it beforehand [bit].
    bits : float
        What it told about the right answer: log2 of how many times more probable it became [bit].
    """

    probing: Probing
    cost: float
    expected_bits: float
    bits: float


@dataclass(frozen=True, slots=True)
class Effort:
    """What a puzzle takes.

    Parameters
    ----------
    level : int
        1 to 5.
    score : float
        Novice's effort and four times the solver's.
    solver : float
        Effort of the best solver's readings.
    novice : float
        Effort of the novice: reading, trials, reading again.
    trials : int
        Parts the novice replaces, the right ones included.
    odd : tuple of int
        Readings of the sheet that no good board gives, from 0.
    herrings : int
        Of these, those at places where nothing is wrong.
    needs : str
        Hardest of ``terminals``, ``gates``, ``holds`` in the best sequence.
    best : tuple of Step
        The best solver's readings.
    """

    level: int
    score: float
    solver: float
    novice: float
    trials: int
    odd: tuple[int, ...]
    herrings: int
    needs: str
    best: tuple[Step, ...]


def reading_worths(rows: Rows, weight: Array, readings: Sequence[int], most: int = LOOKED_AT) -> list[float]:
    """Return the information about what to replace expected of some readings [bit].

    Parameters
    ----------
    rows : Rows
        The explanations.
    weight : ndarray, explanations
        How probable each is by now, in any scale.
    readings : sequence of int
        Rows of the placements.
    most : int
        Explanations looked at, the most probable ones.
    """
    top = np.argsort(-weight, kind="stable")[:most]
    share = weight[top] / weight[top].sum()
    targets, target = numbered(rows.who[number].target for number in top.tolist())
    worths = []
    for row in readings:
        if np.isnan(rows.place[row, top]).any():
            worths.append(0.0)  # what it would tell is not known
            continue
        outcome = outcomes_of(rows.place[row, top], rows.sd[row, top])
        if outcome.min() == outcome.max():
            worths.append(0.0)
            continue
        worths.append(expected_gain(joint_shares(outcome, share, target, len(targets))))
    return worths


def prior_weights(rows: Rows) -> Array:
    """Return how probable each explanation is before any reading [1]."""
    logs = np.array([row.log_prior for row in rows.who])
    weight: Array = np.exp(logs - logs.max())
    weight /= weight.sum()
    return weight


def holds_answer(rows: Rows, answers: Sequence[frozenset[str]]) -> NDArray[np.bool_]:
    """Return which explanations have one of the right lists replaced; of a good board that one alone is right."""
    return np.array([any(answer <= row.target if answer else not row.target for answer in answers) for row in rows.who])


def _best_sequence(
    board: Board,
    probings: Sequence[Probing],
    rows: Rows,
    truth: int,
    answers: Sequence[frozenset[str]],
    certain: float,
) -> tuple[Step, ...]:
    cost = [probing_cost(board, one) for one in probings]
    apart = rows.apart(truth)
    right = holds_answer(rows, answers)
    rivals = _rivals(rows, apart, answers)
    weight = prior_weights(rows)
    left = list(range(len(probings)))
    steps: list[Step] = []
    while left:
        share = float(weight[right].sum() / weight.sum())
        open_too = max((float(weight[those].sum() / weight.sum()) for those in rivals), default=0.0)
        if share >= certain and open_too <= WELL_OPEN:
            break
        worths = reading_worths(rows, weight, left)
        best = max(range(len(left)), key=lambda place: worths[place] / cost[left[place]])
        if worths[best] < ENOUGH_BITS:
            break
        row = left.pop(best)
        weight = np.where(apart[row], SLIP * weight, weight)
        after = float(weight[right].sum() / weight.sum())
        bits = math.log2(max(after, 1e-12) / max(share, 1e-12))
        steps.append(Step(probings[row], cost[row], worths[best], bits))
    return tuple(steps)


def _rivals(rows: Rows, apart: NDArray[np.bool_], answers: Sequence[frozenset[str]]) -> list[list[int]]:
    """Return explanations that some reading tells from the planted one, by what they have replaced."""
    found: dict[frozenset[str], list[int]] = {}
    for number in np.flatnonzero(apart.any(axis=0)).tolist():
        if rows.who[number].target not in answers:
            found.setdefault(rows.who[number].target, []).append(number)
    return list(found.values())


class _Novice:
    """Somebody with a good board's sheet: what is nearest to the readings that differ is replaced first."""

    def __init__(self, board: Board, probings: Sequence[Probing]) -> None:
        self.board = board
        self.nets = [(board.net_of(one.red), board.net_of(one.black)) for one in probings]
        self.cost = [probing_cost(board, one) for one in probings]
        graph: nx.Graph[str] = nx.Graph()
        for part in board.parts.values():
            pins = list(dict.fromkeys(part.pins.values()))
            graph.add_nodes_from(pins)
            graph.add_edges_from((one, other) for one in pins for other in pins if one < other)
        self.distance = dict(nx.all_pairs_shortest_path_length(graph))
        self.parts: dict[str, list[set[str]]] = {}
        for part in board.parts.values():
            if part.modes and part.when is None:
                self.parts.setdefault(part.package, []).append(set(part.pins.values()))

    def is_at(self, package: str, reading: int) -> bool:
        """Return whether both leads of a reading are on one part of a package."""
        return any(set(self.nets[reading]) <= pins for pins in self.parts.get(package, []))

    def suspects(self, odd: Sequence[int]) -> list[str]:
        """Return packages, those with most of the odd readings across them first, then the nearest ones."""

        def nearness(package: str) -> tuple[float, float]:
            across = sum(self.is_at(package, reading) for reading in odd)
            far = [
                min(self._far(net, pin) for pins in self.parts[package] for pin in pins)
                for reading in odd
                for net in self.nets[reading]
            ]
            return -across, sum(far)

        return sorted(self.parts, key=nearness)

    def _far(self, net: str, pin: str) -> float:
        return float(self.distance.get(net, {}).get(pin, 9))

    def work(self, shows: dict[frozenset[str], NDArray[np.bool_]], answer: frozenset[str]) -> tuple[float, int]:
        """Return the effort, and how many packages were replaced.

        ``shows`` says which readings differ from a good board's while some packages of the answer are still bad.
        """
        effort, trials = 0.0, 0
        bad = answer
        odd = np.flatnonzero(shows[bad]).tolist()
        effort += sum(self.cost[: odd[0] + 1]) if odd else sum(self.cost)
        tried: set[str] = set()
        most = TRIALS_IF_ALL_DIFFER if 2 * len(odd) > len(self.cost) else MOST_TRIALS
        while odd and bad:
            suspect = next((one for one in self.suspects(odd) if one not in tried), None)
            if suspect is None or trials >= most + len(answer) - 1:
                effort += TRIAL * len(bad)
                break
            tried.add(suspect)
            trials += 1
            effort += TRIAL + sum(self.cost[reading] for reading in odd)
            if suspect in bad:
                bad = bad - {suspect}
                odd = np.flatnonzero(shows.get(bad, np.zeros(len(self.cost), dtype=bool))).tolist()
        return effort, trials


def measure_effort(
    board: Board,
    probings: Sequence[Probing],
    rows: Rows,
    truth: int,
    answers: Sequence[frozenset[str]],
    rest: dict[frozenset[str], int],
    certain: float = CERTAIN,
    further: Further | None = None,
) -> Effort:
    """Return what a puzzle takes.

    Parameters
    ----------
    board : Board
        The board.
    probings : sequence of Probing
        The readings of the sheet, in their order.
    rows : Rows
        Explanations, the good board first, the planted one among them.
    truth : int
        The planted one.
    answers : sequence of frozenset of str
        Lists of packages that are right, the planted one first.
    rest : dict of frozenset of str to int
        What is left of the planted faults while only these packages are bad: explanations, by packages.
    certain : float
        How probable the answer is when the best solver stops [1].
    further : callable, optional
        Goes on with the best sequence where these explanations are told apart, for there are more.
    """
    best = _best_sequence(board, probings, rows, truth, answers, certain)
    if further is not None:
        best += further(best)
    from_good = rows.apart(0)
    odd = np.flatnonzero(from_good[:, truth]).tolist()
    novice = _Novice(board, probings)
    answer = answers[0]
    shows = {packages: from_good[:, number] for packages, number in rest.items()} | {answer: from_good[:, truth]}
    effort, trials = novice.work(shows, answer)
    herrings = sum(not any(novice.is_at(package, reading) for package in answer) for reading in odd)
    solver = sum(step.cost for step in best)
    score = effort + SOLVER_WEIGHT * solver
    needs = "terminals"
    main = set(board.main_terminals)
    if any({step.probing.red, step.probing.black} - main for step in best):
        needs = "gates"
    if any(step.probing.hold for step in best):
        needs = "holds"
    level = 1 + sum(score >= step for step in LEVEL_STEPS)
    return Effort(level, score, solver, effort, trials, tuple(odd), herrings, needs, best)
