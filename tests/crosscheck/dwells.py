"""Displays after the leads have rested, board by board, against the simulator's transient.

``python -m tests.crosscheck.dwells [BOARD...] [--readings N | --every [--pairs N]]`` prints a table of the worst
deviations in Markdown; disagreements go to standard error. Readings are drawn from every kind of fault at every kind of
placement, most of them such as move while the leads rest; each is simulated from the first instant through a dwell of
0.05 s, 0.5 s or 3 s. With ``--every`` it is every single fault at every placement, and pairs at some, after 3 s: plan
half an hour for a board. Exit status 1 if anything disagrees or has no answer.
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from bridge.board import list_boards, load_board
from bridge.circuit import build_circuit
from bridge.faults import Fault
from bridge.forecast import Forecast, damage_of, forecast_cases
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Setup
from tests.crosscheck.compare import TOLERANCE_SHARE, TOLERANCE_V, Tally
from tests.crosscheck.netlist import Damage, MeterRange, Netlist, point_text, write_board
from tests.crosscheck.predicted import Question, all_damage, placements, questions
from tests.crosscheck.runner import after_dwell, operating_points
from tests.crosscheck.samples import random_pairs, stratified

SEED = 3
READINGS = 240
DWELLS_S = (0.05, 0.5, 3.0)  # at each of them other capacitors are still charging
MOVING_SHARE = 0.8
EACH, PAIRS = 6, 40
STEADY_DIGITS = 2.0
EVERY_AT_ONCE = 3000
PLACEMENTS_OF_PAIR = 10
STILL_JACK_V = 2e-6  # start and end of a display that stays are as near as two operating points of one circuit
STILL_SHARE = 0.05  # of the displays that stay, simulated all the same: they might move and come back
HEADER = (
    "| board | readings | simulated | moving | worst diode [mV] | worst ohms [%] | at limit | differ | unanswered |",
    "|---|---:|---:|---:|---:|---:|---:|---:|---:|",
)


@dataclass(slots=True)
class DwellTally:
    """Agreement after the dwell: the values, and the word for what the display does.

    Parameters
    ----------
    values : Tally
        Of the displays.
    readings, moving : int
        Readings compared, and those that climb, fall or have moved by then.
    simulated : int
        Of the readings, those put to the simulator's transient; the others start and end at one value.
    wrong_states : list of str
        Readings whose word differs although no quantity that decides it is within tolerance of its threshold.
    """

    values: Tally = field(default_factory=Tally)
    readings: int = 0
    moving: int = 0
    simulated: int = 0
    wrong_states: list[str] = field(default_factory=list)

    def complaint(self) -> str:
        """Return what is wrong, a few of each; empty if nothing is."""
        return "\n".join(filter(None, [self.values.complaint(), *self.wrong_states[:10]]))


def forecasts_of(board_name: str, setup: Setup, meter: MeterProfile, asked: Sequence[Question]) -> list[Forecast]:
    """Return the forecast of each question."""
    circuit = build_circuit(load_board(board_name), setup)
    cases = []
    for question in asked:
        faults = [(Fault(one.ref, one.mode), one.ohms) for one in question.damage]
        cases.append((question.probing, damage_of(circuit, faults)))
    return list(forecast_cases(circuit, meter, cases))


def moves(found: Forecast, digit: float) -> bool:
    """Whether a display shows a number after the dwell that it did not show at first, or will not show in the end."""
    if found.value is None:
        return False
    others = [math.inf if value is None else value for value in (found.start, found.end)]
    return any(abs(other - found.value) > STEADY_DIGITS * digit for other in others)


def draw(board_name: str, setup: Setup, meter: MeterProfile, count: int, seed: int = SEED) -> list[Question]:
    """Return questions of which most are about a display that moves, as far as a board has so many."""
    board, rng = load_board(board_name), random.Random(seed)
    asked = [one for one in stratified(board, setup, meter, seed=seed, each=EACH, pairs=PAIRS) if one.instant == "end"]
    asked = [replace(one, instant="after the dwell") for one in rng.sample(asked, min(len(asked), 8 * count))]
    digits = [_digit(meter, question) for question in asked]
    forecasts = forecasts_of(board_name, setup, meter, asked)
    moving = [one for one, found, digit in zip(asked, forecasts, digits, strict=True) if moves(found, digit)]
    moving = moving[: round(MOVING_SHARE * count)]
    others = [one for one in asked if one not in set(moving)]
    return moving + others[: count - len(moving)]


def _digit(meter: MeterProfile, question: Question) -> float:
    return meter.resolution(question.probing.mode, question.probing.range_name, 0.0)


def word_for(start: float, value: float, end: float, slack: float) -> str:
    """Return the word for what a display does.

    Parameters
    ----------
    start, value, end : float
        The simulator's displays at the first instant, after the dwell and in the end, infinity for OL.
    slack : float
        By how much the display may still move and be called steady.
    """
    if math.isinf(value):
        return "OL"
    if math.isinf(end) or end - value > slack:
        return "climbing"
    if math.isinf(start) or value - end > slack:
        return "falling"
    return "steady"


Jacks = tuple[float, float, float]
"""Voltages at the meter's jacks [V] at the first instant, after the dwell and in the end."""


def simulated(board_name: str, setup: Setup, asked: Sequence[Question]) -> list[Jacks]:
    """Return the simulator's answers to readings, NaN where it has none."""
    board = load_board(board_name)
    texts: dict[str, list[str]] = {"source": [], "real": [], "open": []}
    for question in asked:
        for capacitors, into in texts.items():
            held = question.probing.hold
            netlist = write_board(board, setup, question.damage, capacitors=capacitors, holds=held)
            into.append(point_text(netlist, question.meter_range, question.probing.red, question.probing.black))
    rested = after_dwell(texts["real"], setup.dwell_s)
    starts, ends = operating_points(texts["source"]), operating_points(texts["open"])
    return list(zip(starts, rested, ends, strict=True))


def simulated_where_moving(
    board_name: str, setup: Setup, asked: Sequence[Question], rng: random.Random
) -> tuple[list[Jacks], int]:
    """Return the simulator's answers, and how many of them took a transient.

    A display that starts and ends at one value is simulated once in twenty times; for the others of its kind that value
    stands for the one after the dwell.
    """
    board = load_board(board_name)
    texts: dict[str, list[str]] = {"source": [], "real": [], "open": []}
    written: dict[tuple[tuple[Damage, ...], str], Netlist] = {}
    for question in asked:
        for capacitors, into in texts.items():
            key = (question.damage, capacitors)
            if key not in written:
                written[key] = write_board(board, setup, question.damage, capacitors=capacitors)
            into.append(point_text(written[key], question.meter_range, question.probing.red, question.probing.black))
    starts, ends = operating_points(texts["source"]), operating_points(texts["open"])
    still = [abs(start - end) <= STILL_JACK_V for start, end in zip(starts, ends, strict=True)]
    needed = [place for place, one in enumerate(still) if not one or rng.random() < STILL_SHARE]
    rested = dict(zip(needed, after_dwell([texts["real"][place] for place in needed], setup.dwell_s), strict=True))
    jacks = [(start, rested.get(place, end), end) for place, (start, end) in enumerate(zip(starts, ends, strict=True))]
    return jacks, len(needed)


def judge(
    board_name: str, setup: Setup, asked: Sequence[Question], answers: Sequence[Jacks], tally: DwellTally
) -> None:
    """Compare the forecasts of readings with the simulator, value after the dwell and state, and add to a tally."""
    meter = load_meter()
    forecasts = forecasts_of(board_name, setup, meter, asked)
    for question, found, jacks in zip(asked, forecasts, answers, strict=True):
        solver = math.nan if found.state is None else math.inf if found.value is None else found.value
        tally.values.add(question, solver, jacks[1])
        tally.readings += 1
        digit = _digit(meter, question)
        tally.moving += moves(found, digit)
        if found.state is not None and not any(map(math.isnan, jacks)):
            words = possible_states(question.meter_range, jacks, digit)
            if found.state not in words:
                shown = " ".join(f"{question.meter_range.shown(volts):.6g}" for volts in jacks)
                tally.wrong_states.append(f"{question}: solver {found.state}, simulator {shown}, {words}")


def compare_board(board_name: str, readings: int, seed: int = SEED) -> DwellTally:
    """Compare readings of a board, as many at each dwell."""
    tally = DwellTally()
    for setup, asked in drawn(board_name, readings, seed):
        tally.simulated += len(asked)
        judge(board_name, setup, asked, simulated(board_name, setup, asked), tally)
    return tally


def compare_every(board_name: str, pairs: int, seed: int = SEED) -> DwellTally:
    """Compare every single fault of a board at every placement, and random pairs at some, after the usual dwell."""
    setup, meter, rng, tally = Setup(), load_meter(), random.Random(seed), DwellTally()
    began = time.monotonic()
    batches = list(_every(board_name, setup, meter, pairs, rng))
    for number, asked in enumerate(batches, start=1):
        answers, transients = simulated_where_moving(board_name, setup, asked, rng)
        tally.simulated += transients
        judge(board_name, setup, asked, answers, tally)
        elapsed = time.monotonic() - began
        left = elapsed * (len(batches) - number) / number
        wrong = len(tally.values.differences) + len(tally.wrong_states)
        print(
            f"{board_name}: batch {number} of {len(batches)}, {elapsed:.0f} s, about {left:.0f} s to go, "
            f"{wrong} differ, {len(tally.values.unanswered)} unanswered",
            file=sys.stderr,
            flush=True,
        )
    return tally


def _every(
    board_name: str, setup: Setup, meter: MeterProfile, pairs: int, rng: random.Random
) -> Iterator[list[Question]]:
    """Yield batches of readings: each damage at the median of its severity."""
    board = load_board(board_name)
    damages, everywhere = all_damage(board, setup, 1), placements(board, meter)
    singles: list[tuple[Damage, ...]] = [(), *((one,) for one in damages)]
    at_once = max(1, EVERY_AT_ONCE // len(everywhere))
    for first in range(0, len(singles), at_once):
        yield _rested(questions(singles[first : first + at_once], everywhere, meter))
    of_pairs = [
        question
        for pair in random_pairs(rng, damages, pairs)
        for question in _rested(questions([pair], rng.sample(everywhere, PLACEMENTS_OF_PAIR), meter))
    ]
    for first in range(0, len(of_pairs), EVERY_AT_ONCE):
        yield of_pairs[first : first + EVERY_AT_ONCE]


def _rested(asked: Sequence[Question]) -> list[Question]:
    return [replace(one, instant="after the dwell") for one in asked if one.instant == "end"]


def drawn(board_name: str, readings: int, seed: int = SEED) -> list[tuple[Setup, list[Question]]]:
    """Return readings of a board, as many at each dwell."""
    setups = [Setup(dwell_s=dwell) for dwell in DWELLS_S]
    each = readings // len(setups)
    return [(setup, draw(board_name, setup, load_meter(), each, seed + place)) for place, setup in enumerate(setups)]


def possible_states(meter_range: MeterRange, jacks: Jacks, digit: float) -> set[str]:
    """Return the words that fit the simulator's voltages at the jacks [V], each within its tolerance."""
    found: set[str] = set()
    share = TOLERANCE_SHARE if meter_range.label.startswith("ohms") else 0.0
    first_jack, jack, last_jack = jacks
    slack, last_slack = (max(share * abs(volts), TOLERANCE_V) for volts in (jack, last_jack))
    for one, other in itertools.product((-1.0, 0.0, 1.0), repeat=2):
        moved = (first_jack, jack + one * slack, last_jack + other * last_slack)
        start, value, end = (meter_range.shown(volts) for volts in moved)
        found.add(word_for(start, value, end, STEADY_DIGITS * digit))
    return found


def row_of(board_name: str, tally: DwellTally) -> str:
    """Return a board's row of the table."""
    values = tally.values
    return (
        f"| {board_name} | {tally.readings} | {tally.simulated} | {tally.moving} | {1e3 * values.worst_volts:.3f} "
        f"| {100.0 * values.worst_share:.4f} | {values.near_limit} "
        f"| {len(values.differences) + len(tally.wrong_states)} | {len(values.unanswered)} |"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Compare boards and print the table; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.crosscheck.dwells", description="Compare dwells with ngspice."
    )
    parser.add_argument("boards", nargs="*", metavar="BOARD", help="names of shipped boards; all by default")
    parser.add_argument("--readings", type=int, default=READINGS, help=f"readings a board (default {READINGS})")
    parser.add_argument("--every", action="store_true", help="every single fault at every placement")
    parser.add_argument("--pairs", type=int, default=300, help="random pairs with --every (default 300)")
    chosen = parser.parse_args(arguments)
    print(*HEADER, sep="\n", flush=True)
    wrong = 0
    for name in chosen.boards or list_boards():
        tally = compare_every(name, chosen.pairs) if chosen.every else compare_board(name, chosen.readings)
        print(row_of(name, tally), flush=True)
        used = 100.0 * tally.values.worst_used
        print(f"{name}: {used:.0f} % of the tolerance at {tally.values.worst_question}", file=sys.stderr)
        for line in [*tally.values.differences, *tally.wrong_states, *tally.values.unanswered]:
            print(f"  {line}", file=sys.stderr)
        wrong += len(tally.values.differences) + len(tally.wrong_states) + len(tally.values.unanswered)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
