"""An order for puzzles as it was typed."""

from __future__ import annotations

import re
import secrets
from collections.abc import Sequence

from bridge.advise import CERTAIN
from bridge.board import Board, load_board
from bridge.errors import InputError
from bridge.meter import DEFAULT_METER
from bridge.options import BenchOptions, certainty, whole_number
from bridge.probing import Setup
from bridge.puzzlebench import possible_errors
from bridge.puzzledraw import PLANTS, Wish
from bridge.puzzlemake import Order
from bridge.wording import listed, quoted

__all__ = ["parse_order"]

MOST_PUZZLES = 2000
SEEDS = 2**53  # as many as a number in JSON holds exactly


def parse_order(
    board: str,
    bench: BenchOptions,
    *,
    level: str | None = None,
    plant: Sequence[str] | None = None,
    part: Sequence[str] | None = None,
    leg: Sequence[str] | None = None,
    kind: Sequence[str] | None = None,
    reach: str = "gates",
    count: int | str = 1,
    seed: int | str | None = None,
    probe: bool = False,
    certain: float | str = CERTAIN,
) -> Order:
    """Return an order as it was typed.

    Parameters
    ----------
    board : str
        Name or path of the board.
    bench : BenchOptions
        Meter and state of the bench.
    level : str or None
        ``3``, ``1-5``, ``2,4``; None for any.
    plant, part, leg, kind : sequence of str or None
        What may be planted.
    reach, probe
        As for `Order`.
    count : int or str
        How many.
    seed : int, str or None
        Makes it repeatable; None for one nobody can guess.
    certain : float or str
        How probable the answer must be [1].

    Raises
    ------
    InputError
        A value that is not accepted; the option is named.
    """
    known = load_board(board)
    bench.load_meter()  # refused here, with the option's name
    for word in plant or ():
        if word not in PLANTS:
            raise InputError(f"{quoted(word)}; accepted: {listed(PLANTS)}", where="--plant")
    many = whole_number(str(count), "--count", 1, MOST_PUZZLES)
    if seed is None:
        seed = secrets.randbelow(SEEDS)
    number, share = whole_number(str(seed), "--seed"), certainty(certain)
    wish = Wish(tuple(plant or ()), tuple(part or ()), tuple(leg or ()), tuple(kind or ()))
    levels = () if level is None else _levels(level)
    setup = bench.setup(known)
    _need_faults(wish)
    _need_different(known, setup, wish, many)
    return Order(board, bench.meter or DEFAULT_METER, setup, wish, reach, levels, many, number, probe, share)


def _need_faults(wish: Wish) -> None:
    """Refuse parts that are to fail where no fault is planted."""
    if not wish.narrows or not wish.plants or set(wish.plants) & {"single", "pair", "pattern"}:
        return
    option, words = next(
        (f"--{name}", words)
        for name, words in (("part", wish.parts), ("leg", wish.legs), ("kind", wish.kinds))
        if words
    )
    raise InputError(
        f"{listed(map(quoted, words))} with --plant {listed(wish.plants)}, which plants no fault; accepted: --plant "
        f"single, pair or pattern beside it, or no {option}",
        where=option,
    )


def _need_different(board: Board, setup: Setup, wish: Wish, count: int) -> None:
    """Refuse more puzzles of a good board, or of a bench in error, than can differ from each other."""
    if not wish.plants or not set(wish.plants) <= {"nothing", "setup"}:
        return
    errors = possible_errors(board, setup) if "setup" in wish.plants else ()
    most = len(errors) + ("nothing" in wish.plants)
    if count > most:
        what = [*(["nothing wrong"] if "nothing" in wish.plants else []), *errors]
        raise InputError(
            f"{count}; accepted: 1{f' to {most}' * (most > 1)} with this --plant, for {listed(what)} "
            f"make{'s' * (len(what) == 1)} one puzzle{' each' * (len(what) > 1)}: another would read alike",
            where="--count",
        )


def _levels(text: str) -> tuple[int, ...]:
    found = re.fullmatch(r"([1-5])(?:-([1-5]))?", text)
    if found and int(found[1]) <= int(found[2] or found[1]):
        return tuple(range(int(found[1]), int(found[2] or found[1]) + 1))
    if re.fullmatch(r"[1-5](,[1-5])*", text):
        return tuple(sorted({int(one) for one in text.split(",")}))
    raise InputError(f"{quoted(text)}; accepted: a level from 1 to 5, as 3, 1-5 or 2,4", where="--level")
