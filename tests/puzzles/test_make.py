"""Puzzles are made as ordered, or refused in words."""

from __future__ import annotations

import inspect
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.advise import CERTAIN
from bridge.board import load_board
from bridge.commands.puzzle import make
from bridge.errors import InputError
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzledraw import Wish
from bridge.puzzlefile import parse_key
from bridge.puzzlemake import Order, PuzzleMaker, identity, look_alikes, make_puzzles
from bridge.puzzlemodes import written_readings
from bridge.puzzleopen import WELL_OPEN, Weighing
from bridge.puzzlepage import handout_html
from bridge.puzzleset import load_keys
from bridge.puzzlesheet import puzzle_probings
from bridge.puzzlewords import Progress
from tests.conftest import ROOT, Outcome
from tests.puzzles.make_class import LESSONS


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
        (("--plant", "fire"), "--plant: 'fire'; accepted: single, pair, pattern, nothing, setup"),
        (("--reach", "all"), "--reach: 'all'; accepted: terminals, gates, holds"),
        (("--count", "0"), "--count: 0; accepted: a whole number, 1 to"),
        (("--certain", "1"), "--certain: 1; accepted"),
        (("--bus-volts", "100"), "--bus-volts: 100; accepted: 0, for the bus is discharged"),
        (("--bus-volts", "0.3"), "--bus-volts: 0.3; accepted: 0"),
        (("--plant", "nothing", "--count", "3"), "--count: 3; accepted: 1 with this --plant, for nothing wrong makes"),
        (
            ("--plant", "nothing", "--part", "Q_UL"),
            "--part: 'Q_UL' with --plant nothing, which plants no fault; accepted",
        ),
        (("--plant", "setup", "--leg", "U"), "--leg: 'U' with --plant setup, which plants no fault; accepted: --plant"),
        (("--seed", "abc"), "--seed: 'abc'; accepted: a whole number, 0 or more"),
        (("--seed", "-3"), "--seed: '-3'; accepted: a whole number, 0 or more"),
        (("--plant", "setup", "--plant", "nothing", "--count", "4"), "--count: 4; accepted: 1 to 3 with"),
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
    assert float(inspect.signature(make).parameters["certain"].default) == CERTAIN


def test_what_can_only_read_alike_is_not_advised_a_wider_choice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where most draws would have repeated a puzzle, so it is said, with the number that can be had."""
    key = load_keys(str(ROOT / "examples/class-set/trainer/key-01.json"))[0]
    monkeypatch.setattr("bridge.puzzlemake._draws", lambda *_: (key for _ in range(20)))
    with pytest.raises(InputError, match=r"1 of 3 puzzles in 20 draws: .* like one of them; accepted: --count 1"):
        make_puzzles(Order("six-switch-bridge", "handheld", Setup(), count=3), workers=1)


@pytest.mark.parametrize("on_a_terminal", [True, False])
def test_long_drawing_says_how_far_it_is(monkeypatch: pytest.MonkeyPatch, *, on_a_terminal: bool) -> None:
    """On a terminal every draw shows, before any puzzle is made, too; in a pipe a plain line every ten seconds."""
    shown = io.StringIO()
    monkeypatch.setattr(shown, "isatty", lambda: on_a_terminal)
    monkeypatch.setattr("sys.stderr", shown)
    now = 0.0
    monkeypatch.setattr("time.monotonic", lambda: now)
    progress = Progress()
    for draws in range(1, 26):
        now += 1.0
        progress.show(0, 1, draws)
    lines = [f"0 of 1 puzzle, {draws} draw{'s' * (draws > 1)}" for draws in range(1, 26)]
    piped = "0 of 1 puzzle, 10 draws so far\n0 of 1 puzzle, 20 draws so far\n"
    assert shown.getvalue() == ("".join(f"\r{line}" for line in lines) if on_a_terminal else piped)


def test_a_handout_has_no_marks_of_another_notation() -> None:
    """A command named on a page is set as code, not between backticks."""
    for key in load_keys(str(ROOT / "examples/class-set/trainer")):
        page = handout_html(key.puzzle, load_board(key.puzzle.board), load_meter(key.puzzle.meter))
        assert "`" not in page
        assert f"<code>bridgefault show {key.puzzle.board} --faults</code>" in page


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


@pytest.mark.slow
def test_a_motor_left_on_can_be_proved() -> None:
    """On boards with a motor the sheet shows it at every reach, and the proof accepts it: both errors are made."""
    maker = PuzzleMaker(Order("six-switch-bridge", "handheld", Setup(), Wish(("setup",)), "terminals", seed=5))
    known: set[Any] = set()
    for number in range(12):
        key = maker.attempt(number, known)
        known |= set() if isinstance(key, str) else {identity(key)}
    assert {error for error, _ in known} == {"leads-swapped", "motor-connected"}


@pytest.mark.slow
def test_a_story_does_not_depend_on_what_is_planted() -> None:
    """The same seed and number tell the same story of a healthy board, a faulty one and a bench in error."""
    nothing, single, setup = (
        PuzzleMaker(Order("half-bridge-cooktop", "handheld", Setup(), Wish((plant,)), seed=6))
        for plant in ("nothing", "single", "setup")
    )
    made = {number: key for number in range(6) if not isinstance(key := single.attempt(number), str)}
    number = next(iter(made))
    others = [one for one in (nothing.attempt(number), setup.attempt(number)) if not isinstance(one, str)]
    assert others
    assert {one.puzzle.story for one in others} == {made[number].puzzle.story}


def test_the_class_sets_own_stories_say_nothing_of_the_answer() -> None:
    """No story of a lesson names a part, a leg, a fault, the bench or its question, whatever is planted."""
    giving = re.compile(
        r"fault|healthy|question|switch|diode|gate|leg\b|phase|motor|coil|transformer|lead|swap|exchanged|connected|"
        r"part\b|parts\b|wrong|nothing wrong|two readings|found",
        re.IGNORECASE,
    )
    for _, story in LESSONS:
        assert not giving.search(story), story


@pytest.mark.slow
def test_the_best_sequence_settles_what_can_be_settled() -> None:
    """After the best sequence of a new key the ranking holds no other list open that a reading would exclude."""
    order = Order("half-bridge-cooktop", "handheld", Setup(), Wish(("single",)), levels=(1, 2), seed=12)
    maker = PuzzleMaker(order)
    key = next(key for number in range(60) if not isinstance(key := maker.attempt(number), str))
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    standing = Weighing.of_key(key, board, meter, Setup()).after(written_readings(key.best, board, meter))
    assert standing.right >= 0.95
    assert standing.rival <= WELL_OPEN


@pytest.mark.slow
def test_a_set_says_where_its_seed_is(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A set made without a seed names the one it took, which stands in its key and in no file of the trainee."""
    done = command("puzzle", "make", "half-bridge-cooktop", "--plant", "nothing", "--out", str(tmp_path / "set"))
    assert done.status == 0, done.err
    (key,) = load_keys(str(tmp_path / "set"))
    assert f"The seed, {key.seed}, stands in the keys and in no file to hand out" in " ".join(done.out.split())
    assert not any(str(key.seed).encode() in one.read_bytes() for one in (tmp_path / "set" / "trainee").iterdir())
    page = (tmp_path / "set" / "trainer" / "key-01.html").read_text(encoding="utf-8")
    assert "faults that leave no trace" in page


@pytest.mark.slow
def test_a_load_of_three_pins_is_not_read_across(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A switch that is there only with a load makes no reading of its own; the motor beside it keeps its readings."""
    plain = (ROOT / "topologies/six-switch-bridge.toml").read_text(encoding="utf-8")
    extra = """
[[part]]
ref = "Q_BR"
block = "brake"
kind = "igbt"
pins = { collector = "U", emitter = "V", gate = "W" }
gate_threshold = 4.5
when = "brake-resistor"
role = "brake switch"
"""
    own = tmp_path / "own.toml"
    own.write_text(plain + extra, encoding="utf-8")
    across = {frozenset("UV"), frozenset("VW"), frozenset("UW")}
    asked = puzzle_probings(load_board(str(own)), "gates")
    assert asked == puzzle_probings(load_board("six-switch-bridge"), "gates")
    assert len(across & {frozenset((one.red, one.black)) for one in asked}) > 1
    done = command(
        "puzzle", "make", str(own), "--plant", "single", "--seed", "7", "--reach", "terminals",
        "--out", str(tmp_path / "set"),
    )  # fmt: skip
    assert done.status == 0, done.err
    assert load_keys(str(tmp_path / "set"))[0].faults


def test_no_folder_is_made_on_the_way(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A folder within one that does not exist is refused, as the file of a report is."""
    readings = ROOT / "examples/class-set/trainee/puzzle-01.csv"
    for arguments in (
        ("puzzle", "make", "six-switch-bridge", "--out", str(tmp_path / "o" / "x")),
        ("report", "six-switch-bridge", str(readings), "-o", str(tmp_path / "o" / "x.html")),
    ):
        done = command(*arguments)
        assert done.status == 2
        assert "no folder" in done.err
