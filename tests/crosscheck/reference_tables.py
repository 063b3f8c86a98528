"""Tables of ngspice's answers, kept with the tests so that a run without ngspice still compares with them.

``python -m tests.crosscheck.reference_tables`` writes them all again: ``tests/data/ngspice-BOARD.csv``, one row a
reading, the voltage at the jacks of the hand-held meter. They belong to the boards and the meter as shipped, so a
change of either needs new tables. Most rows are readings that their fault moves, the rest readings it must leave alone.
``tests/data/ngspice-dwell.csv`` holds readings of all boards at the first instant, after a dwell and in the end.
"""

from __future__ import annotations

import csv
import random
import sys
from collections.abc import Sequence
from pathlib import Path

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.crosscheck.dwells import Jacks, drawn, simulated
from tests.crosscheck.netlist import Damage, ranges_of
from tests.crosscheck.predicted import Question, netlists_of
from tests.crosscheck.runner import operating_points
from tests.crosscheck.samples import stratified

FOLDER = Path(__file__).parent.parent / "data"
COLUMNS = ("faults", "red", "black", "mode", "instant", "jack_volts")
DWELL_PATH = FOLDER / "ngspice-dwell.csv"
DWELL_COLUMNS = ("board", "faults", "red", "black", "mode", "dwell_s", "first_volts", "dwell_volts", "last_volts")
DWELL_ROWS = 45  # for each board
ORIGIN = "# ngspice 39; written by python -m tests.crosscheck.reference_tables\n"
ROWS = 300
MOVED_ROWS = 220
MOVED_V = 2e-4
SEED = 11


def path_of(board_name: str) -> Path:
    """Return where the table of a board is."""
    return FOLDER / f"ngspice-{board_name}.csv"


def read_table(board_name: str) -> tuple[list[Question], list[float]]:
    """Return the readings of a table and the voltages at the jacks [V]."""
    meter = load_meter()
    asked: list[Question] = []
    volts: list[float] = []
    with path_of(board_name).open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(line for line in stream if not line.startswith("#")):
            mode, _, range_name = row["mode"].partition(":")
            probing = Probing(row["red"], row["black"], mode, range_name or None)
            damage = tuple(_read_damage(text) for text in row["faults"].split())
            asked.append(Question(damage, probing, ranges_of(meter, mode, range_name or None)[0], row["instant"]))
            volts.append(float(row["jack_volts"]))
    return asked, volts


def _read_damage(text: str) -> Damage:
    ref, mode, *ohms = text.split(":")
    return Damage(ref, mode, float(ohms[0]) if ohms else None)


def _written(damage: Sequence[Damage]) -> str:
    # ohms in full: nobody must read back another fault than was simulated
    return " ".join(f"{one.ref}:{one.mode}" + ("" if one.ohms is None else f":{one.ohms!r}") for one in damage)


def read_dwell_table(board_name: str) -> dict[float, tuple[list[Question], list[Jacks]]]:
    """Return the readings of a board and their voltages at the jacks [V], by how long the leads rested [s]."""
    meter = load_meter()
    found: dict[float, tuple[list[Question], list[Jacks]]] = {}
    with DWELL_PATH.open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(line for line in stream if not line.startswith("#")):
            if row["board"] == board_name:
                mode, _, range_name = row["mode"].partition(":")
                probing = Probing(row["red"], row["black"], mode, range_name or None)
                damage = tuple(_read_damage(text) for text in row["faults"].split())
                meter_range = ranges_of(meter, mode, range_name or None)[0]
                asked, answers = found.setdefault(float(row["dwell_s"]), ([], []))
                asked.append(Question(damage, probing, meter_range, "after the dwell"))
                answers.append((float(row["first_volts"]), float(row["dwell_volts"]), float(row["last_volts"])))
    return found


def write_dwell_table() -> int:
    """Write the table of readings after a dwell, all boards; return the number of its rows."""
    rows = []
    for name in list_boards():
        for setup, asked in drawn(name, DWELL_ROWS, SEED):
            for question, jacks in zip(asked, simulated(name, setup, asked), strict=True):
                probing = question.probing
                leads = (probing.red, probing.black, probing.mode_text)
                volts = [f"{value:.9g}" for value in jacks]
                rows.append((name, _written(question.damage), *leads, f"{setup.dwell_s:g}", *volts))
    with DWELL_PATH.open("w", encoding="utf-8", newline="") as stream:
        stream.write(ORIGIN)
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(DWELL_COLUMNS)
        table.writerows(rows)
    return len(rows)


def write_table(board_name: str) -> int:
    """Write the table of a board; return the number of its rows."""
    board, meter = load_board(board_name), load_meter()
    everything = stratified(board, Setup(), meter, seed=SEED, each=6, pairs=40)
    answers = dict(zip(everything, operating_points(netlists_of(board, Setup(), everything)), strict=True))
    healthy = {(one.probing, one.instant): volts for one, volts in answers.items() if not one.damage}
    moved = [one for one, volts in answers.items() if abs(volts - healthy[one.probing, one.instant]) > MOVED_V]
    others = [one for one in answers if one not in set(moved)]
    rng = random.Random(SEED)
    kept = rng.sample(moved, min(MOVED_ROWS, len(moved)))
    asked = sorted(kept + rng.sample(others, ROWS - len(kept)), key=str)
    volts = [answers[question] for question in asked]
    with path_of(board_name).open("w", encoding="utf-8", newline="") as stream:
        stream.write(ORIGIN)
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(COLUMNS)
        for question, value in zip(asked, volts, strict=True):
            probing = question.probing
            row = (
                _written(question.damage),
                probing.red,
                probing.black,
                probing.mode_text,
                question.instant,
                f"{value:.9g}",
            )
            table.writerow(row)
    return len(asked)


def main(boards: Sequence[str]) -> None:
    """Write the tables of some boards, or of all shipped ones and the one of dwells."""
    for name in boards or list_boards():
        print(f"{path_of(name)}: {write_table(name)} rows", file=sys.stderr)
    if not boards:
        print(f"{DWELL_PATH}: {write_dwell_table()} rows", file=sys.stderr)


if __name__ == "__main__":
    main(sys.argv[1:])
