"""The whole comparison with ngspice: every single fault at every placement, and random pairs, board by board.

``python -m tests.crosscheck.deviations [BOARD...] [--pairs N] [--severities 1|3]`` prints a table of the worst
deviations in Markdown; progress and disagreements go to standard error. All shipped boards are compared when none is
named: plan some minutes for each. Exit status 1 if anything disagrees or has no answer.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Sequence

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from tests.crosscheck.compare import Tally
from tests.crosscheck.netlist import Damage
from tests.crosscheck.predicted import all_damage, netlists_of, placements, questions, solver_values
from tests.crosscheck.runner import operating_points
from tests.crosscheck.samples import random_pairs

SEED = 1
QUESTIONS_AT_ONCE = 4000
HEADER = (
    "| board | singles | pairs | compared | worst diode [mV] | worst ohms [%] | at limit | differ | unanswered |",
    "|---|---:|---:|---:|---:|---:|---:|---:|---:|",
)


def compare_board(name: str, setup: Setup, severities: int, pairs: int) -> tuple[str, Tally]:
    """Return a row of the table and the tally behind it."""
    board, meter = load_board(name), load_meter()
    damages = all_damage(board, setup, severities)
    everywhere = placements(board, meter)
    singles: list[tuple[Damage, ...]] = [(), *((one,) for one in damages)]
    chosen = singles + random_pairs(random.Random(SEED), damages, pairs)
    tally = Tally()
    at_once = max(1, QUESTIONS_AT_ONCE // (2 * len(everywhere)))
    began = time.monotonic()
    for first in range(0, len(chosen), at_once):
        asked = questions(chosen[first : first + at_once], everywhere, meter)
        jacks = operating_points(netlists_of(board, setup, asked))
        values = solver_values(board, setup, meter, asked)
        for way, displays in (("solved by itself", values.direct), ("by table", values.tabled)):
            tally.add_all(asked, displays, jacks, way)
        done = min(first + at_once, len(chosen))
        elapsed = time.monotonic() - began
        left = elapsed * (len(chosen) - done) / done
        print(
            f"{name}: {done} of {len(chosen)} damaged boards, {elapsed:.0f} s, about {left:.0f} s to go, "
            f"{len(tally.differences)} differ, {len(tally.unanswered)} unanswered",
            file=sys.stderr,
            flush=True,
        )
    row = (
        f"| {name} | {len(singles)} | {pairs} | {tally.compared} | {1e3 * tally.worst_volts:.4f} "
        f"| {100.0 * tally.worst_share:.4f} | {tally.near_limit} | {len(tally.differences)} | {len(tally.unanswered)} |"
    )
    return row, tally


def main(arguments: Sequence[str] | None = None) -> int:
    """Compare boards and print the table; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.crosscheck.deviations", description="Compare with ngspice.")
    parser.add_argument("boards", nargs="*", metavar="BOARD", help="names or paths; all shipped boards by default")
    parser.add_argument("--pairs", type=int, default=500, help="random pairs of faults (default 500)")
    parser.add_argument("--severities", type=int, choices=(1, 3), default=3, help="median, or low, median and high")
    chosen = parser.parse_args(arguments)
    print(*HEADER, sep="\n", flush=True)
    wrong = 0
    for name in chosen.boards or list_boards():
        row, tally = compare_board(name, Setup(), chosen.severities, chosen.pairs)
        print(row, flush=True)
        print(f"{name}: {100.0 * tally.worst_used:.0f} % of the tolerance at {tally.worst_question}", file=sys.stderr)
        for line in tally.differences + tally.unanswered:
            print(f"  {line}", file=sys.stderr)
        wrong += len(tally.differences) + len(tally.unanswered)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
