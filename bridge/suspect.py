"""Set-up errors as hypotheses: swapped leads, a motor left on, a charged bus or gate, another meter or board."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.bare import bare_gates
from bridge.board import Board
from bridge.charge import falls
from bridge.errors import InputError
from bridge.evidence import refine, screen
from bridge.forecast import forecast
from bridge.likelihood import model_readings
from bridge.meter import MeterProfile, list_meters, load_meter
from bridge.probing import Hold, Setup
from bridge.ranking import really_taken
from bridge.readings import Reading
from bridge.seen import Seen
from bridge.table import table_of
from bridge.tablememory import TableMemory

__all__ = ["CONNECTABLE", "SetupSuspicion", "good_board_elsewhere", "suspect_setup", "with_more_faults"]

# How often the bench is not as stated; common practice, no source.
PRIOR = {
    "leads-swapped": 0.02,
    "motor-connected": 0.02,
    "coil-connected": 0.02,
    "transformer-connected": 0.02,
    "brake-resistor-connected": 0.02,
    "relay-closed": 0.005,
    "bus-charged": 0.02,
    "gate-charged": 0.01,
    "other-meter": 0.01,
    "wrong-board": 0.005,
}
BUS_CHARGES_V = (0.5, 1.5)  # what a first reading or a tired bleeder leaves; both count as one set-up
SHOWN_CHARGES_V = (0.05, 10.0)  # what a falling display may tell of the bus: less matters to none, more shows OL
BEGINNINGS = (8, 24)  # readings by which a state of the bench is first judged: main terminals stand first on a sheet
HOPELESS_NATS = 20.0  # behind the stated set-up by those: not even several slips of the pen bring a state back
FAR_FETCHED_NATS = 40.0  # behind a board nobody knows by those: as hopeless as the stated set-up may itself be
HARD_TO_TELL = ("gate-charged", "other-meter")  # suspected only where no single fault explains the readings
GATE_CHARGE_V = 8.0  # well above any threshold; what a meter's or a finger's charge leaves on a gate
CONNECTABLE = {
    "motor": "motor-connected",
    "coil": "coil-connected",
    "transformer": "transformer-connected",
    "brake-resistor": "brake-resistor-connected",
}


@dataclass(frozen=True, slots=True)
class SetupSuspicion:
    """A state of the bench and how probable it is.

    Parameters
    ----------
    what : str
        Its name; ``as-stated`` for the one that was given.
    probability : float
        Prior, then posterior probability [1].
    setup : Setup or None
        The set-up to rank in; None for the stated one, and where no set-up can be computed.
    swapped : bool
        Whether the leads were exchanged.
    meter : MeterProfile or None
        Another meter than the stated one.
    held : tuple of Hold
        Gates that held charge.
    log_prior, alone, weight : float
        ln of its prior; of that times what the healthy board and every single fault in it make of the readings; the
        same once larger sets and its other variants are counted.
    """

    what: str
    probability: float
    setup: Setup | None
    swapped: bool = False
    meter: MeterProfile | None = None
    held: tuple[Hold, ...] = ()
    log_prior: float = 0.0
    alone: float = 0.0
    weight: float = 0.0

    def taken(self, board: Board, readings: Sequence[Reading]) -> list[Reading]:
        """Return readings as they were really taken in this state.

        Parameters
        ----------
        board : Board
            The board.
        readings : sequence of Reading
            The readings as written.
        """
        charged = self.what == "bus-charged"  # then no reading was taken on an empty bus, whatever its note says
        return [
            dataclasses.replace(
                reading,
                probing=really_taken(board, reading.probing, swapped=self.swapped, held=self.held),
                discharged=reading.discharged and not charged,
            )
            for reading in readings
        ]


def suspect_setup(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    seen: Sequence[Seen] = (),
    *,
    stated: float = -math.inf,
    memory: TableMemory | None = None,
) -> tuple[SetupSuspicion, ...]:
    """Return states of the bench that could explain the readings, most probable first; they sum to 1.

    Parameters
    ----------
    board, meter, setup, readings
        As for ranking.
    seen : sequence of Seen
        What was seen before any reading.
    stated : float
        Log evidence of the stated set-up with pairs and larger sets of faults, at the drops that the board shows.
    memory : TableMemory, optional
        What earlier rankings of this board worked out, and this one will.

    Notes
    -----
    Each state is weighed by the healthy board and every single fault in it; the stated one by all that was ranked in
    it, so that damage too wide for one fault is not taken for a slip at the bench. A state that is far behind after the
    first readings is taken to stay so.
    """
    memory = TableMemory() if memory is None else memory
    states = _states(board, meter, setup, _charge_shown(board, meter, setup, readings))

    def evidence_of(state: SetupSuspicion, there: Setup, count: int) -> float:
        taken = state.taken(board, readings)[:count]
        return _log_evidence(board, state.meter or meter, there, taken, seen, memory, stated=state is states[0])

    # first by a few readings: only what is not far behind the stated set-up by those is weighed by all
    unknown = np.cumsum([model.unknown_board for model in model_readings(readings, meter)]).tolist()
    beginnings = {
        count: (evidence_of(states[0], setup, count), unknown[count - 1])
        for count in BEGINNINGS
        if count < len(readings)
    }
    weights: list[float] = []
    alone: list[float] = []
    for state in states:
        if state.setup is None:
            evidence = unknown[-1]
        else:
            for count, (so_far, by_nobody) in beginnings.items() if state is not states[0] else ():
                evidence = evidence_of(state, state.setup, count)
                behind = evidence - so_far
                if behind < -HOPELESS_NATS or evidence < by_nobody - FAR_FETCHED_NATS:
                    evidence = alone[0] - math.log(states[0].probability) + behind
                    break
            else:
                evidence = evidence_of(state, state.setup, len(readings))
        log_prior = math.log(state.probability)
        alone.append(log_prior + evidence)
        weights.append(log_prior + max(evidence, stated if state.what == "as-stated" else evidence))
    likeliest: dict[str, SetupSuspicion] = {}
    for state, weight, by_itself in zip(states, weights, alone, strict=True):
        known = likeliest.get(state.what)
        if known is None:
            log_prior = math.log(state.probability)
            likeliest[state.what] = dataclasses.replace(state, log_prior=log_prior, alone=by_itself, weight=weight)
            continue
        better = known
        if known.alone < by_itself:
            better = dataclasses.replace(state, log_prior=math.log(state.probability), alone=by_itself)
        likeliest[state.what] = dataclasses.replace(better, weight=float(np.logaddexp(known.weight, weight)))
    likeliest["as-stated"] = dataclasses.replace(likeliest["as-stated"], setup=None)
    return _in_shares(list(likeliest.values()))


def good_board_elsewhere(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    seen: Sequence[Seen] = (),
    *,
    memory: TableMemory | None = None,
) -> float:
    """Return how well a good board in another state of the bench explains the readings, held against the stated one.

    Parameters
    ----------
    board, meter, setup, readings, seen, memory
        As for :func:`suspect_setup`.

    Returns
    -------
    float
        ln of the probability of the best such state with the readings, over that of the stated one before any reading:
        what the log evidence of all that was ranked as stated is to be held against [nat].
    """
    memory = TableMemory() if memory is None else memory
    states = _states(board, meter, setup, _charge_shown(board, meter, setup, readings))
    best = -math.inf
    for state in states[1:]:
        if state.setup is None or state.what in HARD_TO_TELL:
            continue
        taken = state.taken(board, readings)
        evidence = _log_evidence(
            board, state.meter or meter, state.setup, taken, seen, memory, stated=False, good_board=True
        )
        best = max(best, math.log(state.probability) + evidence)
    return best - math.log(states[0].probability)


def _in_shares(suspicions: Sequence[SetupSuspicion]) -> tuple[SetupSuspicion, ...]:
    """Return states of the bench with the probabilities that their weights make, most probable first."""
    logs = np.array([one.weight for one in suspicions])
    total = np.exp(logs - np.max(logs))
    shares = (total / np.sum(total)).tolist()
    found = [dataclasses.replace(one, probability=share) for one, share in zip(suspicions, shares, strict=True)]
    return tuple(sorted(found, key=lambda suspicion: -suspicion.probability))


def _charge_shown(board: Board, meter: MeterProfile, setup: Setup, readings: Sequence[Reading]) -> tuple[float, ...]:
    """Return the charge of the bus that falling ohms displays tell of [V], as far as they do; one value or none."""
    told = []
    for reading in readings:
        if not falls(reading) or reading.value is None:
            continue
        source = meter.range_for(reading.value).source
        if source.amps is not None:
            volts = source.amps * reading.value
        else:
            volts = source.open_volts * reading.value / (reading.value + float(source.ohms or 0.0))
        if SHOWN_CHARGES_V[0] <= volts <= SHOWN_CHARGES_V[1]:
            told.append((volts, reading))
    if not told:
        return ()
    volts, reading = max(told, key=lambda one: one[0])
    # by then it had fallen some way already: as far as the good board's would have
    (good,) = forecast(board, meter, dataclasses.replace(setup, bus_volts=volts), [reading.probing])
    if good.value is not None and reading.value is not None and good.value > 0.5 * reading.value:
        volts *= reading.value / good.value
    return (volts,)


def _states(board: Board, meter: MeterProfile, setup: Setup, shown: Sequence[float] = ()) -> list[SetupSuspicion]:
    """Return the states of the bench that this board can be in, with their prior probabilities.

    ``shown`` are charges of the bus [V] that the readings tell of, beside the usual ones.
    """
    parts = board.parts.values()
    states = [SetupSuspicion("leads-swapped", PRIOR["leads-swapped"], setup, swapped=True)]
    for what, name in CONNECTABLE.items():
        if what not in setup.connected and any(part.when == what for part in parts):
            more = dataclasses.replace(setup, connected=setup.connected | {what})
            states.append(SetupSuspicion(name, PRIOR[name], more))
    if not setup.relay_closed and any(part.kind == "relay" for part in parts):
        closed = dataclasses.replace(setup, relay_closed=True)
        states.append(SetupSuspicion("relay-closed", PRIOR["relay-closed"], closed))
    if setup.bus_volts == 0.0 and any(part.bus_share for part in parts):
        charges = (*BUS_CHARGES_V, *shown)
        share = PRIOR["bus-charged"] / len(charges)
        states += [
            SetupSuspicion("bus-charged", share, dataclasses.replace(setup, bus_volts=volts)) for volts in charges
        ]
    bare = [board.parts[ref].position for ref in bare_gates(board, setup)]
    floating = list(dict.fromkeys(position for position in bare if position is not None))
    for position in floating:
        held = (Hold(position, GATE_CHARGE_V),)
        states.append(SetupSuspicion("gate-charged", PRIOR["gate-charged"] / len(floating), setup, held=held))
    others = [name for name in list_meters() if name != meter.name]
    for name in others:
        share = PRIOR["other-meter"] / len(others)
        states.append(SetupSuspicion("other-meter", share, setup, meter=load_meter(name)))
    states.append(SetupSuspicion("wrong-board", PRIOR["wrong-board"], None))
    stated = 1.0 - sum(state.probability for state in states)
    return [SetupSuspicion("as-stated", stated, setup), *states]


def _log_evidence(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    seen: Sequence[Seen],
    memory: TableMemory,
    *,
    stated: bool,
    good_board: bool = False,
) -> float:
    """Return the log evidence of the healthy board and all single faults in one state of the bench.

    Of the stated one the memory holds the table with pairs, for its ranking. Of the ``good_board`` alone, without
    faults, a table is soon made and not kept.
    """
    try:
        space = memory.space(board, setup)
        space = dataclasses.replace(space, priors=space.priors.given(seen))
        if good_board:
            nothing = np.zeros(0, dtype=np.intp)
            space = dataclasses.replace(space, singles=space.singles.some(nothing), doubles=space.doubles.some(nothing))
            memory = TableMemory()
        table = table_of(space, meter, readings, pairs=stated, memory=memory)
    except InputError:
        return -1e6  # a lead that does not exist in this state
    models = model_readings(readings, meter)
    every = refine(table, models, screen(table, models, pairs=False)).log_evidence
    peak = float(np.max(every))
    return peak + float(np.log(np.sum(np.exp(every - peak))))


def with_more_faults(suspicions: Sequence[SetupSuspicion], what: str, evidence: float) -> tuple[SetupSuspicion, ...]:
    """Return states of the bench once pairs and larger sets were weighed in one of them too, most probable first.

    Parameters
    ----------
    suspicions : sequence of SetupSuspicion
        What :func:`suspect_setup` returned.
    what : str
        The state.
    evidence : float
        Its log evidence with them, at the drops that the board then shows.
    """
    raised = [
        dataclasses.replace(one, weight=max(one.weight, one.log_prior + evidence))
        for one in suspicions
        if one.what == what
    ]
    return _in_shares([*raised, *(one for one in suspicions if one.what != what)])
