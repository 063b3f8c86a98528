"""The next reading tells most about what to replace."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from bridge import advise, boarddisplays
from bridge.advicepage import HEADER, csv_row
from bridge.advise import (
    CONSIDERED,
    ENOUGH_BITS,
    STAND_INS,
    NextReading,
    Reach,
    _is_worth_it,
    _meaning,
    _stand_ins,
    before_any_reading,
    probing_cost,
    suggest_readings,
)
from bridge.board import Board, load_board
from bridge.boarddisplays import BoardDisplays, DisplayMemory, displays_of
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.rank import Ranking, rank
from bridge.readings import Reading, parse_readings
from bridge.separate import reachable_probings

METER = load_meter()


@pytest.fixture(scope="module")
def board() -> Board:
    """The six-switch bridge."""
    return load_board("six-switch-bridge")


def taken(board: Board, fault: str, probings: list[Probing]) -> Ranking:
    """Rank noise-free readings of a board with one fault."""
    readings = []
    for shown in forecast(board, METER, Setup(), probings, [parse_fault(fault, board)]):
        value = None if shown.value is None else METER.display(shown.probing.mode, None, shown.value)
        readings.append(Reading(0, shown.probing, "", value, shown.unit, "OL" if value is None else "steady"))
    return rank(board, METER, Setup(), readings)


def test_first_advice_tells_the_leg_mates_apart(board: Board) -> None:
    """After one shorted low side shows, the best reading asks whether its leg's high side is shorted as well."""
    ranking = taken(board, "Q_UL:ce-short", [Probing("N", "U"), Probing("N", "V"), Probing("N", "W")])
    best = suggest_readings(ranking)[0]
    assert {best.probing.red, best.probing.black} in ({"N", "P"}, {"U", "P"})
    assert best.cost == 1.0
    assert best.gain_bits > 0.3
    assert any("Q_UH and Q_UL" in outcome.means for outcome in best.expect)


def test_advice_is_sorted_and_its_outcomes_are_probabilities(board: Board) -> None:
    """After the first, readings come in order of information per effort; what each may show adds up to at most one."""
    advice = suggest_readings(taken(board, "D_VH:open", [Probing("N", "P"), Probing("V", "P")]), most=12)
    worth = [reading.gain_bits / reading.cost for reading in advice]
    assert worth[1:] == sorted(worth[1:], reverse=True)
    assert worth[0] > 0.3 * worth[1]  # the first leaves least to do, but is none that tells little
    assert len(advice) > 3
    for reading in advice:
        total = sum(outcome.probability for outcome in reading.expect)
        assert 0.95 < total <= 1.0 + 1e-9


def test_a_reading_that_was_taken_is_not_proposed_again(board: Board) -> None:
    """Nothing is proposed twice."""
    probings = [Probing("N", "U"), Probing("U", "P"), Probing("N", "P")]
    advice = suggest_readings(taken(board, "Q_UL:ce-short", probings), most=50)
    assert advice
    assert not {reading.probing for reading in advice} & set(probings)


@pytest.mark.slow
def test_a_reading_with_something_lifted_or_connected_was_another(board: Board) -> None:
    """A place read while a pin was up, or the motor on, may still be read as it is."""
    place = Probing("U", "N")
    ranking = taken(board, "Q_UL:ce-short", [Probing("N", "V"), Probing("V", "N")])
    assert place in {reading.probing for reading in suggest_readings(ranking, most=200)}
    value = METER.display("diode", None, 0.001)
    for probing, connected in ((dataclasses.replace(place, lift=("RGE_UL.a",)), ()), (place, ("motor",))):
        earlier = Reading(0, probing, "", value, "V", "steady", connected=frozenset(connected))
        once_more = dataclasses.replace(ranking, readings=(*ranking.readings, earlier))
        assert place in {reading.probing for reading in suggest_readings(once_more, most=200)}
    plain = dataclasses.replace(ranking, readings=(*ranking.readings, Reading(0, place, "", value, "V", "steady")))
    assert place not in {reading.probing for reading in suggest_readings(plain, most=200)}


def test_costs_grow_from_terminal_to_lifted_pin(board: Board) -> None:
    """A main terminal is cheaper than a gate lead, that than holding a gate, that than lifting a lead."""
    terminal = probing_cost(board, Probing("N", "U"))
    gate = probing_cost(board, Probing("G_UL", "E_UL", "ohms"))
    held = probing_cost(board, Probing("U", "N", hold=(Hold("UL", 12.0),)))
    lifted = probing_cost(board, Probing("RG_UL.a", "RG_UL.b", lift=("RG_UL.a",)))
    assert terminal < gate < held < lifted


@pytest.mark.slow
def test_only_what_can_be_reached_is_proposed(board: Board) -> None:
    """Terminals alone, a blocked place and a skipped reading are respected, and the next best comes up."""
    ranking = taken(board, "Q_UL:ce-short", [Probing("N", "U")])
    main = set(board.main_terminals)
    for reading in suggest_readings(ranking, 50, Reach("terminals")):
        assert {reading.probing.red, reading.probing.black} <= main
        assert not reading.probing.hold
    assert any(reading.probing.hold for reading in suggest_readings(ranking, 50, Reach("holds")))
    assert not any(reading.probing.hold for reading in suggest_readings(ranking, 50, Reach("gates")))
    blocked = suggest_readings(ranking, 50, Reach(blocked=frozenset({"P"})))
    assert blocked
    assert not any("P" in (reading.probing.red, reading.probing.black) for reading in blocked)
    first, second = suggest_readings(ranking, 2)
    skipped = suggest_readings(ranking, 1, Reach(skipped=frozenset({first.probing})))
    assert skipped[0].probing == second.probing


@pytest.mark.slow
def test_when_nothing_in_place_helps_one_pin_is_lifted(board: Board) -> None:
    """With all gate leads read and no pad to be reached, the advice is one pin and what to read with it lifted."""
    gates = [Probing(gate, emitter, "ohms") for gate, emitter in board.gate_leads]
    pads = frozenset(name for name in board.terminals if name.startswith(("GD_", "V")) and name != "V")
    rails = [Probing(red, black) for red in "PNUVW" for black in "PNUVW" if red != black]
    ranking = taken(board, "DRV_UL:low-short", [*rails, *gates])
    others = frozenset(probing for probing in reachable_probings(board) if probing.hold or probing.mode == "ohms")
    assert suggest_readings(ranking, 5, Reach("holds", blocked=pads, skipped=others)) == ()
    advice = suggest_readings(ranking, 5, Reach("lift", blocked=pads, skipped=others))
    lifts = {reading.probing.lift for reading in advice}
    assert len(lifts) == 1
    part = board.parts[lifts.pop()[0].partition(".")[0]]
    assert part.position == "UL"
    assert advice[0].gain_bits > 0.1


def test_before_any_reading_the_board_is_open(board: Board) -> None:
    """Before the first reading single faults stand at their prior, what was seen moves them, and advice is there."""
    blank = before_any_reading(board, METER, Setup())
    assert sum(candidate.probability for candidate in blank.candidates) == pytest.approx(1.0)
    assert {len(candidate.faults) for candidate in blank.candidates} == {0, 1}
    told = before_any_reading(board, METER, Setup(), ["soot at Q_UL"])

    def share(ranking: Ranking) -> float:
        return sum(one.probability for one in ranking.candidates if one.faults and one.faults[0].part == "Q_UL")

    assert share(told) > 3.0 * share(blank)
    assert suggest_readings(blank, 1)[0].gain_bits > 0.1


def test_a_board_of_one_package_is_read_all_the_same() -> None:
    """On a module that is replaced whole, readings are proposed as long as none has shown a fault."""
    module = load_board("drive-module")
    assert suggest_readings(before_any_reading(module, METER, Setup()), 1)


@pytest.mark.parametrize(
    "probing",
    [
        Probing("N", "U"),
        Probing("G_UL", "E_UL", "ohms", "2k"),
        Probing("U", "N", hold=(Hold("UH", 0.0), Hold("UL", 12.0))),
        Probing("RG_UL.a", "RG_UL.b", "ohms", lift=("RG_UL.a",)),
    ],
)
def test_the_row_reads_back(board: Board, probing: Probing) -> None:
    """The row for the sheet, filled in, is the very placement that was proposed."""
    cells = (csv_row(probing) + ",,").split(",")[:6]
    cells[3] = "OL"
    meter = load_meter("pocket") if probing.range_name else METER
    found = parse_readings(f"{HEADER}\n{','.join(cells)}\n".encode(), "row.csv", board, meter)
    assert [reading.probing for reading in found] == [probing]


def test_what_is_left_out_is_stood_for(board: Board) -> None:
    """After one reading many pairs are open: the hypotheses looked at are few, and weigh as much as all together."""
    ranking = taken(board, "Q_UL:ce-short", [Probing("N", "U")])
    some = _stand_ins(ranking.candidates, CONSIDERED - STAND_INS)
    assert len(some) <= CONSIDERED < len(ranking.candidates)
    assert sum(one.probability for one in ranking.candidates[:CONSIDERED]) < 0.99
    assert sum(one.probability for one in some) == pytest.approx(1.0, abs=1e-9)
    assert [one.probability for one in some[:10]] == [one.probability for one in ranking.candidates[:10]]


def test_an_outcome_leaves_nothing_certain() -> None:
    """What an outcome points at is never said to be a hundred per cent."""
    names = [frozenset({"Q_UL"}), frozenset()]
    assert _meaning(np.array([0.9996, 0.0004]), names) == "Q_UL (>99 %)"
    assert _meaning(np.array([0.36, 0.64]), names) == "nothing wrong (64 %)"


def test_displays_remembered_are_those_worked_out(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """From a memory come the numbers that solving gives, and what it has seen before is not solved for again."""
    solved: list[tuple[int, int]] = []

    def counted(*arguments: Any) -> BoardDisplays:
        solved.append((len(arguments[3]), len(arguments[4])))
        return displays_of(*arguments)

    monkeypatch.setattr(boarddisplays, "displays_of", counted)
    memory, bench = DisplayMemory(), (board, METER, Setup())
    texts = ("Q_UL:ce-short:0.3", "D_VH:open", "RG_UL:open")
    sets = [(parse_fault(text, board),) for text in texts]
    places = [Probing("N", "U"), Probing("P", "V"), Probing("G_UL", "E_UL", "ohms")]
    memory.displays_of(*bench, sets[:2], places[:2])
    assert solved == [(2, 2)]
    memory.displays_of(*bench, sets[:2], places[:2])
    assert solved == [(2, 2)]
    found, plain = memory.displays_of(*bench, [*sets, ()], places), displays_of(*bench, [*sets, ()], places)
    assert sum(many * few for many, few in solved[1:]) <= 4 + 2 * 3
    np.testing.assert_allclose(found.value, plain.value, rtol=1e-6)
    np.testing.assert_allclose(found.own_sd, plain.own_sd, rtol=1e-4)
    np.testing.assert_allclose(found.batch_load, plain.batch_load, rtol=1e-4, atol=1e-9)
    assert found.units == plain.units == ("V", "V", "ohm")
    warm = board, METER, Setup(temperature_c=60.0)
    assert memory.displays_of(*warm, sets, places[:1]).value[0, 1] < plain.value[0, 1]


def test_most_of_a_sample_lasts(board: Board) -> None:
    """Where probabilities move a little, nearly the same hypotheses stand for the others, and they stand for all."""
    rng = np.random.default_rng(5)
    blank = before_any_reading(board, METER, Setup()).candidates
    moved = [dataclasses.replace(one, probability=one.probability * rng.uniform(0.7, 1.4)) for one in blank]
    moved.sort(key=lambda one: -one.probability)
    samples = [{one.faults for one in _stand_ins(some, 10)[10:]} for some in (blank, moved)]
    assert len(samples[0]) == STAND_INS
    assert len(samples[0] & samples[1]) >= 0.6 * STAND_INS
    total = sum(one.probability for one in moved)
    assert sum(one.probability for one in _stand_ins(moved, 10)) == pytest.approx(total, rel=1e-9)


def test_behind_a_blown_fuse_its_far_clip_is_proposed() -> None:
    """A rectifier behind a blown fuse cannot be told from the terminals; at the fuse's board side it can."""
    cooktop = load_board("half-bridge-cooktop")
    damage = [parse_fault(text, cooktop) for text in ("F_1:open", "Q_H:ce-short:0.3", "D_AC1H:short:0.3")]
    far = [one for one in reachable_probings(cooktop) if "F_1.b" in (one.red, one.black)]
    assert {"N", "P", "AC1", "AC2"} <= {lead for one in far for lead in (one.red, one.black)}
    shown = forecast(cooktop, METER, Setup(), far, damage)
    good = forecast(cooktop, METER, Setup(), far, damage[:2])
    assert any(
        one.value is not None and one.value < 0.01 and (other.value is None or other.value > 0.2)
        for one, other in zip(shown, good, strict=True)
        if one.unit == "V"
    )
    assert all(Reach("gates").allows(cooktop, one) and not Reach("terminals").allows(cooktop, one) for one in far)


def test_a_reading_that_makes_a_list_certain_is_worth_it() -> None:
    """What tells little, but mostly leaves one list certain, is proposed while none is, and not once one is."""
    little = NextReading(Probing("U", "P"), 0.5 * ENOUGH_BITS, 1.0, (), settles=0.9)
    assert _is_worth_it(little, ENOUGH_BITS, 0.89)
    assert not _is_worth_it(little, ENOUGH_BITS, 0.96)
    assert not _is_worth_it(dataclasses.replace(little, settles=0.3), ENOUGH_BITS, 0.89)
    assert _is_worth_it(dataclasses.replace(little, gain_bits=2 * ENOUGH_BITS, settles=0.0), ENOUGH_BITS, 0.96)


def test_an_outcome_is_named_by_what_a_candidate_shows() -> None:
    """A mean of displays that climb at different paces is shown by none of them."""
    shown, weight = np.array([420e3, 164e3, 190e3]), np.array([0.25, 0.6, 0.15])
    assert advise._middle(shown, weight) == 164e3
