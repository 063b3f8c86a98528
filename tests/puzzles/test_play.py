"""A puzzle is played with its key, worked without it, and never lost."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.journal import parse_setup
from bridge.meter import load_meter
from bridge.probing import Hold, Probing
from bridge.puzzlefile import BestStep, Key, PlantedFault, key_text
from bridge.puzzleplay import Play
from bridge.puzzlereplay import replay_readings
from bridge.puzzleshell import bench_of
from bridge.puzzlewords import list_words
from bridge.rank import rank
from bridge.suspect import PRIOR
from bridge.virtualboard import NoAnswerError
from tests.conftest import Outcome, process_environment
from tests.puzzles.class_set import FOLDER, each_key, shipped_keys

SMALL = next(key for key in shipped_keys() if key.puzzle.board == "half-bridge-cooktop" and key.faults)


def playing(key: Key, *, with_key: bool = True) -> Play:
    """Return a play of one puzzle."""
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    bench = bench_of(key, board, meter, "key") if with_key else None
    return Play(key.puzzle, board, meter, key if with_key else None, bench)


def words(play: Play, line: str) -> str:
    """Return what a play answers, in one line."""
    return " ".join(" ".join(play.hear(line).lines).split())


@pytest.mark.parametrize("key", each_key())
def test_the_board_on_the_bench_reads_as_its_sheet(key: Key) -> None:
    """A reading computed from the key's true values is the one that stands on the worksheet."""
    bench = playing(key).bench
    assert bench is not None
    sheet = list(playing(key).sheet)[::4]
    shown = [(one.value, one.state) for one in bench.readings(sheet)]
    written = playing(key).sheet
    for probing, (value, state) in zip(sheet, shown, strict=True):
        there = written[probing]
        assert there.state == state
        assert there.value is None if value is None else there.value == pytest.approx(value, abs=5e-4)


def test_a_reading_costs_its_effort_once() -> None:
    """A terminal costs 1, a gate lead 2, the same reading again nothing, a hint five."""
    play = playing(SMALL)
    assert "costs 1, in all 1" in words(play, "mid p")
    assert "costs 2, in all 3" in words(play, "G_L E_L")
    assert "costs nothing again" in words(play, "MID P diode")
    assert "in all 8" in words(play, "hint")
    assert play.effort == 8.0


def test_out_of_reach_is_said() -> None:
    """A held gate where gates are within reach, an unknown place and an unknown word cost nothing and say why."""
    play = playing(SMALL)
    assert "out of reach" in words(play, "P MID hold H@12")
    assert "no terminal" in words(play, "MID X")
    assert "help" in words(play, "perhaps")
    assert play.effort == 0.0
    assert not play.readings


def test_what_is_played_off_the_sheet_is_the_boards_own() -> None:
    """With the key a reading that is not on the sheet can be taken; without it, it cannot."""
    off = Probing("MID", "N", "ohms")
    assert off not in playing(SMALL).sheet
    assert "costs 1" in words(playing(SMALL), "MID N ohms")
    assert "only the key knows others" in words(playing(SMALL, with_key=False), "MID N ohms")


def test_the_right_answer_is_judged_right_and_gone_through() -> None:
    """After the right answer every reading is told with its worth, and nothing else is left open or it is named."""
    play = playing(SMALL)
    for step in SMALL.best:
        play.hear(f"{step.red} {step.black} {step.mode}")
    said = words(play, "answer " + " ".join(f"{one.part}:{one.mode}" for one in SMALL.faults))
    assert "Right:" in said
    assert "Reading by reading" in said
    assert "Your readings left" in said


@pytest.mark.slow
def test_a_guess_is_told_what_it_overlooked() -> None:
    """A wrong part named after one reading is told what was still open."""
    play = playing(SMALL)
    play.hear("P N")
    said = words(play, "answer R_BLEED" if "R_BLEED" in play.board.parts else "answer F_1")
    assert "Not right:" in said
    assert "left open besides your answer" in said


def test_without_the_key_nothing_is_judged() -> None:
    """A sheet can be worked without the key: no hint, no verdict, the answer is kept."""
    play = playing(SMALL, with_key=False)
    assert "hints are in the key" in words(play, "hint")
    said = play.hear("answer nothing")
    assert said.done
    assert json.loads(said.record) == {"answer": "nothing"}
    assert "not judged" in " ".join(said.lines)


def test_a_held_gate_of_another_position_is_its_own_reading() -> None:
    """The last digit's luck belongs to the placement: held and not held are different readings."""
    bench = playing(SMALL).bench
    assert bench is not None
    one, other = Probing("P", "MID"), Probing("P", "MID", hold=(Hold("H", 12.0),))
    assert bench._luck_of(one) != bench._luck_of(other)
    assert bench._luck_of(one) == bench._luck_of(Probing("P", "MID"))


def test_the_key_of_another_puzzle_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A puzzle with the key of another one is refused before anything is played."""
    done = command(
        "puzzle", "play", str(FOLDER / "trainee" / "puzzle-01.json"), "--key", str(FOLDER / "trainer" / "key-02.json"),
        "--file", str(tmp_path / "play.jsonl"),
    )  # fmt: skip
    assert done.status == 2
    assert "the key of another puzzle" in done.err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("path", "value", "place", "accepted"),
    [
        (("answers",), [], "answers", "at least 1 item"),
        (("same",), [], "same", "the planted one first"),
        (("same",), [[]], "same", "the planted one first"),
        (("effort", "odd"), [99], "effort.odd", "1 to "),
        (("faults", 0, "mode"), "melted", "faults.1", "accepted: "),
        (("puzzle", "setup", "temperature_c"), -400, "puzzle: setup.temperature_c", "from -60 to 175"),
        (("real", "temperature_c"), -400, "real.temperature_c", "-60 to 175"),
        (("real", "temperature_c"), -273.15, "real.temperature_c", "-60 to 175"),
        (("real", "values", "RG_H"), {"ohms": -5}, "real.values.RG_H.ohms", "1e+10 ohm or 0"),
        (("real", "values", "Q_H"), {"gate_threshold": 1e9}, "real.values.Q_H.gate_threshold", "0.5 to 10 V"),
        (("real", "values", "D_H"), {"drop_1ma": 0.01, "series_ohms": 10}, "real.values.D_H.drop_1ma", "more than"),
        (("real", "values", "D_H"), {"ohms": 1}, "real.values", "no such values"),
    ],
)
def test_a_key_that_no_board_can_be(
    command: Callable[..., Outcome],
    tmp_path: Path,
    path: tuple[str | int, ...],
    value: object,
    place: str,
    accepted: str,
) -> None:
    """A key with a value out of range is refused with its file, the entry and what is accepted, and nothing is kept."""
    plain = json.loads(key_text(SMALL))
    holder = plain
    for step in path[:-1]:
        holder = holder[step]
    holder[path[-1]] = value
    puzzle = {"bridgefault_puzzle": 1} | plain["puzzle"]
    (tmp_path / "puzzle.json").write_text(json.dumps(puzzle), "utf-8")
    (tmp_path / "key.json").write_text(json.dumps(plain), "utf-8")
    done = command("puzzle", "play", str(tmp_path / "puzzle.json"), "--key", str(tmp_path / "key.json"))
    assert done.status == 2
    assert f"key.json: {place}: " in done.err
    assert accepted in done.err
    assert not list(tmp_path.glob("*.jsonl"))


def test_only_a_missing_answer_asks_for_another_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """A placement without an answer is said to the trainee; a fault of the program is not passed off as one."""
    errors: list[Exception] = [NoAnswerError("no answer at MID P diode"), ZeroDivisionError("float division by zero")]

    def fails(*_: object) -> None:
        raise errors.pop(0)

    monkeypatch.setattr("bridge.puzzlebench.read_board", fails)
    play = playing(SMALL)
    assert "no answer at MID P diode: take another reading" in words(play, "MID P")
    with pytest.raises(ZeroDivisionError):
        play.hear("MID P")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a play is killed as on Unix")
def test_a_killed_play_goes_on(tmp_path: Path) -> None:
    """Killed right after each prompt, a play has every accepted reading once, and the next start goes on with it."""
    number = f"{SMALL.puzzle.number:02d}"
    puzzle = tmp_path / "puzzle.json"
    shutil.copy(FOLDER / "trainee" / f"puzzle-{number}.json", puzzle)
    key = tmp_path / "trainer" / "key.json"
    key.parent.mkdir()
    shutil.copy(FOLDER / "trainer" / f"key-{number}.json", key)
    journal = key.parent / "puzzle.play.jsonl"  # with the answer in it: not in the folder to hand out
    arguments = [sys.executable, "-m", "bridge", "puzzle", "play", str(puzzle), "--key", str(key)]
    asked = ["MID P", "P MID"]
    for count, line in enumerate(asked, 1):
        with subprocess.Popen(
            arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=process_environment(), start_new_session=True
        ) as game:
            assert game.stdin is not None
            assert game.stdout is not None
            game.stdin.write(f"{line}\n".encode())
            game.stdin.flush()
            seen = b""
            while f"{count}. ".encode() + line.split()[0].encode() not in seen:
                seen += os.read(game.stdout.fileno(), 4096)
            os.killpg(game.pid, signal.SIGKILL)
        events = [json.loads(one) for one in journal.read_text(encoding="utf-8").splitlines()]
        places = [f"{one['asked']['red']} {one['asked']['black']}" for one in events[1:]]
        assert places == asked[:count]
    done = subprocess.run(
        arguments, input=b"list\nanswer nothing\n", capture_output=True, env=process_environment(), check=False
    )
    assert done.returncode == 0
    assert b"Taken up again" in done.stdout
    assert b"Not right" in done.stdout


def economy(play: Play, answer: str) -> tuple[float, str]:
    """Return points of economy as the table of an answer shows them, and all that was said."""
    said = words(play, f"answer {answer}")
    found = re.search(r"economy of readings (\d+) 20", said)
    assert found is not None, said
    return float(found[1]), said


@pytest.mark.slow
def test_a_lucky_guess_is_not_thrifty() -> None:
    """The right answer after a reading that leaves others open gets few points of economy, the best sequence all."""
    answer = " ".join(f"{one.part}:{one.mode}" for one in SMALL.faults)
    guess, sure = playing(SMALL), playing(SMALL)
    guess.hear("P N")
    for step in SMALL.best:
        sure.hear(f"{step.red} {step.black} {step.mode}")
    lucky, said = economy(guess, answer)
    assert lucky < 10.0
    assert "% of what the best sequence does" in said
    assert economy(sure, answer)[0] == 20.0


def test_a_guess_at_a_board_to_be_probed_is_not_thrifty() -> None:
    """Without a sheet nothing can have been read on paper: an answer without a reading has no economy."""
    key = dataclasses.replace(SMALL, puzzle=dataclasses.replace(SMALL.puzzle, readings=[]))
    answer = " ".join(f"{one.part}:{one.mode}" for one in key.faults)
    points, said = economy(playing(key), answer)
    assert points == 0.0
    assert "Right: 80 of 100. " in said


def test_scaled_marks_say_so() -> None:
    """Where points that do not count leave less than 100, the verdict names the sum that the table shows."""
    good = next(key for key in shipped_keys() if not key.faults and not key.error)
    play = playing(good)
    play.hear("P N")
    said = words(play, "answer nothing")
    found = re.search(r"Right: (\d+) of 100 \((\d+) of the 80 points that count here, scaled\)", said)
    assert found is not None, said
    assert int(found[1]) == round(int(found[2]) / 0.8)
    rows = [int(points) for points in re.findall(r"(?:replace|readings|in all) (\d+) \d0", said)]
    assert rows[-1] == sum(rows[:-1]) == int(found[2])


@pytest.mark.parametrize("what", [what for what in PRIOR if what != "as-stated"])
def test_what_is_suspected_of_the_bench_is_said_in_words(what: str) -> None:
    """Whatever a ranking suspects of the bench is told in words, not by its name in the program."""
    told = list_words([f"<{what}>"])
    assert what not in told
    assert not set("<>-") & set(told)


def test_a_sheet_or_page_in_the_place_of_the_puzzle(command: Callable[..., Outcome]) -> None:
    """The worksheet or the handout given instead of the puzzle: the message names the file that is one."""
    for ending in ("csv", "html"):
        done = command("puzzle", "play", str(FOLDER / "trainee" / f"puzzle-01.{ending}"))
        assert done.status == 2
        assert "accepted: 'puzzle-01.json'" in done.err


def test_good_and_undo_say_what_they_want() -> None:
    """The word good alone asks for its places; there is no undo for what has been seen, and it costs nothing."""
    play = playing(SMALL)
    assert "good wants two places" in words(play, "good")
    play.hear("MID P")
    assert "no undo" in words(play, "undo")
    assert play.effort == 1.0


def shorted_switch() -> Key:
    """Return a key of a shorted switch of a six-switch bridge whose best sequence looks at the other switch, too.

    It is made here from the shipped good board, so that it says the same whatever the class set holds.
    """
    good = next(key for key in shipped_keys() if key.puzzle.board == "six-switch-bridge" and not key.faults)
    bare = dataclasses.replace(
        good,
        puzzle=dataclasses.replace(good.puzzle, readings=[]),
        faults=[PlantedFault("Q_WL", "ce-short", 0.33)],
        answers=[["Q_WL"]],
        same=[["Q_WL:ce-short"], ["D_WL:short"]],
        best=[],
        effort=dataclasses.replace(good.effort, solver=3.0, odd=[]),
    )
    play = playing(bare)
    for line in ("W N", "N W", "P W"):
        play.hear(line)
    steps = [
        BestStep(one.probing.red, one.probing.black, one.probing.mode, "", one.text, 1.0, 0.5, bits)
        for one, bits in zip(play.readings, (2.5, 0.3, 0.5), strict=True)
    ]
    return dataclasses.replace(bare, best=steps)


@pytest.mark.slow
def test_every_percentage_is_the_rankings() -> None:
    """The table's last line, the closing line and `rank` on the same readings give each list the same probability."""
    key = shorted_switch()
    play = playing(key)
    for line in ("W N", "N W"):
        play.hear(line)
    setup = parse_setup(key.puzzle.setup, play.board)
    replay = replay_readings(key, play.board, play.meter, setup, play.readings)
    alone = rank(play.board, play.meter, setup, play.readings).replace_lists
    both = frozenset(("Q_WH", "Q_WL"))
    assert dict(replay.left_open)[both] == pytest.approx(alone[both], abs=1e-6)
    assert dict(replay.told[-1].open_lists)[both] == pytest.approx(alone[both], abs=1e-6)
    assert alone[both] > 0.1


@pytest.mark.slow
def test_a_guess_that_leaves_the_other_switch_open_is_not_thrifty() -> None:
    """One reading that leaves both switches well open earns no full economy; the best sequence and more of it do."""
    key = shorted_switch()
    points = []
    for lines in (("W N",), ("W N", "N W"), ("W N", "N W", "P W"), ("W N", "N W", "P W", "W P", "P N")):
        play = playing(key)
        for line in lines:
            play.hear(line)
        points.append(economy(play, "Q_WL:ce-short")[0])
    assert max(points[:2]) <= 12.0
    assert points[2:] == [20.0, 20.0]


@pytest.mark.slow
def test_modes_that_the_readings_taken_leave_open_are_right() -> None:
    """A short to the gate, too, is right until the gate is read, and the replay names that reading; then it is not."""
    key = shorted_switch()
    play, sure = playing(key), playing(key)
    for line in ("W N", "N W", "P W"):
        play.hear(line)
        sure.hear(line)
    sure.hear("G_WL E_WL")
    said = words(play, "answer Q_WL:all-short")
    assert "what is wrong with it 20 20" in said
    assert "G_WL to E_WL, ohms, would tell Q_WL:ce-short from Q_WL:all-short" in said
    told = words(sure, "answer Q_WL:all-short")
    assert "what is wrong with it 0 20" in told
    assert "right part, another fault of it" in told


@pytest.mark.slow
def test_a_guess_at_what_is_wrong_is_worth_its_share() -> None:
    """A mode left open for want of readings counts as one of those left open, and the replay names what would tell.

    Nothing read: nothing but what no reading tells apart counts. All of the best sequence: what is left open counts.
    """
    key = shorted_switch()
    told = {}
    for lines in ((), ("W N",), ("W N", "N W"), ("W N", "N W", "P W")):
        play = playing(key)
        for line in lines:
            play.hear(line)
        said = words(play, "answer Q_WL:all-short")
        found = re.search(r"what is wrong with it (\d+) 20", said)
        assert found is not None, said
        told[lines] = float(found[1]), re.search(r"would tell Q_WL:ce-short .*? counts as a guess, 1 of (\d+)", said)
    points = [one for one, _ in told.values()]
    assert points[0] == 0.0
    assert 0.0 < points[1] <= points[2] <= 10.0
    assert points[3] == 20.0
    for lines, (got, words_of) in list(told.items())[1:3]:
        assert words_of is not None, lines
        assert got == pytest.approx(20.0 / int(words_of[1]), abs=0.5)
    assert list(told.values())[3][1] is None
    lucky = playing(key)
    lucky.hear("W N")
    assert "what is wrong with it 20 20" in words(lucky, "answer Q_WL:ce-short")


def test_no_hint_repeats_an_earlier_one() -> None:
    """All hints, none followed, point at different readings, also when the play is taken up in between."""
    key = shorted_switch()
    play = playing(key)
    first = words(play, "hint")
    again = playing(key)
    again.take_up([{"hint": 1}], "journal")
    said = [first, *(words(again, "hint") for _ in range(4))]
    assert "A good next reading: W N diode" in first
    assert "tells most" in said[3]
    assert "W N diode" not in " ".join(said[1:])
    assert "no further hint" in said[4]
    assert again.effort == 20.0


@pytest.mark.slow
def test_the_headline_and_the_table_agree_on_nothing() -> None:
    """Where no point is got the headline still names how many there were."""
    good = next(key for key in shipped_keys() if not key.faults and not key.error)
    play = playing(good)
    play.hear("P N")
    said = words(play, "answer Q_UL")
    assert "Not right: 0 of 100 (0 of the 80 points that count here, scaled)" in said
    assert "in all 0 80" in said


def test_an_accepted_alternative_is_not_left_open() -> None:
    """Beside a right answer the closing line names no other list that the key accepts as well."""
    key = next(key for key in shipped_keys() if len(key.answers) > 1 and key.faults)
    play = playing(key)
    for step in key.best:
        play.hear(f"{step.red} {step.black} {step.mode}")
    said = words(play, f"answer {' '.join(key.answers[0])}")
    closing = said[said.index("Your readings left") :]
    for answer in key.answers:
        assert not re.search(rf"(?:: |; ){list_words(answer)} \(", closing)
