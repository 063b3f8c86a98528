"""What may differ between the bench of a study and the bench that ranking is told of."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from bridge.board import Board
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.virtualboard import Damage, VirtualBoard, read_board

__all__ = ["SETUPS", "UNLISTED", "add_slip", "exchange_leads", "real_setup", "without_parts"]

# what a technician's board file may well lack: supply, desaturation sensing, driver clamps, dividers
UNLISTED = ("L_AUX", "D_AUX", "C_AUX", "D_DS_", "R_DS_", "DSP_", "R_DIV_", "DRV_")
SETUPS = ("leads-swapped", "motor-connected", "coil-connected", "brake-resistor-connected", "bus-charged")
CHARGED_V = 0.4
SLIP_FAR_V, SLIP_FAR_SHARE = 0.1, 0.4  # more than five sigma of a diode and of a gate resistor


def without_parts(board: Board) -> Board:
    """Return the board as a technician's file may describe it: what sits beside the bridge is not in it.

    Parameters
    ----------
    board : Board
        The board as it is.
    """
    parts = {ref: part for ref, part in board.parts.items() if not ref.startswith(UNLISTED)}
    return dataclasses.replace(board, parts=parts)


def real_setup(board: Board, setup: Setup, what: str) -> Setup:
    """Return the bench as it really is under a set-up error.

    Parameters
    ----------
    board, setup
        The board and the bench as stated.
    what : str
        ``motor-connected``, ``coil-connected``, ``brake-resistor-connected`` or ``bus-charged``; anything else changes
        nothing here.
    """
    if what == "bus-charged":
        return dataclasses.replace(setup, bus_volts=CHARGED_V)
    if what.endswith("-connected"):
        return dataclasses.replace(setup, connected=frozenset({what.removesuffix("-connected")}))
    return setup


def exchange_leads(reading: Reading) -> Reading:
    """Return a reading as it was really taken, if red and black were exchanged.

    Parameters
    ----------
    reading : Reading
        What was written down.
    """
    return dataclasses.replace(reading, probing=reading.probing.swapped)


def add_slip(
    virtual: VirtualBoard,
    plan: Sequence[Probing],
    damage: Damage,
    readings: Sequence[Reading],
    rng: np.random.Generator,
) -> tuple[tuple[Reading, ...], int]:
    """Return the readings with one of them a slip, and which: a false OL, another terminal's number, wrong digits.

    Parameters
    ----------
    virtual, plan, damage
        The board on the bench, the sheet, what is planted.
    readings : sequence of Reading
        What it reads.
    rng : numpy.random.Generator
        Source of chance.
    """
    numbers = [place for place, one in enumerate(readings) if one.value is not None and one.state == "steady"]
    while True:
        place = int(rng.choice(numbers))
        old = readings[place]
        kind = rng.random()
        if kind < 0.6:
            new = dataclasses.replace(old, text="OL", value=None, state="OL")
        elif kind < 0.85:
            others = [plan[int(rng.integers(len(plan)))]]
            moved = read_board(virtual, others, damage, rng)[0]
            if moved.unit != old.unit:
                continue
            new = dataclasses.replace(old, text=moved.text, value=moved.value, state=moved.state)
        else:
            value = float(old.value or 0.0) * float(10.0 ** rng.choice([-1.0, 1.0]))
            new = dataclasses.replace(old, text=f"{value:g}", value=value)
        if new.value is None or _far(old, new):
            changed = list(readings)
            changed[place] = new
            return tuple(changed), place


def _far(old: Reading, new: Reading) -> bool:
    if old.value is None or new.value is None:
        return old.value is not new.value
    gap = abs(old.value - new.value)
    return gap > SLIP_FAR_V if old.unit == "V" else gap > SLIP_FAR_SHARE * max(old.value, new.value, 1.0)
