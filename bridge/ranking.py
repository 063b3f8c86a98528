"""What a ranking says: candidates, groups, suspect parts, the state of the bench, and whether anything fits."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from bridge.board import Board
from bridge.charge import charge_warning
from bridge.crowd import forecast_crowd
from bridge.faults import Fault
from bridge.forecast import Forecast, forecast_each
from bridge.meter import MeterProfile
from bridge.probing import Hold, Probing, Setup
from bridge.readings import Reading
from bridge.separate import separable_in_place

__all__ = [
    "Candidate",
    "FaultGuess",
    "Fit",
    "Group",
    "OddOne",
    "PartSuspicion",
    "Ranking",
    "SetupBelief",
    "really_taken",
]

FOLLOWED = 20  # candidates whose charging displays are followed in time
WORTH_SEPARATING = 0.02  # a group less probable is not asked whether a reading in place would split it
SEPARATE_MOST = 12
SHOWN = 3  # candidates in a ranking's short form


def really_taken(board: Board, probing: Probing, *, swapped: bool, held: tuple[Hold, ...]) -> Probing:
    """Return a placement of the leads as it really was.

    Parameters
    ----------
    board : Board
        The board.
    probing : Probing
        As it was written.
    swapped : bool
        Whether red and black were exchanged.
    held : tuple of Hold
        Gates that held charge; a lead on such a gate has discharged it.
    """
    real = probing.swapped if swapped else probing
    for hold in held:
        gates = {
            part.pins["gate"] for part in board.parts.values() if part.position == hold.position and "gate" in part.pins
        }
        touched = {board.terminals[lead].net for lead in (probing.red, probing.black) if lead in board.terminals}
        if not gates & touched and hold.position not in {one.position for one in real.hold}:
            real = dataclasses.replace(real, hold=tuple(sorted((*real.hold, hold))))
    return real


@dataclass(frozen=True, slots=True)
class FaultGuess:
    """One fault of a candidate, with the resistance the readings suggest [ohm], None where the mode has none."""

    part: str
    mode: str
    ohms: float | None


@dataclass(frozen=True, slots=True)
class Candidate:
    """One hypothesis and its probability; no faults is the healthy board."""

    faults: tuple[FaultGuess, ...]
    probability: float
    group: int

    def packages(self, board: Board) -> frozenset[str]:
        """Return the packages of a board that hold its faults."""
        return frozenset([board.parts[guess.part].package for guess in self.faults])


@dataclass(frozen=True, slots=True)
class Group:
    """Hypotheses these readings cannot tell apart.

    Parameters
    ----------
    id : int
        Number, from 0 by probability.
    probability : float
        Of all its members, listed or not [1].
    size : int
        Number of all its members.
    members : tuple of int
        Candidates in the listing that belong to it.
    replace : tuple of str
        The smallest set of packages that holds 98 % of it.
    rest : bool
        Whether it is what is left over: hypotheses too improbable to lead a group, whatever they read.
    """

    id: int
    probability: float
    size: int
    members: tuple[int, ...]
    replace: tuple[str, ...]
    rest: bool = False


@dataclass(frozen=True, slots=True)
class PartSuspicion:
    """Probability that a part is faulty [1]."""

    part: str
    package: str
    probability: float


@dataclass(frozen=True, slots=True)
class SetupBelief:
    """Probability of a state of the bench [1]."""

    what: str
    probability: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether the best hypothesis explains the readings.

    Parameters
    ----------
    ok : bool
        False where nothing modelled explains them.
    worst_reading : int or None
        Reading that fits worst, from 0, where one stands out.
    misfit : float
        Probability of readings at least this odd, were the best hypothesis true [1].
    note : str
        In words.
    """

    ok: bool
    worst_reading: int | None
    misfit: float
    note: str


@dataclass(frozen=True, slots=True)
class OddOne:
    """A reading that differs from those at places where the board looks the same.

    Parameters
    ----------
    reading : int
        The reading, from 0.
    fellows : tuple of int
        Readings at like places, from 0.
    places : tuple of str
        Of its two leads those that most of its fellows do not touch.
    words : str
        What it reads and what they read.
    """

    reading: int
    fellows: tuple[int, ...]
    places: tuple[str, ...]
    words: str


@dataclass(frozen=True, eq=False)
class Ranking:
    """Everything the readings say.

    Parameters
    ----------
    candidates : tuple of Candidate
        Most probable first.
    groups : tuple of Group
        Most probable first.
    parts : tuple of PartSuspicion
        Most suspect first.
    setup : tuple of SetupBelief
        What the bench was like, most probable first.
    leads_swapped : bool
        Whether candidates are for exchanged leads, because that is how the readings were most probably taken.
    held : tuple of Hold
        Gates that held charge, where that is how the readings were most probably taken.
    seen : tuple of str
        What was seen before any reading, as the table calls it.
    odd_ones : tuple of OddOne
        Readings that differ from those at like places, the clearest first.
    told_apart : dict of int to bool
        What :meth:`separable_in_place` has said of groups so far.
    """

    board: Board
    meter: MeterProfile
    given_setup: Setup
    readings: tuple[Reading, ...]
    fit: Fit
    candidates: tuple[Candidate, ...]
    groups: tuple[Group, ...]
    parts: tuple[PartSuspicion, ...]
    setup: tuple[SetupBelief, ...]
    leads_swapped: bool = False
    held: tuple[Hold, ...] = ()
    seen: tuple[str, ...] = ()
    odd_ones: tuple[OddOne, ...] = ()
    told_apart: dict[int, bool] = field(default_factory=dict)

    def __repr__(self) -> str:
        # tens of thousands of candidates, and the board: a notebook would show megabytes
        shown = [
            f"{one.probability:.2g} {' + '.join(f'{guess.part}:{guess.mode}' for guess in one.faults) or 'healthy'}"
            for one in self.candidates[:SHOWN]
        ]
        more = len(self.candidates) - len(shown)
        listed = ", ".join([*shown, f"{more} more"] if more else shown)
        fits = "" if self.fit.ok else ", nothing fits"
        return f"<Ranking of {self.board.name} by {len(self.readings)} readings{fits}: {listed}>"

    @property
    def caution(self) -> str | None:
        """What to do about charge that the readings betray, before anything else; None where nothing does."""
        return charge_warning(self.readings, self.given_setup)

    @cached_property
    def if_healthy(self) -> tuple[Forecast, ...] | None:
        """What a healthy board would read, in the order of the readings; None where it is no candidate."""
        healthy = next((number for number, one in enumerate(self.candidates) if not one.faults), None)
        return None if healthy is None else self.predictions(healthy)

    @cached_property
    def replace_lists(self) -> dict[frozenset[str], float]:
        """The probability [1] of each set of packages to be the bad ones, most probable first; empty: a good board."""
        found: dict[frozenset[str], float] = {}
        for candidate in self.candidates:
            packages = candidate.packages(self.board)
            found[packages] = found.get(packages, 0.0) + candidate.probability
        return dict(sorted(found.items(), key=lambda item: (-item[1], sorted(item[0]))))

    def separable_in_place(self, group: Group) -> bool:
        """Return whether one reading in place would tell a group's dozen likeliest members from its leader.

        It costs many solves, so it is worked out when it is asked for. Displays are compared where they end.
        """
        if group.rest or group.probability < WORTH_SEPARATING:
            return True
        if group.id not in self.told_apart:
            sets = self._faults_of(group.members[:SEPARATE_MOST])
            self.told_apart[group.id] = separable_in_place(self.board, self.meter, self.given_setup, sets)
        return self.told_apart[group.id]

    def _faults_of(self, candidates: Sequence[int]) -> list[list[tuple[Fault, float | None]]]:
        return [
            [(Fault(guess.part, guess.mode), guess.ohms) for guess in self.candidates[candidate].faults]
            for candidate in candidates
        ]

    def predictions(self, candidate: int) -> tuple[Forecast, ...]:
        """Return what a candidate predicts for each reading, in their order."""
        return self.predictions_of([candidate])[0]

    def predictions_of(self, candidates: Sequence[int]) -> tuple[tuple[Forecast, ...], ...]:
        """Return what several candidates predict for each reading, solved together.

        The first few follow every charging display; beyond them it is estimated, as ranking itself does.
        """
        faults = self._faults_of(candidates)
        rows: list[dict[int, Forecast]] = [{} for _ in candidates]
        for connected in dict.fromkeys(reading.connected for reading in self.readings):
            numbers = [number for number, reading in enumerate(self.readings) if reading.connected == connected]
            taken = [self.readings[number].probing for number in numbers]
            probings = [
                really_taken(self.board, probing, swapped=self.leads_swapped, held=self.held) for probing in taken
            ]
            setup = dataclasses.replace(self.given_setup, connected=self.given_setup.connected | connected)
            bench = self.board, self.meter, setup, probings
            found = [*forecast_each(*bench, faults[:FOLLOWED]), *forecast_crowd(*bench, faults[FOLLOWED:])]
            for row, shown in zip(rows, found, strict=True):
                row.update(zip(numbers, shown, strict=True))
        return tuple(tuple(row[number] for number in range(len(self.readings))) for row in rows)
