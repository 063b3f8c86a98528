"""Where the entries of a TOML text stand: a parsed table no longer knows its lines."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, replace
from functools import cached_property

__all__ = ["Path", "Place", "TomlLines"]

Path = tuple[str | int, ...]
"""Keys from the top, tables of an array by their index: ``("part", 0, "ohms")``."""

_KEY = re.compile(r"""[ \t]*(?:([A-Za-z0-9_-]+)|"((?:\\.|[^"\\\n])*)"|'([^'\n]*)')[ \t]*(\.?)""")
_STEP = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*"
    r"""|[^"'#\[\]{}\n]+"""
    r"|.",
    re.DOTALL,
)


class TomlLines:
    """Lines of the tables and keys of one text; the text is looked through when the first line is asked for.

    Parameters
    ----------
    text : str
        TOML that has been read without complaint.
    """

    def __init__(self, text: str) -> None:
        self._text = text

    def line_of(self, path: Path) -> int | None:
        """Return the line, from 1, of a key, or of the header of its entry where the key is not there.

        None where that would be a guess: for tables written inside a value, for keys at the top that are missing.

        Parameters
        ----------
        path : tuple of str or int
            Keys from the top, tables of an array by their index from 0.
        """
        for length in range(len(path), 0, -1):
            if path[:length] in self._found:
                return self._found[path[:length]]
            if isinstance(path[length - 1], int):  # what stands above holds other entries, too
                return None
        return None

    @cached_property
    def _found(self) -> dict[Path, int]:
        text = self._text
        found: dict[Path, int] = {}
        arrays: dict[Path, int] = {}
        table: Path = ()
        at, line, counted = 0, 1, 0
        while at < len(text):
            line, counted = line + text.count("\n", counted, at), at
            if text[at] in " \t\r\n":
                at += 1
            elif text[at] == "#":
                at = _end_of_line(text, at)
            elif text[at] == "[":
                brackets = 2 if text.startswith("[[", at) else 1
                keys, at = _keys(text, at + brackets)
                table = _within(keys[:-1], arrays) + keys[-1:]
                if brackets == 2:
                    arrays[table] = arrays.get(table, -1) + 1
                    table = (*table, arrays[table])
                found.setdefault(table, line)
                at = _end_of_line(text, at)
            else:
                keys, at = _keys(text, at)
                if not keys:  # not as TOML is written: say nothing of what follows
                    break
                found.setdefault(table + keys, line)
                at = _end_of_value(text, at)
        return found


def _keys(text: str, at: int) -> tuple[Path, int]:
    """Return a key, step by step where it is dotted, and where it ends."""
    keys: list[str] = []
    while match := _KEY.match(text, at):
        bare, basic, literal, dot = match.groups()
        plain = bare if bare is not None else literal if literal is not None else basic
        keys.append(tomllib.loads(f'key = "{basic}"')["key"] if basic and "\\" in basic else plain)
        at = match.end()
        if not dot:
            break
    return tuple(keys), at


def _within(keys: Path, arrays: dict[Path, int]) -> Path:
    """Return a header's keys with the index of the table each array of tables has come to."""
    path: Path = ()
    for key in keys:
        path = (*path, key)
        if path in arrays:
            path = (*path, arrays[path])
    return path


def _end_of_line(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


def _end_of_value(text: str, at: int) -> int:
    """Return where a value ends: at the end of a line outside of brackets and texts."""
    depth = 0
    while at < len(text):
        match = _STEP.match(text, at)
        assert match is not None  # any one sign is a step
        step = match[0]
        if step == "\n" and depth == 0:
            return at
        depth += (step in ("[", "{")) - (step in ("]", "}"))
        at = match.end()
    return at


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file as messages name it: file, line where it is known, entry, key.

    Parameters
    ----------
    source : str
        Name of the file.
    lines : TomlLines
        Lines of its text.
    path : tuple of str or int
        Where it is in the text.
    words : str
        Where it is, in words.
    written_out : bool
        Whether what is named here does not stand in the file, but comes of the entry that does.

    Examples
    --------
    >>> file = Place("b.toml", TomlLines("[[part]] # a resistor"))
    >>> str(file.at("part", 0, words="part R_1").at("ohms", words="key ohms"))
    'b.toml, line 1, part R_1, key ohms'
    """

    source: str
    lines: TomlLines
    path: Path = ()
    words: str = ""
    written_out: bool = False

    def at(self, *steps: str | int, words: str) -> Place:
        """Return a place inside this one.

        Parameters
        ----------
        steps : str or int
            Keys that lead there, tables of an array by their index.
        words : str
            The same in words.
        """
        path = self.path if self.written_out else (*self.path, *steps)
        return replace(self, path=path, words=", ".join(filter(None, (self.words, words))))

    def with_note(self, note: str) -> Place:
        """Return the same place with a note behind its words.

        Parameters
        ----------
        note : str
            What is added, in words.
        """
        return replace(self, words=f"{self.words} {note}")

    def of_what_it_writes(self) -> Place:
        """Return the place of what comes of this entry: whatever is named inside it is on the entry's line."""
        return replace(self, written_out=True)

    def __str__(self) -> str:
        """Return the place as messages show it."""
        line = self.lines.line_of(self.path)
        return ", ".join(filter(None, (self.source, "" if line is None else f"line {line}", self.words)))
