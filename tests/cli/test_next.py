"""``bridgefault next`` answers in words and in JSON."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.advicepage import CAUTION, advice_page, end_words, expectation_table, good_words, help_words, trouble_words
from bridge.advise import Expectation, NextReading, Reach, suggest_readings, suggest_within
from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.rank import rank
from bridge.readings import load_readings
from tests.cli.sheets import FEW, write


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "bridge", "next", *arguments], capture_output=True, text=True, check=False, timeout=120
    )


def test_words(tmp_path: Path) -> None:
    """After the caution the best reading, in the words one says at the bench, with what it may show."""
    answer = run("six-switch-bridge", write(tmp_path, FEW))
    assert answer.returncode == 0
    assert answer.stderr == ""
    assert answer.stdout.startswith("Bus discharged through a resistor and measured")
    assert answer.stdout.index("\nNext: red on ") < answer.stdout.index("What it may show")


def test_nothing_is_a_hundred_per_cent() -> None:
    """An outcome that is all but certain is said to be so, not to be certain: others are left out of the list."""
    advice = NextReading(Probing("P", "N"), 0.03, 1.0, (Expectation("about 0.41", 0.9996, "Q_L (64 %)"),))
    assert expectation_table(advice).rows == (("about 0.41", ">99 %", "Q_L (64 %)"),)


def test_a_display_that_climbs_is_told() -> None:
    """From plus to a midpoint the bus capacitor charges through the meter, and a gate's resistor has none beside it."""
    bench = load_board("six-switch-bridge"), load_meter(), Setup()
    climbing, steady, unknown = (
        good_words(*bench, NextReading(Probing(*place, "ohms"), 1.0, 1.0, (), good))
        for place, good in ((("P", "U"), "about 100k"), (("G_UL", "E_UL"), "about 10k"), (("P", "U"), ""))
    )
    assert climbing == "A good board reads about 100k there, climbing."
    assert steady == "A good board reads about 10k there."
    assert unknown == "A good board's display is climbing there."


def test_a_perhaps_wrong_number_is_told_before_the_proposal(tmp_path: Path) -> None:
    """A lost k and a lone 1 are told before any reading is proposed."""
    answer = run("six-switch-bridge", write(tmp_path, "red,black,mode,reading\nG_UL,E_UL,ohms,9.9\nU,N,diode,1\n"))
    assert answer.returncode == 0
    before = " ".join(answer.stdout.partition("\nNext: ")[0].split())
    assert "If kΩ were meant, write 9.9k." in before
    assert "If overload was meant, write OL; if 1 V, write 1.000." in before


def test_json_keys(tmp_path: Path) -> None:
    """The JSON answer has the agreed keys, and outcomes that are probabilities."""
    answer = run("six-switch-bridge", write(tmp_path, FEW), "--json", "--top", "2")
    assert answer.returncode == 0
    readings = json.loads(answer.stdout)["readings"]
    assert 1 <= len(readings) <= 2
    for reading in readings:
        assert set(reading) == {"red", "black", "mode", "hold", "lift", "gain_bits", "cost", "expect"}
        assert reading["gain_bits"] > 0.0
        assert 0.9 < sum(outcome["probability"] for outcome in reading["expect"]) <= 1.0 + 1e-9


@pytest.mark.slow
def test_a_doubtful_reading_first(tmp_path: Path) -> None:
    """What does not fit is to be taken again before anything new, and a third time where it was read two ways."""
    rest = "".join(
        f"{row},diode,{value}\n" for row, value in (("V,P", 0.42), ("W,P", 0.42), ("N,U", 0.42), ("N,V", 0.42))
    )
    once = write(tmp_path, f"red,black,mode,reading\nU,P,diode,0.9\n{rest}")
    assert (
        "Take again first: red on U, black on P, diode. As taken (it showed 0.9)"
        in run("six-switch-bridge", once).stdout
    )
    twice = write(tmp_path, f"red,black,mode,reading\nU,P,diode,0.41\nU,P,diode,0.002\n{rest}")
    answer = run("six-switch-bridge", twice).stdout
    assert "As taken (it showed 0.41, then 0.002)" in answer
    assert "bad either way" not in answer
    moved = write(tmp_path, f"red,black,mode,reading\nU,N,diode,0.41 climbing\nU,N,diode,0.9 climbing\n{rest}")
    assert "Take again" not in run("six-switch-bridge", moved).stdout
    same = write(tmp_path, f"red,black,mode,reading\nU,P,diode,0.9\nU,P,diode,0.9\n{rest}")
    assert "Take again" not in run("six-switch-bridge", same).stdout


def test_no_readings_is_an_error(tmp_path: Path) -> None:
    """An empty sheet is refused in one line with status 2."""
    answer = run("six-switch-bridge", write(tmp_path, "red,black,mode,reading\n"))
    assert answer.returncode == 2
    assert answer.stdout == ""
    assert len(answer.stderr.strip().splitlines()) == 1


@pytest.mark.slow
def test_the_row_is_ready(tmp_path: Path) -> None:
    """The proposed reading comes as a row that can be appended to the sheet, whatever the case of its terminals."""
    answer = run("six-switch-bridge", write(tmp_path, FEW))
    row = next(line for line in answer.stdout.splitlines() if line.endswith("diode,"))
    red, black, mode = row.split(",")[:3]
    assert f"Next: red on {red}, black on {black}, {mode}" in answer.stdout
    again = run("six-switch-bridge", write(tmp_path, f"{FEW}{red.lower()},{black.lower()},{mode},0.42\n"))
    assert (again.returncode, again.stderr) == (0, "")


def test_advice_is_in_a_technicians_words() -> None:
    """How far a reading helps and what it takes are words, not bits and efforts."""
    held = Probing("U", "N", hold=(Hold("UL", 12.0),))
    lifted = Probing("G_UL", "E_UL", "ohms", lift=("RGE_UL.a",))
    assert [help_words(bits) for bits in (0.5, 0.49, 0.1, 0.09)] == ["much", "some", "some", "little"]
    assert trouble_words(Probing("U", "N"), 1.0) == "terminals"
    assert trouble_words(Probing("G_UL", "E_UL", "ohms"), 2.0) == "pad or pin"
    assert trouble_words(held, 4.0) == "gate held on"
    assert trouble_words(lifted, 1.0) == "RGE_UL.a unsoldered"


def journal(folder: Path, effort: str, *lines: dict[str, object]) -> str:
    """Write the journal of a session that can reach so far, and return its path."""
    head = {
        "bridgefault_session": 1,
        "board": "six-switch-bridge",
        "meter": "handheld",
        "setup": {},
        "bench": {"effort": effort, "blocked": ["W"], "discharged": True},
    }
    path = folder / f"{effort}.jsonl"
    path.write_text("".join(json.dumps(line) + "\n" for line in (head, *lines)), encoding="utf-8")
    return str(path)


@pytest.mark.slow
def test_a_session_keeps_its_reach(tmp_path: Path) -> None:
    """What a session's leads cannot reach is not proposed from its journal either, nor what it skipped."""
    nowhere = {"mode": "diode", "hold": "", "lift": ""}
    taken = [
        {"reading": {"red": red, "black": black, "text": text, "discharged": True} | nowhere}
        for red, black, text in (("U", "N", "OL"), ("N", "U", "OL"), ("U", "P", "0.415"))
    ]
    first = json.loads(run("six-switch-bridge", journal(tmp_path, "holds", *taken), "--json").stdout)["readings"]
    assert first
    assert all("W" not in (one["red"], one["black"]) for one in first)
    place = {key: first[0][key] for key in ("red", "black", "mode")} | {"hold": first[0]["hold"], "lift": ""}
    again = json.loads(run("six-switch-bridge", journal(tmp_path, "gates", *taken, {"skip": place}), "--json").stdout)
    assert again["readings"]
    assert all(one["hold"] == "" for one in again["readings"])
    assert all((one["red"], one["black"], one["mode"]) != tuple(place.values())[:3] for one in again["readings"])


def test_beyond_a_reach_is_said(tmp_path: Path) -> None:
    """Where nothing within reach would tell more, what lies beyond is proposed, and said after the caution to be so."""
    board = load_board("six-switch-bridge")
    taken = load_readings(write(tmp_path, FEW), board)
    ranking = rank(board, taken.meter, taken.setup, taken.readings)
    covered = Reach("terminals", frozenset(board.main_terminals))
    advice, beyond = suggest_within(ranking, 1, covered)
    assert beyond
    assert advice == suggest_readings(ranking, 1)
    assert suggest_within(ranking, 1, Reach("gates")) == (suggest_readings(ranking, 1, Reach("gates")), False)
    page = advice_page(ranking, advice, covered)
    said = page.index("Within the reach of this session (terminals) none would tell more.")
    assert page.index(CAUTION) < said < next(place for place, one in enumerate(page) if str(one).startswith("Next: "))


def test_which_end_of_a_part_is_meant() -> None:
    """Where a lead goes on a part's pin that has no name of its own, the end is told by what the other one is on."""
    cooktop = load_board("half-bridge-cooktop")
    assert end_words(cooktop, Probing("F_1.b", "AC2")) == "F_1.b is the end of F_1 away from AC1."
    assert end_words(cooktop, Probing("P", "C_X.a")) == "C_X.a is the end of C_X away from AC2."
    assert end_words(cooktop, Probing("P", "Q_H.gate")) == end_words(cooktop, Probing("P", "N")) == ""
