"""Bench practice figures, simulated: what a 1 mA, 3 V meter reads on small power stages.

Source of every figure below that is not worked out beside it: bench practice figures, simulated. Junctions as named in
`tests.physics.benchboards`: 0.42 V at 1 mA antiparallel, 0.36 V rectifier, 0.50 V body diode, ideality 1.6. A figure of
three digits is met within 10 mV, or 1 % in ohms; one of two digits within half of its last digit.
"""

from __future__ import annotations

import math

import pytest

from bridge.board import Board
from bridge.meter import parse_meter
from bridge.probing import Setup
from tests.physics.benchboards import (
    BODY,
    bare_bridge,
    capacitor,
    diode,
    make_board,
    number,
    part,
    read,
    rectifier,
    resistor,
    settled,
    switch,
)

MILLIVOLTS = 0.010
TWO_DIGITS = 0.05

# shows all but open leads, where a hand-held meter says OL from 2 V on; two ranges named by their current
METER = parse_meter(
    """
    name = "bench"
    title = "1 mA and 3 V"
    reversed = false
    counts = 100000
    lead_ohms = 0.0
    beep_ohms = 30.0
    diode = { source = "current", amps = 1e-3, open_volts = 3.0, limit_volts = 2.9995 }
    ohms = [
        { name = "100uA", full_scale = 20e3, source = "current", amps = 1e-4, open_volts = 3.0 },
        { name = "10uA", full_scale = 200e3, source = "current", amps = 1e-5, open_volts = 3.0 },
    ]
    accuracy = { diode = [1.0, 1], ohms = [1.0, 1] }
    """,
    "bench meter",
)

SHORT = "Q_UL:ce-short:0.3"


class TestMinusToPlus:
    """Minus to plus is a weak witness: what else lies across the bus lowers it already.

    The rectifier is a single-phase one: its two legs alone would read 2 (0.36 - 0.0411 ln 2) = 0.663 V, and the bridge
    beside it takes a quarter of the current.
    """

    AUXILIARY = part("L_AUX", "coil", {"a": "P", "b": "AUX"}, ohms=2.0) + diode("D_AUX", "N", "AUX", BODY)
    BUSES = (
        pytest.param("", 0.749, 0.419, id="bare"),
        pytest.param(rectifier("AC1", "AC2"), 0.634, 0.416, id="rectifier"),
        pytest.param(AUXILIARY, 0.495, 0.414, id="auxiliary"),
    )

    @pytest.mark.parametrize(("across", "healthy", "_shorted"), BUSES)
    def test_healthy(self, across: str, healthy: float, _shorted: float) -> None:
        """A healthy bridge reads 0.749 V alone, 0.634 V beside a rectifier and 0.495 V beside an auxiliary supply."""
        board = make_board("P N U V W", bare_bridge(), across)
        assert settled(board, "N", "P", meter=METER) == pytest.approx(healthy, abs=MILLIVOLTS)

    @pytest.mark.parametrize(("across", "_healthy", "shorted"), BUSES)
    def test_with_a_shorted_switch(self, across: str, _healthy: float, shorted: float) -> None:
        """With Q_UL shorted all three read one diode: 0.419, 0.416 and 0.414 V."""
        board = make_board("P N U V W", bare_bridge(), across)
        found = settled(board, "N", "P", faults=[SHORT], meter=METER)
        assert found == pytest.approx(shorted, abs=MILLIVOLTS)

    def test_order_of_what_lowers_it(self) -> None:
        """With Q_UL shorted the three still differ, by the few millivolts of the simulated figures."""
        boards = [make_board("P N U V W", bare_bridge(), bus.values[0]) for bus in self.BUSES]
        bare, with_rectifier, with_auxiliary = (
            settled(board, "N", "P", faults=[SHORT], meter=METER) for board in boards
        )
        assert bare > with_rectifier > with_auxiliary
        assert bare - with_auxiliary == pytest.approx(0.419 - 0.414, abs=0.003)

    def test_phase_to_rail_decides(self) -> None:
        """Phase to rail decides: near zero both ways on the shorted switch, whatever lies on the bus."""
        for bus in self.BUSES:
            board = make_board("P N U V W", bare_bridge(), bus.values[0])
            for red, black in (("U", "N"), ("N", "U")):
                assert settled(board, red, black, faults=[SHORT], meter=METER) < 0.001
            assert settled(board, "N", "V", faults=[SHORT], meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)


class TestMeterChargesTheBus:
    """One leg on 1000 uF with 100 kohm: what the reading before leaves on the bus makes a false short."""

    BOARD = make_board(
        "P N U", bare_bridge("U"), capacitor("C_BUS", "P", "N", 1e-3, 1.0), resistor("R_BLEED", "P", "N", 100e3)
    )

    def left_after_plus_to_minus(self) -> float:
        """Return what five seconds of plus to minus and a gap of one second leave: C R is 100 s, so 1 % is lost."""
        after = read(self.BOARD, "P", "N", meter=METER, setup=Setup(dwell_s=5.0))
        return number(after.value) * math.exp(-1.0 / (100e3 * 1e-3))

    def test_charge_left(self) -> None:
        """Five seconds of plus to minus and a second's pause leave 2.96 V on the bus."""
        assert self.left_after_plus_to_minus() == pytest.approx(2.96, abs=MILLIVOLTS)

    def test_false_short(self) -> None:
        """Leads swapped, three seconds later, the display has climbed from below zero to 0.083 V: a false short."""
        setup = Setup(dwell_s=3.0, bus_volts=self.left_after_plus_to_minus())
        swapped = read(self.BOARD, "N", "P", meter=METER, setup=setup)
        assert number(swapped.value) == pytest.approx(0.083, abs=MILLIVOLTS)
        assert number(swapped.start) == pytest.approx(-2.96, abs=MILLIVOLTS)
        assert swapped.state == "climbing"

    def test_end_value(self) -> None:
        """In the end the swapped leads read two diodes, 0.84 V, as without any charge."""
        charged = Setup(bus_volts=self.left_after_plus_to_minus())
        assert settled(self.BOARD, "N", "P", meter=METER, setup=charged) == pytest.approx(0.84, abs=MILLIVOLTS)
        assert settled(self.BOARD, "N", "P", meter=METER) == pytest.approx(0.84, abs=MILLIVOLTS)


class TestBlockingDirectionsClimb:
    """With an empty bus capacitor a blocking direction starts at one or two drops and climbs."""

    @staticmethod
    def climb(farads: float, red: str, black: str, dwell_s: float) -> float:
        """Return the display after a dwell on a bridge with a bus capacitor."""
        board = make_board("P N U V W", bare_bridge(), capacitor("C_BUS", "P", "N", farads, 1.0))
        found = read(board, red, black, meter=METER, setup=Setup(dwell_s=dwell_s))
        assert found.state == "climbing"
        return number(found.value)

    @pytest.mark.parametrize(("red", "black", "drops"), [("P", "U", 1), ("U", "N", 1), ("U", "V", 2)])
    def test_slope_of_680_microfarad(self, red: str, black: str, drops: int) -> None:
        """On 680 uF blocking directions climb by 1.5 V/s (1 mA / 680 uF = 1.47 V/s) from one or two drops."""
        early, late = self.climb(680e-6, red, black, 0.2), self.climb(680e-6, red, black, 1.2)
        assert late - early == pytest.approx(1.5, abs=TWO_DIGITS)
        assert late - early == pytest.approx(1e-3 / 680e-6, abs=MILLIVOLTS)
        assert early - 0.2 * (late - early) == pytest.approx(0.42 * drops, abs=MILLIVOLTS)

    @pytest.mark.parametrize(("red", "black"), [("P", "U"), ("U", "N")])
    def test_2200_microfarad_after_three_seconds(self, red: str, black: str) -> None:
        """On 2200 uF three seconds are not enough: still about 1.8 V (0.42 V and 3 s x 1 mA / 2200 uF)."""
        found = self.climb(2200e-6, red, black, 3.0)
        assert found == pytest.approx(1.8, abs=TWO_DIGITS)
        assert found == pytest.approx(0.42 + 3.0 * 1e-3 / 2200e-6, abs=MILLIVOLTS)

    def test_they_end_open(self) -> None:
        """What a table calls infinite is the end value: all blocking directions end where the source runs out."""
        board = make_board("P N U V W", bare_bridge(), capacitor("C_BUS", "P", "N", 680e-6, 1.0))
        for red, black in (("P", "N"), ("P", "U"), ("U", "N"), ("U", "V")):
            assert settled(board, red, black) == math.inf


class TestPrecharge:
    """A precharge resistor adds 20 to 100 mV from the mains to plus."""

    @staticmethod
    def mains_to_plus(ohms: float) -> float:
        """Return the reading from a mains terminal to plus through a rectifier diode and a precharge resistor."""
        mains = rectifier("L1", "L2", "L3", plus="PR")
        board = make_board("L1 L2 L3 PR P N", mains, resistor("R_PRE", "PR", "P", ohms))
        assert settled(board, "L1", "PR", meter=METER) == pytest.approx(0.360, abs=MILLIVOLTS)
        return settled(board, "L1", "P", meter=METER)

    def test_47_ohm(self) -> None:
        """Behind 47 ohm plus reads 0.407 V from the mains, against 0.360 V ahead of it."""
        assert self.mains_to_plus(47.0) == pytest.approx(0.407, abs=MILLIVOLTS)
        assert self.mains_to_plus(47.0) == pytest.approx(0.360 + 0.047, abs=0.001)

    @pytest.mark.parametrize(("ohms", "added"), [(20.0, 0.020), (100.0, 0.100)])
    def test_20_to_100_ohm(self, ohms: float, added: float) -> None:
        """20 ohm adds 20 mV and 100 ohm adds 100 mV."""
        assert self.mains_to_plus(ohms) - 0.360 == pytest.approx(added, abs=0.001)


class TestDesaturation:
    """With D_UL open, N to U reads through the desaturation sensing of its driver, not OL."""

    @pytest.mark.parametrize(("ohms", "shown"), [(100.0, 1.2), (1000.0, 2.1)])
    def test_path_through_the_sensing(self, ohms: float, shown: float) -> None:
        """Clamp 0.6 V, resistor of 100 ohm to 1 kohm at 1 mA, diode 0.5 V: 1.2 to 2.1 V."""
        pin = part("DSP_UL", "driver", {"out": "DS", "common": "N", "supply": "VCC"}, drop_1ma=0.6)
        sensing = pin + resistor("R_DS_UL", "DS", "DSA", ohms) + diode("D_DS_UL", "DSA", "U", 0.5)
        rail = resistor("R_VCC", "VCC", "N", 2200.0) + capacitor("C_VCC", "VCC", "N", 220e-6)
        board = make_board("P N U V W", bare_bridge(), sensing, rail)
        assert settled(board, "N", "U", meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)
        found = settled(board, "N", "U", faults=["D_UL:open"], meter=METER)
        assert found == pytest.approx(shown, abs=MILLIVOLTS)
        assert found == pytest.approx(0.6 + 0.5 + ohms * 1e-3, abs=MILLIVOLTS)


class TestDriverRail:
    """The gate of a low side on a driver rail: 22 ohm, two clamps, 2.2 kohm and 220 uF on the rail.

    The driver's clamps are as a board file's silence leaves them: 0.62 V at 1 mA and ideality 1.2, which the figures at
    10 uA, 100 uA and 1 mA fix together (0.53 V at 47 uA from 5.3 kohm, 0.62 V at 0.94 mA from 0.64 V). The set-up
    described has nothing else from the driver's output to its rail, so the output stage is left without its megohm.
    """

    @staticmethod
    def gate(mode: str, red: str, black: str, pull_down: float = 10e3) -> float:
        """Return what the gate lead shows in the end."""
        return settled(TestDriverRail.board(pull_down), red, black, mode, meter=METER)

    @staticmethod
    def board(pull_down: float) -> Board:
        """Return a low-side switch with its drive."""
        drive = part("DRV_UL", "driver", {"out": "GD_UL", "common": "N", "supply": "VCC"}, off_ohms=1e9)
        network = resistor("RG_UL", "GD_UL", "G_UL", 22.0) + resistor("RGE_UL", "G_UL", "N", pull_down)
        rail = resistor("R_VCC", "VCC", "N", 2200.0) + capacitor("C_VCC", "VCC", "N", 220e-6)
        return make_board("U N G_UL E_UL=N", switch("UL", "U", "N"), drive, network, rail)

    def test_diode_mode_red_on_emitter(self) -> None:
        """In diode mode with red on the emitter the lower clamp reads 0.64 V."""
        assert self.gate("diode", "E_UL", "G_UL") == pytest.approx(0.64, abs=MILLIVOLTS)

    def test_diode_mode_red_on_gate(self) -> None:
        """In diode mode with red on the gate the upper clamp and the rail's load read 2.3 V."""
        assert self.gate("diode", "G_UL", "E_UL") == pytest.approx(2.3, abs=TWO_DIGITS)

    def test_red_on_gate_climbs(self) -> None:
        """With red on the gate the display starts at one clamp, rail capacitor empty, and climbs."""
        found = read(self.board(10e3), "G_UL", "E_UL", meter=METER, setup=Setup(dwell_s=0.2))
        assert found.state == "climbing"
        assert number(found.start) == pytest.approx(0.64, abs=MILLIVOLTS)
        assert number(found.start) + 0.3 < number(found.value) < number(found.end) - 0.3

    def test_10_microampere(self) -> None:
        """At 10 uA the pull-down of 10 kohm reads itself, 10.0 kohm both ways: 0.1 V wakes no clamp."""
        for red, black in (("G_UL", "E_UL"), ("E_UL", "G_UL")):
            assert self.gate("ohms:10uA", red, black) == pytest.approx(10.0e3, rel=0.002)

    def test_100_microampere(self) -> None:
        """At 100 uA the clamps take their part: 6.1 kohm one way and 5.3 kohm the other."""
        assert self.gate("ohms:100uA", "G_UL", "E_UL") == pytest.approx(6.1e3, rel=0.01)
        assert self.gate("ohms:100uA", "E_UL", "G_UL") == pytest.approx(5.3e3, rel=0.01)

    def test_47_kilohm(self) -> None:
        """A pull-down of 47 kohm reads about 41 kohm at 10 uA, which is no leak."""
        for red, black in (("G_UL", "E_UL"), ("E_UL", "G_UL")):
            assert self.gate("ohms:10uA", red, black, 47e3) == pytest.approx(41e3, abs=0.5e3)


class TestBrake:
    """The brake terminal to plus, through the freewheeling diode."""

    PARTS = part("Q_BR", "igbt", {"collector": "B", "emitter": "N", "gate": "G_BR"}, gate_threshold=5.0) + diode(
        "D_BR", "B", "P"
    )
    RESISTOR = part("R_BRAKE", "resistor", {"a": "P", "b": "B"}, ohms=50.0, when="brake-resistor")

    def test_resistor_left_on(self) -> None:
        """A brake resistor of 50 ohm left on turns the reading from 0.42 V into 0.05 V."""
        board = make_board("P N B", self.PARTS, self.RESISTOR)
        assert settled(board, "B", "P", meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)
        left_on = Setup(connected=frozenset({"brake-resistor"}))
        assert settled(board, "B", "P", meter=METER, setup=left_on) == pytest.approx(0.05, abs=MILLIVOLTS)

    def test_switch_with_and_without_a_diode(self) -> None:
        """Minus to the brake terminal conducts only where the brake switch has a diode across it."""
        without = make_board("P N B", self.PARTS)
        assert settled(without, "N", "B", meter=METER) == math.inf
        across = make_board("P N B", self.PARTS, diode("D_BRQ", "N", "B"))
        assert settled(across, "N", "B", meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)


class TestParallelSwitches:
    """Two switches in parallel, each with its diode."""

    def test_one_open_diode(self) -> None:
        """One open diode of two moves the reading by 25 to 32 mV only (1.6 x 25.69 mV x ln 2 = 28.5 mV)."""
        board = make_board("A N P", switch("AL_1", "A", "N"), switch("AL_2", "A", "N"), switch("AH", "P", "A"))
        moved = settled(board, "N", "A", faults=["D_AL_1:open"], meter=METER) - settled(board, "N", "A", meter=METER)
        assert 0.025 <= moved <= 0.032
        assert moved == pytest.approx(1.6 * 0.02569 * math.log(2.0), abs=0.001)


class TestKelvinPads:
    """An emitter pad of its own, ahead of the power bond."""

    def test_lifted_power_bond(self) -> None:
        """With the power bond lifted N to U is open, but N to E_UH still conducts."""
        bond = part("BOND_U", "shunt", {"a": "UX", "b": "U"}, ohms=1e-3)
        leg = switch("UH", "P", "UX") + switch("UL", "UX", "N")
        board = make_board("P N U V E_UH=UX", leg, bare_bridge("V"), bond)
        for lead in ("U", "E_UH"):
            assert settled(board, "N", lead, meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)
        assert settled(board, "N", "U", faults=["BOND_U:open"], meter=METER) == math.inf
        assert settled(board, "N", "E_UH", faults=["BOND_U:open"], meter=METER) == pytest.approx(0.42, abs=MILLIVOLTS)


class TestSiliconCarbide:
    """Low thresholds: a 3 V meter opens the channel."""

    @pytest.mark.parametrize("threshold", [2.0, 2.6])
    def test_gate_to_drain_short(self, threshold: float) -> None:
        """A gate-to-drain short reads as a diode of about the threshold, where the channel carries 1 mA."""
        body = diode("D_UL", "N", "U", 1.9, 2.0)
        pins = {"drain": "U", "source": "N", "gate": "G_UL"}
        board = make_board("U N", part("Q_UL", "mosfet", pins, gate_threshold=threshold, on_ohms=0.16) + body)
        assert settled(board, "U", "N", meter=METER) == math.inf
        found = settled(board, "U", "N", faults=["Q_UL:gc-short:0.3"], meter=METER)
        assert found == pytest.approx(threshold, abs=MILLIVOLTS)
