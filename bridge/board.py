"""Board files: finds them, reads them, checks everything and reports every problem at once."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any

from bridge.blocks import Expansion, Written, expand_uses
from bridge.boardfile import BlockEntry, BoardEntry, DrawingEntry, check_entry, shown_key
from bridge.boardmodel import Board, Part, Terminal
from bridge.boardparts import build_parts, build_terminals
from bridge.errors import InputError, InputErrors, MachineError
from bridge.oddities import oddities
from bridge.textfile import decode_text, is_path, parse_toml, path_text, read_file, shown_source
from bridge.tomllines import Path as TomlPath
from bridge.tomllines import Place, TomlLines
from bridge.wording import listed, quoted

__all__ = ["Board", "Part", "Terminal", "list_boards", "load_board", "oddities", "parse_board"]

_BLOCKS_FILE = "blocks.toml"
_NO_BLOCK = "board"  # block of a single part whose entry names none
_MOST_DOUBLES = 3  # names told of a use that doubles
_LARGEST_FILE = 1_000_000  # bytes; the largest shipped board has about 5 000


def _topologies() -> Path:
    """Return the folder of shipped boards: inside the installed package, else beside it in a checkout."""
    here = Path(__file__).resolve().parent
    for folder in (here / "topologies", here.parent / "topologies"):
        if (folder / _BLOCKS_FILE).is_file():
            return folder
    raise MachineError(f"{here / 'topologies'}: the shipped boards are missing, install the package again")


def list_boards() -> tuple[str, ...]:
    """Return the names of the shipped boards, sorted."""
    return tuple(sorted(path.stem for path in _topologies().glob("*.toml") if path.name != _BLOCKS_FILE))


def load_board(name_or_path: str | os.PathLike[str]) -> Board:
    """Return a shipped board by name, or the board of a file.

    Parameters
    ----------
    name_or_path : str or path-like
        A path if it has a separator or ends in ``.toml``, else the name of a shipped board; a path object is a path.

    Returns
    -------
    Board
        Its ``parts`` and ``terminals`` by name, values in SI units; `oddities` says what looks like a slip in it.

    Raises
    ------
    InputError
        No such board or file, or the file is not a sound board; `InputErrors` lists several problems.

    Examples
    --------
    >>> load_board("six-switch-bridge").main_terminals
    ('P', 'N', 'U', 'V', 'W')
    """
    name_or_path = path_text(name_or_path)
    if is_path(name_or_path):
        return parse_board(_read(name_or_path), name_or_path)
    names = list_boards()
    if name_or_path not in names:
        raise InputError(
            f"no shipped board is called {quoted(name_or_path)}; there are {', '.join(names)}, "
            "or give a path ending in .toml"
        )
    board = parse_board(_read(str(_topologies() / f"{name_or_path}.toml")), f"{name_or_path}.toml")
    if board.name != name_or_path:  # else two boards could go by one name
        clash = f", which is {board.name}.toml" if board.name in names else ""
        raise InputError(
            f"found {quoted(board.name)}{clash}; accepted among the shipped boards is the file's own name, "
            f"{quoted(name_or_path)}",
            where=f"{board.source}, key name",
        )
    return board


def _read(path: str) -> str:
    """Return the text of a board file."""
    data = read_file(path)
    where = shown_source(path)
    if len(data) > _LARGEST_FILE:
        raise InputError(f"larger than {_LARGEST_FILE} bytes, no board file is", where=where)
    return decode_text(data, where)


def _blocks(tables: Mapping[str, Any], file: Place, problems: list[InputError]) -> dict[str, BlockEntry]:
    entries = {
        name: check_entry(BlockEntry, table, file.at("block", name, words=f"block {shown_key(name)}"), problems)
        for name, table in tables.items()
    }
    return {name: entry for name, entry in entries.items() if entry is not None}


@lru_cache(maxsize=1)
def _shipped_blocks() -> Mapping[str, BlockEntry]:
    """Return the blocks of blocks.toml; read once, since every board needs them."""
    problems: list[InputError] = []
    text = _read(str(_topologies() / _BLOCKS_FILE))
    blocks = _blocks(parse_toml(text, _BLOCKS_FILE)["block"], Place(_BLOCKS_FILE, TomlLines(text)), problems)
    if problems:
        raise InputErrors(problems)
    return blocks


def parse_board(text: str, source: str) -> Board:
    """Return the board that a file's text describes.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        The text is no sound board; `InputErrors` lists every problem where there are several.
    """
    source = shown_source(source)
    problems: list[InputError] = []
    file = Place(source, TomlLines(text))
    entry = check_entry(BoardEntry, parse_toml(text, source), file, problems)
    if entry is None:
        raise _as_one(problems)
    blocks = {**_shipped_blocks(), **_blocks(entry.block, file, problems)}
    expansion = expand_uses(entry.use, blocks, file, problems)
    notes: list[str] = []
    own_terminals = _single(entry.terminal, "terminal", file)
    used_parts, used_terminals = _without_doubles(expansion, own_terminals, file, problems)
    parts = build_parts([*used_parts, *_single(entry.part, "part", file)], problems, notes)
    nets = {net for part in parts.values() for net in part.pins.values()}
    terminals = build_terminals([*own_terminals, *used_terminals], nets if not problems else None, problems)
    where = file.at("drawing", words="drawing")
    drawing = check_entry(DrawingEntry, entry.drawing, where, problems)
    order = _drawing_order(drawing, parts, where, problems) if drawing is not None else ()
    if not problems and not parts:
        problems.append(InputError("the board has no parts", where=source))
    if not problems and not terminals:
        problems.append(InputError("the board has no terminals, so no lead can touch it", where=source))
    if problems:
        raise _as_one(problems)
    return Board(entry.name, entry.title, entry.about.strip(), terminals, parts, source, tuple(notes), order)


def _single(tables: Sequence[Mapping[str, Any]], kind: str, file: Place) -> list[Written]:
    """Return the parts or terminals that a board file writes itself."""
    return [Written(_NO_BLOCK, table, file.at(kind, index, words=""), index + 1) for index, table in enumerate(tables)]


def _without_doubles(
    expansion: Expansion, own_terminals: Sequence[Written], file: Place, problems: list[InputError]
) -> tuple[list[Written], list[Written]]:
    """Return what the uses of blocks write, less what is there already: one problem for each use that doubles."""
    doubles: dict[TomlPath, list[str]] = {}  # by the use, whichever of its blocks writes them

    def first_of_name(written: Sequence[Written], key: str, known: set[str]) -> list[Written]:
        kept = []
        for one in written:
            name = str(one.table.get(key, ""))
            if name in known:
                doubles.setdefault(one.place.path, []).append(name)
            else:
                known.update(filter(None, [name]))
                kept.append(one)
        return kept

    kept_parts = first_of_name(expansion.parts, "ref", set())
    kept_terminals = first_of_name(
        expansion.terminals, "name", {str(one.table.get("name", "")) for one in own_terminals} - {""}
    )
    for (key, index), names in doubles.items():
        more = f" and {len(names) - _MOST_DOUBLES} more" if len(names) > _MOST_DOUBLES else ""
        problems.append(
            InputError(
                f"writes {listed(map(shown_key, names[:_MOST_DOUBLES]))}{more}, there already; "
                "accepted: each part and terminal once",
                where=str(file.at(key, index, words=f"use {int(index) + 1}")),
            )
        )
    return kept_parts, kept_terminals


def _drawing_order(
    drawing: DrawingEntry, parts: Mapping[str, Part], drawing_place: Place, problems: list[InputError]
) -> tuple[str, ...]:
    """Return the parts that a drawing's columns are ordered by; other names, and one there twice, are problems."""
    where = str(drawing_place.at("order", words="key order"))
    for number, ref in enumerate(drawing.order):
        if ref in drawing.order[:number]:
            problems.append(InputError(f"{quoted(ref)} is there twice; accepted: each part once", where=where))
        elif parts and ref not in parts:
            near = get_close_matches(ref, parts, n=3) or list(parts)[:3]
            problems.append(InputError(f"no part {quoted(ref)}; accepted: parts, as {listed(near)}", where=where))
    return tuple(drawing.order)


def _as_one(problems: list[InputError]) -> InputError:
    return problems[0] if len(problems) == 1 else InputErrors(problems)
