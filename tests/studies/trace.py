"""What a fault leaves on a sheet: how much worse the readings are explained without it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.boarddisplays import BoardDisplays, displays_of
from bridge.faults import Fault
from bridge.likelihood import FALSE_OL, NEPERS_OF_OHMS, WRONG_READING
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from bridge.virtualboard import Damage

Array = NDArray[np.float64]

TRACEABLE_NATS = math.log(100.0)


@dataclass(frozen=True, slots=True)
class Trace:
    """What a planted damage leaves on a sheet.

    Parameters
    ----------
    seen : tuple of Fault
        The faults that leave a trace each.
    masked : bool
        Whether the damage leaves a trace while no single fault of it does: they mask one another.
    """

    seen: tuple[Fault, ...]
    masked: bool


def trace(board: Board, meter: MeterProfile, setup: Setup, plan: Sequence[Probing], damage: Damage) -> Trace:
    """Return what the faults of a board of the file's own values leave on a sheet.

    Parameters
    ----------
    board, meter, setup
        The bench as stated.
    plan : sequence of Probing
        The sheet.
    damage : tuple of (Fault, float or None)
        What is planted, with resistances [ohm].

    Notes
    -----
    A fault is seen if leaving it out of the explanation costs ln 100 or more of the log likelihood of what the whole
    damage is expected to read. The drops of a batch may stray to make up for it, at their own cost; a reading that
    does not follow counts for no more than a slip costs.
    """
    if not damage:
        return Trace((), masked=False)
    rest = [tuple(one for one in damage if one is not fault) for fault in damage]
    costs = explain_costs(board, meter, setup, plan, damage, [*rest, ()])
    seen = tuple(fault for (fault, _), cost in zip(damage, costs, strict=False) if cost >= TRACEABLE_NATS)
    return Trace(seen, masked=not seen and costs[-1] >= TRACEABLE_NATS)


def setup_shows(
    board: Board,
    meter: MeterProfile,
    stated: Setup,
    real: Setup,
    plan: Sequence[Probing],
    damage: Damage,
    swapped: bool,
) -> bool:
    """Return whether a bench that is not as stated leaves a trace: a bus behind a shorted leg holds no charge.

    Parameters
    ----------
    board, meter, stated
        The bench as stated.
    real : Setup
        The bench as it is.
    plan, damage
        As for :func:`trace`.
    swapped : bool
        Whether the leads are exchanged.
    """
    taken = [probing.swapped for probing in plan] if swapped else plan
    shown = [displays_of(board, meter, setup, [damage], places) for setup, places in ((real, taken), (stated, plan))]
    (cost,) = _costs(
        meter,
        BoardDisplays(
            np.concatenate([one.value for one in shown], axis=1),
            np.concatenate([one.own_sd for one in shown], axis=1),
            np.concatenate([one.batch_load for one in shown], axis=2),
            shown[0].units,
        ),
    )
    return cost >= TRACEABLE_NATS


def explain_costs(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    plan: Sequence[Probing],
    damage: Damage,
    others: Sequence[Damage],
) -> list[float]:
    """Return how much worse each other damage explains what one is expected to read [nat].

    Parameters
    ----------
    board, meter, setup, plan, damage
        As for :func:`trace`.
    others : sequence of tuples of (Fault, float or None)
        The other explanations.
    """
    return _costs(meter, displays_of(board, meter, setup, [damage, *others], plan))


def _costs(meter: MeterProfile, shown: BoardDisplays) -> list[float]:
    """Return how much worse than the first each other board explains what the first is expected to read [nat]."""
    ohms = np.array([unit == "ohm" for unit in shown.units])
    truth = shown.value[:, 0]
    with np.errstate(invalid="ignore"):
        broad = np.where(ohms, 1.0 / (NEPERS_OF_OHMS * np.maximum(truth, 0.5)), 1.0 / meter.diode.limit_volts)
    costs = []
    for place in range(1, shown.value.shape[1]):
        other, own, load = shown.value[:, place], shown.own_sd[:, place], shown.batch_load[:, :, place]
        both = np.isfinite(truth) & np.isfinite(other)
        gap = np.where(both, np.where(np.isfinite(truth), truth, 0.0) - np.where(both, other, 0.0), 0.0)
        weight = np.where(both, 1.0 / own**2, 0.0)
        shift = np.zeros(len(load))
        height = -np.log(own * math.sqrt(2.0 * math.pi))
        with np.errstate(divide="ignore", invalid="ignore"):
            slip = np.where(np.isfinite(truth), height - np.log(WRONG_READING * broad), -math.log(FALSE_OL))
        for _ in range(4):  # once a reading counts as a slip it pulls no more
            precision = np.eye(len(load)) + (load * weight) @ load.T
            shift = np.linalg.solve(precision, load @ (weight * gap))
            misses = 0.5 * ((gap - shift @ load) / own) ** 2
            weight = np.where(both & (misses < slip), 1.0 / own**2, 0.0)
        cost = np.where(
            both,
            np.minimum(misses, np.maximum(slip, 0.0)),
            np.where(np.isfinite(truth) != np.isfinite(other), slip, 0.0),
        )
        costs.append(float(cost.sum() + 0.5 * shift @ shift))
    return costs
