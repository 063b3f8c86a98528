"""Files that come with the package, asked for by name, or a user's own by path."""

from __future__ import annotations

from pathlib import Path

from bridge.errors import InputError
from bridge.textfile import decode_text, is_path, read_file, shown_source
from bridge.wording import listed, quoted

__all__ = ["named_text", "shipped_names"]


def shipped_names(folder: Path) -> tuple[str, ...]:
    """Return the names of the files in a folder of the package, sorted.

    Parameters
    ----------
    folder : Path
        The folder.
    """
    return tuple(sorted(path.stem for path in folder.glob("*.toml")))


def named_text(name_or_file: str, folder: Path, what: str) -> tuple[str, str]:
    """Return the text of a shipped file or of a user's own, and where it came from.

    Parameters
    ----------
    name_or_file : str
        A path if it has a separator or ends in ``.toml``, else the name of a shipped file.
    folder : Path
        The folder of the shipped ones.
    what : str
        What the file describes, for messages: ``meter``.

    Raises
    ------
    InputError
        No such name or file, or one that is no text.
    """
    if is_path(name_or_file):
        return decode_text(read_file(name_or_file), shown_source(name_or_file)), name_or_file
    names = shipped_names(folder)
    if name_or_file not in names:
        raise InputError(f"no {what} {quoted(name_or_file)}; accepted: {listed(names)}, or a path to a .toml file")
    path = folder / f"{name_or_file}.toml"
    return path.read_text(encoding="utf-8"), path.name
