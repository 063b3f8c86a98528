"""A set of one's own board and meter stands by itself: it names no folder of its maker's, and can be taken anywhere."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.meter import METERS_FOLDER
from bridge.puzzlebeside import names_beside, texts_beside
from bridge.puzzleset import load_keys
from tests.conftest import ROOT, Outcome

OWN = ("own.toml", "ownmeter.toml")


@pytest.fixture
def made(command: Callable[..., Outcome], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a set of an own board, named by a path from here, and an own meter, named by one from the root."""
    shop = tmp_path / "shop"
    shop.mkdir()
    shutil.copy(ROOT / "topologies" / "drive-module.toml", shop / OWN[0])
    shutil.copy(METERS_FOLDER / "handheld.toml", shop / OWN[1])
    monkeypatch.chdir(shop)
    done = command("puzzle", "make", f"./{OWN[0]}", "--meter", str(shop / OWN[1]), "--seed", "1", "--out", "own")
    assert done.status == 0, done.err
    target = tmp_path / "class"
    shutil.move(shop / "own", target)
    shutil.rmtree(shop)
    monkeypatch.chdir(ROOT)
    return target


def test_a_set_of_an_own_board_can_be_taken_anywhere(command: Callable[..., Outcome], made: Path) -> None:
    """Moved, and its board's and meter's first home gone, it is marked and ranked, and names no folder anywhere."""
    for folder in ("trainee", "trainer"):
        for name in OWN:
            assert (made / folder / name).is_file()
    for file in (one for one in made.rglob("*") if one.is_file()):
        assert str(made.parent) not in file.read_text("utf-8"), file
    puzzle = json.loads((made / "trainee" / "puzzle-01.json").read_text("utf-8"))
    assert (puzzle["board"], puzzle["meter"]) == OWN
    (key,) = load_keys(str(made))
    sheet = made / "answers.csv"
    sheet.write_text(f"who,answer\nann,{key.error or '+'.join(key.answers[0]) or 'nothing'}\n", "utf-8")
    for where in (made, made / "trainer", made / "trainer" / "key-01.json"):
        done = command("puzzle", "mark", str(where), str(sheet), "--json")
        assert done.status == 0, done.err
        assert json.loads(done.out)["answers"][0]["right"]
    board, meter = (str(made / "trainee" / name) for name in OWN)
    done = command("rank", board, str(made / "trainee" / "puzzle-01.csv"), "--meter", meter)
    assert done.status == 0, done.err


def test_a_puzzle_of_an_own_board_is_played_from_elsewhere(process: Callable[..., Outcome], made: Path) -> None:
    """Trainee's and trainer's folders apart from each other, the board is still found beside the puzzle."""
    puzzle = made.parent / "handed out"
    shutil.move(made / "trainee", puzzle)
    asked = ("puzzle", "play", str(puzzle / "puzzle-01.json"))
    key = ("--key", str(made / "trainer" / "key-01.json"), "--file", str(made / "play.jsonl"))
    for more in ((), key):
        done = process(*asked, *more, stdin="answer nothing\n")
        assert done.status == 0, done.err
        assert "Puzzle 1" in done.out
    (puzzle / OWN[0]).unlink()
    done = process(*asked, stdin="stop\n")
    assert (done.status, f"no file '{OWN[0]}' beside it" in done.err) == (2, True)


@pytest.mark.parametrize("name", ["../../x.toml", "/etc/x.toml", "sub/../../x.toml", "C:\\x.toml"])
@pytest.mark.parametrize("entry", ["board", "meter"])
def test_a_puzzle_reads_no_file_of_another_folder(
    command: Callable[..., Outcome], made: Path, name: str, entry: str
) -> None:
    """Whatever path a puzzle or a key names, nothing outside its folder is read."""
    place = made / "trainee" / "puzzle-01.json"
    plain = json.loads(place.read_text("utf-8")) | {entry: name}
    place.write_text(json.dumps(plain), "utf-8")
    done = command("puzzle", "play", str(place))
    assert (done.status, "accepted: a shipped" in done.err) == (2, True)
    key = made / "trainer" / "key-01.json"
    plain = json.loads(key.read_text("utf-8"))
    plain["puzzle"][entry] = name
    key.write_text(json.dumps(plain), "utf-8")
    (made / "answers.csv").write_text("who,answer\nann,nothing\n", "utf-8")
    done = command("puzzle", "mark", str(key), str(made / "answers.csv"))
    assert (done.status, "accepted: a shipped" in done.err) == (2, True)


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_out_of_the_folder_is_not_followed(command: Callable[..., Outcome], made: Path) -> None:
    """A board file that is a link to a file elsewhere is refused, and nothing of that file is said."""
    secret = made.parent / "secret.toml"
    secret.write_text('word = "swordfish"\n', "utf-8")
    board = made / "trainee" / OWN[0]
    board.unlink()
    board.symlink_to(secret)
    done = command("puzzle", "play", str(made / "trainee" / "puzzle-01.json"))
    assert done.status == 2
    assert "leads out of the folder" in done.err
    assert "word" not in done.err


@pytest.mark.parametrize(
    ("board", "meter", "names"),
    [
        ("drive-module", "handheld", ("drive-module", "handheld")),
        ("./own.toml", "handheld", ("own.toml", "handheld")),
        ("/home/x/own.toml", "a/own.toml", ("own.toml", "own-meter.toml")),
        ("a/Own.toml", "own.toml", ("Own.toml", "own-meter.toml")),
        ("c:\\boards\\my board.toml", "x/y", ("my-board.toml", "y.toml")),
        ("a/..toml", "b/ .toml", ("board.toml", "meter.toml")),
        ("a/e:vil.toml", "handheld", ("e-vil.toml", "handheld")),
    ],
)
def test_names_in_a_set(board: str, meter: str, names: tuple[str, str]) -> None:
    """Shipped ones stay names; a file keeps its own without the folder, and no two are the same."""
    assert names_beside(board, meter) == names


def test_a_file_that_is_no_board_is_refused_before_any_draw(tmp_path: Path) -> None:
    """What would be copied must be a board."""
    (tmp_path / "own.toml").write_text("name = 1\n", "utf-8")
    with pytest.raises(InputError, match=r"own\.toml"):
        texts_beside(str(tmp_path / "own.toml"), "handheld")
