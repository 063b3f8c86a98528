"""Copies of the package to try a recipe of DEVELOPERS.md in, and the texts of the recipes."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.conftest import ROOT, Outcome, process_environment

__all__ = ["Copy", "Hunk", "hunks", "recipe"]


def recipe(heading: str) -> str:
    """Return the code block under a heading of DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    (block,) = re.findall(r"^```toml\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    return str(block)


@dataclass(frozen=True)
class Hunk:
    """One piece of a change.

    Parameters
    ----------
    file : str
        File of the checkout.
    old, new : str
        What stands there, and what takes its place.
    added, after : str
        Of a piece that only adds: the lines it adds, and what stands after them; else empty.
    """

    file: str
    old: str
    new: str
    added: str = ""
    after: str = ""

    def __str__(self) -> str:
        return f"{self.file}: {self.new.strip().splitlines()[0]}"

    def applied(self, text: str) -> str:
        """Return a text with this piece in it; where something new stands in front, what comes after is the place."""
        if text.count(self.old) == 1:
            return text.replace(self.old, self.new)
        assert self.after, f"{self}: the recipe no longer fits {self.file}; renew it"
        assert text.count(self.after) == 1, f"{self}: the recipe no longer fits {self.file}; renew it"
        return text.replace(self.after, self.added + self.after)


def hunks(path: Path) -> list[Hunk]:
    """Return the pieces of a unified diff; line numbers do not matter, what stands around them does."""
    found: list[Hunk] = []
    file, lines = "", list[str]()
    for line in [*path.read_text(encoding="utf-8").splitlines(keepends=True), "@@ end\n"]:
        if line.startswith(("--- ", "+++ ", "@@")):
            if lines:
                found.append(_hunk(file, lines))
                lines = []
            if line.startswith("+++ "):
                file = line.removeprefix("+++ b/").strip()
        else:
            lines.append(line)
    return found


def _hunk(file: str, lines: Sequence[str]) -> Hunk:
    signs = "".join(line[0] for line in lines)
    old, new = ("".join(line[1:] for line in lines if line[0] != sign) for sign in "+-")
    only_adds = re.fullmatch(r" *(\++)( +)", signs)
    if only_adds is None:
        return Hunk(file, old, new)
    added, after = ("".join(line[1:] for line in lines[slice(*only_adds.span(group))]) for group in (1, 2))
    return Hunk(file, old, new, added, after)


class Copy:
    """A copy of the package and its boards.

    Parameters
    ----------
    folder : Path
        Where it is made.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("bridge", "topologies"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        self.elsewhere = folder / "elsewhere"
        self.elsewhere.mkdir()

    def write(self, name: str, text: str) -> None:
        """Write a file into the copy."""
        (self.folder / name).write_text(text, encoding="utf-8")

    def change(self, hunk: Hunk) -> None:
        """Make one piece of a change; the place it belongs to has to be there, once."""
        path = self.folder / hunk.file
        text = path.read_text(encoding="utf-8")
        path.write_text(hunk.applied(text), encoding="utf-8")

    def run(self, *arguments: str) -> Outcome:
        """Run a command of the copy, in a folder beside it."""
        done = subprocess.run(
            [sys.executable, "-m", "bridge", *arguments],
            cwd=self.elsewhere,
            env=process_environment({"PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1"}),
            capture_output=True,
            encoding="utf-8",
            timeout=120,
            check=False,
        )
        return Outcome(done.returncode, done.stdout, done.stderr)
