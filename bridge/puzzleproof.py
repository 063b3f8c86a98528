"""Whether a puzzle has one right answer: no explanation but those that hold the answer comes near the readings.

An answer is a list of packages to replace. An explanation that replaces all of it and something more is no other
answer: the readings call for the list, and show nothing of the rest. Every single fault is weighed at all readings.
Pairs are weighed at a few readings first; those that come near are weighed at readings that tell them off, until none
is left, so that what is proved by some of the readings holds for all of them.

Evidence alone would let through what fits at one resistance and at no other, for its mean over all resistances is
low. So no other explanation may fit, at its best resistances, as well as the planted one either: squared distances
from all readings must differ by more than ``puzzlefit.AS_GOOD`` = 4, two standard deviations of one reading, which
is as far off as a meter within its limits shows. Two explanations closer than that, a trainee can only choose between
by what is likely beforehand.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.advise import CERTAIN
from bridge.board import Board
from bridge.evidence import KEEP_NATS, refine, screen
from bridge.faults import Fault
from bridge.faultspace import FaultSpace
from bridge.likelihood import ReadingModel, as_read, model_readings
from bridge.meter import MeterProfile
from bridge.priors import Priors
from bridge.probing import Probing, Setup
from bridge.puzzlebench import real_probing, real_setup
from bridge.puzzlefit import close_fits
from bridge.puzzlerows import SETUP_LOG_PRIOR, Rows, packages_of, rows_of_singles
from bridge.readings import Reading
from bridge.separate import separable_in_place
from bridge.survivors import Survivors
from bridge.table import ReadingTable, table_of
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage

__all__ = [
    "BETTER",
    "BY_THE_BENCH",
    "CLOSE_NATS",
    "LEFT_OPEN",
    "MOST_NATS",
    "PART_OF_IT",
    "Proof",
    "Prover",
    "Rejected",
    "nearest_of",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

CLOSE_NATS = 3.0  # and any other explanation this much less likely to give these readings: 20 to 1, priors aside
FIRST_READINGS = 7  # that pairs are weighed at before any other
MORE_READINGS = 3
MOST_NATS = 12.0  # what falls farther behind is not told any closer
ROUNDS = 6
WINDOW_NATS = 7.0  # pairs that fall farther behind than this are given up: 1000 to 1
RIVALS_ASKED = 40
MOST_ANSWERS = 4
FARTHEST = 6.0
SAME_DIGITS = 2  # of a nat: what is alike to these is equally near
LEFT_OPEN = "the sheet leaves another explanation open"
PART_OF_IT = "a part of it explains the readings"
BETTER = "something else explains the readings better"
BY_THE_BENCH = "an error of the bench would explain it"


class Rejected(Exception):
    """A draw that makes no puzzle, and why in a few words."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Why a puzzle has one right answer.

    Parameters
    ----------
    answers : tuple of tuple of str
        Lists of packages that are right: the one planted first, then those that nothing in place tells from it.
    probability : float
        That the parts to replace hold one of these lists, at least [1].
    gap_nats : float
        By how much every other explanation is less likely to give these readings, at least; priors aside [nat].
    nearest : tuple of Fault
        The other explanation that comes nearest, where one is within reach.
    same : tuple of tuple of Fault
        Sets of faults with a right list that the readings leave open, the planted one first.
    readings : tuple of int
        Readings that prove it, from 0.
    weighed : int
        Single faults and pairs of faults, each at every severity of its grid, that were weighed.
    """

    answers: tuple[tuple[str, ...], ...]
    probability: float
    gap_nats: float
    nearest: tuple[Fault, ...]
    same: tuple[tuple[Fault, ...], ...]
    readings: tuple[int, ...]
    weighed: int


@dataclass(frozen=True, eq=False)
class _Flat(Priors):
    """Every hypothesis alike: what is left is how likely each one makes the readings."""

    def log_pair(self, first: Index, second: Index) -> Array:
        return np.zeros(len(first))


def _flat(space: FaultSpace) -> FaultSpace:
    flat = space.priors.as_kind(_Flat, log_healthy=0.0, log_single=np.zeros(len(space.faults)))
    return dataclasses.replace(space, priors=flat)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Explanations that come near the readings, flat priors: log evidence by set of fault numbers."""

    evidence: dict[tuple[int, ...], float]
    variants: dict[tuple[int, ...], list[int]]  # places among the pairs of variants


def _sum_up(space: FaultSpace, survivors: Survivors) -> _Weighed:
    evidence: dict[tuple[int, ...], float] = {}
    variants: dict[tuple[int, ...], list[int]] = {}
    beyond = 1 + len(space.singles)
    for kept, faults, log in zip(
        survivors.kept.tolist(), survivors.faults.tolist(), survivors.log_evidence.tolist(), strict=True
    ):
        key = tuple(sorted(fault for fault in faults if fault >= 0))
        evidence[key] = float(np.logaddexp(evidence.get(key, -math.inf), log))
        if kept >= beyond:
            variants.setdefault(key, []).append(kept - beyond)
    return _Weighed(evidence, variants)


class Prover:
    """A board with its meter, its bench and the readings of a worksheet; what one puzzle solved helps the next.

    Parameters
    ----------
    board, meter, setup
        The bench as stated.
    probings : sequence of Probing
        The readings a trainee is given, or may take.
    stated : float
        How probable the answer must be [1].
    """

    def __init__(
        self, board: Board, meter: MeterProfile, setup: Setup, probings: Sequence[Probing], stated: float = CERTAIN
    ) -> None:
        self.board, self.meter, self.setup = board, meter, setup
        self.probings = tuple(probings)
        self.stated = stated
        self.memory = TableMemory()
        self.space = self.memory.space(board, setup)
        self._flat = _flat(self.space)
        self.table = table_of(self._flat, meter, _blank(self.probings), memory=self.memory)
        self.rows: Rows = rows_of_singles(dataclasses.replace(self.table, space=self.space))
        self._number = {fault: number for number, fault in enumerate(self.space.faults)}
        first, second = self.space.pairs
        doubles = self.space.doubles.fault
        self._pair = doubles[first], doubles[second]
        self._none = np.zeros(len(first), dtype=bool)
        packages = [board.parts[fault.part].package for fault in self.space.faults]
        names = list(dict.fromkeys(packages))
        self._package = np.array([names.index(name) for name in packages], dtype=np.intp)
        self._package_number = {name: number for number, name in enumerate(names)}

    def _packages(self, faults: Sequence[int]) -> frozenset[str]:
        return frozenset(self.board.parts[self.space.faults[fault].part].package for fault in faults)

    def holds(self, answers: Sequence[frozenset[str]]) -> Mask:
        """Return which pairs of variants replace all of one of some lists.

        Parameters
        ----------
        answers : sequence of frozenset of str
            The lists of packages.
        """
        held = self._none.copy()
        first, second = self._package[self._pair[0]], self._package[self._pair[1]]
        for answer in answers:
            every = np.ones_like(held)
            for name in answer:
                number = self._package_number[name]
                every &= (first == number) | (second == number)
            held |= every
        return held

    def _is_pair(self, faults: tuple[int, ...]) -> Mask:
        one, other = faults
        answer: Mask = (self._pair[0] == one) & (self._pair[1] == other)
        return answer

    def prove(self, damage: Damage, readings: Sequence[Reading]) -> Proof:
        """Return why the readings leave one answer.

        Parameters
        ----------
        damage : tuple of (Fault, float or None)
            What was planted, with resistances [ohm]; empty for a good board.
        readings : sequence of Reading
            What was read, in the order of the worksheet.

        Raises
        ------
        Rejected
            They do not.
        """
        models = model_readings(readings, self.meter)
        planted = tuple(sorted(self._number[fault] for fault, _ in damage))
        if not planted:
            return self._prove_good(models)
        own = self._is_pair(planted) if len(planted) == 2 else self._none
        answers = [packages_of(self.board, damage)]
        singles = self._weigh(self.table, models, own)
        truth = singles.evidence.get(planted)
        if truth is None:
            raise Rejected(BETTER)
        if singles.evidence.get((), -math.inf) > truth - CLOSE_NATS:
            raise Rejected("nothing shows")
        self._judge(singles, truth, answers, damage)
        self._judge_fits(models, damage, planted, answers)
        return self._prove_pairs(models, damage, planted, own, answers, singles, truth)

    def modes_left(
        self, planted: Sequence[Fault], packages: frozenset[str], readings: Sequence[Reading]
    ) -> list[tuple[Fault, ...]]:
        """Return which faults of some packages the readings leave open, all of these packages bad and no other.

        Parameters
        ----------
        planted : sequence of Fault
            What was planted.
        packages : frozenset of str
            The packages.
        readings : sequence of Reading
            Readings at this prover's placements, in their order.

        Returns
        -------
        list of tuple of Fault
            One or two faults each, the likeliest readings first: those that make them less likely than what was planted
            by no more than ``CLOSE_NATS``, or than the best of them where these packages are another right answer.
        """
        number = tuple(sorted(self._number[fault] for fault in planted))
        own = self._is_pair(number) if len(number) == 2 else self._none
        inside = np.isin(self._package, [self._package_number[name] for name in sorted(packages)])
        among = inside[self._pair[0]] & inside[self._pair[1]]
        near = self._weigh(self.table, model_readings(readings, self.meter), among | own)
        return self._left(near.evidence, number, packages)

    def _left(
        self, evidence: Mapping[tuple[int, ...], float], planted: tuple[int, ...], packages: frozenset[str]
    ) -> list[tuple[Fault, ...]]:
        """Return sets of faults of these packages that log evidence leaves open, as :meth:`modes_left` has it."""
        mine = {faults: log for faults, log in evidence.items() if faults and self._packages(faults) == packages}
        floor = min(evidence.get(planted, math.inf), max(mine.values(), default=math.inf)) - CLOSE_NATS
        likely = sorted((item for item in mine.items() if item[1] > floor), key=lambda item: -item[1])
        return [tuple(self.space.faults[fault] for fault in faults) for faults, _ in likely]

    def _weigh(
        self,
        table: ReadingTable,
        models: Sequence[ReadingModel],
        among: Mask,
        floor: float = -math.inf,
        keep_nats: float = KEEP_NATS,
    ) -> _Weighed:
        screened = screen(table, models, among=among, floor=floor, keep_nats=keep_nats, pairs=bool(among.any()))
        return _sum_up(table.space, refine(table, models, screened))

    def _judge(self, near: _Weighed, truth: float, answers: list[frozenset[str]], damage: Damage) -> None:
        """Judge explanations that the evidence brings close."""
        for faults, evidence in sorted(near.evidence.items(), key=lambda item: -item[1]):
            if evidence > truth - CLOSE_NATS:
                self._take_or_reject(faults, answers, damage)

    def _judge_fits(
        self, models: Sequence[ReadingModel], damage: Damage, planted: tuple[int, ...], answers: list[frozenset[str]]
    ) -> None:
        """Judge explanations that at their best resistances fit as well as the planted one, whatever their share."""
        first = self._first_readings(damage)
        of_number = {self._number[fault]: math.nan if value is None else value for fault, value in damage}
        ohms = tuple(of_number[number] for number in planted)
        for fit in close_fits(self.table, models, self.holds(answers), planted, first, ohms):
            self._take_or_reject(fit.faults, answers, damage)

    def _take_or_reject(self, faults: tuple[int, ...], answers: list[frozenset[str]], damage: Damage) -> None:
        """Take an explanation for the same answer where nothing in place tells it off; else reject the draw."""
        packages = self._packages(faults)
        if any(answer <= packages for answer in answers):
            return
        if packages < answers[0]:
            raise Rejected(PART_OF_IT)
        rival = [(self.space.faults[fault], None) for fault in faults]
        if separable_in_place(self.board, self.meter, self.setup, [list(damage), rival]):
            raise Rejected(LEFT_OPEN)
        answers.append(packages)
        if len(answers) > MOST_ANSWERS:
            raise Rejected("too many answers look alike")

    def _first_readings(self, damage: Damage) -> list[int]:
        """Return readings that tell most single faults from the planted ones, the fewest first."""
        truth = [number for number, row in enumerate(self.rows.who) if row.faults and row.faults[0][0] == damage[0][0]]
        apart = self.rows.apart(truth[len(truth) // 2])
        left = np.ones(len(self.rows.who), dtype=bool)
        chosen: list[int] = []
        while len(chosen) < min(FIRST_READINGS, len(self.probings)):
            gains = (apart & left).sum(axis=1).astype(float)
            gains[chosen] = -1.0
            best = int(np.argmax(gains))
            chosen.append(best)
            if gains[best] <= 0.0:
                left = np.ones(len(self.rows.who), dtype=bool)  # each is told off once: a second time
            left &= ~apart[best]
        return chosen

    def _prove_pairs(
        self,
        models: Sequence[ReadingModel],
        damage: Damage,
        planted: tuple[int, ...],
        own: Mask,
        answers: list[frozenset[str]],
        singles: _Weighed,
        truth: float,
    ) -> Proof:
        chosen = self._first_readings(damage)
        for _ in range(ROUNDS):
            table = dataclasses.replace(self.table, columns=tuple(self.table.columns[row] for row in chosen))
            some = [models[row] for row in chosen]
            alone = self._weigh(table, some, own).evidence
            here = alone.get(planted)
            if here is None:
                raise Rejected(BETTER)
            rivals = ~self.holds(answers) | own
            # a single fault may lead at these readings: the window reaches as far below the planted ones all the same
            keep_nats = WINDOW_NATS + max(alone.values()) - here
            near = self._weigh(table, some, rivals, here, keep_nats)
            close = self._close(near, here, answers)
            if not close:
                return self._proof(near, here, planted, answers, chosen, singles, truth)
            wanted = self._none.copy()
            wanted[[place for faults in close[:RIVALS_ASKED] for place in near.variants.get(faults, [])]] = True
            whole = self._weigh(self.table, models, wanted | own, truth)
            before = len(answers)
            self._judge(whole, whole.evidence.get(planted, truth), answers, damage)
            if self._share(whole, answers)[0] < self.stated:  # a few rivals at all readings: more would not mend it
                raise Rejected("the answer is not probable enough")
            if len(answers) == before:
                chosen += self._telling(models, wanted, chosen)
            if len(chosen) > len(models):
                break
        raise Rejected(LEFT_OPEN)

    def _close(self, near: _Weighed, here: float, answers: Sequence[frozenset[str]]) -> list[tuple[int, ...]]:
        """Return pairs that must be told off: those that come near, and those that a prior makes probable."""
        others: list[tuple[tuple[int, ...], float]] = [
            (faults, evidence)
            for faults, evidence in near.evidence.items()
            if len(faults) == 2 and not any(answer <= self._packages(faults) for answer in answers)
        ]
        close = [faults for faults, evidence in sorted(others, key=lambda one: -one[1]) if evidence > here - CLOSE_NATS]
        if close:
            return close
        probability, masses = self._share(near, answers)
        if probability >= self.stated:
            return []
        return sorted((faults for faults, _ in others), key=lambda faults: -masses.get(faults, 0.0))

    def _share(self, near: _Weighed, answers: Sequence[frozenset[str]]) -> tuple[float, dict[tuple[int, ...], float]]:
        """Return how probable one of the answers is, and the share of every explanation, priors included."""
        logs = {faults: evidence + self._log_prior(faults) for faults, evidence in near.evidence.items()}
        peak = max(logs.values())
        total = math.fsum(math.exp(log - peak) for log in logs.values())
        share = {faults: math.exp(log - peak) / total for faults, log in logs.items()}
        right = math.fsum(
            value for faults, value in share.items() if any(answer <= self._packages(faults) for answer in answers)
        )
        return right, share

    def _log_prior(self, faults: tuple[int, ...]) -> float:
        return self.space.priors.log_prior(tuple(self.space.faults[fault] for fault in faults))

    def _telling(self, models: Sequence[ReadingModel], rivals: Mask, chosen: Sequence[int]) -> list[int]:
        """Return readings that tell most of some pairs off."""
        first, second = self.space.pairs
        pairs = np.flatnonzero(rivals)
        worth = np.zeros(len(models))
        for row, (column, model) in enumerate(zip(self.table.columns, models, strict=True)):
            if row in chosen:
                worth[row] = -1.0
                continue
            rows = column.row_of_double
            shown = as_read(column.displays(*column.of_pairs(rows[first[pairs]], rows[second[pairs]])), model)
            sd = np.sqrt(shown.own_sd**2 + shown.time_sd**2 + model.digits_sd**2)
            is_open = ~np.isfinite(shown.value)
            with np.errstate(invalid="ignore"):
                far = np.minimum(np.abs(shown.value - model.value) / sd, FARTHEST)
            read_open = math.isnan(model.value)
            worth[row] = float(np.sum(np.where(is_open == read_open, 0.0 if read_open else np.nan_to_num(far), 4.0)))
        order = np.argsort(-worth, kind="stable")[:MORE_READINGS].tolist()
        found = [row for row in order if worth[row] >= 0.0]
        if not found:
            raise Rejected(LEFT_OPEN)
        return found

    def _proof(
        self,
        near: _Weighed,
        here: float,
        planted: tuple[int, ...],
        answers: Sequence[frozenset[str]],
        chosen: Sequence[int],
        singles: _Weighed,
        truth: float,
    ) -> Proof:
        probability, _ = self._share(near, answers)
        single_share, _ = self._share(singles, answers)
        probability = min(probability, single_share) if len(chosen) < len(self.probings) else probability
        if probability < self.stated:
            raise Rejected("the answer is not probable enough")
        right = [faults for faults in near.evidence if any(answer <= self._packages(faults) for answer in answers)]
        others = {faults: evidence for faults, evidence in near.evidence.items() if faults not in right}
        nearest = nearest_of(others)
        gap = min(here - others[nearest] if others else math.inf, MOST_NATS)
        exact = {frozenset(answer) for answer in answers}
        close = [
            faults
            for faults, evidence in sorted(singles.evidence.items(), key=lambda one: -one[1])
            if faults != planted and self._packages(faults) in exact and evidence > truth - CLOSE_NATS
        ]
        close += [
            faults
            for faults in right
            if faults != planted
            and faults not in close
            and len(faults) == len(planted)
            and self._packages(faults) in exact
            and near.evidence[faults] > here - CLOSE_NATS
        ]
        return Proof(
            answers=tuple(tuple(sorted(answer)) for answer in answers),
            probability=probability,
            gap_nats=gap,
            nearest=tuple(self.space.faults[fault] for fault in nearest),
            same=tuple(tuple(self.space.faults[fault] for fault in faults) for faults in (planted, *close)),
            readings=tuple(sorted(chosen)),
            weighed=1 + len(self.space.singles) + len(self._pair[0]),
        )

    def _prove_good(self, models: Sequence[ReadingModel]) -> Proof:
        """Prove that nothing shows: whatever would show on this sheet is told off by it."""
        near = self._weigh(self.table, models, self._none)
        good = near.evidence.get((), -math.inf)
        if max(near.evidence.values()) > good + CLOSE_NATS:
            raise Rejected("a fault explains the readings better")
        apart = np.atleast_1d(self.rows.apart(0).any(axis=0))
        silent = {
            row.faults[0][0] for row, shows in zip(self.rows.who[1:], apart[1:].tolist(), strict=True) if not shows
        }
        _, share = self._share(near, [frozenset()])
        shows = {
            faults: evidence
            for faults, evidence in near.evidence.items()
            if faults and self.space.faults[faults[0]] not in silent
        }
        probability = 1.0 - math.fsum(share[faults] for faults in shows)
        nearest = nearest_of(shows)
        gap = min(good - shows[nearest] if shows else math.inf, MOST_NATS)
        if gap < CLOSE_NATS:
            raise Rejected("the sheet leaves a fault open")
        if probability < self.stated:
            raise Rejected("the answer is not probable enough")
        return Proof(
            answers=((),),
            probability=probability,
            gap_nats=gap,
            nearest=tuple(self.space.faults[fault] for fault in nearest),
            same=((),),
            readings=tuple(range(len(models))),
            weighed=1 + len(self.space.singles),
        )

    def prove_error(self, error: str, errors: Sequence[str], readings: Sequence[Reading]) -> Proof:
        """Return why the readings leave an error of the bench and no fault.

        Parameters
        ----------
        error : str
            The error that was made.
        errors : sequence of str
            All errors this bench allows.
        readings : sequence of Reading
            What was read, in the order of the worksheet.

        Raises
        ------
        Rejected
            They leave more.
        """
        models = model_readings(readings, self.meter)
        good = {one: self._good_evidence(one, readings) for one in errors}
        truth = good[error]
        rivals = {one: evidence for one, evidence in good.items() if one != error}
        near = self._weigh(self.table, models, self._none)
        best = max(*near.evidence.values(), *rivals.values(), -math.inf)
        if best > truth - CLOSE_NATS:
            raise Rejected("the error of the bench does not show")
        if close_fits(self.table, models, self._none):
            raise Rejected("faults explain the readings")
        near = self._weigh(self.table, models, ~self._none, truth, WINDOW_NATS)
        best = max(best, max(evidence for faults, evidence in near.evidence.items()))
        gap = min(truth - best, MOST_NATS)
        if gap < CLOSE_NATS:
            raise Rejected("a pair of faults explains the readings")
        logs = [evidence + self._log_prior(faults) for faults, evidence in near.evidence.items()]
        mine = truth + SETUP_LOG_PRIOR
        others = [
            log for log in (*logs, *(evidence + SETUP_LOG_PRIOR for evidence in rivals.values())) if log > mine - 30.0
        ]
        probability = 1.0 / (1.0 + math.fsum(math.exp(log - mine) for log in others))
        if probability < self.stated:
            raise Rejected("the answer is not probable enough")
        nearest = nearest_of(near.evidence)
        return Proof(
            answers=((f"<{error}>",),),
            probability=probability,
            gap_nats=gap,
            nearest=tuple(self.space.faults[fault] for fault in nearest),
            same=((),),
            readings=tuple(range(len(models))),
            weighed=1 + len(self.space.singles) + len(self._pair[0]) + len(rivals),
        )

    def _good_evidence(self, error: str, readings: Sequence[Reading]) -> float:
        """Return the log evidence of a good board read with an error of the bench."""
        setup = real_setup(self.setup, error)
        space = self.memory.space(self.board, setup)
        alone = dataclasses.replace(
            space,
            faults=(),
            priors=dataclasses.replace(space.priors, log_healthy=0.0, log_single=np.zeros(0)),
            singles=space.singles.none(),
            doubles=space.doubles.none(),
            part_of_fault=np.zeros(0, dtype=np.intp),
            hides=frozenset(),
        )
        taken = [dataclasses.replace(one, probing=real_probing(one.probing, error)) for one in readings]
        table = table_of(alone, self.meter, taken, pairs=False)
        models = model_readings(taken, self.meter)
        return _sum_up(alone, refine(table, models, screen(table, models, pairs=False))).evidence[()]


def nearest_of(evidence: Mapping[tuple[int, ...], float]) -> tuple[int, ...]:
    """Return the explanation that comes nearest, of those alike the first: digits depend on what was solved before.

    Parameters
    ----------
    evidence : mapping of tuple of int to float
        Log evidence by fault numbers; without any, the good board is returned.
    """
    return min(evidence, key=lambda faults: (-round(evidence[faults], SAME_DIGITS), faults), default=())


def _blank(probings: Sequence[Probing]) -> list[Reading]:
    return [Reading(0, one, "OL", None, "V", "OL", discharged=True) for one in probings]
