"""Blocks: templates of parts and terminals that a board file uses instead of writing every part out."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from bridge.boardfile import BlockEntry, UseEntry, check_entry, shown, shown_key
from bridge.errors import InputError

__all__ = ["Expansion", "expand_uses"]

_PLACEHOLDER = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
_DEEPEST_NESTING = 8
_MOST_ENTRIES = 5000  # a slip in a nested `for` must not fill the memory
_LONGEST_TEXT = 4000

Table = Mapping[str, Any]


@dataclass(slots=True)
class Expansion:
    """Parts and terminals written out, each with the label of the block it came from.

    Parameters
    ----------
    parts, terminals : list of (str, mapping)
        Label of the outermost labelled block, and the table as a board file would hold it.
    """

    parts: list[tuple[str, Table]]
    terminals: list[tuple[str, Table]]

    def add(self, other: Expansion) -> None:
        """Append another expansion."""
        self.parts += other.parts
        self.terminals += other.terminals

    def __len__(self) -> int:
        """Return how many parts and terminals there are."""
        return len(self.parts) + len(self.terminals)


class _Expander:
    """Writes uses out; knows the blocks there are and how much has been written."""

    def __init__(self, blocks: Mapping[str, BlockEntry]) -> None:
        self.blocks = blocks
        self.rounds = 0

    def expand(self, table: Table, where: str, outer_label: str = "", trail: tuple[str, ...] = ()) -> Expansion:
        """Return what one use stands for; the first problem is raised."""
        use = _checked_use(table, where)
        name = use.block
        where = f"{where} ({shown_key(name)})"
        if name not in self.blocks:
            accepted = ", ".join(sorted(self.blocks))
            raise InputError(f"unknown block {shown(name)}; there are {accepted}", where=where)
        if name in trail or len(trail) >= _DEEPEST_NESTING:
            nesting = " > ".join(shown_key(step) for step in (*trail, name))
            raise InputError(f"blocks nest too deep: {nesting}", where=where)
        block = self.blocks[name]
        result = Expansion([], [])
        for given in _rounds(use, where):
            scope = _scope(name, block, {**(use.model_extra or {}), **given}, where)
            own_label = use.label or block.label or name
            label = outer_label or str(_fill(own_label, scope, where))
            result.parts += [(label, _fill(part, scope, where)) for part in block.part]
            result.terminals += [(label, _fill(terminal, scope, where)) for terminal in block.terminal]
            for inner in block.use:
                result.add(self.expand(_fill(inner, scope, where), where, label, (*trail, name)))
            self.rounds += 1
            if len(result) > _MOST_ENTRIES or self.rounds > _MOST_ENTRIES:
                raise InputError(f"the blocks write more than {_MOST_ENTRIES} parts", where=where)
        return _omit(result, use.omit, where)


def _checked_use(table: Table, where: str) -> UseEntry:
    problems: list[InputError] = []
    use = check_entry(UseEntry, table, where, problems)
    if use is None:
        raise problems[0]
    return use


def _fill(value: Any, scope: Mapping[str, Any], where: str) -> Any:
    """Return a value with its placeholders replaced; a string that is one placeholder keeps the type."""
    if isinstance(value, list):
        return [_fill(item, scope, where) for item in value]
    if isinstance(value, dict):
        return {key: _fill(item, scope, where) for key, item in value.items()}
    if not isinstance(value, str):
        return value
    for name in _PLACEHOLDER.findall(value):
        if name not in scope:
            known = ", ".join(map(shown_key, scope)) or "none"
            raise InputError(
                f"{shown(value)} asks for parameter {shown_key(name)}; known here are {known}", where=where
            )
    if whole := _PLACEHOLDER.fullmatch(value):
        return scope[whole[1]]
    text = _PLACEHOLDER.sub(lambda match: _as_text(scope[match[1]], match[1], where), value)
    if len(text) > _LONGEST_TEXT:
        raise InputError(f"{shown(value)} becomes longer than {_LONGEST_TEXT} characters", where=where)
    return text


def _as_text(value: Any, name: str, where: str) -> str:
    """Return a parameter as it stands within a string."""
    if isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return shown(value)
    raise InputError(
        f"parameter {name} is {shown(value)}; accepted within a string is a string or a number", where=where
    )


def _rounds(use: UseEntry, where: str) -> Iterator[dict[str, Any]]:
    """Yield the parameters of each repetition: the lists of ``for`` run in step."""
    lists = use.repeat
    for name, values in lists.items():
        if not isinstance(values, list) or not values:
            found = "an empty list" if values == [] else shown(values)
            raise InputError(f"found {found}; accepted is a list", where=f"{where}, key for.{shown_key(name)}")
    lengths = sorted({len(values) for values in lists.values()})
    if len(lengths) > 1:
        found = ", ".join(map(str, lengths))
        raise InputError(f"found lengths {found}; the lists of one `for` run in step", where=f"{where}, key for")
    for index in range(lengths[0] if lengths else 1):
        yield {name: values[index] for name, values in lists.items()}


def _scope(name: str, block: BlockEntry, given: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return every parameter of a block: those given, then the defaults, which may build on earlier ones."""
    known = list(dict.fromkeys([*block.required, *block.default]))
    listed = ", ".join(map(shown_key, known)) or "none"
    for parameter in given:
        if parameter not in known:
            raise InputError(
                f"block {shown_key(name)} has no such parameter; it takes {listed}",
                where=f"{where}, key {shown_key(parameter)}",
            )
    missing = [shown_key(parameter) for parameter in block.required if parameter not in given]
    if missing:
        raise InputError(f"block {shown_key(name)} needs {', '.join(missing)} as well", where=where)
    scope = {parameter: given[parameter] for parameter in known if parameter in given}
    for parameter, value in block.default.items():
        if parameter not in scope:
            scope[parameter] = _fill(value, scope, f"{where}, default of {shown_key(parameter)}")
    return scope


def _omit(expansion: Expansion, patterns: Sequence[str], where: str) -> Expansion:
    """Return the expansion without what the patterns name; each must match something."""
    names = [table.get("ref") for _, table in expansion.parts] + [t.get("name") for _, t in expansion.terminals]
    for pattern in patterns:
        if not any(fnmatchcase(str(name), pattern) for name in names):
            raise InputError(f"{shown(pattern)} matches no part or terminal here", where=f"{where}, key omit")

    def stays(name: object) -> bool:
        return not any(fnmatchcase(str(name), pattern) for pattern in patterns)

    return Expansion(
        [entry for entry in expansion.parts if stays(entry[1].get("ref"))],
        [entry for entry in expansion.terminals if stays(entry[1].get("name"))],
    )


def expand_uses(
    uses: Sequence[Table], blocks: Mapping[str, BlockEntry], source: str, problems: list[InputError]
) -> Expansion:
    """Return the parts and terminals that the ``[[use]]`` entries of a board stand for.

    Parameters
    ----------
    uses : sequence of mapping
        The entries as read from TOML.
    blocks : mapping of str to BlockEntry
        Every block the board may use.
    source : str
        File, for the messages.
    problems : list of InputError
        Receives the first problem of each use.
    """
    result = Expansion([], [])
    expander = _Expander(blocks)
    for number, table in enumerate(uses, start=1):
        try:
            result.add(expander.expand(table, f"{source}, use {number}"))
        except InputError as error:
            problems.append(error)
    return result
