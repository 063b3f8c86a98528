"""Readings that were perhaps written down wrongly."""

from __future__ import annotations

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.penslips import pen_slips
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import parse_readings

BOARD, METER = load_board("six-switch-bridge"), load_meter()
GOOD = "U,P,diode,.417\nV,P,diode,.424\nW,P,diode,.420\nN,V,diode,.415\nN,W,diode,.428\nP,V,diode,OL\n"


def slips(rows: str) -> list[str]:
    """Return what is questioned in a sheet of the six-switch bridge."""
    readings = parse_readings(f"red,black,mode,reading\n{rows}".encode(), "sheet", BOARD, METER).readings
    return pen_slips(rank(BOARD, METER, Setup(), readings))


def test_only_a_thousandth_of_the_good_board_is_questioned() -> None:
    """9.9 where a good board reads 9.9k is asked about; 9.9k, volts and a real short are not."""
    (said,) = slips("U,P,diode,.42\nG_UL,E_UL,ohms,9.9\nG_VL,E_VL,ohms,9.9k\nG_WL,E_WL,ohms,0.4\n")
    assert said.startswith("G_UL to E_UL: 9.9 is taken as 9.9 Ω")
    assert said.endswith("write 9.9k.")


def test_lines_that_were_exchanged() -> None:
    """OL forward and a drop backward at one place of a good board: the two lines may have been exchanged."""
    (said,) = slips(f"{GOOD}N,U,diode,OL\nU,N,diode,.413\n")
    assert said.startswith("N to U reads OL and U to N .413")
    assert slips(f"{GOOD}N,U,diode,.413\nU,N,diode,OL\n") == []
    assert slips(f"{GOOD}N,U,diode,.001\nU,N,diode,.001\n") == []
    # an open diode reads OL both ways
    assert slips(f"{GOOD}N,U,diode,OL\nU,N,diode,OL\n") == []


def test_a_line_written_twice_is_questioned_once() -> None:
    """Of a place read more than once the last reading speaks."""
    assert len(slips(f"{GOOD}N,U,diode,OL\nU,N,diode,.413\nU,N,diode,.413\n")) == 1
