"""The next reading tells most about what to replace."""

from __future__ import annotations

import pytest

from bridge.advise import probing_cost, suggest_readings
from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.rank import Ranking, rank
from bridge.readings import Reading

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
    """Readings come in order of information per effort, and what each may show adds up to at most one."""
    advice = suggest_readings(taken(board, "D_VH:open", [Probing("N", "P"), Probing("V", "P")]), most=12)
    worth = [reading.gain_bits / reading.cost for reading in advice]
    assert worth == sorted(worth, reverse=True)
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


def test_costs_grow_from_terminal_to_lifted_pin(board: Board) -> None:
    """A main terminal is cheaper than a gate lead, that than holding a gate, that than lifting a lead."""
    terminal = probing_cost(board, Probing("N", "U"))
    gate = probing_cost(board, Probing("G_UL", "E_UL", "ohms"))
    held = probing_cost(board, Probing("U", "N", hold=(Hold("UL", 12.0),)))
    lifted = probing_cost(board, Probing("RG_UL.a", "RG_UL.b", lift=("RG_UL.a",)))
    assert terminal < gate < held < lifted
