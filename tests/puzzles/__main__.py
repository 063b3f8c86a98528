"""Many puzzles made, and each confirmed from outside: ``python -m tests.puzzles --count 500``.

All boards and all reaches in turn, levels as they come; every key is checked against ngspice, made from the key's true
values, and by a search over all single faults and pairs that has no part in the proof. Prints rejected draws and time
for each board, and what each level takes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence

from bridge.board import list_boards, load_board
from bridge.errors import InputError
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzledraw import Wish
from bridge.puzzlefile import Key, key_text, parse_key
from bridge.puzzlemake import Order, make_puzzles
from bridge.puzzlesheet import REACHES
from tests.puzzles.confirm import Searcher, confirm


def main(arguments: Sequence[str]) -> int:
    """Make and confirm; the status is 1 where a key was not confirmed."""
    parser = argparse.ArgumentParser(prog="python -m tests.puzzles", description=__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--boards", nargs="*", default=list(list_boards()))
    parser.add_argument("--plant", action="append", default=[])
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args(arguments)
    share, more = divmod(asked.count, len(asked.boards))
    keys: list[Key] = []
    failed = 0
    for place, name in enumerate(asked.boards):
        wanted = share + (place < more)
        made = failing = compared = unanswered = draws = 0
        spent = searching = 0.0
        rejected: Counter[str] = Counter()
        for turn, reach in enumerate(REACHES):
            count = wanted // len(REACHES) + (turn < wanted % len(REACHES))
            if not count:
                continue
            begun = time.monotonic()
            try:
                one = make_puzzles(Order(name, "handheld", Setup(), Wish(tuple(asked.plant)), reach, seed=asked.seed,
                                         count=count),
                                   workers=asked.workers)  # fmt: skip
            except InputError as error:
                print(f"{name} {reach}: {error}")
                failing += 1
                continue
            spent += time.monotonic() - begun
            made, draws = made + len(one.keys), draws + one.draws
            rejected.update(one.rejected)
            keys += one.keys
            begun = time.monotonic()
            searcher = Searcher(load_board(name), load_meter(), dict(one.keys[0].puzzle.setup))
            for key in one.keys:
                found = confirm(parse_key(key_text(key).encode(), "key"), searcher)
                compared, unanswered = compared + found.readings, unanswered + found.unanswered
                if found.wrong or found.second:
                    failing += 1
                    what = key.error or " ".join(f"{one.part}:{one.mode}:{one.ohms}" for one in key.faults)
                    print(f"  not confirmed: {name} {reach} draw {key.draw} {what}: {found.wrong} {found.second[:4]}")
            searching += time.monotonic() - begun
        failed += failing
        print(
            f"{name}: {made} puzzles, {draws} draws, {100.0 * (draws - made) / max(draws, 1):.0f} % rejected, "
            f"{spent / max(made, 1):.1f} s each; {compared} readings remade, {unanswered} unanswered, "
            f"{failing} not confirmed, {searching / max(made, 1):.1f} s each",
            flush=True,
        )
        print("  " + ", ".join(f"{reason} {count}" for reason, count in rejected.most_common()), flush=True)
    for level in range(1, 6):
        mine = [key.effort for key in keys if key.puzzle.level == level]
        if mine:
            solver, novice = (
                sum(values) / len(mine) for values in zip(*((one.solver, one.novice) for one in mine), strict=True)
            )
            print(f"level {level}: {len(mine)} puzzles, solver {solver:.1f}, novice {novice:.1f}")
    print(f"{len(keys)} puzzles, {failed} not confirmed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
