"""What a good board reads, with the band that its parts and the meter allow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.likelihood import RATIO_SHARE
from bridge.meter import MeterProfile
from bridge.predict import CellSolver
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.spreads import BATCH_SPREAD_V
from bridge.variants import ChangeClasses

__all__ = ["Band", "healthy_bands"]

TWO_SIDED_95 = 1.96


@dataclass(frozen=True, slots=True)
class Band:
    """The settled display of a good board at one probing.

    Parameters
    ----------
    probing : Probing
        Where the leads are.
    value : float
        Display of the nominal board after a very long time [V] or [ohm]; infinite for OL.
    low, high : float
        Between these 95 % of good boards read [V] or [ohm]; infinite for OL.
    unit : str
        ``V`` or ``ohm``.
    """

    probing: Probing
    value: float
    low: float
    high: float
    unit: str


def healthy_bands(board: Board, meter: MeterProfile, setup: Setup, probings: Sequence[Probing]) -> tuple[Band, ...]:
    """Return the bands of a good board's settled displays.

    Parameters
    ----------
    board, meter, setup
        As for :func:`bridge.forecast.forecast`.
    probings : sequence of Probing
        Placements of the leads.

    Raises
    ------
    InputError
        A lead, pin, position or range that does not exist in this set-up.
    """
    bands: dict[int, Band] = {}
    for lifted in dict.fromkeys(probing.lift for probing in probings):
        circuit = build_circuit(board, setup, lifted)
        numbers = [number for number, probing in enumerate(probings) if probing.lift == lifted]
        shots = [shot for number in numbers for shot in plan_shots(circuit, meter, probings[number], number)]
        cells = CellSolver(circuit, shots, ChangeClasses(circuit, [Change()]), bus_volts=setup.bus_volts)
        answers = cells.answers
        for number in numbers:
            mine = [index for index, shot in enumerate(shots) if shot.probing == number]
            ends = [int(cells.single_end[index, 0]) for index in mine]
            end = next((one for one in ends if np.isfinite(answers.value[one])), ends[-1])
            shot = shots[int(answers.shot[end])]
            value = float(answers.value[end])
            if not np.isfinite(value):
                bands[number] = Band(probings[number], value, value, value, shot.unit)
                continue
            gain_sd, digits_sd = meter.sigma(probings[number].mode, shot.range_name, value)
            variance = answers.own_sd[end] ** 2 + digits_sd**2 + (gain_sd * value) ** 2
            variance += np.sum((answers.batch_load[:, end] * BATCH_SPREAD_V) ** 2)
            low, high = _reach(value, float(np.sqrt(variance)), digits_sd, in_ohms=shot.unit == "ohm")
            bands[number] = Band(probings[number], value, low, high, shot.unit)
    return tuple(bands[number] for number in range(len(probings)))


def _reach(value: float, sd: float, digits_sd: float, *, in_ohms: bool) -> tuple[float, float]:
    """Return where 95 % of displays lie [V] or [ohm]; ohms through a junction stray by ratios, never to a short."""
    if in_ohms and value > 0.0 and sd**2 - digits_sd**2 > (RATIO_SHARE * value) ** 2:
        ratio = math.exp(TWO_SIDED_95 * sd / value)
        return value / ratio, value * ratio
    return value - TWO_SIDED_95 * sd, value + TWO_SIDED_95 * sd
