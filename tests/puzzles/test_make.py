"""Puzzles are made as ordered, or refused in words."""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.advise import CERTAIN
from bridge.commands.puzzle import make
from bridge.probing import Setup
from bridge.puzzledraw import Wish
from bridge.puzzlefile import parse_key
from bridge.puzzlemake import Order, PuzzleMaker, identity, look_alikes
from bridge.puzzleset import load_keys
from tests.conftest import ROOT, Outcome


@pytest.mark.slow
def test_a_part_asked_for_fails(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """One puzzle with the switch asked for: the planted fault is one of it, and all five files are there."""
    folder = tmp_path / "set"
    done = command("puzzle", "make", "single-switch-cooktop", "--plant", "single", "--kind", "igbt", "--part", "Q_L",
                   "--seed", "4", "--out", str(folder))  # fmt: skip
    assert done.status == 0, done.err
    assert "rejected" in done.out
    (key,) = load_keys(str(folder))
    assert key.faults[0].part == "Q_L"
    names = {str(one.relative_to(folder)) for one in folder.rglob("*") if one.is_file()}
    assert names == {
        "trainee/puzzle-01.json", "trainee/puzzle-01.csv", "trainee/puzzle-01.html",
        "trainer/key-01.json", "trainer/key-01.html", "trainer/answers.csv",
    }  # fmt: skip
    ranked = command("rank", "single-switch-cooktop", str(folder / "trainee" / "puzzle-01.csv"), "--json")
    replace = json.loads(ranked.out)["parts"][0]["package"]
    assert replace in {package for answer in key.answers for package in answer}


def test_what_reads_alike_is_the_same_puzzle() -> None:
    """What nothing in place tells from the planted fault makes no other puzzle of the set."""
    for key in load_keys(str(ROOT / "examples/class-set/trainer")):
        alike = look_alikes(key)
        assert identity(key) in alike
        assert len(alike) == len(
            {tuple(faults) for faults in key.same} | {tuple(f"{one.part}:{one.mode}" for one in key.faults)}
        )


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--part", "Q_XX"), "--part: six-switch-bridge has no part 'Q_XX' that fails"),
        (("--leg", "R"), "--leg: six-switch-bridge has no leg 'R'"),
        (("--level", "6"), "--level: '6'; accepted: a level from 1 to 5"),
        (("--plant", "fire"), "--plant: 'fire'; accepted: single, pair, nothing, setup"),
        (("--reach", "all"), "--reach: 'all'; accepted: terminals, gates, holds"),
        (("--count", "0"), "--count: 0; accepted: 1 to"),
        (("--certain", "1"), "--certain: 1; accepted"),
    ],
)
def test_what_cannot_be_had_is_refused(
    command: Callable[..., Outcome], tmp_path: Path, options: tuple[str, ...], said: str
) -> None:
    """An order that cannot be granted is refused in one line that names the option, and nothing is written."""
    done = command("puzzle", "make", "six-switch-bridge", *options, "--out", str(tmp_path / "set"))
    assert done.status == 2
    assert said in done.err
    assert not list(tmp_path.iterdir())


def test_a_folder_in_use_is_not_overwritten(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A folder with something in it is refused before any puzzle is made."""
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    done = command("puzzle", "make", "six-switch-bridge", "--out", str(tmp_path))
    assert (done.status, "something is there already" in done.err) == (2, True)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"bridgefault_key": 2}', '{"bridgefault_key": 1}'])
def test_what_is_no_key_is_refused(text: str) -> None:
    """Anything else than a key is refused with the file's name."""
    with pytest.raises(ValueError, match=r"^k\.json") as caught:
        parse_key(text.encode(), "k.json")
    assert type(caught.value).__name__ in ("InputError", "InputErrors")


def test_the_command_asks_for_what_acting_on_a_ranking_takes() -> None:
    """The default of ``--certain`` is the probability at which a list is acted on everywhere else."""
    assert inspect.signature(make).parameters["certain"].default == CERTAIN


@pytest.mark.slow
def test_the_best_solver_stops_where_the_order_says() -> None:
    """Of one draw, the best sequence for 0.95 begins with that for 0.6, and is longer."""
    sure, early = (
        PuzzleMaker(Order("half-bridge-cooktop", "handheld", Setup(), Wish(("pair",)), seed=3, stated=stated))
        for stated in (0.95, 0.6)
    )
    for number in range(200):
        key = sure.attempt(number)
        other = early.attempt(number)
        if isinstance(key, str) or isinstance(other, str):
            continue
        assert key.best[: len(other.best)] == other.best
        if len(other.best) < len(key.best):
            return
    pytest.fail("no sequence is shorter")
