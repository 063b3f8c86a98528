"""A bench session on a terminal, over a slow link, or fed from a pipe."""

from __future__ import annotations

import sys
from typing import TextIO

from bridge.benchsession import Answer, BenchSession
from bridge.errors import InputError
from bridge.layout import write_text
from bridge.narrow import narrow_lines
from bridge.sessionfile import SessionFile

__all__ = ["read_line", "run_session"]

LONGEST_LINE = 4000


def run_session(session: BenchSession, file: SessionFile) -> None:
    """Talk until the session is over; every accepted line is on disk before the next prompt.

    Parameters
    ----------
    session : BenchSession
        The session.
    file : SessionFile
        Its file, open.

    Raises
    ------
    InputError
        The board holds a dangerous charge, or standard input is closed.
    OSError
        The disk or the terminal takes no more.
    """
    if sys.stdin is None:
        raise InputError("closed; a session needs somebody to type", where="standard input")
    answer = session.begin()
    try:
        while True:
            if answer.record:
                file.append(answer.record)
            _show(answer)
            if answer.more:
                answer = session.consider()
                continue
            if answer.done:
                break
            write_text(answer.prompt)
            line = read_line(sys.stdin)
            if not sys.stdin.isatty():
                write_text("\n")  # what was read was not echoed
            answer = session.hear(line if line is not None else "stop")
    except KeyboardInterrupt:
        write_text("\nStopped.\n")
    if answer.refused:
        raise InputError(f"{answer.refused}", where="bench")
    if not file.size:
        return
    kept = f"Kept in {file.path}: bench with the same file goes on; rank and next read it, too."
    write_text("\n".join((*narrow_lines([kept]), "")))


def _show(answer: Answer) -> None:
    if answer.lines:
        write_text("\n".join((*answer.lines, "")))


def read_line(stream: TextIO) -> str | None:
    """Return a line without its end; None at the end of the input. What is no text is shown as such.

    Parameters
    ----------
    stream : TextIO
        Where the line comes from.
    """
    source = getattr(stream, "buffer", None)
    if source is None:
        line = stream.readline(LONGEST_LINE)
    else:
        line = source.readline(LONGEST_LINE).decode("utf-8", errors="replace")
    return line.strip("\r\n") if line else None
