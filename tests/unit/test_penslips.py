"""Readings that were perhaps written down wrongly."""

from __future__ import annotations

import dataclasses

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.penslips import open_questions, pen_slips, slip_words
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import parse_readings

BOARD, METER = load_board("six-switch-bridge"), load_meter()
GOOD = "U,P,diode,.417\nV,P,diode,.424\nW,P,diode,.420\nN,V,diode,.415\nN,W,diode,.428\nP,V,diode,OL\n"


def slips(rows: str) -> list[str]:
    """Return what is questioned in a sheet of the six-switch bridge."""
    readings = parse_readings(f"red,black,mode,reading\n{rows}".encode(), "sheet", BOARD, METER).readings
    return pen_slips(rank(BOARD, METER, Setup(), readings))


@pytest.mark.slow
def test_only_a_thousandth_of_the_good_board_is_questioned() -> None:
    """9.9 where a good board reads 9.9k is asked about; 9.9k, volts and a real short are not."""
    (said,) = slips("U,P,diode,.42\nG_UL,E_UL,ohms,9.9\nG_VL,E_VL,ohms,9.9k\nG_WL,E_WL,ohms,0.4\n")
    assert said.startswith("G_UL to E_UL: 9.9 is taken as 9.9 Ω")
    assert said.endswith("write 9.9k.")


@pytest.mark.slow
def test_a_lone_one_is_questioned() -> None:
    """A lone 1 is how displays of 3 1/2 digits show overload; 1.000, 1 V and a needle are not asked about."""
    (said,) = slips("U,N,diode,1\n")
    assert said.startswith("U to N: 1 is taken as 1 V, but a lone 1")
    assert "A good board reads OL there" in said
    assert said.endswith("If overload was meant, write OL; if 1 V, write 1.000.")
    (dotted,) = slips("G_UL,E_UL,ohms,1.\n")
    assert dotted.endswith("if 1 Ω, write 1.0.")
    for text in ("1.000", "1 V", "1 climbing", "1.1"):
        assert slips(f"U,N,diode,{text}\n") == []
    # a display whose last digit is one ohm shows one ohm so; of a needle nobody reads a lone digit
    (reading,) = parse_readings(b"red,black,mode,reading\nG_UL,E_UL,ohms,1\n", "sheet", BOARD, METER)
    coarse = dataclasses.replace(METER, counts=200)
    assert coarse.resolution("ohms", None, 1.0) == 1.0
    assert slip_words(reading, None, coarse) == ""
    assert slip_words(reading, None, METER) != ""
    assert slip_words(reading, None, load_meter("moving-needle")) == ""


@pytest.mark.slow
def test_a_question_is_settled_by_a_doubt_or_by_the_place_read_again() -> None:
    """While nobody has answered, the reading stays open; a doubt, a second reading or the unit close it."""

    def left(rows: str, *doubted: int) -> tuple[int, ...]:
        readings = parse_readings(f"red,black,mode,reading\n{rows}".encode(), "sheet", BOARD, METER).readings
        taken = [dataclasses.replace(one, doubted=number in doubted) for number, one in enumerate(readings)]
        return open_questions(rank(BOARD, METER, Setup(), taken))

    assert left("U,P,diode,.42\nG_UL,E_UL,ohms,9.9\n") == (1,)
    assert left("U,P,diode,.42\nG_UL,E_UL,ohms,9.9\n", 1) == ()
    assert left("G_UL,E_UL,ohms,9.9\nG_UL,E_UL,ohms,9.9\n") == ()
    assert left("G_UL,E_UL,ohms,9.9 ohm\n") == ()
    assert left("U,N,diode,1\n") == (0,)


@pytest.mark.slow
def test_lines_that_were_exchanged() -> None:
    """OL forward and a drop backward at one place of a good board: the two lines may have been exchanged."""
    (said,) = slips(f"{GOOD}N,U,diode,OL\nU,N,diode,.413\n")
    assert said.startswith("N to U reads OL and U to N .413")
    assert slips(f"{GOOD}N,U,diode,.413\nU,N,diode,OL\n") == []
    assert slips(f"{GOOD}N,U,diode,.001\nU,N,diode,.001\n") == []
    # an open diode reads OL both ways
    assert slips(f"{GOOD}N,U,diode,OL\nU,N,diode,OL\n") == []


@pytest.mark.slow
def test_a_line_written_twice_is_questioned_once() -> None:
    """Of a place read more than once the last reading speaks."""
    assert len(slips(f"{GOOD}N,U,diode,OL\nU,N,diode,.413\nU,N,diode,.413\n")) == 1
