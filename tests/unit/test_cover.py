"""What readings can tell apart, checked against forecasts one by one and against a board small enough for the head."""

from __future__ import annotations

import pytest

from bridge.advise import EFFORTS
from bridge.board import Board, load_board, parse_board
from bridge.cover import Cover, cover_board
from bridge.coverpage import cover_page, cover_payload
from bridge.faults import Fault, list_faults
from bridge.forecast import Forecast, forecast_each
from bridge.layout import plain_text
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.separate import reachable_probings

METER = load_meter()
LEG = """
name = "leg"
title = "One leg"
about = "Two switches between plus and minus."
[[terminal]]
name = "P"
what = "plus"
access = "terminal"
[[terminal]]
name = "N"
what = "minus"
access = "terminal"
[[terminal]]
name = "U"
what = "output"
access = "terminal"
[[use]]
block = "bare-igbt-leg"
leg = "U"
plus = "P"
minus = "N"
"""


@pytest.fixture(scope="module")
def leg() -> Board:
    """Two switches with their diodes, nothing else."""
    return parse_board(LEG, "leg.toml")


@pytest.fixture(scope="module")
def cooktop() -> Cover:
    """What readings can tell apart on the single-switch cooktop."""
    return cover_board(load_board("single-switch-cooktop"), METER, Setup())


def differ(one: Forecast, other: Forecast, volts: float, share: float) -> bool:
    """Whether two displays differ after the dwell by so much, or one of them is open."""
    if one.value is None or other.value is None:
        return one.value is not other.value
    limit = volts if one.unit == "V" else max(share * max(one.value, other.value), 3.0)
    return abs(one.value - other.value) > limit


def test_a_bare_leg_by_hand(leg: Board) -> None:
    """On a bare leg every one of 26 faults shows with the effort it needs, and each package is told from the other."""
    cover = cover_board(leg, METER, Setup())
    # each package: shorts and leak of switch and diode, fused, always on, emitter off, diode open at the terminals
    at_terminals = 8
    # gate-emitter short and leak and gate-collector short take the gate lead
    with_gates = at_terminals + 3
    # a switch that does not turn on, burst or not, takes a held gate
    with_holds = with_gates + 2
    assert [tier.shows for tier in cover.tiers] == [2 * at_terminals, 2 * with_gates, 2 * with_holds, 2 * with_holds]
    assert [tier.decided for tier in cover.tiers] == [tier.shows for tier in cover.tiers]
    assert cover.faults == 2 * (10 + 3)
    assert cover.in_place == cover.hidden_in_place == cover.hidden == ()


@pytest.mark.slow
def test_what_shows_differs_somewhere_and_what_is_hidden_nowhere(cooktop: Cover) -> None:
    """Forecast one by one, hidden faults read like a good board at every reachable place, most others do not."""
    board = cooktop.board
    hidden = cooktop.hidden_in_place
    shown = [fault for fault in list_faults(board) if fault not in hidden and board.parts[fault.part].when is None][::4]
    probings = reachable_probings(board)
    sets = [(), *([(fault, None)] for fault in (*hidden, *shown))]
    healthy, *damaged = forecast_each(board, METER, Setup(), probings, sets)
    rows = dict(zip((*hidden, *shown), damaged, strict=True))
    for fault in hidden:  # what settles at once and moves by 0.1 V or a third would have been told
        pairs = zip(rows[fault], healthy, strict=True)
        steady = [pair for pair in pairs if {pair[0].state, pair[1].state} == {"steady"}]
        assert not [one.probing for one, other in steady if differ(one, other, 0.1, 0.33)], str(fault)
    for fault in shown:
        assert any(differ(one, other, 0.015, 0.03) for one, other in zip(rows[fault], healthy, strict=True)), str(fault)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["single-switch-cooktop", "drive-module"])
def test_more_effort_never_tells_less(name: str) -> None:
    """With each further effort as many faults show or more, and as many are decided or more."""
    cover = cover_board(load_board(name), METER, Setup())
    assert [tier.effort for tier in cover.tiers] == list(EFFORTS)
    for before, after in zip(cover.tiers, cover.tiers[1:], strict=False):
        assert after.shows >= before.shows
        assert after.shows_share >= before.shows_share - 1e-12
        assert after.decided >= before.decided
    assert list(cover.readings) == sorted(cover.readings)
    assert all(tier.decided <= tier.shows <= cover.faults for tier in cover.tiers)
    assert set(cover.hidden) <= set(cover.hidden_in_place)
    assert cover.faults - cover.tiers[2].shows == len(cover.hidden_in_place)


def test_parts_in_parallel_are_never_told_apart(cooktop: Cover) -> None:
    """A short of the bus capacitor and one of the resistor across it are one group in place, and told by lifting."""
    group = next(group for group in cooktop.in_place if Fault("C_BUS", "short") in group.faults)
    assert Fault("R_DIS", "short") in group.faults
    assert cooktop.tiers[3].decided > cooktop.tiers[2].decided


def test_the_page_and_the_payload_agree(cooktop: Cover) -> None:
    """Both name the numbers of each effort, the groups, and what never shows."""
    text = plain_text(cover_page(cooktop))
    payload = cover_payload(cooktop)
    for tier in payload["tiers"]:
        assert f"{tier['shows']} (" in text
    assert len(payload["groups_in_place"]) == len(cooktop.in_place)
    assert {"part": "F_1", "mode": "high"} in payload["hidden"]  # milliohms: no meter of this kind shows them
    assert "Never shows in place" in text
    assert "F_1" in text.split("Not even with")[1]
