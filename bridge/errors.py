"""What can go wrong, named after whose turn it is to act.

BridgeError
├── InputError (ValueError)     the input is wrong: exit status 2
│   └── InputErrors             several problems of one file at once
└── MachineError (OSError)      the machine failed: exit status 1
"""

from __future__ import annotations

from collections.abc import Sequence

MOST_SHOWN = 10  # problems told at once: who has mended ten runs it again
LONGEST_REPEATED = 40  # signs; a problem that lists what is accepted is longer
LONGEST_TOLD = 2000  # signs; a problem that lists what is accepted may take several hundred

__all__ = ["BridgeError", "InputError", "InputErrors", "MachineError"]


class BridgeError(Exception):
    """Root of every error this package raises on purpose."""


class InputError(BridgeError, ValueError):
    """The input is wrong: says where, what was found and what is accepted.

    Parameters
    ----------
    problem : str
        What was found and what is accepted, one line.
    where : str
        File, line or key the problem was found at; empty if there is none.
    """

    def __init__(self, problem: str, *, where: str = "") -> None:
        self.problem = problem
        self.where = where
        super().__init__(f"{where}: {problem}" if where else problem)


class InputErrors(InputError):
    """Several problems of one file at once; the message tells of the first ten or fewer and counts the others.

    What was said at length of one place is not said again of the next: there it reads "the same".

    Parameters
    ----------
    errors : sequence of InputError
        At least one problem, in the order they were found.
    """

    def __init__(self, errors: Sequence[InputError]) -> None:
        self.errors = tuple(errors)
        told: list[str] = []
        said: set[str] = set()
        for error in self.errors[:MOST_SHOWN]:
            again = error.where and error.problem in said and len(error.problem) > LONGEST_REPEATED
            text = f"{error.where}: the same" if again else str(error)
            if told and len("; ".join(told)) + len(text) > LONGEST_TOLD:
                break
            told.append(text)
            said.add(error.problem)
        more = len(self.errors) - len(told)
        super().__init__("; ".join([*told, f"{more} more problems"] if more else told))


class MachineError(BridgeError, OSError):
    """The machine failed: a full disk, a folder that cannot be written."""
