"""Set-up errors as hypotheses: swapped leads, a motor left on, a charged bus, the wrong board file."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.board import Board
from bridge.errors import InputError
from bridge.evidence import screen
from bridge.likelihood import model_readings
from bridge.meter import MeterProfile
from bridge.probing import Setup
from bridge.readings import Reading
from bridge.seen import Seen
from bridge.table import build_space, table_of

__all__ = ["SetupSuspicion", "exchange_leads", "suspect_setup"]

# How often the bench is not as stated; common practice, no source.
PRIOR = {
    "leads-swapped": 0.02,
    "motor-connected": 0.02,
    "coil-connected": 0.02,
    "relay-closed": 0.005,
    "bus-charged": 0.02,
    "wrong-board": 0.005,
}
BUS_CHARGES_V = (0.5, 1.5)  # what a first reading or a tired bleeder leaves; both count as one set-up
CONNECTABLE = {"motor": "motor-connected", "coil": "coil-connected"}


@dataclass(frozen=True, slots=True)
class SetupSuspicion:
    """A state of the bench and how probable it is.

    Parameters
    ----------
    what : str
        Its name; ``as-stated`` for the one that was given.
    probability : float
        Posterior probability [1].
    setup : Setup or None
        The set-up to rank in; None for the stated one, and where no set-up can be computed.
    swapped : bool
        Whether the leads were exchanged.
    """

    what: str
    probability: float
    setup: Setup | None
    swapped: bool = False


def exchange_leads(reading: Reading) -> Reading:
    """Return a reading as it was really taken, if red and black were exchanged."""
    return dataclasses.replace(reading, probing=reading.probing.swapped)


def suspect_setup(
    board: Board, meter: MeterProfile, setup: Setup, readings: Sequence[Reading], seen: Sequence[Seen] = ()
) -> tuple[SetupSuspicion, ...]:
    """Return states of the bench that could explain the readings, most probable first; they sum to 1.

    Parameters
    ----------
    board, meter, setup, readings
        As for ranking.
    seen : sequence of Seen
        What was seen before any reading.

    Notes
    -----
    Each state is weighed by the healthy board and every single fault in it; pairs are left to the ranking itself.
    """
    shares: dict[str, float] = {}
    likeliest: dict[str, tuple[float, Setup | None]] = {}
    states = _states(board, setup)
    weights = []
    for what, prior, state in states:
        taken = [exchange_leads(reading) for reading in readings] if what == "leads-swapped" else readings
        if state:
            evidence = _log_evidence(board, meter, state, taken, seen)
        else:
            evidence = sum(model.unknown_board for model in model_readings(readings, meter))
        weights.append(float(np.log(prior)) + evidence)
    total = np.exp(np.array(weights) - max(weights))
    for (what, _, state), share in zip(states, (total / np.sum(total)).tolist(), strict=True):
        shares[what] = shares.get(what, 0.0) + share
        if what not in likeliest or share > likeliest[what][0]:
            likeliest[what] = share, None if what == "as-stated" else state
    suspicions = [
        SetupSuspicion(what, share, likeliest[what][1], what == "leads-swapped") for what, share in shares.items()
    ]
    return tuple(sorted(suspicions, key=lambda suspicion: -suspicion.probability))


def _states(board: Board, setup: Setup) -> list[tuple[str, float, Setup | None]]:
    """Return the states of the bench that this board can be in: name, prior probability, set-up."""
    parts = board.parts.values()
    states: list[tuple[str, float, Setup | None]] = [("leads-swapped", PRIOR["leads-swapped"], setup)]
    for what, name in CONNECTABLE.items():
        if what not in setup.connected and any(part.when == what for part in parts):
            more = dataclasses.replace(setup, connected=setup.connected | {what})
            states.append((name, PRIOR[name], more))
    if not setup.relay_closed and any(part.kind == "relay" for part in parts):
        states.append(("relay-closed", PRIOR["relay-closed"], dataclasses.replace(setup, relay_closed=True)))
    if setup.bus_volts == 0.0 and any(part.bus_share for part in parts):
        share = PRIOR["bus-charged"] / len(BUS_CHARGES_V)
        states += [("bus-charged", share, dataclasses.replace(setup, bus_volts=volts)) for volts in BUS_CHARGES_V]
    states.append(("wrong-board", PRIOR["wrong-board"], None))
    return [("as-stated", 1.0 - sum(prior for _, prior, _ in states), setup), *states]


def _log_evidence(
    board: Board, meter: MeterProfile, setup: Setup, readings: Sequence[Reading], seen: Sequence[Seen]
) -> float:
    """Return the log evidence of the healthy board and all single faults in one state of the bench."""
    try:
        space = build_space(board, setup)
        space = dataclasses.replace(space, priors=space.priors.given(seen))
        table = table_of(space, meter, readings, pairs=False)
    except InputError:
        return -1e6  # a lead that does not exist in this state
    screened = screen(table, model_readings(readings, meter), pairs=False)
    every = np.concatenate([[screened.healthy], screened.single])
    peak = float(np.max(every))
    return peak + float(np.log(np.sum(np.exp(every - peak))))
