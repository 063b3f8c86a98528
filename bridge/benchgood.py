"""Which places the word ``good`` asks about: those of a part, two that were typed, or the proposed ones."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.benchexamples import examples_of
from bridge.benchline import usual_mode
from bridge.benchpage import part_probings
from bridge.board import Board
from bridge.errors import InputError
from bridge.meterprofile import MeterProfile
from bridge.placement import parse_probing
from bridge.probing import Probing
from bridge.wording import quoted

__all__ = ["asked_about"]


def asked_about(
    board: Board, meter: MeterProfile, words: Sequence[str], proposed: Probing | None
) -> tuple[Probing, ...]:
    """Return the readings asked about.

    Parameters
    ----------
    board, meter
        The bench.
    words : sequence of str
        What was typed behind the word.
    proposed : Probing or None
        The proposed reading, for no words at all.

    Raises
    ------
    InputError
        No part, no place, or more than two places and a mode.
    """
    if len(words) == 1:
        spelled = {name.casefold(): name for part in board.parts.values() for name in (part.ref, part.package)}
        ref = spelled.get(words[0].casefold())
        if ref is None:
            raise InputError(_no_part(board, words[0]))
        return part_probings(board, ref)
    if len(words) in (2, 3):
        placed = parse_probing(words[0], words[1], "diode", "", "", board, meter)
        mode = words[2] if len(words) == 3 else usual_mode(board, placed.red, placed.black)
        return (parse_probing(placed.red, placed.black, mode, "", "", board, meter),)
    if not words and proposed is not None:
        return (proposed,)
    raise InputError("accepted: good PART, good RED BLACK, good RED BLACK MODE")


def _no_part(board: Board, typed: str) -> str:
    """Return why a word names no part; of a terminal, where it is found."""
    place = next((one for one in board.terminals.values() if one.name.casefold() == typed.casefold()), None)
    if place is None:
        return f"no part {quoted(typed)} on this board; good {examples_of(board).places} asks about two places"
    pins = [f"{part.ref}.{pin}" for part in board.parts.values() for pin, net in part.pins.items() if net == place.net]
    at = f", at {', '.join(pins[:4])}" if pins else ""
    return (
        f"{place.name} is a place for a lead ({place.what}{at}); good {place.name} and a second place say what is read"
    )
