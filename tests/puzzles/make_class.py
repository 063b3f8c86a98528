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

# What a class goes through in two afternoons. A story is one that any board could have, healthy, faulty or read on a
# bench in error: it says nothing of what is planted.
LESSONS = (
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("single",)), levels=(1,), seed=11),
        "First afternoon, bench one. Everybody gets the same board and the same sheet; whoever has an answer "
        "explains to the others which readings it stands on.",
    ),
    (
        Order("half-bridge-cooktop", "handheld", Setup(), Wish(plants=("single",)), levels=(1, 2), seed=12),
        "A board from the canteen. It came in a box that is too large for it.",
    ),
    (
        Order("mixed-diode-bridge", "handheld", Setup(), Wish(plants=("single",), kinds=("diode",)), seed=13),
        "A board that has been in the workshop before; nobody wrote down what was done. Compare it with a good "
        "one before anything else.",
    ),
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("nothing",)), seed=14),
        "The board was on the pile of doubtful ones. Say what you would write on its label.",
    ),
    (
        Order("six-switch-bridge", "handheld", Setup(), Wish(plants=("pair",)), seed=15),
        "In twos: each works the sheet alone first, then you compare what you have crossed out and why.",
    ),
    (
        Order("full-bridge-welder", "handheld", Setup(), Wish(plants=("single",)), levels=(2, 3), seed=16),
        "From the school's own workshop. It is needed again tomorrow.",
    ),
    (
        Order("half-bridge-cooktop", "handheld", Setup(), Wish(plants=("setup",)), seed=17),
        "A sheet from last year's class, copied fair. Last year's answers were thrown away.",
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
        "Take your time; the sheet is longer than the others.",
    ),
    (
        Order("full-bridge-welder", "handheld", Setup(), Wish(plants=("pair",)), levels=(2, 3, 4, 5), seed=19),
        "Second afternoon, in twos: one reads the sheet aloud, the other draws where the current goes.",
    ),
    (
        Order("three-level-bridge", "handheld", Setup(), Wish(plants=("single",)), levels=(2, 3, 4, 5), seed=20),
        "For those who are done. Before you begin, draw the board from memory.",
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
