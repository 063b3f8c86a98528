"""How well rankings do on virtual boards: ``python -m tests.studies BOARD --boards N --seed S``.

Faults are drawn from the prior (healthy, one and two as in the table; ``--uniform`` draws every fault alike), the board
from the spreads, the readings by our own solver, or by ngspice with ``--ngspice``. The reading plan is fixed before:
the standard sheet, and then the one reading that the tool asks to be taken again, if it asks. Beside the ranking stand
a table of rules of thumb and a dictionary that takes the nearest of all single faults and 2000 pairs at their median
severity. What a fault leaves on the sheet is worked out before ranking; the accuracy is told of faults that leave a
trace.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.board import load_board
from bridge.faultspace import build_space
from bridge.faulttable import fault_table
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.stoprule import StopRule
from bridge.tablememory import TableMemory
from bridge.virtualboard import Damage, VirtualBoard, draw_board, draw_faults, read_board
from tests.studies.conditions import SETUPS, add_slip, exchange_leads, real_setup, without_parts
from tests.studies.judge import Verdict, judge
from tests.studies.plan import standard_sheet
from tests.studies.rivals import Dictionary, rule_of_thumb
from tests.studies.scores import debiased_calibration_error, wilson_interval
from tests.studies.trace import setup_shows, trace


@dataclass(frozen=True, slots=True)
class Condition:
    """What a study does to its boards.

    Parameters
    ----------
    uniform : bool
        Whether every fault is as likely as every other.
    simulator : bool
        Whether ngspice reads the boards, which are then of another make.
    spread : float
        Factor on the part spread that ranking assumes [1].
    wrong_file : bool
        Whether the board file lacks what sits beside the bridge.
    slip : bool
        Whether one reading is a slip.
    setup : str
        State of the bench that nobody told of, empty for none.
    counts : tuple of int
        Numbers of faults to draw; empty for the shares of the prior.
    """

    uniform: bool = False
    simulator: bool = False
    spread: float = 1.0
    wrong_file: bool = False
    slip: bool = False
    setup: str = ""
    counts: tuple[int, ...] = ()


def _read_by_simulator(
    virtual: VirtualBoard, plan: Sequence[Probing], damage: Damage, rng: np.random.Generator
) -> tuple[Reading, ...]:
    """Return the readings with ngspice in the place of our solver."""
    from bridge.readings import parse_readings
    from tests.crosscheck.netlist import Damage as Planted
    from tests.make_examples import Scenario, readings_of

    seed = str(rng.integers(1 << 40))
    planted = tuple(Planted(fault.part, fault.mode, ohms) for fault, ohms in damage)
    rows = tuple((one.red, one.black, one.mode) for one in plan)
    scenario = Scenario(seed, virtual.board.name, planted, virtual.setup.temperature_c, 1.6, 3.0, rows, "")
    text = "".join(f"{','.join(row)},discharged\n" for row in readings_of(scenario))
    whole = f"red,black,mode,reading,note\n{text}".encode()
    return parse_readings(whole, "virtual", load_board(virtual.board.name), virtual.meter).readings


def run(name: str, boards: int, seed: int, condition: Condition) -> list[tuple[Verdict, int | None]]:
    """Return the verdict on each of so many boards, and which reading was a slip."""
    real, meter, setup = load_board(name), load_meter(), Setup()
    board = without_parts(real) if condition.wrong_file else real
    space, plan = build_space(board, setup), standard_sheet(real)
    dictionary = Dictionary(board, meter, space, plan, seed + 1)
    counts = fault_table().counts
    shares = np.array([counts.healthy, counts.one, counts.two])
    memory = TableMemory()
    verdicts: list[tuple[Verdict, int | None]] = []
    for number in range(boards):
        rng = np.random.default_rng((seed, number))  # each board can be drawn again by itself
        many = condition.counts[number % len(condition.counts)] if condition.counts else None
        if many is None:
            many = int(rng.choice(3, p=shares / shares.sum()))
        damage = draw_faults(space, many, rng, uniform=condition.uniform)
        bench = real_setup(real, setup, condition.setup)
        virtual = draw_board(real, meter, bench, rng, condition.spread)
        readings = (_read_by_simulator if condition.simulator else read_board)(virtual, plan, damage, rng)
        slipped = None
        if condition.slip:
            readings, slipped = add_slip(virtual, plan, damage, readings, rng)
        swapped = condition.setup == "leads-swapped"
        if swapped:
            readings = tuple(exchange_leads(one) for one in readings)
        left = trace(real, meter, setup, plan, damage)
        thumb, nearest = rule_of_thumb(board, readings), dictionary.nearest(readings)
        ranking = rank(board, meter, setup, readings, memory=memory)
        worst, stands = ranking.fit.worst_reading, StopRule().verdict(ranking) is not None
        if worst is not None and not condition.simulator:
            again = read_board(virtual, [plan[worst]], damage, rng)
            if swapped:
                again = tuple(exchange_leads(one) for one in again)
            ranking = rank(board, meter, setup, (*readings, *again), memory=memory)
        verdict = judge(ranking, damage, left, thumb, nearest)
        shows = bool(condition.setup) and setup_shows(real, meter, setup, bench, plan, damage, swapped)
        verdicts.append((dataclasses.replace(verdict, worst=worst, stands=stands, setup_shows=shows), slipped))
        print(f"{number + 1} of {boards}", end="\r", file=sys.stderr)
    return verdicts


def _share(hits: int, count: int) -> str:
    low, high = wilson_interval(hits, count)
    return f"{hits / count:.1%} ({low:.1%} to {high:.1%})"


def report(judged: Sequence[tuple[Verdict, int | None]]) -> list[str]:
    """Return the scores, a line each."""
    verdicts = [verdict for verdict, _ in judged]
    lines = []
    for traceable, what in ((0, "no trace left"), (1, "one traceable fault"), (2, "two traceable faults")):
        mine = [one for one in verdicts if one.traceable == traceable]
        if not mine:
            continue
        hits, whole = sum(one.first_group for one in mine), sum(one.complete for one in mine)
        sizes = np.array([one.size for one in mine])
        lines.append(
            f"{what}: {len(mine)} boards, in the first group {_share(hits, len(mine))}, "
            f"replace complete {whole / len(mine):.1%}, its size {sizes.mean():.1f} on average and "
            f"{np.percentile(sizes, 95):.0f} at the 95th percentile; leader's repair utility "
            f"{np.mean([one.utility for one in mine]):.3f}; right: rule of "
            f"thumb {np.mean([one.thumb for one in mine]):.1%}, nearest {np.mean([one.nearest for one in mine]):.1%}"
        )
    masked = [one for one in verdicts if one.masked]
    if masked:
        lines.append(f"masking one another: {len(masked)}, found {sum(one.first_group for one in masked)}")
    healthy = [one for one in verdicts if one.count == 0]
    if healthy:
        lines.append(
            f"healthy: {len(healthy)}, called so {_share(sum(one.first_group for one in healthy), len(healthy))}"
        )
    planted = [one for one in verdicts if one.count]
    if planted:
        lines.append(f"planted damage that leaves a trace: {np.mean([one.traceable > 0 for one in planted]):.1%}")
    stated = np.array([one.stated for one in verdicts])
    right = np.array([float(one.holds) for one in verdicts])
    error, chance = debiased_calibration_error(stated, right)
    lines.append(
        f"first group stated {stated.mean():.3f}, right {right.mean():.3f}; calibration error {error:.3f}, "
        f"debiased; chance alone shows {chance:.3f}"
    )
    blamed = {what: sum(one.setup == what for one in verdicts) for what in sorted({one.setup for one in verdicts})}
    lines.append(f"none fits {np.mean([not one.fit for one in verdicts]):.1%}; set-up: {blamed}")
    shown = [one for one in verdicts if one.setup_shows]
    if shown:
        first = sum(one.setup != "as-stated" for one in shown)
        lines.append(f"set-up that leaves a trace: {len(shown)} boards, suspected first on {_share(first, len(shown))}")
    slips = [slipped for _, slipped in judged if slipped is not None]
    if slips:
        unnamed = [verdict for verdict, slipped in judged if slipped is not None and verdict.worst != slipped]
        lines.append(
            f"slip named {1.0 - len(unnamed) / len(slips):.1%} of {len(slips)}; "
            f"of the {len(unnamed)} others {sum(one.stands for one in unnamed)} led to a verdict"
        )
    missed = [one for one in verdicts if not one.first_group]
    lines += [f"missed: {one.truth} (first group {one.stated:.2f}, traceable {one.traceable})" for one in missed[:40]]
    return lines


def main(arguments: Sequence[str]) -> None:
    """Run a study and print its scores."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies", description=__doc__)
    parser.add_argument("board")
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--uniform", action="store_true", help="every fault equally likely")
    parser.add_argument("--ngspice", action="store_true", help="readings by ngspice, on boards of another make")
    parser.add_argument("--spread", type=float, default=1.0, help="factor on the part spread that ranking assumes")
    parser.add_argument("--wrong-file", action="store_true", help="the board file lacks what sits beside the bridge")
    parser.add_argument("--slip", action="store_true", help="one reading of each sheet is a slip")
    parser.add_argument("--setup", choices=SETUPS, default="", help="a state of the bench nobody told of")
    parser.add_argument("--counts", default="", help="numbers of faults in turn, such as 1,2")
    asked = parser.parse_args(arguments)
    condition = Condition(
        uniform=asked.uniform,
        simulator=asked.ngspice,
        spread=asked.spread,
        wrong_file=asked.wrong_file,
        slip=asked.slip,
        setup=asked.setup,
        counts=tuple(int(one) for one in asked.counts.split(",") if one),
    )
    begun = time.monotonic()
    judged = run(asked.board, asked.boards, asked.seed, condition)
    print(f"{asked.board}, {asked.boards} boards, seed {asked.seed}, {time.monotonic() - begun:.0f} s")
    print("\n".join(report(judged)))


if __name__ == "__main__":
    main(sys.argv[1:])
