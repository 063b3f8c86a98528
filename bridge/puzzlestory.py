"""Story lines of puzzles: where a board came from, and nothing that would point at a part.

They are drawn apart from what is planted: a story that fitted the fault would be a hint.
"""

from __future__ import annotations

import numpy as np

from bridge.board import Board
from bridge.probing import Setup

__all__ = ["TASK", "tell_story"]

ORIGINS = (
    "The board lay in a returns crate. The label on it has a date and no word about the fault.",
    "A colleague left this board on your bench before a holiday, with a note: please look at it.",
    "The board comes from a machine that was scrapped after a flood on another floor. It never got wet.",
    "A customer had three machines fail in one year and wants each board looked at, this one too.",
    "The board was bought as a spare, second hand, tested by the seller. Nobody knows how.",
    "It was taken out of a running line at the yearly service, because its fan was noisy.",
    "The machine is at the other end of the country. Its fitter sent the board and cannot be reached.",
    "It stood on a shelf marked 'to be checked' for two winters.",
    "An apprentice has replaced the fan and the ribbon cable, and would like a second opinion on the rest.",
    "The insurance asks for a list of what has to be replaced, and for nothing else to be touched.",
    "The board is one of two from the same cabinet. The other one has been repaired elsewhere.",
    "A technician opened the cabinet after a power cut, found the breaker off, and took the board out.",
    "The owner heard something, but cannot say when, or from which cabinet.",
    "It came with a bag of screws, a photograph of the cabinet, and an order to be quick.",
    "Somebody has begun to test it: the readings are there, the conclusion is not.",
    "The board is to go back into service on Monday if nothing is found.",
)
TAKEN_BY = (
    "The readings were taken by a trainee in the first year.",
    "The readings were taken at the end of a long day.",
    "The readings were taken by a colleague you trust.",
    "The readings were taken twice and agreed.",
    "The readings were taken in a hurry, but every one of them is what the meter showed.",
)
TASK = (
    "Which parts have to be replaced, and what is wrong with each? Condemn no more than the readings call for. It is "
    "also possible that nothing is wrong, or that the bench and not the board is at fault: leads exchanged, something "
    "left connected, a relay energised. Every reading is what the meter showed, with its own small errors; the bus was "
    "discharged before each."
)


def tell_story(board: Board, setup: Setup, *, is_sheet: bool, rng: np.random.Generator) -> str:
    """Return a story line.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        The bench as stated.
    is_sheet : bool
        Whether the readings have been taken already.
    rng : numpy.random.Generator
        Source of chance; nothing else of a puzzle may be drawn from it.
    """
    sentences = [ORIGINS[int(rng.integers(len(ORIGINS)))]]
    if is_sheet:
        sentences.append(TAKEN_BY[int(rng.integers(len(TAKEN_BY)))])
    left = f"{', '.join(sorted(setup.connected))} connected" if setup.connected else "nothing connected"
    relay = ", relays energised" if setup.relay_closed else ""
    sentences.append(f"{board.title}: power off, {left}{relay}, as far as the sheet says.")
    return " ".join(sentences)
