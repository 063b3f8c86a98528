"""Answers for people: the verdict first, in plain words, with how sure it is."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.layout import Page, Table, plain_text
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.ranking import Candidate, FaultGuess, Fit, Group, Ranking, SetupBelief
from bridge.rankingpage import ranking_page
from bridge.readings import parse_readings
from bridge.units import percent
from tests.conftest import Outcome

BOARD = load_board("six-switch-bridge")
METER = load_meter("handheld")
READINGS = parse_readings(
    b"red,black,mode,reading,hold\nN,U,diode,0.002,\nU,N,diode,0.9,\nP,U,diode,OL,UH@12\n", "readings.csv", BOARD, METER
).readings

GOOD = parse_readings(b"red,black,mode,reading\nN,U,diode,0.41\nU,N,diode,OL\n", "good.csv", BOARD, METER).readings

SHORT = (FaultGuess("Q_UL", "ce-short", 0.33508),)
DIODE = (FaultGuess("D_UL", "short", 0.2),)
OTHER = (FaultGuess("Q_VH", "ge-leak", 4700.0),)
BOTH = (FaultGuess("Q_UH", "burst", None), FaultGuess("Q_UL", "ce-short", 0.5))


def ranking(
    *candidates: tuple[tuple[FaultGuess, ...], float, int],
    fit: Fit | None = None,
    setup: tuple[SetupBelief, ...] = (SetupBelief("as-stated", 1.0),),
) -> Ranking:
    """Return a ranking with the given faults, their probabilities and groups."""
    members: dict[int, list[int]] = {}
    for index, (_, _, group) in enumerate(candidates):
        members.setdefault(group, []).append(index)
    groups = tuple(
        Group(
            id=number,
            probability=sum(candidates[index][1] for index in members[number]),
            size=len(members[number]),
            members=tuple(members[number]),
            replace=("Q_UL",),
        )
        for number in sorted(members)
    )
    return Ranking(
        board=BOARD,
        meter=METER,
        given_setup=Setup(),
        readings=READINGS,
        fit=fit or Fit(True, None, 0.5, "the readings fit"),
        candidates=tuple(Candidate(faults, chance, group) for faults, chance, group in candidates),
        groups=groups,
        told_apart={number: number == 0 for number in members},
        parts=(),
        setup=setup,
    )


def verdict(page: Page) -> str:
    """Return the first paragraph of a page."""
    first = page[0]
    assert isinstance(first, str)
    return first


def table(page: Page, title: str) -> Table:
    """Return the table of a page whose title starts like this."""
    return next(block for block in page if isinstance(block, Table) and block.title.startswith(title))


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (1.0, ">99 %"),
        (0.9951, ">99 %"),
        (0.9949, "99 %"),
        (0.5, "50 %"),
        (0.1, "10 %"),
        (0.0994, "9.9 %"),
        (0.012, "1.2 %"),
        (0.0005, "0.1 %"),
        (0.0004, "<0.1 %"),
        (0.0, "<0.1 %"),
    ],
)
def test_percentages_never_claim_certainty(probability: float, words: str) -> None:
    """A probability is rounded to two digits and is never called 100 % or 0 %."""
    assert percent(probability) == words


def test_verdict_names_the_package_and_adds_up_its_faults() -> None:
    """Switch and diode in one case are one thing to replace: 60 % and 30 % make 90 %."""
    words = verdict(ranking_page(ranking((SHORT, 0.6, 0), (DIODE, 0.3, 0), (OTHER, 0.1, 1)), 20))
    assert words.startswith("Replace Q_UL (low-side switch of leg U, 90 %).")
    assert "Nothing else need be bad (90 %)." in words
    assert "Not ruled out besides: Q_VH (high-side switch of leg V, 10 %)." in words


def test_verdict_of_two_bad_packages() -> None:
    """Where two packages are each more likely bad than good, both are to be replaced."""
    words = verdict(ranking_page(ranking((BOTH, 0.8, 0), (SHORT, 0.2, 0)), 20))
    assert words.startswith(
        "Replace Q_UL (low-side switch of leg U, >99 %) and Q_UH (high-side switch of leg U, 80 %)."
    )


def test_verdict_of_one_fault_in_two_places() -> None:
    """Where one of two packages is bad and nothing tells which, that is said; two that are bad together are a pair."""
    rival, both = (FaultGuess("Q_UH", "ce-short", 0.3),), (*SHORT, FaultGuess("Q_UH", "ce-short", 0.3))
    alike = (SHORT, 0.4, 0), (rival, 0.4, 0), (both, 0.2, 0)
    told_apart = ranking(*alike)
    whole = dataclasses.replace(told_apart, told_apart={0: False})
    two = "One of Q_UH (high-side switch of leg U, 60 %) and Q_UL (low-side switch of leg U, 60 %) is bad, perhaps both"
    # 40 % alone and 20 % together are 60 % each
    assert verdict(ranking_page(whole, 20)).startswith(
        f"{two}; these readings cannot tell which: replace both. Nothing else need be bad (>99 %)."
    )
    assert "cannot tell which: take a further reading that tells them apart, or replace both." in verdict(
        ranking_page(told_apart, 20)
    )
    unfit = dataclasses.replace(whole, fit=Fit(False, 0, 1e-6, "no"))
    assert f"{two}; these readings cannot tell which: suspect both, but do not replace yet." in " ".join(
        block for block in ranking_page(unfit, 20) if isinstance(block, str)
    )
    pair = verdict(ranking_page(ranking((both, 0.5, 0), (SHORT, 0.25, 0), (rival, 0.25, 0)), 20))
    assert pair.startswith("Replace Q_UH (high-side switch of leg U, 75 %) and Q_UL (low-side switch of leg U, 75 %).")
    beside = (FaultGuess("Q_VH", "ge-leak", 4700.0),)
    sure = verdict(ranking_page(ranking(*((faults + beside, chance, 0) for faults, chance, _ in alike)), 20))
    assert sure.startswith("Replace Q_VH (high-side switch of leg V, >99 %). One of Q_UH")


def test_parallel_switches_are_one_fault_in_two_places(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Of two switches in parallel a meter sees one short across both (the wiring of the board), and rank says so."""
    sheet = tmp_path / "r.csv"
    sheet.write_text("red,black,mode,reading\nA,N,diode,0.001\nN,A,diode,0.001\n", encoding="utf-8")
    told = command("rank", "full-bridge-welder", str(sheet)).out
    assert re.search(
        r"One of Q_AL_[12] \(.*\) and Q_AL_[12] \(.*\) is bad, perhaps both; these readings cannot tell which: replace",
        told,
    )


def test_verdict_where_what_is_bad_explains_too_little() -> None:
    """Where most of what is likely takes another bad part beside the sure one, that is said, and which it may be."""
    first, second = (*SHORT, *OTHER), (*SHORT, FaultGuess("Q_WH", "ge-leak", 4700.0))
    words = verdict(ranking_page(ranking((first, 0.45, 0), (second, 0.45, 0), (SHORT, 0.1, 1)), 20))
    assert words == (
        "Replace Q_UL (low-side switch of leg U, >99 %). Most likely something else is bad, too (90 %). It may be "
        "Q_VH (high-side switch of leg V, 45 %) or Q_WH (high-side switch of leg W, 45 %)."
    )


def test_verdict_of_a_healthy_board() -> None:
    """Readings of a healthy board condemn nothing."""
    good = dataclasses.replace(ranking(((), 0.8, 0), (SHORT, 0.2, 1)), readings=GOOD)
    words = verdict(ranking_page(good, 20))
    assert words == "These readings are what a healthy board gives (80 %); they condemn nothing."


def test_no_verdict_from_too_few_readings() -> None:
    """Where nothing is more likely bad than good, nothing is condemned, and the favourites are named."""
    words = verdict(ranking_page(ranking((SHORT, 0.4, 0), (OTHER, 0.35, 0), ((), 0.25, 1)), 20))
    assert words.startswith("Not decided yet, more readings are needed: a healthy board is at 25 %.")
    assert "It may be Q_UL (low-side switch of leg U, 40 %) or Q_VH (high-side switch of leg V, 35 %)." in words
    assert "Replace" not in words


def test_nothing_shown_to_be_wrong() -> None:
    """Where a good board gives the readings as well as what leads, that is said, and what they leave open."""
    good = dataclasses.replace(ranking(((), 0.3, 0), (OTHER, 0.4, 1), (SHORT, 0.3, 0)), readings=GOOD)
    words = verdict(ranking_page(good, 20))
    assert words.startswith("Nothing is shown to be wrong: a good board gives these readings too.")
    assert "Still possible: Q_VH (high-side switch of leg V, 40 %)" in words
    words = verdict(ranking_page(ranking(((), 0.3, 1), (OTHER, 0.4, 0), (SHORT, 0.3, 2)), 20))
    assert words.startswith("Not decided yet")


def test_a_healthy_board_that_does_not_fit_is_not_said_to_give_the_readings() -> None:
    """Where nothing fits, a healthy leader condemns nothing, and is not said to explain anything."""
    page = ranking_page(ranking(((), 0.8, 0), (SHORT, 0.2, 1), fit=Fit(False, 1, 1e-9, "nothing fits")), 20)
    words = " ".join(entry for entry in page if isinstance(entry, str))
    assert "They condemn no part: of what is modelled a healthy board comes nearest (80 %)." in words
    assert "what a healthy board gives" not in words


def test_nothing_is_condemned_where_nothing_fits() -> None:
    """Where no modelled fault explains the readings, that is said first, and nothing is to be replaced yet."""
    page = ranking_page(ranking((SHORT, 1.0, 0), fit=Fit(False, 1, 1e-9, "nothing fits")), 20)
    assert verdict(page).startswith("None of the modelled faults explains these readings")
    assert "take the reading named below again" in verdict(page)
    words = [entry for entry in page if isinstance(entry, str)]
    assert any(entry.startswith("Suspect, but do not replace yet, Q_UL") for entry in words)
    assert not any(entry.startswith("Replace") for entry in words)


def test_the_bench_is_checked_first() -> None:
    """Where the leads were more likely swapped than not, that comes before any part."""
    beliefs = (SetupBelief("leads-swapped", 0.7), SetupBelief("as-stated", 0.3))
    page = ranking_page(ranking((SHORT, 1.0, 0), setup=beliefs), 20)
    assert verdict(page).startswith("Check the bench before condemning a part: it looks as if the leads were swapped")
    assert "do not replace yet" in verdict(page)
    assert not any(isinstance(entry, str) and entry.startswith("Check the bench too") for entry in page)


def test_a_doubt_about_the_bench_is_mentioned() -> None:
    """A less likely slip of the bench is mentioned below the tables."""
    beliefs = (SetupBelief("as-stated", 0.7), SetupBelief("bus-charged", 0.3))
    page = ranking_page(ranking((SHORT, 1.0, 0), setup=beliefs), 20)
    assert "Check the bench too: it may be that charge was left on the bus (30 %)." in page
    assert verdict(page).startswith("Replace")


def test_rows_say_part_fault_and_what_looks_the_same() -> None:
    """A row has probability, parts, the fault in words with its resistance to two digits, and its look-alikes."""
    page = ranking_page(ranking((SHORT, 0.6, 0), (BOTH, 0.3, 0), (OTHER, 0.1, 1)), 20)
    assert table(page, "What explains").rows == (
        ("1", "60 %", "Q_UL", "collector-emitter short, about 0.34 \N{GREEK CAPITAL LETTER OMEGA}", "row 2"),
        (
            "2",
            "30 %",
            "Q_UH and Q_UL",
            "burst, main path open; collector-emitter short, about 0.5 \N{GREEK CAPITAL LETTER OMEGA}",
            "row 1",
        ),
        ("3", "10 %", "Q_VH", "gate-emitter leak, about 4.7 k\N{GREEK CAPITAL LETTER OMEGA}", "nothing else"),
    )


def test_look_alikes_that_are_not_listed_are_counted() -> None:
    """Look-alikes beyond the listing, and beyond three, are counted."""
    same = [(SHORT, 0.2, 0), (DIODE, 0.2, 0), (OTHER, 0.2, 0), (BOTH, 0.2, 0), ((), 0.2, 0)]
    rows = table(ranking_page(ranking(*same), 5), "What explains").rows
    assert rows[0][4] == "rows 2, 3, 4 and 1 more"
    assert table(ranking_page(ranking(*same), 1), "What explains").rows[0][4] == "4 not listed"
    assert "4 more possibilities share 80 %; --top 0 lists them all." in ranking_page(ranking(*same), 1)


def test_rows_of_hardly_any_probability_are_counted_unless_asked_for() -> None:
    """Rows under one percent are left out by default, and listed where a number of rows was asked for."""
    found = ranking((SHORT, 0.9999, 0), (OTHER, 0.0001, 1))
    assert len(table(ranking_page(found, 20), "What explains").rows) == 1
    assert len(table(ranking_page(found, 20, every_row=True), "What explains").rows) == 2


def test_the_worst_reading_is_named_for_a_recheck() -> None:
    """The reading that fits worst is named with its line, its leads, what it says and what was to be expected."""
    page = ranking_page(ranking((SHORT, 1.0, 0), fit=Fit(True, 1, 0.5, "x")), 20)
    worst = next(block for block in page if isinstance(block, str) and block.startswith("Fits worst"))
    # 1 mA through 0.335 ohm and 0.2 ohm of leads: half a millivolt
    assert worst == (
        "Fits worst: line 3, red U black N in diode mode; it says 0.9, row 1 would read 0.001 V. Take it again."
    )


def test_a_held_gate_belongs_to_the_reading() -> None:
    """A reading taken with a held gate is named with it."""
    page = ranking_page(ranking((SHORT, 1.0, 0), fit=Fit(True, 2, 0.5, "x")), 20)
    assert any(
        "red P black U in diode mode, holding UH@12; it says OL" in block for block in page if isinstance(block, str)
    )


def test_cautions_come_last_and_are_short() -> None:
    """Every verdict ends with the cautions: discharged before, staged after."""
    last = ranking_page(ranking((SHORT, 1.0, 0)), 20)[-1]
    assert isinstance(last, str)
    assert "discharged through a resistor" in last
    assert "in stages" in last
    assert len(last.split()) < 60


def test_mosfets_have_drains_and_sources() -> None:
    """On a board of MOSFETs, faults are told with drain and source; no collector or emitter is mentioned."""
    board = load_board("six-switch-sic")
    found = dataclasses.replace(
        ranking((SHORT, 0.5, 0), ((FaultGuess("Q_UL", "ge-leak", 4700.0),), 0.3, 0), (BOTH, 0.2, 0)), board=board
    )
    words = plain_text(ranking_page(found, 20))
    assert "drain-source short" in words
    assert "gate-source leak" in words
    assert "emitter" not in words
    assert "collector" not in words


def test_a_die_is_named_with_its_package() -> None:
    """A diode in the case of its transistor is told with what has to be unsoldered; a transistor by itself."""
    words = plain_text(ranking_page(ranking((DIODE, 0.6, 0), (SHORT, 0.4, 0)), 20))
    cells = [re.split(r" {2,}", line.strip()) for line in words.splitlines()]
    assert [row[2] for row in cells if row[0] in ("1", "2") and len(row) > 3] == ["D_UL (in Q_UL)", "Q_UL"]


def test_a_load_left_connected_is_named_while_parts_are_undecided() -> None:
    """With the motor on, three legs read alike: until one package is sure the page says to take it off."""
    many = ranking((SHORT, 0.6, 0), (OTHER, 0.4, 1))
    joined = dataclasses.replace(many, given_setup=Setup(connected=frozenset({"motor"})))
    assert "The motor was connected: terminals joined by it read alike" in plain_text(ranking_page(joined, 10))
    assert "was connected" not in plain_text(ranking_page(many, 10))
    sure = dataclasses.replace(ranking((SHORT, 0.97, 0)), given_setup=Setup(connected=frozenset({"motor"})))
    assert "was connected" not in plain_text(ranking_page(sure, 10))


def test_what_was_seen_against_the_readings_is_told() -> None:
    """Where the readings clear a part at which something was seen, that is said beside what was counted in."""
    seen = dataclasses.replace(ranking((SHORT, 0.9, 0), ((), 0.1, 1)), seen=("D_VH open", "bang"))
    text = plain_text(ranking_page(seen, 20))
    assert "Counted in before any reading: D_VH open, bang." in " ".join(text.split())
    assert "The readings speak against D_VH open: <0.1 % is left for Q_VH to be bad." in " ".join(text.split())
    agreed = dataclasses.replace(seen, seen=("Q_UL cracked",))
    assert "speak against" not in plain_text(ranking_page(agreed, 20))


def test_a_reading_no_good_board_gives_is_not_called_healthy() -> None:
    """Where the healthy board leads by its prior alone, what it does not read is named, to be taken again."""
    readings = parse_readings(b"red,black,mode,reading\nGD_UL,G_UL,ohms,OL\n", "r", BOARD).readings
    words = " ".join(plain_text(ranking_page(rank(BOARD, METER, Setup(), readings), 5)).split())
    assert "a good board gives these readings too" not in words
    assert "it does not read so at GD_UL to G_UL. A bad contact may; take that again" in words
