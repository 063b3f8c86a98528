"""Shells complete commands, options, boards and meters."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.board import list_boards
from bridge.meter import list_meters
from tests.cli.test_help import COMMANDS
from tests.conftest import process_environment

# sources what the program prints for bash, lets bash complete the words given, and prints what it would offer
SCRIPT = """
bridgefault() { "$PYTHON" -m bridge "$@"; }
source <(_BRIDGEFAULT_COMPLETE=source_bash bridgefault)
complete -p bridgefault >&2
env() { command env "$@"; }
COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1))
_bridgefault_completion "$FOLDER/bridgefault"
printf '%s\\n' "${COMPREPLY[@]}"
"""


def offered(folder: Path, *words: str) -> list[str]:
    """Return what bash offers where the cursor stands behind the last word."""
    program = folder / "bridgefault"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m bridge "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    done = subprocess.run(
        ["bash", "-c", SCRIPT, "bash", "bridgefault", *words],
        capture_output=True,
        encoding="utf-8",
        env=process_environment({"PYTHON": sys.executable, "FOLDER": str(folder)}),
        timeout=120,
        check=True,
    )
    assert "_bridgefault_completion" in done.stderr  # bash knows whom to ask
    return done.stdout.split()


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes(tmp_path: Path) -> None:
    """Behind TAB, bash offers the commands, the options of a command, and the shipped boards and meters."""
    assert sorted(offered(tmp_path, "")) == sorted(COMMANDS)
    assert sorted(offered(tmp_path, "r")) == ["rank", "report", "rig"]
    assert offered(tmp_path, "rank", "six-switch-b") == ["six-switch-bridge"]
    assert sorted(offered(tmp_path, "show", "")) == list(list_boards())
    assert sorted(offered(tmp_path, "predict", "six-switch-bridge", "--meter", "")) == list(list_meters())
    assert {"--meter", "--top", "--seen"} <= set(offered(tmp_path, "rank", "six-switch-bridge", "r.csv", "--"))


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_other_shells_are_served(shell: str) -> None:
    """For each shell there is a script to source, which names the command."""
    done = subprocess.run(
        [sys.executable, "-m", "bridge"],
        capture_output=True,
        encoding="utf-8",
        env=process_environment({"_BRIDGEFAULT_COMPLETE": f"source_{shell}"}),
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "bridgefault" in done.stdout
