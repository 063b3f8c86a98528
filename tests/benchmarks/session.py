"""A bench session: the table of every placement a technician can reach, and one step from a reading to the next.

``python -m tests.benchmarks.session table BOARD [--pairs] [--limit S]`` and ``... step BOARD`` print JSON; the
benchmark runs them as processes of their own, so that their memory can be measured and a long one given up.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

from bridge.advise import Reach
from bridge.benchsession import BenchSession
from bridge.benchsetup import Briefing
from bridge.board import load_board
from bridge.faultspace import build_space
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.separate import reachable_probings
from bridge.table import build_table
from tests.benchmarks.measure import Row, run_process, timed
from tests.benchmarks.sheets import sheet
from tests.benchmarks.tables import count_hypotheses, counting, fill_table

TABLE_S, STEP_S = 5.0, 0.15
MOST_LINES = 24
STEPS = 8


class _OutOfTimeError(Exception):
    pass


def table_facts(name: str, *, pairs: bool, limit_s: float) -> dict[str, Any]:
    """Return what the table of every reachable placement costs.

    Parameters
    ----------
    name : str
        A shipped board.
    pairs : bool
        Whether all pairs are solved for, or the single faults alone.
    limit_s : float
        When it is given up [s].
    """
    board, meter = load_board(name), load_meter()
    space = build_space(board, Setup())
    probings = [probing for probing in reachable_probings(board) if not probing.hold]
    began = time.perf_counter()

    def progress(done: int, of: int) -> None:
        if time.perf_counter() - began > limit_s:
            raise _OutOfTimeError

    facts: dict[str, Any] = {"placements": len(probings)}
    with counting() as solved:
        try:
            if pairs:
                _, cost = timed(lambda: fill_table(space, meter, probings, progress))
            else:
                _, cost = timed(lambda: build_table(space, meter, probings, pairs=False))
        except _OutOfTimeError:
            return facts | {"given_up": True, "circuits": solved.circuits}
    hypotheses = count_hypotheses(space) if pairs else 1 + len(space.faults)
    return facts | {
        "wall_s": cost.wall_s,
        "cpu_s": cost.cpu_s,
        "circuits": solved.circuits,
        "answers": hypotheses * len(probings),
    }


def step_facts(name: str) -> dict[str, Any]:
    """Return what steps of a session take: a reading goes in, the new ranking and the next reading come out."""
    board, meter = load_board(name), load_meter()
    known = Briefing(meter, meter.name, Setup(), (), Reach(), discharged=True)
    # by itself a session ends as soon as it is certain; here it goes on
    session = BenchSession(board, known, certain=1.1)
    answer = session.begin()
    for _ in range(MOST_LINES):
        if answer.more:
            answer = session.consider()
            break
        answer = session.hear("0")
    else:
        raise RuntimeError(f"the session asks on and on: {answer.lines}")
    steps: list[float] = []
    cpu: list[float] = []
    for row in sheet(board, meter, STEPS).splitlines()[1:]:
        red, black, _, reading, _ = row.split(",")

        def step(line: str = f"{red} {black} {reading}") -> tuple[str, ...]:
            heard = session.hear(line)
            if not heard.more:
                raise RuntimeError(f"{line!r} was not taken: {heard.lines}")
            return session.consider().lines

        _, cost = timed(step)
        steps.append(cost.wall_s)
        cpu.append(cost.cpu_s)
    return {"steps_s": steps, "cpu_s": cpu}


def rows(name: str, *, pairs: bool, limit_s: float, say: Callable[[str], None]) -> list[Row]:
    """Return the figures of a bench session on a board.

    Parameters
    ----------
    name : str
        A shipped board.
    pairs : bool
        Whether the table with all pairs is built, too.
    limit_s : float
        When that is given up [s].
    say : callable
        Called with what is being done.
    """
    found: list[Row] = []
    for with_pairs in (False, True) if pairs else (False,):
        kind = "singles and all pairs" if with_pairs else "singles alone"
        say(f"session table of {name}, {kind}")
        command = ["table", name, "--limit", f"{limit_s:g}", *(["--pairs"] if with_pairs else [])]
        facts, peak_mb = _run(command, limit_s)
        what = f"table of a session on `{name}`, {facts['placements']} placements, {kind}"
        note = f"{facts['circuits']} circuits solved, {peak_mb:.0f} MB"
        if "given_up" in facts:
            note = f"given up after {limit_s:g} s; by then {note}"
        else:
            note = f"{facts['answers']} answers, processor {facts['cpu_s']:.2f} s; {note}"
        found.append(Row(what, facts.get("wall_s"), "s", TABLE_S, note=note))
    say(f"session steps on {name}")
    facts, peak_mb = _run(["step", name], limit_s)
    steps = facts["steps_s"]
    note = (
        f"median of {len(steps)}; slowest {max(steps):.2f} s, first {steps[0]:.2f} s; "
        f"processor, median {statistics.median(facts['cpu_s']):.2f} s; {peak_mb:.0f} MB"
    )
    found.append(Row(f"a step of a session on `{name}`", statistics.median(steps), "s", STEP_S, note=note))
    return found


def _run(command: Sequence[str], limit_s: float) -> tuple[dict[str, Any], float]:
    done = run_process([sys.executable, "-m", "tests.benchmarks.session", *command], seconds=limit_s + 600.0)
    if done.status != 0:
        raise RuntimeError(f"session {' '.join(command)} ended with {done.status}: {done.err.strip()[-300:]}")
    return json.loads(done.out), done.peak_mb


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the facts of one measurement as JSON; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.session", description="Time a bench session.")
    parser.add_argument("what", choices=("table", "step"))
    parser.add_argument("board", metavar="BOARD")
    parser.add_argument("--pairs", action="store_true", help="solve for all pairs, too")
    parser.add_argument("--limit", type=float, default=60.0, metavar="S", help="give up after so many seconds")
    chosen = parser.parse_args(arguments)
    if chosen.what == "step":
        facts = step_facts(chosen.board)
    else:
        facts = table_facts(chosen.board, pairs=chosen.pairs, limit_s=chosen.limit)
    print(json.dumps(facts))
    return 0


if __name__ == "__main__":
    sys.exit(main())
