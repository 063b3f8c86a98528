"""Throws rubbish at every input and counts what happens: ``python -m tests.abuse --count 200000 --seed 1``."""

from __future__ import annotations

import argparse
import collections
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.abuse.inputs import KINDS, MISSING, Kind, Rubbish
from tests.abuse.trial import LONGEST_ANSWER_S, LONGEST_S, Verdict, commands_built_once, run

__all__ = ["Tally", "abuse", "run_all"]

FULL_SHARE = 0.005  # of accepted files that are taken to an answer, which costs a hundred times as much


@dataclass
class Tally:
    """What came of many trials.

    Parameters
    ----------
    ends : counter
        How often a kind of input was ``refused``, ``accepted`` or ``answered``.
    slowest, slowest_answer : tuple of (float, str)
        Longest processor time of reading an input, and of answering [s], and its kind.
    problems : list of str
        Everything that went wrong, with what repeats it.
    """

    ends: collections.Counter[tuple[str, str]] = field(default_factory=collections.Counter)
    slowest: tuple[float, str] = (0.0, "")
    slowest_answer: tuple[float, str] = (0.0, "")
    problems: list[str] = field(default_factory=list)

    @property
    def trials(self) -> int:
        """Inputs tried."""
        return sum(count for (_kind, end), count in self.ends.items() if end != "answered")


def _try(kind: Kind, rubbish: Rubbish, arguments: Sequence[str], folder: Path, tally: Tally, label: str) -> Verdict:
    accepted = MISSING in arguments or "Q_UL:nothing" in arguments
    ranks = arguments in rubbish.full or not rubbish.must_name
    verdict = run(
        arguments,
        folder,
        must_name="" if accepted or arguments in rubbish.full else rubbish.must_name,
        longest_s=LONGEST_ANSWER_S if ranks else LONGEST_S,
    )
    problems = list(verdict.problems)
    if accepted and verdict.status == 2 and not _went_through(verdict) and rubbish.must_name not in verdict.err:
        problems.append(f"does not name {rubbish.must_name}")
    if arguments in rubbish.full and verdict.status == 2 and not any(name in verdict.err for name, _ in rubbish.files):
        problems.append("names no file")
    if ranks:
        tally.slowest_answer = max(tally.slowest_answer, (verdict.seconds, kind.name))
    else:
        tally.slowest = max(tally.slowest, (verdict.seconds, kind.name))
    if problems:
        told = f"{label} {' '.join(word[:80] for word in arguments)!r}: {', '.join(problems)}: {verdict.err[:300]!r}"
        tally.problems.append(told)
    return verdict


def _went_through(verdict: Verdict) -> bool:
    """Whether a command got as far as the file that is not there: what came before was accepted."""
    return verdict.status == 0 or MISSING in verdict.err or "'nothing'" in verdict.err


def abuse(kind: Kind, seed: str, folder: Path, tally: Tally, full_share: float = FULL_SHARE) -> None:
    """Make and run one trial.

    Parameters
    ----------
    kind : Kind
        Kind of input.
    seed : str
        What it is drawn from; the same seed gives the same trial.
    folder : Path
        An empty folder.
    tally : Tally
        Receives what comes of it.
    full_share : float
        Share of accepted files that are taken to an answer [1].
    """
    rng = random.Random(seed)
    rubbish = kind.make(rng)
    for name, data in rubbish.files:
        (folder / name).write_bytes(data)
    label = f"[{kind.name}, {seed}]"
    verdict = _try(kind, rubbish, rubbish.arguments, folder, tally, label)
    accepted = _went_through(verdict)
    tally.ends[kind.name, "accepted" if accepted else "refused"] += 1
    if accepted and rubbish.full and rng.random() < full_share:
        _try(kind, rubbish, rng.choice(rubbish.full), folder, tally, label)
        tally.ends[kind.name, "answered"] += 1
    for path in folder.iterdir():
        path.unlink()


def run_all(count: int, seed: int, only: str = "", full_share: float = FULL_SHARE, *, show: bool = False) -> Tally:
    """Run many trials.

    Parameters
    ----------
    count : int
        How many.
    seed : int
        What they are drawn from.
    only : str
        The one kind of input wanted; all of them where this is empty.
    full_share : float
        Share of accepted files that are taken to an answer [1].
    show : bool
        Whether to tell how far it is.
    """
    kinds = [kind for kind in KINDS if only in ("", kind.name)]
    chooser = random.Random(seed)
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="abuse-") as name, commands_built_once():
        for number in range(count):
            (kind,) = chooser.choices(kinds, [one.weight for one in kinds])
            known = len(tally.problems)
            abuse(kind, f"{seed}-{number}", Path(name), tally, full_share)
            for problem in tally.problems[known:] if show else ():
                print(problem, file=sys.stderr, flush=True)
            if show and number % 5000 == 4999:
                print(f"{number + 1} tried, {len(tally.problems)} problems", file=sys.stderr, flush=True)
    return tally


def main(arguments: Sequence[str] | None = None) -> int:
    """Run trials and print what came of them; the status is 1 where something went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", choices=("", *(kind.name for kind in KINDS)))
    parser.add_argument("--full-share", type=float, default=FULL_SHARE)
    options = parser.parse_args(arguments)
    start = time.process_time()
    tally = run_all(options.count, options.seed, options.only, options.full_share, show=True)
    for kind in KINDS:
        counts = [tally.ends[kind.name, end] for end in ("refused", "accepted", "answered")]
        if any(counts):
            print(f"{kind.name:15} {counts[0]:7} refused {counts[1]:7} accepted, {counts[2]:6} of them to an answer")
    print(
        f"{tally.trials} inputs, {len(tally.problems)} problems; "
        f"slowest {tally.slowest[0]:.2f} s ({tally.slowest[1]}), "
        f"to an answer {tally.slowest_answer[0]:.1f} s ({tally.slowest_answer[1]}); "
        f"{time.process_time() - start:.0f} s of processor time"
    )
    return 1 if tally.problems else 0


if __name__ == "__main__":
    sys.exit(main())
