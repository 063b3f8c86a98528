"""Forecasts on whole boards: they converge, they serve any board, and every option of the bench does what it says.

Expected numbers are worked out by hand from the values in the board files, with the hand-held meter: 1 mA and 3 V in
diode mode, leads of 0.2 ohm.
"""

from __future__ import annotations

import math
import random
from itertools import pairwise
from pathlib import Path

import pytest

from bridge.board import Board, list_boards, load_board
from bridge.circuit import build_circuit
from bridge.damage import Change, change_of
from bridge.errors import InputError
from bridge.faults import Fault, list_faults, median_ohms, parse_fault
from bridge.forecast import Forecast, default_probings, forecast, forecast_changes
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading

SINGLES = 30
RESTED = 2  # of these the dwell is followed, too, in the quick test
SEED = 20_140
VT = 0.025693  # kT/q at 25 deg C [V]
IDEALITY = 1.6  # of the diodes in the board files
AT_ONCE = Setup(dwell_s=0.0)  # where only the end counts, nobody waits for it


def draw_singles(board: Board) -> list[Fault]:
    """Return thirty different single faults of a board, or all it has, the same ones every time."""
    candidates = [fault for fault in list_faults(board) if board.parts[fault.part].when is None]
    return random.Random(SEED).sample(candidates, min(SINGLES, len(candidates)))


def unsolved(board: Board, faults: list[Fault], setup: Setup) -> list[str]:
    """Return the readings without an answer, on the healthy board and with each fault, at all default placements."""
    circuit = build_circuit(board, setup)
    changes = [change_of(circuit, one.part, one.mode, median_ohms(board.parts[one.part], one.mode)) for one in faults]
    rows = forecast_changes(circuit, load_meter(), default_probings(board), [Change(), *changes])
    assert len(rows) == 1 + len(faults)
    assert all(len(row) == len(default_probings(board)) for row in rows)
    return [
        f"{what}: {one.probing.red} {one.probing.black}: {one.error}"
        for what, row in zip(["healthy", *map(str, faults)], rows, strict=True)
        for one in row
        if one.state not in ("steady", "climbing", "falling", "OL")
    ]


def look(
    board: Board,
    red: str,
    black: str,
    mode: str = "diode",
    *,
    setup: Setup = AT_ONCE,
    faults: tuple[str, ...] = (),
    hold: tuple[Hold, ...] = (),
    lift: tuple[str, ...] = (),
    meter: str = "handheld",
) -> Forecast:
    """Return the forecast of one reading; ``mode`` and faults as on the command line."""
    kind, _, range_name = mode.partition(":")
    probing = Probing(red, black, kind, range_name or None, hold, lift)
    (found,) = forecast(board, load_meter(meter), setup, [probing], [parse_fault(text, board) for text in faults])
    assert found.state is not None, found.error
    return found


class TestConvergence:
    """Every forecast is an answer."""

    @pytest.mark.parametrize("name", list_boards())
    def test_first_instant_and_end(self, name: str) -> None:
        """All default readings of a healthy board and of thirty single faults converge, at first and in the end."""
        board = load_board(name)
        assert unsolved(board, draw_singles(board), AT_ONCE) == []

    @pytest.mark.slow
    @pytest.mark.parametrize("name", list_boards())
    def test_after_the_dwell(self, name: str) -> None:
        """All default readings of a healthy board and of two of the thirty converge through three seconds' rest."""
        board = load_board(name)
        assert unsolved(board, draw_singles(board)[:RESTED], Setup()) == []

    @pytest.mark.slow
    @pytest.mark.parametrize("name", list_boards())
    def test_all_after_the_dwell(self, name: str) -> None:
        """All default readings with each of the thirty converge through three seconds' rest."""
        board = load_board(name)
        assert unsolved(board, draw_singles(board), Setup()) == []

    @pytest.mark.parametrize("leg", ["U", "V", "W"])
    def test_shorted_desaturation_diode(self, leg: str) -> None:
        """A shorted desaturation diode of a low side has an end value from its phase to minus."""
        assert look(load_board("motor-drive"), leg, "N", faults=(f"D_DS_{leg}L:short",)).end is None

    @pytest.mark.parametrize(("ref", "red", "black"), [("Q_UH", "U", "V"), ("Q_VL", "W", "V")])
    def test_silicon_carbide_always_on(self, ref: str, red: str, black: str) -> None:
        """An always-on silicon-carbide switch has a first value between two phases: one body diode, 1.9 V."""
        found = look(load_board("six-switch-sic"), red, black, faults=(f"{ref}:always-on",))
        assert found.start == pytest.approx(1.9, abs=0.01)


FIVE_LEGS = """
name = "five-legs"
title = "Five-phase bridge"

[[use]]
block = "bare-igbt-leg"
for = { leg = ["R", "S", "T", "X", "Y"] }
plus = "P"
minus = "N"

[[part]]
ref = "C_BUS"
kind = "capacitor"
pins = { a = "P", b = "N" }
farads = 1e-3
bus_share = 1.0
"""
PHASES = ("R", "S", "T", "X", "Y")
ONE_SWITCH = """
name = "one-switch"
title = "A switch alone"

[[use]]
block = "igbt"
pos = "1"
high = "C"
low = "E"
role = "only switch"
"""
CHAIN = "name = 'chain'\ntitle = 'Diodes in a row'\n"


def terminals(*names: str) -> str:
    """Return main terminals as a board file writes them."""
    return "\n".join(f'[[terminal]]\nname = "{name}"\nwhat = "{name}"\naccess = "terminal"' for name in names)


def write_board(folder: Path, text: str) -> Board:
    """Write a board file and load it as a user's own."""
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_board(str(path))


def measure(board: Board, probings: list[Probing], fault: str) -> list[Reading]:
    """Return readings of a board with one fault, as its forecasts say."""
    found = forecast(board, load_meter(), Setup(), probings, [parse_fault(fault, board)])
    return [
        Reading(line, one.probing, "", one.value, one.unit, one.state or "", discharged=True)
        for line, one in enumerate(found, start=2)
    ]


class TestAnyBoard:
    """Nothing believes in six switches, three legs or agreed names."""

    def test_five_legs(self, tmp_path: Path) -> None:
        """A five-phase bridge from a user's folder: minus to plus is two drops of five legs, each leg reads alike."""
        board = write_board(tmp_path, FIVE_LEGS + terminals("P", "N", *PHASES))
        assert len(default_probings(board)) == 7 * 6 + 10
        assert unsolved(board, draw_singles(board), AT_ONCE) == []
        by_hand = 2.0 * (0.42 - IDEALITY * VT * math.log(5.0))
        assert look(board, "N", "P").end == pytest.approx(by_hand, abs=0.001)
        for phase in PHASES:
            assert look(board, "N", phase).end == pytest.approx(0.42, abs=0.001)
            assert look(board, phase, "P").end == pytest.approx(0.42, abs=0.001)

    def test_five_legs_ranked(self, tmp_path: Path) -> None:
        """A shorted switch in the fifth leg comes first, as surely as one in the first leg."""
        board = write_board(tmp_path, FIVE_LEGS + terminals("P", "N", *PHASES))
        probings = [Probing("N", phase) for phase in PHASES]
        probings += [Probing(phase, rail) for phase in ("R", "Y") for rail in ("P", "N")]
        certainty = {}
        for ref in ("Q_RL", "Q_YL"):
            ranking = rank(board, load_meter(), Setup(), measure(board, probings, f"{ref}:ce-short"))
            assert ranking.fit.ok
            assert [(guess.part, guess.mode) for guess in ranking.candidates[0].faults] == [(ref, "ce-short")]
            assert {one.package for one in ranking.parts if one.probability > 0.1} == {ref}
            certainty[ref] = ranking.candidates[0].probability
        assert certainty["Q_YL"] == pytest.approx(certainty["Q_RL"], rel=0.01)

    def test_one_switch(self, tmp_path: Path) -> None:
        """A single switch is a board: two readings, its diode one way, and an open diode is told from a short."""
        board = write_board(tmp_path, ONE_SWITCH + terminals("C", "E"))
        assert look(board, "E", "C").end == pytest.approx(0.42, abs=0.001)
        assert look(board, "C", "E").end is None
        both_ways = [Probing("E", "C"), Probing("C", "E")]
        for fault, modes in (("D_1:open", {"open", "emitter-open"}), ("Q_1:ce-short", {"ce-short", "all-short"})):
            ranking = rank(board, load_meter(), Setup(), measure(board, both_ways, fault))
            first = ranking.candidates[0].faults
            assert len(first) == 1
            assert first[0].mode in modes

    def test_seven_diodes_in_a_row(self, tmp_path: Path) -> None:
        """A board without switches or agreed names: up the row each diode adds 0.2 V, down it nothing conducts."""
        nodes = [f"n{number}" for number in range(8)]
        parts = "\n".join(
            f'[[part]]\nref = "X{k}"\nkind = "diode"\npins = {{ anode = "{a}", cathode = "{b}" }}\ndrop_1ma = 0.2'
            for k, (a, b) in enumerate(pairwise(nodes), start=1)
        )
        board = write_board(tmp_path, f"{CHAIN}{terminals(*nodes)}\n{parts}\n")
        for number in range(1, 8):
            assert look(board, "n0", f"n{number}").end == pytest.approx(0.2 * number, abs=0.001)
            assert look(board, f"n{number}", "n0").end is None
        readings = measure(board, [Probing("n0", "n7"), Probing("n4", "n5")], "X5:short")
        ranking = rank(board, load_meter(), Setup(), readings)
        assert [guess.part for guess in ranking.candidates[0].faults] == ["X5"]


class TestConnected:
    """What is left connected from outside."""

    def test_motor_ties_phases(self) -> None:
        """A motor of three windings of 2.2 ohm in delta puts 2.2 || 4.4 ohm between two phases."""
        board = load_board("six-switch-bridge")
        assert look(board, "U", "V", "ohms:200").end is None
        motor = Setup(connected=frozenset({"motor"}), dwell_s=0.0)
        by_hand = 2.2 * 4.4 / 6.6 + 0.2
        for red, black in (("U", "V"), ("V", "W"), ("W", "U"), ("V", "U")):
            assert look(board, red, black, "ohms", setup=motor).end == pytest.approx(by_hand, abs=0.01)

    def test_motor_shares_the_diodes(self) -> None:
        """With the motor on, a single drop is three diodes in parallel: lower by 1.6 x 25.7 mV x ln 3."""
        board = load_board("six-switch-bridge")
        motor = Setup(connected=frozenset({"motor"}), dwell_s=0.0)
        by_hand = 0.42 - IDEALITY * VT * math.log(3.0)
        assert look(board, "N", "U", setup=motor).end == pytest.approx(by_hand, abs=0.002)

    def test_motor_hides_an_open_diode(self) -> None:
        """With the motor on, a phase whose diode is open still conducts through the other two."""
        board = load_board("six-switch-bridge")
        motor = Setup(connected=frozenset({"motor"}), dwell_s=0.0)
        by_hand = 0.42 - IDEALITY * VT * math.log(2.0)
        assert look(board, "N", "U", faults=("D_UL:open",)).end is None
        assert look(board, "N", "U", setup=motor, faults=("D_UL:open",)).end == pytest.approx(by_hand, abs=0.002)

    def test_brake_resistor(self) -> None:
        """A brake resistor of 50 ohm turns its terminal's readings to plus, 0.42 V and OL, into 0.05 V both ways."""
        board = load_board("motor-drive")
        on = Setup(connected=frozenset({"brake-resistor"}), dwell_s=0.0)
        assert look(board, "B", "P").end == pytest.approx(0.42, abs=0.001)
        assert look(board, "P", "B").end is None
        for red, black in (("B", "P"), ("P", "B")):
            assert look(board, red, black, setup=on).end == pytest.approx(0.05, abs=0.001)

    @pytest.mark.parametrize(
        ("name", "what", "red", "black", "ohms"),
        [
            ("half-bridge-cooktop", "coil", "MID", "RES", 0.06),
            ("single-switch-cooktop", "coil", "P", "RES", 0.07),
            ("full-bridge-welder", "transformer", "A", "B", 0.03),
            ("full-bridge-welder", "mains", "AC1", "AC2", 0.5),
            ("motor-drive", "mains", "L1", "L2", 0.5 * 1.0 / 1.5),
        ],
    )
    def test_windings(self, name: str, what: str, red: str, black: str, ohms: float) -> None:
        """A coil, a transformer or the mains ties its two terminals together, and is not there when it is off."""
        board = load_board(name)
        on = Setup(connected=frozenset({what}), dwell_s=0.0)
        assert look(board, red, black, "ohms", setup=on).end == pytest.approx(ohms + 0.2, abs=0.01)
        assert look(board, red, black, "ohms:200").end is None


class TestBench:
    """State of the bench: relay, gate board, charge, temperature."""

    def test_relay_bypasses_the_precharge_resistor(self) -> None:
        """With its relay closed the precharge resistor of 47 ohm is gone, and with it 47 mV from the mains to plus."""
        board = load_board("motor-drive")
        closed = Setup(relay_closed=True, dwell_s=0.0)
        assert look(board, "PR", "P", "ohms").end == pytest.approx(47.0 + 0.2, abs=0.05)
        assert look(board, "PR", "P", "ohms", setup=closed).end == pytest.approx(0.01 + 0.2, abs=0.005)
        assert look(board, "L1", "P").end == pytest.approx(0.36 + 0.047, abs=0.001)
        assert look(board, "L1", "P", setup=closed).end == pytest.approx(0.36, abs=0.001)

    def test_unplugged_gate_board(self) -> None:
        """Without its gate board a gate lead reads its pull-down alone, 10 kohm, and no clamp in diode mode."""
        board = load_board("motor-drive")
        unplugged = Setup(unplugged=True, dwell_s=0.0)
        with_driver = 1.0 / (1.0 / 10e3 + 1.0 / (1e6 + 22.0))
        assert look(board, "G_UL", "E_UL", "ohms:20k").end == pytest.approx(with_driver, rel=0.003)
        assert look(board, "G_UL", "E_UL", "ohms:20k", setup=unplugged).end == pytest.approx(10e3 + 0.2, abs=1.0)
        assert look(board, "E_UL", "G_UL").end == pytest.approx(0.62, abs=0.02)
        assert look(board, "E_UL", "G_UL", setup=unplugged).end is None

    def test_unplugged_parts_cannot_fail(self) -> None:
        """What left with the gate board is no suspect: asking for its fault is refused with the option's name."""
        with pytest.raises(InputError, match=r"--unplugged"):
            look(load_board("motor-drive"), "U", "P", setup=Setup(unplugged=True), faults=("RG_UL:open",))

    def test_charge_on_the_bus(self) -> None:
        """Charge on the bus is where a reading starts, not where it ends."""
        board = load_board("six-switch-bridge")
        charged = Setup(bus_volts=1.2, dwell_s=0.0)
        assert look(board, "P", "N", "volts", setup=charged).start == pytest.approx(1.2, abs=0.001)
        empty, full = look(board, "P", "U"), look(board, "P", "U", setup=charged)
        assert empty.start == pytest.approx(0.42, abs=0.002)
        assert full.start == pytest.approx(0.42 + 1.2, abs=0.002)
        assert (empty.end, full.end) == (None, None)
        against = look(board, "N", "P", setup=charged)
        assert against.start == pytest.approx(-1.2, abs=0.002)
        assert against.end == look(board, "N", "P").end

    def test_charge_shared_by_two_capacitors(self) -> None:
        """Two bus capacitors in series hold half the charge each."""
        charged = Setup(bus_volts=40.0, dwell_s=0.0)
        board = load_board("motor-drive")
        found = [look(board, red, black, "volts", setup=charged).start for red, black in (("P", "NP"), ("NP", "N"))]
        assert found == [pytest.approx(20.0, abs=0.01)] * 2

    def test_dwell(self) -> None:
        """A longer rest shows more of a climb: 1 mA into 680 uF is 1.47 V/s."""
        board = load_board("six-switch-bridge")
        half, one = (look(board, "P", "N", setup=Setup(dwell_s=seconds)).value for seconds in (0.5, 1.0))
        assert half is not None
        assert one is not None
        assert half == pytest.approx(0.5 * 1e-3 / 680e-6, rel=0.01)
        assert one == pytest.approx(1.0 * 1e-3 / 680e-6, rel=0.01)

    @pytest.mark.parametrize(("name", "red", "drop"), [("six-switch-bridge", "U", 0.42), ("motor-drive", "L1", 0.36)])
    def test_temperature(self, name: str, red: str, drop: float) -> None:
        """A warmer board drops less, about 2 mV for each kelvin."""
        # By hand, at constant current: dV/dT = (V - Eg - 3 kT/q)/T, so (0.42 - 1.11 - 0.08)/298 = -2.6 mV/K.
        board = load_board(name)
        black = "P" if red == "U" else "PR"
        cold, warm = (look(board, red, black, setup=Setup(temperature_c=t, dwell_s=0.0)).end for t in (20.0, 30.0))
        assert cold is not None
        assert warm is not None
        per_kelvin = (warm - cold) / 10.0
        assert -0.003 < per_kelvin < -0.0015
        assert per_kelvin == pytest.approx((drop - 1.11 - 3.0 * VT) / 298.15, rel=0.03)


class TestHeldGates:
    """A gate held up or down during a reading."""

    def test_held_up(self) -> None:
        """With 12 V on its gate a switch conducts from collector to emitter: 0.65 V at 1 mA, in diode mode."""
        for name in ("six-switch-bridge", "drive-module"):
            board = load_board(name)
            assert look(board, "P", "U").end is None
            assert look(board, "P", "U", hold=(Hold("UH", 12.0),)).end == pytest.approx(0.65, abs=0.002)
            # its neighbours do not
            assert look(board, "P", "V", hold=(Hold("UH", 12.0),)).end is None

    def test_held_down(self) -> None:
        """A gate tied to its emitter leaves everything as it was."""
        board = load_board("drive-module")
        for red, black in (("P", "U"), ("U", "P")):
            assert look(board, red, black, hold=(Hold("UH", 0.0),)).end == look(board, red, black).end

    def test_held_below_threshold(self) -> None:
        """4 V do not open a switch whose threshold is 5.5 V, 7 V do."""
        board = load_board("drive-module")
        assert look(board, "P", "U", hold=(Hold("UH", 4.0),)).end is None
        assert look(board, "P", "U", hold=(Hold("UH", 7.0),)).end == pytest.approx(0.65, abs=0.002)

    def test_never_on_shows_only_when_held(self) -> None:
        """A switch that cannot turn on reads as a good one until its gate is held up."""
        board = load_board("drive-module")
        held = (Hold("UH", 12.0),)
        for red, black in (("U", "P"), ("NU", "P")):
            good = look(board, red, black).end
            assert good is not None
            assert look(board, red, black, faults=("Q_UH:never-on",)).end == pytest.approx(good, abs=1e-6)
        assert look(board, "P", "U", faults=("Q_UH:never-on",)).end is None
        assert look(board, "P", "U", hold=held).end is not None
        assert look(board, "P", "U", hold=held, faults=("Q_UH:never-on",)).end is None

    def test_resistance_of_the_source(self) -> None:
        """12 V behind 100 kohm are 1.1 V on a pull-down of 10 kohm and open nothing; behind 1 kohm they are 10.9 V."""
        board = load_board("six-switch-bridge")
        assert look(board, "U", "N", hold=(Hold("UL", 12.0, 100e3),)).end is None
        assert look(board, "U", "N", hold=(Hold("UL", 12.0, 1e3),)).end == pytest.approx(0.65, abs=0.002)

    def test_parallel_gates(self) -> None:
        """A position holds both its gates, a numbered one holds its own: the other then carries nothing."""
        board = load_board("full-bridge-welder")
        both = look(board, "P", "A", hold=(Hold("AH", 12.0),)).end
        assert both == pytest.approx(0.65 - 1.5 * VT * math.log(2.0), abs=0.002)
        one_broken = ("Q_AH_1:never-on",)
        assert look(board, "P", "A", hold=(Hold("AH", 12.0),), faults=one_broken).end == pytest.approx(0.65, abs=0.002)

    def test_two_gates_make_a_path(self) -> None:
        """Both switches of a leg held up conduct from plus to minus, two drops."""
        board = load_board("drive-module")
        held = (Hold("UH", 12.0), Hold("UL", 12.0))
        assert look(board, "P", "NU", hold=held).end == pytest.approx(1.3, abs=0.004)
        assert look(board, "P", "NU", hold=held[:1]).end is None


class TestThresholds:
    """Which meter can open which switch by itself."""

    @pytest.mark.parametrize("meter", ["handheld", "pocket"])
    def test_three_volts_do_not_open_an_igbt(self, meter: str) -> None:
        """With its gate shorted to its collector an IGBT stays dark for a meter of 3 V: its threshold is 5.5 V."""
        board = load_board("drive-module")
        assert look(board, "P", "U", faults=("Q_UH:gc-short",), meter=meter).end is None

    def test_twelve_volts_do(self) -> None:
        """The 12 V range of a moving-needle meter opens the same IGBT: 5.4 V behind 200 kohm read as 164 kohm."""
        board = load_board("drive-module")
        # its red lead is the negative one
        found = look(board, "U", "P", "ohms:x10k", faults=("Q_UH:gc-short",), meter="moving-needle")
        assert look(board, "U", "P", "ohms:x10k", meter="moving-needle").end is None
        assert found.end == pytest.approx(200e3 * 5.4 / (12.0 - 5.4), rel=0.05)

    def test_silicon_carbide_opens(self) -> None:
        """A meter that drives 8 V opens a silicon-carbide switch so shorted, near its threshold of 2.6 V."""
        board = load_board("six-switch-sic")
        assert look(board, "P", "U", faults=("Q_UH:gc-short",), meter="high-compliance").end == pytest.approx(
            2.6, abs=0.05
        )
        assert look(board, "P", "U", meter="high-compliance").end is None


class TestLifting:
    """A lifted pin is off its net, and a lead may touch it."""

    def test_lifted_leg_removes_its_path(self) -> None:
        """With the emitter leg of a co-packed IGBT lifted its diode is off the board: minus to the phase ends open."""
        board = load_board("six-switch-bridge")
        assert look(board, "N", "U").end == pytest.approx(0.42, abs=0.001)
        assert look(board, "N", "U", lift=("Q_UL.emitter",)).end is None
        assert look(board, "N", "V", lift=("Q_UL.emitter",)).end == pytest.approx(0.42, abs=0.001)

    @pytest.mark.parametrize("leg", ["Q_UL.emitter", "D_UL.anode"])
    def test_lead_on_a_lifted_leg(self, leg: str) -> None:
        """A lead on the lifted leg reads what is behind it, by whichever name of the leg it was lifted and touched."""
        board = load_board("six-switch-bridge")
        for lifted in ("Q_UL.emitter", "D_UL.anode"):
            assert look(board, leg, "U", lift=(lifted,)).end == pytest.approx(0.42, abs=0.001)
            assert look(board, leg, "N", "ohms", lift=(lifted,)).end != look(board, leg, "N", "ohms").end

    def test_lead_on_a_pin_in_place(self) -> None:
        """A lead on a pin that is not lifted reads as on its net: 0 ohm and the leads to the terminal there."""
        board = load_board("six-switch-bridge")
        assert look(board, "RG_UL.b", "G_UL", "ohms").end == pytest.approx(0.2, abs=0.001)
        assert look(board, "RG_UL.a", "G_UL", "ohms").end == pytest.approx(22.0 + 0.2, abs=0.1)

    def test_lifted_resistor_end(self) -> None:
        """One end of a gate resistor lifted leaves the pull-down alone, 10 kohm, and the resistor by itself, 22 ohm."""
        board = load_board("six-switch-bridge")
        lift = ("RG_UL.a",)
        assert look(board, "G_UL", "E_UL", "ohms:20k", lift=lift).end == pytest.approx(10e3 + 0.2, abs=1.0)
        assert look(board, "RG_UL.a", "G_UL", "ohms", lift=lift).end == pytest.approx(22.0 + 0.2, abs=0.01)
        assert look(board, "RG_UL.a", "GD_UL", "diode", lift=lift).end is None

    def test_lifted_for_all_readings(self) -> None:
        """A pin lifted by the set-up and one lifted for the reading give the same forecast."""
        board = load_board("six-switch-bridge")
        by_setup = Setup(lifted=("Q_UL.emitter",), dwell_s=0.0)
        for red, black in (("N", "P"), ("N", "U"), ("U", "P")):
            for_all, for_one = look(board, red, black, setup=by_setup), look(board, red, black, lift=("Q_UL.emitter",))
            assert (for_all.start, for_all.end) == (for_one.start, for_one.end)
        assert look(board, "N", "P", setup=by_setup).end != look(board, "N", "P").end
