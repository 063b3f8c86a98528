"""Which questions a comparison asks: every stratum once, or everything."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator, Sequence

from bridge.board import Board
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup
from tests.crosscheck.netlist import Damage
from tests.crosscheck.predicted import Question, all_damage, placements, questions


def random_pairs(rng: random.Random, damages: Sequence[Damage], count: int) -> list[tuple[Damage, ...]]:
    """Return pairs of damage to two different parts, no pair twice."""
    found: dict[tuple[Damage, ...], None] = {}
    while len(found) < count:
        first, second = rng.sample(damages, 2)
        if first.ref != second.ref:
            found[tuple(sorted((first, second), key=str))] = None
    return list(found)


def _strata(board: Board, damages: Sequence[Damage], rng: random.Random) -> list[Damage]:
    """Return one damage of each part kind, mode and severity, on a part drawn at random."""
    groups: dict[tuple[str, str, int], list[Damage]] = {}
    for (ref, mode), same in itertools.groupby(damages, key=lambda one: (one.ref, one.mode)):
        for level, damage in enumerate(same):
            groups.setdefault((board.parts[ref].kind, mode, level), []).append(damage)
    return [rng.choice(members) for members in groups.values()]


def stratified(board: Board, setup: Setup, meter: MeterProfile, *, seed: int, each: int, pairs: int) -> list[Question]:
    """Return a sample that has every stratum in it.

    Every mode of every part kind at low, median and high severity and ``pairs`` random pairs, each at ``each``
    placements dealt in turn from the shuffled whole, at both instants; a damaged switch position also at its own gate;
    the healthy board at every placement.
    """
    rng = random.Random(seed)
    everywhere = placements(board, meter)
    damages = all_damage(board, setup, 3)
    chosen = [(one,) for one in _strata(board, damages, rng)] + random_pairs(rng, damages, pairs)
    rng.shuffle(chosen)
    deck = _endless(everywhere, rng)
    asked = questions([()], everywhere, meter)
    for damage in chosen:
        at = dict.fromkeys(itertools.islice(deck, each))
        positions = {board.parts[one.ref].position for one in damage}
        own = [probing for probing in everywhere if probing.red in {f"G_{position}" for position in positions}]
        at.update(dict.fromkeys(rng.sample(own, min(3, len(own)))))
        asked += questions([damage], list(at), meter)
    return asked


def _endless(cards: Sequence[Probing], rng: random.Random) -> Iterator[Probing]:
    while True:
        shuffled = list(cards)
        rng.shuffle(shuffled)
        yield from shuffled
