"""Batches of spares, from the file to the verdicts."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.meter import load_meter
from bridge.spares import Batch, judge_spares, load_spares
from bridge.switchpart import load_part
from tests.conftest import Outcome

HEADER = "part,ge,eg,gc,cg,ce,ec,charged\n"
ROWS = (
    "A1,OL,OL,OL,OL,OL,0.431,OL\n"
    "A2,OL,OL,OL,OL,OL,0.428,OL\n"
    "A3,OL,OL,OL,OL,0.002,0.002,0.002\n"
    "A4,OL,OL,OL,OL,OL,0.502,OL\n"
    "A5,OL,OL,OL,OL,OL,0.433,OL\n"
)


def written(folder: Path, text: str) -> str:
    """Return the path of a file with this text."""
    path = folder / "spares.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def judged(folder: Path, text: str) -> Batch:
    """Return a batch of the usual part under the usual meter."""
    part, meter = load_part(), load_meter()
    return judge_spares(part, meter, load_spares(written(folder, text), part, meter))


def test_good_suspect_and_bad_are_told(tmp_path: Path) -> None:
    """A shorted one is bad, one whose drop is 70 mV off the others suspect, the rest good; the match is by hand."""
    batch = judged(tmp_path, HEADER + ROWS)
    assert [spare.verdict for spare in batch.spares] == ["good", "good", "bad", "suspect", "good"]
    assert "short" in batch.spares[2].reasons[0]
    match = batch.matches[0]
    # the bad one does not count: 0.428 0.431 0.433 0.502, whose middle is 0.432
    assert (match.step, match.count) == ("ec", 4)
    assert match.median == pytest.approx(0.432)
    assert match.span == pytest.approx(0.074)
    assert batch.spares[3].reasons[0] == "ec is +70 mV off the others"
    assert batch.spares[0].deviation["ec"] == pytest.approx(-0.001)


def test_two_that_differ_do_not_accuse_each_other(tmp_path: Path) -> None:
    """Of two parts nobody knows which is the odd one."""
    batch = judged(tmp_path, "part;ec\nA;0,43\nB;0,52\n")
    assert batch.matches == ()
    assert [spare.verdict for spare in batch.spares] == ["good", "good"]


@pytest.mark.slow
def test_the_command_answers_people_and_programs(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The page counts them and the JSON lists them with reasons and match."""
    path = written(tmp_path, HEADER + ROWS)
    page = command("rig", "--spares", path)
    assert (page.status, page.err) == (0, "")
    assert page.out.startswith("5 of IGBT 600 V 30 A with antiparallel diode: 3 good, 1 suspect, 1 bad.")
    assert "This meter cannot turn this switch on" in page.out
    answer = json.loads(command("rig", "--spares", path, "--json").out)
    assert [spare["verdict"] for spare in answer["spares"]] == ["good", "good", "bad", "suspect", "good"]
    assert answer["turns_on"] is False
    assert answer["matches"][0]["count"] == 4


def test_the_command_judges_one(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Without a file --loose lists the steps; with one it says good or bad first."""
    plain = command("rig", "--loose", "--meter", "high-compliance")
    assert plain.status == 0
    assert "it turns on" in plain.out
    path = tmp_path / "one.csv"
    path.write_text("step,reading\nce,0.003\nec,0.003\n", encoding="utf-8")
    assert "\nBad, good with 0." in command("rig", "--loose", "--readings", str(path)).out
    answer = json.loads(command("rig", "--loose", "--readings", str(path), "--json").out)
    assert answer["verdict"] == "bad"
    assert [step["step"] for step in answer["steps"]][:2] == ["ge", "eg"]


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("part,ec\n", "no reading in any row"),
        ("part,ec\nA,\n", "no reading in any row"),
        ("part,ec\nA,0.4\nA,0.4\n", "line 3: 'A' is there twice, first in line 2"),
        ("part,ec\n,0.4\n", "line 2: no name"),
        ("part,ec\nA,412\n", "line 2, ec: "),
        ("part,ec\nA,what\n", "line 2, ec: 'what'"),
        ("part,xy\nA,0.4\n", "line 1: column 'xy'; accepted: part, ge, eg"),
    ],
)
def test_a_bad_batch_is_refused(text: str, problem: str, command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Each slip is one line with its place, and status 2."""
    outcome = command("rig", "--spares", written(tmp_path, text))
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert problem in outcome.err


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("--loose", "--supply", "12"), "--supply: there is no lamp"),
        (("--spares", "x.csv", "--lamp", "12x5"), "--lamp: there is no lamp"),
        (("--meter", "handheld"), "--meter: the lamp needs no meter"),
        (("--spares", "x.csv", "--loose"), "--spares: there together"),
        (("--loose", "--meter", "nobody"), "--meter: no meter 'nobody'"),
        (("--loose", "--part", "nobody"), "--part: no part 'nobody'"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    arguments: tuple[str, ...], problem: str, command: Callable[..., Outcome]
) -> None:
    """An option that would be ignored is refused instead."""
    outcome = command("rig", *arguments)
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert outcome.err.startswith(f"bridgefault: {problem}")


def test_a_bad_step_is_refused(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A step nobody knows is named with its line and those there are."""
    path = tmp_path / "one.csv"
    path.write_text("step,reading\nxx,0.4\n", encoding="utf-8")
    outcome = command("rig", "--loose", "--readings", str(path))
    assert outcome.status == 2
    assert "line 2, step: 'xx'; accepted: ge, eg, gc, cg, ce, ec, charged, again" in outcome.err
