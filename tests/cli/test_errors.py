"""What is wrong with the input ends in one line on standard error, status 2, and nothing on standard output."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from bridge.cli import app
from bridge.commands.puzzle import puzzle
from tests.cli.sheets import FEW, HEADER, write
from tests.conftest import Outcome, process_environment

BOARD = "six-switch-bridge"

# what was typed, and what the line must name: the place, what was found, what is accepted
WRONG_WORDS: dict[str, tuple[list[str], list[str]]] = {
    "no command": ([], ["Missing command", "boards", "rank"]),
    "unknown command": (["ranc"], ["ranc", "boards", "rank"]),
    "unknown option": (["rank", BOARD, "x.csv", "--tip"], ["rank", "--tip", "--top", "--meter", "--json"]),
    "missing board": (["show"], ["show", "BOARD"]),
    "missing readings": (["rank", BOARD], ["rank", "READINGS"]),
    "too many words": (["show", BOARD, "again"], ["show", "again"]),
    "option without value": (["predict", BOARD, "--meter"], ["--meter", "--help"]),
    "unknown board": (["show", "six-switch"], ["'six-switch'", BOARD, ".toml"]),
    "board that is no file": (["show", "./nothing.toml"], ["./nothing.toml", "no such file"]),
    "board that is a folder": (["show", "./"], ["./", "folder"]),
    "unknown meter": (["predict", BOARD, "--meter", "best"], ["--meter", "'best'", "handheld"]),
    "unknown thing connected": (["predict", BOARD, "--connected", "mtor"], ["--connected", "'mtor'", "motor", "mains"]),
    "lifted terminal": (["predict", BOARD, "--lifted", "U"], ["--lifted", "'U'", "PART.pin"]),
    "lifted pin that is not there": (["predict", BOARD, "--lifted", "Q_UL.base"], ["--lifted", "base", "collector"]),
    "relay ajar": (["predict", BOARD, "--relay", "ajar"], ["--relay", "'ajar'", "closed", "open"]),
    "bus in words": (["predict", BOARD, "--bus-volts", "full"], ["--bus-volts", "'full'", "2000"]),
    "bus beyond measure": (["predict", BOARD, "--bus-volts", "1e9"], ["--bus-volts", "1000000000", "2000"]),
    "dwell before it began": (["predict", BOARD, "--dwell", "-1"], ["--dwell", "-1", "3600"]),
    "dwell that is no number": (["predict", BOARD, "--dwell", "nan"], ["--dwell", "nan", "3600"]),
    "temperature of a star": (["predict", BOARD, "--temperature", "5000"], ["--temperature", "5000", "175"]),
    "fault without mode": (["predict", BOARD, "--fault", "Q_UL"], ["'Q_UL'", "PART:MODE"]),
    "fault of no part": (["predict", BOARD, "--fault", "Q_UX:ce-short"], ["Q_UX", "Q_UL"]),
    "mode the part lacks": (["predict", BOARD, "--fault", "D_UL:ce-short"], ["D_UL", "'ce-short'", "open"]),
    "ohms where there are none": (["predict", BOARD, "--fault", "D_UL:open:5"], ["open", "'5'"]),
    "two faults of one part": (
        ["predict", BOARD, "--fault", "Q_UL:ce-short", "--fault", "Q_UL:ge-short"],
        ["--fault", "Q_UL", "twice"],
    ),
    "fault of a part that is not there": (["predict", BOARD, "--fault", "L_U:open"], ["L_U"]),
    "leads in two words": (["predict", BOARD, "--at", "U,N"], ["--at", "'U,N'", "RED,BLACK,MODE"]),
    "lead on nothing": (["predict", BOARD, "--at", "UU,N,diode"], ["--at", "red", "'UU'", "U"]),
    "both leads on one spot": (["predict", BOARD, "--at", "U,U,diode"], ["--at", "U", "different"]),
    "unknown mode": (["predict", BOARD, "--at", "U,N,diod"], ["--at", "'diod'", "diode", "continuity"]),
    "range the meter lacks": (["predict", BOARD, "--at", "U,N,ohms:3k"], ["--at", "3k", "ohms:2k"]),
    "holding no gate": (["predict", BOARD, "--at", "U,N,diode,XH@12"], ["--at", "'XH'", "UH"]),
    "two sources of leads": (["predict", BOARD, "--at", "U,N,diode", "--readings", "x.csv"], ["--at", "--readings"]),
    "readings that are no file": (["rank", BOARD, "nothing.csv"], ["nothing.csv", "no such file"]),
    "negative top": (["rank", BOARD, "nothing.csv", "--top", "-1"], ["--top", "0"]),
    "top in words": (["rank", BOARD, "nothing.csv", "--top", "all"], ["--top: 'all'; accepted: a whole number, 0 or"]),
    "none to propose": (
        ["next", BOARD, "nothing.csv", "--top", "0"],
        ["--top: 0; accepted: a whole number, 1 or more"],
    ),
    "half a row": (["power-up", BOARD, "--top", "0.5"], ["--top: '0.5'; accepted: a whole number, 0 or more"]),
    "puzzles in words": (
        ["puzzle", "make", BOARD, "--count", "abc"],
        ["--count: 'abc'; accepted: a whole number, 1 to"],
    ),
    "certain in words": (
        ["bench", BOARD, "--certain", "very"],
        ["--certain: 'very'; accepted: a number, more than 0.5"],
    ),
    "no number": (["puzzle", "make", BOARD, "--certain", "nan"], ["--certain: nan; accepted: a number, more than 0.5"]),
}

# a row below the header, and what the line must name besides file and line number
WRONG_ROWS: dict[str, tuple[str, list[str]]] = {
    "decimal comma": ("N,U,diode,0,412", ["line 2", "0.412"]),
    "millivolts without m": ("N,U,diode,412", ["line 2", "'412'", "0.412", "412m"]),
    "negative ohms": ("N,U,ohms,-5", ["line 2", "'-5'", "charge"]),
    "no reading at all": ("N,U,diode,zilch", ["line 2", "'zilch'", "OL"]),
    "beep in diode mode": ("N,U,diode,beep", ["line 2", "beep", "continuity"]),
    "lead on nothing": ("N,Y,diode,0.4", ["line 2", "black", "'Y'"]),
    "nothing read": ("N,U,diode,", ["no reading"]),
}


def one_line(outcome: Outcome, words: list[str]) -> None:
    """Assert the shape of every refusal, and that it names what it must."""
    assert outcome.status == 2
    assert outcome.out == ""
    assert outcome.err.startswith("bridgefault: ")
    assert outcome.err.endswith("\n")
    assert outcome.err.count("\n") == 1
    assert "Traceback" not in outcome.err
    for word in words:
        assert word in outcome.err


@pytest.mark.parametrize(("typed", "words"), WRONG_WORDS.values(), ids=WRONG_WORDS.keys())
def test_wrong_words_are_refused_in_one_line(
    typed: list[str], words: list[str], command: Callable[..., Outcome], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wrong words on the command line are refused in one line that says what was found and what is accepted."""
    monkeypatch.chdir(tmp_path)
    one_line(command(*typed), words)


@pytest.mark.parametrize(("row", "words"), WRONG_ROWS.values(), ids=WRONG_ROWS.keys())
def test_wrong_readings_are_refused_with_their_line(
    row: str, words: list[str], command: Callable[..., Outcome], tmp_path: Path
) -> None:
    """A slip in a readings sheet is refused with file and line."""
    sheet = write(tmp_path, HEADER + row + "\n")
    one_line(command("rank", BOARD, sheet), ["readings.csv", *words])


def test_no_option_leaves_its_refusal_to_the_library() -> None:
    """Options are words or flags to the library, whose own refusals of numbers name neither what was typed nor more."""
    commands = [one.callback for group in (app, puzzle) for one in group.registered_commands]
    assert {"rank", "power_up", "make"} <= {one.__name__ for one in commands if one is not None}
    for one in commands:
        assert one is not None
        taken = {
            kind
            for hint in get_type_hints(one).values()
            for kind in (get_args(hint) or (hint,))
            if kind in (int, float, complex)
        }
        assert taken == set(), one.__name__


def test_wrong_words_as_a_process(process: Callable[..., Outcome]) -> None:
    """A process started with wrong words leaves one line, status 2 and an empty standard output."""
    one_line(process("rank", BOARD, "nothing.csv"), ["nothing.csv", "no such file"])


def test_wrong_usage_as_a_process(process: Callable[..., Outcome]) -> None:
    """A process started with an unknown option leaves one line, status 2 and an empty standard output."""
    one_line(process("show", BOARD, "--colour", "red"), ["show", "--colour", "--faults"])


def test_readings_from_standard_input_are_named(process: Callable[..., Outcome]) -> None:
    """A slip in readings that came through a pipe names standard input and the line."""
    one_line(process("rank", BOARD, "-", stdin=HEADER + "N,U,diode,412\n"), ["standard input, line 2", "412m"])


def test_binary_readings_are_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A picture in place of a readings sheet is refused in one line."""
    (tmp_path / "photo.csv").write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    one_line(command("rank", BOARD, str(tmp_path / "photo.csv")), ["photo.csv", "line"])


def test_board_file_with_several_problems_is_one_line(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """All problems of a board file are told at once, and still on one line."""
    file = tmp_path / "odd.toml"
    file.write_text('name = "odd"\ntitle = "x"\nabout = "y"\ncolour = "red"\nshape = "round"\n', encoding="utf-8")
    one_line(command("show", str(file)), ["odd.toml", "colour", "shape"])


def test_line_breaks_in_a_file_name_stay_on_one_line(command: Callable[..., Outcome]) -> None:
    """A file name that holds a line break and an escape sequence cannot break the line or steer the terminal."""
    outcome = command("rank", BOARD, "no\nsuch\x1b[31mfile")
    one_line(outcome, ["no such file"])
    assert "\x1b" not in outcome.err


def test_journal_of_another_board_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A bench journal of another board is refused with both names."""
    head = '{"bridgefault_session": 1, "board": "motor-drive", "meter": "handheld", "setup": {}}\n'
    one_line(command("rank", BOARD, write(tmp_path, head, "bench.jsonl")), ["bench.jsonl", "motor-drive", BOARD])


def test_unforeseen_error_is_one_line_and_status_1(
    command: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error nobody foresaw still ends in one line, and is not blamed on the input."""

    def broken() -> tuple[str, ...]:
        raise KeyError("surprise")

    monkeypatch.setattr("bridge.board.list_boards", broken)
    outcome = command("boards")
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (1, "", 1)
    assert "surprise" in outcome.err
    assert "not of the input" in outcome.err


def test_exhausted_memory_is_one_line_and_status_1(
    command: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine that runs out of memory says so in one line."""

    def greedy() -> tuple[str, ...]:
        raise MemoryError

    monkeypatch.setattr("bridge.board.list_boards", greedy)
    outcome = command("boards")
    assert (outcome.status, outcome.out) == (1, "")
    assert outcome.err.startswith("bridgefault: out of memory")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("arguments", [("boards",), ("boards", "--json"), ("--help",), ("--version",)], ids=" ".join)
def test_full_disk_is_status_1(arguments: tuple[str, ...]) -> None:
    """A disk that takes no more ends in one line and status 1."""
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "bridge", *arguments],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env=process_environment(),
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("bridgefault: standard output: ")


def test_closed_output_is_status_1() -> None:
    """A program started without a standard output says so in one line."""
    done = subprocess.run(
        ["/bin/sh", "-c", f'"{sys.executable}" -m bridge boards >&-'],
        stderr=subprocess.PIPE,
        text=True,
        env=process_environment(),
        check=False,
    )
    assert (done.returncode, done.stderr) == (1, "bridgefault: standard output is closed\n")


def test_reader_that_leaves_early_is_no_error() -> None:
    """A pipe whose reader has seen enough (head) ends the program quietly."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "show", BOARD, "--faults"],
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        env=process_environment(),
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, "")


def test_interrupt_is_quiet() -> None:
    """Ctrl-C ends the program without a word."""
    running = subprocess.Popen(
        [sys.executable, "-m", "bridge", "rank", BOARD, "-"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=process_environment(),
    )
    assert running.stdin is not None
    running.stdin.write(FEW)
    running.stdin.flush()  # and not closed: it waits for the rest of its readings
    time.sleep(1.5)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert (running.returncode, out, err) == (130, "", "")


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals to a group of processes")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("seconds", [4.0, 10.0])
def test_a_class_set_is_stopped_at_once(number: int, seconds: float, tmp_path: Path) -> None:
    """While its processes load, or while they draw: one line, no traceback, no process left, no file."""
    making = subprocess.Popen(
        [sys.executable, "-m", "bridge", "puzzle", "make", BOARD, "--count", "20", "--out", str(tmp_path / "set")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=process_environment(),
        start_new_session=True,
    )
    time.sleep(seconds)
    if number == signal.SIGINT:
        os.killpg(making.pid, number)  # as a terminal does
    else:
        making.send_signal(number)
    out, err = making.communicate(timeout=60)
    assert (making.returncode, out) == (130, "")
    assert err.splitlines()[-1] == "Stopped; nothing was written."
    assert "Traceback" not in err
    assert "Warning" not in err
    assert list(tmp_path.iterdir()) == []
    latest = time.monotonic() + 10.0
    while time.monotonic() < latest and _is_there(making.pid):
        time.sleep(0.1)
    assert not _is_there(making.pid)


def _is_there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
