"""What a display reaches after the leads have rested: capacitors charging through the meter.

Slow compared with everything else on the board, so the circuit is an algebraic network at every moment and only the
capacitor voltages have memory. Each column of a batch takes steps of its own size.

References
----------
Alexander, SIAM J. Numer. Anal. 14 (1977) 1006: the two-stage, second-order, L-stable method used here.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.instants import set_capacitors, step_siemens
from bridge.points import Points
from bridge.solve import solve_points

__all__ = ["rest_leads"]

Array = NDArray[np.float64]

GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
STEP_ERROR_V = 2e-4  # per step, on any capacitor; the sum over a dwell stays below the last digit of a display
# of the largest voltage that leads and capacitor have seen, where that is small: a range of 100 nA shows microvolts,
# but a driver's capacitor that a held gate charges to volts need not be followed to nanovolts beside a short
STEP_ERROR_SHARE = 1e-3
LEAST_ERROR_V = 1e-9
FIRST_STEP_SHARE = 1e-7
LARGEST_GROWTH = 5.0
MOST_STEPS = 400


def rest_leads(
    circuit: Circuit, points: Points, farads: Array, capacitor_volts: Array, start: Array, seconds: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return node and capacitor voltages after the leads have rested.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    points : Points
        The batch with its capacitors open.
    farads : ndarray, capacitors x batch
        Capacitances [F]; 0 for one that is gone.
    capacitor_volts : ndarray, capacitors x batch
        Their voltages at the first instant [V].
    start : ndarray, nodes x batch
        Node voltages at the first instant [V].
    seconds : float
        How long the leads rest [s].

    Returns
    -------
    voltage : ndarray, nodes x batch
        Node voltages [V].
    capacitor_volts : ndarray, capacitors x batch
        Capacitor voltages [V].
    converged : ndarray of bool, batch
        Whether every step of a column converged.
    """
    size = points.size
    held = np.array(capacitor_volts)
    voltage = np.array(start)
    elapsed = np.zeros(size)
    step = np.full(size, seconds * FIRST_STEP_SHARE)
    converged = np.ones(size, dtype=bool)
    largest = np.abs(voltage[points.red, np.arange(size)])  # the leads may swing through zero on their way
    fullest = np.abs(held)
    alive = np.arange(size) if len(circuit.capacitor_rows) and seconds > 0.0 else np.zeros(0, dtype=np.intp)
    for _ in range(MOST_STEPS):
        if not len(alive):
            return voltage, held, converged
        here = points.take(alive)
        size_now = np.minimum(step[alive], seconds - elapsed[alive])
        before = held[:, alive]
        first, current_1, good_1 = _stage(circuit, here, farads[:, alive], before, size_now, voltage[:, alive])
        with np.errstate(divide="ignore", invalid="ignore"):
            rate_1 = np.where(farads[:, alive] > 0.0, current_1 / farads[:, alive], 0.0)
        history = before + (1.0 - GAMMA) * size_now * rate_1
        second, current_2, good_2 = _stage(circuit, here, farads[:, alive], history, size_now, first)
        with np.errstate(divide="ignore", invalid="ignore"):
            rate_2 = np.where(farads[:, alive] > 0.0, current_2 / farads[:, alive], 0.0)
        after = history + GAMMA * size_now * rate_2
        # the two stages' slopes differ by the curvature that a first-order step would miss
        error = 0.5 * GAMMA * size_now * np.abs(rate_2 - rate_1)
        good = good_1 & good_2
        reached = np.maximum(largest[alive], np.abs(second[here.red, np.arange(len(alive))]))
        full = np.maximum(fullest[:, alive], np.abs(after))
        allowed = np.clip(STEP_ERROR_SHARE * np.maximum(reached, full), LEAST_ERROR_V, STEP_ERROR_V)
        used = np.max(error / allowed, axis=0)
        accepted = (used <= 1.0) & good
        hopeless = ~good & (size_now < 1e-12 * seconds)
        done = alive[accepted]
        held[:, done] = after[:, accepted]
        voltage[:, done] = second[:, accepted]
        largest[done], fullest[:, done] = reached[accepted], full[:, accepted]
        elapsed[done] += size_now[accepted]
        growth = np.where(good, 0.9 / np.sqrt(np.maximum(used, 1e-20)), 0.2)
        step[alive] = size_now * np.clip(growth, 0.1, LARGEST_GROWTH)
        converged[alive[hopeless]] = False
        alive = alive[(elapsed[alive] < seconds * (1.0 - 1e-12)) & ~hopeless]
    converged[alive] = False
    return voltage, held, converged


def _stage(
    circuit: Circuit, points: Points, farads: Array, history: Array, size: Array, start: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Solve one implicit stage; return node voltages [V], capacitor currents [A] and whether it converged."""
    rows = circuit.capacitor_rows
    siemens = step_siemens(farads, GAMMA * size)
    stage = dataclasses.replace(points, siemens=points.siemens.copy(), inject=points.inject.copy())
    set_capacitors(circuit, stage, siemens, history)
    solution = solve_points(circuit, stage, start)
    across = solution.voltage[circuit.linear_a[rows]] - solution.voltage[circuit.linear_b[rows]]
    return solution.voltage, siemens * (across - history), solution.converged
