"""Benchmarks, ours and ngspice's side by side in one run.

``python -m tests.benchmarks [BOARD ...] [--only NAME ...]`` prints a table in Markdown; what is being done goes to
standard error. Without boards: those with a target. Plan some minutes, and leave the machine alone meanwhile.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Callable, Sequence
from functools import partial

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from tests.benchmarks import processes, session, simulator
from tests.benchmarks.agreement import WrongAnswersError
from tests.benchmarks.measure import Row, machine, markdown, times_as_fast
from tests.benchmarks.tables import representative_probings, run_table

DISTINCT_TIMES, SOLVED_TIMES, SWEEP_TIMES = 200.0, 20.0, 3.0
MICRO = 1e6
PARTS = {
    "answers": "time of an answer and of a solved circuit, beside ngspice",
    "rank": "whole process of rank, time and memory",
    "help": "whole process of --help",
    "session": "table and steps of a bench session",
    "growth": "rank with more readings and more parts",
}
WAYS = {
    simulator.LAW: "channels by the package's law",
    simulator.COMPILED: "channels as its compiled transistor",
}


def say(text: str) -> None:
    """Tell what is being done."""
    print(text, file=sys.stderr, flush=True)


def answer_rows(name: str, pairs: int, repeats: int) -> list[Row]:
    """Return how long an answer and a solved circuit take, and how many of ours fit in one of ngspice's.

    Parameters
    ----------
    name : str
        A shipped board.
    pairs : int
        Pairs of faults that ngspice solves at each placement.
    repeats : int
        Runs of each; the fastest counts.
    """
    board, meter = load_board(name), load_meter()
    probings = representative_probings(board, meter)
    say(f"whole table of {name}")
    run = run_table(board, meter, probings, repeats)
    answer_s = run.cost.cpu_s / run.distinct_answers
    circuit_s = run.cost.cpu_s / run.solved.circuits
    at = " ".join(f"{one.red}-{one.black}" for one in probings)
    rows = [
        Row(
            f"`{name}`, singles and pairs: a distinct answer",
            answer_s * MICRO,
            "µs",
            note=f"{run.distinct_answers} answers at {at}; {run.cost.cpu_s:.2f} s of the processor",
        ),
        Row(
            f"`{name}`: a circuit solved, all work on the table included",
            circuit_s * MICRO,
            "µs",
            note=f"{run.solved.circuits} circuits, first instants and severities among them",
        ),
        Row(
            f"`{name}`: a circuit solved, time in the solver alone",
            run.solved.cpu_s / run.solved.circuits * MICRO,
            "µs",
        ),
    ]
    if shutil.which("ngspice") is None:
        rows.append(Row("ngspice", None, note="not installed: nothing to compare with"))
        return rows
    times = simulator.measure(run, meter, pairs, repeats, say)
    for channels, words in WAYS.items():
        for way, title, theirs in (
            ("altered", "two `alter`, `op`, `destroy all` in one process", times.altered),
            ("copied", "one of many copies, one `op`", times.copied),
            ("swept", "a point of a `dc` sweep, nothing changed", times.swept),
        ):
            rows.append(
                Row(f"ngspice, {words}: {title}", theirs[channels] * MICRO, "µs", note=times.notes[way, channels])
            )
    for channels, words in WAYS.items():
        changing, point = times.fastest_changing([channels]), times.swept[channels]
        beside = f"beside ngspice, {words}"
        for what, theirs_s, ours_s, target in (
            ("distinct answers a second, its fastest way that changes circuits", changing, answer_s, DISTINCT_TIMES),
            ("circuits solved a second, its fastest way that changes circuits", changing, circuit_s, SOLVED_TIMES),
            ("circuits solved a second, its `dc` sweep", point, circuit_s, SWEEP_TIMES),
        ):
            ratio = times_as_fast(theirs_s, ours_s)
            rows.append(Row(f"{beside}: {what}", ratio, target=target, at_least=True))
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print the table; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description="Time the package, and ngspice at the same circuits.",
        epilog="; ".join(f"{name}: {what}" for name, what in PARTS.items()),
    )
    parser.add_argument("boards", nargs="*", metavar="BOARD", help="shipped boards; those with a target by default")
    parser.add_argument("--only", action="append", choices=tuple(PARTS), help="measure this alone; may be repeated")
    parser.add_argument("--pairs", type=int, default=60, help="pairs for ngspice at each placement (default 60)")
    parser.add_argument("--repeats", type=int, default=3, help="runs of each, the fastest counts (default 3)")
    parser.add_argument(
        "--session-pairs", action="store_true", help="the session's table with all pairs, too: gigabytes"
    )
    parser.add_argument("--limit", type=float, default=120.0, metavar="S", help="give that up after S seconds (120)")
    chosen = parser.parse_args(arguments)
    unknown = sorted(set(chosen.boards) - set(list_boards()))
    if unknown:
        parser.error(f"no shipped board {unknown[0]}; accepted: {' '.join(list_boards())}")
    if min(chosen.pairs, chosen.repeats) < 1:
        parser.error("--pairs and --repeats are 1 or more")
    parts = chosen.only or list(PARTS)
    main_boards = chosen.boards or ["motor-drive"]
    measured_on = machine()
    rows: list[Row] = []
    failed = False

    def collect(what: str, work: Callable[[], list[Row]]) -> None:
        """Add the rows of one part; what does not work is a row, too, and the other parts go on."""
        nonlocal failed
        try:
            rows.extend(work())
        except (RuntimeError, ValueError, WrongAnswersError) as error:
            failed = True
            rows.append(Row(what, None, note=f"FAILED: {' '.join(str(error).split())[-300:]}"))

    if "answers" in parts:
        for name in main_boards:
            collect(f"answers on {name}", partial(answer_rows, name, chosen.pairs, chosen.repeats))
    if "help" in parts:
        collect("help", partial(processes.help_rows, chosen.repeats))
    if "rank" in parts:
        for name in chosen.boards or processes.RANK_TARGETS:
            collect(f"rank {name}", partial(processes.rank_rows, name, chosen.repeats, say))
    if "session" in parts:
        for name in main_boards:
            collect(
                f"session on {name}",
                partial(session.rows, name, pairs=chosen.session_pairs, limit_s=chosen.limit, say=say),
            )
    if "growth" in parts:
        for name in main_boards:
            collect(f"growth on {name}", partial(processes.growth_with_readings, name, chosen.repeats, say))
        for name in sorted(chosen.boards or list_boards(), key=lambda one: len(load_board(one).parts)):
            collect(f"growth, {name}", partial(processes.growth_with_parts, name, chosen.repeats, say))
    print(f"Measured on {measured_on}.", "", *markdown(rows), sep="\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
