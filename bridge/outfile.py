"""Files for users, written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from bridge.errors import InputError

__all__ = ["check_target", "write_whole"]


def check_target(path: str) -> None:
    """Refuse a path that nothing can be written to, before the work that would be lost.

    Parameters
    ----------
    path : str
        Where a file is to go.

    Raises
    ------
    InputError
        The folder does not exist, or the path is a folder.
    """
    target = Path(path)
    if target.is_dir():
        raise InputError("this is a folder; give a file", where=path)
    if not target.parent.is_dir():
        raise InputError(f"no folder {target.parent} to write it to", where=path)


def write_whole(path: str, text: str) -> None:
    """Write a file, so that whoever looks sees the old content or all of the new.

    Parameters
    ----------
    path : str
        Where to; an existing file is replaced.
    text : str
        Its content, written as UTF-8.

    Raises
    ------
    InputError
        The folder does not exist, or the path is a folder.
    OSError
        The disk is full or the folder may not be written to.
    """
    target = Path(path)
    check_target(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    except OSError as error:
        raise OSError(error.errno, error.strerror, path) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)  # as any other new file: the temporary one is for its owner alone
        Path(name).replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise OSError(error.errno, error.strerror, path) from None
