"""What was seen before any reading: how it is read, and how it moves the prior."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bridge.board import Board, load_board
from bridge.errors import InputError
from bridge.faults import Fault, list_faults
from bridge.faulttable import fault_table, parse_fault_table
from bridge.meter import load_meter
from bridge.priors import Priors
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import load_readings
from bridge.seen import chances_of, parse_seen, symptom_words
from tests.conftest import Outcome


@pytest.fixture(scope="module")
def board() -> Board:
    """A cooktop's half bridge: switches in one case with their diodes, a rectifier module, a fuse."""
    return load_board("half-bridge-cooktop")


@pytest.fixture(scope="module")
def priors(board: Board) -> Priors:
    """Its priors before anything was seen."""
    return Priors.for_board(board, list_faults(board))


class TestWords:
    """What may be typed."""

    @pytest.mark.parametrize(
        ("text", "meant"),
        [
            ("F_1 open", "F_1 open"),
            ("f_1  Blown", "F_1 open"),
            ("soot at Q_L", "Q_L soot"),
            ("Q_L case blown open", "Q_L cracked"),
            ("trips at switch-on", "trips at switch-on"),
            ("Trips the breaker", "trips at switch-on"),
            ("BR_1 cracked", "BR_1 cracked"),
            ("fuse blown", "F_1 open"),
            ("The fuse is blown", "F_1 open"),
            ("blown mains fuse", "F_1 open"),
            ("F_1:blown", "F_1 open"),
            ("Rectifier shorted", "BR_1 shorted"),
            ("bleeder open", "R_DIS open"),
            ("RG_L blown", "RG_L open"),
            ("soot at the shunt", "R_CS soot"),
            ("trips breaker", "trips at switch-on"),
            ("breaker trips", "trips at switch-on"),
            ("blows fuse", "trips at switch-on"),
        ],
    )
    def test_understood(self, board: Board, text: str, meant: str) -> None:
        """Case, blanks, other words and either order mean the same symptom."""
        assert str(parse_seen(text, board)) == meant

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            ("sulks", "not among what can be seen"),
            ("", "not among what can be seen"),
            ("cracked", "say where: PART cracked"),
            ("Q_XX cracked", "no part or package 'Q_XX'"),
            ("Q_L dead", "whole board"),
            ("igbt shorted", "'igbt' may be any of Q_H, Q_L; name one"),
            ("Q_L blown", "blown may be open or shorted there; say Q_L open or Q_L shorted"),
            ("rectifier blown", "say BR_1 open or BR_1 shorted"),
            ("relay open", "no part or package 'relay'"),
        ],
    )
    def test_refused(self, board: Board, text: str, reason: str) -> None:
        """Anything else is refused in one line that says what would do."""
        with pytest.raises(InputError) as refusal:
            parse_seen(text, board)
        assert reason in str(refusal.value)
        assert "\n" not in str(refusal.value)

    def test_unknown_words_come_with_the_list(self, board: Board) -> None:
        """A refusal lists every symptom."""
        with pytest.raises(InputError) as refusal:
            parse_seen("F_1 sulks", board)
        for words in (*symptom_words("part"), *symptom_words("board")):
            assert words in str(refusal.value)

    def test_readme_lists_them(self, root: Path) -> None:
        """The README names every symptom the table knows."""
        text = " ".join((root / "README.md").read_text(encoding="utf-8").split())
        for symptom in fault_table().symptom:
            assert f"`{symptom.say}`" in text, symptom.say

    def test_a_case_holds_what_is_in_it(self, board: Board) -> None:
        """A cracked discrete switch may as well be its diode, which sits in the same case."""
        seen = parse_seen("Q_L cracked", board)
        assert set(seen.parts) == {"Q_L", "D_L"}

    def test_two_meanings_are_refused(self, root: Path) -> None:
        """A table in which one word means two symptoms is refused."""
        text = (root / "bridge/data/faults.toml").read_text(encoding="utf-8")
        assert 'also = ["short", ' in text
        with pytest.raises(InputError, match="also means 'open'"):
            parse_fault_table(text.replace('also = ["short", ', 'also = ["open", ', 1), "my.toml")


class TestPrior:
    """How symptoms move the prior."""

    def test_single_by_hand(self, board: Board, priors: Priors) -> None:
        """An open fuse is seen with 0.002 + 0.998 x 0.95 if it is open, with 0.002 if anything else is wrong."""
        told = priors.given([parse_seen("F_1 open", board)])
        gain = told.log_single - priors.log_single
        fuse = priors.index_of[Fault("F_1", "open")]
        other = priors.index_of[Fault("Q_L", "ce-short")]
        assert gain[fuse] == pytest.approx(math.log(0.002 + 0.998 * 0.95))
        assert gain[other] == pytest.approx(math.log(0.002))
        assert told.log_healthy - priors.log_healthy == pytest.approx(math.log(0.002))

    def test_pair_by_hand(self, board: Board, priors: Priors) -> None:
        """Two causes each miss on their own: rectifier and switch at switch-on show with 1 - 0.98 x 0.15 x 0.55."""
        told = priors.given([parse_seen("trips at switch-on", board)])
        first = np.array([priors.index_of[Fault("D_AC2L", "short")]])
        second = np.array([priors.index_of[Fault("Q_L", "ce-short")]])
        gain = told.log_pair(first, second) - priors.log_pair(first, second)
        assert gain[0] == pytest.approx(math.log(1.0 - 0.98 * 0.15 * 0.55))

    def test_set_and_two_symptoms_by_hand(self, board: Board, priors: Priors) -> None:
        """Symptoms multiply; a set of three counts like a pair, with one factor more."""
        told = priors.given([parse_seen("trips at switch-on", board), parse_seen("F_1 open", board)])
        faults = [Fault("D_AC2L", "short"), Fault("F_1", "open"), Fault("Q_L", "ce-short")]
        index = np.array([[priors.index_of[fault] for fault in faults]])
        gain = float((told.log_sets(index) - priors.log_sets(index))[0])
        at_switch_on, fuse = 1.0 - 0.98 * 0.15 * 0.55, 1.0 - 0.998 * 0.05
        assert gain == pytest.approx(math.log(at_switch_on) + math.log(fuse))

    def test_nothing_seen(self, priors: Priors) -> None:
        """Without a symptom the prior stays what it is."""
        assert priors.given(()) is priors

    def test_where_it_lies(self) -> None:
        """Soot at a switch points at it, less at what sits beside it, not at another leg's switch."""
        board = load_board("motor-drive")
        faults = [Fault(ref, "all-short") for ref in ("Q_UL", "Q_UH", "Q_VL")]
        own, same_leg, other_leg = chances_of(parse_seen("soot at Q_UL", board), board, faults)
        assert own > same_leg > other_leg == 0.0


class TestRanking:
    """What a ranking makes of it."""

    @pytest.mark.slow
    def test_diode_or_switch(self, board: Board, root: Path) -> None:
        """A module known by another sign to be shorted gains; what the readings exclude stays excluded."""
        taken = load_readings(str(root / "examples/cooktop-trips/readings.csv"), board)
        plain = rank(board, load_meter(), Setup(), taken.readings)
        told = rank(board, load_meter(), Setup(), taken.readings, seen=["Q_H cracked"])
        suspicion = [{one.part: one.probability for one in ranking.parts} for ranking in (plain, told)]
        assert told.seen == ("Q_H cracked",)
        assert suspicion[1]["Q_H"] > suspicion[0]["Q_H"]
        assert suspicion[1]["D_AC2L"] > 0.98

    @pytest.mark.slow
    def test_command(self, command: Callable[..., Outcome], root: Path) -> None:
        """The command takes it, says so, and refuses what it does not know with exit status 2."""
        place = ("half-bridge-cooktop", str(root / "examples/cooktop-trips/readings.csv"))
        done = command("rank", *place, "--seen", "trips at switch-on", "--seen", "Q_L soot")
        assert done.status == 0
        assert "Counted in before any reading: trips at switch-on, Q_L soot." in done.out
        refused = command("next", *place, "--seen", "sulks")
        assert (refused.status, refused.out) == (2, "")
        assert "switch-on" in refused.err
