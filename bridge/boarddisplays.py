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
from bridge.shots import plan_each
from bridge.spreads import BATCH_SPREAD_V
from bridge.variants import ChangeClasses

__all__ = ["MOVING_SHARE", "ROUGHLY", "BoardDisplays", "DisplayMemory", "displays_of"]

Array = NDArray[np.float64]
Damage = tuple[tuple[Fault, float | None], ...]

LEAST_VOLTS = 0.005  # a digit or two, and the leads
LEAST_SHARE = 0.01
WIDEST_SHARE = 1.0  # what strays by more, the megohm of an unpowered driver, strays upwards: it is no less than this
LEAST_OHMS = 0.3  # the leads
MOST_REMEMBERED = 1_000_000  # displays, each of some 200 bytes
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
    shots = plan_each(circuit, meter, probings)
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


class DisplayMemory:
    """Displays that were worked out before, of one board on one bench: most hypotheses last from reading to reading."""

    def __init__(self) -> None:
        self._bench: tuple[Board, MeterProfile, Setup] | None = None
        self._forget()

    def _forget(self) -> None:
        self._numbers: dict[object, int] = {}
        self._known: dict[tuple[int, int], Array] = {}
        self._units: dict[int, str] = {}

    def displays_of(
        self,
        board: Board,
        meter: MeterProfile,
        setup: Setup,
        fault_sets: Sequence[Damage],
        probings: Sequence[Probing],
    ) -> BoardDisplays:
        """Return what :func:`displays_of` does for placements with the same pins lifted, solving only what is new.

        Parameters
        ----------
        board, meter, setup, fault_sets, probings
            As for :func:`displays_of`. Another bench than the time before, or too much to hold, makes all be forgotten.
        """
        bench = (board, meter, setup)
        known = self._bench
        same = known is not None and board is known[0] and (meter, setup) == known[1:]
        if not same or len(self._known) > MOST_REMEMBERED:
            self._bench = bench
            self._forget()
        sets = [self._number(one) for one in fault_sets]
        places = [self._number(one) for one in probings]
        missing = np.array([[(place, one) not in self._known for one in sets] for place in places]).reshape(
            len(places), len(sets)
        )
        # placements that are new for most boards, then boards that are new
        often = missing.sum(axis=1) > 0.5 * np.count_nonzero(missing.any(axis=0))
        for some in (often, ~often):
            rows = np.flatnonzero(some & missing.any(axis=1)).tolist()
            columns = np.flatnonzero(missing[rows].any(axis=0)).tolist()
            if not rows:
                continue
            new = displays_of(
                *bench, [fault_sets[column] for column in columns], [probings[row] for row in rows], probings[0].lift
            )
            every = np.concatenate([[new.value, new.own_sd], new.batch_load])
            for row, at in enumerate(rows):
                self._units[places[at]] = new.units[row]
                for column, of in enumerate(columns):
                    self._known[places[at], sets[of]] = every[:, row, column].copy()
        found = np.array([[self._known[place, one] for one in sets] for place in places])  # places x sets x what
        found = np.moveaxis(found, -1, 0)
        return BoardDisplays(found[0], found[1], found[2:], tuple(self._units[place] for place in places))

    def _number(self, what: object) -> int:
        return self._numbers.setdefault(what, len(self._numbers))
