"""Files for users, written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import InputError
from bridge.wording import quoted

__all__ = ["check_target", "write_whole"]


def check_target(path: str, given: Sequence[str | None] = ()) -> None:
    """Refuse a path that nothing can be written to, before the work that would be lost.

    Parameters
    ----------
    path : str
        Where a file is to go.
    given : sequence of str or None
        Files that the command reads: none of them is written over.

    Raises
    ------
    InputError
        The folder does not exist, or the path is a folder, a device, a pipe, or a link that leads to itself; or it is
        one of the files given.
    """
    target = _led_to(path)
    for name in given:
        if name is not None and target.is_file() and Path(name).is_file() and target.samefile(name):
            raise InputError(f"{quoted(name)} is read by this command; give another file to write to", where=path)
    if target.is_dir():
        raise InputError("this is a folder; give a file", where=path)
    if Path(path).exists() and not Path(path).is_file():  # by the name given: the links of /proc lead to no path
        raise InputError("a device or a pipe, which cannot be written whole or not at all; give a file", where=path)
    if not target.parent.is_dir():
        raise InputError(f"no folder {target.parent} to write it to", where=path)
    if target.is_symlink():
        raise InputError("this link leads to itself; give a file", where=path)


def _led_to(path: str) -> Path:
    """Return the file a path leads to: through a link, what it leads to is written, and the link stays."""
    # relative where it can be, as it was typed: messages name folders
    return Path(os.path.realpath(path)) if Path(path).is_symlink() else Path(path)


def write_whole(path: str, text: str) -> None:
    """Write a file, so that whoever looks sees the old content or all of the new.

    Parameters
    ----------
    path : str
        Where to; an existing file is replaced and keeps its permissions, a link is followed.
    text : str
        Its content, written as UTF-8.

    Raises
    ------
    InputError
        The folder does not exist, or the path is a folder, a device, a pipe, or a link that leads to itself.
    OSError
        The disk is full or the folder may not be written to.
    """
    check_target(path)
    target = _led_to(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    except OSError as error:
        raise OSError(error.errno, error.strerror, path) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(_permissions(target))  # the temporary file is for its owner alone
        Path(name).replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise OSError(error.errno, error.strerror, path) from None


def _permissions(target: Path) -> int:
    """Return the permissions a file has, or those of any other new file."""
    with contextlib.suppress(FileNotFoundError):
        return stat.S_IMODE(target.stat().st_mode)
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask
