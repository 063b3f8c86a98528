"""What was seen, heard or told before any reading: a cracked case, an open fuse, a breaker that trips."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.faulttable import Symptom, SymptomCause, fault_table, matches
from bridge.makesafe import waits
from bridge.places import Place, place_parts
from bridge.wording import listed, quoted

__all__ = ["Seen", "chances_of", "parse_seen", "symptom_words"]

Array = NDArray[np.float64]

FILLERS = ("the", "is", "was", "has")  # words that say nothing here
BLOWN = "blown"
BLOWN_IS_OPEN = ("fuse", "resistor", "shunt", "coil")  # a blown semiconductor or capacitor is more often a short
_HEAD = re.compile(r"(.*?)(?:'s)?(?: (?:of|from|across|at|ahead|on|in|between|behind|to|for)\b.*|,.*|$)")


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
    """Read what was seen: ``F_1 open``, ``soot at Q_UL``, ``fuse blown``, ``trips at switch-on``.

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
        needed; a kind of part or a role of which the board has several.
    """
    where = f"seen {quoted(text)}"
    known = {
        " ".join(_telling(words)).casefold(): symptom
        for symptom in fault_table().symptom
        for words in (symptom.say, *symptom.also)
    }
    tokens = _telling(text.replace(":", " "))
    symptom = known.get(" ".join(tokens).casefold())
    if symptom is not None:
        if symptom.at == "part":
            raise InputError(f"say where: PART {symptom.say}", where=where)
        return Seen(symptom)
    splits = [(words, place) for place, words in _two_pieces(tokens)]  # "F_1 blown"
    splits += [(words, place[3:]) for words, place in _two_pieces(tokens) if place[:3].casefold() == "at "]
    splits += _two_pieces(tokens)  # "blown fuse"
    words, place = next((split for split in splits if split[0].casefold() in known), ("", ""))
    symptom = known.get(words.casefold())
    if symptom is None:
        raise InputError(
            f"not among what can be seen; of a part, as PART WORDS: {listed(symptom_words('part'))}; "
            f"of the board: {listed(symptom_words('board'))}",
            where=where,
        )
    if symptom.at == "board":
        raise InputError(
            f"{quoted(symptom.say)} is how the whole board behaves; leave {quoted(place)} out", where=where
        )
    name, parts = _find_place(place, board, where)
    if words.casefold() == BLOWN and not all(board.parts[ref].kind in BLOWN_IS_OPEN for ref in parts):
        raise InputError(f"{BLOWN} may be open or shorted there; say {name} open or {name} shorted", where=where)
    return Seen(symptom, name, parts)


def _telling(text: str) -> list[str]:
    """Return the words of a text that say something."""
    return [word for word in text.split() if word.casefold() not in FILLERS]


def _two_pieces(tokens: Sequence[str]) -> list[tuple[str, str]]:
    """Return every way to part words into a beginning and a rest, the shortest beginning first."""
    return [(" ".join(tokens[:cut]), " ".join(tokens[cut:])) for cut in range(1, len(tokens))]


def _packages_called(text: str, board: Board) -> list[str]:
    """Return the packages whose parts are of a kind, a block or a role that is called so: ``fuse``, ``rectifier``."""
    bleeders = {ref for wait in waits(board) for ref in wait.bleeders} if text == "bleeder" else set()
    found: dict[str, None] = {}
    for ref, part in board.parts.items():
        role = _HEAD.match(part.role.casefold())
        head = role[1] if role else ""
        if text in (part.kind, part.block.casefold(), head, head.rpartition(" ")[2]) or ref in bleeders:
            found[part.package] = None
    return list(found)


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
    called = _packages_called(text.casefold(), board) if found is None else []
    if len(called) > 1:
        raise InputError(f"{quoted(text)} may be any of {listed(called)}; name one", where=where)
    if called:
        return places[called[0].casefold()]
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
