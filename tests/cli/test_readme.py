"""What the README shows is run: its commands, its files, its snippet."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
import shellingham

from bridge.board import load_board, parse_board
from bridge.meter import METER_MODES, parse_meter
from bridge.oddities import oddities
from bridge.placement import CONNECTABLE
from bridge.readingrows import COLUMNS
from bridge.readings import parse_reading_text, parse_readings
from tests.cli.test_help import COMMANDS
from tests.conftest import ROOT, Outcome

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PLACEHOLDER = re.compile(r"\b[A-Z]{4,}\b")
SHOWN = [
    line
    for line in dict.fromkeys(re.findall(r"`bridgefault ([^`\n]+)`", README + DEVELOPERS))
    if not PLACEHOLDER.search(line) and "./" not in line
]


def blocks(language: str) -> list[str]:
    """Return the code blocks of the README in one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_the_first_command_ranks_the_shipped_example(
    command: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first command of the README installs from the checkout, and its main job names something to replace."""
    monkeypatch.chdir(ROOT)
    first = blocks("sh")[0].strip()
    environment, install, job = first.split(" && ")
    assert environment == "python3 -m venv .venv"
    assert install.endswith("pip install --quiet .")
    words = shlex.split(job)
    assert words[0] == ".venv/bin/bridgefault"
    outcome = command(*words[1:])
    assert (outcome.status, outcome.err) == (0, "")
    assert any(paragraph.startswith("Replace ") for paragraph in outcome.out.split("\n\n"))


@pytest.mark.parametrize("line", SHOWN)
def test_commands_in_the_text_answer(
    line: str, command: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Every command shown in README and DEVELOPERS answers, run in the checkout."""
    monkeypatch.chdir(ROOT)
    for home in ("HOME", "USERPROFILE"):  # completion is installed into a shell's own files
        monkeypatch.setenv(home, str(tmp_path))
    if "completion" in line:
        try:
            shellingham.detect_shell()
        except shellingham.ShellDetectionFailure:
            pytest.skip("no shell runs this, so there is none to complete for")
    outcome = command(*shlex.split(line))
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out != ""


def test_the_readings_file_is_one() -> None:
    """The readings shown are understood as described, down to the climbing one."""
    found = parse_readings(blocks("csv")[0].encode(), "README.md", load_board("six-switch-bridge"))
    assert [(reading.value, reading.state) for reading in found] == [
        (0.415, "steady"),
        (None, "climbing"),
        (0.002, "steady"),
        (9900.0, "steady"),
    ]


def test_the_columns_are_those_there_are() -> None:
    """The table of columns names every column and mode, and each way of writing a reading it shows is understood."""
    rows = dict(re.findall(r"^\| (`[^|]+`) \| (.+) \|$", README, re.MULTILINE))
    named = [word for cell in rows for word in re.findall(r"`(\w+)`", cell)]
    assert sorted(named) == sorted(COLUMNS)
    assert set(METER_MODES) <= set(re.findall(r"`(\w+)`", rows["`mode`"]))
    written = [text for text in re.findall(r"`([^`]+)`", rows["`reading`"]) if text not in ("m", "M")]
    assert len(written) > 12
    for text in written:
        parse_reading_text(text)


def test_the_meter_file_is_one() -> None:
    """The meter file shown is a meter."""
    meter = parse_meter(blocks("toml")[0], "README.md")
    assert (meter.name, meter.diode.limit_volts) == ("my-meter", 2.0)
    assert [one.name for one in meter.ohms] == ["600", "60k"]


def test_the_board_file_is_one() -> None:
    """The board file shown is a whole and sound board of five parts."""
    board = parse_board(blocks("toml")[1], "README.md")
    assert list(board.parts) == ["Q_UH", "D_UH", "Q_UL", "D_UL", "C_BUS"]
    assert oddities(board) == ()


def test_the_snippet_runs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The eight lines of Python rank the shipped example and print three guesses."""
    monkeypatch.chdir(ROOT)
    snippet = blocks("python")[0]
    assert len([line for line in snippet.splitlines() if line]) == 8
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(snippet, "README.md", "exec"), {})
    lines = printed.getvalue().splitlines()
    assert len(lines) == 3
    assert all(re.match(r"\d+% \[.*\]$", line) for line in lines)


def test_the_options_are_those_there_are(command: Callable[..., Outcome]) -> None:
    """Every option the README names exists, and everything that can be connected is named by the help."""
    names = (*COMMANDS, "puzzle make", "puzzle play", "puzzle mark")
    helps = "".join(command(*name.split(), "--help").out for name in names)
    for option in set(re.findall(r"`(--[a-z-]+)", README)):
        assert option in helps
    assert all(word in " ".join(helps.split()) for word in CONNECTABLE)


def test_linked_files_exist() -> None:
    """Every file the README and DEVELOPERS link to or name by path is there."""
    links = re.findall(r"\]\(([\w./-]+)\)", README + DEVELOPERS)
    paths = re.findall(r"`((?:\.ci|tests|topologies|examples)/[\w./-]+)`", README + DEVELOPERS)
    assert len(links) >= 3
    assert [name for name in links + paths if not (ROOT / name).exists() and "NAME" not in name] == []
