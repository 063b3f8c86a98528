"""Only right answers are timed."""

from __future__ import annotations

import math

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.benchmarks.agreement import WrongAnswersError, demand, differ, judge
from tests.benchmarks.simulator import (
    as_copy,
    ends_of_fault,
    read_answers,
    with_compiled_channels,
    with_shared_models,
)
from tests.crosscheck.netlist import Damage, ranges_of, write_board
from tests.crosscheck.predicted import Question

OL = math.inf
HEALTHY = 0.420


def question(mode: str = "diode", range_name: str | None = None) -> Question:
    damage = (Damage("Q_UL", "ce-short", 0.3),)
    return Question(damage, Probing("N", "U", mode, range_name), ranges_of(load_meter(), mode, range_name)[0], "end")


@pytest.mark.parametrize(
    ("ours", "jack", "right"),
    [
        (0.4000, 0.4009, True),
        (0.4000, 0.4011, False),
        (0.4000, 0.3991, True),
        (0.4000, 0.3989, False),
        (OL, 2.9, True),
        (0.4, 2.9, False),
        (OL, 0.4, False),
        (0.4, math.nan, False),
        (math.nan, 0.4, False),
    ],
)
def test_diode_readings_agree_within_a_millivolt(ours: float, jack: float, right: bool) -> None:
    """A millivolt apart is right, more is not; OL answers OL alone; no answer is never right."""
    verdict = judge([question()], [ours], [jack], [HEALTHY])
    assert verdict.right == ((0,) if right else ())


@pytest.mark.parametrize(("share", "right"), [(1.004, True), (0.996, True), (1.006, False), (0.994, False)])
def test_resistances_agree_within_half_a_percent(share: float, right: bool) -> None:
    """A resistance of 10 kilohms may be read 0.5 % off."""
    entry = next(one for one in load_meter().ohms if one.full_scale >= 20e3)
    asked = question("ohms", entry.name)
    amps = asked.meter_range.amps
    assert amps > 0.0
    verdict = judge([asked], [10e3], [10e3 * share * amps], [1e3])
    assert verdict.right == ((0,) if right else ())


def test_moved_answers_are_counted_among_the_right_ones_alone() -> None:
    """Of a right answer unlike the healthy board, a right one like it, and a wrong one, one moved."""
    verdict = judge([question()] * 3, [0.1, HEALTHY, 0.1], [0.1, HEALTHY, 0.2], [HEALTHY] * 3)
    assert (verdict.right, verdict.moved, verdict.asked) == ((0, 1), 1, 3)
    assert "0.2" in verdict.complaint


def test_displays_differ_by_more_than_right_answers_may() -> None:
    """A number and OL differ, so do numbers more than a millivolt apart."""
    assert differ(question(), 0.4, OL)
    assert differ(question(), 0.4, 0.402)
    assert not differ(question(), 0.4, 0.4005)
    assert not differ(question(), OL, OL)


def test_too_few_right_answers_are_refused() -> None:
    """Eight of ten will do, seven will not, and nothing asked proves nothing."""
    for wrong, accepted in ((2, True), (3, False)):
        jacks = [0.1] * (10 - wrong) + [math.nan] * wrong
        verdict = judge([question()] * 10, [0.1] * 10, jacks, [HEALTHY] * 10)
        if accepted:
            demand(verdict)
        else:
            with pytest.raises(WrongAnswersError, match="7 of 10"):
                demand(verdict)
    with pytest.raises(WrongAnswersError, match="nothing"):
        demand(judge([], [], [], []))


def test_a_simulator_that_never_altered_anything_is_found_out() -> None:
    """Answers of the healthy board are right where the damage shows nothing, but they prove nothing."""
    verdict = judge([question()] * 20, [HEALTHY] * 20, [HEALTHY] * 20, [HEALTHY] * 20)
    assert len(verdict.right) == 20
    with pytest.raises(WrongAnswersError, match="no proof"):
        demand(verdict)
    damaged = judge([question()] * 20, [0.001] * 20, [HEALTHY] * 20, [HEALTHY] * 20)
    with pytest.raises(WrongAnswersError, match="0 of 20"):
        demand(damaged)


def test_answers_are_read_by_their_marks() -> None:
    """An analysis that gave up, a vector that is not there, and a mark without a number are no answers."""
    output = (
        "@@ 0\nv(jack) = 4.2e-01\n@@ 1\nop simulation(s) aborted\n@@ 2\n@@ 4\nv(k4_jack) = -1.5e+00\n"
        "@@ 5\nv(jack) = 1.0\nv(jack) = 2.0\n"
    )
    found = read_answers(output, 6)
    assert found[0] == pytest.approx(0.42)
    assert found[4] == pytest.approx(-1.5)
    assert [math.isnan(one) for one in found] == [False, True, True, True, False, True]


def test_copies_share_no_node() -> None:
    """Every node of a copy but ground has the number of the copy, and so have its elements and models."""
    lines = ["d1 n1 0 m1", ".model m1 d(is=1e-9 n=1.6)", "b2 n1 n22 i=1.5*v(n1,n22)+exp(2)", "rred jack n1 0.2"]
    assert as_copy(lines, 7) == [
        "dk7_1 k7_n1 0 k7_m1",
        ".model k7_m1 d(is=1e-9 n=1.6)",
        "bk7_2 k7_n1 k7_n22 i=1.5*v(k7_n1,k7_n22)+exp(2)",
        "rk7_red k7_jack k7_n1 0.2",
    ]


def test_equal_models_are_written_once() -> None:
    """Two diodes of one law share it; a third of another keeps its own."""
    lines = ["d1 a b m1", ".model m1 d(is=1)", "d2 c d m2", ".model m2 d(is=1)", "d3 e f m3", ".model m3 d(is=2)"]
    assert sorted(with_shared_models(lines)) == [
        ".model m1 d(is=1)",
        ".model m3 d(is=2)",
        "d1 a b m1",
        "d2 c d m1",
        "d3 e f m3",
    ]


def test_every_channel_becomes_a_transistor_at_its_own_gate() -> None:
    """Each switch of the board has one compiled transistor from its collector and gate to its emitter."""
    board, setup = load_board("six-switch-bridge"), Setup()
    netlist = write_board(board, setup)
    written = with_compiled_channels(netlist.lines, board, netlist, setup)
    found = [tuple(line.split()[1:4]) for line in written if line.startswith("mb")]
    switches = [part for part in board.parts.values() if part.kind in ("igbt", "mosfet")]
    pins = [
        ("drain", "gate", "source") if one.kind == "mosfet" else ("collector", "gate", "emitter") for one in switches
    ]
    expected = [
        tuple(netlist.node_of_lead[f"{part.ref}.{pin}"] for pin in of) for part, of in zip(switches, pins, strict=True)
    ]
    assert sorted(found) == sorted(expected)
    assert not any(line.startswith("b") for line in written)


def test_faults_join_the_pins_that_their_words_say() -> None:
    """One resistor makes a short or a leak; what opens a path it cannot make."""
    parts = load_board("six-switch-bridge").parts
    assert ends_of_fault(parts["Q_UL"], "gc-short") == ("gate", "collector")
    assert ends_of_fault(parts["D_UL"], "leak") == ("anode", "cathode")
    assert ends_of_fault(parts["DRV_UL"], "high-short") == ("out", "supply")
    assert ends_of_fault(parts["RG_UL"], "open") is None
    assert ends_of_fault(parts["Q_UL"], "burst") is None
