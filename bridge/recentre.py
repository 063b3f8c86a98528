"""The board as it is on the bench: where ohms go through junctions, tables are worked out at the drops it shows.

An ohmmeter's few microamperes see a junction's drop by its exponential, so that a slope taken at the file's drop misses
what 60 mV do. Diode mode tells the drops of each batch directly; a second table is then worked out at those.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.likelihood import ReadingModel, by_ratio
from bridge.spreads import BATCH_SPREAD_V
from bridge.survivors import Survivors
from bridge.table import ReadingTable

__all__ = ["Drops", "add_drops", "drops_shown", "shared_errors", "with_drops"]

Array = NDArray[np.float64]
Drops = tuple[tuple[str, float], ...]  # batch, by how much its drops lie off the file's [V]

STEP_V = 0.015  # drops are rounded to this, so that the next reading finds the same board; a slope reaches as far
KNOWN_SHARE = 0.5  # a batch whose spread the readings have not halved stays where the file has it


def drops_shown(
    table: ReadingTable, models: Sequence[ReadingModel], survivors: Survivors, spread: Mapping[str, float]
) -> Drops:
    """Return by how much the drops of batches lie off the table's [V], rounded; empty where it matters to no reading.

    Parameters
    ----------
    table : ReadingTable
        The table, worked out at the file's drops or near those of the board.
    models : sequence of ReadingModel
        The readings.
    survivors : Survivors
        What the hypotheses predict; the most probable one is asked.
    spread : mapping of str to float
        Standard deviation of the drops of each batch that a good board has narrowed [V]; the others stray as usual.

    Notes
    -----
    Least squares over the steady numbers of diode mode, with the spread of the batches as prior.
    """
    row, batches = int(np.argmax(survivors.log_evidence)), len(table.batches)
    mean, own, loads = survivors.mean[row], survivors.own_sd[row], survivors.loads[row, :, :batches]
    total = np.sqrt(own**2 + np.sum(loads**2, axis=1))
    if not any(
        bool(by_ratio(model, mean[r : r + 1], total[r : r + 1])[0])
        for r, model in enumerate(models)
        if model.in_ohms and not np.isnan(model.value)
    ):
        return ()
    used = np.array([model.kind == "number" and not model.in_ohms for model in models])
    used &= np.isfinite(mean) & survivors.telling[row]
    gap = np.array([model.value for model in models])[used] - mean[used]
    shift, covariance = shared_errors(loads[used], own[used], gap)
    steps = np.round(shift * [spread.get(batch, BATCH_SPREAD_V) for batch in table.batches] / STEP_V)
    steps[np.sqrt(np.diag(covariance)) > KNOWN_SHARE] = 0.0
    steps[-1] = 0.0  # the temperature is no property of the board
    return add_drops(
        (), tuple((batch, step * STEP_V) for batch, step in zip(table.batches, steps.tolist(), strict=True))
    )


def add_drops(first: Drops, second: Drops) -> Drops:
    """Return two moves of the drops one after the other [V]; batches that come back to where they were are left out.

    Parameters
    ----------
    first, second : tuple of (str, float)
        Moves, each a whole number of the steps that :func:`drops_shown` rounds to.
    """
    steps = Counter({batch: round(volts / STEP_V) for batch, volts in first})
    for batch, volts in second:
        steps[batch] += round(volts / STEP_V)
    return tuple((batch, count * STEP_V) for batch, count in sorted(steps.items()) if count)


def shared_errors(loads: Array, own: Array, gap: Array) -> tuple[Array, Array]:
    """Return what readings say of the unknowns they share: mean and covariance, each of unit variance before.

    Parameters
    ----------
    loads : ndarray, readings x unknowns
        Answer of each reading to each unknown [unit].
    own, gap : ndarray, readings
        Independent spread, and what was read less what is predicted [unit].

    Notes
    -----
    Posterior of a linear model with Gaussian errors: Rasmussen & Williams, Gaussian Processes for Machine Learning
    (2006), section 2.1.1.
    """
    weighted = loads / own[:, None]
    covariance: Array = np.asarray(np.linalg.inv(np.eye(loads.shape[1]) + weighted.T @ weighted), dtype=np.float64)
    return covariance @ (weighted.T @ (gap / own)), covariance


def with_drops(board: Board, shift: Mapping[str, float]) -> Board:
    """Return a board with the drops of batches moved.

    Parameters
    ----------
    board : Board
        The board.
    shift : mapping of str to float
        By how much the drops of each batch are higher [V].
    """
    parts = {
        ref: dataclasses.replace(
            part, values={**part.values, "drop_1ma": max(part.values["drop_1ma"] + shift.get(part.batch, 0.0), 0.05)}
        )
        if "drop_1ma" in part.values
        else part
        for ref, part in board.parts.items()
    }
    return dataclasses.replace(board, parts=parts)
