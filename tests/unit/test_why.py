"""The path of the meter's current, and the sentence about it."""

from __future__ import annotations

import pytest

from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.why import MeterPath, path_of, path_words, why_sentence

METER = load_meter()
BRIDGE = load_board("six-switch-bridge")


def path(board: Board, faults: str, probing: Probing, setup: Setup | None = None) -> MeterPath:
    """Return the path with faults written as one line."""
    return path_of(board, METER, setup or Setup(), [parse_fault(text, board) for text in faults.split()], probing)


def route(found: MeterPath) -> list[str]:
    """Return the parts of a path with its ends, as one reads it off a drawing."""
    return [found.steps[0].start, *(word for step in found.steps for word in (step.part, step.end))]


def test_a_forward_diode_carries_all() -> None:
    """From the minus to a phase the whole current goes through the low diode of that phase."""
    found = path(BRIDGE, "", Probing("N", "U"))
    assert route(found) == ["N", "D_UL", "U"]
    assert found.settled
    assert found.steps[0].share == pytest.approx(1.0, abs=1e-3)
    assert found.amps == pytest.approx(1e-3, rel=1e-3)


def test_a_short_carries_instead() -> None:
    """A shorted switch takes the current both ways, past its diode."""
    for probing in (Probing("N", "U"), Probing("U", "N")):
        found = path(BRIDGE, "Q_UL:ce-short", probing)
        assert [(step.part, step.slot) for step in found.steps] == [("Q_UL", "ce")]
        assert found.steps[0].share == pytest.approx(1.0, abs=1e-3)


def test_three_legs_share() -> None:
    """From minus to plus equal legs carry a third each of what the bleeder leaves: 0.749 V / 100 k of 1 mA."""
    found = path(BRIDGE, "", Probing("N", "P"))
    assert len(found.steps) == 2
    assert [step.share for step in found.steps] == pytest.approx([(1.0 - 0.00749) / 3] * 2, abs=2e-4)
    assert {step.part for step in found.besides} | {step.part for step in found.steps} == {
        f"D_{leg}{side}" for leg in "UVW" for side in "HL"
    }


def test_a_held_gate_opens_the_channel() -> None:
    """With its gate held up, the switch's own channel carries; with a dead channel nothing but the bleeder does."""
    held = Probing("U", "N", hold=(Hold("UL", 12.0),))
    assert [step.slot for step in path(BRIDGE, "", held).steps] == ["channel"]
    assert "channel" not in [step.slot for step in path(BRIDGE, "Q_UL:never-on", held).steps]


def test_what_only_charges_is_found_at_the_first_instant() -> None:
    """Where nothing conducts in the end, the path is that of the charging current."""
    found = path(load_board("half-bridge-cooktop"), "", Probing("MID", "N"))
    assert not found.settled
    assert found.steps[0].part.startswith("C_SNB")
    assert "only while capacitors charge" in path_words(load_board("half-bridge-cooktop"), found)


def test_nothing_conducts_to_an_island() -> None:
    """A lead that nothing joins has no path."""
    found = path(load_board("drive-module"), "", Probing("PE", "U"))
    assert found.steps == ()
    assert path_words(load_board("drive-module"), found) == "nothing conducts between the leads"


def test_a_reversed_meter_drives_the_other_way() -> None:
    """A needle meter drives its current out of the black lead."""
    found = path_of(BRIDGE, load_meter("moving-needle"), Setup(), (), Probing("U", "N"))
    assert route(found) == ["N", "D_UL", "U"]


def test_sentences() -> None:
    """A sentence names the fault, its path and reading, and those of a good board."""

    def say(fault: str, probing: Probing) -> str:
        return why_sentence(BRIDGE, METER, Setup(), [parse_fault(fault, BRIDGE)] if fault else [], probing)

    assert say("Q_UL:ce-short", Probing("N", "U")) == (
        "With Q_UL (collector-emitter short) the current goes from N through the short in Q_UL to U and the meter "
        "reads about 0.000 V; on a good board the current goes from N through D_UL to U and the meter reads about "
        "0.420 V."
    )
    assert say("Q_UL:ce-short", Probing("U", "P")).endswith("just as on a good board: this reading says nothing of it.")
    assert "nothing conducts between the leads and the meter reads OL" in say("D_UL:open", Probing("N", "U"))
    assert say("", Probing("N", "U")).startswith("On a good board the current goes from N through D_UL to U")
    assert "only a trickle" in say("", Probing("P", "U"))
