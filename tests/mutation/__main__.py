"""Changes one operator, comparison or constant of a core module at a time and asks its quick tests.

``python -m tests.mutation --count 150 --seed 1`` works in a copy of the checkout and prints each change that no test of
the module minded. Some of them change no answer: a tolerance far from the edge, a name of an array's dimension.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.conftest import ROOT, process_environment

__all__ = ["TESTS", "Mutant", "mutants_of"]

SECONDS = 240.0  # a change may make a loop endless
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.Pow: ast.Mult, ast.FloorDiv: ast.Mult,
}  # fmt: skip

# core modules, and the quick tests that concern each
_SOLVER = ("tests/unit/test_solve.py", "tests/unit/test_laws.py", "tests/plain/test_circuits.py")
_METER = ("tests/unit/test_meter.py", "tests/unit/test_forecast.py", "tests/unit/test_dwell.py")
_RANKING = ("tests/unit/test_evidence.py", "tests/unit/test_groups.py", "tests/unit/test_faults.py")
TESTS: dict[str, tuple[str, ...]] = {
    "laws.py": ("tests/unit/test_laws.py", "tests/unit/test_solve.py"),
    "elimination.py": ("tests/unit/test_elimination.py", "tests/unit/test_solve.py"),
    "newton.py": _SOLVER,
    "solve.py": _SOLVER,
    "points.py": _SOLVER,
    "instants.py": (*_SOLVER, "tests/unit/test_forecast.py"),
    "transient.py": ("tests/unit/test_transient.py", "tests/unit/test_forecast.py"),
    "shots.py": (*_METER, "tests/unit/test_shots.py"),
    "meterprofile.py": (*_METER, "tests/unit/test_readings.py"),
    "meter.py": ("tests/unit/test_meter.py",),
    "dwell.py": (*_METER, "tests/unit/test_climbing.py"),
    "likelihood.py": (
        "tests/unit/test_likelihood.py",
        *_RANKING,
        "tests/unit/test_climbing.py",
        "tests/unit/test_rank.py",
    ),
    "groups.py": (*_RANKING, "tests/unit/test_rank.py"),
    "belief.py": (*_RANKING, "tests/unit/test_rank.py"),
    "fit.py": ("tests/unit/test_fit.py", *_RANKING, "tests/unit/test_rank.py"),
    "coupling.py": ("tests/unit/test_faults.py",),
}


@dataclass(frozen=True)
class Mutant:
    """A changed module.

    Parameters
    ----------
    module : str
        File in the package.
    line : int
        Line of the change.
    what : str
        The change, before and after.
    text : str
        The whole module after it.
    """

    module: str
    line: int
    what: str
    text: str


def _changed(node: ast.AST) -> ast.AST | None:
    """Return a node with one small change, None where there is nothing to change."""
    other = copy.deepcopy(node)
    if isinstance(other, ast.Compare) and type(other.ops[0]) in COMPARISONS:
        other.ops[0] = COMPARISONS[type(other.ops[0])]()
        return other
    if isinstance(other, ast.BinOp | ast.AugAssign) and type(other.op) in OPERATORS:
        other.op = OPERATORS[type(other.op)]()
        return other
    if isinstance(other, ast.UnaryOp) and isinstance(other.op, ast.USub | ast.Not | ast.Invert):
        return other.operand
    if isinstance(other, ast.BoolOp):
        other.op = ast.Or() if isinstance(other.op, ast.And) else ast.And()
        return other
    if isinstance(other, ast.Constant) and isinstance(other.value, bool):
        other.value = not other.value
        return other
    if isinstance(other, ast.Constant) and isinstance(other.value, int | float):
        # a factor of two is no rounding; zero and one are starts and ends
        other.value = {0: 1, 1: 2}.get(other.value, other.value * 2)
        return other
    return None


class _Exchange(ast.NodeTransformer):
    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def _places(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield every node of a program's statements; annotations and docstrings compute nothing."""
    for field, value in ast.iter_fields(tree):
        if field in ("annotation", "returns"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not (isinstance(child, ast.Assign) and _is_export(child)):
                yield child
                yield from _places(child)


def _is_export(node: ast.Assign) -> bool:
    return isinstance(node.targets[0], ast.Name) and node.targets[0].id == "__all__"


def mutants_of(module: str, text: str) -> Iterator[Mutant]:
    """Yield every changed module that one change at a time makes.

    Parameters
    ----------
    module : str
        File in the package.
    text : str
        Its content.
    """
    tree = ast.parse(text)
    for node in list(_places(tree)):
        new = _changed(node)
        if new is None:
            continue
        before = ast.unparse(node)
        ast.copy_location(new, node)
        changed = ast.unparse(ast.fix_missing_locations(_exchange(tree, node, new)))
        yield Mutant(module, getattr(node, "lineno", 0), f"{before}  ->  {ast.unparse(new)}", changed)


def _exchange(tree: ast.Module, old: ast.AST, new: ast.AST) -> ast.Module:
    marked = {id(node): number for number, node in enumerate(ast.walk(tree))}
    twin = copy.deepcopy(tree)
    place = list(ast.walk(twin))[marked[id(old)]]
    changed = _Exchange(place, new).visit(twin)
    assert isinstance(changed, ast.Module)
    return changed


def _minded(folder: Path, tests: Sequence[str]) -> bool:
    """Whether the tests fail, or take for ever."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", *tests],
        cwd=folder,
        env=process_environment({"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        return process.wait(SECONDS) != 0
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True


def main(arguments: Sequence[str] | None = None) -> int:
    """Try a sample of changes and print those nobody minded."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", choices=("", *TESTS), help="one module")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so long")
    options = parser.parse_args(arguments)
    modules = [options.only] if options.only else list(TESTS)
    texts = {name: (ROOT / "bridge" / name).read_text(encoding="utf-8") for name in modules}
    every = [mutant for name in modules for mutant in mutants_of(name, texts[name])]
    sample = random.Random(options.seed).sample(every, min(options.count, len(every)))
    start, tried, survived = time.monotonic(), 0, []
    with tempfile.TemporaryDirectory(prefix="mutation-") as name:
        folder = Path(name)
        for part in ("bridge", "topologies", "tests", "examples"):
            shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        for file in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
            shutil.copy(ROOT / file, folder / file)
        for mutant in sample:
            if time.monotonic() - start > 60.0 * options.minutes:
                break
            path = folder / "bridge" / mutant.module
            path.write_text(mutant.text, encoding="utf-8")
            tried += 1
            if not _minded(folder, TESTS[mutant.module]):
                survived.append(mutant)
                print(f"{mutant.module}:{mutant.line}: {mutant.what[:160]}", flush=True)
            path.write_text(texts[mutant.module], encoding="utf-8")
    print(f"{tried} of {len(every)} changes tried, {tried - len(survived)} noticed, {len(survived)} not")
    return 0


if __name__ == "__main__":
    sys.exit(main())
