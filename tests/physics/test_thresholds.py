"""What a meter may say about a switch that cannot turn on: nothing, unless the gate is brought over its threshold."""

from __future__ import annotations

from statistics import NormalDist

import pytest

from bridge.board import Board
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.rank import rank
from bridge.readings import parse_readings
from tests.physics.benchboards import bare_bridge, capacitor, diode, make_board, part, resistor

LEG = make_board(
    "P U N G_UH E_UH=U G_UL E_UL=N",
    bare_bridge("U"),
    resistor("RGE_UH", "G_UH", "U", 10e3),
    resistor("RGE_UL", "G_UL", "N", 10e3),
    capacitor("C_BUS", "P", "N", 1e-4, 1.0),
)
GATES = ("G_UL,E_UL,ohms,10k,", "G_UH,E_UH,ohms,10k,")
PHASES = ("N,U,diode,0.42,", "U,P,diode,0.42,", "U,N,diode,OL,", "P,U,diode,OL,")


def odds(board: Board, *rows: str, switch: str = "Q_UL", meter: str = "handheld") -> float:
    """Return how much likelier than a whole board it is that a switch alone cannot turn on, after some readings."""
    text = "\n".join(["red,black,mode,reading,hold", *rows, ""])
    found = rank(board, load_meter(meter), Setup(), parse_readings(text.encode(), "bench.csv", board))
    share = {tuple((guess.part, guess.mode) for guess in one.faults): one.probability for one in found.candidates}
    return share[(switch, "never-on"),] / share[()]


@pytest.fixture(scope="module")
def before() -> float:
    """Return the odds before anything is read that a channel takes part in."""
    return odds(LEG, *GATES)


@pytest.mark.parametrize("meter", ["handheld", "high-compliance"])
def test_main_terminals_alone_say_nothing(meter: str, before: float) -> None:
    """A blocking switch blocks, whether it could be turned on or not: all main terminals read leave the odds alone."""
    for switch in ("Q_UL", "Q_UH"):
        assert odds(LEG, *GATES, *PHASES, switch=switch, meter=meter) == pytest.approx(before, rel=1e-6)


@pytest.mark.parametrize("volts", ["3", "3.5"])
def test_a_gate_held_below_its_threshold_says_nothing(volts: str, before: float) -> None:
    """A gate held three spreads or more under its threshold of 5 V, as by a 3 V meter, leaves the odds alone."""
    found = odds(LEG, *GATES, *PHASES, f"U,N,diode,OL,UL@{volts}")
    assert found == pytest.approx(before, rel=1e-3)


def test_a_gate_held_at_its_threshold_says_little(before: float) -> None:
    """At the typical threshold half of all good parts conduct: OL moves the odds by a factor of a few at most."""
    found = odds(LEG, *GATES, *PHASES, "U,N,diode,OL,UL@5.5")
    assert before < found < 5.0 * before


def test_a_gate_held_well_over_its_threshold_decides(before: float) -> None:
    """At 12 V a good switch conducts: OL speaks against it as far as false OLs allow, a drop of 0.65 V for it."""
    held = (*GATES, *PHASES)
    assert odds(LEG, *held, "U,N,diode,OL,UL@12") > 25.0 * before
    assert odds(LEG, *held, "U,N,diode,0.65,UL@12") < 1e-3 * before


def test_silicon_carbide_at_its_main_terminals() -> None:
    """Of a channel with a threshold of 2.6 V the diode's 1.9 V say next to nothing.

    One good part in twelve, of a threshold under 1.9 V (0.5 V are one standard deviation), would have read less; one
    that never turns on would not.
    """
    pins = {"drain": "D", "source": "N", "gate": "G_L"}
    mosfet = part("Q_L", "mosfet", pins, gate_threshold=2.6, on_ohms=0.16) + diode("D_L", "N", "D", 1.9, 2.0)
    board = make_board("D N G_L E_L=N", mosfet, resistor("RGE_L", "G_L", "N", 10e3))
    gate = "G_L,E_L,ohms,10k,"
    before = odds(board, gate, switch="Q_L")
    found = odds(board, gate, "D,N,diode,OL,", "N,D,diode,1.9,", switch="Q_L")
    assert before < found < before / (1.0 - NormalDist().cdf((1.9 - 2.6) / 0.5))
