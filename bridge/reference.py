"""A known-good board of the same kind: what its readings say about the drops that all such boards share.

The drops of a batch differ from the board file's by some 35 mV from one kind of board to the next, but by far less
between two boards of one kind. A good board's readings therefore move the drops of the file, and narrow their spread.

References
----------
Posterior of a linear model with Gaussian errors: Rasmussen & Williams, Gaussian Processes for Machine Learning (2006),
section 2.1.1.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import TEMPERATURE
from bridge.columndisplays import ColumnDisplays
from bridge.errors import InputError
from bridge.faultspace import FaultSpace, Variants, build_space
from bridge.likelihood import as_read, model_readings
from bridge.meter import MeterProfile
from bridge.probing import Setup
from bridge.readingcolumn import ReadingColumn
from bridge.readings import Reading
from bridge.recentre import shared_errors, with_drops
from bridge.spreads import BATCH_SPREAD_V, TEMPERATURE_SPREAD_C
from bridge.table import ReadingTable, table_of

__all__ = ["KnownGood", "learn_reference", "narrow_table"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

BETWEEN_BOARDS_V = 0.010  # between the batches of two boards of one kind; common practice, no source
DRIFT_C = 1.5  # of the bench between the good board and the one read after it; common practice, no source
SLIP_SD = 5.0  # a reading farther off than this is left out as a slip
SLIPS_SHARE = 0.05  # more slips than this, and more than one: the board is not a good one


@dataclass(frozen=True, slots=True)
class KnownGood:
    """What a good board taught.

    Parameters
    ----------
    board : Board
        The board with the drops the good one showed.
    spread : mapping of str to float
        Standard deviation that is left for each batch of junctions [V].
    """

    board: Board
    spread: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class _NarrowColumn(ReadingColumn):
    """A column whose displays answer less to the batches, in proportion to what is left of their spread."""

    share: Array = dataclasses.field(default_factory=lambda: np.ones(0))  # batches

    def displays(self, start: Index, end: Index) -> ColumnDisplays:
        """Return displays that begin at some answers and end at others."""
        shown = ReadingColumn.displays(self, start, end)
        return dataclasses.replace(shown, batch_load=shown.batch_load * self.share[:, None])


def learn_reference(board: Board, meter: MeterProfile, setup: Setup, readings: Sequence[Reading]) -> KnownGood:
    """Return what the readings of a good board say about the drops of its kind.

    Parameters
    ----------
    board, meter, setup
        As for ranking; the good board is read on the same bench.
    readings : sequence of Reading
        Its readings.

    Raises
    ------
    InputError
        No number among them, or too many that no good board shows.
    """
    models = model_readings(readings, meter)
    table = table_of(_healthy_only(build_space(board, setup)), meter, readings)
    # how warm the bench is moves the drops, and goes with them to the board read after it
    batches = table.batches[:-1]
    gains = list(dict.fromkeys(model.gain for model in models))
    loads = np.zeros((len(models), len(batches) + len(gains)))
    gap, own = np.zeros(len(models)), np.ones(len(models))
    usable, contradiction = np.zeros(len(models), dtype=np.bool_), np.zeros(len(models), dtype=np.bool_)
    healthy = np.zeros(1, dtype=np.intp)
    for r, (column, model) in enumerate(zip(table.columns, models, strict=True)):
        shown = as_read(column.displays(*column.of_classes(healthy)), model)
        value = float(shown.value[0])
        usable[r] = model.kind == "number" and np.isfinite(value)
        moves = bool(shown.time_sd[0] > 0.0)
        contradiction[r] = not moves and (
            (model.kind == "number" and np.isinf(value)) or (model.kind == "OL" and np.isfinite(value))
        )
        if usable[r]:
            loads[r, : len(batches)] = shown.batch_load[:-1, 0] * BATCH_SPREAD_V
            loads[r, len(batches) + gains.index(model.gain)] = value * model.gain_sd
            gap[r] = model.value - value
            own[r] = np.sqrt(shown.own_sd[0] ** 2 + shown.time_sd[0] ** 2 + model.digits_sd**2)
    if not usable.any():
        raise InputError("the reference holds no number that a good board would show; read its diodes")
    kept = usable.copy()
    wrong = [r for r, contradicts in enumerate(contradiction) if contradicts]
    while True:
        shared, covariance = shared_errors(loads[kept], own[kept], gap[kept])
        left = np.where(kept, np.abs(gap - loads @ shared) / own, 0.0)
        worst = int(np.argmax(left))
        if left[worst] > SLIP_SD:
            kept[worst] = False
            wrong.append(worst)
        if len(wrong) > max(1.0, SLIPS_SHARE * len(readings)):
            places = [readings[number].probing for number in wrong]
            said = ", ".join(f"{place.red} to {place.black}" for place in places)
            raise InputError(f"the reference is no good board of this kind; what does not fit one: {said}")
        if left[worst] <= SLIP_SD:
            break
    shift = dict(zip(batches, (shared[: len(batches)] * BATCH_SPREAD_V).tolist(), strict=True))
    known_sd = np.sqrt(np.diag(covariance)[: len(batches)]) * BATCH_SPREAD_V
    spread = np.minimum(np.hypot(known_sd, BETWEEN_BOARDS_V), BATCH_SPREAD_V)
    narrowed = dict(zip(batches, spread.tolist(), strict=True))
    narrowed[TEMPERATURE] = BATCH_SPREAD_V * DRIFT_C / TEMPERATURE_SPREAD_C
    return KnownGood(with_drops(board, shift), narrowed)


def narrow_table(table: ReadingTable, spread: Mapping[str, float]) -> ReadingTable:
    """Return a table whose batches spread only as far as a good board leaves open.

    Parameters
    ----------
    table : ReadingTable
        The table, of the board that `learn_reference` returned.
    spread : mapping of str to float
        Standard deviation of each batch [V]; a batch that is not in it keeps its own.
    """
    share = np.array([spread.get(batch, BATCH_SPREAD_V) / BATCH_SPREAD_V for batch in table.batches])
    names = [field.name for field in dataclasses.fields(ReadingColumn)]
    columns = tuple(
        _NarrowColumn(**{name: getattr(column, name) for name in names}, share=share) for column in table.columns
    )
    return dataclasses.replace(table, columns=columns)


def _healthy_only(space: FaultSpace) -> FaultSpace:
    """Return a space without faults: nothing but the healthy board is solved for."""
    nothing = Variants(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0), np.zeros(0))
    return dataclasses.replace(space, singles=nothing, doubles=nothing)
