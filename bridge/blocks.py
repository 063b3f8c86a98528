"""Blocks: templates of parts and terminals that a board file uses instead of writing every part out."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from bridge.boardfile import BlockEntry, UseEntry, check_entry
from bridge.errors import InputError

__all__ = ["Expansion", "expand_uses"]

_PLACEHOLDER = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
_DEEPEST_NESTING = 8
_MOST_ENTRIES = 5000  # a slip in a nested `for` must not fill the memory

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


def _fill(value: Any, scope: Mapping[str, Any], where: str) -> Any:
    """Return a value with its placeholders replaced; a string that is one placeholder keeps the type."""
    if isinstance(value, str):
        whole = _PLACEHOLDER.fullmatch(value)
        names = _PLACEHOLDER.findall(value)
        for name in names:
            if name not in scope:
                raise InputError(
                    f"{value!r} asks for parameter {name!r}; known here are {', '.join(scope) or 'none'}",
                    where=where,
                )
        if whole:
            return scope[whole[1]]
        return _PLACEHOLDER.sub(lambda match: str(scope[match[1]]), value)
    if isinstance(value, list):
        return [_fill(item, scope, where) for item in value]
    if isinstance(value, dict):
        return {key: _fill(item, scope, where) for key, item in value.items()}
    return value


def _rounds(use: UseEntry, where: str) -> Iterator[dict[str, Any]]:
    """Yield the parameters of each repetition: the lists of ``for`` run in step."""
    lists = use.repeat
    for name, values in lists.items():
        if not isinstance(values, list) or not values:
            raise InputError(
                f"found {values!r}; accepted is a list that is not empty", where=f"{where}, for.{name}"
            )
    lengths = {len(values) for values in lists.values()}
    if len(lengths) > 1:
        raise InputError(f"the lists of one `for` run in step, found lengths {sorted(lengths)}", where=where)
    for index in range(lengths.pop() if lengths else 1):
        yield {name: values[index] for name, values in lists.items()}


def _scope(name: str, block: BlockEntry, given: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return every parameter of a block: those given, then the defaults, which may build on earlier ones."""
    known = [*block.required, *block.default]
    for parameter in given:
        if parameter not in known:
            raise InputError(
                f"block {name!r} has no parameter {parameter!r}; it takes {', '.join(known) or 'none'}",
                where=where,
            )
    missing = [parameter for parameter in block.required if parameter not in given]
    if missing:
        raise InputError(f"block {name!r} needs {', '.join(missing)}", where=where)
    scope = {parameter: given[parameter] for parameter in known if parameter in given}
    for parameter, value in block.default.items():
        if parameter not in scope:
            scope[parameter] = _fill(value, scope, f"{where}, default {parameter} of block {name!r}")
    return scope


def _expand_use(
    table: Table, blocks: Mapping[str, BlockEntry], where: str, outer_label: str, trail: tuple[str, ...]
) -> Expansion:
    problems: list[InputError] = []
    use = check_entry(UseEntry, table, where, problems)
    if use is None:
        raise problems[0]
    name = use.block
    where = f"{where} ({name})"
    if name not in blocks:
        raise InputError(f"unknown block {name!r}; there are {', '.join(sorted(blocks))}", where=where)
    if name in trail or len(trail) >= _DEEPEST_NESTING:
        raise InputError(f"blocks nest too deep: {' > '.join([*trail, name])}", where=where)
    block = blocks[name]
    result = Expansion([], [])
    for given in _rounds(use, where):
        scope = _scope(name, block, {**(use.model_extra or {}), **given}, where)
        own_label = use.label or block.label
        label = outer_label or (str(_fill(own_label, scope, where)) if own_label else "")
        result.parts += [(label or name, _fill(dict(part), scope, where)) for part in block.part]
        result.terminals += [
            (label or name, _fill(dict(terminal), scope, where)) for terminal in block.terminal
        ]
        for inner in block.use:
            result.add(_expand_use(_fill(inner, scope, where), blocks, where, label, (*trail, name)))
        if len(result) > _MOST_ENTRIES:
            raise InputError(f"more than {_MOST_ENTRIES} parts and terminals", where=where)
    return _omit(result, use.omit, where)


def _omit(expansion: Expansion, patterns: Sequence[str], where: str) -> Expansion:
    """Return the expansion without what the patterns name; each must match something."""
    names = [table.get("ref") for _, table in expansion.parts] + [
        t.get("name") for _, t in expansion.terminals
    ]
    for pattern in patterns:
        if not any(fnmatchcase(str(name), pattern) for name in names):
            raise InputError(
                f"omit pattern {pattern!r} matches no part or terminal of the block", where=where
            )

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
    for number, table in enumerate(uses, start=1):
        try:
            result.add(_expand_use(table, blocks, f"{source}, use {number}", "", ()))
        except InputError as error:
            problems.append(error)
    return result
