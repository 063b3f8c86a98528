"""From readings to ranked faults: probabilities, groups that look alike, and whether anything fits at all."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.evidence import Survivors, refine, screen
from bridge.faults import Fault
from bridge.groups import error_between, smallest_replacement
from bridge.likelihood import model_readings
from bridge.meter import MeterProfile
from bridge.oddone import find_odd_ones
from bridge.predict import Progress
from bridge.probing import Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Group, PartSuspicion, Ranking, SetupBelief
from bridge.readings import Reading
from bridge.seen import Seen, parse_seen
from bridge.separate import separable_in_place
from bridge.suspect import exchange_leads, suspect_setup
from bridge.table import FaultSpace, build_space, table_of

__all__ = ["Candidate", "FaultGuess", "Fit", "Group", "PartSuspicion", "Ranking", "SetupBelief", "rank"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SAME_ERROR = 0.25
LEAST_LEADER = 1e-6  # hypotheses less probable than this lead no group of their own
MOST_LEADERS = 60
WORTH_SEPARATING = 0.02
SEPARATE_MOST = 12
MISFIT_LIMIT = 1e-3
SURPRISE_WORTH_NAMING = 3.0


def rank(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    progress: Progress | None = None,
    *,
    seen: Sequence[str] = (),
) -> Ranking:
    """Return all single and paired faults of a board ranked by how well they explain the readings.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter the readings were taken with.
    setup : Setup
        The state of the bench.
    readings : sequence of Reading
        The readings, in the order they were taken.
    progress : callable, optional
        Called with readings weighed and readings to weigh.
    seen : sequence of str
        What was seen, heard or told before any reading: ``F_1 open``, ``trips at switch-on``.

    Raises
    ------
    InputError
        No reading at all; words under ``seen`` that nobody knows; or
        a reading with a lead, pin, position or range that does not exist in this set-up.
    """
    if not readings:
        raise InputError("no reading to rank by; take at least one")
    told = tuple(parse_seen(text, board) for text in seen)
    stated = _rank_in(board, meter, setup, readings, told, progress)
    if stated.fit.ok and stated.fit.worst_reading is None:
        return stated
    # suspect the set-up before condemning a part
    beliefs = suspect_setup(board, meter, setup, readings, told)
    likeliest = beliefs[0]
    if likeliest.setup is None:
        answer = stated
    else:
        taken = [exchange_leads(reading) for reading in readings] if likeliest.swapped else readings
        answer = _rank_in(board, meter, likeliest.setup, taken, told, progress)
    return dataclasses.replace(
        answer,
        readings=tuple(readings),
        setup=tuple(SetupBelief(belief.what, belief.probability) for belief in beliefs),
        leads_swapped=likeliest.swapped,
    )


def _rank_in(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    seen: tuple[Seen, ...],
    progress: Progress | None,
) -> Ranking:
    """Rank in one state of the bench."""
    space = build_space(board, setup)
    space = dataclasses.replace(space, priors=space.priors.given(seen))
    table = table_of(space, meter, readings)
    models = model_readings(readings, meter)
    screened = screen(table, models, progress)
    survivors = refine(table, models, screened)
    beliefs = _weigh(space, survivors, np.concatenate([[screened.healthy], screened.single, screened.pair]))
    labels = _label(survivors, beliefs)
    candidates = _list_candidates(space, beliefs, labels)
    return Ranking(
        board=board,
        meter=meter,
        given_setup=setup,
        readings=tuple(readings),
        fit=_judge_fit(readings, survivors),
        candidates=candidates,
        groups=_list_groups(board, meter, setup, space, beliefs, labels, candidates),
        parts=_suspect_parts(board, space, beliefs),
        setup=(SetupBelief("as-stated", 1.0),),
        seen=tuple(str(one) for one in seen),
        odd_ones=find_odd_ones(table, models, readings),
    )


@dataclass(frozen=True, slots=True)
class _Beliefs:
    """Posterior over all hypotheses, most probable first.

    Parameters
    ----------
    faults : ndarray of int, hypotheses x 2
        Fault numbers; -1 where there is none.
    probability : ndarray, hypotheses
        Posterior probability [1].
    ohms : ndarray, hypotheses x 2
        Posterior median of each fault's resistance [ohm]; NaN where there is none.
    hypothesis_of_survivor : ndarray of int, survivors
        Hypothesis each survivor is a variant of.
    best_survivor : ndarray of int, hypotheses
        Its most probable variant; -1 for a hypothesis the first pass dropped.
    """

    faults: Index
    probability: Array
    ohms: Array
    hypothesis_of_survivor: Index
    best_survivor: Index


def _weigh(space: FaultSpace, survivors: Survivors, screened: Array) -> _Beliefs:
    """Sum variants into hypotheses; what the first pass dropped keeps its first-pass weight."""
    log_weight = screened + (np.max(survivors.log_evidence) - np.max(screened))
    log_weight[survivors.kept] = survivors.log_evidence
    weight = np.exp(log_weight - np.max(log_weight))
    count = len(space.faults)
    first, second = space.pairs
    a = np.concatenate([[-1], space.singles.fault, space.doubles.fault[first]])
    b = np.concatenate([[-1], np.full(len(space.singles), -1), space.doubles.fault[second]])
    code = (a + 1) * (count + 1) + (b + 1)
    total = np.bincount(code, weights=weight, minlength=(count + 1) ** 2)
    exists = np.unique(code)
    order = exists[np.lexsort((exists, -total[exists]))]
    probability = total[order] / np.sum(total[order])
    place = np.full((count + 1) ** 2, -1, dtype=np.intp)
    place[order] = np.arange(len(order))
    hypothesis = place[code[survivors.kept]]
    best = np.full(len(order), -1, dtype=np.intp)
    by_evidence = np.argsort(survivors.log_evidence, kind="stable")
    best[hypothesis[by_evidence]] = by_evidence
    ohms = _median_ohms(survivors, hypothesis, len(order))
    return _Beliefs(
        np.stack([order // (count + 1) - 1, order % (count + 1) - 1], axis=1), probability, ohms, hypothesis, best
    )


def _median_ohms(survivors: Survivors, hypothesis: Index, count: int) -> Array:
    """Return the posterior median resistance of each hypothesis's faults over its severity nodes."""
    ohms = np.full((count, 2), np.nan)
    weight = np.exp(survivors.log_evidence - np.max(survivors.log_evidence))
    for member in (0, 1):
        value = survivors.ohms[:, member]
        order = np.lexsort((value, hypothesis))
        order = order[np.isfinite(value[order])]
        if not len(order):
            continue  # no survivor has a resistance to fit here
        owners, begins = np.unique(hypothesis[order], return_index=True)
        for owner, rows in zip(owners.tolist(), np.split(order, begins[1:]), strict=True):
            running = np.cumsum(weight[rows])
            ohms[owner, member] = value[rows[np.searchsorted(running, 0.5 * running[-1])]]
    return ohms


def _label(survivors: Survivors, beliefs: _Beliefs) -> Index:
    """Return a group for each hypothesis: leaders by probability take all that these readings cannot tell from them."""
    count = len(beliefs.probability)
    label = np.full(count, -1, dtype=np.intp)
    rows = np.arange(len(survivors.kept))
    group = 0
    for leader in range(count):
        if beliefs.best_survivor[leader] < 0 or beliefs.probability[leader] < LEAST_LEADER or group >= MOST_LEADERS:
            break
        if label[leader] >= 0:
            continue
        free = rows[label[beliefs.hypothesis_of_survivor] < 0]
        error = _errors(survivors, int(beliefs.best_survivor[leader]), free)
        closest = np.zeros(count)
        np.maximum.at(closest, beliefs.hypothesis_of_survivor[free], error)
        label[(closest >= SAME_ERROR) & (label < 0)] = group
        label[leader] = group
        group += 1
    # what is too improbable to lead is one last group
    label[label < 0] = group
    return label


def _errors(survivors: Survivors, leader: int, others: Index) -> Array:
    severities = survivors.loads[others][:, :, -2:]
    own = np.broadcast_to(survivors.loads[leader], (len(others), *survivors.loads[leader].shape))
    return error_between(
        survivors.mean[leader],
        survivors.mean[others],
        survivors.open_share[leader],
        survivors.open_share[others],
        np.maximum(survivors.own_sd[leader], survivors.own_sd[others]),
        np.concatenate([own, severities], axis=2),
    )


def _guesses(space: FaultSpace, beliefs: _Beliefs, hypothesis: int) -> tuple[FaultGuess, ...]:
    return tuple(
        FaultGuess(space.faults[fault].part, space.faults[fault].mode, None if math.isnan(ohms) else float(ohms))
        for fault, ohms in zip(beliefs.faults[hypothesis].tolist(), beliefs.ohms[hypothesis].tolist(), strict=True)
        if fault >= 0
    )


def _list_candidates(space: FaultSpace, beliefs: _Beliefs, labels: Index) -> tuple[Candidate, ...]:
    ids = _group_ids(beliefs, labels)
    return tuple(
        Candidate(_guesses(space, beliefs, number), float(beliefs.probability[number]), int(ids[labels[number]]))
        for number in range(len(labels))
    )


def _group_ids(beliefs: _Beliefs, labels: Index) -> Index:
    """Return the public number of each label: 0 for the most probable group."""
    mass = np.bincount(labels, weights=beliefs.probability)
    ids = np.empty(len(mass), dtype=np.intp)
    ids[np.argsort(-mass, kind="stable")] = np.arange(len(mass))
    return ids


def _list_groups(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    space: FaultSpace,
    beliefs: _Beliefs,
    labels: Index,
    candidates: Sequence[Candidate],
) -> tuple[Group, ...]:
    ids = _group_ids(beliefs, labels)
    mass = np.bincount(labels, weights=beliefs.probability)
    package = [board.parts[fault.part].package for fault in space.faults]
    groups: list[Group] = []
    for label in np.argsort(ids).tolist():
        members = np.flatnonzero(labels == label)
        known = [
            (
                frozenset(package[fault] for fault in beliefs.faults[member] if fault >= 0),
                float(beliefs.probability[member]),
            )
            for member in members.tolist()
        ]
        separable = True
        if mass[label] >= WORTH_SEPARATING:
            listed = [candidates[member].faults for member in members[:SEPARATE_MOST].tolist()]
            separable = separable_in_place(
                board, meter, setup, [[(Fault(g.part, g.mode), g.ohms) for g in faults] for faults in listed]
            )
        groups.append(
            Group(
                id=int(ids[label]),
                probability=float(mass[label]),
                size=len(members),
                separable_in_place=separable,
                members=tuple(members.tolist()),
                replace=smallest_replacement(known),
                rest=bool(beliefs.probability[members[0]] < LEAST_LEADER),
            )
        )
    return tuple(groups)


def _suspect_parts(board: Board, space: FaultSpace, beliefs: _Beliefs) -> tuple[PartSuspicion, ...]:
    total: dict[str, float] = {}
    for member in (0, 1):
        number = beliefs.faults[:, member]
        there = number >= 0
        mass = np.bincount(number[there], weights=beliefs.probability[there], minlength=len(space.faults))
        for fault, probability in zip(space.faults, mass.tolist(), strict=True):
            total[fault.part] = total.get(fault.part, 0.0) + probability
    return tuple(
        PartSuspicion(part, board.parts[part].package, min(probability, 1.0))
        for part, probability in sorted(total.items(), key=lambda item: (-item[1], item[0]))
    )


def _judge_fit(readings: Sequence[Reading], survivors: Survivors) -> Fit:
    """Judge the best hypothesis: one reading may be a slip, the rest must be no odder than chance allows."""
    best = int(np.argmax(survivors.log_evidence))
    surprise, slip = survivors.surprise[best], survivors.slip[best]
    worst = int(np.argmax(np.where(slip > 0.5, 1e6 + slip, surprise)))
    stands_out = bool(slip[worst] > 0.5 or surprise[worst] > SURPRISE_WORTH_NAMING)
    rest = np.delete(surprise, worst) if stands_out else surprise
    impossible = int(np.count_nonzero(np.isinf(rest)))
    # leaving a reading out takes its own squared surprise off the total, whatever it shares with the others
    oddness = float(survivors.oddness[best])
    if stands_out and np.isfinite(surprise[worst]):
        oddness -= float(surprise[worst]) ** 2
    misfit = _chance_of_more(max(oddness, 0.0), int(np.count_nonzero(np.isfinite(rest))))
    ok = impossible == 0 and misfit > MISFIT_LIMIT
    name = f"{readings[worst].probing.red} to {readings[worst].probing.black}"
    if not ok:
        note = "none of the modelled faults explains these readings"
    elif stands_out:
        note = f"the reading {name} does not fit; take it again"
    else:
        note = "the readings fit"
    return Fit(ok, worst if stands_out else None, misfit, note)


def _chance_of_more(total: float, count: int) -> float:
    """Return the chance of a larger chi-square (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684)."""
    if count == 0:
        return 1.0
    scale = 2.0 / (9.0 * count)
    z = ((total / count) ** (1.0 / 3.0) - (1.0 - scale)) / math.sqrt(scale)
    return 0.5 * math.erfc(z / math.sqrt(2.0))
