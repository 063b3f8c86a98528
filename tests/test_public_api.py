"""What others may rely on: public names, and docstrings that say what each parameter is."""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.test_layering import MODULES

# the door for programs and notebooks; a name leaves only with a line in CHANGELOG.md
RELIED_ON = {
    "bridge.board": {"Board", "Part", "Terminal", "list_boards", "load_board", "oddities", "parse_board"},
    "bridge.errors": {"BridgeError", "InputError", "InputErrors", "MachineError"},
    "bridge.faults": {"Fault", "describe_fault", "list_faults", "parse_fault"},
    "bridge.forecast": {"Forecast", "default_probings", "forecast"},
    "bridge.meter": {"MeterProfile", "list_meters", "load_meter", "parse_meter"},
    "bridge.probing": {"Hold", "Probing", "Setup"},
    "bridge.rank": {"Candidate", "Fit", "Group", "Ranking", "rank"},
    "bridge.readings": {"Reading", "ReadingSet", "load_probings", "load_readings", "parse_reading", "parse_readings"},
}

LIBRARY = [name for name in MODULES if not name.startswith(("commands/", "__main__"))]


def module_of(path: str) -> Any:
    """Return an imported module by its path in the package."""
    return importlib.import_module("bridge." + path.removesuffix(".py").replace("/", "."))


def documented() -> Iterator[tuple[str, Any]]:
    """Return every public function, class and method with its full name."""
    for path in LIBRARY:
        module = module_of(path)
        for name in module.__all__:
            thing = getattr(module, name)
            if getattr(thing, "__module__", None) != module.__name__ or not callable(thing):
                continue
            yield f"{module.__name__}.{name}", thing
            if inspect.isclass(thing):
                for inner, method in vars(thing).items():
                    if inspect.isfunction(method) and not inner.startswith("_"):
                        yield f"{module.__name__}.{name}.{inner}", method


def parameters_in(docstring: str) -> list[str]:
    """Return the names a numpydoc section Parameters lists; empty where there is no such section."""
    match = re.search(r"^Parameters\n-+\n(.*?)(?=^\S[^\n]*\n-+\n|\Z)", docstring, re.MULTILINE | re.DOTALL)
    if match is None:
        return []
    heads = re.findall(r"^(\S[^\n:]*?)(?: : [^\n]*)?$", match[1], re.MULTILINE)
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


@pytest.mark.parametrize("module", RELIED_ON)
def test_names_others_rely_on_are_there(module: str) -> None:
    """The names programs rely on are public, and documented where they stand."""
    found = importlib.import_module(module)
    assert sorted(RELIED_ON[module] - set(found.__all__)) == []
    assert all(inspect.getdoc(getattr(found, name)) for name in RELIED_ON[module])


@pytest.mark.parametrize("path", LIBRARY)
def test_public_names_exist(path: str) -> None:
    """Every module says in ``__all__`` what is public, once and in order, and has it."""
    module = module_of(path)
    assert len(set(module.__all__)) == len(module.__all__)
    assert [name for name in module.__all__ if not hasattr(module, name)] == []


@pytest.mark.parametrize(("name", "thing"), list(documented()), ids=[name for name, _ in documented()])
def test_docstrings_name_the_parameters(name: str, thing: Any) -> None:
    """A docstring that describes parameters describes all of a function's, or only those a class has."""
    listed = set(parameters_in(inspect.getdoc(thing) or ""))
    if not listed:
        return
    taken = set(inspect.signature(thing).parameters) - {"self", "cls"}
    if inspect.isclass(thing):  # a table with obvious columns need not describe each
        assert listed <= taken | set(vars(thing)), name
    else:
        assert listed == taken, name


def test_the_reader_of_docstrings_reads() -> None:
    """The names are found in a docstring with a shared line, a default and a section after it."""
    docstring = (
        "Do.\n\nParameters\n----------\na, b : float\n    Two [V].\nc\n    Last.\n\nRaises\n------\nInputError\n    No."
    )
    assert parameters_in(docstring) == ["a", "b", "c"]
