"""Displays after the leads have rested, against the simulator's transient."""

from __future__ import annotations

import random

import pytest

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.separate import reachable_probings
from tests.crosscheck.dwells import DWELLS_S, DwellTally, compare_board, judge, simulated
from tests.crosscheck.netlist import SHUNT_FARADS, TRANSIENT_OPTIONS, Damage, point_text, write_board
from tests.crosscheck.predicted import all_damage, questions
from tests.crosscheck.reference_tables import DWELL_ROWS, read_dwell_table
from tests.crosscheck.runner import after_dwell, require_simulator

ADVICE = "after a change of boards or meters: python -m tests.crosscheck.reference_tables"
AT_LENGTH = 120
WITHOUT_CAPACITORS = ("drive-module",)


@pytest.mark.parametrize("board_name", list_boards())
def test_solver_meets_the_table(board_name: str) -> None:
    """Every row of the table is met, value and word: 1 mV, or 0.5 % and a milliohm, at each of three dwells."""
    tally = DwellTally()
    table = read_dwell_table(board_name)
    for dwell, (asked, answers) in table.items():
        judge(board_name, Setup(dwell_s=dwell), asked, answers, tally)
    assert not tally.complaint(), f"{tally.complaint()}\n{ADVICE}"
    assert tuple(table) == DWELLS_S
    assert tally.readings == DWELL_ROWS
    assert tally.moving >= (0 if board_name in WITHOUT_CAPACITORS else DWELL_ROWS // 5)


def test_table_is_what_the_simulator_says() -> None:
    """Rows drawn from the table come out of the simulator as they were written."""
    require_simulator()
    rng = random.Random(8)
    for board_name in list_boards():
        dwell, (asked, answers) = rng.choice(list(read_dwell_table(board_name).items()))
        drawn = rng.sample(range(len(asked)), 2)
        again = simulated(board_name, Setup(dwell_s=dwell), [asked[number] for number in drawn])
        for number, jacks in zip(drawn, again, strict=True):
            assert jacks == pytest.approx(answers[number], abs=2e-5, rel=1e-4), (asked[number], ADVICE)


@pytest.mark.parametrize(
    "board_name", ["six-switch-bridge", pytest.param("motor-drive", marks=pytest.mark.slow), "half-bridge-cooktop"]
)
def test_gate_held_beside_a_short(board_name: str) -> None:
    """A held gate charges its driver's capacitor to volts while the leads see millivolts; both are followed."""
    require_simulator()
    board, meter, setup = load_board(board_name), load_meter(), Setup()
    held = [probing for probing in reachable_probings(board) if probing.hold]
    shorts = [(one,) for one in all_damage(board, setup, 1) if one.ref[:2] in ("Q_", "D_") and "short" in one.mode]
    drawn = [(damage, probing) for damage in shorts for probing in held]
    tally, asked = DwellTally(), []
    for damage, probing in random.Random(11).sample(drawn, 8):
        asked += [one for one in questions([damage], [probing], meter) if one.instant == "end"]
    judge(board_name, setup, asked, simulated(board_name, setup, asked), tally)
    assert not tally.complaint(), tally.complaint()
    assert tally.readings == 8
    assert tally.values.compared == 8


def test_shunts_move_nothing() -> None:
    """The shunts that let the simulator through floating nets move no diode reading by more than 0.1 mV."""
    require_simulator()
    texts, kept = [], []
    for board_name in list_boards():
        asked, answers = read_dwell_table(board_name)[DWELLS_S[1]]
        diode = [place for place, one in enumerate(asked) if one.probing.mode == "diode"]
        for place in random.Random(9).sample(diode, 2):
            question = asked[place]
            netlist = write_board(load_board(board_name), Setup(), question.damage, capacitors="real")
            texts.append(point_text(netlist, question.meter_range, question.probing.red, question.probing.black))
            kept.append(answers[place][1])
    shunted = after_dwell(texts, DWELLS_S[1], options=[{**TRANSIENT_OPTIONS[0], "cshunt": SHUNT_FARADS}])
    assert shunted == pytest.approx(kept, abs=1e-4, rel=0.0)


@pytest.mark.slow
@pytest.mark.parametrize("board_name", list_boards())
def test_boards_agree_at_length(board_name: str) -> None:
    """Readings drawn anew, more of them, agree as well."""
    require_simulator()
    tally = compare_board(board_name, AT_LENGTH, seed=5)
    assert not tally.complaint(), tally.complaint()
    assert tally.readings == AT_LENGTH


@pytest.mark.slow
@pytest.mark.parametrize(
    ("board_name", "setup"),
    [
        ("six-switch-bridge", Setup(dwell_s=1.0, bus_volts=0.5)),
        ("half-bridge-cooktop", Setup(dwell_s=0.005)),
        ("half-bridge-cooktop", Setup(dwell_s=0.1, temperature_c=45.0, connected=frozenset({"coil"}))),
    ],
)
def test_setups_agree(board_name: str, setup: Setup) -> None:
    """Charge left, a hurried reading, a warm board: same value and word on both sides, faulty capacitors too."""
    require_simulator()
    board, meter, rng = load_board(board_name), load_meter(), random.Random(7)
    main = board.main_terminals
    probings = rng.sample([Probing(red, black) for red in main for black in main if red != black], 5)
    probings += [Probing(*rng.choice(board.gate_leads), "ohms", name) for name in ("20k", "2M")]
    damages: list[tuple[Damage, ...]] = [(), (Damage("C_BUS", "low"),), (Damage("C_BUS", "leak", 3000.0),)]
    damages.append((rng.choice(all_damage(board, setup, 1)),))
    tally = DwellTally()
    asked = [one for one in questions(damages, probings, meter) if one.instant == "end"]
    judge(board_name, setup, asked, simulated(board_name, setup, asked), tally)
    assert not tally.complaint(), tally.complaint()
    assert tally.moving >= 2
