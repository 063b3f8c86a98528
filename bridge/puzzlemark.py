"""Answers marked: points for the list, for what is wrong, for economy; and what was misunderstood."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import parse_fault
from bridge.meter import MeterProfile
from bridge.places import Place, place_parts
from bridge.plainsheet import read_sheet
from bridge.puzzlebeside import load_beside
from bridge.puzzlefile import Key
from bridge.puzzlemodes import ModesLeft, counted_share, given_readings, modes_left
from bridge.puzzlereply import Reply, parse_reply
from bridge.textfile import decode_text, shown_source
from bridge.wording import listed, quoted

__all__ = ["ClassMarks", "Mark", "MarkedRow", "Marker", "mark_class"]

LIST_POINTS, MODE_POINTS, ECONOMY_POINTS = 60.0, 20.0, 20.0
FOUND_POINTS = 40.0  # for every part of a list, where the list as a whole is wrong
LEG_POINTS = 15.0  # for a part not found, where another of its leg was named
EXTRA_POINTS = 10.0  # off for each part condemned for nothing
THRIFTY, WASTEFUL = 1.5, 5.0  # times the best solver's effort: all of the points, none of them
SPARE = 2.0  # effort that making sure may cost on top of the best solver's, however little that is
NAME = re.compile(r"(?:(?:puzzle|key)[-_ ]?)?0*([0-9]{1,6})(?:\.(?:json|csv|html))?", re.IGNORECASE)
SIDE = re.compile(r"(?:H|L|[1-4])(?=_\d+$|$)")


@dataclass(frozen=True, slots=True)
class Mark:
    """What an answer is worth.

    Parameters
    ----------
    points : float
        Of 100.
    right : bool
        Whether the list is right.
    modes_right : bool
        Whether what is wrong with each part is right, too.
    parts : tuple of (str, float, float)
        What points were given for: words, points, points there were.
    misunderstood : tuple of str
        What was probably misunderstood.
    """

    points: float
    right: bool
    modes_right: bool
    parts: tuple[tuple[str, float, float], ...]
    misunderstood: tuple[str, ...]


class Marker:
    """Marks answers to one puzzle.

    Parameters
    ----------
    key : Key
        Its key.
    board : Board
        Its board.
    modes : callable, optional
        Says which sets of faults in a right list the readings that were had leave open: each of them counts. Without it
        those alone do that the key has.
    whole : bool, optional
        Whether each of them counts wholly, as where all of the sheet or of the best sequence was had. Else those alone
        do that the key has, which no reading within reach tells apart, and any other counts as a guess among those left
        open, as `bridge.puzzlemodes.counted_share` has it.
    """

    def __init__(self, key: Key, board: Board, modes: ModesLeft | None = None, *, whole: bool = True) -> None:
        self.key, self.board, self._modes_left, self._whole = key, board, modes, whole
        self.answers = [frozenset(answer) for answer in key.answers] if not key.error else [frozenset()]
        self._places: Mapping[str, Place] = place_parts(board)
        self._same = [frozenset(faults) for faults in key.same]

    def _legs(self, package: str) -> set[str]:
        return {
            place.leg for ref, place in self._places.items() if place.leg and self.board.parts[ref].package == package
        }

    def mark(self, reply: Reply, effort: float | None = None, settled: float = 1.0) -> Mark:
        """Return what an answer is worth.

        Parameters
        ----------
        reply : Reply
            The answer.
        effort : float or None
            Effort of the readings taken, a main terminal is 1; None where it is not known, and then it does not count.
        settled : float
            How far the readings taken settle the answer, 1 for wholly; economy counts as far. 1 where it is not known.
        """
        right = reply.error == self.key.error and reply.packages in self.answers
        listed_points = LIST_POINTS if right else self._partial(reply)
        modes = self._modes(reply) if right else 0.0
        parts = [("what to replace", listed_points, LIST_POINTS)]
        if any(self._same):
            parts.append(("what is wrong with it", MODE_POINTS * modes, MODE_POINTS))
        if effort is not None:
            share = 0.0
            if right:
                least = max(self.key.effort.solver, 1.0)
                free, wasted = max(THRIFTY * least, least + SPARE), WASTEFUL * least
                share = min(max((wasted - effort) / (wasted - free), 0.0), 1.0)
            parts.append(("economy of readings", ECONOMY_POINTS * share * settled, ECONOMY_POINTS))
        # whole points, so that those shown add up
        parts = [(what, float(math.floor(points + 0.5)), most) for what, points, most in parts]
        total = sum(points for _, points, _ in parts) / sum(most for *_, most in parts)
        return Mark(
            100.0 * total, right, right and modes >= 1.0, tuple(parts), self._misunderstood(reply, right, modes)
        )

    def _partial(self, reply: Reply) -> float:
        """Return points for a list that is not right."""
        if reply.error or self.key.error or not self.answers[0]:
            return 0.0
        best = 0.0
        for answer in self.answers:
            points = 0.0
            for package in answer:
                legs = self._legs(package)
                if package in reply.packages:
                    points += FOUND_POINTS / len(answer)
                elif any(legs & self._legs(other) for other in reply.packages - answer):
                    points += LEG_POINTS / len(answer)
            best = max(best, points - EXTRA_POINTS * max(len(reply.packages - answer) - 1, 0))
        return best

    def _modes(self, reply: Reply) -> float:
        """Return which share of what is wrong was named, by the explanation the readings leave open that fits best."""
        named = {str(fault) for fault in reply.faults}

        def share(one: frozenset[str]) -> float:
            return len(named & one) / max(len(one), len(named))

        known = max((share(one) for one in self._same if one), default=1.0)
        left = self._modes_left(reply.packages) if self._modes_left and named and known < 1.0 else []
        if not left:
            return known
        fewest = min(map(len, left))  # with more of them, what hides beside a fault would count for half of it
        sure = {*self._same, *(left if self._whole else ())}
        return max(
            known + max(share(one) - known, 0.0) * counted_share(one, left, sure)
            for one in left
            if len(one) == fewest or one == named
        )

    def _misunderstood(self, reply: Reply, right: bool, modes: float) -> tuple[str, ...]:
        if right:
            return ("right part, another fault of it",) if reply.faults and modes < 1.0 else ()
        if self.key.error:
            return (
                ("an error of the bench not seen",)
                if not reply.packages
                else ("a part condemned for an error of the bench",)
            )
        if reply.error:
            return (
                ("a fault taken for an error of the bench",) if self.answers[0] else ("an error of the bench imagined",)
            )
        if not self.answers[0]:
            return ("a good board condemned",)
        if not reply.packages:
            return ("a fault overlooked",)
        answer = max(self.answers, key=lambda one: len(one & reply.packages))
        extra, missed = reply.packages - answer, answer - reply.packages
        if not extra:
            return ("one of several faults missed",)
        if not missed:
            return ("more condemned than the readings call for",)
        found = {self._relation(one, missed) for one in extra}
        return tuple(sorted(found))

    def _relation(self, package: str, missed: frozenset[str]) -> str:
        """Return what a part condemned in vain has to do with the bad ones."""
        odd = [self.key.puzzle.readings[place - 1] for place in self.key.effort.odd if self.key.puzzle.readings]
        across = any(
            {self.board.net_of(row.red), self.board.net_of(row.black)} <= set(part.pins.values())
            for row in odd
            for part in self.board.parts.values()
            if part.package == package
        )
        if any(SIDE.sub("", package) == SIDE.sub("", other) for other in missed):
            return "the other side of the same leg"
        if any(self._legs(package) & self._legs(other) for other in missed):
            return "right leg, another part"
        if across:
            return "an image of the fault taken for the fault"
        return "a part elsewhere"


@dataclass(frozen=True, slots=True)
class MarkedRow:
    """One answer sheet: its line, who, which puzzle, what was answered, and its mark."""

    line: int
    who: str
    puzzle: int
    answer: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class ClassMarks:
    """A class marked.

    Parameters
    ----------
    rows : tuple of MarkedRow
        Answers marked, in their order.
    misunderstood : tuple of (str, int, tuple of str)
        What was misunderstood, how often, and of which puzzles.
    refused : tuple of InputError
        Answers that could not be marked, each with its line.
    doubts : tuple of str
        Names that may be one person's, each with its lines.
    """

    rows: tuple[MarkedRow, ...]
    misunderstood: tuple[tuple[str, int, tuple[str, ...]], ...]
    refused: tuple[InputError, ...]
    doubts: tuple[str, ...] = ()


def mark_class(keys: Sequence[Key], data: bytes, source: str, key_source: str = "KEY") -> ClassMarks:
    """Return the marks of a class; what cannot be read is named, and the rest is marked.

    Parameters
    ----------
    keys : sequence of Key
        Keys of the puzzles.
    data : bytes
        Content of the answers: a table with the columns ``who``, ``answer`` and perhaps ``puzzle`` and ``effort``.
    source : str
        Its name.
    key_source : str, optional
        Path of one of the keys: own board and meter files lie beside it.

    Raises
    ------
    InputError
        The table as a whole cannot be read, a key does not fit its board, or two keys have one number.
    """
    where = shown_source(source)
    markers: dict[int, Marker] = {}
    known: dict[tuple[str, str], tuple[Board, MeterProfile]] = {}
    for key in keys:
        name = key.puzzle.board, key.puzzle.meter
        board, meter = known[name] = known.get(name) or load_beside(key.puzzle, key_source)
        for words in (fault for faults in key.same for fault in faults):
            parse_fault(words, board)
        if key.puzzle.number in markers:
            raise InputError(f"two keys of puzzle {key.puzzle.number}; accepted: keys of one set", where="KEY")
        given = given_readings(key, board, meter)
        markers[key.puzzle.number] = Marker(key, board, modes_left(key, board, meter, given))
    table, refused = _sheet(decode_text(data, where), where)
    rows: list[MarkedRow] = []
    answered: dict[tuple[str, int], int] = {}
    for line, fields in table:
        try:
            row = _marked(line, fields, markers)
            first = answered.setdefault((row.who, row.puzzle), line)
            if first != line:
                raise InputError(
                    f"{quoted(row.who)} has answered puzzle {row.puzzle} in line {first}, which is marked; accepted: "
                    "one answer of each person to each puzzle"
                )
            rows.append(row)
        except InputError as error:
            refused.append(InputError(str(error), where=f"{where}, line {line}"))
    counts = Counter(words for row in rows for words in row.mark.misunderstood)
    of_puzzles = {
        words: tuple(sorted({str(row.puzzle) for row in rows if words in row.mark.misunderstood}, key=int))
        for words in counts
    }
    common = tuple((words, count, of_puzzles[words]) for words, count in counts.most_common())
    refused.sort(key=lambda error: int(re.search(r"line (\d+)", error.where).group(1)))  # type: ignore[union-attr]
    return ClassMarks(tuple(rows), common, tuple(refused), tuple(_like_names(rows, where)))


def _like_names(rows: Sequence[MarkedRow], where: str) -> list[str]:
    """Return names that differ in capitals or blanks alone: they stay apart, for two may be called alike."""
    spelt: dict[str, dict[str, int]] = {}
    for row in rows:
        spelt.setdefault("".join(row.who.casefold().split()), {}).setdefault(row.who, row.line)
    return [
        f"{where}, line {max(names.values())}: {listed(quoted(name) for name in names)} count as {len(names)} people; "
        "spell the name one way if it is one"
        for names in spelt.values()
        if len(names) > 1
    ]


def _sheet(text: str, where: str) -> tuple[list[tuple[int, dict[str, str]]], list[InputError]]:
    """Read the rows one by one, so that one that cannot be read does not cost the others."""
    lines = text.splitlines()
    first = next((number for number, line in enumerate(lines) if line.strip()), 0)
    head = lines[first] if lines else ""
    columns = ("who", "answer"), ("puzzle", "effort", "note")
    read_sheet(f"{chr(10) * first}{head}", where, *columns)
    rows: list[tuple[int, dict[str, str]]] = []
    refused: list[InputError] = []
    for number, line in enumerate(lines[first + 1 :], first + 2):
        try:
            rows += [(number, fields) for _, fields in read_sheet(f"{head}\n{line}", where, *columns)]
        except InputError as error:
            refused.append(InputError(error.problem, where=f"{where}, line {number}"))
    if not rows and not refused:
        raise InputError("no answer below the header; accepted: who,puzzle,answer,effort", where=where)
    return rows, refused


def _marked(line: int, fields: Mapping[str, str], markers: Mapping[int, Marker]) -> MarkedRow:
    who = fields.get("who", "")
    if not who:
        raise InputError("empty; accepted: a name or number", where="who")
    number = _puzzle(fields.get("puzzle", ""), markers)
    marker = markers[number]
    reply = parse_reply(fields.get("answer", ""), marker.board)
    return MarkedRow(line, who, number, fields["answer"], marker.mark(reply, _effort(fields.get("effort", ""))))


def _puzzle(text: str, markers: Mapping[int, Marker]) -> int:
    if not text and len(markers) == 1:
        return next(iter(markers))
    found = NAME.fullmatch(text)
    if found is None or int(found[1]) not in markers:
        raise InputError(
            f"{quoted(text)}; accepted: {listed(str(one) for one in sorted(markers))}, or the name of its file",
            where="puzzle",
        )
    return int(found[1])


def _effort(text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1e6:
        raise InputError(f"{quoted(text)}; accepted: the effort of all readings, from 0, or nothing", where="effort")
    return value
