"""Kills bench sessions at random instants and counts their readings: ``python -m tests.bench.killed --times 200``.

Each session is a child of this process, which has loaded the program already: so that a kill falls into the session
itself and not into the loading, and 200 of them take minutes.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import os
import random
import select
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import bridge.benchresume
import bridge.benchshell  # noqa: F401 - loaded before the first child is made
from bridge import benchsession
from bridge.__main__ import main
from bridge.advise import before_any_reading, suggest_readings
from bridge.board import load_board
from bridge.makesafe import safe_points
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.readings import load_readings

BOARD = "drive-module"
OPTIONS = ("--meter", "handheld", "--reach", "lift", "--discharged", "--seen", "dead", "--certain", "0.999999")
READING_PROMPTS = (benchsession.PROMPT, benchsession.END_PROMPT)
PROMPTS = ("volts? ", *READING_PROMPTS)
LONGEST_WAIT_S = 300.0


@dataclass
class Session:
    """A child that runs a session, and what it has written."""

    child: int
    keys: int
    screen: int
    text: str = ""

    @classmethod
    def start(cls, file: Path) -> Session:
        """Start a session on a file."""
        from_keys, keys = os.pipe()
        screen, to_screen = os.pipe()
        child = os.fork()
        if child == 0:
            for handle, number in ((from_keys, 0), (to_screen, 1)):
                os.dup2(handle, number)
            for handle in (from_keys, keys, screen, to_screen):
                os.close(handle)
            sys.stdin = open(0, encoding="utf-8")  # noqa: SIM115 - for as long as the child lives
            sys.stdout = open(1, "w", encoding="utf-8")  # noqa: SIM115
            os._exit(main(["bench", BOARD, *OPTIONS, "--file", str(file)]))
        os.close(from_keys)
        os.close(to_screen)
        return cls(child, keys, screen)

    def wait(self, until: float) -> bool:
        """Read until a prompt stands there; False when a moment comes first."""
        while True:
            left = until - time.monotonic()
            if left <= 0.0:
                return False
            ready, _, _ = select.select([self.screen], [], [], left)
            if not ready:
                return False
            piece = os.read(self.screen, 65536).decode("utf-8", errors="replace")
            if not piece:
                raise RuntimeError(f"the session ended by itself: {self.text[-400:]}")
            self.text += piece
            if self.text.endswith(PROMPTS):
                return True

    def type(self, line: str) -> None:
        """Type a line and forget what was on the screen."""
        self.text = ""
        os.write(self.keys, f"{line}\n".encode())

    def kill(self) -> None:
        """Kill it as a power cut would."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.child, signal.SIGKILL)
        os.waitpid(self.child, 0)
        os.close(self.keys)
        os.close(self.screen)


def script(rng: random.Random) -> list[str]:
    """Return readings of a good module in some order, no two alike, so that a doubled one shows."""
    lines = [f"N{leg} {leg} 0.4{rng.randint(10, 20)}" for leg in "UVW"]
    lines += [f"{leg} P 0.4{rng.randint(21, 30)}" for leg in "UVW"]
    lines += [f"{leg} N{leg} OL" for leg in "UVW"] + [f"P {leg} OL" for leg in "UVW"]
    rng.shuffle(lines)
    return lines


def stands(file: Path) -> list[str]:
    """Return the readings a file holds, as any other command reads them."""
    if not file.exists() or not file.read_bytes().strip():
        return []
    found = load_readings(str(file), load_board(BOARD), allow_none=True)
    return [f"{one.probing.red} {one.probing.black} {one.text}" for one in found]


def moment(rng: random.Random, typical_s: float) -> float:
    """Return when to kill after a line was typed [s]: half of the time while it is being written."""
    return rng.uniform(0.0, 0.01) if rng.random() < 0.5 else rng.uniform(0.0, 1.2 * typical_s)


def kill_sessions(times: int, seed: int, folder: Path) -> tuple[int, list[str]]:
    """Kill sessions so many times.

    Returns
    -------
    accepted : int
        Readings that were accepted: a prompt came after them.
    problems : list of str
        Every accepted reading that was lost, doubled or changed.
    """
    rng = random.Random(seed)
    problems: list[str] = []
    kills = accepted_ever = number = 0
    typical_s = 0.3
    while kills < times:
        number += 1
        file = folder / f"{number}.jsonl"
        wanted, accepted = script(rng), []
        while len(accepted) < len(wanted) and kills < times:
            session = Session.start(file)
            doomed_after = rng.randint(0, 3)  # lines that go well before the one it is killed at
            lines = 0
            typed: str | None = None
            killed = False
            while True:
                until = time.monotonic() + LONGEST_WAIT_S
                if lines > doomed_after:
                    until = time.monotonic() + moment(rng, typical_s)
                before = time.monotonic()
                if not session.wait(until):
                    if lines <= doomed_after:
                        raise TimeoutError(f"no prompt: {session.text[-400:]}")
                    killed = True
                    break
                typical_s = 0.9 * typical_s + 0.1 * (time.monotonic() - before)
                if not session.text.endswith(READING_PROMPTS):
                    typed = None  # after a verdict the bus is asked for before a reading is taken
                if typed is not None:
                    accepted.append(typed)  # a prompt came after it: that is a promise
                    typed = None
                    lines += 1
                if session.text.endswith(READING_PROMPTS):
                    if len(accepted) == len(wanted):
                        break
                    typed = wanted[len(accepted)]
                    session.type(typed)
                else:
                    session.type("0.02")
            session.kill()
            kills += killed
            found = stands(file)
            possible = accepted if typed is None else [*accepted, typed]
            if found not in (accepted, possible):
                problems.append(f"{file.name}: promised {accepted}, perhaps {typed}, found {found}")
            if typed is not None and found == possible:
                accepted.append(typed)  # it reached the disk before the kill: a person sees it in the list
        accepted_ever += len(accepted)
        if len(accepted) == len(wanted) and stands(file) != wanted:
            problems.append(f"{file.name}: a whole session gives {stands(file)}")
    return accepted_ever, problems


def stand_in_for_ranking() -> None:
    """Let sessions take a ranking made once for whatever they have read."""
    board, meter = load_board(BOARD), load_meter()
    blank = before_any_reading(board, meter, Setup())
    advice = suggest_readings(blank, 1)
    benchsession.rank = lambda *_, **__: dataclasses.replace(blank, readings=())  # type: ignore[assignment]
    benchsession.suggest_readings = lambda *_, **__: advice  # type: ignore[assignment]
    benchsession.before_any_reading = lambda *_, **__: blank  # type: ignore[assignment]


def run(arguments: Sequence[str] | None = None) -> int:
    """Kill sessions and say what came of it; the status is 1 where a reading was lost or doubled."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--light", action="store_true")
    options = parser.parse_args(arguments)
    if options.light:
        stand_in_for_ranking()
    assert len(safe_points(load_board(BOARD))) == 0  # one question about charge, whatever the board holds
    with tempfile.TemporaryDirectory(prefix="killed-") as folder:
        accepted, problems = kill_sessions(options.times, options.seed, Path(folder))
    for problem in problems:
        print(problem)
    print(f"{options.times} kills, {accepted} accepted readings, {len(problems)} lost, doubled or changed")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(run())
