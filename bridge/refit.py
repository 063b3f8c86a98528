"""Resistances of faults fitted to the readings themselves, a few steps of Gauss and Newton for each hypothesis.

The reading table knows a fault at a few severities and the slope there. Where a hypothesis is built on, or shown, its
resistances are found by solving again.

References
----------
Gauss-Newton steps with a prior as in Tarantola, Inverse Problem Theory (2005), section 3.4.4.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.columndisplays import ColumnDisplays
from bridge.damage import Change, change_of, combine
from bridge.likelihood import ReadingModel, as_read
from bridge.predict import CellSolver
from bridge.shots import Shot
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import ReadingTable
from bridge.variants import ChangeClasses

__all__ = ["displays_at", "refit_ohms"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEPS = 2
SETTLED = 3e-3  # neper; what is left of the resistances' way is below any meter's digits
NUDGE = 0.1  # neper; large against the solver's noise, small against what bends a display
FARTHEST = 2.0  # neper in one step


def refit_ohms(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    sets: Sequence[tuple[int, ...]],
    ohms: Sequence[tuple[float, ...]],
    trusted: Mask,
    steps: int = STEPS,
) -> tuple[list[tuple[float, ...]], Array]:
    """Return resistances that explain the readings best, near the given ones, and what fixing them there is worth.

    Parameters
    ----------
    table : ReadingTable
        The table the hypotheses come from.
    models : sequence of ReadingModel
        The readings.
    sets : sequence of tuple of int
        Fault numbers of each hypothesis.
    ohms : sequence of tuple of float
        Where to start [ohm]; NaN for a fault without resistance.
    trusted : ndarray of bool, hypotheses x readings
        Which readings count; slips and outcomes that are no number do not.
    steps : int
        How often displays are solved for, at most; from a node far off two are too few.

    Returns
    -------
    fitted : list of tuple of float
        In the order of ``sets`` [ohm].
    log_share : ndarray, hypotheses
        ln of the share of each prior on its resistances that the readings leave: what the evidence at the fitted
        values has to be multiplied by to be that of all values. It is worked out from displays and slopes where the
        last step began, not where it ended; 0 for a hypothesis without resistance.
    """
    log_share = np.zeros(len(sets))
    present = [np.array(values, dtype=np.float64) for values in ohms]
    for _ in range(steps):
        loose = [np.flatnonzero(np.isfinite(values)) for values in present]
        if not any(len(free) for free in loose):
            break
        farthest = 0.0
        shown = _displays(table, models, sets, present, loose)
        for number, free in enumerate(loose):
            if len(free):
                system = _system(models, shown[number], trusted[number], len(table.batches))
                prior_sd = np.array([_prior_sd(table, sets[number][place]) for place in free.tolist()])
                log_share[number] = _log_share(system[0], prior_sd)
                step = np.linalg.solve(np.eye(len(system[1])) + system[0], system[1])[-len(free) :]
                present[number][free] *= np.exp(np.clip(step, -FARTHEST, FARTHEST))
                farthest = max(farthest, float(np.max(np.abs(step))))
        if farthest < SETTLED:
            break
    return [tuple(values.tolist()) for values in present], log_share


def displays_at(
    table: ReadingTable, sets: Sequence[tuple[int, ...]], ohms: Sequence[Sequence[float] | Array]
) -> list[ColumnDisplays]:
    """Return what sets of faults with given resistances show at each reading, solved for anew.

    Parameters
    ----------
    table : ReadingTable
        The readings.
    sets : sequence of tuple of int
        Fault numbers of each set.
    ohms : sequence of sequence of float
        Their resistances [ohm]; NaN for a fault without resistance.
    """
    answer: list[ColumnDisplays | None] = [None] * len(table.columns)
    # readings on one circuit are solved together, whenever they were taken
    for numbers in _by_circuit(table):
        columns = [table.columns[number] for number in numbers]
        circuit = columns[0].cells.circuit
        classes = ChangeClasses(circuit, [Change(), *_changes(table, circuit, sets, ohms)])
        mine = classes.class_of[1:]
        shots: list[Shot] = []
        places: list[tuple[int, ...]] = []
        for place, column in enumerate(columns):
            places.append(tuple(range(len(shots), len(shots) + len(column.shots))))
            shots += [dataclasses.replace(column.cells.shots[shot], probing=place) for shot in column.shots]
        cells = CellSolver(circuit, shots, classes, bus_volts=circuit.setup.bus_volts)
        for number, column, own in zip(numbers, columns, places, strict=True):
            another = dataclasses.replace(column, cells=cells, shots=own)
            answer[number] = another.displays(*another.of_classes(mine))
    return [one for one in answer if one is not None]


def _by_circuit(table: ReadingTable) -> list[list[int]]:
    """Return the numbers of the readings taken on each circuit."""
    numbers: dict[int, list[int]] = {}
    for number, column in enumerate(table.columns):
        numbers.setdefault(id(column.cells.circuit), []).append(number)
    return list(numbers.values())


def _changes(
    table: ReadingTable, circuit: Circuit, sets: Sequence[tuple[int, ...]], ohms: Sequence[Sequence[float] | Array]
) -> list[Change]:
    """Return what sets of faults with given resistances do to a circuit."""
    faults = table.space.faults
    return [
        combine(
            [
                change_of(circuit, faults[fault].part, faults[fault].mode, None if math.isnan(own) else float(own))
                for fault, own in zip(one, values, strict=True)
            ]
        )
        for one, values in zip(sets, ohms, strict=True)
    ]


def _displays(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    sets: Sequence[tuple[int, ...]],
    ohms: Sequence[Array],
    loose: Sequence[NDArray[np.intp]],
) -> list[tuple[Array, Array, Array]]:
    """Return for each hypothesis its displays and those with each resistance nudged, spreads, and batch loads."""
    variants: list[tuple[int, Array]] = []
    for number, free in enumerate(loose):
        variants.append((number, ohms[number]))
        for place in free.tolist():
            nudged = ohms[number].copy()
            nudged[place] *= math.exp(NUDGE)
            variants.append((number, nudged))
    value = np.empty((len(variants), len(models)))
    spread = np.empty_like(value)
    batch = np.zeros((len(variants), len(models), len(table.batches)))
    solved = displays_at(table, [sets[number] for number, _ in variants], [values for _, values in variants])
    for r, (shown, model) in enumerate(zip(solved, models, strict=True)):
        displays = as_read(shown, model)
        value[:, r] = displays.value
        spread[:, r] = np.sqrt(displays.own_sd**2 + displays.time_sd**2 + model.digits_sd**2)
        batch[:, r] = displays.batch_load.T * BATCH_SPREAD_V
    answer: list[tuple[Array, Array, Array]] = []
    begin = 0
    for free in loose:
        rows = slice(begin, begin + 1 + len(free))
        answer.append((value[rows], spread[begin], batch[begin]))
        begin += 1 + len(free)
    return answer


def _prior_sd(table: ReadingTable, fault: int) -> float:
    """Return the standard deviation of ln(ohms) of a fault before any reading [1]."""
    variants = table.space.singles
    mine = variants.fault == fault
    weight, middle = np.exp(variants.log_weight[mine]), np.log(variants.ohms[mine])
    mean = float(np.sum(weight * middle))
    return math.sqrt(float(np.sum(weight * ((middle - mean) ** 2 + variants.ln_sigma[mine] ** 2))))


def _log_share(information: Array, prior_sd: Array) -> float:
    """Return ln of the posterior width of the last unknowns over their prior width; the others have unit variance."""
    fixed = len(information) - len(prior_sd)
    scale = np.concatenate([np.ones(fixed), prior_sd])
    whole = np.eye(len(information)) + scale[:, None] * information * scale
    few = np.eye(fixed) + information[:fixed, :fixed]
    return 0.5 * float(np.linalg.slogdet(few)[1] - np.linalg.slogdet(whole)[1])


def _system(
    models: Sequence[ReadingModel], shown: tuple[Array, Array, Array], trusted: Mask, batches: int
) -> tuple[Array, Array]:
    """Return information and pull of the unknowns: what the board and the meter share, then ln of each resistance."""
    value, spread, batch = shown
    target = np.array([model.value for model in models])
    number = np.array([model.kind == "number" for model in models])
    counts = trusted & number & np.isfinite(value).all(axis=0)
    gains = list(dict.fromkeys(model.gain for model in models))
    loads = np.zeros((len(models), batches + len(gains) + len(value) - 1))
    loads[:, :batches] = batch
    for r, model in enumerate(models):
        loads[r, batches + gains.index(model.gain)] = value[0, r] * model.gain_sd
    with np.errstate(invalid="ignore"):
        loads[:, batches + len(gains) :] = ((value[1:] - value[0]) / NUDGE).T
        gap = target - value[0]
    rows = np.flatnonzero(counts)
    weighted = loads[rows] / spread[rows, None]
    return weighted.T @ weighted, weighted.T @ (gap[rows] / spread[rows])
