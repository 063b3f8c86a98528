"""Resistances written without their k."""

from __future__ import annotations

from bridge.board import load_board
from bridge.lostprefix import lost_prefix_words
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import parse_readings

SHEET = b"red,black,mode,reading\nU,P,diode,.42\nG_UL,E_UL,ohms,9.9\nG_VL,E_VL,ohms,9.9k\nG_WL,E_WL,ohms,0.4\n"


def test_only_a_thousandth_of_the_good_board_is_questioned() -> None:
    """9.9 where a good board reads 9.9k is asked about; 9.9k, volts and a real short are not."""
    board, meter = load_board("six-switch-bridge"), load_meter()
    readings = parse_readings(SHEET, "sheet", board, meter).readings
    (said,) = lost_prefix_words(rank(board, meter, Setup(), readings))
    assert said.startswith("G_UL to E_UL: 9.9 is taken as 9.9 Ω")
    assert said.endswith("write 9.9k.")
