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
from bridge.steering import solve_steered

__all__ = ["batch_size", "solve_points"]

Array = NDArray[np.float64]

BATCH_EDGES = 180_000  # edges times columns solved together: enough to hide call overhead, few enough for the cache
LEAST_BATCH, MOST_BATCH = 256, 2048
STRAGGLERS = 0.12  # share of a batch left for the next round
MOST_FAILED_LEAKS = 3  # in a row, then it is given up: each costs as much as all that converges on the way
LEAK_STEPS_S = tuple(10.0**-power for power in range(3, 14))  # from every node to the reference, taken away in decades


def batch_size(circuit: Circuit) -> int:
    """Return how many columns of a circuit to solve together."""
    return int(np.clip(BATCH_EDGES // max(circuit.plan.edge_count, 1), LEAST_BATCH, MOST_BATCH))


def _iterate(state: Newton, until: float) -> None:
    """Advance a batch until at most a share ``until`` of its columns is left; the finished ones are written away."""
    circuit, initial = state.circuit, state.points.size
    while state.points.size:
        excess, edges, ground, steered = state.linearise()
        stay = state.settle(np.max(np.abs(excess) / state.allowed_amps(edges, ground), axis=0))
        if stay is not None:
            if len(stay) <= until * initial:
                return
            excess, edges, ground = excess[:, stay], edges[:, stay], ground[:, stay]
            steered = [one.take(stay) for one in steered]
        factors = state.plan.factor(edges, ground)
        step = solve_steered(circuit, factors, excess, steered)
        state.move(step)
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
    guess = np.zeros((circuit.node_count, len(stubborn)))
    failed = np.zeros(len(stubborn), dtype=np.int64)
    for leak in (*LEAK_STEPS_S, 0.0):
        left = np.flatnonzero(failed < MOST_FAILED_LEAKS)
        if not len(left):
            return
        trial = Solution(
            guess[:, left], np.full(len(left), np.inf), np.zeros(len(left), dtype=bool), np.zeros_like(left)
        )
        _iterate(Newton(circuit, few.take(left), guess[:, left], np.arange(len(left)), trial, leak), 0.0)
        guess[:, left] = np.where(trial.converged, trial.voltage, guess[:, left])
        failed[left] = np.where(trial.converged, 0, failed[left] + 1)
        result.iterations[stubborn[left]] += trial.iterations
    result.voltage[:, stubborn[left]] = trial.voltage
    result.residual[stubborn[left]] = trial.residual
    result.converged[stubborn[left]] = trial.converged
