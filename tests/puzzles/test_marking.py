"""Answers of a class are marked, whatever is among them."""

from __future__ import annotations

import dataclasses
import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.errors import InputError
from bridge.meter import load_meter
from bridge.puzzlefile import Key, key_text
from bridge.puzzlemark import Marker, mark_class
from bridge.puzzlemodes import counted_share, given_readings, modes_left
from bridge.puzzlereply import parse_reply
from tests.conftest import Outcome
from tests.puzzles.class_set import FOLDER, shipped_keys

SHEETS, SECONDS = 200, 5.0


def one_fault(board: str = "six-switch-bridge") -> Key:
    """Return a key of the set with a single fault of a switch or its diode on a leg."""
    return next(
        key
        for key in shipped_keys()
        if key.puzzle.board == board and len(key.faults) == 1 and key.faults[0].part[:2] in ("Q_", "D_")
    )


def test_points_for_what_is_right() -> None:
    """The whole answer is worth all, the part alone less, a wrong part of the right leg little, another none."""
    key = one_fault()
    board = load_board(key.puzzle.board)
    marker = Marker(key, board)
    part, mode = key.faults[0].part, key.faults[0].mode
    package = board.parts[part].package
    leg = package[2]
    other_leg = next(one for one in "UVW" if one != leg)
    wrong_mode = next(one for one in board.parts[part].modes if [f"{part}:{one}"] not in key.same)
    whole = marker.mark(parse_reply(f"{part}:{mode}", board), key.effort.solver)
    alone = marker.mark(parse_reply(part, board), key.effort.solver)
    mistaken = marker.mark(parse_reply(f"{part}:{wrong_mode}", board), key.effort.solver)
    near = marker.mark(parse_reply(f"RG_{leg}H", board), key.effort.solver)
    far = marker.mark(parse_reply(f"RG_{other_leg}H", board), key.effort.solver)
    assert whole.points == pytest.approx(100.0)
    assert whole.points > alone.points > near.points > far.points == 0.0
    assert mistaken.right
    assert not mistaken.modes_right
    assert "right part, another fault of it" in mistaken.misunderstood


def test_waste_costs_points() -> None:
    """Readings beyond what the best solver needs cost points, and never more than economy is worth."""
    key = one_fault()
    board = load_board(key.puzzle.board)
    marker = Marker(key, board)
    right = parse_reply(f"{key.faults[0].part}:{key.faults[0].mode}", board)
    points = [marker.mark(right, effort).points for effort in (1.0, 3.0 * key.effort.solver, 1000.0)]
    assert points[0] > points[1] > points[2] == pytest.approx(80.0)


def test_misunderstandings_are_named() -> None:
    """A good board condemned and a bench error taken for a fault are named for what they are."""
    good = next(key for key in shipped_keys() if not key.faults and not key.error)
    board = load_board(good.puzzle.board)
    assert Marker(good, board).mark(parse_reply("Q_UL", board)).misunderstood == ("a good board condemned",)
    assert Marker(good, board).mark(parse_reply("nothing wrong", board)).points == 100.0
    bench = next(key for key in shipped_keys() if key.error)
    board = load_board(bench.puzzle.board)
    part = next(ref for ref, part in board.parts.items() if part.modes)
    found = Marker(bench, board).mark(parse_reply(part, board))
    assert found.misunderstood == ("a part condemned for an error of the bench",)
    assert Marker(bench, board).mark(parse_reply(bench.error.replace("-", " "), board)).points == 100.0


def class_sheet() -> str:
    """Return 200 answers, every tenth of which cannot be read."""
    rows = ["who,puzzle,answer,effort"]
    for number in range(SHEETS):
        key = shipped_keys()[number % len(shipped_keys())]
        right = key.error or " + ".join(f"{one.part}:{one.mode}" for one in key.faults) or "nothing"
        answer = ("Q_NOWHERE" if number % 10 == 9 else right) if number % 3 else "nothing"
        answer = "Q_NOWHERE" if number % 10 == 9 else answer
        rows.append(f"trainee {number // 10},{key.puzzle.number},{answer},{5 + number % 20}")
    return "\n".join(rows) + "\n"


def test_a_class_of_200_is_marked_in_time() -> None:
    """200 sheets are marked within five seconds; those that cannot be read are named with their lines."""
    begun = time.process_time()
    marks = mark_class(shipped_keys(), class_sheet().encode(), "class.csv")
    assert time.process_time() - begun < SECONDS
    assert len(marks.rows) == 180
    assert len(marks.refused) == 20
    assert str(marks.refused[0]).startswith("class.csv, line 11: answer: 'Q_NOWHERE' is no part of")
    assert {row.mark.right for row in marks.rows} == {True, False}
    assert marks.misunderstood


def test_a_malformed_row_costs_no_other(tmp_path: Path, command: Callable[..., Outcome]) -> None:
    """Each malformed row has its line in the message, the rest is marked, and the status says that not all was."""
    key = one_fault()
    number, part = key.puzzle.number, key.faults[0].part
    sheet = tmp_path / "answers.csv"
    sheet.write_text(
        f"who,puzzle,answer,effort\nann,{number},{part},3\n,{number},{part},\nbob,99,{part},\n"
        f'cy,{number},"{part},\ndee,{number},,\neve,{number},{part}:melted,\nfay,{number},{part},much\n'
        f"gus,{number},{part},4,5,6\nhal,{number},nothing,2\n",
        encoding="utf-8",
    )
    done = command("puzzle", "mark", str(FOLDER), str(sheet), "--json")
    assert done.status == 2
    answer = json.loads(done.out)
    assert [row["who"] for row in answer["answers"]] == ["ann", "hal"]
    lines = [message.partition(", line ")[2].partition(":")[0] for message in answer["not_marked"]]
    assert lines == ["3", "4", "5", "6", "7", "8", "9"]
    assert done.err.count("\n") == 1
    assert "7 answers not marked" in done.err
    told = command("puzzle", "mark", str(FOLDER), str(sheet))
    for message in answer["not_marked"]:
        assert [line.lstrip("- ") for line in (told.out + told.err).splitlines()].count(message) == 1
    assert "what to replace" in told.out


def test_a_key_that_is_none_is_refused(tmp_path: Path, command: Callable[..., Outcome]) -> None:
    """A puzzle in the place of a key, and a key with a wrong entry, are refused with what was found."""
    puzzle = FOLDER / "trainee" / "puzzle-01.json"
    sheet = tmp_path / "answers.csv"
    sheet.write_text("who,answer\nann,Q_UL\n", encoding="utf-8")
    done = command("puzzle", "mark", str(puzzle), str(sheet))
    assert (done.status, "this is a puzzle, not a key" in done.err) == (2, True)
    broken = json.loads((FOLDER / "trainer" / "key-01.json").read_text(encoding="utf-8"))
    broken["proof"]["probability"] = "high"
    place = tmp_path / "key.json"
    place.write_text(json.dumps(broken), encoding="utf-8")
    done = command("puzzle", "mark", str(place), str(sheet))
    assert done.status == 2
    assert "proof.probability: found 'high'" in done.err


def test_a_key_without_an_answer_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A key that holds no right answer marks nobody: it is named with its entry, status 2."""
    plain = json.loads(key_text(one_fault())) | {"answers": []}
    (tmp_path / "key.json").write_text(json.dumps(plain), "utf-8")
    (tmp_path / "answers.csv").write_text("who,answer\nA,nothing\n", "utf-8")
    done = command("puzzle", "mark", str(tmp_path / "key.json"), str(tmp_path / "answers.csv"))
    assert done.status == 2
    assert "key.json: answers: found '[]'; list should have at least 1 item" in done.err


def test_a_key_that_does_not_say_what_is_planted_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A key with faults and no set of them that counts marks nobody: it is named with its entry, status 2."""
    plain = json.loads(key_text(one_fault())) | {"same": []}
    (tmp_path / "key.json").write_text(json.dumps(plain), "utf-8")
    (tmp_path / "answers.csv").write_text("who,answer\nA,nothing\n", "utf-8")
    done = command("puzzle", "mark", str(tmp_path / "key.json"), str(tmp_path / "answers.csv"))
    assert done.status == 2
    assert "key.json: same: found '[]'; accepted: sets of faults" in done.err


def test_a_second_answer_of_one_person_is_refused(tmp_path: Path, command: Callable[..., Outcome]) -> None:
    """Of two answers of one person to one puzzle the first counts; the second is named with both lines."""
    key, other = shipped_keys()[:2]
    sheet = tmp_path / "answers.csv"
    sheet.write_text(
        f"who,puzzle,answer\nAnna,{key.puzzle.number},nothing\nBo,{key.puzzle.number},nothing\n"
        f"Anna,{key.puzzle.number},Q_WL\nAnna,{other.puzzle.number},nothing\nCy,{key.puzzle.number},Q_NOWHERE\n"
        f"Cy,{key.puzzle.number},Q_WL\n",
        "utf-8",
    )
    done = command("puzzle", "mark", str(FOLDER), str(sheet), "--json")
    answer = json.loads(done.out)
    assert [(row["line"], row["who"]) for row in answer["answers"]] == [(2, "Anna"), (3, "Bo"), (5, "Anna"), (7, "Cy")]
    assert "line 4: 'Anna' has answered puzzle 1 in line 2" in answer["not_marked"][0]
    assert done.status == 2


def test_an_answer_as_people_write_it() -> None:
    """Blanks around the colon mean nothing; what says that no part is bad stands alone."""
    board = load_board("six-switch-bridge")
    assert parse_reply("Q_VL: all-short", board) == parse_reply("Q_VL :all-short", board)
    assert parse_reply("Q_VL: all-short + Q_UL", board) == parse_reply("Q_VL:all-short Q_UL", board)
    for text, word in (("nothing + Q_VL", "nothing"), ("Q_VL leads-swapped", "leads-swapped")):
        with pytest.raises(InputError, match=f"{word} stands alone") as caught:
            parse_reply(text, board)
        assert "is no part" not in str(caught.value)


def test_points_add_up_as_printed() -> None:
    """Points are whole, so those shown add up to the total, whatever was answered and read."""
    for key in shipped_keys():
        marker = Marker(key, load_board(key.puzzle.board))
        right = key.error or " + ".join(f"{one.part}:{one.mode}" for one in key.faults) or "nothing"
        for effort in range(40):
            mark = marker.mark(parse_reply(right, marker.board), float(effort))
            shown = [(float(f"{points:.0f}"), most) for _, points, most in mark.parts]
            got, most = (sum(column) for column in zip(*shown, strict=True))
            assert mark.points == pytest.approx(100.0 * got / most)


def test_economy_counts_as_far_as_the_readings_settle_the_answer() -> None:
    """Half settled, half the points of economy; the rest is untouched."""
    key = one_fault()
    marker = Marker(key, load_board(key.puzzle.board))
    reply = parse_reply(f"{key.faults[0].part}:{key.faults[0].mode}", marker.board)
    points = [marker.mark(reply, 1.0, settled).points for settled in (1.0, 0.5, 0.0)]
    assert points == pytest.approx([100.0, 90.0, 80.0])


@pytest.mark.slow
def test_accepted_alternatives_count_fully() -> None:
    """Of every shipped puzzle with several right lists each list earns all points with a mode that fits the sheet."""
    asked = 0
    for key in shipped_keys():
        if len(key.answers) < 2:
            continue
        board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
        left = modes_left(key, board, meter, given_readings(key, board, meter))
        marker = Marker(key, board, left)
        for answer in key.answers:
            sets = left(frozenset(answer))
            assert sets, answer
            mark = marker.mark(parse_reply(" + ".join(sorted(sets[0])), board), key.effort.solver)
            assert (mark.points, mark.misunderstood) == (100.0, ())
            asked += 1
    assert asked > 1


def test_what_the_sheet_tells_apart_is_told_apart() -> None:
    """With the gate's reading on the sheet a mode that spares the gate is no other name for one that does not."""
    key = next(
        key
        for key in shipped_keys()
        if any(one.mode == "all-short" and one.part[0] == "Q" for one in key.faults) and len(key.answers[0]) == 1
    )
    board, meter = load_board(key.puzzle.board), load_meter(key.puzzle.meter)
    part = next(one.part for one in key.faults if one.mode == "all-short")
    marker = Marker(key, board, modes_left(key, board, meter, given_readings(key, board, meter)))
    assert marker.mark(parse_reply(f"{part}:ce-short", board)).misunderstood == ("right part, another fault of it",)
    assert marker.mark(parse_reply(f"{part}:all-short", board)).modes_right


def test_a_guess_counts_beside_those_that_it_stands_among() -> None:
    """Of three modes left open one of which is planted, a wrong one gets a third; what counts the same is one of them.

    In a pair the half that is named right counts, and the other half as a guess.
    """
    planted, same, other, third, pair = (frozenset(one.split()) for one in ("Q:a", "D:a", "Q:b", "Q:c", "Q:b D:b"))
    left = [planted, other, same, third, pair]
    assert counted_share(other, left, {planted, same}) == pytest.approx(1.0 / 3.0)
    assert counted_share(same, left, {planted, same}) == 1.0
    assert counted_share(pair, left, {planted, same}) == pytest.approx(1.0 / 4.0)
    key = one_fault()
    board = load_board(key.puzzle.board)
    part = key.faults[0].part
    mine = f"{part}:{key.faults[0].mode}"
    wrong = next(f"{part}:{one}" for one in board.parts[part].modes if [f"{part}:{one}"] not in key.same)
    two = dataclasses.replace(key, same=[[mine, "RG_UH:open"]], answers=[[board.parts[part].package, "RG_UH"]])
    sets = [frozenset((one, "RG_UH:open")) for one in (mine, wrong)]
    for whole, share in ((True, 1.0), (False, 0.75)):
        marker = Marker(two, board, lambda _: sets, whole=whole)
        mark = marker.mark(parse_reply(f"{wrong} RG_UH:open", board))
        assert {what: points for what, points, _ in mark.parts}["what is wrong with it"] == 20.0 * share


def test_a_file_names_its_puzzle(tmp_path: Path, command: Callable[..., Outcome]) -> None:
    """A puzzle goes by its number or by its file; names that differ in capitals are two people, and are named."""
    sheet = tmp_path / "answers.csv"
    sheet.write_text(
        "who,puzzle,answer\nanna,puzzle-01,nothing\nAnna,1,nothing\nBo,Puzzle-01.html,nothing\nCy,puzzle-99,nothing\n",
        "utf-8",
    )
    done = command("puzzle", "mark", str(FOLDER), str(sheet), "--json")
    answer = json.loads(done.out)
    assert [(row["who"], row["puzzle"]) for row in answer["answers"]] == [("anna", 1), ("Anna", 1), ("Bo", 1)]
    assert len(answer["not_marked"]) == 1
    assert "'puzzle-99'; accepted: 1, 2" in answer["not_marked"][0]
    (doubt,) = answer["doubts"]
    assert "'anna', 'Anna' count as 2 people" in doubt
    told = " ".join(command("puzzle", "mark", str(FOLDER), str(sheet)).out.split())
    assert "count as 2 people" in told


def test_making_sure_costs_nothing() -> None:
    """Two readings beyond the best sequence, however short that is, leave all points of economy."""
    key = one_fault()
    short = dataclasses.replace(key, effort=dataclasses.replace(key.effort, solver=2.0))
    marker = Marker(short, load_board(key.puzzle.board))
    reply = parse_reply(f"{key.faults[0].part}:{key.faults[0].mode}", marker.board)
    assert [marker.mark(reply, effort).points for effort in (2.0, 4.0, 7.0, 10.0)] == [100.0, 100.0, 90.0, 80.0]
