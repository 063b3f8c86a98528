"""What is wrong with a part, as far as readings tell: modes left open, and the reading that would tell them apart."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from functools import cache

import numpy as np

from bridge.advise import probing_cost
from bridge.board import Board
from bridge.faults import Fault, parse_fault, severity_nodes
from bridge.journal import parse_setup
from bridge.meter import MeterProfile
from bridge.probing import Probing
from bridge.puzzlefile import BestStep, Key, SheetRow
from bridge.puzzlepattern import PatternProver
from bridge.puzzleproof import Prover
from bridge.puzzlerows import rows_of_sets
from bridge.puzzlesheet import puzzle_probings
from bridge.readings import Reading, parse_reading

__all__ = [
    "ModesLeft",
    "counted_share",
    "given_readings",
    "modes_left",
    "telling_probing",
    "written_readings",
]

ModesLeft = Callable[[frozenset[str]], list[frozenset[str]]]


def written_readings(rows: Iterable[SheetRow | BestStep], board: Board, meter: MeterProfile) -> tuple[Reading, ...]:
    """Return readings as a sheet or the best sequence of a key has them.

    Parameters
    ----------
    rows : iterable of SheetRow or BestStep
        The readings in text.
    board, meter
        What they were taken of and with.

    Raises
    ------
    InputError
        A reading that this board or meter cannot have.
    """
    fields = [
        {
            "red": row.red,
            "black": row.black,
            "mode": row.mode,
            "hold": row.hold,
            "reading": row.reading if isinstance(row, SheetRow) else row.shows,
        }
        for row in rows
    ]
    return tuple(parse_reading(row, board, meter, discharged=True) for row in fields)


def given_readings(key: Key, board: Board, meter: MeterProfile) -> tuple[Reading, ...]:
    """Return what a trainee had to go by: the sheet; of a board to be probed, the best sequence.

    Parameters
    ----------
    key : Key
        The key.
    board, meter
        Its board and meter.
    """
    return written_readings(key.puzzle.readings or key.best, board, meter)


def modes_left(key: Key, board: Board, meter: MeterProfile, readings: Sequence[Reading]) -> ModesLeft:
    """Return what tells of a list of packages which sets of faults in them the readings leave open.

    Parameters
    ----------
    key : Key
        The key of a puzzle with faults planted.
    board, meter
        Its board and meter.
    readings : sequence of Reading
        The readings.

    Returns
    -------
    callable
        From packages to sets of ``PART:MODE``, the one that fits best first. Where three and more faults were planted,
        those that the ranking lists; for so many it is asked again.
    """

    @cache
    def prover() -> Prover:
        setup = parse_setup(key.puzzle.setup, board)
        return PatternProver(board, meter, setup, [one.probing for one in readings])

    @cache
    def left(packages: frozenset[str]) -> list[frozenset[str]]:
        planted = [Fault(one.part, one.mode) for one in key.faults]
        return [frozenset(map(str, faults)) for faults in prover().modes_left(planted, packages, readings)]

    return left if readings and key.faults else lambda _: []


def counted_share(one: frozenset[str], left: Iterable[frozenset[str]], sure: Collection[frozenset[str]]) -> float:
    """Return how much a set of faults that readings leave open counts: as a guess among those it stands beside.

    Parameters
    ----------
    one : frozenset of str
        The set of ``PART:MODE``.
    left : iterable of frozenset of str
        All sets that the readings taken leave open. Larger ones than this are no rivals of it: they hide beside others.
    sure : collection of frozenset of str
        Those that count wholly; among the others they stand for one: what nothing within reach tells apart is one find.
    """
    if one in sure:
        return 1.0
    return 1.0 / (1 + sum(len(other) <= len(one) and other not in sure for other in left))


def telling_probing(
    key: Key,
    board: Board,
    meter: MeterProfile,
    one: frozenset[str],
    other: frozenset[str],
    taken: Collection[Probing] = (),
) -> Probing | None:
    """Return the reading within a puzzle's reach that tells two sets of faults apart for the least effort.

    Parameters
    ----------
    key : Key
        The key.
    board, meter
        Its board and meter.
    one, other : frozenset of str
        Sets of ``PART:MODE``.
    taken : collection of Probing, optional
        Readings that were taken already.

    Returns
    -------
    Probing or None
        None where no reading does at the resistances planted, or else at the middle ones of each mode.
    """
    probings = [asked for asked in puzzle_probings(board, key.puzzle.reach) if asked not in taken]
    if not probings:
        return None
    ohms = {one.part: one.ohms for one in key.faults if one.ohms is not None}

    def member(text: str) -> tuple[Fault, float | None]:
        fault, _ = parse_fault(text, board)
        nodes = severity_nodes(board.parts[fault.part], fault.mode)
        if not nodes:
            return fault, None
        return fault, ohms.get(fault.part, nodes[len(nodes) // 2].ohms)

    sets = [
        (tuple(sorted((member(text) for text in faults), key=lambda item: item[0])), 0.0) for faults in (one, other)
    ]
    setup = parse_setup(key.puzzle.setup, board)
    rows = rows_of_sets(board, meter, setup, probings, sets)
    telling = np.flatnonzero(rows.apart(0)[:, 1]).tolist()
    return min((probings[row] for row in telling), key=lambda probing: probing_cost(board, probing), default=None)
