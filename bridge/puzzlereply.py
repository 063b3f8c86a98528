"""What a trainee answers: parts with or without what is wrong, an error of the bench, or nothing wrong."""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.puzzlebench import SETUP_ERRORS
from bridge.wording import listed, quoted

__all__ = ["ACCEPTED", "Reply", "parse_reply"]

ACCEPTED = (
    "PART or PART:MODE, several with a blank or + between them; nothing; or an error of the bench: "
    f"{', '.join(SETUP_ERRORS)}"
)
NOTHING = ("nothing", "nothing wrong", "none", "healthy", "good")
BETWEEN = re.compile(r"\s*(?:[\s,;+&]|\band\b)+\s*", re.IGNORECASE)
COLON = re.compile(r"\s*:\s*")
NEAR_NAMES = 4


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer.

    Parameters
    ----------
    packages : frozenset of str
        What is to be replaced.
    faults : tuple of Fault
        Where the trainee says what is wrong: part and mode.
    error : str
        The error of the bench; empty for none.
    """

    packages: frozenset[str]
    faults: tuple[Fault, ...] = ()
    error: str = ""


def parse_reply(text: str, board: Board) -> Reply:
    """Return an answer as it was meant.

    Parameters
    ----------
    text : str
        As typed.
    board : Board
        The board.

    Raises
    ------
    InputError
        No part, package, mode or error of the bench that this board has; says what is accepted.
    """
    words = COLON.sub(":", " ".join(text.split()))
    if not words:
        raise InputError(f"empty; accepted: {ACCEPTED}", where="answer")
    folded = words.casefold()
    if folded in NOTHING:
        return Reply(frozenset())
    if folded.replace(" ", "-").removesuffix("-at-all") in SETUP_ERRORS:
        return Reply(frozenset(), error=folded.replace(" ", "-"))
    parts = {ref.casefold(): ref for ref, part in board.parts.items() if part.modes}
    packages = {part.package.casefold(): part.package for part in board.parts.values() if part.modes}
    chosen: set[str] = set()
    faults: list[Fault] = []
    for token in filter(None, BETWEEN.split(words)):
        name, colon, mode = token.partition(":")
        mode = mode.partition(":")[0].casefold()  # a resistance behind it is not asked for
        ref = parts.get(name.casefold())
        if ref is None and name.casefold() in packages and not colon:
            chosen.add(packages[name.casefold()])
            continue
        if ref is None and (name.casefold() in NOTHING or name.casefold() in SETUP_ERRORS):
            raise InputError(
                f"{quoted(words)}: {name.casefold()} stands alone; accepted: {name.casefold()}, or parts without it",
                where="answer",
            )
        if ref is None:
            start = name.casefold()[:4]
            near = [known for low, known in parts.items() if low.startswith(start)][:NEAR_NAMES]
            hint = f"near names: {listed(near)}" if near else ACCEPTED
            raise InputError(f"{quoted(name)} is no part of {board.name} that fails; {hint}", where="answer")
        part = board.parts[ref]
        if colon and mode not in part.modes:
            raise InputError(f"{quoted(mode)}; accepted for {ref}: {listed(part.modes)}", where="answer")
        chosen.add(part.package)
        if colon:
            faults.append(Fault(ref, mode))
    if not chosen:
        raise InputError(f"{quoted(words)} names no part; accepted: {ACCEPTED}", where="answer")
    return Reply(frozenset(chosen), tuple(sorted(faults)))
