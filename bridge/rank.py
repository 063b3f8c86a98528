"""From readings to ranked faults: probabilities, groups that look alike, and whether anything fits at all."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bridge.belief import Beliefs, join, label_groups, log_evidence_of_all, weigh
from bridge.board import Board
from bridge.charge import falls
from bridge.errors import InputError
from bridge.evidence import ScreenedSpace, refine, screen
from bridge.faultspace import FaultSpace
from bridge.fit import judge_fit
from bridge.groups import number_by_mass
from bridge.growth import grow
from bridge.likelihood import ReadingModel, model_readings
from bridge.listing import list_groups, suspect_parts
from bridge.meter import MeterProfile
from bridge.oddone import find_odd_ones
from bridge.predict import Progress
from bridge.probing import Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Group, PartSuspicion, Ranking, SetupBelief
from bridge.readings import Reading, need_not_too_many
from bridge.recentre import Drops, add_drops, drops_shown, with_drops
from bridge.reference import KnownGood, learn_reference, narrow_table
from bridge.refit import refit_ohms
from bridge.seen import Seen, parse_seen
from bridge.setupcheck import check_setup
from bridge.survivors import Survivors
from bridge.suspect import SetupSuspicion, good_board_elsewhere, suspect_setup, with_more_faults
from bridge.table import ReadingTable, table_of
from bridge.tablememory import TableMemory

__all__ = ["Candidate", "FaultGuess", "Fit", "Group", "PartSuspicion", "Ranking", "SetupBelief", "rank"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

RIVAL_NATS = 3.0  # of evidence: twenty to one, what makes a state of the bench worth a ranking of its own
HOPELESS_NATS = 40.0  # below a board nobody knows: nothing modelled explains such readings, however many faults
REFITTED = 24


def rank(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    progress: Progress | None = None,
    *,
    seen: Sequence[str] = (),
    reference: Sequence[Reading] = (),
    memory: TableMemory | None = None,
) -> Ranking:
    """Return the faults of a board, singles, pairs and larger sets, ranked by how well they explain the readings.

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
    reference : sequence of Reading
        Readings of a good board of the same kind, on the same bench.
    memory : TableMemory, optional
        What earlier rankings of this board worked out; with it one more reading costs one column.

    Returns
    -------
    Ranking
        ``candidates``, most probable first, each with its faults, their resistances [ohm] and its probability [1];
        ``groups`` of candidates these readings cannot tell apart; ``parts`` by suspicion; ``fit``, whether anything
        explains the readings; ``setup``, what the bench was like.

    Raises
    ------
    InputError
        No reading at all, or too many; a set-up this board cannot be in; a reference that is no good board; words
        under ``seen`` that nobody knows; or a reading with a lead, pin, position or range that does not exist in this
        set-up.
    """
    if not readings:
        raise InputError("no reading to rank by; take at least one")
    need_not_too_many(readings)
    need_not_too_many(reference)
    setup = check_setup(setup, board)
    told = tuple(parse_seen(text, board) for text in seen)
    known = learn_reference(board, meter, setup, reference) if reference else KnownGood(board, {})
    board = known.board
    memory = TableMemory() if memory is None else memory
    stated, evidence = _rank_in(known, meter, setup, readings, told, progress, memory)
    # two faults at once are about as rare as something left connected
    faults = len(stated.candidates[0].faults)
    fits = stated.fit.ok and stated.fit.worst_reading is None and faults < 2
    if fits and (setup.bus_volts != 0.0 or not any(map(falls, readings))):
        # a part is rarer than a slip at the bench: one fault, too, is held against a good board on another bench
        elsewhere = good_board_elsewhere(board, meter, setup, readings, told, memory=memory) if faults else -math.inf
        if elsewhere < evidence - RIVAL_NATS:
            return stated
    # suspect the set-up before condemning a part, and before condemning several
    beliefs = suspect_setup(board, meter, setup, readings, told, stated=evidence, memory=memory)

    def rank_as(state: SetupSuspicion, there: Setup) -> tuple[Ranking, float]:
        taken = state.taken(board, readings)
        return _rank_in(known, state.meter or meter, there, taken, told, progress, memory)

    ranked: dict[str, Ranking] = {}
    as_stated = next(one for one in beliefs if one.what == "as-stated")
    unknown = next(one.alone for one in beliefs if one.what == "wrong-board")
    hopeful = (one for one in beliefs if one.setup is not None and one.alone > unknown - HOPELESS_NATS)
    rival = max(hopeful, key=lambda one: one.alone, default=None)
    pairs_tell = as_stated.weight > as_stated.alone + RIVAL_NATS
    if rival is not None and rival.setup is not None and pairs_tell and rival.alone > as_stated.alone + RIVAL_NATS:
        # it makes more of one fault than the stated set-up does: then it is due the pairs too that the stated one has
        ranked[rival.what], evidence = rank_as(rival, rival.setup)
        beliefs = with_more_faults(beliefs, rival.what, evidence)
    likeliest = beliefs[0]
    answer = stated
    if likeliest.setup is not None:
        answer = ranked.get(likeliest.what) or rank_as(likeliest, likeliest.setup)[0]
    return dataclasses.replace(
        answer,
        readings=tuple(readings),
        setup=tuple(SetupBelief(belief.what, belief.probability) for belief in beliefs),
        leads_swapped=likeliest.swapped,
        held=likeliest.held,
    )


def _rank_in(
    known: KnownGood,
    meter: MeterProfile,
    setup: Setup,
    readings: Sequence[Reading],
    seen: tuple[Seen, ...],
    progress: Progress | None,
    memory: TableMemory,
) -> tuple[Ranking, float]:
    """Rank in one state of the bench; also return the log evidence of all that was ranked, priors included."""
    board = known.board
    space = memory.space(board, setup)
    space = dataclasses.replace(space, priors=space.priors.given(seen))
    models = model_readings(readings, meter)
    hopeless = sum(model.unknown_board for model in models) - HOPELESS_NATS

    def table_at(off: Drops) -> ReadingTable:
        if not off:
            there = space
        else:
            real = memory.other_board(board, off, lambda: with_drops(board, dict(off)))
            there = dataclasses.replace(memory.space(real, setup), priors=space.priors)
        table = table_of(there, meter, readings, memory=memory)
        return narrow_table(table, known.spread) if known.spread else table

    def weighed(table: ReadingTable, *, pairs: bool) -> tuple[ScreenedSpace, Survivors]:
        screened = screen(table, models, progress, pairs=pairs, floor=hopeless)
        return screened, refine(table, models, screened)

    # pairs cost most: they are worked out at the drops that single faults tell of, again only where pairs tell others
    table = table_at(())
    off = drops_shown(table, models, weighed(table, pairs=False)[1], known.spread)
    table = table_at(off) if off else table
    screened, survivors = weighed(table, pairs=True)
    others = add_drops(off, drops_shown(table, models, survivors, known.spread))
    if others != off:
        table = table_at(others)
        screened, survivors = weighed(table, pairs=True)
    space = table.space
    grown = grow(table, models, survivors) if np.max(survivors.log_evidence) > hopeless else None
    every = np.concatenate([[screened.healthy], screened.single, screened.pair])
    beliefs = weigh(space, survivors, every, grown)
    evidence = log_evidence_of_all(survivors, grown)
    survivors = join(survivors, grown)
    _refit_leaders(table, models, survivors, beliefs)
    labels, rest = label_groups(survivors, beliefs)
    ids = number_by_mass(labels, beliefs.probability, rest + 1)
    candidates = _list_candidates(space, beliefs, ids[labels])
    ranking = Ranking(
        board=board,
        meter=meter,
        given_setup=setup,
        readings=tuple(readings),
        fit=judge_fit(readings, survivors),
        candidates=candidates,
        groups=list_groups(board, candidates, int(ids[rest])),
        parts=suspect_parts(board, candidates),
        setup=(SetupBelief("as-stated", 1.0),),
        seen=tuple(str(one) for one in seen),
        odd_ones=find_odd_ones(table, models, readings),
    )
    return ranking, evidence


def _refit_leaders(table: ReadingTable, models: Sequence[ReadingModel], survivors: Survivors, beliefs: Beliefs) -> None:
    """Solve for the resistances of the first hypotheses, in place: those are the ones that are read and built on."""
    leaders = [row for row in range(min(REFITTED, len(beliefs.probability))) if beliefs.best_survivor[row] >= 0]
    sizes = [int(np.count_nonzero(beliefs.faults[row] >= 0)) for row in leaders]
    trusted = survivors.telling[beliefs.best_survivor[leaders]]
    sets = [tuple(beliefs.faults[row, :size].tolist()) for row, size in zip(leaders, sizes, strict=True)]
    ohms = [tuple(beliefs.ohms[row, :size].tolist()) for row, size in zip(leaders, sizes, strict=True)]
    for row, size, fitted in zip(leaders, sizes, refit_ohms(table, models, sets, ohms, trusted)[0], strict=True):
        beliefs.ohms[row, :size] = fitted


def _list_candidates(space: FaultSpace, beliefs: Beliefs, groups: Index) -> tuple[Candidate, ...]:
    names = [(fault.part, fault.mode) for fault in space.faults]

    @cache
    def guess(fault: int, ohms: float | None) -> FaultGuess:
        return FaultGuess(names[fault][0], names[fault][1], ohms)

    ohms = np.where(np.isnan(beliefs.ohms), None, beliefs.ohms)  # type: ignore[call-overload]
    rows = zip(
        beliefs.faults.tolist(),  # plain numbers: tens of thousands of them are touched one by one
        ohms.tolist(),
        beliefs.probability.tolist(),
        groups.tolist(),
        strict=True,
    )
    return tuple(
        Candidate(tuple([guess(*one) for one in zip(faults, values, strict=True) if one[0] >= 0]), probability, group)
        for faults, values, probability, group in rows
    )
