"""The solver against SciPy's general root finder on a dense formulation of the same networks.

Kirchhoff's current law is written down net by net, formulas straight from the physics of the parts, and handed to
``scipy.optimize.root``; the source is raised in steps so that a general method finds its way. No elimination, no
limiting, no low-rank correction: nothing of the package's numerics takes part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import root
from scipy.special import lambertw

from bridge.board import Board, Part
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.crosscheck.netlist import (
    GMIN,
    IGBT_CHANNEL_A,
    METER_SCALE_V,
    PHI_V,
    mosfet_parameters,
    saturation_amps,
    thermal_volts,
    threshold_offset,
)
from tests.crosscheck.randomboards import draw_board
from tests.physics.benchboards import make_board

CASES = 40
DAILY = 20  # the others take as long again, and find the same kinds of part
CELSIUS = 25.0
FIRST_SHARE = 1e-7
BALANCED_UA = 1e-4
Currents = Callable[[Mapping[str, float]], dict[str, float]]


def _junction(volts: float, drop: float, ideality: float, series_ohms: float) -> float:
    """Shockley's law behind a resistance, by Lambert's function."""
    scale, saturation = ideality * thermal_volts(CELSIUS), saturation_amps(drop, ideality, series_ohms)
    surface = GMIN * volts
    if series_ohms == 0.0:
        return saturation * math.expm1(min(volts / scale, 80.0)) + surface
    exponent = (volts + saturation * series_ohms) / scale
    if exponent > 600.0:
        # where exp overflows, W(x) = ln x - ln ln x to first order; the way there only, never the answer
        log_x = exponent + math.log(saturation * series_ohms / scale)
        return scale / series_ohms * (log_x - math.log(log_x)) - saturation + surface
    omega = float(np.real(lambertw(saturation * series_ohms / scale * math.exp(exponent))))
    return scale / series_ohms * omega - saturation + surface


def _inversion(volts: float) -> float:
    half = volts / (2.0 * PHI_V)
    return (max(half, 0.0) + math.log1p(math.exp(-abs(half)))) ** 2


def _igbt(part: Part, v_ce: float, v_ge: float) -> float:
    scale = 1.5 * thermal_volts(CELSIUS)
    saturation = 1e-3 / math.expm1(part.values["on_drop_1ma"] / (1.5 * thermal_volts(25.0)))
    offset = threshold_offset(part.values["gate_threshold"], IGBT_CHANNEL_A)
    limit = IGBT_CHANNEL_A * _inversion(v_ge - offset)
    growth = math.exp(max(min(v_ce / scale, 300.0), -300.0))
    return saturation * (growth - 1.0) * limit / (saturation * growth + limit + 1e-300) + GMIN * v_ce


def _mosfet(part: Part, v_ds: float, v_gs: float) -> float:
    specific, offset = mosfet_parameters(part.values["gate_threshold"], part.values["on_ohms"])
    return specific * (_inversion(v_gs - offset) - _inversion(v_gs - v_ds - offset)) + GMIN * v_ds


def _leaving(part: Part, at: Mapping[str, float]) -> list[tuple[str, str, float]]:
    """Return (from net, to net, amperes) of each branch of a part."""
    pins, values = part.pins, part.values

    def across(first: str, second: str) -> float:
        return at[pins[first]] - at[pins[second]]

    if part.kind == "resistor":
        return [(pins["a"], pins["b"], across("a", "b") / values["ohms"])]
    if part.kind == "diode":
        current = _junction(across("anode", "cathode"), values["drop_1ma"], values["ideality"], values["series_ohms"])
        return [(pins["anode"], pins["cathode"], current)]
    if part.kind == "driver":
        drop = values["drop_1ma"]
        return [
            (pins["common"], pins["out"], _junction(across("common", "out"), drop, 1.2, 1.0)),
            (pins["out"], pins["supply"], _junction(across("out", "supply"), drop, 1.2, 1.0)),
            (pins["out"], pins["common"], across("out", "common") / values["off_ohms"]),
        ]
    if part.kind == "igbt":
        current = _igbt(part, across("collector", "emitter"), across("gate", "emitter"))
        return [(pins["collector"], pins["emitter"], current)]
    assert part.kind == "mosfet"
    return [(pins["drain"], pins["source"], _mosfet(part, across("drain", "source"), across("gate", "source")))]


def _meter(volts: float, amps: float, open_volts: float) -> float:
    return amps * (1.0 - math.exp(min((volts - open_volts) / METER_SCALE_V, 60.0)))


def dense_answer(board: Board, nets: tuple[str, ...], red: str, black: str) -> float:
    """Return the voltage at the jacks of the hand-held meter in diode mode [V], by SciPy's root finder.

    Raises
    ------
    ArithmeticError
        The root finder did not satisfy Kirchhoff's law.
    """
    meter = load_meter()
    source, lead_ohms = meter.diode.source, meter.lead_ohms
    assert source.amps is not None
    unknown = [net for net in nets if net != black] + ["jack"]

    def imbalance(values: NDArray[np.float64], share: float) -> NDArray[np.float64]:
        at = {**dict(zip(unknown, values.tolist(), strict=True)), black: 0.0}
        into = dict.fromkeys([*unknown, black], 0.0)
        for part in board.parts.values():
            for start, end, amps in _leaving(part, at):
                into[start] -= amps
                into[end] += amps
        through = (at["jack"] - at[red]) / lead_ohms
        into[red] += through
        into["jack"] += share * _meter(at["jack"], float(source.amps or 0.0), source.open_volts) - through
        return np.array([into[net] * 1e6 for net in unknown])

    values, share, factor = np.zeros(len(unknown)), FIRST_SHARE, 10.0
    # from next to nothing up to the test current, each answer the next one's start; smaller steps where one fails
    while True:
        found = root(imbalance, values, args=(share,), method="hybr", options={"xtol": 1e-13, "maxfev": 1000}).x
        if float(np.max(np.abs(imbalance(found, share)))) > BALANCED_UA:
            found = root(imbalance, values, args=(share,), method="lm", options={"xtol": 1e-14, "ftol": 1e-14}).x
        if float(np.max(np.abs(imbalance(found, share)))) <= BALANCED_UA:
            values = found
            if share == 1.0:
                break
            reached, factor = share, min(factor**1.5, 10.0)
        else:
            factor **= 0.5
            if factor < 1.0005 or share == FIRST_SHARE:
                raise ArithmeticError(f"no root at {share:g} of the test current")
        share = min(reached * factor, 1.0)
    return float(values[-1])


@pytest.mark.parametrize(
    "seed", [pytest.param(seed, marks=() if seed < DAILY else pytest.mark.slow) for seed in range(CASES)]
)
def test_random_network(seed: int) -> None:
    """A random network of every nonlinear part reads the same by SciPy's root finder and by the solver, to 0.1 mV."""
    drawn = draw_board(seed)
    board = make_board(drawn.terminals, *drawn.parts)
    red, black = drawn.nets[seed % len(drawn.nets)], drawn.nets[(seed // 2 + 1 + seed) % len(drawn.nets)]
    if red == black:
        red = next(net for net in drawn.nets if net != black)
    expected = dense_answer(board, drawn.nets, red, black)
    (found,) = forecast(board, load_meter(), Setup(dwell_s=0.0, temperature_c=CELSIUS), [Probing(red, black)])
    assert found.state is not None, found.error
    if expected > load_meter().diode.limit_volts:
        assert found.end is None
    else:
        assert found.end == pytest.approx(expected, abs=1e-4)


def test_cases_are_worth_solving() -> None:
    """The random networks are not all resistors, nor all OL: most read a number, and channels conduct in some."""
    numbers = conducting = 0
    for seed in range(CASES):
        drawn = draw_board(seed)
        kinds = "".join(drawn.parts)
        conducting += "igbt" in kinds or "mosfet" in kinds
        board = make_board(drawn.terminals, *drawn.parts)
        (found,) = forecast(board, load_meter(), Setup(dwell_s=0.0), [Probing(drawn.nets[0], drawn.nets[-1])])
        numbers += found.end is not None
    assert numbers > CASES // 2
    assert conducting > CASES // 3
