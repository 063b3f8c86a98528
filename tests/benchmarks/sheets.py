"""Sheets of readings to rank: a planted fault on a board whose junctions are not those of its file, read with noise."""

from __future__ import annotations

import dataclasses
import itertools
import random
from collections.abc import Sequence

from bridge.board import Board
from bridge.faults import Fault
from bridge.forecast import Forecast, default_probings, forecast
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup

SEED = 7
WHOLE_BOARD_DROP_SD = 0.035  # V, as in the scenarios of tests/make_examples.py
ONE_PART_DROP_SD = 0.008
DIGIT_V = 0.001
OHMS_GAIN_SD = 0.005
HEAD = "red,black,mode,reading,note"


def _both_ways(firsts: Sequence[str], seconds: Sequence[str]) -> tuple[Probing, ...]:
    pairs = list(itertools.product(firsts, seconds))
    return tuple(Probing(*pair) for one, two in pairs for pair in ((one, two), (two, one)))


PLANS = {
    "motor-drive": _both_ways(("L1", "L2", "L3", "U", "V", "W"), ("P", "N")),
    "six-switch-bridge": (
        *_both_ways("UVW", "PN"),
        *_both_ways("P", "N"),
        *(Probing(f"G_{position}", f"E_{position}", "ohms") for position in ("UL", "VL", "WL", "UH", "VH", "WH")),
    ),
    "three-level-bridge": (
        *_both_ways("UVW", ("P", "N", "NP")),
        *_both_ways(("NP",), ("P", "N")),
        *_both_ways("P", "N"),
    ),
}


def plan(board: Board, count: int) -> tuple[Probing, ...]:
    """Return so many placements on a board, those of its plan first; fewer where it has no more."""
    probings = default_probings(board)
    spread = [probings[index * len(probings) // count] for index in range(min(count, len(probings)))]
    return tuple(dict.fromkeys((*PLANS.get(board.name, ()), *spread, *probings)))[:count]


def planted_fault(board: Board) -> Fault:
    """Return the fault of the sheets: the second switch fused from one main terminal to the other."""
    switches = [part.ref for part in board.parts.values() if "ce-short" in part.modes]
    return Fault(switches[min(1, len(switches) - 1)], "ce-short")


def another_make(board: Board, rng: random.Random) -> Board:
    """Return a board of the same kind with junctions of another make."""
    whole = rng.gauss(0.0, WHOLE_BOARD_DROP_SD)
    parts = {
        ref: dataclasses.replace(
            part,
            values={
                name: value + whole + rng.gauss(0.0, ONE_PART_DROP_SD) if name == "drop_1ma" else value
                for name, value in part.values.items()
            },
        )
        for ref, part in board.parts.items()
    }
    return dataclasses.replace(board, parts=parts)


def written(one: Forecast, rng: random.Random) -> str:
    """Return what a technician notes of a display, with its noise."""
    if one.error is not None and one.state is None:
        raise ValueError(f"no reading at {one.probing}: {one.error}")
    if one.value is None:
        return "OL"
    if one.unit == "V":
        text = f"{abs(one.value + rng.gauss(0.0, DIGIT_V)):.3f}"
    else:
        ohms = one.value * (1.0 + rng.gauss(0.0, OHMS_GAIN_SD))
        scale, unit = next((pair for pair in ((1e6, "M"), (1e3, "k")) if ohms >= pair[0]), (1.0, ""))
        text = f"{ohms / scale:.2f}{unit}"
    return f"{text} {one.state}" if one.state in ("climbing", "falling") else text


def sheet(board: Board, meter: MeterProfile, count: int) -> str:
    """Return a sheet of so many readings; the same one in every run."""
    rng = random.Random(SEED)
    bench = another_make(board, rng)
    probings = plan(board, count)
    read = forecast(bench, meter, Setup(), probings, [(planted_fault(board), None)])
    rows = [f"{one.probing.red},{one.probing.black},{one.probing.mode},{written(one, rng)},discharged" for one in read]
    return "\n".join([HEAD, *rows, ""])
