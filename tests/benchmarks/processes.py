"""Whole processes: time by the clock and peak memory of ``rank``, processor time of ``--help``, growth of both."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from bridge.board import load_board
from bridge.faults import Fault
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import parse_readings
from tests.benchmarks.measure import Process, Row, best_process, bridge_command
from tests.benchmarks.sheets import planted_fault, sheet

# board: readings, and seconds by the clock and megabytes that it may take
RANK_TARGETS: dict[str, tuple[int, float, float | None]] = {
    "motor-drive": (24, 1.0, 300.0),
    "six-switch-bridge": (20, 0.6, None),
    "three-level-bridge": (24, 3.0, None),
}
HELP_CPU_S = 0.25
USUAL_READINGS = 20
MOST_WANTED = 20  # places in a listing
GROWING_READINGS = (6, 12, 24)


def place_of(ranking: Ranking, fault: Fault) -> int | None:
    """Return the place of a single fault in a ranking, counted from 1; None where it is not in it."""
    for place, candidate in enumerate(ranking.candidates, 1):
        if [(guess.part, guess.mode) for guess in candidate.faults] == [(fault.part, fault.mode)]:
            return place
    return None


@cache
def run_rank(name: str, readings: int, repeats: int) -> tuple[Process, int, str]:
    """Return the fastest of several whole processes of ``rank``, how many readings it had, and what it answered.

    Parameters
    ----------
    name : str
        A shipped board.
    readings : int
        Readings on the sheet, fewer where the board has no more placements.
    repeats : int
        Runs.
    """
    board, meter = load_board(name), load_meter()
    text = sheet(board, meter, readings)
    fault = planted_fault(board)
    with tempfile.TemporaryDirectory(prefix="benchmark-") as folder:
        path = Path(folder) / "readings.csv"
        path.write_text(text, encoding="utf-8")
        best = best_process(bridge_command("rank", name, str(path)), repeats)
    # a quick wrong answer would be worth nothing
    ranking = rank(board, meter, Setup(), parse_readings(text.encode(), "benchmark", board, meter, Setup()).readings)
    place = place_of(ranking, fault)
    if place is None or place > MOST_WANTED:
        raise RuntimeError(f"rank {name} puts the planted {fault} at {place}")
    return best, text.count("\n") - 1, f"planted {fault} comes out as number {place} of {len(ranking.candidates)}"


def rank_rows(name: str, repeats: int, say: Callable[[str], None]) -> list[Row]:
    """Return time and memory of ``rank`` for a board."""
    say(f"rank {name}")
    readings, seconds, megabytes = RANK_TARGETS.get(name, (USUAL_READINGS, None, None))
    run, count, note = run_rank(name, readings, repeats)
    what = f"`rank {name}`, {count} readings"
    return [
        Row(f"{what}: whole process", run.cost.wall_s, "s", seconds, note=note),
        Row(f"{what}: processor", run.cost.cpu_s, "s"),
        Row(f"{what}: peak memory", run.peak_mb, "MB", megabytes),
    ]


def help_rows(repeats: int) -> list[Row]:
    """Return the processor time of ``--help``."""
    run = best_process(bridge_command("--help"), max(repeats, 3))
    return [Row("`--help`: processor", run.cost.cpu_s, "s", HELP_CPU_S)]


def growth_with_readings(name: str, repeats: int, say: Callable[[str], None]) -> list[Row]:
    """Return how ``rank`` grows with the readings of a board."""
    rows = []
    for count in GROWING_READINGS:
        say(f"rank {name} with {count} readings")
        run, taken, note = run_rank(name, count, repeats)
        what = f"growth with readings: `rank {name}`, {taken}"
        rows.append(Row(what, run.cost.wall_s, "s", note=_beside(run, note)))
    return rows


def growth_with_parts(name: str, repeats: int, say: Callable[[str], None]) -> list[Row]:
    """Return what ``rank`` takes with the usual number of readings on a board of so many parts."""
    say(f"rank {name} with {USUAL_READINGS} readings")
    run, taken, note = run_rank(name, USUAL_READINGS, repeats)
    what = f"growth with parts: {len(load_board(name).parts)}, `rank {name}`, {taken} readings"
    return [Row(what, run.cost.wall_s, "s", note=_beside(run, note))]


def _beside(run: Process, note: str) -> str:
    return f"processor {run.cost.cpu_s:.2f} s, {run.peak_mb:.0f} MB; {note}"
