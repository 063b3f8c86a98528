"""Text files from users: found, read and decoded, or refused in words they can act on."""

from __future__ import annotations

import codecs
import contextlib
import os
import sys
import tomllib
from pathlib import Path
from typing import Any

from bridge.errors import InputError
from bridge.wording import quoted

__all__ = [
    "decode_text",
    "is_of_another_user",
    "is_path",
    "keys_once",
    "parse_toml",
    "path_text",
    "read_file",
    "shown_source",
]

LARGEST_BYTES = 64 * 1024 * 1024  # a sheet of 10,000 readings is half a megabyte
UTF_16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def is_path(name_or_path: str) -> bool:
    """Return whether a board, meter or part is asked for by the path of its file, not by the name of a shipped one.

    Parameters
    ----------
    name_or_path : str
        As typed; a path has a separator or ends in ``.toml``.
    """
    return "/" in name_or_path or "\\" in name_or_path or name_or_path.endswith(".toml")


def path_text(name_or_path: str | os.PathLike[str]) -> str:
    """Return a name or path as text; what a path object names is a file, whatever it is called.

    Parameters
    ----------
    name_or_path : str or path-like
        As a program gave it.

    Examples
    --------
    >>> from pathlib import PurePosixPath
    >>> path_text("handheld"), path_text(PurePosixPath("handheld"))
    ('handheld', './handheld')
    """
    text = os.fspath(name_or_path)
    return text if isinstance(name_or_path, str) or is_path(text) else f"./{text}"


def shown_source(source: str) -> str:
    """Return a file name as messages show it: ``standard input`` for ``-``.

    Parameters
    ----------
    source : str
        Path, or ``-``.
    """
    if source == "-":
        return "standard input"
    return source if source.isprintable() and source else quoted(source)


def read_file(source: str) -> bytes:
    """Return the content of a file, or of standard input for ``-``.

    Parameters
    ----------
    source : str
        Path, or ``-``.

    Raises
    ------
    InputError
        No such file, a folder, not readable, far larger than any file this package reads, or a closed standard input.
    """
    where = shown_source(source)
    try:
        if source == "-":
            if sys.stdin is None:
                raise InputError("closed; give a file", where=where)
            data = sys.stdin.buffer.read(LARGEST_BYTES + 1)
        else:
            with Path(source).open("rb") as stream:
                data = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise InputError("no such file", where=where) from None
    except IsADirectoryError:
        raise InputError("this is a folder; give a file", where=where) from None
    except PermissionError:
        raise InputError("this file may not be read by you", where=where) from None
    except InputError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"cannot be read: {reason}", where=where) from None
    if len(data) > LARGEST_BYTES:
        raise InputError(f"larger than {LARGEST_BYTES // 2**20} MB; give a text file", where=where)
    return data


def is_of_another_user(source: str | int) -> bool:
    """Return whether a file belongs to somebody else; a pipe, and a system that does not say, belong to nobody else.

    Parameters
    ----------
    source : str or int
        Path, ``-`` for standard input, or an open file's number.
    """
    if sys.platform == "win32":
        return False
    with contextlib.suppress(OSError, ValueError, AttributeError):  # no such file: what was read came from elsewhere
        return os.stat(sys.stdin.fileno() if source == "-" else source).st_uid != os.geteuid()
    return False


def decode_text(data: bytes, where: str) -> str:
    """Return UTF-8 text, its byte order mark dropped.

    Parameters
    ----------
    data : bytes
        Content of a file.
    where : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        UTF-16, binary, or bytes that are not UTF-8.
    """
    if data.startswith(UTF_16_MARKS):
        raise InputError("this file is UTF-16; save it as UTF-8 text", where=where)
    null = data.find(b"\0")
    if null >= 0:
        line = data.count(b"\n", 0, null) + 1
        raise InputError("a null byte: this file is binary or UTF-16; give UTF-8 text", where=f"{where}, line {line}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"byte 0x{data[error.start]:02x} is not UTF-8; save the file as UTF-8 text",
            where=f"{where}, line {line}",
        ) from None


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return what a TOML text holds.

    Parameters
    ----------
    text : str
        The text.
    where : str
        Where it came from, as messages show it.

    Raises
    ------
    InputError
        It is not TOML, or nested too deep to read.
    """
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError("not valid TOML: nested too deep", where=where) from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        raise InputError(f"not valid TOML: {error}", where=where) from None


def keys_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return the keys and values of an object of JSON.

    Parameters
    ----------
    pairs : list of (str, object)
        As ``json.loads`` gives them to its ``object_pairs_hook``.

    Raises
    ------
    InputError
        A key that is there twice: it could mean either value.
    """
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise InputError(f"key {quoted(key)} is there twice; accepted: each key once")
        found[key] = value
    return found
