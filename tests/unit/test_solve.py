"""Operating points against hand arithmetic on boards of a few parts, and what the solver promises of any board."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import brentq

from bridge import newton, solve
from bridge.board import Board, load_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.instants import build_points, first_instant
from bridge.meter import MeterProfile, load_meter, parse_meter
from bridge.points import Points, full_scale_amps, meter_current
from bridge.probing import Hold, Probing, Setup
from bridge.response import solve_response
from bridge.shots import plan_shots
from bridge.solve import solve_points
from bridge.variants import ChangeClasses
from tests.physics.benchboards import bare_bridge, capacitor, diode, make_board, part, resistor, settled, switch
from tests.plain.solver import channel_law, junction_law, plain_solve

VT = 0.025692579  # kT/q at 25 degrees Celsius [V]
MILLIAMP = 1e-3
MICROVOLT = 1e-6

METER = parse_meter(
    """
    name = "ideal"
    counts = 1000000
    lead_ohms = 0.0
    beep_ohms = 30.0
    diode = { source = "current", amps = 1e-3, open_volts = 3.0, limit_volts = 3.0 }
    ohms = [
        { name = "10uA", full_scale = 200e3, source = "current", amps = 1e-5, open_volts = 3.0 },
        { name = "cell", full_scale = 400e3, source = "resistor", ohms = 200.0, open_volts = 3.0 },
    ]
    accuracy = { diode = [1.0, 1], ohms = [1.0, 1] }
    """,
    "ideal meter",
)


def points_of(
    circuit: Circuit, *probings: Probing, change: Change | None = None, meter: MeterProfile = METER
) -> Points:
    """Return one point per probing, capacitors open."""
    shots = [shot for number, probing in enumerate(probings) for shot in plan_shots(circuit, meter, probing, number)]
    which = np.arange(len(shots))
    classes = ChangeClasses(circuit, [Change(), change or Change()])
    points, _ = build_points(circuit, shots, which, classes, np.full(len(shots), classes.class_of[1]))
    return points


def tips(board: Board, red: str, black: str, mode: str = "diode", hold: tuple[Hold, ...] = ()) -> float:
    """Return the voltage between the tips of the leads [V]."""
    kind, _, name = mode.partition(":")
    circuit = build_circuit(board, Setup())
    points = points_of(circuit, Probing(red, black, kind, name or None, hold))
    solution = solve_points(circuit, points)
    assert solution.converged.all()
    return float(solution.voltage[points.red[0], 0] - solution.voltage[points.black[0], 0])


class TestByHand:
    """Voltages a pencil can check: 1 mA, junctions of n = 1.8 given by their drop at 1 mA."""

    def test_one_diode(self) -> None:
        """One diode of 0.42 V at 1 mA reads 0.42 V."""
        board = make_board("A K", diode("D_1", "A", "K", 0.42, 1.8))
        assert tips(board, "A", "K") == pytest.approx(0.42, abs=MICROVOLT)

    def test_leads_add(self) -> None:
        """Leads of 0.2 ohm add 0.2 mV to what the meter shows."""
        board = make_board("A K", diode("D_1", "A", "K", 0.42, 1.8))
        assert settled(board, "A", "K", meter=load_meter("handheld")) == pytest.approx(0.42 + 0.2e-3, abs=2 * MICROVOLT)

    def test_two_diodes(self) -> None:
        """Two diodes one behind the other read 0.42 + 0.36 V."""
        board = make_board("A K", diode("D_1", "A", "M", 0.42, 1.8), diode("D_2", "M", "K", 0.36, 1.8))
        assert tips(board, "A", "K") == pytest.approx(0.78, abs=MICROVOLT)

    @pytest.mark.parametrize("legs", [1, 2, 3, 5])
    def test_parallel_legs(self, legs: int) -> None:
        """In n equal legs of two diodes each carries 1/n: 2 (0.42 - 1.8 kT/q ln n) V.

        The series resistance of 0.03 ohm carries less too: 30 uV at 1 mA. By hand exp - 1 is exp: 10 uV for each leg.
        """
        names = [f"L{number}" for number in range(legs)]
        parts = [
            diode(f"D_{name}H", name, "P", 0.42, 1.8) + diode(f"D_{name}L", "N", name, 0.42, 1.8) for name in names
        ]
        found = tips(make_board("P N", *parts), "N", "P")
        series = 2.0 * 0.03 * MILLIAMP * (1.0 - 1.0 / legs)
        assert found == pytest.approx(2.0 * (0.42 - 1.8 * VT * math.log(legs)) - series, abs=1e-5 * legs)

    def test_diode_beside_a_resistor(self) -> None:
        """Beside 1 kohm at 0.42 V the diode is left with 0.58 mA: 0.42 - 1.8 kT/q ln(1/0.58...) by bisection."""
        board = make_board("A K", diode("D_1", "A", "K", 0.42, 1.8), resistor("R_1", "A", "K", 1e3))
        by_hand = brentq(lambda v: v / 1e3 + MILLIAMP * math.exp((v - 0.42) / (1.8 * VT)) - MILLIAMP, 0.0, 0.42)
        # exp for exp - 1 and 13 uV of series resistance are left out by hand
        assert tips(board, "A", "K") == pytest.approx(by_hand, abs=2e-5)

    def test_current_source_near_its_end(self) -> None:
        """Across 2.9 kohm the source runs out: v / 2.9 kohm = 1 mA (1 - exp((v - 3 V)/25 mV))."""
        board = make_board("A K", resistor("R_1", "A", "K", 2.9e3))
        by_hand = brentq(lambda v: v / 2.9e3 + MILLIAMP * math.expm1((v - 3.0) / 0.025), 2.0, 3.0)
        assert 2.85 < by_hand < 2.90
        assert tips(board, "A", "K") == pytest.approx(by_hand, abs=MICROVOLT)

    def test_open_leads(self) -> None:
        """Open leads stand at the open-circuit voltage: 3 V."""
        board = make_board("A K", diode("D_1", "K", "A", 0.9, 1.8))
        # what the diode lets back, 4 pA, is 3 parts in 1e9 of the test current
        assert tips(board, "A", "K") == pytest.approx(3.0, abs=1e-5)

    def test_cell_behind_a_resistor(self) -> None:
        """3 V behind 200 ohm across 100 ohm is 1 V, and across a diode by bisection."""
        board = make_board("A K", resistor("R_1", "A", "K", 100.0))
        assert tips(board, "A", "K", "ohms:cell") == pytest.approx(1.0, rel=1e-9)
        board = make_board("A K", diode("D_1", "A", "K", 0.42, 1.8))
        by_hand = brentq(
            lambda v: (3.0 - v) / 200.0 - MILLIAMP * math.exp((v - 0.42 - 0.03 * (3.0 - v) / 200.0) / (1.8 * VT)),
            0.3,
            1.0,
        )
        assert tips(board, "A", "K", "ohms:cell") == pytest.approx(by_hand, abs=5e-5)

    def test_gate_pull_down_beside_its_driver(self) -> None:
        """A pull-down of 10 kohm beside 22 ohm and 1 Mohm of driver reads 9901 ohm at 10 uA, but for its clamp.

        The clamp takes: 0.62 V at 1 mA with n = 1.2 is 1.9 pA (exp(0.099 V/30.8 mV) - 1) = 45 pA, 5 ppm of 10 uA.
        """
        pins = {"out": "GD", "common": "E", "supply": "VCC"}
        drive = part("DRV_L", "driver", pins, drop_1ma=0.62, off_ohms=1e6) + resistor("RG_L", "GD", "G_L", 22.0)
        board = make_board("C E G_L", switch("L", "C", "E"), resistor("RGE_L", "G_L", "E", 10e3), drive)
        by_hand = 1.0 / (1.0 / 10e3 + 1.0 / (1e6 + 22.0))
        assert by_hand == pytest.approx(9901.0, abs=0.1)
        assert tips(board, "E", "G_L", "ohms:10uA") / 1e-5 == pytest.approx(by_hand * (1.0 - 5e-6), rel=1e-6)

    def test_temperature(self) -> None:
        """A junction of 0.42 V at 25 degrees reads what the saturation current of 45 degrees leaves of it."""
        board = make_board("A K", part("D_1", "diode", {"anode": "A", "cathode": "K"}, drop_1ma=0.42, ideality=1.8))
        ratio = 318.15 / 298.15
        warm = VT * ratio
        growth = math.log(ratio) * 3.0 / 1.8 + (ratio - 1.0) * 1.11 / (1.8 * warm)
        by_hand = 1.8 * warm * (0.42 / (1.8 * VT) - growth)
        found = settled(board, "A", "K", meter=METER, setup=Setup(temperature_c=45.0))
        assert found == pytest.approx(by_hand, abs=5e-5)
        # 2 to 3 mV per degree
        assert 0.04 < 0.42 - found < 0.06


class TestGates:
    """Channels, with their gates held, shorted or left alone."""

    IGBT = make_board("C E", switch("L", "C", "E"))
    PINS = ("drain", "source", "gate")
    MOSFET = make_board(
        "D S",
        part("Q_L", "mosfet", dict(zip(PINS, "DSG", strict=True)), gate_threshold=2.6, on_ohms=0.16, position="L"),
    )

    def test_igbt_held_on(self) -> None:
        """An IGBT with 12 V on its gate drops its 0.65 V at 1 mA, and blocks at rest."""
        # the channel's share of the drop is below 1 %: it could carry 0.5 A times thousands
        assert tips(self.IGBT, "C", "E", hold=(Hold("L", 12.0),)) == pytest.approx(0.65, abs=1e-3)
        assert tips(self.IGBT, "C", "E") == pytest.approx(3.0, abs=1e-4)

    def test_igbt_held_below_threshold(self) -> None:
        """Held 1 V under its threshold of 5 V it passes 1 mA / 10^(1 V / 104 mV), less than 1 pA: open."""
        assert tips(self.IGBT, "C", "E", hold=(Hold("L", 4.0),)) == pytest.approx(3.0, abs=1e-4)

    def test_mosfet_held_on(self) -> None:
        """A MOSFET with 10 V on its gate is its on resistance: 0.16 mV at 1 mA, both ways."""
        hold = (Hold("L", 10.0),)
        assert tips(self.MOSFET, "D", "S", hold=hold) == pytest.approx(0.16e-3, rel=1e-3)
        assert tips(self.MOSFET, "S", "D", hold=hold) == pytest.approx(0.16e-3, rel=1e-3)

    def test_gate_to_drain_short_is_a_diode_of_its_threshold(self) -> None:
        """With gate and drain tied the channel carries 1 mA at its threshold of 2.6 V."""
        circuit = build_circuit(self.MOSFET, Setup())
        points = points_of(circuit, Probing("D", "S"), change=change_of(circuit, "Q_L", "gc-short", 0.1))
        solution = solve_points(circuit, points)
        assert solution.converged.all()
        assert solution.voltage[points.red[0], 0] - solution.voltage[points.black[0], 0] == pytest.approx(2.6, abs=1e-4)

    def test_held_gate_is_a_divider(self) -> None:
        """A gate held at 12 V behind 1 kohm with a leak of 500 ohm rests at 12 V x 500/1500 = 4 V."""
        circuit = build_circuit(self.IGBT, Setup())
        points = points_of(
            circuit, Probing("C", "E", hold=(Hold("L", 12.0),)), change=change_of(circuit, "Q_L", "ge-leak", 500.0)
        )
        voltage = solve_points(circuit, points).voltage[:, 0]
        row = circuit.channel_rows["Q_L"]
        assert voltage[circuit.channel_gate[row]] - voltage[circuit.channel_low[row]] == pytest.approx(4.0, rel=1e-9)

    def test_voltmeter_beside_a_channel_that_a_held_gate_feeds(self) -> None:
        """12 V behind 1 kohm on gate and collector: 1 kohm times the channel's own law at that voltage is what is left.

        The voltmeter's share of current is a hundred million times less: rounding of the channel must not count as an
        unfinished solve.
        """
        circuit = build_circuit(self.IGBT, Setup())
        points = points_of(
            circuit,
            Probing("C", "E", "volts", hold=(Hold("L", 12.0),)),
            change=change_of(circuit, "Q_L", "gc-short", 1.0),
        )
        solution = solve_points(circuit, points)
        assert solution.converged.all()
        row = circuit.channel_rows["Q_L"]
        found = solution.voltage[circuit.channel_high[row], 0] - solution.voltage[circuit.channel_low[row], 0]

        def left(gate: float) -> float:
            amps = (12.0 - gate) / 1000.0
            return amps - channel_law(circuit, row, gate - amps, gate)[0]

        gate = brentq(left, 1.0, 12.0, xtol=1e-14)
        assert found == pytest.approx(gate - (12.0 - gate) / 1000.0, abs=10 * MICROVOLT)

    @pytest.mark.parametrize("one_net", [False, True])
    def test_two_channels_that_follow_their_collectors_share_the_voltage(self, one_net: bool) -> None:
        """Two switches with their gates on their collectors are alike: each takes half of what a capacitor holds.

        What joins them hangs on nothing but their transconductances, amperes strong at the first instant.
        """
        switches = switch("H", "C", "M") + switch("L", "M", "E")
        if one_net:
            switches = switches.replace('"G_H"', '"C"').replace('"G_L"', '"M"')
        board = make_board("C E", switches, capacitor("C_1", "C", "E", 1e-3, 1.0))
        circuit = build_circuit(board, Setup())
        shorts = combine([] if one_net else [change_of(circuit, name, "gc-short", 0.1) for name in ("Q_H", "Q_L")])
        shots = plan_shots(circuit, METER, Probing("C", "E", "volts"), 0)
        classes = ChangeClasses(circuit, [Change(), shorts])
        points, factors = build_points(circuit, shots, np.zeros(1, np.intp), classes, classes.class_of[1:])
        first_instant(circuit, points, factors, 12.0)
        solution = solve_points(circuit, points)
        assert solution.converged.all()
        low = circuit.channel_low[[circuit.channel_rows["Q_H"], circuit.channel_rows["Q_L"]]]
        middle, emitter = solution.voltage[low, 0]
        whole = solution.voltage[points.red[0], 0] - emitter
        assert whole > 11.0
        assert middle - emitter == pytest.approx(0.5 * whole, rel=1e-9)

    def test_holding_pushes_nothing_into_the_reading(self) -> None:
        """A floating source on a gate adds no current of its own: beside a held gate 100 ohm read 100 ohm.

        The antiparallel diode lets 37 nA (1 - exp(-0.1 V/41 mV)) back, 3e-5 of 1 mA.
        """
        board = make_board("C E", switch("L", "C", "E"), resistor("R_1", "C", "E", 100.0))
        assert tips(board, "C", "E", hold=(Hold("L", 4.0),)) == pytest.approx(0.1, rel=5e-5)

    def test_always_on(self) -> None:
        """A channel that conducts by itself drops 0.65 V at 1 mA with its gate at rest."""
        circuit = build_circuit(self.IGBT, Setup())
        points = points_of(circuit, Probing("C", "E"), change=change_of(circuit, "Q_L", "always-on", None))
        solution = solve_points(circuit, points)
        assert solution.voltage[points.red[0], 0] - solution.voltage[points.black[0], 0] == pytest.approx(
            0.65, abs=1e-3
        )


class TestMeterCurrent:
    """What comes out of the red lead."""

    def test_current_source(self) -> None:
        """Far below its open-circuit voltage a current source gives its current, at it nothing."""
        volts = np.array([-1.0, 0.0, 2.0, 3.0])
        fill = np.ones(4)
        amps, _ = meter_current(1e-3 * fill, 3.0 * fill, 0.0 * fill, volts)
        assert amps == pytest.approx([1e-3, 1e-3, 1e-3, 0.0], abs=1e-15)

    def test_leads(self) -> None:
        """Leads of 100 ohm bring the end of a 1 mA source 0.1 V closer: v + i R = 3 V + 25 mV ln(1 - i/I)."""
        i, _ = meter_current(*(np.array([x]) for x in (1e-3, 3.0, 100.0, 2.9)))
        assert 2.9 + i[0] * 100.0 == pytest.approx(3.0 + 0.025 * math.log1p(-i[0] / 1e-3), abs=1e-9)

    def test_resistor_source(self) -> None:
        """3 V behind 200 ohm give 10 mA at 1 V, with a slope of 1/200 S."""
        amps, slope = meter_current(*(np.array([x]) for x in (0.0, 3.0, 200.0, 1.0)))
        assert (amps[0], slope[0]) == pytest.approx((0.01, 0.005))

    @pytest.mark.parametrize("lead", [0.0, 0.2, 50.0])
    def test_slope(self, lead: float) -> None:
        """The slope is minus the derivative of the current."""
        volts = np.linspace(2.5, 3.2, 15)
        rest = tuple(np.full_like(volts, x) for x in (1e-3, 3.0, lead))
        step = 1e-6
        difference = (meter_current(*rest, volts + step)[0] - meter_current(*rest, volts - step)[0]) / (2.0 * step)
        assert meter_current(*rest, volts)[1] == pytest.approx(-difference, rel=1e-5, abs=1e-10)

    def test_full_scale(self) -> None:
        """The yardstick is the test current, or the short-circuit current of a cell: 3 V / 200 ohm."""
        circuit = build_circuit(TestGates.IGBT, Setup())
        points = points_of(circuit, Probing("C", "E"), Probing("C", "E", "ohms", "cell"))
        assert full_scale_amps(points) == pytest.approx([1e-3, 15e-3])


def board_points(name: str) -> tuple[Circuit, Points]:
    """Return points of all main-terminal pairs of a shipped board, and some gates."""
    board = load_board(name)
    circuit = build_circuit(board, Setup())
    main = board.main_terminals
    probings = [Probing(red, black) for red in main for black in main if red != black]
    probings += [Probing(*leads, "ohms", "20k") for leads in board.gate_leads]
    return circuit, points_of(circuit, *probings, meter=load_meter())


class TestPromises:
    """What holds of any board."""

    @pytest.mark.parametrize("name", ["six-switch-bridge", "motor-drive", "six-switch-sic"])
    def test_kirchhoff(self, name: str) -> None:
        """In every converged column the currents into every node cancel to 1e-9 of the test current."""
        circuit, points = board_points(name)
        solution = solve_points(circuit, points)
        assert solution.converged.all()
        for column in range(points.size):
            voltage = solution.voltage[:, column]
            out = np.zeros(circuit.node_count)

            def flow(a: np.ndarray, b: np.ndarray, amps: np.ndarray, total: np.ndarray = out) -> None:
                np.add.at(total, a, amps)
                np.subtract.at(total, b, amps)

            a, b = circuit.linear_a, circuit.linear_b
            flow(a, b, points.siemens[:, column] * (voltage[a] - voltage[b]))
            a, b = circuit.junction_a, circuit.junction_b
            shape = circuit.junction_saturation, circuit.junction_scale, circuit.junction_ohms
            flow(a, b, junction_law(voltage[a] - voltage[b], *shape)[0])
            high, low, gate = circuit.channel_high, circuit.channel_low, circuit.channel_gate
            for row in range(len(high)):
                drop, drive = (
                    float(voltage[high[row]] - voltage[low[row]]),
                    float(voltage[gate[row]] - voltage[low[row]]),
                )
                flow(high[row], low[row], channel_law(circuit, row, drop, drive)[0])
            red, black = points.red[column], points.black[column]
            amps, _ = meter_current(
                points.amps[[column]], points.volts[[column]], points.ohms[[column]], voltage[[red]] - voltage[black]
            )
            flow(black, red, amps[0])
            # conductances of 200 S carry a rounding of 2e-16 x 3 V each
            assert np.max(np.abs(out)) < 2e-9 * points.amps[column] + 1e-12, column

    def test_start_does_not_matter(self) -> None:
        """From voltages drawn at random the same solution is reached as from zero, to a microvolt."""
        circuit, points = board_points("six-switch-bridge")
        start = np.random.default_rng(2).uniform(-2.0, 2.0, (circuit.node_count, points.size))
        rested, thrown = solve_points(circuit, points), solve_points(circuit, points, start)
        assert thrown.converged.all()
        columns = np.arange(points.size)
        assert thrown.voltage[points.red, columns] == pytest.approx(rested.voltage[points.red, columns], abs=MICROVOLT)

    def test_company_does_not_matter(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Columns read the same in one large batch and in batches of seven with stragglers put together."""
        circuit, points = board_points("half-bridge-cooktop")
        together = solve_points(circuit, points)
        monkeypatch.setattr(solve, "batch_size", lambda _circuit: 7)
        apart = solve_points(circuit, points)
        assert apart.converged.all()
        columns = np.arange(points.size)
        assert apart.voltage[points.red, columns] == pytest.approx(together.voltage[points.red, columns], abs=1e-9)
        assert solve_response(circuit, points, apart.voltage).transfer.shape == apart.voltage.shape

    @pytest.mark.parametrize("meter_name", ["handheld", "high-compliance"])
    def test_gates_that_hang_on_their_drains(self, meter_name: str) -> None:
        """From any pad of a board of MOSFETs to any other, at the first instant and in the end, an answer is found."""
        circuit = build_circuit(load_board("six-switch-sic"), Setup())
        leads = [(red, black) for red in circuit.board.terminals for black in circuit.board.terminals]
        meter = load_meter(meter_name)
        shots = [
            shot
            for number, (red, black) in enumerate(leads)
            for shot in plan_shots(circuit, meter, Probing(red, black), number)
            if shot.red != shot.black
        ]
        which, nothing = np.arange(len(shots)), np.zeros(len(shots), dtype=np.intp)
        assert len(shots) > 600
        for at_start in (True, False):
            points, factors = build_points(circuit, shots, which, ChangeClasses(circuit, [Change()]), nothing)
            if at_start:
                first_instant(circuit, points, factors, 0.0)
            solution = solve_points(circuit, points)
            assert solution.converged.all()
            for column in np.linspace(0, len(shots) - 1, 12).astype(int).tolist():
                tips = float(
                    solution.voltage[points.red[column], column] - solution.voltage[points.black[column], column]
                )
                plain = plain_solve(circuit, shots[column], Change(), at_start=at_start)
                expected = float(plain.voltage[shots[column].red] - plain.voltage[shots[column].black])
                assert tips == pytest.approx(expected, abs=1e-4), (leads[shots[column].probing], at_start)

    def test_led_from_a_leaky_circuit(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Columns that plain steps do not finish in time are led in from a leaky circuit, to the same answers."""
        circuit, points = board_points("six-switch-sic")
        freely = solve_points(circuit, points)
        limit = 16
        monkeypatch.setattr(newton, "MAX_ITERATIONS", limit)
        led = solve_points(circuit, points)
        late = np.flatnonzero(led.converged & (freely.iterations > limit))
        assert len(late) >= 5
        red = points.red[late]
        assert led.voltage[red, late] == pytest.approx(freely.voltage[red, late], abs=MICROVOLT)

    def test_cut_short_is_not_converged(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A column that was not given enough steps says that it did not converge."""
        monkeypatch.setattr(newton, "MAX_ITERATIONS", 1)
        circuit, points = board_points("six-switch-bridge")
        solution = solve_points(circuit, points)
        assert not solution.converged.any()
        assert np.all(solution.iterations >= 1)

    def test_take_and_together(self) -> None:
        """Batches taken apart and put together again are the batch."""
        _, points = board_points("drive-module")
        halves = [points.take(np.arange(5)), points.take(np.arange(5, points.size))]
        again = Points.together(halves)
        assert halves[0].size == 5
        for field in dataclasses.fields(Points):
            assert np.array_equal(getattr(again, field.name), getattr(points, field.name))


class TestAdjoint:
    """Transfer resistances against currents really injected."""

    CASES = (
        ("six-switch-bridge", Probing("N", "P"), None),
        ("half-bridge-cooktop", Probing("N", "MID"), ("Q_L", "ce-leak", 1e3)),
        # channels whose gates follow their drains: the Jacobian is not symmetric
        ("six-switch-sic", Probing("U", "N"), ("Q_UL", "gc-short", 1.0)),
        ("drive-module", Probing("U", "NU", hold=(Hold("UL", 5.55),)), None),
    )

    @pytest.mark.parametrize(("name", "probing", "fault"), CASES)
    def test_against_injection(self, name: str, probing: Probing, fault: tuple[str, str, float] | None) -> None:
        """A nanoampere into any node moves the red lead by its transfer resistance."""
        circuit = build_circuit(load_board(name), Setup())
        change = change_of(circuit, *fault) if fault else None
        meter = load_meter("high-compliance")
        points = points_of(circuit, probing, change=change, meter=meter)
        solution = solve_points(circuit, points)
        assert solution.converged.all()
        transfer = solve_response(circuit, points, solution.voltage).transfer[:, 0]
        many = points.take(np.zeros(2 * circuit.node_count, dtype=np.intp))
        inject = many.inject.copy()
        amps = 1e-7
        nodes = np.arange(circuit.node_count)
        inject[nodes, 2 * nodes] += amps
        inject[nodes, 2 * nodes + 1] -= amps
        many = dataclasses.replace(many, inject=inject)
        start = np.repeat(solution.voltage, many.size, axis=1)
        moved = solve_points(circuit, many, start)
        red = moved.voltage[points.red[0]]
        difference = (red[0::2] - red[1::2]) / (2.0 * amps)
        # nodes cut off by reverse junctions answer with megohms: a nanoampere is no small change there
        near = np.flatnonzero(moved.converged[0::2] & moved.converged[1::2] & (np.abs(transfer) > 1e-3))
        near = near[np.max(np.abs(moved.voltage[:, 2 * near] - solution.voltage), axis=0) < 0.01]
        assert len(near) >= 2
        assert difference[near] == pytest.approx(transfer[near], rel=2e-3, abs=1.0)

    def test_by_hand(self) -> None:
        """Across 1 kohm beside the meter an ampere into the red node is worth 1 kohm, into a tap at 300 ohm 300 ohm."""
        board = make_board("A K T", resistor("R_1", "A", "T", 700.0), resistor("R_2", "T", "K", 300.0))
        circuit = build_circuit(board, Setup())
        points = points_of(circuit, Probing("A", "K"))
        transfer = solve_response(circuit, points, solve_points(circuit, points).voltage).transfer[:, 0]
        at = {net: transfer[circuit.node(net)] for net in "AKT"}
        # 1e-9 of the test current per volt is the solver's floor of the source's own conductance
        assert at["A"] == pytest.approx(1000.0, rel=1e-6)
        assert at["T"] == pytest.approx(300.0, rel=1e-6)
        assert at["K"] == pytest.approx(0.0, abs=1e-6)


def test_bridge_of_three_legs_by_hand() -> None:
    """Minus to plus of a bare bridge of n = 1.6 is 2 (0.42 - 1.6 kT/q ln 3) = 0.7497 V, simulated 0.749 V.

    Source: bench practice figures, simulated.
    """
    by_hand = 2.0 * (0.42 - 1.6 * VT * math.log(3.0))
    found = tips(make_board("P N U V W", bare_bridge()), "N", "P")
    assert found == pytest.approx(by_hand, abs=1e-4)
    assert found == pytest.approx(0.749, abs=0.01)
