"""More than two faults: sets grown from the best pairs."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest

from bridge.belief import log_evidence_of_all
from bridge.board import load_board
from bridge.evidence import refine, screen
from bridge.faults import Fault, parse_fault
from bridge.faultspace import build_space
from bridge.forecast import default_probings, forecast
from bridge.growth import GrownSets
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading, parse_readings
from bridge.survivors import Survivors
from bridge.table import table_of
from tests.physics.benchboards import bare_bridge, make_board, resistor

METER = load_meter()
LOW = {"UH": "U", "UL": "N", "VH": "V", "VL": "N", "WH": "W", "WL": "N"}
BENCH = make_board(
    "P N U V W " + " ".join(f"G_{pos} E_{pos}={net}" for pos, net in LOW.items()),
    bare_bridge("UVW"),
    *(resistor(f"RGE_{pos}", f"G_{pos}", net, 1e4) for pos, net in LOW.items()),
    resistor("R_BLEED", "P", "N", 1e5),
)


def read_bench(faults: Sequence[str]) -> list[Reading]:
    """Return what the meter shows on the bench's board, rounded to its digits.

    Each gate is read both ways: of one odd number alone a slip is as likely as a further fault.
    """
    readings = []
    places = default_probings(BENCH)
    places = (*places, *(one.swapped for one in places if one.mode == "ohms"))
    for one in forecast(BENCH, METER, Setup(), places, [parse_fault(text, BENCH) for text in faults]):
        probing = one.probing
        value = None if one.value is None else METER.display(probing.mode, probing.range_name, one.value)
        readings.append(Reading(0, probing, "", value, one.unit, "OL" if value is None else "steady", discharged=True))
    return readings


@cache
def ranked(*faults: str) -> Ranking:
    """Return the ranking of noise-free readings."""
    return rank(BENCH, METER, Setup(), read_bench(faults))


def names(ranking: Ranking, place: int = 0) -> set[str]:
    """Return a candidate's faults as PART:MODE."""
    return {f"{guess.part}:{guess.mode}" for guess in ranking.candidates[place].faults}


@pytest.mark.slow
def test_three_unrelated_faults() -> None:
    """Three faults in three legs, each with a number that no pair explains, are named together, and they fit."""
    ranking = ranked("Q_UH:ge-leak:500", "Q_VL:ce-short:0.3", "Q_WH:ge-short:8")
    assert {"Q_UH", "Q_VL"} <= {one.part for one in ranking.parts[:3]}
    assert ranking.parts[2].probability > 0.5
    first = next(place for place, one in enumerate(ranking.candidates) if len(one.faults) == 3)
    assert names(ranking, first) == {"Q_UH:ge-leak", "Q_VL:ce-short", "Q_WH:ge-short"}
    assert ranking.candidates[first].group == 0
    assert ranking.fit.ok


@pytest.mark.slow
def test_eight_faults() -> None:
    """Eight parts that each leave a number of their own are all found."""
    planted = [
        *("Q_UH:ge-leak:500", "Q_UL:ge-leak:900", "Q_VH:ge-leak:2k", "Q_VL:ge-leak:700"),
        *("Q_WH:ge-leak:300", "Q_WL:ge-leak:1.5k", "D_VL:short:0.4", "D_WH:short:0.4"),
    ]
    ranking = ranked(*planted)
    suspects = {one.part for one in ranking.parts[:8]}
    assert suspects == {fault.partition(":")[0] for fault in planted}
    assert all(one.probability > 0.9 for one in ranking.parts[:8])
    assert ranking.fit.ok


@pytest.mark.slow
def test_resistances_are_fitted() -> None:
    """Three shorts at gates get resistances within a tenth of what was planted."""
    ranking = ranked("Q_UL:ge-short:8", "Q_VL:ge-short:3", "Q_WL:ge-short:20")
    first = next(one for one in ranking.candidates if len(one.faults) == 3)
    fitted = {guess.part: guess.ohms for guess in first.faults}
    assert fitted == {
        "Q_UL": pytest.approx(8.0, rel=0.1),
        "Q_VL": pytest.approx(3.0, rel=0.1),
        "Q_WL": pytest.approx(20.0, rel=0.1),
    }


@pytest.mark.slow
def test_probabilities_are_over_everything() -> None:
    """Healthy, singles, pairs and larger sets share one, each set listed once."""
    ranking = ranked("Q_UL:all-short:0.5", "Q_UH:all-short:0.5")
    assert sum(one.probability for one in ranking.candidates) == pytest.approx(1.0)
    sets = [tuple((guess.part, guess.mode) for guess in one.faults) for one in ranking.candidates]
    assert len(sets) == len(set(sets))
    assert () in sets
    assert any(len(one) > 2 for one in sets)
    assert sum(group.size for group in ranking.groups) == len(sets)


@pytest.mark.slow
def test_what_leaves_no_trace_follows_the_prior() -> None:
    """A further fault that no reading can see is as much rarer than none as the prior says.

    A dead channel is invisible without a held gate, so the ratio of the two posteriors is the ratio of the two priors.
    """
    ranking = ranked("Q_UL:all-short:0.5", "Q_UH:all-short:0.5")
    probability = {
        frozenset(f"{guess.part}:{guess.mode}" for guess in one.faults): one.probability for one in ranking.candidates
    }
    priors = build_space(BENCH, Setup()).priors
    pair = ("Q_UH:all-short", "Q_UL:all-short")
    unseen = [f"Q_{position}:never-on" for position in ("VH", "VL", "WH", "WL")]
    checked = 0
    for fault in unseen:
        more = frozenset((*pair, fault))
        if more in probability:
            hypotheses = [tuple(sorted(Fault(*text.split(":")) for text in one)) for one in (more, frozenset(pair))]
            expected = np.exp(priors.log_prior(hypotheses[0]) - priors.log_prior(hypotheses[1]))
            found = probability[more] / probability[frozenset(pair)]
            # pairs are summed over severity nodes, larger sets by Laplace's approximation: a nat between them at most
            assert abs(np.log(found / expected)) < 1.0
            checked += 1
    assert checked


@pytest.mark.slow
def test_a_fuse_saves_the_other_switch() -> None:
    """Shorted switch, its gate resistor and the fuse: nothing indicts the other switch, and the three alone lead."""
    rows = (
        ("AC2", "P", "diode", "0.36"),
        ("AC1", "P", "diode", "OL"),
        ("N", "AC2", "diode", "0.358"),
        ("N", "AC1", "diode", "OL"),
        ("N", "MID", "diode", "0.001"),
        ("MID", "P", "diode", "0.42"),
        ("MID", "N", "diode", "0"),
        ("P", "MID", "diode", "OL"),
        ("G_H", "E_H", "ohms", "9.9k"),
        ("G_L", "E_L", "ohms", "10.1k"),
        ("AC1", "AC2", "ohms", "OL"),
        ("GD_L", "N", "ohms", "1M"),
    )
    board, meter = load_board("half-bridge-cooktop"), load_meter()
    text = "red,black,mode,reading\n" + "".join(f"{','.join(row)}\n" for row in rows)
    ranking = rank(board, meter, Setup(), parse_readings(text.encode(), "sheet", board, meter).readings)
    leader = ranking.candidates[0]
    assert [guess.part for guess in leader.faults] == ["F_1", "Q_L", "RG_L"]
    assert leader.probability > 0.5


def test_pairs_weighed_again_count_once() -> None:
    """In the evidence of all there is, a pair that growth weighed again is not there twice, and a larger set is."""
    space = build_space(BENCH, Setup())
    table = table_of(space, METER, read_bench(["Q_VL:ce-short:0.3"])[:4])
    models = model_readings(read_bench(["Q_VL:ce-short:0.3"])[:4], METER)
    survivors = refine(table, models, screen(table, models))
    two, three = (0, 50), (0, 50, 90)
    rows = dataclasses.replace(
        survivors, **{one.name: getattr(survivors, one.name)[:2] for one in dataclasses.fields(Survivors)}
    )
    alone = log_evidence_of_all(survivors, None)
    grown = GrownSets(sets=(two, three), ohms=((np.nan, np.nan), (np.nan, np.nan, np.nan)), survivors=rows)
    both = np.logaddexp(alone, rows.log_evidence[1])
    assert log_evidence_of_all(survivors, grown) == pytest.approx(both, abs=1e-12)
    assert both > alone


@pytest.mark.slow
def test_a_burst_rectifier_condemns_no_capacitor() -> None:
    """A shorted bus behind a blown fuse: diodes that short it only together count like one capacitor."""
    board = load_board("half-bridge-cooktop")
    rows = "AC1,AC2,diode,OL\nP,MID,diode,0.421\nAC2,N,ohms,0.4\nP,F_1.b,ohms,0.4\n"
    readings = parse_readings(f"red,black,mode,reading\n{rows}".encode(), "burst", board, METER).readings
    ranking = rank(board, METER, Setup(), readings, seen=("F_1 open",))
    packages, _ = next(iter(ranking.replace_lists.items()))
    assert packages == {"BR_1", "F_1"}
    suspicion = {part.part: part.probability for part in ranking.parts}
    assert suspicion["F_1"] > 0.99
    assert suspicion["C_BUS"] < 0.5
