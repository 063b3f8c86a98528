"""The command ``bridgefault``, also as ``python -m bridge``."""

from __future__ import annotations

import contextlib
import signal
import sys
import warnings
from collections.abc import Sequence

INTERRUPTED = 130  # what shells expect of a program that was stopped by Ctrl-C


def _end(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        What was typed after the command's name; ``sys.argv`` by default.

    Returns
    -------
    int
        0 answered, 2 the input is wrong, 1 the machine failed.
    """
    # told to end, it ends as after Ctrl-C: what it began is taken back, and no process of its own outlives it
    with contextlib.suppress(ValueError):  # called from a thread, it leaves signals alone
        signal.signal(signal.SIGTERM, _end)
    try:
        from bridge.cli import run

        if arguments is not None:
            return run(arguments)
        if not sys.warnoptions:
            warnings.simplefilter("ignore")  # for those who work on the program; python -W shows them
        return run(sys.argv[1:])
    except KeyboardInterrupt:
        return INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
