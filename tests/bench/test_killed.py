"""A session that is killed loses nothing it has promised."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.conftest import ROOT, process_environment

if sys.platform == "win32":
    pytest.skip("a session is killed as on Unix", allow_module_level=True)


def test_twenty_kills_lose_and_double_nothing() -> None:
    """Killed 20 times at random instants, sessions keep every accepted reading once, and go on."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.killed", "--times", "20", "--light"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=process_environment(),
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    words = done.stdout.split()
    assert words[:2] == ["20", "kills,"]
    assert int(words[2]) > 20
    assert "0 lost, doubled or changed" in done.stdout
