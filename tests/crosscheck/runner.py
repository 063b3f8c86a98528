"""Runs ngspice on many small netlists and reads its answers back; what it cannot answer is NaN, never left out."""

from __future__ import annotations

import contextlib
import math
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.crosscheck.netlist import OPTIONS, OTHER_OPTIONS, TRANSIENT_OPTIONS, with_options

Progress = Callable[[int, int], None]

PROGRAM = "ngspice"
CHUNK = 100  # netlists per process: far more than it costs to start one
SECONDS_PER_CHUNK = 120.0  # they take a second
TRANSIENTS = 8  # netlists per process: a transient takes a twentieth of a second
SECONDS_PER_TRANSIENTS = 4.0  # but one can lose its way in ever smaller steps, and those after it start afresh
WORKERS = min(2, os.cpu_count() or 1)
VALUE = re.compile(r"^(?:v\(jack\)|shown) = (\S+)$", re.MULTILINE)
MARK = re.compile(r"^@@ (\d+)$", re.MULTILINE)


def require_simulator() -> None:
    """Skip the calling test where ngspice is missing; fail instead on a build machine (environment CI=true)."""
    if shutil.which(PROGRAM):
        return
    reason = f"{PROGRAM} is not installed: the comparison with a circuit simulator did NOT run (apt install ngspice)"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def _run(folder: Path, commands: Sequence[str], seconds: float) -> str:
    """Return what ngspice wrote into the file ``answers``, as far as it got."""
    script = folder / "run.cir"
    script.write_text("\n".join(["* commands", ".control", "set numdgt=15", *commands, "quit", ".endc", ".end", ""]))
    command = [PROGRAM, "-n", "-b", script.name]
    answers = folder / "answers"
    answers.touch()
    # its exit status tells nothing: the answers are counted instead
    with contextlib.suppress(subprocess.TimeoutExpired):
        subprocess.run(
            command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=seconds, check=False
        )
    return answers.read_text()


def _read_values(output: str, count: int) -> list[float]:
    """Return a value for each netlist that was begun, NaN where it has none.

    Raises ValueError for output nobody asked for.
    """
    pieces = MARK.split(output)
    numbers, texts = [int(number) for number in pieces[1::2]], pieces[2::2]
    if numbers != list(range(len(numbers))) or len(numbers) > count:
        raise ValueError(f"answers out of order: {numbers[:5]}...")
    values = [math.nan] * len(numbers)
    for number, text in zip(numbers, texts, strict=True):
        found = VALUE.findall(text)
        if len(found) > 1:
            raise ValueError(f"more than one answer to netlist {number}")
        if found:
            values[number] = float(found[0])
    return values


def _solve_chunk(netlists: Sequence[str], analysis: str, answer: Sequence[str], seconds: float) -> list[float]:
    """Return a value per netlist; one that takes all the time has none, and those after it start afresh."""
    values: list[float] = []
    while len(values) < len(netlists):
        found = _solve_in_turn(netlists[len(values) :], analysis, answer, seconds)
        values += found or [math.nan]
    return values


def _solve_in_turn(netlists: Sequence[str], analysis: str, answer: Sequence[str], seconds: float) -> list[float]:
    with tempfile.TemporaryDirectory(prefix="crosscheck-") as name:
        folder = Path(name)
        commands: list[str] = []
        for number, text in enumerate(netlists):
            (folder / f"{number}.cir").write_text(text)
            # a failed analysis leaves an empty plot: nothing is printed and the value stays NaN
            # each line of the file is on disk at once: what was answered outlives a process that is stopped
            mark = f"echo @@ {number} >> answers"
            commands += [f"source {number}.cir", mark, analysis, *answer, "destroy all", "remcirc"]
        return _read_values(_run(folder, commands, seconds), len(netlists))


def _solve_all(netlists: Sequence[str], analysis: str, answer: Sequence[str], progress: Progress | None) -> list[float]:
    size, seconds = (CHUNK, SECONDS_PER_CHUNK) if analysis == "op" else (TRANSIENTS, SECONDS_PER_TRANSIENTS)
    chunks = [netlists[first : first + size] for first in range(0, len(netlists), size)]
    values: list[float] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        for part in pool.map(lambda chunk: _solve_chunk(chunk, analysis, answer, seconds), chunks):
            values.extend(part)
            if progress is not None:
                progress(len(values), len(netlists))
    return values


def _solve_with(
    options: Sequence[Mapping[str, float | str]],
    texts: Sequence[str],
    analysis: str,
    answer: Sequence[str],
    progress: Progress | None,
) -> list[float]:
    """Answer all with the first options, what is left with the second, and so on."""
    values = [math.nan] * len(texts)
    for attempt in options:
        left = [number for number, value in enumerate(values) if math.isnan(value)]
        if not left:
            break
        found = _solve_all([with_options(texts[number], attempt) for number in left], analysis, answer, progress)
        for number, value in zip(left, found, strict=True):
            values[number] = value
    return values


def operating_points(
    texts: Sequence[str],
    progress: Progress | None = None,
    options: Sequence[Mapping[str, float | str]] = (OPTIONS, *OTHER_OPTIONS),
) -> list[float]:
    """Return ``v(jack)`` [V] of each reading's operating point, NaN where ngspice found none.

    Parameters
    ----------
    texts : sequence of str
        Netlists without options.
    progress : callable, optional
        Called with readings answered and readings to answer.
    options : sequence of mapping
        Simulator options, the later ones for what the earlier ones did not answer.
    """
    return _solve_with(options, texts, "op", ["print v(jack) >> answers"], progress)


def after_dwell(
    texts: Sequence[str],
    seconds: float,
    progress: Progress | None = None,
    options: Sequence[Mapping[str, float | str]] = TRANSIENT_OPTIONS,
) -> list[float]:
    """Return ``v(jack)`` [V] of each reading after the leads have rested, NaN where ngspice found none.

    Parameters
    ----------
    texts : sequence of str
        Netlists with real capacitors, without options.
    seconds : float
        How long the leads rest [s].
    progress, options
        As for :func:`operating_points`.
    """
    step = seconds / 300.0
    answer = [
        "let last = length(v(jack)) - 1",
        # a run that stopped early has no answer
        f"if time[last] > {seconds * 0.999999:.9g}",
        "let shown = v(jack)[last]",
        "print shown >> answers",
        "end",
    ]
    analysis = f"tran {step:.9g} {seconds:.9g} 0 {step:.9g} uic"
    return _solve_with(options, texts, analysis, answer, progress)
