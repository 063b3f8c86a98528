"""Readings that manuals print for healthy and faulty power stages, out of board files."""

from __future__ import annotations

import math

import pytest

from bridge.board import Board, load_board
from bridge.faults import Fault
from bridge.forecast import Forecast, forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.physics.benchboards import make_board, number, part, read, rectifier, resistor, settled, switch

LEGS = ("U", "V", "W")


class TestSixTransistorModule:
    """Source: brushless-DC drive manual, model 1000AR, 4 June 2001, p. 44 (diode scale, in or out of circuit)."""

    SINGLE = (0.3, 0.7)  # minus to a phase, a phase to plus [V]
    DOUBLE = (0.3, 2.0)  # minus to plus, two diodes in series [V]
    BOARDS = ("six-switch-bridge", "drive-module")

    @staticmethod
    def minus(board: Board, leg: str) -> str:
        """Return the terminal that is the minus of a leg."""
        return f"N{leg}" if f"N{leg}" in board.terminals else "N"

    @pytest.mark.parametrize("leg", LEGS)
    @pytest.mark.parametrize("name", BOARDS)
    def test_single_drops(self, name: str, leg: str) -> None:
        """A healthy module reads one diode from minus to each phase and from each phase to plus."""
        board = load_board(name)
        low, high = self.SINGLE
        for red, black in ((self.minus(board, leg), leg), (leg, "P")):
            found = read(board, red, black)
            assert low <= number(found.value) <= high
            assert found.state == "steady"

    @pytest.mark.parametrize("leg", LEGS)
    @pytest.mark.parametrize("name", BOARDS)
    def test_minus_to_plus(self, name: str, leg: str) -> None:
        """A healthy module reads two diodes in series from minus to plus, more than one diode does."""
        board = load_board(name)
        minus = self.minus(board, leg)
        low, high = self.DOUBLE
        end = settled(board, minus, "P")
        assert low <= end <= high
        assert end > settled(board, minus, leg) + 0.2

    @pytest.mark.parametrize("leg", LEGS)
    @pytest.mark.parametrize("name", BOARDS)
    def test_plus_to_minus_ends_open(self, name: str, leg: str) -> None:
        """A healthy module is open from plus to minus once the bus capacitor has charged."""
        board = load_board(name)
        assert settled(board, "P", self.minus(board, leg)) == math.inf

    @pytest.mark.parametrize("leg", LEGS)
    @pytest.mark.parametrize("name", BOARDS)
    def test_shorted_switch_reads_short(self, name: str, leg: str) -> None:
        """A shorted switch reads far below the single drop, both ways, and a shorted leg from plus to minus."""
        board = load_board(name)
        minus = self.minus(board, leg)
        for red, black, switch_ref in ((minus, leg, f"Q_{leg}L"), (leg, "P", f"Q_{leg}H")):
            for one, other in ((red, black), (black, red)):
                assert settled(board, one, other, faults=[f"{switch_ref}:ce-short"]) < 0.1 * self.SINGLE[0]
        both = [f"Q_{leg}H:ce-short", f"Q_{leg}L:ce-short"]
        assert settled(board, "P", minus, faults=both) < 0.1 * self.DOUBLE[0]

    @pytest.mark.parametrize("leg", LEGS)
    @pytest.mark.parametrize("name", BOARDS)
    def test_open_diode_reads_open(self, name: str, leg: str) -> None:
        """An open antiparallel diode reads open where a healthy one drops 0.3 to 0.7 V."""
        board = load_board(name)
        minus = self.minus(board, leg)
        assert settled(board, minus, leg, faults=[f"D_{leg}L:open"]) == math.inf
        assert settled(board, leg, "P", faults=[f"D_{leg}H:open"]) == math.inf


class TestTwoTransistorModule:
    """Source: brushless-DC drive manual, model 1000AR, 4 June 2001, p. 44; terminals as its table calls them."""

    @pytest.fixture
    def module(self) -> Board:
        """Return the module alone: one leg, nothing on its gates."""
        return make_board("C1 E1C2 E2", switch("H", "C1", "E1C2"), switch("L", "E1C2", "E2"))

    @pytest.mark.parametrize(
        ("red", "black", "low", "high"), [("E2", "E1C2", 0.3, 0.7), ("E1C2", "C1", 0.3, 0.7), ("E2", "C1", 0.3, 2.0)]
    )
    def test_conducting_directions(self, module: Board, red: str, black: str, low: float, high: float) -> None:
        """A healthy leg reads its diodes: one between neighbouring terminals, two from end to end."""
        assert low <= number(read(module, red, black).value) <= high

    def test_blocking_direction(self, module: Board) -> None:
        """A healthy leg is open from collector 1 to emitter 2, from the first instant: nothing here charges."""
        found = read(module, "C1", "E2")
        assert (found.start, found.value, found.end, found.state) == (None, None, None, "OL")

    @pytest.mark.parametrize(("red", "black", "pos"), [("E2", "E1C2", "L"), ("E1C2", "C1", "H")])
    def test_faulty_reads_short_or_open(self, module: Board, red: str, black: str, pos: str) -> None:
        """A shorted transistor leaves the healthy range downwards and an open diode upwards."""
        assert number(read(module, red, black, faults=[f"Q_{pos}:ce-short"]).value) < 0.3
        assert read(module, red, black, faults=[f"D_{pos}:open"]).value is None


class TestAcDrive:
    """Source: WJ200-series inverter manual, p. 6-17 (the same table: MX2 manual, p. 248); R S T are L1 L2 L3 here."""

    MAINS = ("L1", "L2", "L3")
    CONDUCTS = (
        *((line, "P") for line in MAINS),
        *(("N", line) for line in MAINS),
        *(("N", leg) for leg in LEGS),
        *((leg, "P") for leg in LEGS),
        ("B", "P"),
    )
    INFINITE = (*((black, red) for red, black in CONDUCTS), ("B", "N"), ("N", "B"))
    AT_ONCE = (("P", "B"), ("N", "B"))  # no path that a capacitor could lend a current

    @staticmethod
    def readings(pairs: tuple[tuple[str, str], ...], dwell_s: float) -> tuple[Forecast, ...]:
        """Return forecasts on a healthy drive, motor and brake resistor off."""
        probings = [Probing(red, black) for red, black in pairs]
        return forecast(load_board("motor-drive"), load_meter(), Setup(dwell_s=dwell_s), probings)

    def test_table_is_complete(self) -> None:
        """The table has 28 lead placements, 13 that conduct and 15 that do not, none twice."""
        assert (len(self.CONDUCTS), len(self.INFINITE)) == (13, 15)
        assert len({*self.CONDUCTS, *self.INFINITE}) == 28

    def test_thirteen_conduct(self) -> None:
        """Rectifier, bridge and brake diode conduct where the table says so: below 1 V, and steadily."""
        found = self.readings(self.CONDUCTS, 3.0)
        assert [one.probing for one in found if number(one.value) >= 1.0 or one.state != "steady"] == []
        assert [one.probing for one in found if number(one.end) >= 1.0] == []

    def test_fifteen_end_open(self) -> None:
        """Everything the table calls infinite ends at OL."""
        assert [one.probing for one in self.readings(self.INFINITE, 0.0) if one.end is not None] == []

    def test_blocking_directions_climb_first(self) -> None:
        """Thirteen of the fifteen start at a diode drop and climb as the bus capacitor charges, two never conduct."""
        # Two capacitors of 1000 uF in series take 1 mA at 2 V/s, so half a second is too short for OL.
        for one in self.readings(self.INFINITE, 0.5):
            if (one.probing.red, one.probing.black) in self.AT_ONCE:
                assert (one.start, one.value, one.state) == (None, None, "OL")
            else:
                assert one.state == "climbing"
                assert 0.3 < number(one.start) < 0.5
                assert number(one.value) == pytest.approx(number(one.start) + 1.0, abs=0.1)

    def test_brake_terminal_to_minus_is_open_both_ways(self) -> None:
        """The brake switch of this drive has no diode across it: its terminal ends open against minus both ways."""
        there, back = self.readings((("B", "N"), ("N", "B")), 0.0)
        assert (there.end, back.end) == (None, None)


class TestRectifier:
    """Source: AC-drive test manual, November 2002, tables 4.F and 4.G: 0.3-0.4 V forward, OL in reverse."""

    BRIDGES = (
        ("motor-drive", ("L1", "L2", "L3"), "PR"),
        ("full-bridge-welder", ("AC1", "AC2"), "PR"),
        ("half-bridge-cooktop", ("AC1", "AC2"), "P"),
        ("single-switch-cooktop", ("AC1", "AC2"), "PR"),
    )
    CASES = tuple((name, line, plus) for name, lines, plus in BRIDGES for line in lines)

    @pytest.mark.parametrize(("name", "line", "plus"), CASES)
    def test_forward(self, name: str, line: str, plus: str) -> None:
        """A rectifier diode reads 0.3 to 0.4 V in circuit, from its conductor to plus and from minus to it."""
        board = load_board(name)
        for red, black in ((line, plus), ("N", line)):
            assert 0.3 <= settled(board, red, black) <= 0.4

    @pytest.mark.parametrize(("name", "line", "plus"), CASES)
    def test_reverse(self, name: str, line: str, plus: str) -> None:
        """A rectifier diode ends at OL in reverse, in circuit."""
        board = load_board(name)
        for red, black in ((plus, line), (line, "N")):
            assert settled(board, red, black) == math.inf


class TestOutputDiodeBridge:
    """Source: plasma-cutter service manual, p. 5-42: 0.1-1.0 V one way, open the other; short < 0.1, open > 1.0 V."""

    DIODES = (("A", "P", "D_AH"), ("B", "P", "D_BH"), ("N", "A", "D_AL"), ("N", "B", "D_BL"))

    @pytest.fixture
    def bridge(self) -> Board:
        """Return the bridge with its transformer lifted, a discharge resistor across its output."""
        return make_board("A B P N", rectifier("A", "B"), resistor("R_DIS", "P", "N", 10e3))

    @pytest.mark.parametrize(("anode", "cathode", "ref"), DIODES)
    def test_healthy(self, bridge: Board, anode: str, cathode: str, ref: str) -> None:
        """Every diode of the bridge reads 0.1 to 1.0 V one way and open the other."""
        assert 0.1 <= number(read(bridge, anode, cathode).value) <= 1.0
        assert read(bridge, cathode, anode).value is None

    @pytest.mark.parametrize(("anode", "cathode", "ref"), DIODES)
    def test_faulty(self, bridge: Board, anode: str, cathode: str, ref: str) -> None:
        """A shorted diode reads below 0.1 V and an open one above 1.0 V, both ways."""
        for red, black in ((anode, cathode), (cathode, anode)):
            assert number(read(bridge, red, black, faults=[f"{ref}:short"]).value) < 0.1
            assert number(read(bridge, red, black, faults=[f"{ref}:open"]).value) > 1.0


class TestGateLead:
    """Source: welding power-source manual, p. 50: 1 kohm gate to source, 500 ohm if two are parallel; bad < 100 ohm.

    Read here with the hand-held meter in its 2k range: 100 uA, so at most 0.1 V, which wakes no junction.
    """

    MODE = "ohms:2k"

    @pytest.fixture
    def single(self) -> Board:
        """Return one switch with its driver and a pull-down of 1 kohm."""
        pins = {"out": "GD_L", "common": "N", "supply": "VCC"}
        drive = part("DRV_L", "driver", pins) + resistor("RG_L", "GD_L", "G_L", 10.0)
        rail = resistor("R_VCC", "VCC", "N", 1e3)
        return make_board("D N G_L E_L=N", switch("L", "D", "N"), resistor("RGE_L", "G_L", "N", 1e3), drive, rail)

    @pytest.mark.parametrize(("red", "black"), [("G_L", "E_L"), ("E_L", "G_L")])
    def test_one_kilohm(self, single: Board, red: str, black: str) -> None:
        """A gate with its pull-down of 1 kohm reads 1 kohm within 1 %, whichever way the leads are."""
        assert number(read(single, red, black, self.MODE).value) == pytest.approx(1000.0, rel=0.01)

    @pytest.mark.parametrize("pos", ["AH_1", "AH_2", "AL_1", "BH_2", "BL_1", "BL_2"])
    def test_two_in_parallel(self, pos: str) -> None:
        """Two switches on one driver halve it: 1000 ohm beside 1000 + 2 x 10 ohm of gate resistors, within 1 %."""
        board = load_board("full-bridge-welder")
        by_hand = 1.0 / (1.0 / 1000.0 + 1.0 / 1020.0)
        shown = number(read(board, f"G_{pos}", f"E_{pos}", self.MODE).value)
        assert shown == pytest.approx(by_hand, rel=0.01)
        assert shown == pytest.approx(500.0, rel=0.02)

    def test_bad_gate_reads_below_100_ohm(self, single: Board) -> None:
        """A shorted gate reads below 100 ohm, alone and with its neighbour in parallel."""
        assert number(read(single, "G_L", "E_L", self.MODE, faults=["Q_L:ge-short"]).value) < 100.0
        board = load_board("full-bridge-welder")
        for pos in ("AH_1", "AH_2"):
            assert number(read(board, f"G_{pos}", f"E_{pos}", self.MODE, faults=["Q_AH_1:ge-short"]).value) < 100.0

    def test_bare_gate_reads_open(self) -> None:
        """A gate without pull-down is open up to 20 Mohm: data sheets promise 50 Mohm or more (400 nA at 20 V)."""
        # Source: data sheets of 600 V IGBTs (BIDD05N60T, BIDNW30N60H3), gate leakage.
        board = load_board("drive-module")
        for gate, emitter in board.gate_leads:
            assert read(board, gate, emitter, "ohms:20M").value is None


class TestPowerModuleWithNeedleMeter:
    """Source: air-conditioner service manual, p. 80: ohmmeter of 1.5 V or more, plus or minus against U V W.

    Forward 5-200 ohm, the phases equal within a factor of 2; faulty 0 or infinite. The moving-needle meter's x1 and x10
    ranges put 3 V behind 20 and 200 ohm; its red lead is the negative one, so it goes where the current leaves.
    """

    @pytest.mark.parametrize("name", ["drive-module", "six-switch-bridge"])
    @pytest.mark.parametrize("scale", ["x1", "x10"])
    def test_forward_ohms(self, name: str, scale: str) -> None:
        """Each phase reads 5 to 200 ohm forwards against plus and minus, and the phases agree within a factor of 2."""
        board, meter = load_board(name), load_meter("moving-needle")
        for against in ("minus", "plus"):
            shown = []
            for leg in LEGS:
                minus = TestSixTransistorModule.minus(board, leg)
                red, black = (leg, minus) if against == "minus" else ("P", leg)
                shown.append(settled(board, red, black, f"ohms:{scale}", meter=meter))
            assert min(shown) >= 5.0
            assert max(shown) <= 200.0
            assert max(shown) <= 2.0 * min(shown)

    @pytest.mark.parametrize("leg", LEGS)
    def test_faulty_ohms(self, leg: str) -> None:
        """A shorted switch reads next to 0 ohm, an open diode infinite."""
        board, meter = load_board("drive-module"), load_meter("moving-needle")
        shorted = read(board, leg, f"N{leg}", "ohms:x1", faults=[f"Q_{leg}L:ce-short"], meter=meter)
        assert number(shorted.value) < 2.0
        assert read(board, leg, f"N{leg}", "ohms:x1", faults=[f"D_{leg}L:open"], meter=meter).value is None


def test_fault_out_of_place_is_retested_removed() -> None:
    """Parallel paths mislead: one shorted low switch halves minus to plus of all legs, until it is lifted."""
    # Source: brushless-DC drive manual, model 1000AR, 4 June 2001, p. 44: retest removed what reads bad in circuit.
    board, meter = load_board("six-switch-bridge"), load_meter()
    faults = [(Fault("Q_UL", "ce-short"), None)]
    probings = [Probing("N", "P"), Probing("N", "P", lift=("Q_UL.emitter",))]
    in_place, removed = forecast(board, meter, Setup(dwell_s=0.0), probings, faults)
    healthy = settled(board, "N", "P")
    assert number(in_place.end) < healthy - 0.25
    # with one leg out, two legs share 1 mA instead of three: a little more drop each
    assert healthy < number(removed.end) < healthy + 0.06
