"""Worked examples of textbooks and manuals, through the device laws and the network solver.

Each example names where it was published. 'from memory' marks a source or a figure that was not seen again; the exact
answers of those were worked out anew from the data given.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import brentq

from bridge import laws
from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.instants import build_points
from bridge.probing import Setup
from bridge.shots import Shot
from bridge.solve import solve_points
from bridge.variants import ChangeClasses
from tests.physics.benchboards import diode, make_board, resistor

VT25 = laws.thermal_voltage(298.15)


def junction_amps(volts: float, saturation: float, scale: float, series_ohms: float = 0.0) -> float:
    """Return the current of one junction [A]."""
    current, _ = laws.junction(np.array([volts]), np.array([saturation]), np.array([scale]), np.array([series_ohms]))
    return float(current[0])


def textbook_diode(ref: str, anode: str, cathode: str, saturation: float, scale: float) -> str:
    """Return a diode of a board file with a saturation current [A] and n kT/q [V] from a book."""
    return diode(ref, anode, cathode, drop=scale * math.log1p(1e-3 / saturation), ideality=scale / VT25).replace(
        "ideality =", "series_ohms = 0.0\nideality ="
    )


def solve_network(board: Board, volts: float, ohms: float, celsius: float = 25.0) -> dict[str, float]:
    """Return the node voltages [V] of a board with a source of ``volts`` behind ``ohms`` from S to G."""
    circuit = build_circuit(board, Setup(temperature_c=celsius))
    red, black = circuit.node("S"), circuit.node("G")
    shot = Shot(0, None, red, black, 0.0, volts, ohms, 0.0, "V", 1e3, ())
    points, _ = build_points(circuit, [shot], np.zeros(1, dtype=np.intp), ChangeClasses(circuit, [Change()]))
    solution = solve_points(circuit, points)
    assert solution.converged.all()
    return {name: float(solution.voltage[circuit.node(name), 0]) for name in board.terminals}


class TestDiodeLaw:
    """One junction by itself."""

    @pytest.mark.parametrize(
        ("celsius", "millivolts"),
        [(0, 23.5382), (20, 25.2617), (25, 25.6926), (26.85, 25.8520), (27, 25.8649), (60, 28.7086)],
    )
    def test_thermal_voltage(self, celsius: float, millivolts: float) -> None:
        """kT/q has the values that the exact SI constants give (CODATA 2018, exact since SI 2019)."""
        assert 1e3 * laws.thermal_voltage(celsius + 273.15) == pytest.approx(millivolts, abs=6e-5)

    def test_forward_and_reverse_current(self) -> None:
        """Is 1e-14 A, 26 mV: 4.93 mA at +0.7 V and -1e-14 A at -0.7 V.

        Source: Neamen, Electronic Circuit Analysis and Design, ex. 1.5; recomputed: 1e-14 expm1(0.7/0.026).
        """
        assert junction_amps(0.7, 1e-14, 0.026) == pytest.approx(4.93e-3, abs=0.005e-3)
        # the surface path of 1e-15 S that every junction has here adds 7e-16 A
        assert junction_amps(-0.7, 1e-14, 0.026) == pytest.approx(-1e-14 - 0.7e-15, rel=1e-9)

    def test_saturation_current_of_a_power_diode(self) -> None:
        """1.2 V at 300 A with n 2 and 25.7 mV needs Is 2.17746e-8 A.

        Source: Rashid, Power Electronics, 4th ed., ex. 2.1.
        """
        assert junction_amps(1.2, 2.17746e-8, 2 * 0.0257) == pytest.approx(300.0, rel=5e-6)

    @pytest.mark.parametrize(("volts", "slope"), [(0.50, -2.29), (0.60, -1.96), (0.70, -1.62)])
    def test_drop_falls_with_temperature(self, volts: float, slope: float) -> None:
        """At constant current a silicon junction loses about 2 mV a kelvin, the more the lower it stands.

        Source: the simulators' temperature law with EG 1.11 and XTI 3 (calculated at 300 K, n 1); about -2 mV per
        degree is a textbook passage, a second quotation names Sedra & Smith.
        """
        kelvin, step = 300.0, 0.01
        at_300 = 1e-3 / math.expm1(volts / laws.thermal_voltage(kelvin))
        at_25 = at_300 / laws.scale_saturation_current(1.0, 1.0, kelvin)

        def drop(temperature: float) -> float:
            saturation = laws.scale_saturation_current(at_25, 1.0, temperature)
            return laws.thermal_voltage(temperature) * math.log1p(1e-3 / saturation)

        assert drop(kelvin) == pytest.approx(volts, abs=1e-9)
        assert 1e3 * (drop(kelvin + step) - drop(kelvin - step)) / (2 * step) == pytest.approx(slope, abs=0.01)

    @pytest.mark.parametrize(
        ("name", "saturation", "ideality", "series_ohms", "millivolts"),
        [
            ("1N4007 a", 7.02767e-9, 1.808, 0.0342, (447, 523, 555, 574)),
            ("1N4007 b", 3.872e-9, 1.776, 0.0166, (467, 541, 573, 591)),
            ("1N4001/4/7 c", 1.411e-8, 1.98, 0.0336, (454, 537, 572, 593)),
            ("1N4007 d", 7.69e-11, 1.45, 0.0342, (528, 588, 614, 630)),
            ("1N5408", 6.30e-8, 1.70, 0.0141, (324, 395, 425, 443)),
            ("1N4148 a", 2.52e-9, 1.752, 0.568, (480, 553, 585, 603)),
            ("1N4148 b", 4.352e-9, 1.906, 0.646, (495, 575, 609, 630)),
            ("1N914B", 5.0e-9, 2.0, 0.862, (512, 596, 632, 654)),
            ("1N5819 Schottky", 3.17e-5, 1.373, 0.051, (51, 100, 124, 138)),
            ("IRF540 body diode", 2e-12, 1.0, 0.0, (459, 500, 518, 529)),
        ],
    )
    def test_diodes_of_public_libraries(
        self, name: str, saturation: float, ideality: float, series_ohms: float, millivolts: tuple[int, ...]
    ) -> None:
        """Published Is, n and Rs give the forward voltage at 0.1, 0.5, 1 and 1.5 mA, 27 deg C, to the millivolt.

        Source: SPICE sets of public libraries (Is, n, Rs); forward voltages calculated by n kT/q ln(1 + I/Is) + I Rs.
        """
        scale = ideality * laws.thermal_voltage(300.15)
        for amps, expected in zip((1e-4, 5e-4, 1e-3, 1.5e-3), millivolts, strict=True):
            volts = brentq(lambda v, i=amps: junction_amps(v, saturation, scale, series_ohms) - i, 0.0, 1.0, xtol=1e-12)
            # printed in whole millivolts, a few of them rounded upwards
            assert 1e3 * volts == pytest.approx(expected, abs=0.6), f"{name} at {amps} A"

    def test_drop_at_one_milliampere_is_what_the_board_file_says(self) -> None:
        """A 1N4007 whose drop is stated as 0.555 V at 1 mA gets its library's saturation current back within 2 %.

        Source: SPICE set 1N4007 a; the drop is rounded to a millivolt, and a millivolt of n 26 mV is 2 %.
        """
        at_27 = laws.scale_saturation_current(
            laws.saturation_current(0.555 + 2e-3 * 1.25, 1.808, 0.0342), 1.808, 300.15
        )
        # the drop falls by about 1.25 mV per kelvin between 25 and 27 degrees here (EG 1.11 over n 1.808)
        assert at_27 == pytest.approx(7.02767e-9, rel=0.05)


class TestSmallNetworks:
    """Textbook networks, through board, circuit and solver."""

    @pytest.mark.parametrize(
        ("volts", "ohms", "saturation", "drop", "amps"),
        [
            # Neamen, Electronic Circuit Analysis and Design, ex. 1.6: 0.619 V, 2.19 mA
            (5.0, 2e3, 1e-13, 0.619059, 2.190470e-3),
            # Rabaey, Digital Integrated Circuits, ex. 2.2 p. 27 (title from memory): 0.224 mA, 0.76 V
            (3.0, 10e3, 0.5e-16, 0.757427, 0.224257e-3),
        ],
    )
    def test_diode_and_resistor(self, volts: float, ohms: float, saturation: float, drop: float, amps: float) -> None:
        """A source, a resistor and a diode (26 mV) settle at the published voltage and current."""
        board = make_board("S G", textbook_diode("D_1", "S", "G", saturation, 0.026))
        found = solve_network(board, volts, ohms)["S"]
        assert found == pytest.approx(drop, abs=1e-6)
        assert (volts - found) / ohms == pytest.approx(amps, abs=1e-9)

    def test_four_resistor_bridge_with_a_diode_across_it(self) -> None:
        """5 V; 1 k and 4 k against 3 k and 2 k; a diode (3 nA, 50 mV) from node 1 to node 2.

        Source: ex. 6.17 p. 276 (book: Newman, Computational Physics, from memory); answers calculated.
        """
        board = make_board(
            "S G ONE TWO",
            resistor("R_1", "S", "ONE", 1e3),
            resistor("R_2", "ONE", "G", 4e3),
            resistor("R_3", "S", "TWO", 3e3),
            resistor("R_4", "TWO", "G", 2e3),
            textbook_diode("D_1", "ONE", "TWO", 3e-9, 0.05),
        )
        # a source needs a resistance here: one ohm, and as much more voltage as it takes away
        volts = brentq(lambda source: solve_network(board, source, 1.0)["S"] - 5.0, 5.0, 5.01, xtol=1e-10)
        found = solve_network(board, volts, 1.0)
        assert found["ONE"] == pytest.approx(3.446955, abs=1e-6)
        assert found["TWO"] == pytest.approx(2.829568, abs=1e-6)
        through = (5.0 - found["ONE"]) / 1e3 - found["ONE"] / 4e3
        assert through == pytest.approx(0.691307e-3, abs=2e-9)

    def test_current_source_two_resistors_and_a_diode(self) -> None:
        """0.1 A into node 1; 100 ohm to ground, 10 k to node 2; a diode (1e-15 A, 25.875 mV) from there to ground.

        Source: nonlinear-circuit example of the OpenMDAO documentation; 0.1 A beside 100 ohm is 10 V behind 100.
        """
        board = make_board(
            "S G TWO", resistor("R_2", "S", "TWO", 10e3), textbook_diode("D_1", "TWO", "G", 1e-15, 0.025875)
        )
        found = solve_network(board, 10.0, 100.0)
        assert found["S"] == pytest.approx(9.90804735, abs=1e-7)
        assert found["TWO"] == pytest.approx(0.71278185, abs=1e-7)
        assert (found["S"] - found["TWO"]) / 10e3 == pytest.approx(0.91953e-3, abs=5e-9)

    @pytest.mark.parametrize(("count", "volts", "amps"), [(1, 0.697385, 13.026e-3), (2, 1.359292, 6.407e-3)])
    def test_source_with_one_or_two_diodes(self, count: int, volts: float, amps: float) -> None:
        """20 mA beside 100 ohm, into one diode or two in series (1e-14 A, 25 mV).

        Source: university course scripts (data); answers calculated. 20 mA beside 100 ohm is 2 V behind 100 ohm.
        A board file takes no ideality below 1, so 25 mV is had as 1 x kT/q at 17 deg C, with that day's Is.
        """
        kelvin = 0.025 / laws.thermal_voltage(1.0)
        at_25 = 1e-14 / laws.scale_saturation_current(1.0, 1.0, kelvin)
        nets = ["S", *(f"X{number}" for number in range(1, count)), "G"]
        ends = list(itertools.pairwise(nets))
        chain = [textbook_diode(f"D_{number}", a, b, at_25, VT25) for number, (a, b) in enumerate(ends)]
        found = solve_network(make_board("S G", *chain), 2.0, 100.0, kelvin - 273.15)["S"]
        assert found == pytest.approx(volts, abs=1e-6)
        assert (2.0 - found) / 100.0 == pytest.approx(amps, abs=1e-6)

    @pytest.mark.parametrize(
        ("volts_per_decade", "drop", "amps"), [(0.1, 0.7627, 4.2373e-3), (0.06, 0.7378, 4.2622e-3)]
    )
    def test_iteration_by_decades(self, volts_per_decade: float, drop: float, amps: float) -> None:
        """5 V through 1 k into a diode of 1 mA at 0.7 V that takes 0.1 V (or 60 mV) a decade.

        Source: Sedra & Smith, 5th ed. ex. 3.4, 6th ed. ex. 4.4 (from memory; recomputed).
        """
        scale = volts_per_decade / math.log(10.0)
        board = make_board("S G", textbook_diode("D_1", "S", "G", 1e-3 / math.expm1(0.7 / scale), scale))
        found = solve_network(board, 5.0, 1e3)["S"]
        assert found == pytest.approx(drop, abs=6e-5)
        assert (5.0 - found) / 1e3 == pytest.approx(amps, abs=6e-8)

    @pytest.mark.parametrize(("amps", "ohms"), [(1e-3, 555.0), (1e-4, 4.47e3), (1e-5, 34.0e3), (1e-6, 232e3)])
    def test_junction_in_ohms_mode_depends_on_the_range(self, amps: float, ohms: float) -> None:
        """A rectifier reads 555 ohm at 1 mA and 232 k at 1 uA: ohms of a junction belong to a range.

        Source: SPICE set 1N4007 a at 27 deg C; resistances calculated.
        """
        scale = 1.808 * laws.thermal_voltage(300.15)
        volts = brentq(lambda v: junction_amps(v, 7.02767e-9, scale, 0.0342) - amps, 0.0, 1.0, xtol=1e-13)
        assert volts / amps == pytest.approx(ohms, rel=2e-3)


def test_measured_diode_follows_the_law() -> None:
    """A measured silicon diode above 0.4 V is met within 20 % of its current by one n and one Is.

    Source: public student-lab dataset, 0.4 V 3.2 uA to 0.65 V 4.511 mA; n 1.34 and Is 2.6e-11 A fitted to it.
    """
    measured = {0.4: 0.0032e-3, 0.5: 0.0444e-3, 0.55: 0.2083e-3, 0.6: 0.9173e-3, 0.65: 4.511e-3}
    scale = 1.34 * laws.thermal_voltage(298.15)
    for volts, amps in measured.items():
        assert junction_amps(volts, 2.6e-11, scale) == pytest.approx(amps, rel=0.2)
    drop = brentq(lambda v: junction_amps(v, 2.6e-11, scale) - 1e-3, 0.0, 1.0)
    assert drop == pytest.approx(0.602, abs=2e-3)
