"""``bridgefault bench`` with input from a pipe."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.makesafe import safe_points
from bridge.sessionfile import SessionFile
from tests.conftest import Outcome

Process = Callable[..., Outcome]
MEASURED = "0.02\n" * len(safe_points(load_board("single-switch-cooktop")))
READY = ("--meter", "handheld", "--reach", "gates", "--discharged", "--seen", "dead")


def test_a_session_from_a_pipe(process: Process, tmp_path: Path) -> None:
    """Answers and readings from a pipe give a file that rank and next read; the end of the input is a stop."""
    typed = MEASURED + "\n\ngates\n\nRES E_L 0.002\nE_L RES 0.002\n"
    outcome = process("bench", "single-switch-cooktop", "--meter", "pocket", "--file", "s.jsonl", stdin=typed)
    assert (outcome.status, outcome.err) == (0, "")
    assert max(map(len, outcome.out.splitlines())) <= 80
    assert "\x1b" not in outcome.out
    assert "2. E_L to RES, diode: 0.002" in outcome.out
    assert "Stopped." in outcome.out
    ranked = process("rank", "single-switch-cooktop", "s.jsonl")
    assert (ranked.status, ranked.err) == (0, "")
    assert "Q_L" in ranked.out.splitlines()[0]
    assert process("next", "single-switch-cooktop", "s.jsonl").status == 0


def test_what_was_seen_is_counted_by_rank(process: Process) -> None:
    """What was seen is kept in the session's file, and rank counts it in."""
    outcome = process("bench", "single-switch-cooktop", *READY, "--file", "s.jsonl", stdin=f"{MEASURED}\nP N OL\n")
    assert (outcome.status, outcome.err) == (0, "")
    assert "Counted in before any reading: dead." in process("rank", "single-switch-cooktop", "s.jsonl").out


@pytest.mark.slow
def test_a_session_goes_on(process: Process) -> None:
    """The same command with the same file shows the readings there are and goes on."""
    process("bench", "single-switch-cooktop", *READY, stdin=f"{MEASURED}\nP N OL\n")
    outcome = process("bench", "single-switch-cooktop", *READY, stdin=f"{MEASURED}list\n")
    assert outcome.status == 0
    assert "Taken up again" in outcome.out
    assert "P to N, diode" in outcome.out
    assert "bench-single-switch-cooktop.jsonl" in outcome.out


def test_charge_is_refused(process: Process, tmp_path: Path) -> None:
    """Above 60 V the session says why on the screen, ends with status 2 and one line, and leaves no file."""
    outcome = process("bench", "single-switch-cooktop", *READY, stdin="310\n0\n0.4\n")
    assert outcome.status == 2
    assert "DANGER: 310" in outcome.out
    assert len(outcome.err.splitlines()) == 1
    assert "dangerous to touch" in outcome.err
    assert not list(tmp_path.glob("*.jsonl"))


def test_two_sessions_on_one_file(process: Process, tmp_path: Path) -> None:
    """A file another session has open is refused with status 2 in one line."""
    with SessionFile(str(tmp_path / "s.jsonl")):
        outcome = process("bench", "single-switch-cooktop", *READY, "--file", "s.jsonl", stdin="0\n")
    assert outcome.status == 2
    assert "another bench session" in outcome.err
    assert len(outcome.err.splitlines()) == 1


def test_wrong_input_is_one_line(process: Process, tmp_path: Path) -> None:
    """A sheet in place of a session, an unknown reach, a silly limit: one line, status 2, no traceback."""
    (tmp_path / "sheet.csv").write_text("red,black,mode,reading\n")
    for options in (("--file", "sheet.csv"), ("--reach", "moon"), ("--certain", "2"), ("--meter", "none")):
        outcome = process("bench", "single-switch-cooktop", *options, stdin="0\n")
        assert (outcome.status, len(outcome.err.splitlines())) == (2, 1), options
    assert (tmp_path / "sheet.csv").read_text() == "red,black,mode,reading\n"


def test_bytes_that_are_no_text(process: Process) -> None:
    """Garbage on the line is refused like any other slip, and the session goes on."""
    outcome = process("bench", "single-switch-cooktop", *READY, stdin=f"{MEASURED}\n\x00\x07\n{'9' * 5000}\nP N OL\n")
    assert outcome.status == 0
    assert "1. P to N, diode: OL" in outcome.out
    assert "\x07" not in outcome.out
