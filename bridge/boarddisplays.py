"""What many damaged boards show at many placements, each in one severity, with how far a display may stray."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.dwell import value_after_dwell
from bridge.faults import Fault
from bridge.forecast import damage_of
from bridge.meter import MeterProfile
from bridge.predict import CellSolver
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.spreads import BATCH_SPREAD_V
from bridge.variants import ChangeClasses

__all__ = ["MOVING_SHARE", "ROUGHLY", "BoardDisplays", "displays_of"]

Array = NDArray[np.float64]

LEAST_VOLTS = 0.005  # a digit or two, and the leads
LEAST_SHARE = 0.01
WIDEST_SHARE = 1.0  # what strays by more, the megohm of an unpowered driver, strays upwards: it is no less than this
LEAST_OHMS = 0.3  # the leads
MOVING_SHARE = 0.05
ROUGHLY = 0.2  # share of a climbing resistance that it may be off by


@dataclass(frozen=True, slots=True)
class BoardDisplays:
    """Displays of boards, probings x boards.

    Parameters
    ----------
    value : ndarray, probings x boards
        Display after the dwell [V] or [ohm]; infinite for OL.
    own_sd : ndarray, probings x boards
        Standard deviation of what is this reading's own: parts, digits, dwell, the meter's gain [V] or [ohm].
    batch_load : ndarray, batches x probings x boards
        What the drops of a whole batch, and last the temperature, off by one standard deviation add [V] or [ohm].
    units : tuple of str
        ``V`` or ``ohm`` for each probing.
    """

    value: Array
    own_sd: Array
    batch_load: Array
    units: tuple[str, ...]

    @property
    def sd(self) -> Array:
        """Standard deviation of each display, own and shared, probings x boards [V] or [ohm]."""
        answer: Array = np.sqrt(self.own_sd**2 + np.sum(self.batch_load**2, axis=0))
        return answer

    def on_scale(self, row: int, sd: Array) -> tuple[Array, Array]:
        """Return a probing's displays on a scale on which they can be compared, and their spread on it.

        Volts stay volts; ohms become their logarithm, as their errors are shares: 0.6 Mohm climbing, give or take
        half, is nothing like 5 ohm.

        Parameters
        ----------
        row : int
            The probing.
        sd : ndarray, boards
            Standard deviation of each display [V] or [ohm].
        """
        value = self.value[row]
        if self.units[row] == "V":
            return value, np.maximum(sd, LEAST_VOLTS)
        ohms = np.maximum(value, LEAST_OHMS)
        with np.errstate(invalid="ignore"):
            share = np.where(np.isinf(ohms), LEAST_SHARE, np.clip(sd / ohms, LEAST_SHARE, WIDEST_SHARE))
        return np.log(ohms), share


def displays_of(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    fault_sets: Sequence[Sequence[tuple[Fault, float | None]]],
    probings: Sequence[Probing],
    lifted: tuple[str, ...] = (),
) -> BoardDisplays:
    """Return what boards show; NaN where a solve did not converge in the range the meter would settle in.

    Parameters
    ----------
    board, meter, setup
        The bench.
    fault_sets : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.
    probings : sequence of Probing
        Placements of the leads, all with the same pins lifted.
    lifted : tuple of str
        Those pins.

    Raises
    ------
    InputError
        A lead, pin, position, range or part that does not exist in this set-up.
    """
    circuit = build_circuit(board, setup, lifted)
    classes = ChangeClasses(circuit, [Change(), *(damage_of(circuit, faults) for faults in fault_sets)])
    shots = [shot for row, probing in enumerate(probings) for shot in plan_shots(circuit, meter, probing, row)]
    cells = CellSolver(circuit, shots, classes, bus_volts=setup.bus_volts)
    answers, mine = cells.answers, classes.class_of[1:]
    value = np.full((len(probings), len(fault_sets)), np.inf)
    own_sd, batch_load = np.ones_like(value), np.zeros((len(answers.batch_load), *value.shape))
    units = [""] * len(probings)
    for index, shot in reversed(list(enumerate(shots))):
        start, end = cells.single_start[index][mine].astype(np.intp), cells.single_end[index][mine].astype(np.intp)
        then = value_after_dwell(answers, start, end, circuit.capacitor_farads, cells.arrays, setup.dwell_s)
        shown = then.value
        gain_sd, digits_sd = meter.sigma(probings[shot.probing].mode, shot.range_name, 0.0)
        here, settles = np.isfinite(shown), ~np.isinf(shown)
        gain = np.where(here, shown, 0.0) * gain_sd
        spread = np.hypot(then.first_share * answers.own_sd[start], then.last_share * answers.own_sd[end])
        own = np.sqrt(spread**2 + then.time_sd**2 + digits_sd**2 + gain**2)
        if shot.unit == "ohm":  # on its way, a range may change under it: where it then stands is known roughly
            with np.errstate(invalid="ignore"):
                moving = here & (np.abs(shown - answers.value[end]) > MOVING_SHARE * np.abs(shown))
            own = np.where(moving, np.maximum(own, ROUGHLY * np.where(here, shown, 0.0)), own)
        load = then.first_share * answers.batch_load[:, start] + then.last_share * answers.batch_load[:, end]
        units[shot.probing] = shot.unit
        row = shot.probing
        value[row] = np.where(settles, shown, value[row])
        own_sd[row] = np.where(here, own, own_sd[row])
        batch_load[:, row] = np.where(here, load * BATCH_SPREAD_V, batch_load[:, row])
    return BoardDisplays(value, own_sd, batch_load, tuple(units))
