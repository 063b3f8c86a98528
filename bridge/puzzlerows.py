"""What the nominal board shows at a puzzle's placements under every single fault, and under a few sets more.

A coarse picture, quick to ask: enough to draw by, to measure effort, and to find which reading tells two explanations
apart. What is proved is proved by the evidence of the ranking.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.boarddisplays import MOVING_SHARE, ROUGHLY, BoardDisplays, displays_of
from bridge.faults import Fault
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.puzzlebench import real_probing, real_setup
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import ReadingTable

__all__ = ["Row", "Rows", "packages_of", "rows_of_errors", "rows_of_sets", "rows_of_singles"]

Array = NDArray[np.float64]

APART_SD = 3.5
SETUP_LOG_PRIOR = math.log(0.02)  # an error of the bench before any reading; common practice, no source


@dataclass(frozen=True, slots=True)
class Row:
    """One explanation.

    Parameters
    ----------
    faults : tuple of (Fault, float or None)
        Its faults, with resistances [ohm].
    error : str
        Its error of the bench; empty for none.
    log_prior : float
        ln of how probable it is before any reading, its severity included.
    target : frozenset of str
        What it has replaced, or the error of the bench in angle brackets; empty for a good board.
    """

    faults: tuple[tuple[Fault, float | None], ...]
    error: str
    log_prior: float
    target: frozenset[str]


@dataclass(frozen=True, slots=True)
class Rows:
    """Explanations and what each shows.

    Parameters
    ----------
    who : tuple of Row
        The explanations; the good board first.
    place : ndarray, probings x explanations
        Display on a scale on which displays can be compared: volts, or the logarithm of ohms; infinite for OL, NaN
        where a solve did not converge.
    sd : ndarray, probings x explanations
        Its spread on that scale.
    """

    who: tuple[Row, ...]
    place: Array
    sd: Array

    def apart(self, one: int) -> NDArray[np.bool_]:
        """Return which readings would tell each explanation from a given one, probings x explanations.

        Parameters
        ----------
        one : int
            The given one.
        """
        return self.differs(self.place[:, one], self.sd[:, one])

    def differs(self, place: Array, sd: Array) -> NDArray[np.bool_]:
        """Return which explanations differ clearly from some displays, probings x explanations.

        Parameters
        ----------
        place, sd : ndarray, probings
            The displays and their spread on the scale of ``place``.
        """
        is_open, other_open = np.isinf(place)[:, None], np.isinf(self.place)
        with np.errstate(invalid="ignore"):
            far = np.abs(self.place - place[:, None]) > APART_SD * np.hypot(self.sd, sd[:, None])
        known = ~np.isnan(place)[:, None] & ~np.isnan(self.place)  # what did not converge tells nothing apart
        answer: NDArray[np.bool_] = ((is_open != other_open) | (far & ~is_open & ~other_open)) & known
        return answer

    def with_more(self, more: Rows) -> Rows:
        """Return these explanations and more behind them.

        Parameters
        ----------
        more : Rows
            Explanations at the same placements.
        """
        return Rows((*self.who, *more.who), np.hstack([self.place, more.place]), np.hstack([self.sd, more.sd]))


def packages_of(board: Board, faults: Sequence[tuple[Fault, float | None]]) -> frozenset[str]:
    """Return the packages that a set of faults has replaced.

    Parameters
    ----------
    board : Board
        The board.
    faults : sequence of (Fault, float or None)
        The faults.
    """
    return frozenset(board.parts[fault.part].package for fault, _ in faults)


def rows_of_singles(table: ReadingTable) -> Rows:
    """Return the good board and every single fault at every severity of the fine grid.

    Parameters
    ----------
    table : ReadingTable
        Columns of the placements, solved for single faults.
    """
    space, board = table.space, table.space.board
    singles = space.singles
    who = [Row((), "", space.priors.log_healthy, frozenset())]
    for fault, ohms, weight in zip(singles.fault.tolist(), singles.ohms.tolist(), singles.log_weight, strict=True):
        member = ((space.faults[fault], None if math.isnan(ohms) else ohms),)
        prior = float(space.priors.log_single[fault] + weight)
        who.append(Row(member, "", prior, packages_of(board, member)))
    values, spreads = [], []
    for column in table.columns:
        classes = np.concatenate([[0], column.class_of_single])
        shown = column.displays(*column.of_classes(classes))
        value = shown.value
        here = np.isfinite(value)
        finite = np.where(here, value, 0.0)
        range_name = column.probing.range_name
        if column.unit == "ohm" and range_name is None:
            range_name = table.meter.ohms[0].name
        gain_sd, digits_sd = table.meter.sigma(column.probing.mode, range_name, 0.0)
        variance = shown.own_sd**2 + shown.time_sd**2 + digits_sd**2 + (gain_sd * finite) ** 2
        variance = variance + np.sum((shown.batch_load * BATCH_SPREAD_V) ** 2, axis=0)
        sd = np.sqrt(variance)
        if column.unit == "ohm":
            with np.errstate(invalid="ignore"):
                moving = here & (np.abs(value - shown.end) > MOVING_SHARE * np.abs(finite))
            sd = np.where(moving, np.maximum(sd, ROUGHLY * finite), sd)
        values.append(value)
        spreads.append(np.where(here, sd, 1.0))
    no_batch = np.zeros((0, len(values), len(who)))  # what batches add is in the spreads already
    units = tuple(column.unit for column in table.columns)
    return _rows(who, BoardDisplays(np.array(values), np.array(spreads), no_batch, units))


def rows_of_sets(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    sets: Sequence[tuple[tuple[tuple[Fault, float | None], ...], float]],
    error: str = "",
) -> Rows:
    """Return sets of faults.

    Parameters
    ----------
    board, meter, setup
        The bench as stated.
    probings : sequence of Probing
        The placements.
    sets : sequence of (tuple of (Fault, float or None), float)
        The faults of each with their resistances [ohm], and ln of its prior.
    error : str
        The error of the bench they all are read with; empty for none.
    """
    real = [real_probing(one, error) for one in probings]
    shown = displays_of(board, meter, real_setup(setup, error), [faults for faults, _ in sets], real)
    who = [
        Row(faults, error, prior, frozenset((f"<{error}>",)) if error else packages_of(board, faults))
        for faults, prior in sets
    ]
    return _rows(who, shown)


def _rows(who: Sequence[Row], shown: BoardDisplays) -> Rows:
    sd = shown.sd
    pairs = [shown.on_scale(row, sd[row]) for row in range(len(sd))]
    return Rows(tuple(who), np.array([place for place, _ in pairs]), np.array([spread for _, spread in pairs]))


def rows_of_errors(
    board: Board, meter: MeterProfile, setup: Setup, probings: Sequence[Probing], errors: Sequence[str]
) -> Rows:
    """Return the good board read with each error of the bench.

    Parameters
    ----------
    board, meter, setup, probings
        As for :func:`rows_of_sets`.
    errors : sequence of str
        The errors; at least one.
    """
    pieces = [rows_of_sets(board, meter, setup, probings, [((), SETUP_LOG_PRIOR)], error) for error in errors]
    rows = pieces[0]
    for piece in pieces[1:]:
        rows = rows.with_more(piece)
    return rows
