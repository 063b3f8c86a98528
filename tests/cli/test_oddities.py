"""What is odd about a board file is told wherever readings meet it, and what it cannot have connected is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import list_boards, load_board
from tests.conftest import Outcome

SOUND = (
    'name = "own"\ntitle = "Own"\n'
    + "".join(f'[[terminal]]\nname = "{name}"\naccess = "terminal"\n' for name in "PN")
    + "".join(
        f'[[part]]\nref = "R_{number}"\nkind = "resistor"\npins = {{ a = "P", b = "N" }}\nohms = 100.0\n'
        for number in (1, 2)
    )
)
ODD = SOUND[: SOUND.rindex('"N"')] + '"n"' + SOUND[SOUND.rindex('"N"') + 3 :]


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str, str]:
    """Return a sound board file, an odd one and a sheet of readings."""
    for name, text in (("sound", SOUND), ("odd", ODD)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    (tmp_path / "r.csv").write_text("red,black,mode,reading\nP,N,ohms,100\n", encoding="utf-8")
    return str(tmp_path / "sound.toml"), str(tmp_path / "odd.toml"), str(tmp_path / "r.csv")


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("predict", ()),
        ("rank", ("READINGS",)),
        ("next", ("READINGS",)),
        ("sheet", ()),
        ("sheet", ("--csv",)),
        ("cover", ()),
        ("report", ("READINGS", "-o", "FILE.html")),
        ("power-up", ()),
    ],
)
def test_odd_files_are_told(
    name: str, more: tuple[str, ...], files: tuple[str, str, str], command: Callable[..., Outcome], tmp_path: Path
) -> None:
    """A misspelt net is told in one line on standard error; the answer comes all the same."""
    sound, odd, readings = files
    more = tuple({"READINGS": readings, "FILE.html": str(tmp_path / "page.html")}.get(word, word) for word in more)
    told = command(name, odd, *more)
    assert told.status == 0
    assert told.err.count("\n") == 1
    assert told.err.startswith(f"{odd}: odd about this board file: nets N and n differ only in capital letters; ")
    assert "net n has a single pin and no terminal" in told.err
    assert "odd about" not in told.out
    assert command(name, sound, *more).err == ""
    if "--csv" not in more:  # one of the two
        assert command(name, odd, *more, "--json").err == ""


def test_a_session_tells_it_first(files: tuple[str, str, str], command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A bench session on an odd file says so on standard error before it asks."""
    told = command("bench", files[1], "--file", str(tmp_path / "s.jsonl"))
    assert "odd about this board file: nets N and n" in told.err


@pytest.mark.parametrize("name", list_boards())
def test_shipped_boards_take_what_they_have(name: str, command: Callable[..., Outcome]) -> None:
    """Each board takes what its file has a part for, and mains, a danger anywhere; the rest it refuses with those."""
    there = {"mains", *(part.when for part in load_board(name).parts.values() if part.when)}
    for what in ("motor", "coil", "transformer", "brake-resistor", "mains"):
        told = command(
            "predict",
            name,
            "--connected",
            what,
            "--at",
            "P,U,diode" if "U" in load_board(name).terminals else "P,N,diode",
        )
        assert told.status == (0 if what in there else 2), told.err
        assert told.err == "" or (what in told.err and all(word in told.err for word in there))
