"""The board a puzzle is about: its true values, what is wrong with it or with the bench, and what its meter shows."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.board import Board
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.setupwords import SETUP_WORDS as SUSPECTED_WORDS
from bridge.suspect import CONNECTABLE
from bridge.virtualboard import Damage, VirtualBoard, read_board

__all__ = ["SETUP_ERRORS", "SETUP_WORDS", "PuzzleBench", "possible_errors", "real_probing", "real_setup", "written"]

LEADS_SWAPPED = "leads-swapped"
FARTHEST_LUCK = 2.0  # a meter within its limits of error, which are two standard deviations
CONNECTED = {error: what for what, error in CONNECTABLE.items()}
RELAY_CLOSED = "relay-closed"
SETUP_WORDS = {
    LEADS_SWAPPED: "the leads were exchanged: red was on the place of black",
    **{error: SUSPECTED_WORDS[error] for error in CONNECTED},
    RELAY_CLOSED: "the relay was energised",
}
SETUP_ERRORS = tuple(SETUP_WORDS)


def possible_errors(board: Board, setup: Setup) -> tuple[str, ...]:
    """Return the errors of the bench that this board in this set-up allows.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        The bench as stated.

    Notes
    -----
    Charge left on the bus is not among them: the readings of a puzzle are taken from a discharged bus.
    """
    there = {part.when for part in board.parts.values()}
    found = [LEADS_SWAPPED]
    found += [name for name, what in CONNECTED.items() if what in there and what not in setup.connected]
    if not setup.relay_closed and any(part.kind == "relay" for part in board.parts.values()):
        found.append(RELAY_CLOSED)
    return tuple(found)


def real_setup(setup: Setup, error: str) -> Setup:
    """Return the bench as it really is.

    Parameters
    ----------
    setup : Setup
        The bench as stated.
    error : str
        The error of the bench; empty for none.
    """
    if error in CONNECTED:
        return dataclasses.replace(setup, connected=setup.connected | {CONNECTED[error]})
    return dataclasses.replace(setup, relay_closed=True) if error == RELAY_CLOSED else setup


def real_probing(probing: Probing, error: str) -> Probing:
    """Return where the leads really are.

    Parameters
    ----------
    probing : Probing
        Where the technician believes them to be.
    error : str
        The error of the bench; empty for none.
    """
    return probing.swapped if error == LEADS_SWAPPED else probing


@dataclass(frozen=True, slots=True)
class PuzzleBench:
    """One board with its own values, on one bench, read with one meter.

    Parameters
    ----------
    virtual : VirtualBoard
        Board, meter, and the bench as it really is.
    stated : Setup
        The bench as the trainee is told.
    damage : tuple of (Fault, float or None)
        What is wrong, with resistances [ohm].
    error : str
        The error of the bench; empty for none.
    luck : int
        Source of the last digits: a reading taken again shows the same.
    """

    virtual: VirtualBoard
    stated: Setup
    damage: Damage
    error: str
    luck: int

    def readings(self, probings: Sequence[Probing]) -> tuple[Reading, ...]:
        """Return what a technician writes down, the bus discharged before each reading.

        Parameters
        ----------
        probings : sequence of Probing
            Where the technician believes the leads to be.

        Raises
        ------
        InputError
            A lead, pin, position or range that does not exist in this set-up.
        """
        real = [real_probing(one, self.error) for one in probings]
        taken = read_board(self.virtual, real, self.damage, self._luck_of)
        return tuple(dataclasses.replace(one, probing=asked) for one, asked in zip(taken, probings, strict=True))

    def _luck_of(self, probing: Probing) -> float:
        """Return how far off the last digit is, of unit variance, the same whenever this reading is taken."""
        words = (probing.red, probing.black, probing.mode_text, probing.hold_text, probing.lift_text)
        digest = hashlib.sha256("|".join((str(self.luck), *words)).encode()).digest()
        luck = float(np.random.default_rng(int.from_bytes(digest[:8], "big")).normal())
        return max(-FARTHEST_LUCK, min(luck, FARTHEST_LUCK))


def written(reading: Reading) -> str:
    """Return a reading as a technician writes it down.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    if reading.value is None:
        return reading.text
    text = f"{reading.value:.3f}" if reading.unit == "V" else reading.text
    return f"{text} {reading.state}" if reading.state in ("climbing", "falling") else text
