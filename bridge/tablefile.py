"""Tables of the trade kept as TOML, checked key by key: what is said to fail, what goes with a repair."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from bridge.errors import InputError, InputErrors
from bridge.textfile import parse_toml
from bridge.tomllines import Place, TomlLines

__all__ = ["parse_table"]

Table = TypeVar("Table")


def parse_table(text: str, source: str, kind: type[Table], problems_of: Callable[[Table], Sequence[str]]) -> Table:
    """Return the table a TOML text holds.

    Parameters
    ----------
    text : str
        The text.
    source : str
        Where it came from, for messages.
    kind : type
        What the table is made of: a pydantic dataclass.
    problems_of : callable
        Says in words what is wrong with a table whose keys and types are right.

    Raises
    ------
    InputError
        The text is not TOML.
    InputErrors
        Keys are unknown, missing or of the wrong type, or ``problems_of`` names something. All problems are listed.
    """
    file = Place(source, TomlLines(text))
    try:
        table = TypeAdapter(kind).validate_python(parse_toml(text, source))
    except ValidationError as error:
        raise InputErrors(
            [
                InputError(
                    f"{problem['msg']}, found {problem['input']!r:.60}",
                    where=str(file.at(*problem["loc"], words=_key(problem["loc"]))),
                )
                for problem in error.errors()
            ]
        ) from None
    problems = problems_of(table)
    if problems:
        raise InputErrors([InputError(problem, where=source) for problem in problems])
    return table


def _key(location: tuple[int | str, ...]) -> str:
    """A place in the table as a person counts: ``ratio.3.kinds`` is the third row's kinds."""
    return ".".join(str(step + 1) if isinstance(step, int) else step for step in location)
