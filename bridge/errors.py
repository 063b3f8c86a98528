"""What can go wrong, named after whose turn it is to act.

BridgeError
├── InputError (ValueError)     the input is wrong: exit status 2
│   └── InputErrors             several problems of one file at once
└── MachineError (OSError)      the machine failed: exit status 1
"""

from __future__ import annotations

from collections.abc import Sequence

MOST_SHOWN = 10  # problems told at once: who has mended ten runs it again

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
    """Several problems of one file at once; the message tells of the first ten and counts the others.

    Parameters
    ----------
    errors : sequence of InputError
        At least one problem, in the order they were found.
    """

    def __init__(self, errors: Sequence[InputError]) -> None:
        self.errors = tuple(errors)
        more = len(self.errors) - MOST_SHOWN
        told = [str(error) for error in self.errors[:MOST_SHOWN]]
        super().__init__("; ".join([*told, f"{more} more problems"] if more > 0 else told))


class MachineError(BridgeError, OSError):
    """The machine failed: a full disk, a folder that cannot be written."""
