"""Files of a puzzle: what the trainee gets, and the trainer's key. JSON, checked key by key."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from bridge.errors import InputError, InputErrors
from bridge.textfile import decode_text, keys_once, shown_source
from bridge.wording import quoted

__all__ = [
    "BestStep",
    "EffortEntry",
    "Key",
    "PlantedFault",
    "ProofEntry",
    "Puzzle",
    "RealValues",
    "SheetRow",
    "key_text",
    "parse_key",
    "parse_puzzle",
    "puzzle_text",
]

STRICT = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False)  # readers ignore keys they do not know
PUZZLE_MARK, KEY_MARK = "bridgefault_puzzle", "bridgefault_key"
MOST_PROBLEMS = 5
Name = Annotated[str, Field(min_length=1, max_length=300)]
Level = Annotated[int, Field(ge=1, le=5)]
Number = Annotated[int, Field(ge=1, le=100_000)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Answers = Annotated[list[list[str]], Field(min_length=1)]  # nothing wrong is one empty list


@checked(frozen=True, config=STRICT)
class SheetRow:
    """One reading of a worksheet, in text as a readings file has it."""

    red: Name
    black: Name
    mode: Name
    reading: Name
    hold: str = ""


@checked(frozen=True, config=STRICT)
class Puzzle:
    """What the trainee gets.

    Parameters
    ----------
    number : int
        Its place in the set.
    level : int
        1 to 5.
    board, meter : str
        Names or paths of the board and of the meter.
    setup : dict
        The bench as stated, as a bench journal has it.
    reach : str
        How far readings may go: ``terminals``, ``gates``, ``holds``.
    story, task : str
        What the trainee is told and asked.
    readings : list of SheetRow
        The worksheet; empty for a board to be probed.
    """

    number: Number
    level: Level
    board: Name
    meter: Name
    setup: dict[str, Any]
    reach: Name
    story: str
    task: str
    readings: list[SheetRow]


@checked(frozen=True, config=STRICT)
class PlantedFault:
    """One fault that was planted, with its resistance [ohm] where its mode has one."""

    part: Name
    mode: Name
    ohms: float | None


@checked(frozen=True, config=STRICT)
class ProofEntry:
    """Why there is one right answer.

    Parameters
    ----------
    probability : float
        That what is to be replaced holds a right list, at least [1].
    gap_nats : float
        By how much any other explanation is less likely to give these readings, at least [nat].
    nearest : list of str
        The other explanation that comes nearest.
    readings : list of int
        Numbers of the sheet's readings that prove it, from 1.
    weighed : int
        Explanations weighed.
    """

    probability: Share
    gap_nats: float
    nearest: list[str]
    readings: list[int]
    weighed: int


@checked(frozen=True, config=STRICT)
class BestStep:
    """One reading of the best sequence: where, what it shows, its effort, and what it is worth [bit]."""

    red: Name
    black: Name
    mode: Name
    hold: str
    shows: str
    cost: float
    expected_bits: float
    bits: float


@checked(frozen=True, config=STRICT)
class EffortEntry:
    """What the puzzle takes, as `bridge.puzzlelevel.Effort` has it; ``odd`` are numbers of readings, from 1."""

    score: float
    solver: float
    novice: float
    trials: int
    odd: list[int]
    herrings: int
    needs: str


@checked(frozen=True, config=STRICT)
class RealValues:
    """The board on the bench: its parts' own values, the meter's gain errors, the temperature, the last digits."""

    values: dict[str, dict[str, float]]
    gains: dict[str, float]
    temperature_c: float
    luck: int


@checked(frozen=True, config=STRICT)
class Key:
    """The trainer's key.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle, as the trainee has it.
    faults : list of PlantedFault
        What was planted.
    error : str
        The error of the bench; empty for none.
    answers : list of list of str
        Lists of packages that are right, at least one.
    same : list of list of str
        Sets of faults, ``PART:MODE``, that the readings leave open; the planted one first, none of them empty where
        faults are planted.
    proof, effort, best
        Why there is one answer, what it takes, and the best sequence of readings.
    real : RealValues
        The board on the bench.
    seed, draw : int
        Where it came from: seed of the set and number of the draw.
    """

    puzzle: Puzzle
    faults: list[PlantedFault]
    error: str
    answers: Answers
    same: list[list[str]]
    proof: ProofEntry
    effort: EffortEntry
    best: list[BestStep]
    real: RealValues
    seed: int
    draw: int


@dataclass(frozen=True, slots=True)
class _Form:
    """How a file is recognised, and what it is called in messages."""

    mark: str
    words: str
    kind: type
    others: dict[str, str] = field(default_factory=dict)


PUZZLE_FORM = _Form(PUZZLE_MARK, "a puzzle", Puzzle, {KEY_MARK: "this is a key, not a puzzle"})
KEY_FORM = _Form(KEY_MARK, "a key", Key, {PUZZLE_MARK: "this is a puzzle, not a key"})


def _dump(mark: str, kind: type, value: object) -> str:
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    plain = {mark: 1} | adapter.dump_python(value, mode="json")
    return json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def puzzle_text(puzzle: Puzzle) -> str:
    """Return a puzzle as its file holds it.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    """
    return _dump(PUZZLE_MARK, Puzzle, puzzle)


def key_text(key: Key) -> str:
    """Return a key as its file holds it.

    Parameters
    ----------
    key : Key
        The key.
    """
    return _dump(KEY_MARK, Key, key)


def parse_puzzle(data: bytes, source: str) -> Puzzle:
    """Return the puzzle a file holds.

    Parameters
    ----------
    data : bytes
        Content of the file.
    source : str
        Its name.

    Raises
    ------
    InputError
        It is no puzzle; says which key is wrong, what was found, and what is accepted.
    """
    puzzle: Puzzle = _parse(data, source, PUZZLE_FORM)
    _stay_here(puzzle, source)
    return puzzle


def _stay_here(puzzle: Puzzle, source: str) -> None:
    """Refuse a puzzle, which comes from somebody else, that names a board or meter file in another folder."""
    for key, name in (("board", puzzle.board), ("meter", puzzle.meter)):
        parts = re.split(r"[/\\]", name)
        if ".." in parts or not parts[0] or ":" in parts[0]:
            raise InputError(
                f"{quoted(name)}; accepted: a shipped {key}, or a file in this folder",
                where=f"{shown_source(source)}: {key}",
            )


def parse_key(data: bytes, source: str) -> Key:
    """Return the key a file holds.

    Parameters
    ----------
    data : bytes
        Content of the file.
    source : str
        Its name.

    Raises
    ------
    InputError
        It is no key; says which entry is wrong, what was found, and what is accepted.
    """
    key: Key = _parse(data, source, KEY_FORM)
    _stay_here(key.puzzle, source)
    if key.faults and not (key.same and all(key.same)):
        raise InputError(
            f"found {quoted(str(key.same)[:60])}; accepted: sets of faults, PART:MODE, the planted one first",
            where=f"{shown_source(source)}: same",
        )
    last = len(key.puzzle.readings)
    for number in key.effort.odd if last else ():
        if not 1 <= number <= last:
            raise InputError(
                f"found {number}; accepted: a reading of the sheet, 1 to {last}",
                where=f"{shown_source(source)}: effort.odd",
            )
    return key


def _parse(data: bytes, source: str, form: _Form) -> Any:
    where = shown_source(source)
    text = decode_text(data, where)
    try:
        plain = json.loads(text, object_pairs_hook=keys_once)
    except InputError as error:
        raise InputError(error.problem, where=where) from None
    except RecursionError:
        raise InputError("nested too deep; accepted: a file that puzzle make has written", where=where) from None
    except ValueError as error:
        line = getattr(error, "lineno", None)
        place = where if line is None else f"{where}, line {line}"
        page = re.search(r"([^/\\]+)\.(?:csv|html)$", source, re.IGNORECASE)
        if page:  # beside each puzzle and key lie the pages to print and the sheet
            mine = page[1].startswith(f"{form.words.split()[-1]}-")
            name = quoted(f"{page[1]}.json") if mine else "a .json file"
            raise InputError(
                f"a page or sheet for people, not {form.words}; accepted: {name} that puzzle make has written",
                where=where,
            ) from None
        raise InputError(f"not JSON: {getattr(error, 'msg', error)}", where=place) from None
    if not isinstance(plain, dict) or form.mark not in plain:
        found = plain if isinstance(plain, dict) else {}
        words = next((text for mark, text in form.others.items() if mark in found), f"not {form.words}")
        raise InputError(f"{words}; accepted: {form.words} that puzzle make has written", where=where)
    if plain[form.mark] != 1:
        raise InputError(f"version {plain[form.mark]!r:.20}; accepted: 1", where=f"{where}: {form.mark}")
    try:
        return TypeAdapter(form.kind).validate_json(text)  # strict, but what JSON cannot tell apart is accepted
    except ValidationError as error:
        problems = [_problem(problem, where) for problem in error.errors()[:MOST_PROBLEMS]]
    raise problems[0] if len(problems) == 1 else InputErrors(problems)


def _problem(problem: Any, where: str) -> InputError:
    steps: Sequence[int | str] = problem["loc"]
    place = ".".join(str(step + 1) if isinstance(step, int) else step for step in steps) or "file"
    if problem["type"] == "missing":
        return InputError("missing; accepted: a file that puzzle make has written", where=f"{where}: {place}")
    message = f"{problem['msg'][0].lower()}{problem['msg'][1:]}"
    return InputError(f"found {quoted(str(problem['input'])[:60])}; {message}", where=f"{where}: {place}")
