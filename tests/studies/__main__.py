"""How well rankings do on virtual boards: ``python -m tests.studies BOARD --boards N --seed S``.

Faults are drawn from the prior (healthy, one and two as in the table; ``--uniform`` draws every fault alike), the board
from the spreads, the readings by our own solver, or by ngspice with ``--ngspice``. The reading plan is fixed before:
the standard sheet. Beside the ranking stands a dictionary that takes the nearest of all single faults and 2000 pairs at
their median severity.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, load_board
from bridge.crowd import forecast_crowd
from bridge.faults import Fault
from bridge.faulttable import fault_table
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.table import FaultSpace, TableMemory, build_space
from bridge.virtualboard import Damage, VirtualBoard, draw_board, draw_faults, read_board
from bridge.worksheet import rail_probings
from tests.studies.scores import debiased_calibration_error, wilson_interval

Array = NDArray[np.float64]

PAIRS_IN_DICTIONARY = 2000
OPEN = 9.0  # stands for OL in the dictionary's distances, in decades or volts


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one board came out: all shares in [1]."""

    count: int
    first_group: bool
    complete: bool
    size: int
    stated: float
    fit: bool
    setup_blamed: bool
    nearest: bool
    truth: str


def standard_sheet(board: Board) -> tuple[Probing, ...]:
    """Return diode mode both ways between main terminals and rails, blocking directions in ohms, and the gate leads."""
    plan = rail_probings(board)
    diode = [one for one in plan if one.mode == "diode"]
    return (*plan, *(Probing(one.red, one.black, "ohms") for one in diode if one.black in ("N",)))


def judge(ranking: Ranking, damage: Damage, nearest: frozenset[str]) -> Verdict:
    """Compare a ranking with what was planted."""
    board = ranking.board
    truth = {(fault.part, fault.mode) for fault, _ in damage}
    packages = frozenset(board.parts[fault.part].package for fault, _ in damage)
    first = ranking.groups[0]
    place = next(
        (one for one in ranking.candidates if {(guess.part, guess.mode) for guess in one.faults} == truth), None
    )
    return Verdict(
        count=len(damage),
        first_group=place is not None and place.group == 0,
        complete=packages <= set(first.replace),
        size=len(first.replace),
        stated=first.probability,
        fit=ranking.fit.ok,
        setup_blamed=ranking.setup[0].what != "as-stated",
        nearest=nearest == packages,
        truth=" ".join(f"{fault}" + ("" if ohms is None else f":{ohms:.3g}") for fault, ohms in damage) or "healthy",
    )


class Dictionary:
    """Readings of known faults; the nearest one is the guess."""

    def __init__(
        self, board: Board, meter: MeterProfile, space: FaultSpace, plan: Sequence[Probing], seed: int
    ) -> None:
        rng = np.random.default_rng(seed)
        hypotheses: list[tuple[Fault, ...]] = [(), *((fault,) for fault in space.faults)]
        while len(hypotheses) < 1 + len(space.faults) + PAIRS_IN_DICTIONARY:
            hypotheses.append(tuple(fault for fault, _ in draw_faults(space, 2, rng)))
        hypotheses = list(dict.fromkeys(hypotheses))
        shown = forecast_crowd(board, meter, Setup(), plan, [[(fault, None) for fault in one] for one in hypotheses])
        self.points = np.array([[_coordinate(one.value, one.unit) for one in row] for row in shown])
        self.packages = [frozenset(board.parts[fault.part].package for fault in one) for one in hypotheses]

    def nearest(self, readings: Sequence[Reading]) -> frozenset[str]:
        """Return the packages of the entry closest to the readings."""
        here = np.array([_coordinate(one.value, one.unit) for one in readings])
        return self.packages[int(np.argmin(np.abs(self.points - here).sum(axis=1)))]


def _coordinate(value: float | None, unit: str) -> float:
    if value is None:
        return OPEN if unit != "V" else 3.0
    return value if unit == "V" else math.log10(max(value, 0.1))


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


def run(name: str, boards: int, seed: int, *, uniform: bool, simulator: bool, spread: float) -> list[Verdict]:
    """Return the verdicts on so many boards."""
    board, meter, setup = load_board(name), load_meter(), Setup()
    space = build_space(board, setup)
    plan = standard_sheet(board)
    dictionary = Dictionary(board, meter, space, plan, seed + 1)
    counts = fault_table().counts
    shares = np.array([counts.healthy, counts.one, counts.two])
    rng = np.random.default_rng(seed)
    memory = TableMemory()
    verdicts: list[Verdict] = []
    for number in range(boards):
        damage = draw_faults(space, int(rng.choice(3, p=shares / shares.sum())), rng, uniform=uniform)
        virtual = draw_board(board, meter, setup, rng, spread)
        readings = (_read_by_simulator if simulator else read_board)(virtual, plan, damage, rng)
        ranking = rank(board, meter, setup, readings, memory=memory)
        verdicts.append(judge(ranking, damage, dictionary.nearest(readings)))
        print(f"{number + 1} of {boards}", end="\r", file=sys.stderr)
    return verdicts


def report(verdicts: Sequence[Verdict]) -> list[str]:
    """Return the scores, a line each."""
    lines = []
    for count, what in ((0, "healthy"), (1, "one fault"), (2, "two faults")):
        mine = [one for one in verdicts if one.count == count]
        if not mine:
            continue
        hits, whole = sum(one.first_group for one in mine), sum(one.complete for one in mine)
        low, high = wilson_interval(hits, len(mine))
        sizes = np.array([one.size for one in mine])
        nearest = sum(one.nearest for one in mine)
        lines.append(
            f"{what}: {len(mine)} boards, truth in the first group {hits / len(mine):.1%} ({low:.1%} to {high:.1%}), "
            f"replace complete {whole / len(mine):.1%}, its size {sizes.mean():.1f} on average and "
            f"{np.percentile(sizes, 95):.0f} at the 95th percentile; dictionary right {nearest / len(mine):.1%}"
        )
    stated = np.array([one.stated for one in verdicts])
    right = np.array([float(one.first_group) for one in verdicts])
    error, chance = debiased_calibration_error(stated, right)
    lines.append(
        f"first group stated {stated.mean():.3f}, right {right.mean():.3f}; calibration error {error:.3f}, "
        f"debiased; chance alone shows {chance:.3f}"
    )
    lines.append(
        f"none fits {np.mean([not one.fit for one in verdicts]):.1%}; "
        f"set-up blamed {np.mean([one.setup_blamed for one in verdicts]):.1%}"
    )
    missed = [one for one in verdicts if not one.first_group]
    lines += [f"missed: {one.truth} (first group {one.stated:.2f})" for one in missed[:40]]
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
    asked = parser.parse_args(arguments)
    begun = time.monotonic()
    verdicts = run(
        asked.board, asked.boards, asked.seed, uniform=asked.uniform, simulator=asked.ngspice, spread=asked.spread
    )
    print(f"{asked.board}, {asked.boards} boards, seed {asked.seed}, {time.monotonic() - begun:.0f} s")
    print("\n".join(report(verdicts)))


if __name__ == "__main__":
    main(sys.argv[1:])
