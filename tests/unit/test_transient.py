"""Capacitors that charge through a meter, against what a pencil or a finer method makes of them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bridge.board import Board, load_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of
from bridge.instants import build_points, first_instant
from bridge.meter import MeterProfile, load_meter, parse_meter
from bridge.points import Points, Solution
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.solve import solve_points
from bridge.transient import rest_leads
from bridge.variants import ChangeClasses
from tests.physics.benchboards import capacitor, diode, make_board, resistor

HALF_A_MILLIVOLT = 5e-4  # half of a display's last digit, over a dwell

METER = parse_meter(
    """
    name = "ideal"
    counts = 1000000
    lead_ohms = 0.0
    beep_ohms = 30.0
    diode = { source = "current", amps = 1e-3, open_volts = 9.0, limit_volts = 9.0 }
    ohms = [{ name = "cell", full_scale = 400e3, source = "resistor", ohms = 1000.0, open_volts = 3.0 }]
    accuracy = { diode = [1.0, 1], ohms = [1.0, 1] }
    """,
    "ideal meter",
)


class Rest:
    """A board under the leads, ready to rest for some time."""

    def __init__(
        self,
        board: Board,
        *probings: Probing,
        change: Change | None = None,
        meter: MeterProfile = METER,
        bus_volts: float = 0.0,
    ) -> None:
        self.circuit: Circuit = build_circuit(board, Setup())
        shots = [
            shot for number, probing in enumerate(probings) for shot in plan_shots(self.circuit, meter, probing, number)
        ]
        which, classes = np.arange(len(shots)), ChangeClasses(self.circuit, [Change(), change or Change()])
        applied = np.full(len(shots), classes.class_of[1])
        self.points: Points
        self.points, factors = build_points(self.circuit, shots, which, classes, applied)
        beginning, _ = build_points(self.circuit, shots, which, classes, applied)
        first_instant(self.circuit, beginning, factors, bus_volts)
        self.start = solve_points(self.circuit, beginning).voltage
        self.farads = self.circuit.capacitor_farads[:, None] * factors
        charge = self.circuit.capacitor_share * bus_volts
        self.charge = np.repeat(charge[:, None], self.points.size, axis=1)

    def after(self, seconds: float) -> float:
        """Return the voltage between the tips of the first probing after some time [V]."""
        voltage, _, converged = rest_leads(self.circuit, self.points, self.farads, self.charge, self.start, seconds)
        assert converged.all()
        return float(voltage[self.points.red[0], 0] - voltage[self.points.black[0], 0])


class TestByHand:
    """One capacitor, one source."""

    @pytest.mark.parametrize("seconds", [1e-3, 0.1, 1.0, 3.0])
    def test_current_source(self, seconds: float) -> None:
        """A capacitor of 1000 uF fed 1 mA stands at I t / C: 1 V after a second; 10 milliohm add 10 uV."""
        board = make_board("P N", capacitor("C_1", "P", "N", 1e-3))
        assert Rest(board, Probing("P", "N")).after(seconds) == pytest.approx(seconds + 1e-5, abs=HALF_A_MILLIVOLT)

    @pytest.mark.parametrize("seconds", [0.01, 0.5, 1.0, 2.0, 10.0])
    def test_through_a_resistor(self, seconds: float) -> None:
        """Through 1 kohm a capacitor of 1000 uF follows 3 V (1 - exp(-t / 1 s))."""
        rest = Rest(make_board("P N", capacitor("C_1", "P", "N", 1e-3)), Probing("P", "N", "ohms", "cell"))
        assert rest.after(seconds) == pytest.approx(3.0 * -math.expm1(-seconds), abs=HALF_A_MILLIVOLT)

    @pytest.mark.parametrize("seconds", [0.3, 1.0, 4.0])
    def test_beside_a_bleeder(self, seconds: float) -> None:
        """Fed 1 mA beside 2 kohm, 500 uF follow 2 V (1 - exp(-t / 1 s))."""
        board = make_board("P N", capacitor("C_1", "P", "N", 5e-4), resistor("R_1", "P", "N", 2e3))
        found = Rest(board, Probing("P", "N")).after(seconds)
        assert found == pytest.approx(2.0 * -math.expm1(-seconds), abs=HALF_A_MILLIVOLT)

    def test_charged_bus_discharges(self) -> None:
        """A bus left at 1 V on 1000 uF against 1 mA the other way falls by 1 V/s and goes on below zero."""
        board = make_board("P N", capacitor("C_BUS", "P", "N", 1e-3, 1.0))
        for seconds in (0.2, 0.7, 2.0):
            found = Rest(board, Probing("N", "P"), bus_volts=1.0).after(seconds)
            assert found == pytest.approx(seconds - 1.0, abs=HALF_A_MILLIVOLT)

    def test_series_capacitors(self) -> None:
        """Two of 2000 uF in series are one of 1000 uF."""
        board = make_board("P N M", capacitor("C_1", "P", "M", 2e-3), capacitor("C_2", "M", "N", 2e-3))
        assert Rest(board, Probing("P", "N")).after(1.5) == pytest.approx(1.5, abs=HALF_A_MILLIVOLT)

    def test_dried_out(self) -> None:
        """A capacitor that has lost all but 5 % of 1 F charges as 50 mF do, and an open one at once to the end."""
        board = make_board("P N", capacitor("C_1", "P", "N", 1.0), resistor("R_1", "P", "N", 1e3))
        circuit = build_circuit(board, Setup())
        low = Rest(board, Probing("P", "N"), change=change_of(circuit, "C_1", "low", None))
        assert low.after(3.0) == pytest.approx(-math.expm1(-3.0 / 50.0), abs=HALF_A_MILLIVOLT)
        gone = Rest(board, Probing("P", "N"), change=change_of(circuit, "C_1", "open", None))
        assert gone.after(1e-6) == pytest.approx(1.0, abs=1e-6)

    def test_no_time_at_all(self) -> None:
        """Leads that rest no time read the first instant."""
        board = make_board("P N", capacitor("C_1", "P", "N", 1e-6), resistor("R_1", "P", "N", 1e3))
        rest = Rest(board, Probing("P", "N"))
        assert rest.after(0.0) == pytest.approx(1e-3 * 0.01, rel=1e-3)

    def test_stiff(self) -> None:
        """A nanofarad beside a farad: the small one is full at once, the large one still at I t / C after 3 s."""
        board = make_board(
            "P N M",
            capacitor("C_1", "P", "M", 1e-9),
            resistor("R_1", "P", "M", 100.0),
            capacitor("C_2", "M", "N", 1.0),
        )
        found = Rest(board, Probing("P", "N")).after(3.0)
        assert found == pytest.approx(0.1 + 3e-3, abs=HALF_A_MILLIVOLT)


class TestDiode:
    """A junction in the way: no closed form, so a finer method of another kind."""

    @pytest.mark.parametrize("seconds", [0.05, 0.5, 1.0, 3.0])
    def test_through_a_diode_and_a_resistor(self, seconds: float) -> None:
        """A cell of 3 V and 1 kohm charges 470 uF through a diode as an adaptive fifth-order method says, to 0.5 mV."""
        board = make_board("P N", diode("D_1", "P", "K", 0.42, 1.8), capacitor("C_1", "K", "N", 470e-6))
        circuit = build_circuit(board, Setup())
        saturation, scale = float(circuit.junction_saturation[0]), float(circuit.junction_scale[0])

        def current(held: float) -> float:
            low, high = -1e-6, 3e-3
            for _ in range(60):  # bisection on the current through diode, resistor and series resistances
                middle = 0.5 * (low + high)
                drop = scale * math.log1p(middle / saturation) + middle * (1000.0 + 0.03 + 0.01)
                low, high = (middle, high) if held + drop < 3.0 else (low, middle)
            return middle

        course = solve_ivp(
            lambda _, held: [current(held[0]) / 470e-6], (0.0, seconds), [0.0], method="RK45", rtol=1e-9, atol=1e-9
        )
        held = float(course.y[0, -1])
        expected = 3.0 - 1000.0 * current(held)
        found = Rest(board, Probing("P", "N", "ohms", "cell")).after(seconds)
        assert found == pytest.approx(expected, abs=HALF_A_MILLIVOLT)


class TestSteps:
    """How the steps are chosen must not show."""

    @pytest.mark.parametrize(
        ("name", "probing"),
        [
            ("six-switch-bridge", Probing("P", "U")),
            ("six-switch-bridge", Probing("G_UL", "E_UL")),
            ("half-bridge-cooktop", Probing("AC1", "N")),
            ("motor-drive", Probing("P", "L1")),
        ],
    )
    def test_one_rest_or_two(self, name: str, probing: Probing) -> None:
        """Three seconds at once read as one and a half and again one and a half, to half a millivolt."""
        rest = Rest(load_board(name), probing, meter=load_meter("high-compliance"))
        arguments = rest.circuit, rest.points, rest.farads
        voltage, held, good = rest_leads(*arguments, rest.charge, rest.start, 1.5)
        again, _, good_too = rest_leads(*arguments, held, voltage, 1.5)
        assert good.all()
        assert good_too.all()
        red, black = rest.points.red[0], rest.points.black[0]
        assert rest.after(3.0) == pytest.approx(float((again[red] - again[black])[0]), abs=HALF_A_MILLIVOLT)

    def test_columns_take_their_own_steps(self) -> None:
        """A column reads the same beside one that charges a thousand times faster."""
        board = make_board(
            "P N Q", capacitor("C_1", "P", "N", 1e-3), capacitor("C_2", "Q", "N", 1e-6), resistor("R_1", "Q", "N", 2e3)
        )
        alone = Rest(board, Probing("P", "N")).after(1.0)
        assert Rest(board, Probing("P", "N"), Probing("Q", "N")).after(1.0) == pytest.approx(alone, abs=1e-6)

    def test_reaches_the_end(self) -> None:
        """After hours the display is where the circuit with open capacitors puts it."""
        rest = Rest(load_board("six-switch-bridge"), Probing("N", "P"), Probing("G_UL", "E_UL"), meter=load_meter())
        end = solve_points(rest.circuit, rest.points).voltage
        voltage, _, converged = rest_leads(rest.circuit, rest.points, rest.farads, rest.charge, rest.start, 1e4)
        assert converged.all()
        columns = np.arange(2)
        found, expected = voltage[rest.points.red, columns], end[rest.points.red, columns]
        assert found == pytest.approx(expected, abs=HALF_A_MILLIVOLT)

    def test_gives_up_honestly(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A rest that runs out of steps says that it did not converge."""
        monkeypatch.setattr("bridge.transient.MOST_STEPS", 2)
        rest = Rest(make_board("P N", capacitor("C_1", "P", "N", 1e-3)), Probing("P", "N"))
        *_, converged = rest_leads(rest.circuit, rest.points, rest.farads, rest.charge, rest.start, 3.0)
        assert not converged.any()

    def test_a_step_that_fails_is_taken_again(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A step that does not converge is no end: a smaller one follows, and the display is the same."""
        calls = 0

        def stumbling(circuit: Circuit, points: Points, start: np.ndarray) -> Solution:
            nonlocal calls
            calls += 1
            found = solve_points(circuit, points, start)
            return dataclasses.replace(found, converged=found.converged & (calls not in (1, 12)))

        monkeypatch.setattr("bridge.transient.solve_points", stumbling)
        rest = Rest(make_board("P N", capacitor("C_1", "P", "N", 1e-3)), Probing("P", "N"))
        assert rest.after(1.0) == pytest.approx(1.0 + 1e-5, abs=HALF_A_MILLIVOLT)
        assert calls > 12
