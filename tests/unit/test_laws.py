"""Device laws against their defining equations, solved by other means, and slopes against differences."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import lambertw

from bridge import laws

VT_25 = 0.025692579  # kT/q at 298.15 K: 1.380649e-23 x 298.15 / 1.602176634e-19


def one(*values: float) -> tuple[np.ndarray, ...]:
    """Return each value as an array of one."""
    return tuple(np.array([value]) for value in values)


class TestConstants:
    """Temperatures and voltages everything else is built on."""

    def test_thermal_voltage(self) -> None:
        """At 25 degrees Celsius kT/q is 25.693 mV, and it grows in proportion to the temperature."""
        assert laws.thermal_voltage(298.15) == pytest.approx(VT_25, rel=1e-6)
        assert laws.thermal_voltage(2.0 * 298.15) == pytest.approx(2.0 * VT_25, rel=1e-6)
        assert pytest.approx(298.15) == laws.REFERENCE_K == laws.CELSIUS_ZERO_K + 25.0


class TestSaturationCurrent:
    """A junction is given by its drop at 1 mA."""

    @pytest.mark.parametrize(
        ("drop", "ideality", "series"), [(0.42, 1.8, 0.03), (0.36, 1.8, 0.0), (1.9, 2.0, 1.0), (0.02, 1.0, 5.0)]
    )
    def test_drops_what_is_stated_at_1_ma(self, drop: float, ideality: float, series: float) -> None:
        """At the stated drop exactly 1 mA flows, series resistance included."""
        saturation = laws.saturation_current(drop, ideality, series)
        current, _ = laws.junction(*one(drop, saturation, ideality * VT_25, series))
        assert current[0] == pytest.approx(1e-3, rel=1e-5)

    def test_by_hand(self) -> None:
        """0.42 V at n = 1.8 without series resistance: 1 mA / exp(0.42 / 46.25 mV) is 0.1138 uA."""
        by_hand = 1e-3 / (math.exp(0.42 / (1.8 * VT_25)) - 1.0)
        assert by_hand == pytest.approx(1.138e-7, rel=1e-3)
        assert laws.saturation_current(0.42, 1.8) == pytest.approx(by_hand, rel=1e-6)

    def test_unchanged_at_25_degrees(self) -> None:
        """At 25 degrees Celsius the saturation current is carried to itself."""
        assert laws.scale_saturation_current(1e-7, 1.8, 298.15) == pytest.approx(1e-7, rel=1e-12)

    def test_temperature_law(self) -> None:
        """At 75 degrees it grows by (T/T0)^(3/n) exp((T/T0 - 1) 1.11/(n kT/q)), as circuit simulators have it."""
        ratio = 348.15 / 298.15
        by_hand = 1e-7 * ratio ** (3.0 / 1.8) * math.exp((ratio - 1.0) * 1.11 / (1.8 * VT_25 * ratio))
        assert laws.scale_saturation_current(1e-7, 1.8, 348.15) == pytest.approx(by_hand, rel=1e-6)

    def test_drop_falls_with_temperature(self) -> None:
        """A silicon drop of 0.6 V falls by 1.5 to 2.5 mV per degree, the rule of the trade."""
        saturation, ideality = laws.saturation_current(0.6, 1.2), 1.2
        warm = laws.scale_saturation_current(saturation, ideality, 308.15)
        drop = ideality * laws.thermal_voltage(308.15) * math.log(1e-3 / warm + 1.0)
        assert 0.015 < 0.6 - drop < 0.025


class TestJunction:
    """Current and slope of i = Is (exp((v - i Rs)/s) - 1) + floor v."""

    VOLTS = np.concatenate([np.linspace(-4.0, 1.5, 221), [1e-9, -1e-9, 0.0, 3.0]])

    @pytest.mark.parametrize("saturation", [1e-19, 1e-12, 1e-7, 1e-4])
    @pytest.mark.parametrize("series", [0.0, 0.03, 1.0, 1e4])
    def test_satisfies_its_equation(self, saturation: float, series: float) -> None:
        """The current makes both sides of the implicit equation agree to rounding, from reverse to hard forward."""
        scale = 1.8 * VT_25
        fill = np.full_like(self.VOLTS, 1.0)
        current, _ = laws.junction(self.VOLTS, saturation * fill, scale * fill, series * fill, floor=0.0)
        inner = self.VOLTS - current * series
        # in the logarithm, where a large exponent does not magnify the rounding of the voltage
        forward = current > saturation
        back = scale * np.log1p(current[forward] / saturation)
        assert back == pytest.approx(inner[forward], abs=1e-9 * (1.0 + np.max(np.abs(self.VOLTS))))
        expected = saturation * np.expm1(inner[~forward] / scale)
        assert current[~forward] == pytest.approx(expected, rel=1e-7, abs=1e-13 * saturation)

    def test_against_lambert_w(self) -> None:
        """With series resistance the current is s/Rs W(Is Rs/s exp((v + Is Rs)/s)) - Is with Lambert's function."""
        saturation, scale, series = 1e-7, 1.8 * VT_25, 2.0
        volts = np.linspace(0.3, 1.2, 40)
        w = lambertw(saturation * series / scale * np.exp((volts + saturation * series) / scale)).real
        current, _ = laws.junction(volts, *(np.full_like(volts, x) for x in (saturation, scale, series)), floor=0.0)
        assert current == pytest.approx(scale / series * w - saturation, rel=1e-10)

    @pytest.mark.parametrize("series", [0.0, 0.03, 100.0])
    def test_slope(self, series: float) -> None:
        """The slope is the derivative of the current: central differences over 10 uV agree to 1e-6."""
        volts = np.linspace(-0.5, 0.9, 57)
        rest = tuple(np.full_like(volts, x) for x in (1e-7, 1.8 * VT_25, series))
        _, slope = laws.junction(volts, *rest)
        step = 1e-5
        difference = (laws.junction(volts + step, *rest)[0] - laws.junction(volts - step, *rest)[0]) / (2.0 * step)
        assert slope == pytest.approx(difference, rel=1e-6, abs=1e-13)

    def test_blocks(self) -> None:
        """In reverse it passes its saturation current and the surface's femtosiemens, nothing else."""
        current, slope = laws.junction(*one(-3.0, 1e-19, 0.05, 0.03))
        assert current[0] == pytest.approx(-1e-19 - 3e-15, rel=1e-9)
        assert slope[0] == pytest.approx(laws.GMIN_S, rel=1e-9)

    def test_gone(self) -> None:
        """A junction with no saturation current is not there: no current, no slope, no surface."""
        current, slope = laws.junction(*one(0.7, 0.0, 0.05, 0.03))
        assert (current[0], slope[0]) == (0.0, 0.0)

    def test_far_forward_stays_finite(self) -> None:
        """Ten volts across a junction without series resistance is a number, not an overflow."""
        current, slope = laws.junction(*one(10.0, 1e-7, 0.03, 0.0))
        assert np.isfinite(current[0])
        assert np.isfinite(slope[0])

    def test_area(self) -> None:
        """n equal junctions in parallel, one of n-fold area, drop n_i kT/q ln n less at the same current."""
        scale = 1.8 * VT_25
        drops = [
            brentq(lambda v, size=size: laws.junction(*one(v, size * 1e-7, scale, 0.0))[0][0] - 1e-3, 0.0, 1.0)
            for size in (1.0, 3.0)
        ]
        # exact but for the 1 beside 1 mA / 0.3 uA: s x 2e-4
        assert drops[0] - drops[1] == pytest.approx(scale * math.log(3.0), rel=3e-4)


class TestJunctionStep:
    """Newton steps of a junction are held back where its exponential outruns them."""

    SCALE, CRITICAL = 0.046, 0.55

    def limit(self, new: float, old: float) -> float:
        """Return a limited step."""
        return float(laws.limit_junction_step(*one(new, old, self.SCALE, self.CRITICAL))[0])

    def test_small_steps_pass(self) -> None:
        """Below the critical voltage, or with a step below two thermal voltages, nothing is held back."""
        assert self.limit(0.5, -3.0) == 0.5
        assert self.limit(0.68, 0.60) == 0.68
        assert self.limit(-5.0, 0.6) == -5.0

    def test_large_forward_step(self) -> None:
        """Forward steps grow with the logarithm: 1 V from 0.6 V moves by s ln(1 + 1/s), and never past the goal."""
        assert self.limit(1.6, 0.6) == pytest.approx(0.6 + self.SCALE * math.log1p(1.0 / self.SCALE), rel=1e-9)
        assert 0.6 < self.limit(50.0, 0.6) < 1.0

    def test_out_of_reverse_stops_at_zero(self) -> None:
        """From reverse it stops at zero first."""
        assert self.limit(2.0, -1.0) == 0.0


class TestMosfetChannel:
    """The channel of a MOSFET: two figures of a data sheet fix it."""

    @pytest.mark.parametrize(("threshold", "on_ohms"), [(2.6, 0.16), (4.0, 0.01), (3.0, 5.0)])
    def test_threshold(self, threshold: float, on_ohms: float) -> None:
        """With the threshold on its gate a saturated channel passes 1 mA."""
        specific, offset = laws.fit_mosfet_channel(threshold, on_ohms)
        current = laws.mosfet_channel(*one(20.0, threshold, specific, offset))[0][0]
        assert current == pytest.approx(1e-3, rel=1e-6)

    @pytest.mark.parametrize(("threshold", "on_ohms"), [(2.6, 0.16), (4.0, 0.01), (3.0, 5.0)])
    def test_on_resistance(self, threshold: float, on_ohms: float) -> None:
        """With 10 V on its gate and millivolts across it the channel is its on resistance."""
        specific, offset = laws.fit_mosfet_channel(threshold, on_ohms)
        current = laws.mosfet_channel(*one(1e-6, 10.0, specific, offset))[0][0]
        assert 1e-6 / current == pytest.approx(on_ohms, rel=1e-4)

    @pytest.mark.parametrize("drain", [1e-3, 1e-6, -1e-6, 1e-9, 1e-12])
    def test_picoamperes_of_a_channel_fully_on(self, drain: float) -> None:
        """With 15 V on the gate the current follows microvolts and less: i = g v - i' v/2, no noise of large terms."""
        specific, offset = laws.fit_mosfet_channel(2.6, 0.16)
        current = laws.mosfet_channel(*one(drain, 15.0, specific, offset))[0][0]
        # F(x) is (x/2)^2 this far above threshold, so the difference of two is (x_s - x_d)(x_s + x_d)/4 exactly
        at_source = (15.0 - offset) / laws.CHANNEL_SLOPE_V
        by_hand = specific * (drain / laws.CHANNEL_SLOPE_V) * (2.0 * at_source - drain / laws.CHANNEL_SLOPE_V) / 4.0
        assert current == pytest.approx(by_hand, rel=1e-12)

    @pytest.mark.parametrize("gate", [1.0, 2.6, 3.0, 15.0])
    def test_near_and_far_formula_meet(self, gate: float) -> None:
        """The current is smooth where its way of being computed changes, at a drain voltage of two slope voltages."""
        specific, offset = laws.fit_mosfet_channel(2.6, 0.16)
        edge = 2.0 * laws.CHANNEL_SLOPE_V
        below, above = (laws.mosfet_channel(*one(v, gate, specific, offset))[0][0] for v in (edge - 1e-9, edge + 1e-9))
        slope = laws.mosfet_channel(*one(edge, gate, specific, offset))[1][0]
        assert above - below == pytest.approx(2e-9 * slope, rel=1e-3, abs=1e-14 * above)

    def test_conducts_both_ways(self) -> None:
        """Source and drain exchanged, gate at the same node, the same current flows the other way."""
        specific, offset = laws.fit_mosfet_channel(2.6, 0.16)
        forward = laws.mosfet_channel(*one(0.4, 3.0, specific, offset))[0][0]
        backward = laws.mosfet_channel(*one(-0.4, 3.0 - 0.4, specific, offset))[0][0]
        assert backward == pytest.approx(-forward, rel=1e-9)

    def test_slopes(self) -> None:
        """Both slopes are derivatives of the current, above threshold, below it and backwards."""
        specific, offset = laws.fit_mosfet_channel(2.6, 0.16)
        for drain, gate in ((0.2, 2.5), (1.5, 2.7), (-0.3, 2.4), (0.01, 3.0), (2.0, 2.0)):
            _, by_drain, by_gate = laws.mosfet_channel(*one(drain, gate, specific, offset))
            step = 1e-5

            def current(v: float, g: float) -> float:
                return float(laws.mosfet_channel(*one(v, g, specific, offset))[0][0])

            along = (current(drain + step, gate) - current(drain - step, gate)) / (2.0 * step)
            across = (current(drain, gate + step) - current(drain, gate - step)) / (2.0 * step)
            # what rounding leaves of a difference of two inversion terms
            noise = 1e-10 * (abs(along) + abs(across)) + 1e-13
            assert by_drain[0] == pytest.approx(along, rel=1e-5, abs=1e-4 * abs(across) + noise)
            assert by_gate[0] == pytest.approx(across, rel=1e-5, abs=noise)

    def test_below_threshold(self) -> None:
        """Far below threshold a saturated channel loses a decade every 104 mV: 45 mV x ln 10."""
        specific, offset = laws.fit_mosfet_channel(2.6, 0.16)
        high, low = (
            laws.mosfet_channel(*one(5.0, gate, specific, offset))[0][0] for gate in (1.7, 1.7 - 0.045 * math.log(10.0))
        )
        assert high / low == pytest.approx(10.0, rel=1e-3)


class TestIgbtChannel:
    """The main path of an IGBT: a collector junction in series with a channel."""

    SATURATION = laws.saturation_current(0.65, laws.IGBT_COLLECTOR_IDEALITY)
    SCALE = laws.IGBT_COLLECTOR_IDEALITY * VT_25

    def current(self, collector: float, gate: float, threshold: float = 5.0) -> tuple[float, float, float]:
        """Return current and slopes."""
        offset = laws.igbt_threshold_offset(threshold)
        found = laws.igbt_channel(*one(collector, gate, self.SATURATION, self.SCALE, offset))
        return float(found[0][0]), float(found[1][0]), float(found[2][0])

    @pytest.mark.parametrize("threshold", [3.0, 5.0, 6.5])
    def test_threshold(self, threshold: float) -> None:
        """Saturated, with the threshold on its gate, it passes 1 mA."""
        assert self.current(15.0, threshold, threshold)[0] == pytest.approx(1e-3, rel=1e-6)

    def test_on_drop(self) -> None:
        """With the gate up it drops its 0.65 V at 1 mA, the channel being no obstacle."""
        assert self.current(0.65, 15.0)[0] == pytest.approx(1e-3, rel=1e-3)

    def test_off(self) -> None:
        """With its gate at rest it passes nothing a meter sees, forwards or backwards."""
        assert abs(self.current(3.0, 0.0)[0]) < 1e-15
        assert abs(self.current(-3.0, 0.0)[0]) < 1e-15

    def test_blocks_backwards(self) -> None:
        """Backwards the collector junction blocks even with the gate up."""
        assert self.current(-3.0, 15.0)[0] == pytest.approx(-self.SATURATION, rel=1e-6)

    def test_slopes(self) -> None:
        """Both slopes are derivatives of the current, saturated and not, below threshold and backwards."""
        step = 1e-5
        for collector, gate in ((0.6, 5.0), (0.9, 5.0), (3.0, 4.9), (0.3, 12.0), (-0.2, 5.0), (1.0, 4.2)):
            _, by_collector, by_gate = self.current(collector, gate)
            along = (self.current(collector + step, gate)[0] - self.current(collector - step, gate)[0]) / (2.0 * step)
            across = (self.current(collector, gate + step)[0] - self.current(collector, gate - step)[0]) / (2.0 * step)
            noise = 1e-10 * (abs(along) + abs(across)) + 1e-13
            assert by_collector == pytest.approx(along, rel=1e-5, abs=noise)
            assert by_gate == pytest.approx(across, rel=1e-5, abs=noise)
