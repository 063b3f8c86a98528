"""Damage patterns of three and four faults: drawn so that all of it shows, proved, marked and played."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from bridge.board import load_board
from bridge.faults import Fault
from bridge.faultspace import build_space
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzledraw import PLANTS, Wish, wished_faults
from bridge.puzzlefile import Key, key_text, parse_key
from bridge.puzzlemake import Order, PuzzleMaker
from bridge.puzzlemark import Marker, mark_class
from bridge.puzzlemodes import given_readings, modes_left
from bridge.puzzlepattern import Patterns, draw_pattern, wished_patterns
from bridge.puzzleplay import Play
from bridge.puzzleproof import Rejected
from bridge.puzzlereply import parse_reply
from bridge.puzzleset import load_keys
from bridge.puzzlesheet import puzzle_probings
from bridge.puzzleshell import bench_of
from bridge.puzzlewords import key_page
from bridge.rank import rank
from bridge.table import build_table
from tests.conftest import Outcome
from tests.crosscheck.runner import require_simulator
from tests.puzzles.class_set import pattern_key, shipped_keys
from tests.puzzles.confirm import SECOND, Searcher, confirm, readings_of, remade

BOARD = "six-switch-bridge"
GOOD_DRAWS = (14, 15)  # of seed 1, that make puzzles; should they come not to, those behind them are tried
MOST_DRAWS = 60


def planted_words(key: Key) -> list[str]:
    """Return the planted faults as they are typed."""
    return [f"{one.part}:{one.mode}" for one in key.faults]


def playing(key: Key) -> Play:
    """Return a play of a key's puzzle."""
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    return Play(key.puzzle, board, meter, key, bench_of(key, board, meter, "key"))


def test_patterns_are_drawn_by_their_probability() -> None:
    """Sets of three and four faults, each as probable beside the others as the priors have it."""
    board = load_board(BOARD)
    space = build_space(board, Setup())
    wish = Wish(("pattern",))
    patterns = wished_patterns(space, wish, wished_faults(space, wish))
    assert {len(one) for one in patterns.sets} == {3, 4}
    assert patterns.chance.sum() == pytest.approx(1.0)
    first, last = patterns.sets[0], patterns.sets[-1]
    ratio = math.exp(space.priors.log_prior(first) - space.priors.log_prior(last))
    assert patterns.chance[0] / patterns.chance[-1] == pytest.approx(ratio)
    assert wished_patterns(space, Wish(("pair",)), np.ones(len(space.faults), dtype=bool)).sets == ()


def test_a_part_or_leg_asked_for_is_in_every_set() -> None:
    """With ``--part`` and ``--leg`` at least one fault of each set is of what is asked for, others may be elsewhere."""
    board = load_board(BOARD)
    space = build_space(board, Setup())
    wish = Wish(("pattern",), parts=("RG_UL",), legs=("U",))
    sets = wished_patterns(space, wish, wished_faults(space, wish)).sets
    assert sets
    assert all(any(fault.part == "RG_UL" for fault in one) for one in sets)
    assert any(any(fault.part != "RG_UL" for fault in one) for one in sets)


def test_a_pattern_that_cannot_be_had_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Where no pattern takes along what is asked for, the order is refused in one line; with pairs beside it, too."""
    assert "pattern" in PLANTS
    for plants in (("--plant", "pattern"), ("--plant", "pattern", "--plant", "pair")):
        done = command("puzzle", "make", "drive-module", *plants, "--kind", "diode", "--out", str(tmp_path / "o"))
        assert done.status == 2
        assert "--plant: 'pattern': drive-module has no damage pattern with what --part, --leg and --kind" in done.err
        assert not list(tmp_path.iterdir())


def test_what_hides_behind_the_rest_is_not_drawn() -> None:
    """A gate resistor open behind a switch shorted on all three pins and a driver shorted low moves no reading."""
    board, meter = load_board(BOARD), load_meter()
    hidden = (Fault("DRV_UL", "low-short"), Fault("Q_UL", "all-short"), Fault("RG_UL", "open"))
    patterns = Patterns((hidden,), np.ones(1))
    probings = puzzle_probings(board, "terminals")
    with pytest.raises(Rejected, match="a part of it explains the readings"):
        draw_pattern(patterns, board, meter, Setup(), probings, np.random.default_rng(1))


def test_what_is_left_of_a_pattern_is_known_for_every_part_replaced() -> None:
    """A novice replaces one part after the other: what shows with some of three packages bad is worked out for each."""
    key = pattern_key()
    board = load_board(key.puzzle.board)
    maker = PuzzleMaker(Order(key.puzzle.board, "handheld", Setup(), Wish(("pattern",)), key.puzzle.reach))
    damage = tuple((Fault(one.part, one.mode), one.ohms) for one in key.faults)
    rows, truth, rest = maker._rows(damage, "")
    packages = sorted({board.parts[one.part].package for one in key.faults})
    assert len(packages) >= 3
    wanted = {frozenset(some) for size in range(1, len(packages)) for some in combinations(packages, size)}
    assert set(rest) == wanted
    assert rows.who[truth].faults == damage
    for some, row in rest.items():
        assert rows.who[row].target == some
        assert {board.parts[fault.part].package for fault, _ in rows.who[row].faults} == some
    assert key.effort.trials >= len(packages)


def test_the_simulator_reads_what_the_trainee_reads() -> None:
    """ngspice, made from the key's true values, gives every reading of a board with three or more faults."""
    require_simulator()
    key = pattern_key()
    assert len(key.faults) >= 3
    assert remade(key) == (0, [])


@pytest.mark.slow
def test_the_planted_set_fits_by_a_search_of_scipy() -> None:
    """At the resistances that scipy finds all planted faults together fit; without one of them they do not."""
    key = pattern_key()
    board, meter = load_board(key.puzzle.board), load_meter()
    searcher = Searcher(board, meter, dict(key.puzzle.setup))
    taken = readings_of(key, board, meter)
    places = [one.probing for one in taken]
    table = build_table(searcher.space, meter, places, [True] * len(places), pairs=False)
    whole = searcher.nearest_of_set(key, table, taken)
    assert whole < chi2.ppf(0.999, len(taken))
    for one in key.faults:
        fewer = dataclasses.replace(key, faults=[other for other in key.faults if other != one])
        assert searcher.nearest_of_set(fewer, table, taken) > whole + SECOND


def test_points_for_a_pattern() -> None:
    """All of it is worth all points, a part of it a part of them, nothing found none, and so in a class."""
    key = pattern_key()
    board = load_board(key.puzzle.board)
    words = planted_words(key)
    marker = Marker(key, board)
    whole = marker.mark(parse_reply(" + ".join(words), board))
    assert (whole.points, whole.right, whole.modes_right) == (100.0, True, True)
    points = [marker.mark(parse_reply(" ".join(words[:count]), board)) for count in range(1, len(words))]
    assert all(0.0 < one.points < other.points for one, other in zip(points, [*points[1:], whole], strict=True))
    assert all(one.misunderstood == ("one of several faults missed",) and not one.right for one in points)
    answers = f"who,puzzle,answer\na,1,{' + '.join(words)}\nb,1,{words[0]}\nc,1,nothing\n".encode()
    marks = mark_class([dataclasses.replace(key, puzzle=dataclasses.replace(key.puzzle, number=1))], answers, "answers")
    assert [row.mark.points for row in marks.rows] == [100.0, points[0].points, 0.0]
    assert not marks.refused


def test_a_key_says_what_was_asked() -> None:
    """The trainer's page says that of larger sets not all were asked, where a pattern is planted and nowhere else."""
    words = "those were asked that rank lists"
    for key, said in ((pattern_key(), True), (next(one for one in shipped_keys() if len(one.faults) == 2), False)):
        page = key_page(key, load_board(key.puzzle.board))
        assert any(words in one for one in page if isinstance(one, str)) is said


def test_a_pattern_is_played_off_its_sheet() -> None:
    """A hint names a reading of the best sequence; who has the sheet alone and answers gets full points or a part."""
    key = pattern_key()
    words = planted_words(key)
    hint = " ".join(playing(key).hear("hint").lines)
    assert hint
    assert not any(one.part in hint for one in key.faults)
    said = " ".join(" ".join(playing(key).hear("answer " + " ".join(words)).lines).split())
    assert "Right: 100 of 100" in said
    for one in key.faults:
        assert f"{one.part} (" in said
    part = " ".join(" ".join(playing(key).hear("answer " + " ".join(words[:2])).lines).split())
    assert "Not right:" in part
    assert "one of several faults missed" in part


@pytest.mark.slow
def test_a_pattern_is_gone_through_again_after_its_best_sequence() -> None:
    """After the best sequence the right answer is worth all points; each reading is told with its worth."""
    key = pattern_key()
    play = playing(key)
    for step in key.best:
        hold = f" hold {step.hold}" if step.hold else ""
        assert "costs" in " ".join(play.hear(f"{step.red} {step.black} {step.mode}{hold}").lines)
    said = " ".join(" ".join(play.hear("answer " + " ".join(planted_words(key))).lines).split())
    assert "Right: 100 of 100" in said
    assert "Reading by reading" in said


@pytest.mark.slow
def test_another_mode_of_a_pattern_is_marked_by_what_the_ranking_lists() -> None:
    """The right parts, one with a mode that the ranking tells off: 60 points for parts, 13 of 20 for modes."""
    key = pattern_key()
    board = load_board(key.puzzle.board)
    first = key.faults[0]
    assert len(key.faults) == 3
    meter = load_meter()
    packages = frozenset(key.answers[0])
    left = modes_left(key, board, meter, given_readings(key, board, meter))(packages)
    assert frozenset(planted_words(key)) in left
    known = {word for faults in (*left, *key.same) for word in faults}
    wrong = next(mode for mode in board.parts[first.part].modes if f"{first.part}:{mode}" not in known)
    answer = " + ".join([f"{first.part}:{wrong}", *planted_words(key)[1:]])
    number = key.puzzle.number
    (row,) = mark_class([key], f"who,puzzle,answer\na,{number},{answer}\n".encode(), "answers").rows
    assert row.mark.right
    assert row.mark.points == pytest.approx(100.0 * (60.0 + 13.0) / 80.0)
    assert row.mark.misunderstood == ("right part, another fault of it",)


@pytest.mark.slow
def test_no_second_answer_beside_a_pattern() -> None:
    """A search of its own over all single faults and pairs finds none that fits as well as the planted set."""
    key = pattern_key()
    searcher = Searcher(load_board(key.puzzle.board), load_meter(), dict(key.puzzle.setup))
    assert searcher.second_answers(key) == []


@pytest.mark.slow
def test_two_patterns_are_made_and_confirmed() -> None:
    """Two puzzles with three or more faults: the ranking lists what is to be replaced, ngspice the readings."""
    require_simulator()
    board, meter, setup = load_board(BOARD), load_meter(), Setup()
    maker = PuzzleMaker(Order(BOARD, "handheld", setup, Wish(("pattern",)), seed=1))
    made: list[Key] = []
    for number in (*GOOD_DRAWS, *range(GOOD_DRAWS[-1] + 1, MOST_DRAWS)):
        key = maker.attempt(number)
        made += [key] if isinstance(key, Key) else []
        if len(made) == 2:
            break
    assert len(made) == 2
    for key in made:
        assert len(key.faults) in (3, 4)
        assert parse_key(key_text(key).encode(), "key") == key
        ranking = rank(board, meter, setup, given_readings(key, board, meter))
        assert ranking.fit.ok
        shares = ranking.replace_lists
        held = sum(share for packages, share in shares.items() if any(set(one) <= packages for one in key.answers))
        assert held >= key.proof.probability - 0.001 >= 0.949
        assert remade(key) == (0, [])
    found = confirm(made[0])
    assert not found.wrong, (found, made[0].faults)
    assert not found.second, (found, made[0].faults)


@pytest.mark.slow
def test_a_set_of_patterns_is_made_as_ordered(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The command makes a burst module: one package with three faults or four, its files and its handout."""
    folder = tmp_path / "set"
    done = command("puzzle", "make", "drive-module", "--plant", "pattern", "--seed", "1", "--out", str(folder))
    assert done.status == 0, done.err
    (key,) = load_keys(str(folder))
    assert len(key.faults) in (3, 4)
    assert key.answers == [["M_1"]]
    assert len(list((folder / "trainee").iterdir())) == 3
