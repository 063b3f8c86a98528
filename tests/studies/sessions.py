"""Readings until the verdict, as proposed and by the sheet: ``python -m tests.studies.sessions BOARD``.

Each virtual board is probed three times. Once the tool proposes each reading; once the technician takes the worksheet
from the top; once in the order that is best for the prior. All end as a bench session does: when one replace list holds
95 %, or holds 90 % and no longer moves; the one that is led also when nothing reachable helps. A worksheet that ends
without a verdict would have needed more readings than it has: its length is a lower bound. Faults are those that show
at main terminals; with ``--gate-leads`` those that show at gate leads alone, each equally likely. Beside them stands
how many yes-or-no questions the first replace list is away from the prior (the entropy bound).
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bridge.advise import before_any_reading, suggest_readings
from bridge.board import Board, load_board
from bridge.boarddisplays import DisplayMemory
from bridge.faultspace import build_space
from bridge.faulttable import fault_table
from bridge.gain import entropy
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.stoprule import SURE, StopRule, asks_again
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage, VirtualBoard, draw_board, draw_faults, read_board
from bridge.worksheet import make_worksheet
from tests.studies.fixedorder import fixed_order
from tests.studies.plan import standard_sheet
from tests.studies.scores import wilson_interval
from tests.studies.trace import trace

READINGS_MOST = 30
OTHER_WAYS = {"sheet": "down the worksheet", "fixed": "in the best fixed order"}


@dataclass(frozen=True, slots=True)
class Ending:
    """How probing ended: readings taken, whether a list stands or no longer moves, what it condemns."""

    readings: int
    certain: bool
    settled: bool
    packages: frozenset[str]

    @property
    def stands(self) -> bool:
        """Whether there is a verdict."""
        return self.certain or self.settled


@dataclass(frozen=True, slots=True)
class Probed:
    """One board: three ways of probing it, what of it leaves a trace, and whether all readings would give a verdict."""

    led: Ending
    sheet: Ending
    fixed: Ending
    seen: frozenset[str]
    settled_by_all: bool
    truth: str


def _standing(ranking: Ranking, rule: StopRule, *, at_end: bool = False) -> Ending:
    """Return how things stand; at the end, where no reading would tell more, a list above 90 % moves no longer."""
    stands = rule.verdict(ranking)
    still = rule.settles(ranking) is not None if stands is None else False
    packages, probability = next(iter(ranking.replace_lists.items()))
    still = still or (at_end and stands is None and ranking.fit.ok and probability >= SURE)
    return Ending(len(ranking.readings), stands is not None, still, packages)


def probe(
    bench: tuple[Board, MeterProfile, Setup],
    virtual: VirtualBoard,
    damage: Damage,
    plan: Iterator[Probing] | None,
    rng: np.random.Generator,
    memory: TableMemory,
) -> Ending:
    """Return how probing ends: down a plan, or led by the tool where there is none.

    Parameters
    ----------
    bench : tuple of Board, MeterProfile and Setup
        What the tool is told.
    virtual, damage
        The board on the bench and what is wrong with it.
    plan : iterator of Probing or None
        The worksheet.
    rng : numpy.random.Generator
        Source of chance.
    memory : TableMemory
        What earlier rankings worked out.
    """
    board, meter, setup = bench
    readings: list[Reading] = []
    rule, displays = StopRule(), DisplayMemory()
    ranking = before_any_reading(board, meter, setup)
    while len(readings) < READINGS_MOST:
        worst = ranking.fit.worst_reading
        if plan is None and worst is not None and asks_again(ranking):
            place = readings[worst].probing
        elif plan is None:
            advice = suggest_readings(ranking, 1, memory=displays)
            place = advice[0].probing if advice and not advice[0].probing.lift else None
        else:
            place = next(plan, None)
        if place is None:
            return _standing(ranking, rule, at_end=plan is None)
        readings += read_board(virtual, [place], damage, rng)
        ranking = rank(board, meter, setup, readings, memory=memory)
        ending = _standing(ranking, rule)
        if ending.certain or ending.settled:
            return ending
    return _standing(ranking, StopRule())


def run(name: str, boards: int, seed: int, *, gate_leads: bool) -> Iterator[Probed]:
    """Yield how probing went, a board at a time, with faults that show at main terminals, or at gate leads alone."""
    board, meter, setup = load_board(name), load_meter(), Setup()
    space, plan = build_space(board, setup), standard_sheet(board)
    terminals = set(board.main_terminals)
    at_terminals = [place for place in plan if {place.red, place.black} <= terminals]
    sheet = make_worksheet(board, meter, setup, plan).probings
    best = fixed_order(board, meter, setup, READINGS_MOST)
    counts = fault_table().counts
    shares = np.array([counts.one, counts.two])
    drawn, done = itertools.count(), 0
    while done < boards:
        rng, memory = np.random.default_rng((seed, next(drawn))), TableMemory()
        damage = draw_faults(space, 1 + int(rng.choice(2, p=shares / shares.sum())), rng, uniform=gate_leads)
        left = trace(board, meter, setup, plan, damage)
        if not left.seen or left.masked:
            continue
        if gate_leads == bool(trace(board, meter, setup, at_terminals, damage).seen):
            continue
        virtual = draw_board(board, meter, setup, rng)
        bench = board, meter, setup
        led = probe(bench, virtual, damage, None, rng, memory)
        down = probe(bench, virtual, damage, iter(sheet), rng, memory)
        fixed = probe(bench, virtual, damage, iter(best), rng, memory)
        every = rank(board, meter, setup, read_board(virtual, sheet, damage, rng), memory=memory)
        seen = frozenset(board.parts[fault.part].package for fault in left.seen)
        truth = " ".join(str(fault) for fault, _ in damage)
        yield Probed(led, down, fixed, seen, _standing(every, StopRule()).certain, truth)
        done += 1


def report(name: str, probed: Sequence[Probed]) -> list[str]:
    """Return the scores, a line each."""
    lines = []
    stand = [one for one in probed if one.led.stands]
    if stand:
        led, down = (np.array([getattr(one, way).readings for one in stand]) for way in ("led", "sheet"))
        ended = sum(one.sheet.stands for one in stand)
        lines.append(
            f"{len(stand)} boards with a verdict when led: {led.mean():.1f} readings, at least {down.mean():.1f} down "
            f"the worksheet ({ended} of them came to a verdict), {1.0 - led.mean() / down.mean():.0%} fewer"
        )
    for way, words in OTHER_WAYS.items():
        both = [one for one in probed if one.led.stands and getattr(one, way).stands]
        if both:
            led, other = (np.array([getattr(one, name).readings for one in both]) for name in ("led", way))
            lines.append(
                f"{len(both)} boards with a verdict both ways: {led.mean():.1f} readings led, {other.mean():.1f} "
                f"{words}, {1.0 - led.mean() / other.mean():.0%} fewer; worst {led.max()} and {other.max()}"
            )
    start = before_any_reading(load_board(name), load_meter(), Setup()).replace_lists
    lines.append(f"entropy of what to replace before any reading: {entropy(np.array(list(start.values()))):.1f} bit")
    possible = [one for one in probed if one.settled_by_all]
    reached = sum(one.led.stands for one in possible)
    if possible:
        low, high = wilson_interval(reached, len(possible))
        lines.append(
            f"a verdict in {reached} of the {len(possible)} sessions in which all readings give one "
            f"({low:.0%} to {high:.0%})"
        )
    for way, kind in itertools.product(("led", *OTHER_WAYS), ("certain", "settled")):
        ends = [(getattr(one, way), one) for one in probed if getattr(getattr(one, way), kind)]
        right = sum(one.seen <= end.packages for end, one in ends)
        exact = sum(one.seen == end.packages for end, one in ends)
        if ends:
            named = {"certain": "at 95 %", "settled": "at 90 % and no longer moving"}[kind]
            lines.append(
                f"{way}: {len(ends)} verdicts {named}, {right} hold every part that leaves a trace, {exact} no other"
            )
    wrong = [one for one in probed if one.led.stands and not one.seen <= one.led.packages]
    lines += [f"wrong: {one.truth}: {' '.join(sorted(one.led.packages)) or 'healthy'}" for one in wrong]
    return lines


def main(arguments: Sequence[str]) -> None:
    """Run the sessions and print the scores; interrupted, those of the boards done by then."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies.sessions", description=__doc__)
    parser.add_argument("board")
    parser.add_argument("--boards", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--gate-leads", action="store_true", help="faults that show at gate leads alone, all alike")
    asked = parser.parse_args(arguments)
    begun = time.monotonic()
    probed: list[Probed] = []
    with contextlib.suppress(KeyboardInterrupt):
        for one in run(asked.board, asked.boards, asked.seed, gate_leads=asked.gate_leads):
            probed.append(one)
            print(f"{len(probed)} of {asked.boards}", end="\r", file=sys.stderr)
    print(f"{asked.board}, {len(probed)} boards, seed {asked.seed}, {time.monotonic() - begun:.0f} s")
    print("\n".join(report(asked.board, probed)))


if __name__ == "__main__":
    main(sys.argv[1:])
