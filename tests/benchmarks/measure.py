"""Times of this process and of others, what they come to for one answer, and the table they are printed in."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from tests.conftest import process_environment

LAUNCHER = Path(__file__).with_name("launcher.py")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cost:
    """What a piece of work cost.

    Parameters
    ----------
    wall_s, cpu_s : float
        Time by the clock and of the processor, all threads together [s].
    """

    wall_s: float
    cpu_s: float


@dataclass(frozen=True, slots=True)
class Process:
    """What a process left behind.

    Parameters
    ----------
    status : int
        Exit status.
    cost : Cost
        Its time, start and end included.
    peak_mb : float
        Peak of its resident memory [MB].
    out, err : str
        What it wrote.
    """

    status: int
    cost: Cost
    peak_mb: float
    out: str
    err: str


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table.

    Parameters
    ----------
    what : str
        What was measured.
    value : float or None
        The figure; None where there is none.
    unit : str
        Its unit; empty for a ratio.
    target : float or None
        What it has to reach, if anything.
    at_least : bool
        Whether the figure has to be no smaller than the target; no larger otherwise.
    note : str
        What else has to be known.
    """

    what: str
    value: float | None
    unit: str = ""
    target: float | None = None
    at_least: bool = False
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is reached; None without target."""
        if self.target is None:
            return None
        if self.value is None:
            return False
        return self.value >= self.target if self.at_least else self.value <= self.target


def timed(work: Callable[[], T]) -> tuple[T, Cost]:
    """Return what some work in this process gives, and its cost."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return result, Cost(time.perf_counter() - wall, time.process_time() - cpu)


def run_process(command: Sequence[str], *, folder: Path | None = None, seconds: float = 900.0) -> Process:
    """Run a command and return its cost.

    Parameters
    ----------
    command : sequence of str
        Program and arguments.
    folder : Path, optional
        Where it runs.
    seconds : float
        When it is given up [s].

    Notes
    -----
    A child starts with the peak memory of its parent, so a small launcher starts it and not this process.
    """
    with tempfile.TemporaryDirectory(prefix="benchmark-") as name:
        report, out, err = (Path(name) / one for one in ("report", "out", "err"))
        with out.open("wb") as to_out, err.open("wb") as to_err:
            subprocess.run(
                [sys.executable, "-I", "-S", str(LAUNCHER), str(report), *command],
                stdin=subprocess.DEVNULL,
                stdout=to_out,
                stderr=to_err,
                cwd=folder,
                env=process_environment(),
                timeout=seconds,
                check=True,
            )
        said = json.loads(report.read_text(encoding="utf-8"))
        return Process(
            status=said["status"],
            cost=Cost(said["wall_s"], said["cpu_s"]),
            peak_mb=said["peak_kib"] * 1024 / 1e6,
            out=out.read_text(encoding="utf-8", errors="replace"),
            err=err.read_text(encoding="utf-8", errors="replace"),
        )


def best_process(command: Sequence[str], repeats: int, *, folder: Path | None = None) -> Process:
    """Return the fastest of several runs; an exit status other than 0 is an error."""
    runs = []
    for _ in range(repeats):
        run = run_process(command, folder=folder)
        if run.status != 0:
            raise RuntimeError(f"{' '.join(command)} ended with {run.status}: {run.err.strip()[-300:]}")
        runs.append(run)
    return min(runs, key=lambda run: run.cost.wall_s)


def per_item(small: tuple[int, float], large: tuple[int, float]) -> float:
    """Return the time one more item takes, from two runs of different size: what a run costs once drops out.

    Parameters
    ----------
    small, large : (int, float)
        Items and time of each run.
    """
    items, time_s = large[0] - small[0], large[1] - small[1]
    if items <= 0:
        raise ValueError(f"the large run has {large[0]} items, the small one {small[0]}")
    if time_s <= 0.0:
        raise ValueError(f"{large[0]} items took no longer than {small[0]}: take more of them")
    return time_s / items


def times_as_fast(theirs: float, ours: float) -> float:
    """Return how many of our items fit in the time of one of theirs."""
    if not (theirs > 0.0 and ours > 0.0):
        raise ValueError(f"times have to be above zero, not {theirs} and {ours}")
    return theirs / ours


def figure(value: float) -> str:
    """Return a figure as a table shows it: three digits, no more than were measured."""
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:#.3g}".rstrip(".")


def markdown(rows: Iterable[Row]) -> list[str]:
    """Return a table of rows."""
    lines = ["| what | measured | target | met | note |", "|---|---:|---:|---|---|"]
    for row in rows:
        unit = f" {row.unit}" if row.unit else (" times" if row.at_least else "")
        value = "none" if row.value is None else f"{figure(row.value)}{unit}"
        target = "" if row.target is None else f"{'≥' if row.at_least else '≤'} {row.target:g}{unit}"
        met = {None: "", True: "yes", False: "**no**"}[row.met]
        lines.append(f"| {row.what} | {value} | {target} | {met} | {row.note} |")
    return lines


def machine() -> str:
    """Return what the figures were measured on, to stand above them."""
    model = "unknown processor"
    info = Path("/proc/cpuinfo")
    if info.exists():
        found = [
            line.partition(":")[2].strip() for line in info.read_text().splitlines() if line.startswith("model name")
        ]
        model = found[0] if found else model
    version = ".".join(map(str, sys.version_info[:3]))
    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    return f"{model}, {os.cpu_count()} cores, Python {version}{load}"


def bridge_command(*arguments: str) -> list[str]:
    """Return the command line that runs the program of this checkout."""
    return [sys.executable, "-m", "bridge", *arguments]
