"""What is planted in a puzzle: a fault, a pair, a damage pattern, nothing at all, or an error of the bench."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.errors import InputError
from bridge.faultspace import FaultSpace
from bridge.meter import MeterProfile
from bridge.places import place_parts
from bridge.probing import Setup
from bridge.puzzlebench import PuzzleBench, real_setup
from bridge.virtualboard import Damage, draw_board, draw_faults
from bridge.wording import listed, quoted

__all__ = ["PLANTS", "Wish", "draw_bench", "draw_plant", "wished_faults"]

PLANTS = ("single", "pair", "pattern", "nothing", "setup")
# of a set in which nothing is asked for; patterns take a minute each, and are made where asked for
USUAL = {"single": 0.5, "pair": 0.3, "nothing": 0.05, "setup": 0.10}
BLIND_SHARE = 0.5  # of the faults, drawn alike instead of by their prior: else a class would see shorted switches alone
LARGEST_LUCK = 2**31


@dataclass(frozen=True, slots=True)
class Wish:
    """What the trainer wants planted.

    Parameters
    ----------
    plants : tuple of str
        Of ``PLANTS``; empty for the usual mixture.
    parts, legs, kinds : tuple of str
        Parts or packages, legs (``U``), kinds of part (``igbt``) to draw from; empty for all.
    """

    plants: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    legs: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()

    @property
    def narrows(self) -> bool:
        """Whether only some parts are to fail."""
        return bool(self.parts or self.legs or self.kinds)


def wished_faults(space: FaultSpace, wish: Wish) -> NDArray[np.bool_]:
    """Return which faults a wish allows.

    Parameters
    ----------
    space : FaultSpace
        The faults of a board.
    wish : Wish
        What is wanted.

    Returns
    -------
    ndarray of bool, faults
        In the order of the space's faults; at least one is true.

    Raises
    ------
    InputError
        A part, leg or kind the board does not have, or no fault that is all of what is wanted.
    """
    board = space.board
    places = place_parts(board)
    refs = list(dict.fromkeys(fault.part for fault in space.faults))
    legs = {ref: (places[ref].leg or "").removeprefix("rectifier ").removeprefix("leg ") for ref in refs}
    asked = (
        ("part", wish.parts, {ref: {ref, board.parts[ref].package} for ref in refs}),
        ("leg", wish.legs, {ref: {legs[ref]} - {""} for ref in refs}),
        ("kind", wish.kinds, {ref: {board.parts[ref].kind} for ref in refs}),
    )
    allowed = np.ones(len(space.faults), dtype=bool)
    for what, words, names in asked:
        if not words:
            continue
        known = {name.casefold(): name for every in names.values() for name in sorted(every)}
        for word in words:
            if word.casefold() not in known:
                raise InputError(
                    f"{board.name} has no {what} {quoted(word)} that fails; accepted: {listed(known.values())}",
                    where=f"--{what}",
                )
        chosen = {known[word.casefold()] for word in words}
        allowed &= np.array([bool(names[fault.part] & chosen) for fault in space.faults])
    if not allowed.any():
        raise InputError("no fault is in all of --part, --leg and --kind; accepted: what some part is")
    return allowed


def draw_plant(
    space: FaultSpace,
    wish: Wish,
    allowed: NDArray[np.bool_],
    errors: Sequence[str],
    rng: np.random.Generator,
    pattern: Callable[[np.random.Generator], Damage],
) -> tuple[Damage, str]:
    """Return what is wrong with a board, or with the bench.

    Parameters
    ----------
    space : FaultSpace
        The faults of the board.
    wish : Wish
        What is wanted.
    allowed : ndarray of bool, faults
        As :func:`wished_faults` returns them.
    errors : sequence of str
        The errors of the bench to draw from.
    rng : numpy.random.Generator
        Source of chance.
    pattern : callable
        Draws a damage pattern.

    Returns
    -------
    damage : tuple of (Fault, float or None)
        The faults with their resistances [ohm]; empty for a good board.
    error : str
        The error of the bench; empty for none.
    """
    shares = dict.fromkeys(wish.plants, 1.0) if wish.plants else dict(USUAL)
    if wish.narrows and not wish.plants:
        shares = {"single": USUAL["single"], "pair": USUAL["pair"]}
    if not errors:
        shares.pop("setup", None)
    names, weights = list(shares), np.array(list(shares.values()))
    plant = names[int(rng.choice(len(names), p=weights / weights.sum()))]
    if plant == "setup":
        return (), errors[int(rng.integers(len(errors)))]
    if plant == "nothing":
        return (), ""
    if plant == "pattern":
        return pattern(rng), ""
    blind = bool(rng.random() < BLIND_SHARE)
    return draw_faults(space, 1 if plant == "single" else 2, rng, uniform=blind, among=allowed), ""


def draw_bench(
    board: Board, meter: MeterProfile, setup: Setup, damage: Damage, error: str, rng: np.random.Generator
) -> PuzzleBench:
    """Return a real board of this kind on a bench: values of its own, a temperature, a meter a little off.

    Parameters
    ----------
    board, meter, setup
        The kinds of board and meter, and the bench as stated.
    damage : tuple of (Fault, float or None)
        What is wrong, with resistances [ohm].
    error : str
        The error of the bench; empty for none.
    rng : numpy.random.Generator
        Source of chance.
    """
    virtual = draw_board(board, meter, real_setup(setup, error), rng)
    return PuzzleBench(virtual, setup, damage, error, int(rng.integers(LARGEST_LUCK)))
