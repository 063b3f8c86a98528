"""``bridgefault rig`` as people and programs meet it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Outcome

STATE = {"fault", "button", "gate_volts", "lamp_volts", "switch_volts", "lamp_amps"}


def test_json_has_what_it_promises(command: Callable[..., Outcome]) -> None:
    """One line of JSON with gate volts, cautions, states and candidates; a good switch obeys the button."""
    outcome = command("rig", "--supply", "12", "--lamp", "12x5", "--series", "1k", "--pull-down", "10k", "--json")
    assert (outcome.status, outcome.err, outcome.out.count("\n")) == (0, "", 1)
    answer = json.loads(outcome.out)
    assert answer["gate_volts"] == pytest.approx(12.0 / 1.1, abs=0.03)
    assert answer["cautions"]
    assert answer["candidates"] == []
    assert all(set(state) >= STATE for state in answer["states"])
    good = [state for state in answer["states"] if state["fault"] == "good" and state["connection"] == "right"]
    assert [(state["button"], state["lamp"]) for state in good] == [
        ("released", "off"),
        ("pressed", "on"),
        ("after", "off"),
    ]
    assert {state["fault"] for state in answer["states"]} >= {"Q_L:ce-short", "Q_L:never-on", "Q_L:ge-leak", "D_L:open"}


def test_a_page_says_values_states_and_cautions(command: Callable[..., Outcome]) -> None:
    """A person reads the values, a row for each fault, and what to mind."""
    outcome = command("rig", "--supply", "24")
    assert outcome.status == 0
    assert "Proposed, since not given: lamp 24 V 5 W; 10 k" in outcome.out
    assert "switch does not turn on" in outcome.out
    assert "good, connected the wrong way round" in outcome.out
    assert outcome.out.index("Tie gate to emitter") < outcome.out.index("What the lamp does")


def test_loose_cautions_come_before_the_steps(command: Callable[..., Outcome]) -> None:
    """Who reads the first step has read of static before it."""
    page = command("rig", "--loose").out
    assert 0 <= page.index("ruined by static") < page.index("Readings, in this order")


@pytest.mark.slow
def test_what_was_seen_is_ranked(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A lamp that burns without the button is a shorted switch, in words and in JSON."""
    seen = tmp_path / "seen.csv"
    seen.write_text("button,lamp\nreleased,on\npressed,on\nafter,on\n", encoding="utf-8")
    outcome = command("rig", "--readings", str(seen))
    assert outcome.status == 0
    assert "\nBad: " in outcome.out
    answer = json.loads(command("rig", "--readings", str(seen), "--json").out)
    assert sum(candidate["probability"] for candidate in answer["candidates"]) == pytest.approx(1.0)
    assert answer["candidates"][0]["faults"][0]["mode"].endswith("short")


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("--supply", "40", "--series", "1k", "--pull-down", "10k"), "--supply: 36.36 V at the gate"),
        (("--supply", "twelve"), "--supply: 'twelve'"),
        (("--supply", "12 ohm"), "--supply: '12 ohm' is in ohm; accepted: V"),
        (("--supply", "230"), "--supply: 230 V; accepted: 3 to 60 V"),
        (("--lamp", "bulb"), "--lamp: 'bulb'"),
        (("--series", "1V"), "--series: "),
        (("--part", "bc547"), "--part: no part 'bc547'; accepted: igbt-600v-30a"),
        (("--part", "./nowhere.toml"), "--part: ./nowhere.toml: no such file"),
        (("--readings", "nowhere.csv"), "nowhere.csv: no such file"),
    ],
)
def test_slips_are_one_line(arguments: tuple[str, ...], problem: str, command: Callable[..., Outcome]) -> None:
    """Each slip ends with status 2 and one line that names its place."""
    outcome = command("rig", *arguments)
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert outcome.err.startswith(f"bridgefault: {problem}")
