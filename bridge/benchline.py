"""What is typed at the bench: a reading, several readings, or a word."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.benchexamples import examples_of
from bridge.board import Board
from bridge.errors import InputError
from bridge.meterprofile import METER_MODES
from bridge.placement import SAME_MODE
from bridge.readingtext import parse_reading_text
from bridge.separate import reachable_probings
from bridge.wording import listed, quoted

__all__ = ["WORDS", "Order", "Row", "Typed", "Values", "names_place", "parse_line", "usual_mode", "word_of"]

WORDS = {  # with examples of the board at hand in them
    "skip": "this reading cannot be taken: propose another",
    "undo": "take the last reading back",
    "doubt": "doubt 3: reading 3 may be wrong; without a number the last one",
    "trust": "trust 3: takes doubt 3 back; without a number the last doubt",
    "why": "why this reading; why 3: reading 3; why {fault}: this reading with that fault",
    "good": "good {part}, good {places}: what a good board reads there",
    "list": "readings so far, and what they say",
    "repair": "what to replace, what goes with it, how power comes back",
    "help": "these words",
    "stop": "end; the file keeps everything",
}
ALSO = {"quit": "stop", "exit": "stop", "?": "help", "rank": "list"}
_QUOTES = str.maketrans(dict.fromkeys("\"'\N{LEFT DOUBLE QUOTATION MARK}\N{RIGHT DOUBLE QUOTATION MARK}"))
DISCHARGED = "discharged"


@dataclass(frozen=True, slots=True)
class Order:
    """A word and what was typed behind it."""

    word: str
    rest: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Values:
    """One reading or several, without their places; whether the bus was said to be discharged before."""

    texts: tuple[str, ...]
    discharged: bool


@dataclass(frozen=True, slots=True)
class Row:
    """A reading with its place, text by column, and whether the bus was said to be discharged before.

    Parameters
    ----------
    fields : dict of str to str
        As a row of a readings sheet; no mode where none was typed.
    discharged : bool
        Whether that was said.
    """

    fields: dict[str, str]
    discharged: bool


Typed = Order | Values | Row


def word_of(text: str) -> str | None:
    """Return the word a line starts with, under its first name; None where it is none of them.

    Parameters
    ----------
    text : str
        As typed.
    """
    first = text.split(maxsplit=1)[:1]
    word = ALSO.get(first[0].lower(), first[0].lower()) if first else ""
    return word if word in WORDS else None


def parse_line(text: str, board: Board) -> Typed:
    """Return what a line means.

    Parameters
    ----------
    text : str
        As typed, not blank.
    board : Board
        The board.

    Raises
    ------
    InputError
        It means nothing; says what is accepted.
    """
    tokens = text.translate(_QUOTES).split()  # as a sheet has it: "0,41"
    word = word_of(text)
    if word is not None:
        return Order(word, tuple(tokens[1:]))
    if not tokens:
        raise InputError(f"{quoted(text)} is not understood; {_accepted(board)}")
    discharged = tokens[-1].lower() == DISCHARGED
    if discharged:
        tokens = tokens[:-1]
    if len(tokens) > 2 and _is_place(tokens[0], board) and _is_place(tokens[1], board):
        return _row(tokens, discharged, board)
    try:
        return Values(_values(" ".join(tokens)), discharged)
    except InputError:
        pass
    if len(tokens) > 2 and (_is_place(tokens[0], board) or _is_place(tokens[1], board)):
        stranger = tokens[1] if _is_place(tokens[0], board) else tokens[0]
        board.net_of(stranger)  # which names near ones
    raise InputError(f"{quoted(text)} is not understood; {_accepted(board)}")


def names_place(text: str, board: Board) -> bool:
    """Return whether a line was meant to name places: one of its first two words is one, the other misspelt perhaps.

    Parameters
    ----------
    text : str
        As typed.
    board : Board
        The board.
    """
    tokens = text.split()
    return len(tokens) > 1 and any(_is_place(word, board) for word in tokens[:2])


def _accepted(board: Board) -> str:
    return (
        f"accepted: a reading (0.41, OL, 4k7, 0.41 climbing), leads and reading ({listed(examples_of(board).rows)}), "
        "several readings of like places, or help"
    )


def _is_place(word: str, board: Board) -> bool:
    folded = word.casefold()
    if any(name.casefold() == folded for name in board.terminals):
        return True
    ref, dot, _ = folded.partition(".")
    return bool(dot) and any(name.casefold() == ref for name in board.parts)


def _values(text: str) -> tuple[str, ...]:
    """Return the readings of a line: one, or several apart by semicolons or blanks."""
    try:
        parse_reading_text(text)
    except InputError:
        pieces = [piece.strip() for piece in text.split(";")] if ";" in text else text.split()
        if len(pieces) < 2:
            raise
        for piece in pieces:
            parse_reading_text(piece)
        return tuple(pieces)
    return (text,)


def _is_mode(word: str) -> bool:
    mode = word.partition(":")[0]
    return mode in METER_MODES or mode in SAME_MODE


def _two_words_joined(tokens: list[str]) -> list[str]:
    """Return words of a line, those of a mode written in two, as ``diode test``, as one."""
    for place in range(len(tokens) - 1):
        two = " ".join(tokens[place : place + 2])
        if two.lower() in SAME_MODE:
            return [*tokens[:place], two, *tokens[place + 2 :]]
    return tokens


def _row(tokens: list[str], discharged: bool, board: Board) -> Row:
    fields = {"red": tokens[0], "black": tokens[1], "mode": "", "reading": "", "hold": "", "lift": ""}
    reading: list[str] = []
    holds: list[str] = []
    lifts: list[str] = []
    lifting = False
    for token in _two_words_joined(tokens[2:]):
        low = token.lower()
        if not reading and not fields["mode"] and _is_mode(low):
            fields["mode"] = token
        elif "@" in token:
            holds.append(token)
        elif low in ("hold", "holding"):
            lifting = False
        elif low in ("lift", "lifting", "lifted"):
            lifting = True
        elif lifting and "." in token and not token[0].isdigit():
            lifts.append(token)
        else:
            lifting = False
            reading.append(token)
    fields |= {"reading": " ".join(reading), "hold": " ".join(holds), "lift": " ".join(lifts)}
    if not reading:
        raise InputError(f"no reading behind {tokens[0]} {tokens[1]}; {_accepted(board)}")
    return Row(fields, discharged)


def usual_mode(board: Board, red: str, black: str) -> str:
    """Return the mode two places are usually read in: diode, but ohms at gates and across parts with a pad.

    Parameters
    ----------
    board : Board
        The board.
    red, black : str
        Places, spelled as the board does.
    """
    if {red, black} in [set(pair) for pair in board.gate_leads]:
        return "ohms"
    modes = {one.mode for one in reachable_probings(board) if {one.red, one.black} == {red, black}}
    # across a switch or a diode both are read; diode mode is what a bare number means
    return "ohms" if modes == {"ohms"} else "diode"
