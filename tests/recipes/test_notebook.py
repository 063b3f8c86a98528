"""What the README shows from Python is typed into one session after the other, as in a notebook."""

from __future__ import annotations

import contextlib
import io
import re

import pytest

from tests.cli.test_readme import README, blocks
from tests.conftest import ROOT


@pytest.mark.slow
def test_the_notebook_session(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both snippets run in one session: a shorted switch takes its drop to nothing and leaves its gate as it is."""
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    first, second = blocks("python")
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(first, "README.md", "exec"), names)
        exec(compile(second, "README.md", "exec"), names)
    lines = printed.getvalue().splitlines()[3:]
    drop, gate = ([float(number) for number in re.findall(r"\d+\.\d{3}", line)] for line in lines[:2])
    # 0.42 V of the diode, against 0.5 mV over 0.5 ohm at 1 mA
    assert drop == pytest.approx([0.42, 0.0005], abs=2e-3)
    assert gate[0] == pytest.approx(gate[1], rel=1e-2)
    assert re.fullmatch(r"next: \S+ \S+ \w+", lines[2])
    assert "no-such-board" in lines[3]
    assert len(lines) == 4


def test_every_call_of_the_table_is_there() -> None:
    """Every function and value the README's table names can be imported, and says what it is for."""
    import importlib

    named = re.findall(r"`(bridge(?:\.\w+)+)`", README.partition("## From Python")[2].partition("\n## ")[0])
    assert len(set(named)) >= 12
    for dotted in named:
        module, _, name = dotted.rpartition(".")
        assert len(getattr(importlib.import_module(module), name).__doc__) > 20
