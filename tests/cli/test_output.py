"""Plain text in a pipe, tidy tables on a terminal, and signs that every stream can hold."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.layout import Column, Table, plain_text, write_page, write_text
from tests.cli.sheets import FEW
from tests.conftest import Outcome, process_environment

OHM = "\N{GREEK CAPITAL LETTER OMEGA}"
BOX = re.compile("[\N{BOX DRAWINGS LIGHT HORIZONTAL}-\N{BOX DRAWINGS DOUBLE VERTICAL AND HORIZONTAL}]")
ESCAPE = "\x1b"

PAGE = [
    "Two readings [bold]of a board[/bold].",
    Table("Drops", (Column("lead"), Column("value", right=True)), (("U", f"4.7 k{OHM}"), ("[red]", "1"))),
]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        """Say yes."""
        return True


@pytest.mark.parametrize(
    "arguments",
    [
        ("boards",),
        ("show", "six-switch-bridge", "--faults"),
        ("predict", "six-switch-bridge"),
        ("rank", "six-switch-bridge", "-"),
    ],
    ids=lambda arguments: arguments[0],
)
def test_plain_text_in_a_pipe(arguments: tuple[str, ...], process: Callable[..., Outcome]) -> None:
    """In a pipe nothing is ruled, coloured, broken or padded, whatever the environment says about terminals."""
    outcome = process(
        *arguments, stdin=FEW, environment={"FORCE_COLOR": "1", "COLUMNS": "40", "TERM": "xterm-256color"}
    )
    assert (outcome.status, outcome.err) == (0, "")
    assert ESCAPE not in outcome.out
    assert BOX.search(outcome.out) is None
    assert [line for line in outcome.out.splitlines() if line != line.rstrip()] == []
    assert max(len(line) for line in outcome.out.splitlines()) > 60


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_tables_on_a_terminal() -> None:
    """On a terminal tables are ruled and set in bold, and fit its width."""
    import pty

    ours, theirs = pty.openpty()
    running = subprocess.Popen(
        [sys.executable, "-m", "bridge", "show", "six-switch-bridge"],
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
        env=process_environment({"TERM": "xterm-256color", "COLUMNS": "100", "LINES": "40"}),
    )
    os.close(theirs)
    seen = b""
    while True:
        try:
            some = os.read(ours, 65536)
        except OSError:  # the other end has gone
            break
        if not some:
            break
        seen += some
    os.close(ours)
    assert running.wait(timeout=60) == 0
    text = seen.decode()
    assert ESCAPE in text
    assert BOX.search(text)
    bare = re.sub(r"\x1b\[[0-9;]*m", "", text)
    assert max(len(line) for line in bare.splitlines()) <= 100
    assert re.search(r"Q_UH +igbt", bare)


def test_square_brackets_are_no_mark_up() -> None:
    """What stands in square brackets in a board file is shown as it stands, on a terminal too."""
    terminal = Terminal()
    write_page(PAGE, terminal)
    assert "[bold]of a board[/bold]" in terminal.getvalue()
    assert "[red]" in terminal.getvalue()


def test_columns_line_up() -> None:
    """Words are set to the left, numbers to the right, two spaces apart."""
    assert plain_text(PAGE).splitlines()[2:] == [
        "Drops",
        "lead    value",
        f"U      4.7 k{OHM}",
        "[red]       1",
    ]


def test_nothing_can_steer_the_terminal() -> None:
    """Control characters of a file become a visible mark, on a terminal and in a pipe."""
    page = ["clear\x1b[2J", Table("T", (Column("c"),), (("bell\x07",),))]
    terminal = Terminal()
    write_page(page, terminal)
    for text in (plain_text(page), re.sub(r"\x1b\[[0-9;]*m", "", terminal.getvalue())):
        assert "\x1b" not in text
        assert "\x07" not in text
        assert "clear\N{REPLACEMENT CHARACTER}[2J" in text


@pytest.mark.parametrize(("encoding", "shown"), [("utf-8", f"4.7 k{OHM} 10 µF"), ("ascii", "4.7 kohm 10 uF")])
def test_signs_are_spelled_out_where_a_stream_lacks_them(encoding: str, shown: str) -> None:
    """Where a stream has no omega, ohm is written, and u where it has no micro."""
    raw = io.BytesIO()
    with io.TextIOWrapper(raw, encoding=encoding) as stream:
        write_text(f"4.7 k{OHM} 10 µF", stream)
        assert raw.getvalue().decode(encoding) == shown


def test_a_process_in_an_old_code_page(process: Callable[..., Outcome]) -> None:
    """A whole answer goes through a stream that has ASCII only."""
    outcome = process("show", "six-switch-bridge", environment={"PYTHONIOENCODING": "ascii"})
    assert (outcome.status, outcome.err) == (0, "")
    assert re.search(r"^RG_UH +resistor +22 ohm ", outcome.out, re.MULTILINE)


def test_empty_columns_are_left_out() -> None:
    """A column without anything in it is not shown."""
    table = Table("T", (Column("a"), Column("b"), Column("c")), (("1", "", "2"), ("", "", "3")))
    assert table.without_empty_columns().rows == (("1", "2"), ("", "3"))
    assert [column.title for column in table.without_empty_columns().columns] == ["a", "c"]


def test_prediction_shows_the_healthy_board_beside_the_faulty_one(command: Callable[..., Outcome]) -> None:
    """A predicted fault is told in words, with its usual resistance and the healthy reading beside each reading."""
    outcome = command("predict", "six-switch-bridge", "--fault", "Q_UL:ce-short", "--at", "N,U,diode")
    caution, _, title, _, _, head, row = outcome.out.splitlines()
    assert "discharged through a resistor" in caution
    assert re.search(rf"Q_UL collector-emitter short of [0-9.]+ {OHM}", title)
    assert head.split()[-3:] == ["a", "healthy", "board"]
    # a shorted switch reads next to nothing, a healthy one its diode's 0.42 V
    assert row.split()[3:] == ["0.000", "V", "steady", "0.000", "V", "0.000", "V", "0.420", "V"]


def test_shown_board_names_what_is_not_there(command: Callable[..., Outcome]) -> None:
    """Parts that come with a connected motor are marked while it is not connected."""
    without = command("show", "six-switch-bridge").out
    assert "only with --connected motor" in without
    assert "only with --connected motor" not in command("show", "six-switch-bridge", "--connected", "motor").out


def test_odd_board_files_are_shown_with_what_is_odd(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A board file of one's own is shown with what looks like a slip in it."""
    file = tmp_path / "lone.toml"
    file.write_text(
        'name = "lone"\ntitle = "A diode"\nabout = "One diode."\n'
        '[[terminal]]\nname = "A"\nwhat = "anode"\naccess = "terminal"\n'
        '[[part]]\nref = "D_1"\nkind = "diode"\npins = { anode = "A", cathode = "K" }\ndrop_1ma = 0.6\n',
        encoding="utf-8",
    )
    outcome = command("show", str(file))
    assert outcome.status == 0
    assert "Odd about this board file: net K has a single pin and no terminal" in outcome.out
