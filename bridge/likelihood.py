"""How probable a single reading is under a predicted display, slips included.

References
----------
Box & Tiao, Biometrika 55 (1968) 119 (contamination model of bad readings).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.columndisplays import ColumnDisplays
from bridge.meter import MeterProfile
from bridge.readings import Reading
from bridge.spreads import THRESHOLD_SPREAD_V

__all__ = [
    "ReadingModel",
    "as_read",
    "by_ratio",
    "early_density",
    "early_share",
    "log_likelihood",
    "model_readings",
    "normal_cdf",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

FALSE_OL = 0.02  # a coating, a bad contact: the commonest slip; common practice, no source
WRONG_READING = 0.012  # wrong terminal or wrong digits; manual entry goes wrong in 1-4 % of cases
ANY_OUTCOME = 0.3  # how often a reading of an unknown board is OL, or climbs
HIGH_OHMS = 100e3  # from here on a junction's leakage, the range and fingers on the tips decide what is read
HIGH_OHMS_SLIP = 0.08  # and this often something else is shown; common practice, no source
FIRM_OHMS = 10e3  # what should read less than this is not made high ohms by fingers; a bad contact reads OL
DOUBTED_SLIP = 0.3  # a reading its own technician doubts
WRONG_TERMINAL_SHARE = (
    0.7  # of wrong numbers; the wrong terminal is commoner than wrong digits; common practice, no source
)
WRONG_TERMINAL_SPREAD = 0.04
NEPERS_OF_OHMS = 18.0  # ln of what an ohmmeter can show, 0.1 ohm to 10 Mohm
OPEN_IF_UNDECIDED = 0.85  # where dwell and capacitor decide whether the display got to OL in time
STATE_NAMED_RIGHT = 0.95  # a technician who writes climbing or falling saw it
EDGE_FACTOR = (
    10.0  # 60 mV of a junction are a factor of four in its current, and an autorange may have stopped a range lower
)
RATIO_SHARE = 0.08  # where drops move ohms by more than this, they do so by ratios and not by differences
LATE_SHARE = 0.15  # how often a display that by its slowest capacitor should rest still creeps: there are faster ones
NEARLY_OPEN = 0.9  # of the display's end: a capacitor a tenth larger, or leads held a little shorter
SETTLED_SHARE = 0.8  # of displays that still move, how many are written down after the dwell and not sooner


def normal_cdf(z: Array) -> Array:
    """Return the standard normal distribution function [1] (Abramowitz & Stegun 26.2.17, error below 7.5e-8).

    Parameters
    ----------
    z : ndarray
        Deviations in standard deviations [1], of any shape; the answer has the same.
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * poly
    return np.where(z > 0.0, 1.0 - tail, tail)


@dataclass(frozen=True, slots=True)
class ReadingModel:
    """What a reading says, in the terms the likelihood needs.

    Parameters
    ----------
    kind : str
        ``number``, ``OL``, ``beep``, ``chirp``, ``climbing`` or ``falling``.
    value : float
        Number read [V] or [ohm], for a beep the resistance it starts at; NaN if there is none.
    digits_sd, gain_sd : float
        Meter error: independent [unit] and shared, relative [1].
    gain : str
        Mode and range that share a gain error.
    slip, false_open : float
        Probability of a wrong number and of a false OL [1].
    loose_slip : float
        Probability of a wrong number where high ohms or OL are predicted [1].
    slip_density : float
        Density of a wrong number [1/unit].
    place : int
        Its place among the readings, from 0.
    lent : tuple of float, readings
        How much of that density each other reading lends, as the wrong terminal shows what that one does [1/unit].
    unknown_board : float
        Log probability (density for a number) on a board nobody knows.
    to_ol : bool
        Whether a climbing display was seen on its way to OL.
    """

    kind: str
    value: float
    digits_sd: float
    gain_sd: float
    gain: str
    slip: float
    loose_slip: float
    false_open: float
    slip_density: float
    place: int
    lent: tuple[float, ...]
    unknown_board: float
    to_ol: bool

    def slip_at(self, mean: Array) -> Array:
        """Return the probability of a wrong number where displays of these values are predicted [1]."""
        with np.errstate(invalid="ignore"):
            return np.where(mean < FIRM_OHMS, self.slip, self.loose_slip)

    @property
    def in_ohms(self) -> bool:
        """Whether it was read in a range of ohms."""
        return self.gain.startswith("ohms")

    @property
    def best_case(self) -> float:
        """Highest log probability (density for a number) any prediction can give the reading."""
        if self.kind == "number":
            return -math.log(self.digits_sd * math.sqrt(2.0 * math.pi))
        if self.kind in ("climbing", "falling") and not math.isnan(self.value):
            return -math.log(3.0 * self.digits_sd)
        return 0.0

    @property
    def expected_at_least(self) -> float:
        """Log probability below which the reading was not expected."""
        if math.isnan(self.value):
            return 0.0
        # a number caught on its way proves little: it is held against any number, not against its fellows
        moving = self.kind in ("climbing", "falling")
        return (self.unknown_board if moving else math.log(self.slip_density)) + 2.0


def model_readings(readings: Sequence[Reading], meter: MeterProfile) -> tuple[ReadingModel, ...]:
    """Return readings in the terms of the likelihood.

    Parameters
    ----------
    readings : sequence of Reading
        What was read.
    meter : MeterProfile
        The meter it was read on.
    """
    values = np.array([np.nan if one.value is None else one.value for one in readings])
    models = []
    for place, reading in enumerate(readings):
        like = np.array([one.unit == reading.unit for one in readings])
        like[place] = False
        models.append(_model_reading(place, reading, meter, np.where(like, values, np.nan)))
    return tuple(models)


def _slip_density(value: float, broad: float, others: Array, digits_sd: float) -> tuple[float, Array]:
    """Return the density of a wrong number, and what of it each other reading lends [1/unit].

    It is mostly what another terminal shows, else anything. ``others`` are readings of the same unit, and NaN.
    """
    count = int(np.count_nonzero(np.isfinite(others)))
    if not count:
        return broad, np.zeros(len(others))
    widths = np.maximum(WRONG_TERMINAL_SPREAD * np.abs(others), 3.0 * digits_sd)
    peaks = 1.0 / (widths * math.sqrt(2.0 * math.pi))
    lent = np.nan_to_num(WRONG_TERMINAL_SHARE / count * peaks * np.exp(-0.5 * ((value - others) / widths) ** 2))
    return float(np.sum(lent)) + (1.0 - WRONG_TERMINAL_SHARE) * broad, lent


def _model_reading(place: int, reading: Reading, meter: MeterProfile, others: Array) -> ReadingModel:
    probing = reading.probing
    value = float("nan") if reading.value is None else reading.value
    kind = {"steady": "number"}.get(reading.state, reading.state)
    mode, range_name = probing.mode, probing.range_name
    at = 0.0 if math.isnan(value) else abs(value)
    gain_sd, digits_sd = meter.sigma(mode, range_name, at)
    gain = mode
    if mode in ("ohms", "continuity"):
        gain = f"ohms:{range_name if range_name is not None else meter.range_for(at).name}"
        density = 1.0 / (NEPERS_OF_OHMS * max(at, 0.5))
    else:
        density = 1.0 / (meter.diode.limit_volts if mode == "diode" else 20.0)
    unknown_board = math.log(ANY_OUTCOME) if math.isnan(value) else math.log(density)
    lent = np.zeros(len(others))
    if not math.isnan(value):
        density, lent = _slip_density(value, density, others, digits_sd)
    if kind in ("beep", "chirp"):
        value = meter.beep_ohms
    slip = max(WRONG_READING, DOUBTED_SLIP if reading.doubted else 0.0)
    return ReadingModel(
        kind=kind,
        value=value,
        digits_sd=digits_sd,
        gain_sd=gain_sd,
        gain=gain,
        slip=slip,
        loose_slip=max(slip, HIGH_OHMS_SLIP) if mode == "ohms" and at > HIGH_OHMS else slip,
        false_open=max(FALSE_OL, DOUBTED_SLIP if reading.doubted else 0.0),
        slip_density=density,
        place=place,
        lent=tuple(lent.tolist()),
        unknown_board=unknown_board,
        to_ol=reading.to_ol,
    )


def as_read(displays: ColumnDisplays, model: ReadingModel) -> ColumnDisplays:
    """Return displays with or without the charge of earlier readings, whichever is nearer to what was read.

    How much charge is left after an unknown pause is not known; between all of it and none, the reading itself decides.
    """
    kept = displays.carried
    if model.kind == "number":
        with np.errstate(invalid="ignore"):
            miss_fresh = np.where(np.isfinite(displays.value), np.abs(displays.value - model.value), np.inf)
            miss_kept = np.where(np.isfinite(kept), np.abs(kept - model.value), np.inf)
        nearer = miss_kept < miss_fresh
    else:
        nearer = ~np.isfinite(kept) & np.isfinite(displays.value) & (model.kind == "OL")
    return dataclasses.replace(displays, value=np.where(nearer, kept, displays.value))


@dataclass(frozen=True, slots=True)
class _Course:
    """How displays move while the leads rest.

    Parameters
    ----------
    low, high : ndarray, displays
        Smallest and largest value on the way, the display's limit for OL.
    moving, climbs : ndarray of bool, displays
        Whether the display still moves when it is read, and upwards.
    rises, falls : ndarray of bool, displays
        Whether it ends above or below where it began, though it may rest when it is read.
    reaches_open : ndarray of bool, displays
        Whether it would end at OL.
    """

    low: Array
    high: Array
    moving: Mask
    climbs: Mask
    rises: Mask
    falls: Mask
    reaches_open: Mask

    @classmethod
    def of(cls, displays: ColumnDisplays, which: Index, limit: float, digits_sd: float) -> _Course:
        start, end = displays.start[which], displays.end[which]
        first = np.where(np.isfinite(start), start, limit)
        last = np.where(np.isfinite(end), end, limit)
        low, high = np.minimum(first, last), np.maximum(first, last)
        wide = high - low > 4.0 * digits_sd
        moving = (displays.time_sd[which] > 0.0) & wide
        return cls(
            low, high, moving, moving & (last > first), wide & (last > first), wide & (last < first), ~np.isfinite(end)
        )

    def density(self, value: float, slack: float, *, by_decades: bool = False) -> Array:
        """Return the density of a value caught somewhere on the way [1/unit].

        With ``by_decades``, for ohms, it is even in the logarithm, and both ends may lie elsewhere by ``EDGE_FACTOR``:
        what an ohmmeter shows through a junction goes with the junction's drop.
        """
        if not by_decades:
            inside = (value >= self.low - slack) & (value <= self.high + slack)
            return np.where(self.moving & inside, 1.0 / np.maximum(self.high - self.low, slack), 0.0)
        low = np.maximum(self.low / EDGE_FACTOR, slack)
        high = np.maximum(self.high * EDGE_FACTOR, 2.0 * low)
        inside = (value >= low) & (value <= high)
        return np.where(self.moving & inside, 1.0 / (max(abs(value), slack) * np.log(high / low)), 0.0)


def by_ratio(model: ReadingModel, value: Array, sd: Array) -> Mask:
    """Return where a reading strays by ratios: ohms through a junction go exponentially with its drop.

    Parameters
    ----------
    model : ReadingModel
        The reading.
    value, sd : ndarray, displays
        Predicted value, and its spread from drops, parts, dwell and digits [ohm] or [V].
    """
    if not model.in_ohms or model.value <= 0.0:
        return np.zeros(np.shape(value), dtype=bool)
    with np.errstate(invalid="ignore"):
        drops = np.sqrt(np.maximum(sd**2 - model.digits_sd**2, 0.0))
        answer: Mask = np.isfinite(value) & (value > 0.0) & (drops > RATIO_SHARE * value)
    return answer


def log_likelihood(
    model: ReadingModel,
    displays: ColumnDisplays,
    which: Index,
    mean: Array,
    sd: Array,
    limit: float,
    ratio: Mask | None = None,
) -> Array:
    """Return the log probability (density for a number) of a reading under each display, slips included.

    Parameters
    ----------
    model : ReadingModel
        The reading.
    displays : ColumnDisplays
        Predicted displays.
    which : ndarray of int, displays
        Those to judge by.
    mean, sd : ndarray, ... x displays
        Predicted value, infinite for OL and NaN where a solve did not converge, and its standard deviation [unit].
    limit : float
        Largest value the display shows [unit].
    ratio : ndarray of bool, displays, optional
        Where the logarithm of the value is normal, and not the value; see :func:`by_ratio`.
    """
    ratio = np.zeros(len(which), dtype=bool) if ratio is None else ratio
    course = _Course.of(displays, which, limit, model.digits_sd)
    if model.kind == "OL":
        undecided = np.where(displays.time_sd[which] > 0.0, OPEN_IF_UNDECIDED, 1.0)
        share = np.where(np.isfinite(mean), 1.0 - normal_cdf(_deviation(limit, mean, sd, ratio)), undecided)
        probability = (1.0 - model.false_open) * share + model.false_open
    elif model.kind == "number":
        kept = 1.0 - early_share(model, displays.turn_on[which], mean)
        early = early_density(model, displays.turn_on[which], mean)
        probability = _number(model, course, mean, sd, ratio, kept) + early
    elif model.kind in ("climbing", "falling"):
        probability = _on_the_way(model, course, mean, sd, ratio, limit)
    else:
        probability = _beep(model, displays.start[which], mean, sd)
    # a display nobody could work out is no OL: it speaks neither for a hypothesis nor against it
    probability = np.where(np.isnan(mean), math.exp(model.unknown_board), probability)
    result: Array = np.log(np.broadcast_to(probability, mean.shape))
    return result


def _deviation(value: float, mean: Array, sd: Array, ratio: Mask) -> Array:
    """Return by how many standard deviations a value lies above its finite mean."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        linear = (value - mean) / sd
        if not ratio.any() or value <= 0.0:
            return linear
        answer: Array = np.where(ratio, np.log(value / mean) * mean / sd, linear)
    return answer


def _normal_density(value: float, mean: Array, sd: Array, ratio: Mask) -> Array:
    """Return the density of a number under a finite prediction, 0 under OL [1/unit]."""
    with np.errstate(invalid="ignore", over="ignore"):
        z = np.where(np.isfinite(mean), _deviation(value, mean, sd, ratio), 1e3)
        width = (
            np.where(ratio, np.where(np.isfinite(mean), sd / mean, 1.0) * max(value, 1e-3), sd) if ratio.any() else sd
        )
        density: Array = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / (width * math.sqrt(2.0 * math.pi))
    return density


def early_density(model: ReadingModel, turn_on: Array, mean: Array) -> Array:
    """Return the density of a number that a channel with a low threshold leads to [1/unit], 0 where none is near.

    Parameters
    ----------
    model : ReadingModel
        The reading.
    turn_on : ndarray, displays
        Display at which a channel with the file's threshold would turn on [unit]; infinite for none.
    mean : ndarray, ... x displays
        Predicted value, below which a channel has to turn on [unit].
    """
    if model.kind != "number" or model.in_ohms or not np.isfinite(turn_on).any():
        return np.zeros(np.shape(mean))
    z = np.where(np.isfinite(turn_on), (model.value - turn_on) / THRESHOLD_SPREAD_V, 40.0)
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / (THRESHOLD_SPREAD_V * math.sqrt(2.0 * math.pi))
    honest = 1.0 - model.slip_at(mean) - model.false_open
    answer: Array = honest * np.where(model.value < mean, density, 0.0)
    return answer


def early_share(model: ReadingModel, turn_on: Array, mean: Array) -> Array:
    """Return how probable it is that a channel turns on before a display gets where it is predicted [1].

    Parameters
    ----------
    model, turn_on, mean
        As for :func:`early_density`.
    """
    if model.in_ohms or not np.isfinite(turn_on).any():
        return np.zeros(np.shape(mean))
    with np.errstate(invalid="ignore"):
        z = np.where(np.isfinite(turn_on) & np.isfinite(mean), (mean - turn_on) / THRESHOLD_SPREAD_V, -40.0)
    answer: Array = normal_cdf(z)
    return answer


def _number(model: ReadingModel, course: _Course, mean: Array, sd: Array, ratio: Mask, kept: Array) -> Array:
    settled = np.where(course.moving, SETTLED_SHARE, 1.0)
    passing = course.density(model.value, model.digits_sd, by_decades=model.in_ohms)
    wrong = model.slip_at(mean)
    honest = (1.0 - wrong - model.false_open) * kept
    density = settled * _normal_density(model.value, mean, sd, ratio) + (1.0 - settled) * passing
    answer: Array = honest * density + wrong * model.slip_density
    return answer


def _on_the_way(model: ReadingModel, course: _Course, mean: Array, sd: Array, ratio: Mask, limit: float) -> Array:
    right_way = course.climbs if model.kind == "climbing" else course.moving & ~course.climbs
    creeps = course.rises if model.kind == "climbing" else course.falls
    if model.to_ol:
        right_way = right_way & course.reaches_open
    wrong = model.slip_at(mean)
    honest = (1.0 - wrong) * STATE_NAMED_RIGHT
    if math.isnan(model.value):
        # who writes that it ran to OL saw it arrive; who writes only climbing saw it still on its way
        seen = creeps & course.reaches_open if model.to_ol else right_way
        named: Array = honest * seen + (1.0 - honest)
        return named
    at_dwell = _normal_density(model.value, mean, sd, ratio)
    caught = course.density(model.value, 3.0 * model.digits_sd, by_decades=model.in_ohms)
    late = np.where(creeps, LATE_SHARE * at_dwell, 0.0)
    density = np.where(right_way, SETTLED_SHARE * at_dwell + (1.0 - SETTLED_SHARE) * caught, late)
    if model.kind == "climbing" and NEARLY_OPEN * limit < model.value <= limit:
        # what is just past the display's end by the dwell may as well be just short of it
        density += np.where(creeps & np.isinf(mean), LATE_SHARE / ((1.0 - NEARLY_OPEN) * limit), 0.0)
    # the wrong word for what was read right is one mistake; a wrong number as well is a slip
    misnamed = (1.0 - wrong) * (1.0 - STATE_NAMED_RIGHT)
    answer: Array = honest * density + misnamed * at_dwell + wrong * model.slip_density
    return answer


def _beep(model: ReadingModel, start: Array, mean: Array, sd: Array) -> Array:
    below = np.where(np.isfinite(mean), normal_cdf((model.value - mean) / sd), 0.0)
    if model.kind == "chirp":  # the capacitor passed for a short until it had charged
        below = np.where(np.isfinite(start) & (start < model.value), 1.0 - below, 0.0)
    answer: Array = (1.0 - model.slip) * below + model.slip
    return answer
