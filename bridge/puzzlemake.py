"""Puzzles made: something is planted, a real board is drawn and read, one answer is proved, the effort measured."""

from __future__ import annotations

import dataclasses
import math
import os
import signal
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import combinations
from multiprocessing import active_children, get_context

import numpy as np

from bridge.advise import CERTAIN, ENOUGH_BITS, probing_cost
from bridge.board import load_board
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.journal import setup_mapping
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzlebench import PuzzleBench, possible_errors, written
from bridge.puzzlebeside import names_beside
from bridge.puzzledraw import Wish, draw_bench, draw_plant, wished_faults
from bridge.puzzlefile import BestStep, EffortEntry, Key, PlantedFault, ProofEntry, Puzzle, RealValues, SheetRow
from bridge.puzzlelevel import Effort, Further, Step, measure_effort, reading_worths
from bridge.puzzleopen import WELL_OPEN, Weighing
from bridge.puzzlepattern import PatternProver, draw_pattern, wished_patterns
from bridge.puzzleproof import BY_THE_BENCH, LEFT_OPEN, PART_OF_IT, Proof, Rejected
from bridge.puzzlerows import Rows, packages_of, rows_of_errors, rows_of_sets
from bridge.puzzlesheet import REACHES, puzzle_probings
from bridge.puzzlestory import TASK, tell_story
from bridge.readings import Reading
from bridge.separate import separable_in_place
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage, NoAnswerError
from bridge.wording import listed, quoted

__all__ = ["Made", "Order", "PuzzleMaker", "identity", "make_puzzles"]

COMPANIONS = 10  # faults that make up pairs beside each planted one, for the solver to rule out
FURTHER_BITS = (
    0.05  # for each effort, while no other list is well open: for less nobody reads on; common practice, no source
)
SHARE_STEPS = 1000  # to a tenth of a percent a key states its probability, rounded down: nothing is 100 %
GAP_DIGITS = 4
MOST_DRAWS = 400  # for each puzzle wanted
LEVELS = (1, 2, 3, 4, 5)
STORY_STREAM, DRAW_STREAM = 1, 2
LIKE_ANOTHER = "there is one like it"


@dataclass(frozen=True, slots=True)
class Order:
    """What a trainer orders.

    Parameters
    ----------
    board, meter : str
        Names or paths.
    setup : Setup
        The bench as stated.
    wish : Wish
        What may be planted.
    reach : str
        How far readings go: ``terminals``, ``gates`` or ``holds``.
    levels : tuple of int
        Levels wanted, spread evenly over the set; empty for any.
    count : int
        How many puzzles.
    seed : int
        Makes it repeatable.
    probe : bool
        Whether the trainee gets a board to be probed, without a worksheet.
    stated : float
        How probable the answer must be [1].

    Raises
    ------
    InputError
        Another reach, or charge on the bus.
    """

    board: str
    meter: str
    setup: Setup
    wish: Wish = field(default_factory=Wish)
    reach: str = "gates"
    levels: tuple[int, ...] = ()
    count: int = 1
    seed: int = 0
    probe: bool = False
    stated: float = CERTAIN

    def __post_init__(self) -> None:
        """Refuse another reach, and a bus that is not discharged."""
        if self.reach not in REACHES:
            raise InputError(f"{quoted(self.reach)}; accepted: {listed(REACHES)}", where="--reach")
        if self.setup.bus_volts:
            raise InputError(
                f"{self.setup.bus_volts:g}; accepted: 0, for the bus is discharged before every reading of a puzzle",
                where="--bus-volts",
            )

    @property
    def name(self) -> str:
        """Name of the board, without a path."""
        return load_board(self.board).name


@dataclass(frozen=True, slots=True)
class Made:
    """A set of puzzles, and how many draws made none, by reason."""

    keys: tuple[Key, ...]
    draws: int
    rejected: dict[str, int]


class PuzzleMaker:
    """Makes puzzles of one board, bench and reach; a draw depends on the seed and its number alone.

    Parameters
    ----------
    order : Order
        What is ordered.
    """

    def __init__(self, order: Order) -> None:
        self.order = order
        self.board, self.meter, self.setup = load_board(order.board), load_meter(order.meter), order.setup
        self.probings = puzzle_probings(self.board, order.reach)
        self.errors = possible_errors(self.board, self.setup)
        self.prover = PatternProver(self.board, self.meter, self.setup, self.probings, order.stated)
        self.allowed = wished_faults(self.prover.space, order.wish)
        self.patterns = wished_patterns(self.prover.space, order.wish, self.allowed)
        self._error_rows = rows_of_errors(self.board, self.meter, self.setup, self.probings, self.errors)

    def draw(self, number: int, known: Collection[object] = ()) -> Key:
        """Return the puzzle of one draw.

        Parameters
        ----------
        number : int
            Number of the draw.
        known : collection
            Identities of puzzles that are there already: another like one of them is not wanted.

        Raises
        ------
        Rejected
            It makes none.
        """
        rng = np.random.default_rng([self.order.seed, DRAW_STREAM, number])
        damage, error = draw_plant(self.prover.space, self.order.wish, self.allowed, self.errors, rng, self._pattern)
        if _identity(error, (fault for fault, _ in damage)) in known:
            raise Rejected(LIKE_ANOTHER)
        rows, truth, rest = self._rows(damage, error)
        self._glance(rows, truth, rest, damage, error)
        if self.order.levels:  # the planted list is the first answer, mostly the only one: the proof can be spared
            self._need_level(self._effort(rows, truth, rest, [self._target(damage, error)]))
        bench = draw_bench(self.board, self.meter, self.setup, damage, error, rng)
        try:
            readings = bench.readings(self.probings)
        except NoAnswerError:
            raise Rejected("a reading has no answer") from None
        proof = self.prover.prove_error(error, self.errors, readings) if error else self.prover.prove(damage, readings)
        answers = [frozenset(answer) for answer in proof.answers]
        effort = self._effort(rows, truth, rest, answers, self._further(damage, answers, readings))
        self._need_level(effort)
        return self._key(number, bench, readings, proof, effort)

    def attempt(self, number: int, known: Collection[object] = ()) -> Key | str:
        """Return the puzzle of one draw, or why it makes none.

        Parameters
        ----------
        number, known
            As for :meth:`draw`.
        """
        try:
            return self.draw(number, known)
        except Rejected as reason:
            return str(reason)

    def _need_level(self, effort: Effort) -> None:
        if self.order.levels and effort.level not in self.order.levels:
            raise Rejected(f"level {effort.level}")

    def _target(self, damage: Damage, error: str) -> frozenset[str]:
        return frozenset((f"<{error}>",)) if error else packages_of(self.board, damage)

    def _rows(self, damage: Damage, error: str) -> tuple[Rows, int, dict[frozenset[str], int]]:
        """Return explanations for the solver: all single faults, errors of the bench, the planted set and its kin."""
        rows = self.prover.rows.with_more(self._error_rows)
        first = len(self.prover.rows.who)
        if error:
            return rows, first + self.errors.index(error), {}
        if not damage:
            return rows, 0, {}
        space = self.prover.space
        kin: list[tuple[Damage, float]] = [(damage, self._log_prior(damage))]
        parts = self._parts(damage)
        kin += [(part, self._log_prior(part)) for part in parts]
        for one in damage:
            pairs = [
                tuple(sorted((one, (other, None)), key=lambda item: item[0]))
                for other in space.faults
                if other.part != one[0].part
            ]
            likely = sorted(((self._log_prior(pair), pair) for pair in pairs), key=lambda item: -item[0])
            kin += [(pair, prior) for prior, pair in likely[:COMPANIONS]]
        count = len(rows.who)
        rows = rows.with_more(rows_of_sets(self.board, self.meter, self.setup, self.probings, kin))
        rest = {packages_of(self.board, part): count + 1 + place for place, part in enumerate(parts)}
        return rows, count, rest

    def _pattern(self, rng: np.random.Generator) -> Damage:
        return draw_pattern(self.patterns, self.board, self.meter, self.setup, self.probings, rng)

    def _parts(self, damage: Damage) -> list[Damage]:
        """Return what is left of several faults while only some of their packages were replaced."""
        if len(damage) == 2:  # in one package, too: each of them alone is for the solver to rule out
            return [(one,) for one in damage]
        packages = sorted(packages_of(self.board, damage))
        left = [frozenset(some) for size in range(1, len(packages)) for some in combinations(packages, size)]
        return [tuple(one for one in damage if self.board.parts[one[0].part].package in some) for some in left]

    def _log_prior(self, damage: Damage) -> float:
        return self.prover.space.priors.log_prior(tuple(sorted(fault for fault, _ in damage)))

    def _glance(self, rows: Rows, truth: int, rest: dict[frozenset[str], int], damage: Damage, error: str) -> None:
        """Reject what a look at the nominal board shows to be no puzzle."""
        apart = np.atleast_1d(rows.apart(truth).any(axis=0))
        if (damage or error) and not apart[0]:
            raise Rejected("nothing shows")
        answer = self._target(damage, error)
        if any(not apart[number] for number in rest.values()) and len(answer) > 1:
            raise Rejected(PART_OF_IT)
        alike = [rows.who[number] for number in np.flatnonzero(~apart).tolist() if number != truth]
        others = [one for one in alike if not answer <= one.target]
        if error and others:
            raise Rejected("the error of the bench does not show")
        if damage and any(one.error for one in others):
            raise Rejected(BY_THE_BENCH)
        if damage and others:  # the likeliest of them tells enough; the proof asks all
            likeliest = max(others, key=lambda one: one.log_prior)
            if separable_in_place(self.board, self.meter, self.setup, [list(damage), list(likeliest.faults)]):
                raise Rejected(LEFT_OPEN)

    def _effort(
        self,
        rows: Rows,
        truth: int,
        rest: dict[frozenset[str], int],
        answers: Sequence[frozenset[str]],
        further: Further | None = None,
    ) -> Effort:
        return measure_effort(self.board, self.probings, rows, truth, answers, rest, self.order.stated, further)

    def _further(self, damage: Damage, answers: Sequence[frozenset[str]], readings: Sequence[Reading]) -> Further:
        """Return what asks the ranking, and so every pair, whether readings settle the answer, and which one is next.

        Of a good board most faults leave no trace: there its readings end where none tells more.
        """
        weighing = Weighing(self.board, self.meter, self.setup, self.order.reach, damage, answers)
        shown = {one.probing: one for one in readings}
        cost = {one: probing_cost(self.board, one) for one in self.probings}

        def further(steps: Sequence[Step]) -> tuple[Step, ...]:
            taken = [step.probing for step in steps]
            if not taken or not answers[0]:
                return ()
            memory = TableMemory()  # none of other draws: the same seed gives the same key
            standing = weighing.after([shown[one] for one in taken], memory)
            more: list[Step] = []
            while not standing.settles(self.order.stated) and len(taken) < len(self.probings):
                left = [number for number, one in enumerate(self.probings) if one not in taken]
                explanations, (weight,) = weighing.explanations([standing], self.probings)
                worths = dict(zip(left, reading_worths(explanations, weight, left), strict=True))
                best = max(left, key=lambda number: worths[number] / cost[self.probings[number]])
                least = ENOUGH_BITS if standing.rival > WELL_OPEN else FURTHER_BITS * cost[self.probings[best]]
                if worths[best] < least:
                    break
                taken.append(self.probings[best])
                after = weighing.after([shown[one] for one in taken], memory)
                more.append(Step(taken[-1], cost[taken[-1]], worths[best], after.bits_since(standing)))
                standing = after
            return tuple(more)

        return further

    def _key(self, number: int, bench: PuzzleBench, readings: Sequence[Reading], proof: Proof, effort: Effort) -> Key:
        shown = {one.probing: written(one) for one in readings}
        order = self.order
        story = tell_story(
            self.board,
            self.setup,
            is_sheet=not order.probe,
            rng=np.random.default_rng([order.seed, STORY_STREAM, number]),
        )
        rows = [SheetRow(one.probing.red, one.probing.black, one.probing.mode_text, shown[one.probing],
                         one.probing.hold_text) for one in readings]  # fmt: skip
        board, meter = names_beside(order.board, order.meter)
        puzzle = Puzzle(
            number=1,
            level=effort.level,
            board=board,
            meter=meter,
            setup=setup_mapping(self.setup),
            reach=order.reach,
            story=story,
            task=TASK,
            readings=[] if order.probe else rows,
        )
        return Key(
            puzzle=puzzle,
            faults=[PlantedFault(fault.part, fault.mode, ohms) for fault, ohms in bench.damage],
            error=bench.error,
            answers=[list(answer) for answer in proof.answers],
            same=[[str(fault) for fault in faults] for faults in proof.same],
            proof=ProofEntry(
                # pairs that earlier draws had solved are bounded more closely: digits beyond these depend on that
                min(math.floor(proof.probability * SHARE_STEPS), SHARE_STEPS - 1) / SHARE_STEPS,
                round(proof.gap_nats, GAP_DIGITS),
                [str(fault) for fault in proof.nearest],
                [place + 1 for place in proof.readings],
                proof.weighed,
            ),
            effort=EffortEntry(
                effort.score,
                effort.solver,
                effort.novice,
                effort.trials,
                [place + 1 for place in effort.odd],
                effort.herrings,
                effort.needs,
            ),
            best=[
                BestStep(
                    step.probing.red,
                    step.probing.black,
                    step.probing.mode_text,
                    step.probing.hold_text,
                    shown[step.probing],
                    step.cost,
                    step.expected_bits,
                    step.bits,
                )
                for step in effort.best
            ],
            real=self._real_values(bench),
            seed=order.seed,
            draw=number,
        )

    def _real_values(self, bench: PuzzleBench) -> RealValues:
        values = {
            ref: {
                name: float(value) for name, value in part.values.items() if value != self.board.parts[ref].values[name]
            }
            for ref, part in bench.virtual.board.parts.items()
        }
        return RealValues(
            values={ref: own for ref, own in values.items() if own},
            gains=dict(bench.virtual.gains),
            temperature_c=bench.virtual.setup.temperature_c,
            luck=bench.luck,
        )


_maker: PuzzleMaker | None = None


def _begin(order: Order) -> None:
    global _maker
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group: the first process ends the others
    _maker = PuzzleMaker(order)


def _try(number: int, known: frozenset[object]) -> Key | str:
    assert _maker is not None
    return _maker.attempt(number, known)


def _draws(order: Order, workers: int, known: Collection[object]) -> Iterator[Key | str]:
    """Yield what becomes of each draw, in their order; several are tried at once where there are processors."""
    limit = MOST_DRAWS * order.count
    if workers < 2:
        maker = PuzzleMaker(order)
        yield from (maker.attempt(number, known) for number in range(limit))
        return
    with ProcessPoolExecutor(workers, get_context("spawn"), _begin, (order,)) as pool:
        with _uninterrupted():
            waiting = [pool.submit(_try, number, frozenset(known)) for number in range(2 * workers)]
        following = len(waiting)
        try:
            for _ in range(limit):
                yield waiting.pop(0).result()
                waiting.append(pool.submit(_try, following, frozenset(known)))
                following += 1
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in active_children():  # what they still try is wanted by nobody
                worker.terminate()


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Start processes with Ctrl-C held back: they inherit that, and are not stopped while they still load."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def identity(key: Key) -> object:
    """Return what makes a puzzle another one than its neighbours: what is planted.

    Parameters
    ----------
    key : Key
        The key.
    """
    return _identity(key.error, key.faults)


def look_alikes(key: Key) -> set[object]:
    """Return the identities of all that would be the same puzzle: what nothing in place tells from what is planted.

    Parameters
    ----------
    key : Key
        The key.
    """
    same = [tuple((part, mode) for part, _, mode in (text.partition(":") for text in faults)) for faults in key.same]
    return {identity(key), *((key.error, faults) for faults in same)}


def _identity(error: str, faults: Iterable[Fault | PlantedFault]) -> object:
    return error, tuple((fault.part, fault.mode) for fault in faults)


def make_puzzles(
    order: Order, progress: Callable[[int, int, int], None] | None = None, workers: int | None = None
) -> Made:
    """Return a set of puzzles, no two the same: none planted with what another's readings could as well stand for.

    Parameters
    ----------
    order : Order
        What is ordered.
    progress : callable, optional
        Called with puzzles made, puzzles ordered and draws tried.
    workers : int, optional
        Processes; all processors for a set, one for a puzzle alone.

    Raises
    ------
    InputError
        What is ordered cannot be had: too many draws made no such puzzle.
    """
    if workers is None:
        workers = min(os.cpu_count() or 1, 8, order.count)
    if workers > 1:
        _check(order)
    quota = _quota(order)
    keys: list[Key] = []
    known: set[object] = set()
    rejected: Counter[str] = Counter()
    tried = 0
    draws = _draws(order, workers, known)
    try:
        for outcome in draws:
            tried += 1
            if isinstance(outcome, str):
                rejected[outcome] += 1
            elif identity(outcome) in known:
                rejected[LIKE_ANOTHER] += 1
            elif order.levels and quota[outcome.puzzle.level] <= 0:
                rejected[f"level {outcome.puzzle.level}"] += 1
            else:
                known |= look_alikes(outcome)
                quota[outcome.puzzle.level] -= 1
                puzzle = dataclasses.replace(outcome.puzzle, number=len(keys) + 1)
                keys.append(dataclasses.replace(outcome, puzzle=puzzle))
            if progress is not None:
                progress(len(keys), order.count, tried)
            if len(keys) == order.count:
                break
    finally:
        draws.close()  # type: ignore[attr-defined]
    if len(keys) < order.count:
        if max(rejected, key=lambda reason: rejected[reason], default="") == LIKE_ANOTHER:
            raise InputError(
                f"{len(keys)} of {order.count} puzzles in {tried} draws: nearly all others would have been like one of "
                f"them; accepted: --count {len(keys)}, or a wider choice of what is planted",
                where="puzzle make",
            )
        most = ", ".join(f"{reason} ({count})" for reason, count in rejected.most_common(3))
        raise InputError(
            f"{len(keys)} of {order.count} puzzles in {tried} draws; most made none: {most}; accepted: fewer, other "
            "levels, or a wider choice of parts",
            where="puzzle make",
        )
    return Made(tuple(keys), tried, dict(rejected))


def _quota(order: Order) -> dict[int, int]:
    if not order.levels:
        return dict.fromkeys(LEVELS, order.count)
    share, more = divmod(order.count, len(order.levels))
    return {level: share + (place < more) for place, level in enumerate(order.levels)}


def _check(order: Order) -> None:
    """Refuse in this process what a worker could only die of."""
    board = load_board(order.board)
    load_meter(order.meter)
    space = build_space(board, order.setup)
    wished_patterns(space, order.wish, wished_faults(space, order.wish))
