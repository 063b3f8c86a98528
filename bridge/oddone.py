"""The odd one out: among places where a board looks the same, the reading that differs from its fellows.

Places are alike where no part, value or connection tells one from the other, seen from the leads outwards. That is
decided on the parts list itself, by colour refinement, and needs no prediction; digits and part spread decide what
differs.

References
----------
Weisfeiler & Lehman, Nauchno-Tech. Inform. 2 (1968) 12 (colour refinement of a graph).
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence

import numpy as np

from bridge.board import Board, Part
from bridge.columndisplays import ColumnDisplays
from bridge.likelihood import ReadingModel
from bridge.partkinds import SWITCH_KINDS
from bridge.places import shared_position
from bridge.probing import Probing, Setup
from bridge.ranking import OddOne
from bridge.readings import Reading
from bridge.table import ReadingTable
from bridge.units import format_reading

__all__ = ["find_odd_ones", "like_places"]

FEWEST_ALIKE = 3  # of two that differ nobody can say which is the odd one
CLEAR_SD = 4.0  # standard deviations from the fellows' median that count as different
FELLOWS_SPREAD = 1.5  # variance of a reading against the median of two others, in variances of one
ROUNDS = 12  # colours travel one part further in each; no shipped board is wider

Colours = dict[object, int]


class _Colouring:
    """Colour refinement with one palette for all placements, so that equal colours mean equal surroundings."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._palette: Colours = {}

    def _colour(self, key: object) -> int:
        return self._palette.setdefault(key, len(self._palette))

    def signature(self, probing: Probing, setup: Setup) -> tuple[int, ...]:
        """Return the colours of everything on the board, seen from one placement of the leads."""
        board = self._board
        lifted = {*probing.lift, *setup.lifted}
        parts = [part for part in board.parts.values() if part.is_present(setup)]
        held = {hold.position: (hold.volts, hold.ohms) for hold in probing.hold}
        edges: list[tuple[str, str, str]] = []
        for part in parts:
            for pin, net in part.pins.items():
                name = f"{part.ref}.{pin}"
                edges.append((part.ref, pin, name if name in lifted else net))
        leads = {_net_under(board, probing.red, lifted): "red", _net_under(board, probing.black, lifted): "black"}
        colour = {("net", net): self._colour(("net", leads.get(net))) for _, _, net in edges}
        colour.update({("part", part.ref): self._colour(_looks(part, held)) for part in parts})
        for _ in range(ROUNDS):
            around: dict[tuple[str, str], list[tuple[str, int]]] = {place: [] for place in colour}
            for ref, pin, net in edges:
                around["part", ref].append((pin, colour["net", net]))
                around["net", net].append((pin, colour["part", ref]))
            colour = {place: self._colour((colour[place], tuple(sorted(near)))) for place, near in around.items()}
        return tuple(sorted(colour.values()))


def _looks(part: Part, held: Mapping[str, tuple[float, float]]) -> object:
    hold = None
    if part.kind in SWITCH_KINDS and part.position is not None:  # holding AH holds AH_1 and AH_2
        hold = held.get(part.position, held.get(shared_position(part.position)))
    return ("part", part.kind, tuple(sorted(part.values.items())), part.tolerance, part.construction, hold)


def _net_under(board: Board, place: str, lifted: set[str]) -> str:
    if place in board.terminals:
        return board.terminals[place].net
    ref, _, pin = place.partition(".")
    return place if place in lifted else board.parts[ref].pins[pin]


def like_places(
    board: Board, setup: Setup, probings: Sequence[Probing], connected: Sequence[frozenset[str]] | None = None
) -> tuple[tuple[int, ...], ...]:
    """Return groups of probings that a healthy board cannot tell apart, each of two and more.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        The state of the bench.
    probings : sequence of Probing
        Placements of the leads.
    connected : sequence of frozenset of str, optional
        What was connected during each of them, besides what the set-up says.
    """
    colouring = _Colouring(board)
    groups: dict[object, list[int]] = {}
    for number, probing in enumerate(probings):
        more = connected[number] if connected else frozenset()
        state = Setup(connected=setup.connected | more, lifted=setup.lifted, unplugged=setup.unplugged)
        key = (probing.mode_text, len(probing.hold), len(probing.lift), colouring.signature(probing, state))
        groups.setdefault(key, []).append(number)
    return tuple(tuple(group) for group in groups.values() if len(group) > 1)


def find_odd_ones(
    table: ReadingTable, models: Sequence[ReadingModel], readings: Sequence[Reading]
) -> tuple[OddOne, ...]:
    """Return the readings that differ from those at like places, the clearest first.

    Parameters
    ----------
    table : ReadingTable
        Columns in the order of the readings; of it only the part spread of a healthy board is used, and whether
        its display moves.
    models : sequence of ReadingModel
        The readings in the terms of the likelihood, for the digits.
    readings : sequence of Reading
        What was read.
    """
    space = table.space
    probings = [reading.probing for reading in readings]
    found: list[tuple[float, OddOne]] = []
    healthy = np.zeros(1, dtype=np.intp)
    for members in like_places(space.board, space.setup, probings, [reading.connected for reading in readings]):
        # of a place read more than once the last reading speaks
        group = tuple({probings[number]: number for number in members}.values())
        if len(group) < FEWEST_ALIKE:
            continue
        shown = [table.columns[number].displays(*table.columns[number].of_classes(healthy)) for number in group]
        odd = _odd_in([readings[number] for number in group], [models[number] for number in group], shown)
        fellows = tuple(number for place, number in enumerate(group) if place not in odd)
        for place, sigmas in odd.items():
            found.append((sigmas, _say(space.board, readings, group[place], fellows)))
    return tuple(odd for _, odd in sorted(found, key=lambda pair: (-pair[0], pair[1].reading)))


def _odd_in(
    readings: Sequence[Reading], models: Sequence[ReadingModel], healthy: Sequence[ColumnDisplays]
) -> dict[int, float]:
    """Return which readings of a group differ from most of it, and by how many standard deviations."""
    numbers = {
        k: reading.value
        for k, reading in enumerate(readings)
        if reading.state == "steady" and reading.value is not None
    }
    moves = any(_moves(shown, model) for shown, model in zip(healthy, models, strict=True))
    most = len(readings) / 2.0
    odd: dict[int, float] = {}
    if len(numbers) > most:
        if not moves:  # a display caught on its way differs from one that has arrived
            odd = {k: np.inf for k, reading in enumerate(readings) if reading.state == "OL"}
        for k, value in numbers.items():
            others = [other for place, other in numbers.items() if place != k]
            middle = statistics.median(others)
            agree = sum(1 for other in others if abs(other - middle) <= CLEAR_SD * _sd(healthy[k], models[k]))
            away = abs(value - middle) / _sd(healthy[k], models[k])
            # a middle that few stand behind is no reference
            if away > CLEAR_SD and 2 * agree > len(others):
                odd[k] = away
    elif len(readings) - len(numbers) > most:
        # most are open or on their way there; a number counts where no charging display could have shown it
        for k, value in numbers.items():
            lowest = min(float(shown.start[0]) for shown in healthy) if moves else np.inf
            away = (lowest - value) / _still_sd(healthy[k], models[k])
            if away > CLEAR_SD:
                odd[k] = away
    return odd


def _moves(healthy: ColumnDisplays, model: ReadingModel) -> bool:
    """Whether a healthy display visibly moves between the first instant and the end."""
    start, end = float(healthy.start[0]), float(healthy.end[0])
    if not (np.isfinite(start) and np.isfinite(end)):
        return bool(np.isfinite(start) != np.isfinite(end))
    return abs(end - start) > _still_sd(healthy, model)


def _sd(healthy: ColumnDisplays, model: ReadingModel) -> float:
    """Return the standard deviation of a reading against its fellows [unit]; what they share cancels."""
    value, carried = float(healthy.value[0]), float(healthy.carried[0])
    charge = abs(carried - value) if np.isfinite(value) and np.isfinite(carried) else 0.0
    return float(np.hypot(np.hypot(_still_sd(healthy, model), healthy.time_sd[0]), charge))


def _still_sd(healthy: ColumnDisplays, model: ReadingModel) -> float:
    """Return the part of it that has nothing to do with charging [unit]."""
    own = float(healthy.own_sd[0]) if np.isfinite(healthy.start[0]) else 0.0
    return float(np.sqrt(FELLOWS_SPREAD * (own**2 + model.digits_sd**2)))


def _say(board: Board, readings: Sequence[Reading], odd: int, fellows: Sequence[int]) -> OddOne:
    """Put a difference in words: what it reads, what its fellows read, and which place sets it apart."""

    def leads(number: int) -> str:
        probing = readings[number].probing
        hold = f" holding {probing.hold_text}" if probing.hold else ""
        return f"{probing.red} to {probing.black}{hold}"

    def under(lead: str, number: int) -> str:
        probing = readings[number].probing
        return _net_under(board, probing.red if lead == "red" else probing.black, set(probing.lift))

    def said(number: int) -> str:
        reading = readings[number]
        if reading.state == "steady" and reading.value is not None:
            return format_reading(reading.value, reading.unit)
        return (
            reading.state if reading.value is None else f"{format_reading(reading.value, reading.unit)} {reading.state}"
        )

    own = [
        place
        for lead, place in (("red", readings[odd].probing.red), ("black", readings[odd].probing.black))
        if 2 * sum(under(lead, number) == under(lead, odd) for number in fellows) < len(fellows)
    ]
    shown = list(dict.fromkeys(said(other) for other in fellows))
    others = f"{', '.join(leads(other) for other in fellows)} read {' or '.join(shown[:4])}"
    words = f"{leads(odd)} reads {said(odd)} in {readings[odd].probing.mode} mode, where {others}"
    return OddOne(odd, tuple(fellows), tuple(own), words)
