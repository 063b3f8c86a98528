"""A person at a terminal: types when asked, reads what comes."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType

from tests.conftest import process_environment

ANSWER_WITHIN_S = 120.0  # a slow machine under load


class Terminal:
    """A command on a pseudo-terminal of 80 columns.

    Parameters
    ----------
    arguments : str
        What is typed after the command's name.
    folder : Path
        Where it runs.
    """

    def __init__(self, *arguments: str, folder: Path) -> None:
        self._master, slave = pty.openpty()
        environment = process_environment({"TERM": "dumb", "COLUMNS": "80", "LINES": "24"})
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge", *arguments],
            stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.screen = ""

    def until(self, *prompts: str) -> str:
        """Wait until the screen ends with one of some prompts, or the command has ended; return what came."""
        came = ""
        limit = time.monotonic() + ANSWER_WITHIN_S
        while time.monotonic() < limit:
            ready, _, _ = select.select([self._master], [], [], 0.5)
            if not ready:
                continue
            try:
                piece = os.read(self._master, 65536)
            except OSError:  # the other end is closed
                piece = b""
            if not piece:
                break
            came += piece.decode("utf-8", errors="replace").replace("\r\n", "\n")
            if came.endswith(prompts):
                break
        else:
            raise TimeoutError(f"no {prompts} within {ANSWER_WITHIN_S:g} s, but: {came[-500:]}")
        self.screen += came
        return came

    def type(self, line: str) -> None:
        """Type a line."""
        os.write(self._master, f"{line}\n".encode())

    def kill(self) -> None:
        """End the command as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def __enter__(self) -> Terminal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.kill()
        self.process.wait()
        with contextlib.suppress(OSError):
            os.close(self._master)
