"""Data flows one way: who may import whom, and what stays out of where."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.conftest import ROOT, process_environment

PACKAGE = ROOT / "bridge"
MODULES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py") if path.name != "__init__.py")
MAP_LINE = re.compile(r"^- `([\w/]+\.py)`: \S.*$", re.MULTILINE)

# module, and what it must not reach, not even through others
KEPT_APART = {
    "board.py": ("meter.py", "circuit.py", "faults.py"),
    "meter.py": ("boardmodel.py", "circuit.py", "faults.py"),
    "solve.py": ("faults.py", "faulttable.py", "meter.py", "readings.py"),
    "transient.py": ("faults.py", "faulttable.py", "readings.py"),
    "predict.py": ("faults.py", "faulttable.py", "readings.py"),
    "groups.py": ("circuit.py", "board.py"),
    "readings.py": ("circuit.py", "solve.py", "faults.py"),
    "rank.py": ("rankingpage.py", "verdictwords.py", "payload.py", "layout.py", "cli.py"),
    "layout.py": ("board.py", "rank.py"),
}

# package, and the only modules that may import it
OUTSIDERS = {
    "typer": ("cli.py", "options.py", "commands/"),
    "rich": ("layout.py",),
    "schemdraw": ("schematic.py",),
    "jinja2": ("htmlpage.py",),
    "pydantic": ("boardfile.py", "puzzlefile.py", "tablefile.py", "faulttable.py", "repairtable.py"),
    "scipy": (),
    "pickle": (),
    "marshal": (),
    "shelve": (),
}


def map_of_modules() -> list[str]:
    """Return the modules in the order in which DEVELOPERS.md lists them."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return MAP_LINE.findall(text.partition("## Module map")[2].partition("\n## ")[0])


@cache
def imported(module: str) -> frozenset[str]:
    """Return dotted names of everything a module imports, wherever in it, also for type checking alone."""
    found = set()
    for node in ast.walk(ast.parse((PACKAGE / module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively"
            found.add(node.module or "")
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return frozenset(found)


def neighbours(module: str) -> Iterator[str]:
    """Return the modules of the package that a module imports."""
    names = {other.removesuffix(".py").replace("/", "."): other for other in MODULES}
    for name in imported(module):
        dotted = name.removeprefix("bridge.")
        if name.startswith("bridge.") and dotted in names:
            yield names[dotted]


def reached(module: str) -> set[str]:
    """Return every module that one imports, directly or through others."""
    found: set[str] = set()
    edge = [module]
    while edge:
        new = set(neighbours(edge.pop())) - found
        found |= new
        edge += new
    return found


def test_every_module_is_on_the_map() -> None:
    """DEVELOPERS.md lists each module of the package once, and no other."""
    assert sorted(map_of_modules()) == MODULES


@pytest.mark.parametrize("module", MODULES)
def test_modules_import_only_from_above(module: str) -> None:
    """A module imports only from lines above its own on the map."""
    order = map_of_modules()
    above = set(order[: order.index(module)]) if module in order else set()
    assert sorted(set(neighbours(module)) - above) == []


@pytest.mark.parametrize("module", KEPT_APART)
def test_what_is_kept_apart(module: str) -> None:
    """The board knows nothing of meters, the solver nothing of faults, and so on, not even through others."""
    for other in KEPT_APART[module]:
        assert (PACKAGE / other).exists()
    assert sorted(reached(module) & set(KEPT_APART[module])) == []


@pytest.mark.parametrize("package", OUTSIDERS)
def test_outside_packages_have_their_place(package: str) -> None:
    """The command line's library is imported by the command line alone, and so on; some are not imported at all."""
    users = [module for module in MODULES if package in {name.partition(".")[0] for name in imported(module)}]
    assert [module for module in users if not module.startswith(OUTSIDERS[package] or "-")] == []


def test_outside_packages_are_declared() -> None:
    """Everything imported is of the standard library, or a dependency that pyproject.toml declares."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[^\w-]", line)[0] for line in project["dependencies"]}
    used = {name.partition(".")[0] for module in MODULES for name in imported(module)}
    assert sorted(used - declared - set(sys.stdlib_module_names) - {"bridge"}) == []
    assert sorted(declared - used) == []


def test_no_evaluation_of_text() -> None:
    """No module evaluates text as a program: files come from strangers."""
    found = [
        f"{module}:{node.lineno}"
        for module in MODULES
        for node in ast.walk(ast.parse((PACKAGE / module).read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("eval", "exec", "compile")
    ]
    assert found == []


def test_the_front_door_is_light() -> None:
    """Importing the package loads none of its dependencies."""
    program = "import sys, bridge; print(*{name.partition('.')[0] for name in sys.modules})"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, env=process_environment(), check=True
    )
    assert {"numpy", "networkx", "pydantic", "typer", "rich"} & set(done.stdout.split()) == set()


def promises_of(path: Path) -> Iterator[tuple[str, str | None]]:
    """Return the tests of a file with their docstrings."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            yield node.name, ast.get_docstring(node)


@pytest.mark.parametrize("path", sorted((ROOT / "tests").rglob("test_*.py")), ids=lambda path: path.stem)
def test_every_test_has_its_sentence(path: Path) -> None:
    """The docstring of every test is one sentence: the behaviour it promises."""
    wordless = [name for name, docstring in promises_of(path) if not docstring or not docstring.rstrip().endswith(".")]
    assert wordless == []


@pytest.mark.parametrize("module", MODULES)
def test_modules_are_small(module: str) -> None:
    """A module has at most 600 lines: one idea each."""
    assert len((PACKAGE / module).read_text(encoding="utf-8").splitlines()) <= 600
