"""Rules for a test, and what many tests share.

1. Its docstring is one sentence: the behaviour it promises.
2. It can fail: the expected value comes from somewhere else than the code under test (hand arithmetic, a standard,
   another program, another route through the package), and the arithmetic stays visible.
3. Numbers are compared with a tolerance that has a reason.
4. No order, no network, no clock, no file outside ``tmp_path``; what takes more than ten seconds is marked ``slow``.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

from bridge.__main__ import main

# the machine's speed is no property of the code, and a build must not depend on luck
settings.register_profile("bridgefault", deadline=None, derandomize=True)
settings.load_profile("bridgefault")

# a build that runs in the background ignores Ctrl-C, and so would every program started from it
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    status: int
    out: str
    err: str


@pytest.fixture
def root() -> Path:
    """Return the folder of the checkout."""
    return ROOT


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Return a function that runs a command in this process."""

    def run(*arguments: str) -> Outcome:
        capsys.readouterr()
        status = main(arguments)
        captured = capsys.readouterr()
        return Outcome(status, captured.out, captured.err)

    return run


@pytest.fixture
def process(tmp_path: Path) -> Callable[..., Outcome]:
    """Return a function that runs a command as its own process, in an empty folder."""

    def run(*arguments: str, stdin: str = "", environment: dict[str, str] | None = None) -> Outcome:
        done = subprocess.run(
            [sys.executable, "-m", "bridge", *arguments],
            input=stdin,
            capture_output=True,
            encoding="utf-8",
            cwd=tmp_path,
            env=process_environment(environment),
            timeout=120,
            check=False,
        )
        return Outcome(done.returncode, done.stdout, done.stderr)

    return run


def process_environment(extra: dict[str, str] | None = None) -> dict[str, str]:
    """Return an environment in which another folder finds this checkout, and nothing depends on who runs the test."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "BRIDGEFAULT"))}
    return {**kept, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", **(extra or {})}
