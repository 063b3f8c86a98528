"""Device laws: current and slope of junctions and gate-controlled channels.

Every function takes arrays of any one shape and works element by element.

References
----------
Shockley, Bell Syst. Tech. J. 28 (1949) 435 (junction law). Corless et al., Adv. Comput. Math. 5 (1996) 329 (the
function that makes the series resistance explicit). Enz, Krummenacher & Vittoz, Analog Integr. Circuits Signal
Process. 8 (1995) 83 (channel interpolation). The temperature law of the saturation current is the one circuit
simulators share (SPICE2, Nagel 1975).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CELSIUS_ZERO_K",
    "CHANNEL_SLOPE_V",
    "GMIN_S",
    "IGBT_COLLECTOR_IDEALITY",
    "REFERENCE_K",
    "fit_mosfet_channel",
    "igbt_channel",
    "igbt_threshold_offset",
    "junction",
    "limit_junction_step",
    "mosfet_channel",
    "saturation_current",
    "saturation_volts",
    "scale_saturation_current",
    "thermal_voltage",
]

Array = NDArray[np.float64]

BOLTZMANN_J_K = 1.380649e-23  # exact since SI 2019
CHARGE_C = 1.602176634e-19  # exact since SI 2019
CELSIUS_ZERO_K = 273.15
REFERENCE_K = 298.15
BANDGAP_EV = 1.11  # silicon, the usual simulator default
SATURATION_EXPONENT = 3.0
GMIN_S = 1e-15  # a blocking junction's surface: 1 PΩ, which no meter sees
CHANNEL_SLOPE_V = 0.045  # 104 mV per decade below threshold; common practice, no source
IGBT_COLLECTOR_IDEALITY = 1.5
IGBT_CHANNEL_A = 0.5  # specific current of an IGBT's channel; only its order matters to a meter
EXPONENT_CAP = 200.0
INVERSION_REACH = 1e6  # 45 kV of gate drive: only a Newton step gone astray asks for more
LARGEST_STEP_V = 1.0


def thermal_voltage(kelvin: float) -> float:
    """Return kT/q [V] at ``kelvin`` [K]."""
    return BOLTZMANN_J_K * kelvin / CHARGE_C


def saturation_current(drop_1ma: float, ideality: float, series_ohms: float = 0.0) -> float:
    """Return the saturation current at 25 °C [A] of a junction that drops ``drop_1ma`` [V] at 1 mA.

    Parameters
    ----------
    drop_1ma : float
        Voltage over junction and series resistance at 1 mA and 25 °C [V].
    ideality : float
        Emission coefficient n [1].
    series_ohms : float
        Series resistance [ohm].
    """
    scale = ideality * thermal_voltage(REFERENCE_K)
    return float(1e-3 / np.expm1((drop_1ma - 1e-3 * series_ohms) / scale))


def scale_saturation_current(saturation: float, ideality: float, kelvin: float) -> float:
    """Return a 25 °C saturation current [A] carried to ``kelvin`` [K]: Is (T/T0)^(3/n) exp((T/T0 - 1) Eg/(n kT/q))."""
    ratio = kelvin / REFERENCE_K
    exponent = (ratio - 1.0) * BANDGAP_EV / (ideality * thermal_voltage(kelvin))
    return float(saturation * ratio ** (SATURATION_EXPONENT / ideality) * np.exp(exponent))


def saturation_volts(kelvin: float) -> float:
    """Return n kT/q d ln Is/d ln T [V] at ``kelvin`` [K]: by how much a saturation current grows, as a voltage.

    Notes
    -----
    Derivative of the law of :func:`scale_saturation_current`; n drops out. At an unchanged current a junction with
    ``v`` volts across it drops (this - v)/T less for each kelvin.
    """
    return SATURATION_EXPONENT * thermal_voltage(kelvin) + BANDGAP_EV


def _series_solution(w: Array, beyond: Array | None) -> tuple[Array, Array]:
    """Return W and W/w solving W exp(W) = w exp(beyond) for w >= 0 (how much of the drive the series resistance takes).

    ``beyond`` is what a drive exceeds the largest exponent by; None where none does.
    """
    small = np.minimum(w, 1e-3)
    ratio = 1.0 + small * (-1.0 + small * (1.5 + small * (-8.0 / 3.0 + small * (125.0 / 24.0))))
    large = w > 1e-3
    if np.any(large):
        big = w[large]
        log_big = np.log(big)
        if beyond is not None:
            log_big += beyond[large]
        root = np.where(log_big < 0.7, big / (1.0 + big), np.maximum(log_big, 0.1))
        for _ in range(5):  # Newton on W + ln W = ln w: convex, quadratic; five steps reach rounding from here
            root = np.maximum(root * (1.0 + log_big - np.log(root)) / (1.0 + root), 1e-300)
        ratio[large] = root / big
    return w * ratio, ratio


def junction(
    voltage: Array, saturation: Array, scale: Array, series_ohms: Array, floor: float = GMIN_S
) -> tuple[Array, Array]:
    """Return current [A] and slope [S] of a Shockley junction behind a series resistance.

    Parameters
    ----------
    voltage : ndarray
        Terminal voltage, anode to cathode [V].
    saturation : ndarray
        Saturation current [A]; 0 stands for a junction that is not there.
    scale : ndarray
        n kT/q [V].
    series_ohms : ndarray
        Series resistance [ohm].
    floor : float
        Parallel conductance of a junction that is there [S].

    Notes
    -----
    i = Is (exp((v - i Rs)/(n kT/q)) - 1) + floor v. With W exp(W) = (Is Rs/s) exp((v + Is Rs)/s), i = W s/Rs - Is; the
    ratio form used here stays exact as Rs goes to 0.
    """
    asked = (voltage + saturation * series_ohms) / scale
    drive = np.minimum(asked, EXPONENT_CAP)
    growth = np.exp(drive)
    total = saturation * growth
    w = total * (series_ohms / scale)
    if np.max(w, initial=0.0) < 1e-9:
        slope = total / scale
    else:
        # leads that take volts of a meter's current ask for e^800: only the logarithm holds that
        beyond = asked - drive if np.max(asked, initial=0.0) > EXPONENT_CAP else None
        big_w, ratio = _series_solution(w, beyond)
        total *= ratio
        slope = total / (scale * (1.0 + big_w))
    # near zero this leaves the rounding of Is, some 1e-22 A, which moves no node that 1e-15 S ties to another
    current = total - saturation
    present = np.where(saturation > 0.0, floor, 0.0)
    return current + present * voltage, slope + present


def limit_junction_step(new: Array, old: Array, scale: Array, critical: Array) -> Array:
    """Return ``new`` junction voltages [V] held back to steps the exponential can follow.

    Parameters
    ----------
    new, old : ndarray
        Proposed and last junction voltages [V].
    scale : ndarray
        n kT/q [V].
    critical : ndarray
        Voltage above which the exponential outruns Newton's method [V].

    References
    ----------
    After Nagel, SPICE2, UCB/ERL M520 (1975): logarithmic damping of forward steps.
    """
    step = new - old
    steep = (new > critical) & (np.abs(step) > 2.0 * scale)
    if not steep.any():
        return new
    # Out of reverse, stop at zero first: a node that carries picoamperes must not be thrown far up the exponential.
    with np.errstate(invalid="ignore"):
        damped = scale * np.log1p(np.clip(step, 0.0, LARGEST_STEP_V) / scale)
    forward = np.where(step > 0.0, old + damped, np.maximum(critical, old - LARGEST_STEP_V))
    return np.where(steep, np.where(old < 0.0, 0.0, forward), new)


def _inversion(x: Array) -> tuple[Array, Array]:
    """Return F(x) = ln(1+exp(x/2))^2 and its slope: exponential below threshold, square law above."""
    half = 0.5 * np.clip(x, -INVERSION_REACH, INVERSION_REACH)
    soft = np.logaddexp(0.0, half)
    return soft * soft, soft * np.exp(half - soft)


def _inversion_inverse(y: Array | float) -> Array:
    """Return x with F(x) = y."""
    root = np.sqrt(y)
    answer: Array = 2.0 * (root + np.log(-np.expm1(-root)))
    return answer


def fit_mosfet_channel(gate_threshold: float, on_ohms: float) -> tuple[float, float]:
    """Return specific current I0 [A] and threshold offset [V] of a MOSFET channel.

    Parameters
    ----------
    gate_threshold : float
        Gate-source voltage at which the channel passes 1 mA in saturation [V].
    on_ohms : float
        Resistance at a drain-source voltage near zero and 10 V on the gate [ohm].
    """
    low, high = 1e-9, 1e6
    for _ in range(200):  # bisection in the logarithm: monotone, and exactness costs nothing at load time
        middle = float(np.sqrt(low * high))
        offset = gate_threshold - CHANNEL_SLOPE_V * float(_inversion_inverse(1e-3 / middle))
        slope = float(_inversion(np.asarray((10.0 - offset) / CHANNEL_SLOPE_V))[1])
        if middle * slope / CHANNEL_SLOPE_V < 1.0 / on_ohms:
            low = middle
        else:
            high = middle
        if high / low < 1.0 + 1e-14:
            break
    return middle, gate_threshold - CHANNEL_SLOPE_V * float(_inversion_inverse(1e-3 / middle))


def mosfet_threshold(specific: Array, offset: Array) -> Array:
    """Return the gate-source voltage at which MOSFET channels pass 1 mA in saturation [V]: the way back from the fit.

    Parameters
    ----------
    specific, offset : ndarray
        Specific current [A] and threshold offset [V].
    """
    answer: Array = offset + CHANNEL_SLOPE_V * _inversion_inverse(1e-3 / specific)
    return answer


def igbt_threshold_offset(gate_threshold: float) -> float:
    """Return the offset [V] that makes an IGBT's channel saturate at 1 mA with ``gate_threshold`` [V] on its gate."""
    return gate_threshold - CHANNEL_SLOPE_V * float(_inversion_inverse(1e-3 / IGBT_CHANNEL_A))


def mosfet_channel(drain_v: Array, gate_v: Array, specific: Array, offset: Array) -> tuple[Array, Array, Array]:
    """Return current [A], slope against v_ds [S] and against v_gs [S] of a channel that conducts both ways.

    Parameters
    ----------
    drain_v, gate_v : ndarray
        Drain-source and gate-source voltage [V].
    specific : ndarray
        Specific current I0 [A].
    offset : ndarray
        Threshold offset [V].

    Notes
    -----
    i = I0 (F(source end) - F(drain end)). Across a channel that is fully on both terms are large and alike; for a small
    drain voltage their difference is worked out from it, so that microvolts keep their picoamperes.
    """
    at_source, at_drain = (gate_v - offset) / CHANNEL_SLOPE_V, (gate_v - drain_v - offset) / CHANNEL_SLOPE_V
    forward, forward_slope = _inversion(at_source)
    backward, backward_slope = _inversion(at_drain)
    apart = 0.5 * drain_v / CHANNEL_SLOPE_V
    small = np.clip(apart, -1.0, 1.0)
    # ln(1 + e^a) - ln(1 + e^b) with a - b known
    root = np.sqrt(backward)
    half = 0.5 * np.clip(at_drain, -INVERSION_REACH, INVERSION_REACH)
    roots_apart = np.log1p(np.exp(half - root) * np.expm1(small))
    difference = np.where(apart == small, roots_apart * (np.sqrt(forward) + root), forward - backward)
    rate = specific / CHANNEL_SLOPE_V
    return specific * difference, rate * backward_slope, rate * (forward_slope - backward_slope)


def igbt_channel(
    collector_v: Array, gate_v: Array, saturation: Array, scale: Array, offset: Array
) -> tuple[Array, Array, Array]:
    """Return current [A], slope against v_ce [S] and against v_ge [S] of an IGBT's main path without its diode.

    Parameters
    ----------
    collector_v, gate_v : ndarray
        Collector-emitter and gate-emitter voltage [V].
    saturation : ndarray
        Saturation current of the collector junction [A].
    scale : ndarray
        n kT/q of the collector junction [V].
    offset : ndarray
        Threshold offset of the channel [V].

    Notes
    -----
    The collector junction in series with the channel's saturation current s, which holds both ways:
    i = Is (e - 1) s/(Is (e + 1) + s). Without a channel nothing flows, in reverse either.
    """
    inversion, inversion_slope = _inversion((gate_v - offset) / CHANNEL_SLOPE_V)
    limit = IGBT_CHANNEL_A * inversion
    limit_slope = IGBT_CHANNEL_A / CHANNEL_SLOPE_V * inversion_slope
    growth = np.exp(np.clip(collector_v / scale, -EXPONENT_CAP, EXPONENT_CAP))
    forward = saturation * growth
    below = forward + saturation + limit
    current = saturation * np.expm1(np.clip(collector_v / scale, -EXPONENT_CAP, EXPONENT_CAP)) * limit / below
    collector_slope = forward / scale * limit * (limit + 2.0 * saturation) / below**2
    gate_slope = saturation * (growth - 1.0) * (forward + saturation) / below**2 * limit_slope
    return current, collector_slope, gate_slope
