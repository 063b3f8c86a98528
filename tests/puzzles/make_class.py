"""Makes the class set in ``examples/``: ten puzzles of four boards, levels spread, with stories of our own.

``python -m tests.puzzles.make_class [FOLDER]``. The seeds are fixed, so the same files come out again.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Sequence
from pathlib import Path

from bridge.probing import Setup
from bridge.puzzledraw import Wish
from bridge.puzzlefile import Key
from bridge.puzzlemake import Order, make_puzzles
from bridge.puzzleset import set_files, write_set

CLASS = Path(__file__).parent.parent.parent / "examples" / "class-set"

# What a class goes through in two afternoons: the story says why the readings were taken, never what is wrong.
LESSONS = (
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("single",)), levels=(1,), seed=11),
        "First afternoon, bench one. Everybody gets the same board and the same sheet; the first to name the part "
        "explains to the others which two readings were enough.",
    ),
    (
        Order("half-bridge-cooktop", "handheld", Setup(), Wish(plants=("single",)), levels=(1, 2), seed=12),
        "The power board of a cooking zone from the canteen. The coil is unscrewed and lies beside it.",
    ),
    (
        Order("mixed-diode-bridge", "handheld", Setup(), Wish(plants=("single",), kinds=("diode",)), seed=13),
        "A board that was repaired twice, with diodes of two makes. Before looking for a fault, decide which "
        "differences between the legs are one.",
    ),
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("nothing",)), seed=14),
        "The teacher says the board was on the pile of doubtful ones. It is the third board of the day, and you "
        "have found a fault on both before.",
    ),
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("pair",)), seed=15),
        "Two of your class disagree: one wants to replace one part and switch on, the other wants to read on.",
    ),
    (
        Order("full-bridge-welder", "handheld", Setup(), Wish(plants=("single",)), levels=(2, 3), seed=16),
        "The inverter of a welding set from the school's own workshop. Its transformer has been disconnected.",
    ),
    (
        Order("half-bridge-cooktop", "handheld", Setup(), Wish(plants=("setup",)), seed=17),
        "A sheet from last year's class. Nobody could agree on a part then; perhaps the question was wrong.",
    ),
    (
        Order(
            "six-switch-bridge",
            "handheld",
            Setup(),
            Wish(plants=("single",), kinds=("igbt",)),
            "holds",
            (2, 3, 4, 5),
            seed=18,
        ),
        "All three phases look alike at first sight, so take your time, and mind the held gates.",
    ),
    (
        Order("full-bridge-welder", "handheld", Setup(), Wish(plants=("pair",)), levels=(2, 3, 4, 5), seed=19),
        "Second afternoon, in pairs: one reads the sheet aloud, the other draws where the current goes.",
    ),
    (
        Order("three-level-bridge", "handheld", Setup(), Wish(plants=("single",)), levels=(2, 3, 4, 5), seed=20),
        "For those who are done: a leg with four switches and two clamping diodes. Start from the healthy leg.",
    ),
)


def class_keys() -> list[Key]:
    """Return the keys of the class set."""
    keys = []
    for number, (order, story) in enumerate(LESSONS, 1):
        key = make_puzzles(order).keys[0]
        puzzle = dataclasses.replace(key.puzzle, number=number, story=story)
        keys.append(dataclasses.replace(key, puzzle=puzzle))
        print(f"{number}: level {puzzle.level}, draw {key.draw}", file=sys.stderr)
    return keys


def main(arguments: Sequence[str]) -> None:
    """Write the class set into a new folder, ``examples/class-set`` by default."""
    folder = Path(arguments[0]) if arguments else CLASS
    write_set(str(folder), set_files(class_keys()))


if __name__ == "__main__":
    main(sys.argv[1:])
