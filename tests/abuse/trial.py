"""One command run in this process on rubbish, and what is wrong with the way it took it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import signal
import sys
import time
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import typer.main

import bridge.cli
from bridge.__main__ import main

__all__ = ["LONGEST_ANSWER_S", "LONGEST_S", "Verdict", "commands_built_once", "judge", "run"]

LONGEST_S = 5.0  # of processor time, for reading and refusing
LONGEST_ANSWER_S = 60.0  # for ranking what no fault explains: sets of many faults are tried, for several readings
LONGEST_MESSAGE = 4000
MACHINE_WORDS = ("standard output", "No space left", "Permission denied", "Read-only", "File too large")
ENDS = {".html": "</html>", ".svg": "</svg>"}
# what may stand before an answer or a refusal: one line about a sound board file that is rarely meant like that
ODD_BOARD = re.compile(r"[^\n]+: odd about this board file: [^\n]+\n")


class Hung(BaseException):
    """A command took longer than it may; no handler of errors takes it for one."""


@dataclass(frozen=True)
class Verdict:
    """How a command ended.

    Parameters
    ----------
    status : int
        Its exit status.
    out, err : str
        What it wrote.
    seconds : float
        Processor time [s].
    problems : tuple of str
        What is wrong with that; nothing if it is fine.
    """

    status: int
    out: str
    err: str
    seconds: float
    problems: tuple[str, ...]


@contextlib.contextmanager
def commands_built_once() -> Iterator[None]:
    """Let commands be built from their hints once and not for each trial, which would take most of the time."""
    built = typer.main.get_command(bridge.cli.app)
    own, bridge.cli.app = bridge.cli.app, built  # type: ignore[assignment]
    try:
        yield
    finally:
        bridge.cli.app = own


def _raise_hung(_signal: int, _frame: FrameType | None) -> None:
    raise Hung


def _snapshot(folder: Path) -> dict[str, tuple[int, int]]:
    return {name: (os.stat(folder / name).st_mtime_ns, os.stat(folder / name).st_size) for name in os.listdir(folder)}


def run(
    arguments: Sequence[str], folder: Path, *, must_name: str = "", stdin: bytes = b"", longest_s: float = LONGEST_S
) -> Verdict:
    """Run a command in a folder and judge how it ends.

    Parameters
    ----------
    arguments : sequence of str
        What is typed after ``bridgefault``.
    folder : Path
        Where it runs; files it writes are looked at.
    must_name : str
        What a refusal has to name: the file the rubbish is in.
    stdin : bytes
        What comes through its standard input.
    longest_s : float
        Processor time it may take [s].
    """
    before = _snapshot(folder)
    out, err = io.StringIO(), io.StringIO()
    kept = sys.stdin
    sys.stdin = io.TextIOWrapper(io.BytesIO(stdin), encoding="utf-8")
    signal.signal(signal.SIGVTALRM, _raise_hung)
    signal.setitimer(signal.ITIMER_VIRTUAL, longest_s)
    start = time.process_time()
    problems: list[str] = []
    status = -1
    try:
        with (
            contextlib.chdir(folder),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("error")
            status = main(arguments)
    except Hung:
        problems.append(f"more than {longest_s:g} s")
    except BaseException as error:  # noqa: BLE001 - whatever it is, it should not have come out
        problems.append(f"{type(error).__name__} came out: {error}")
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        sys.stdin = kept
    seconds = time.process_time() - start
    if not problems:
        problems += judge(status, out.getvalue(), err.getvalue(), must_name)
        problems += _judge_files(before, folder, status)
    return Verdict(status, out.getvalue(), err.getvalue(), seconds, tuple(problems))


def judge(status: int, out: str, err: str, must_name: str = "") -> list[str]:
    """Return what is wrong with an exit status and what was written.

    Parameters
    ----------
    status : int
        Exit status.
    out, err : str
        Standard output and standard error.
    must_name : str
        What a refusal has to name.
    """
    problems = []
    if "Traceback" in err or "Traceback (most recent" in out:
        problems.append("a traceback")
    if notice := ODD_BOARD.match(err):
        if not notice[0].rstrip("\n").isprintable():
            problems.append("a sign that is not printable")
        if len(notice[0]) > LONGEST_MESSAGE:
            problems.append(f"a message of {len(notice[0])} signs")
        err = err[notice.end() :]
    if status == 0:
        if err:
            problems.append("an answer, and something on standard error")
        return problems
    if status == 1 and not any(word in err for word in MACHINE_WORDS):
        problems.append("status 1, and no machine failed")
    if status not in (1, 2):
        problems.append(f"status {status}")
    if not err.startswith("bridgefault: ") or err.count("\n") != 1 or not err.endswith("\n"):
        problems.append("not one line on standard error")
    if not err.rstrip("\n").isprintable():
        problems.append("a sign that is not printable")
    if len(err) > LONGEST_MESSAGE:
        problems.append(f"a message of {len(err)} signs")
    if status == 2 and ": " not in err.removeprefix("bridgefault: ") and ";" not in err:
        problems.append("neither place nor what is accepted")
    if must_name and must_name not in err:
        problems.append(f"does not name {must_name}")
    return problems


def _judge_files(before: dict[str, tuple[int, int]], folder: Path, status: int) -> list[str]:
    """Return what is wrong with the files a command left."""
    problems = []
    for name, state in _snapshot(folder).items():
        if before.get(name) == state:
            continue
        path = folder / name
        if re.match(r"\..*\.", name) and path.suffix not in ENDS:
            problems.append(f"left {name}")
        elif path.suffix in ENDS:
            if status != 0:
                problems.append(f"wrote {name}, and failed")
            elif not path.read_text(encoding="utf-8").rstrip().endswith(ENDS[path.suffix]):
                problems.append(f"half of {name}")
        elif path.suffix == ".jsonl":
            text = path.read_text(encoding="utf-8", errors="replace")
            if text and not text.endswith("\n"):
                problems.append(f"half a line in {name}")
        if name not in before:
            path.unlink()
    return problems
