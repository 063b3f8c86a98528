"""Blocks: templates of parts and terminals that a board file uses instead of writing every part out."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from bridge.boardfile import BlockEntry, UseEntry, check_entry, shown, shown_key
from bridge.errors import InputError
from bridge.tomllines import Place

__all__ = ["Expansion", "Written", "expand_uses"]

_PLACEHOLDER = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
_DEEPEST_NESTING = 8
_MOST_ENTRIES = 5000  # a slip in a nested `for` must not fill the memory
_LONGEST_TEXT = 4000

Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Written:
    """A part or a terminal as a board file holds it, or as a block writes it.

    Parameters
    ----------
    block : str
        Label of the outermost labelled block it came from.
    table : mapping
        Its keys and values.
    place : Place
        Where it stands, or where the block is used.
    number : int
        Its number there, from 1: what it is called while it has no name.
    """

    block: str
    table: Table
    place: Place
    number: int


@dataclass(slots=True)
class Expansion:
    """Parts and terminals written out.

    Parameters
    ----------
    parts, terminals : list of Written
        Each with the label of the block it came from.
    """

    parts: list[Written]
    terminals: list[Written]

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

    def expand(self, table: Table, where: Place, outer_label: str = "", trail: tuple[str, ...] = ()) -> Expansion:
        """Return what one use stands for; the first problem is raised."""
        use = _checked_use(table, where)
        name = use.block
        where = where.with_note(f"({shown_key(name)})")
        inside = where.of_what_it_writes()
        if name not in self.blocks:
            accepted = ", ".join(sorted(self.blocks))
            place = where.at("block", words="")
            raise InputError(f"unknown block {shown(name)}; there are {accepted}", where=str(place))
        if name in trail or len(trail) >= _DEEPEST_NESTING:
            nesting = " > ".join(shown_key(step) for step in (*trail, name))
            raise InputError(f"blocks nest too deep: {nesting}", where=str(where))
        block = self.blocks[name]
        result = Expansion([], [])
        for given in _rounds(use, where):
            scope = _scope(name, block, {**(use.model_extra or {}), **given}, where)
            own_label = use.label or block.label or name
            label = outer_label or str(_fill(own_label, scope, where))
            for tables, written in ((block.part, result.parts), (block.terminal, result.terminals)):
                filled = [_fill(table, scope, where) for table in tables]
                written += [Written(label, one, inside, number) for number, one in enumerate(filled, start=1)]
            for inner in block.use:
                result.add(self.expand(_fill(inner, scope, where), inside, label, (*trail, name)))
            self.rounds += 1
            if len(result) > _MOST_ENTRIES or self.rounds > _MOST_ENTRIES:
                raise InputError(f"the blocks write more than {_MOST_ENTRIES} parts", where=str(where))
        return _omit(result, use.omit, where)


def _checked_use(table: Table, where: Place) -> UseEntry:
    problems: list[InputError] = []
    use = check_entry(UseEntry, table, where, problems)
    if use is None:
        raise problems[0]
    return use


def _fill(value: Any, scope: Mapping[str, Any], where: Place) -> Any:
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
                f"{shown(value)} asks for parameter {shown_key(name)}; known here are {known}", where=str(where)
            )
    if whole := _PLACEHOLDER.fullmatch(value):
        return scope[whole[1]]
    text = _PLACEHOLDER.sub(lambda match: _as_text(scope[match[1]], match[1], where), value)
    if len(text) > _LONGEST_TEXT:
        raise InputError(f"{shown(value)} becomes longer than {_LONGEST_TEXT} characters", where=str(where))
    return text


def _as_text(value: Any, name: str, where: Place) -> str:
    """Return a parameter as it stands within a string."""
    if isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return shown(value)
    raise InputError(
        f"parameter {name} is {shown(value)}; accepted within a string is a string or a number", where=str(where)
    )


def _rounds(use: UseEntry, where: Place) -> Iterator[dict[str, Any]]:
    """Yield the parameters of each repetition: the lists of ``for`` run in step."""
    lists = use.repeat
    for name, values in lists.items():
        if not isinstance(values, list) or not values:
            found = "an empty list" if values == [] else shown(values)
            place = where.at("for", name, words=f"key for.{shown_key(name)}")
            raise InputError(f"found {found}; accepted is a list", where=str(place))
    lengths = sorted({len(values) for values in lists.values()})
    if len(lengths) > 1:
        found = ", ".join(map(str, lengths))
        place = where.at("for", words="key for")
        raise InputError(f"found lengths {found}; the lists of one `for` run in step", where=str(place))
    for index in range(lengths[0] if lengths else 1):
        yield {name: values[index] for name, values in lists.items()}


def _scope(name: str, block: BlockEntry, given: Mapping[str, Any], where: Place) -> dict[str, Any]:
    """Return every parameter of a block: those given, then the defaults, which may build on earlier ones."""
    known = list(dict.fromkeys([*block.required, *block.default]))
    listed = ", ".join(map(shown_key, known)) or "none"
    for parameter in given:
        if parameter not in known:
            raise InputError(
                f"block {shown_key(name)} has no such parameter; it takes {listed}",
                where=str(where.at(parameter, words=f"key {shown_key(parameter)}")),
            )
    missing = [shown_key(parameter) for parameter in block.required if parameter not in given]
    if missing:
        raise InputError(f"block {shown_key(name)} needs {', '.join(missing)} as well", where=str(where))
    scope = {parameter: given[parameter] for parameter in known if parameter in given}
    for parameter, value in block.default.items():
        if parameter not in scope:
            scope[parameter] = _fill(value, scope, where.at(words=f"default of {shown_key(parameter)}"))
    return scope


def _omit(expansion: Expansion, patterns: Sequence[str], where: Place) -> Expansion:
    """Return the expansion without what the patterns name; each must match something."""
    names = [one.table.get("ref") for one in expansion.parts] + [one.table.get("name") for one in expansion.terminals]
    for pattern in patterns:
        if not any(fnmatchcase(str(name), pattern) for name in names):
            place = where.at("omit", words="key omit")
            raise InputError(f"{shown(pattern)} matches no part or terminal here", where=str(place))

    def stays(name: object) -> bool:
        return not any(fnmatchcase(str(name), pattern) for pattern in patterns)

    return Expansion(
        [one for one in expansion.parts if stays(one.table.get("ref"))],
        [one for one in expansion.terminals if stays(one.table.get("name"))],
    )


def expand_uses(
    uses: Sequence[Table], blocks: Mapping[str, BlockEntry], file: Place, problems: list[InputError]
) -> Expansion:
    """Return the parts and terminals that the ``[[use]]`` entries of a board stand for.

    Parameters
    ----------
    uses : sequence of mapping
        The entries as read from TOML.
    blocks : mapping of str to BlockEntry
        Every block the board may use.
    file : Place
        The file, for the messages.
    problems : list of InputError
        Receives the first problem of each use.
    """
    result = Expansion([], [])
    expander = _Expander(blocks)
    for number, table in enumerate(uses, start=1):
        try:
            result.add(expander.expand(table, file.at("use", number - 1, words=f"use {number}")))
        except InputError as error:
            problems.append(error)
    return result
