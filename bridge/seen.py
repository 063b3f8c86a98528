"""What was seen, heard or told before any reading: a cracked case, an open fuse, a breaker that trips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.faulttable import Symptom, SymptomCause, fault_table, matches
from bridge.places import Place, place_parts
from bridge.wording import listed, quoted

__all__ = ["Seen", "chances_of", "parse_seen", "symptom_words"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Seen:
    """A symptom, and where it was seen.

    Parameters
    ----------
    symptom : Symptom
        What it is.
    place : str or None
        Part or package it was seen at; None for how the whole board behaves.
    parts : tuple of str
        The parts that are there.
    """

    symptom: Symptom
    place: str | None = None
    parts: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.symptom.say if self.place is None else f"{self.place} {self.symptom.say}"


def symptom_words(at: str) -> tuple[str, ...]:
    """Return how the symptoms of a ``part`` or of a whole ``board`` are typed, in the order of the table.

    Parameters
    ----------
    at : str
        ``part`` or ``board``.
    """
    return tuple(symptom.say for symptom in fault_table().symptom if symptom.at == at)


def parse_seen(text: str, board: Board) -> Seen:
    """Read what was seen: ``F_1 open``, ``soot at Q_UL``, ``trips at switch-on``.

    Parameters
    ----------
    text : str
        What was typed; case and extra blanks do not matter.
    board : Board
        The board it was seen on.

    Raises
    ------
    InputError
        Words that are not in the table (lists those that are); a part that is not on the board, or none where one is
        needed.
    """
    where = f"seen {quoted(text)}"
    known = {words.casefold(): symptom for symptom in fault_table().symptom for words in (symptom.say, *symptom.also)}
    tokens = text.split()
    symptom = known.get(" ".join(tokens).casefold())
    if symptom is not None:
        if symptom.at == "part":
            raise InputError(f"say where: PART {symptom.say}", where=where)
        return Seen(symptom)
    if len(tokens) >= 3 and tokens[-2].casefold() == "at":
        place, words = tokens[-1], " ".join(tokens[:-2])
    else:
        place, words = (tokens or [""])[0], " ".join(tokens[1:])
    symptom = known.get(words.casefold())
    if symptom is None:
        raise InputError(
            f"not among what can be seen; of a part, as PART WORDS: {listed(symptom_words('part'))}; "
            f"of the board: {listed(symptom_words('board'))}",
            where=where,
        )
    if symptom.at == "board":
        raise InputError(f"{quoted(symptom.say)} is how the whole board behaves; leave {place} out", where=where)
    return Seen(symptom, *_find_place(place, board, where))


def _find_place(text: str, board: Board, where: str) -> tuple[str, tuple[str, ...]]:
    """Return the name of a part or package and the parts there: a device's own and whatever shares its case."""
    members: dict[str, list[str]] = {}
    for ref, part in board.parts.items():
        members.setdefault(part.package, []).append(ref)
    places = {name.casefold(): (name, tuple(refs)) for name, refs in members.items()}
    for ref, place in place_parts(board).items():
        # of a module one can see where, of a single device only that it is the one
        places[ref.casefold()] = (ref, (ref,) if place.module else tuple(members[place.package]))
    found = places.get(text.casefold())
    if found is None:
        near = [places[name][0] for name in get_close_matches(text.casefold(), places, 5, 0.5)]
        raise InputError(
            f"board {board.name} has no part or package {quoted(text)}; near names: {listed(near)}", where=where
        )
    return found


def chances_of(seen: Seen, board: Board, faults: Sequence[Fault]) -> Array:
    """Return the chance that each fault alone brings a symptom about [1].

    Parameters
    ----------
    seen : Seen
        The symptom and where it was seen.
    board : Board
        The board.
    faults : sequence of Fault
        The faults.

    Returns
    -------
    ndarray, faults
        0 for faults that are no cause of it.
    """
    table, places = fault_table(), place_parts(board)
    groups = {ref: table.weight_row(board.parts[ref], board).group for ref in {fault.part for fault in faults}}
    return np.array([_chance(seen, board, fault, places, groups[fault.part]) for fault in faults], dtype=np.float64)


def _chance(seen: Seen, board: Board, fault: Fault, places: dict[str, Place], group: str) -> float:
    """Return the chance of the first cause that means a fault."""
    part = board.parts[fault.part]
    for cause in seen.symptom.cause:
        if (
            (not cause.modes or fault.mode in cause.modes)
            and (not cause.groups or group in cause.groups)
            and matches(part, refs=cause.refs, kinds=cause.kinds)
            and _lies_within(cause, seen, fault.part, places)
        ):
            return cause.chance
    return 0.0


def _lies_within(cause: SymptomCause, seen: Seen, ref: str, places: dict[str, Place]) -> bool:
    if cause.within == "board":
        return True
    if cause.within == "part":
        return ref in seen.parts
    own = places[ref].position if cause.within == "position" else places[ref].leg
    there = [places[one].position if cause.within == "position" else places[one].leg for one in seen.parts]
    return own is not None and own in there
