"""Groups of look-alikes in words."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.crowd import forecast_crowd
from bridge.faults import Fault
from bridge.forecast import forecast_each
from bridge.groupwords import group_words, packages_in_words
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Candidate, FaultGuess, Fit, Group, Ranking
from bridge.readings import Reading, load_readings, parse_readings
from tests.conftest import ROOT, Outcome

BOARD = load_board("six-switch-bridge")


def ranking_of(candidates: list[tuple[str, float]], *groups: Group, apart: bool = False) -> Ranking:
    """Return a ranking of hypotheses written as faults separated by a space; nothing in place tells them apart."""
    listed = []
    for text, probability in candidates:
        faults = tuple(FaultGuess(*word.split(":"), ohms=None) for word in text.split())
        listed.append(Candidate(faults, probability, 0))
    fit = Fit(True, None, 1.0, "")
    return Ranking(
        BOARD,
        load_meter(),
        Setup(),
        (),
        fit,
        tuple(listed),
        groups,
        (),
        (),
        told_apart={group.id: apart for group in groups},
    )


def group_of(probability: float, size: int, *replace: str, rest: bool = False) -> Group:
    """Return a group of the first candidates."""
    return Group(0, probability, size, tuple(range(size)), replace, rest)


def test_one_package() -> None:
    """A switch and its diode in one case are one package."""
    group = group_of(1.0, 2, "Q_VL")
    words = group_words(ranking_of([("Q_VL:ce-short", 0.7), ("D_VL:short", 0.3)], group), group)
    assert words == (
        "These readings cannot tell a shorted Q_VL from a shorted D_VL; nothing in place can: "
        "one package, replace it (Q_VL)"
    )


def test_sure_and_unsure() -> None:
    """What every member has is replaced in any case; the rest is worth a reading where one can tell."""
    candidates = [("Q_VL:ce-short RG_VL:open", 0.5), ("Q_VL:ce-short DRV_VL:open", 0.5)]
    group = group_of(1.0, 2, "DRV_VL", "Q_VL", "RG_VL")
    words = group_words(ranking_of(candidates, group, apart=True), group)
    assert words.endswith(
        "a further reading in place can: Q_VL in any case, and take it before you replace DRV_VL and RG_VL"
    )
    assert "a shorted Q_VL with an open RG_VL from a shorted Q_VL with an open DRV_VL" in words


def test_alone_and_healthy() -> None:
    """A group of one says so; a healthy board needs nothing."""
    alone = group_of(1.0, 1, "D_UH")
    assert group_words(ranking_of([("D_UH:open", 1.0)], alone), alone) == "Nothing else would look like an open D_UH"
    healthy = group_of(1.0, 2)
    words = group_words(ranking_of([("", 0.99), ("Q_UL:never-on", 0.01)], healthy), healthy)
    assert words == (
        "These readings cannot tell a healthy board from 1 rarer cause; nothing in place can: nothing need be replaced"
    )


def test_what_is_left_over_says_so() -> None:
    """The last group is no group of look-alikes, and its words do not claim it."""
    group = group_of(1e-5, 2, "D_UH", rest=True)
    words = group_words(ranking_of([("D_UH:open", 8e-7), ("D_UL:open", 7e-7)], group), group)
    assert words.startswith("What is left over: 2 possibilities")
    assert "cannot tell" not in words


@pytest.mark.parametrize("count", [6, 7, 40])
def test_long_lists_are_cut(count: int) -> None:
    """Six packages are named in full, more are counted: never a line of hundreds of characters."""
    words = packages_in_words(tuple(f"P_{number}" for number in range(count)))
    assert words.endswith("P_5" if count == 6 else f"P_4 and {count - 5} more")


def test_no_long_lines(command: Callable[..., Outcome], root: Path) -> None:
    """No line of the table of groups is wider than 200 characters."""
    done = command("rank", "six-switch-bridge", str(root / "examples/fan-drive/readings.csv"))
    assert "These readings cannot tell" in done.out
    table = done.out.split("Faults that look alike", 1)[1].split("\n\n", 1)[0]
    assert max(len(line) for line in table.splitlines()) <= 200


@cache
def fan_drive() -> Ranking:
    """Return the ranking of the fan drive's readings."""
    taken = load_readings(str(ROOT / "examples/fan-drive/readings.csv"), BOARD)
    return rank(BOARD, taken.meter, taken.setup, taken.readings)


@cache
def one_reading() -> Ranking:
    """Return a ranking that a single reading leaves wide open."""
    reading = Reading(0, Probing("U", "P"), "0.415", 0.415, "V", "steady")
    return rank(BOARD, load_meter(), Setup(), [reading])


@pytest.mark.parametrize("made", [fan_drive, one_reading])
def test_what_is_left_over_is_marked(made: Callable[[], Ranking]) -> None:
    """What is left over is no group of look-alikes, even where it is probable; each group's packages hold 98 %."""
    ranking = made()
    assert sum(group.rest for group in ranking.groups) <= 1
    for group in ranking.groups:
        members = [ranking.candidates[member] for member in group.members]
        assert group.rest == (max(one.probability for one in members) < 1e-4)
        inside = sum(
            one.probability
            for one in members
            if {BOARD.parts[guess.part].package for guess in one.faults} <= set(group.replace)
        )
        assert inside >= 0.98 * sum(one.probability for one in members) * (1 - 1e-9)


def test_crowd_agrees_with_one_by_one() -> None:
    """What a crowd reads is what each reads alone: settled displays to 0.1 digit, charging ones to 5 %."""
    ranking = fan_drive()
    places = [reading.probing for reading in ranking.readings]
    some = [*range(4), *range(2000, 2008)]
    hypotheses = [
        [(Fault(guess.part, guess.mode), guess.ohms) for guess in ranking.candidates[number].faults] for number in some
    ]
    bench = BOARD, ranking.meter, ranking.given_setup, places
    worst_settled, worst_moving = 0.0, 0.0
    for ours, theirs in zip(forecast_crowd(*bench, hypotheses), forecast_each(*bench, hypotheses), strict=True):
        for one, other in zip(ours, theirs, strict=True):
            for a, b in ((one.start, other.start), (one.end, other.end)):
                assert (a is None) == (b is None)
                worst_settled = max(worst_settled, away(a, b))
            if other.state == "steady":
                worst_settled = max(worst_settled, away(one.value, other.value))
            else:
                worst_moving = max(worst_moving, away(one.value, other.value))
    assert worst_settled < 1e-3
    assert worst_moving < 0.05


def away(one: float | None, other: float | None) -> float:
    """Return by which share two displays differ, beyond 0.3 mV or milliohm; 0 where one has just gone to OL."""
    if one is None or other is None:
        return 0.0
    return max(abs(one - other) - 3e-4, 0.0) / max(abs(other), 1e-9)


@pytest.mark.slow
def test_everything_listed(command: Callable[..., Outcome], root: Path) -> None:
    """``--top 0`` lists every candidate with what it predicts."""
    done = command("rank", "six-switch-bridge", str(root / "examples/fan-drive/readings.csv"), "--json", "--top", "0")
    found = json.loads(done.out)
    assert len(found["candidates"]) == sum(group["size"] for group in found["groups"])
    assert all(len(one["predicted"]) == len(found["readings"]) for one in found["candidates"])


def test_resistances_that_both_fit_are_one_group() -> None:
    """A gate that reads 44 Ω: a short in it, or a driver's output behind 22 Ω; nothing here tells which."""
    board, meter = load_board("six-switch-bridge"), load_meter()
    gates = [(f"G_{leg}{side}", f"E_{leg}{side}") for leg in "UVW" for side in "HL"]
    rows = [f"{red},{black},ohms,{'44.3' if red == 'G_UL' else '9.9k'}" for red, black in gates]
    text = "\n".join(["red,black,mode,reading", *rows, "U,P,diode,.42", "N,U,diode,.42"])
    ranking = rank(board, meter, Setup(), parse_readings(text.encode(), "sheet", board, meter).readings)
    groups = {tuple((one.part, one.mode) for one in entry.faults): entry.group for entry in ranking.candidates}
    assert groups[("DRV_UL", "low-short"),] == groups[("Q_UL", "ge-short"),] == 0
    assert {"DRV_UL", "Q_UL"} <= set(ranking.groups[0].replace)
