"""Operating points of many variants of one circuit at once.

Batches go through Newton's method until few of their columns are left; those finish together. What did not converge is
led to its solution from a leaky circuit, and if that fails, reported.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.newton import Newton
from bridge.points import Points, Solution

__all__ = ["batch_size", "solve_points"]

Array = NDArray[np.float64]

BATCH_EDGES = 180_000  # edges times columns solved together: enough to hide call overhead, few enough for the cache
LEAST_BATCH, MOST_BATCH = 256, 2048
STRAGGLERS = 0.12  # share of a batch left for the next round
LEAK_STEPS_S = tuple(10.0**-power for power in range(3, 14))  # from every node to the reference, taken away in decades


def batch_size(circuit: Circuit) -> int:
    """Return how many columns of a circuit to solve together."""
    return int(np.clip(BATCH_EDGES // max(circuit.plan.edge_count, 1), LEAST_BATCH, MOST_BATCH))


def _iterate(state: Newton, until: float) -> None:
    """Advance a batch until at most a share ``until`` of its columns is left; the finished ones are written away."""
    initial = state.points.size
    while state.points.size:
        excess, edges, ground, gate_slopes = state.linearise()
        stay = state.settle(np.max(np.abs(excess) / state.allowed_amps(), axis=0))
        if stay is not None:
            if len(stay) <= until * initial:
                return
            excess, edges, ground = excess[:, stay], edges[:, stay], ground[:, stay]
            gate_slopes = [(row, slope[stay]) for row, slope in gate_slopes]
        factors = state.plan.factor(edges, ground)
        step = state.solve_linear(factors, excess, gate_slopes)
        step[~np.isfinite(step)] = 0.0
        state.voltage += step
        state.rein_in()
        state.last_step = np.abs(step[state.points.red, state.columns])
        state.gap = state.advance()
        state.steps += 1


def solve_points(circuit: Circuit, points: Points, start: Array | None = None) -> Solution:
    """Return the operating points of a batch.

    Parameters
    ----------
    circuit : Circuit
        The branch table.
    points : Points
        Branch values and meter of each operating point.
    start : ndarray, nodes x batch, optional
        Voltages to start from [V]; zero if not given.

    Returns
    -------
    Solution
        Voltages; points that did not converge are marked and must not be read as numbers.
    """
    size = points.size
    if start is None:
        start = np.zeros((circuit.node_count, size))
    result = Solution(
        np.array(start), np.full(size, np.inf), np.zeros(size, dtype=bool), np.zeros(size, dtype=np.int64)
    )
    waiting: list[Newton] = []
    batch = batch_size(circuit)
    for first in range(0, size, batch):
        columns = np.arange(first, min(first + batch, size))
        state = Newton(circuit, points.take(columns), start[:, columns], columns, result)
        _iterate(state, STRAGGLERS)
        waiting.append(state)
        if sum(one.points.size for one in waiting) >= batch or columns[-1] == size - 1:
            # the slow ones of many batches finish together: a step costs the same for ten columns as for a hundred
            _iterate(Newton.together(waiting), 0.0)
            waiting = []
    _retry(circuit, points, result)
    return result


def _retry(circuit: Circuit, points: Points, result: Solution) -> None:
    """Solve what did not converge again, led there from a leaky circuit; what still fails stays marked.

    A channel whose gate hangs on its own drain can send Newton's method round and round. With a leak at every node the
    answer is near zero and found at once; each decade less starts from the answer before (Nagel's conductance
    stepping).
    """
    stubborn = np.flatnonzero(~result.converged)
    if not len(stubborn):
        return
    few = points.take(stubborn)
    places = np.arange(len(stubborn))
    guess = np.zeros((circuit.node_count, len(stubborn)))
    for leak in (*LEAK_STEPS_S, 0.0):
        trial = Solution(
            guess.copy(), np.full(len(places), np.inf), np.zeros(len(places), dtype=bool), np.zeros_like(places)
        )
        _iterate(Newton(circuit, few, guess, places, trial, leak), 0.0)
        guess = np.where(trial.converged, trial.voltage, guess)
        result.iterations[stubborn] += trial.iterations
    result.voltage[:, stubborn] = trial.voltage
    result.residual[stubborn] = trial.residual
    result.converged[stubborn] = trial.converged
