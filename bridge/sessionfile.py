"""The file of a bench session: one session at a time, every line on disk before anything else happens."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import sys
from pathlib import Path
from types import TracebackType

from bridge.errors import InputError, MachineError
from bridge.textfile import LARGEST_BYTES, is_of_another_user, shown_source

__all__ = ["SessionFile"]

BUSY = "another bench session has this file open; end that one first, or give another file"


class SessionFile:
    """An open session file, locked for this process.

    Parameters
    ----------
    path : str
        Its name; the file is made where there is none.

    Raises
    ------
    InputError
        Another session has it open, it belongs to another user, is a folder, a device or a pipe, may not be read or
        written, or there is no folder to put it in.
    MachineError
        The disk takes no more.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        where = shown_source(path)
        try:
            self._real = os.path.realpath(path)  # to make and to remove what a link leads to, not the link
            self._handle, self._made = _open(self._real)
        except IsADirectoryError:
            raise InputError("this is a folder; give a file", where=where) from None
        except FileNotFoundError:
            raise InputError("no folder to put it in", where=where) from None
        except PermissionError:
            raise InputError("this file may not be written by you", where=where) from None
        except (OSError, ValueError) as error:  # ValueError: a null character in the name
            raise InputError(f"cannot be opened: {getattr(error, 'strerror', None) or error}", where=where) from None
        try:
            if not stat.S_ISREG(os.fstat(self._handle).st_mode):
                raise InputError("a device or a pipe, which keeps nothing; give a file", where=where)
            if is_of_another_user(self._handle):
                raise InputError("belongs to another user; accepted: a file of your own, or a copy of it", where=where)
            _lock(self._handle, where)
            self.content = self._mend()
            if self._made:
                _flush_folder(Path(self._real).parent)
        except BaseException:
            os.close(self._handle)
            raise

    def _mend(self) -> bytes:
        """Return the content after taking off what a killed session left of a last line."""
        size = self.size
        if size > LARGEST_BYTES:
            raise InputError("too large for a bench session", where=shown_source(self.path))
        os.lseek(self._handle, 0, os.SEEK_SET)
        data = b""
        while len(data) < size:
            piece = os.read(self._handle, size - len(data))
            if not piece:
                break
            data += piece
        kept = data.rfind(b"\n") + 1
        tail = data[kept:]
        if not tail or not data.lstrip().startswith(b"{"):
            return data  # whole, or no journal at all: the reader says so
        if _is_object(tail):
            self.append("\n", data)  # only its end was cut off: the line stands
            return data + b"\n"
        os.ftruncate(self._handle, kept)
        os.fsync(self._handle)
        return data[:kept]

    def append(self, text: str, written: bytes | None = None) -> None:
        """Write lines at the end and wait until they are on disk; on failure none of them is there.

        Parameters
        ----------
        text : str
            Whole lines.
        written : bytes, optional
            What the file holds; its size is asked for where this is not given.

        Raises
        ------
        MachineError
            The disk takes no more.
        """
        size = self.size if written is None else len(written)
        data = text.encode("utf-8")
        try:
            os.lseek(self._handle, size, os.SEEK_SET)
            while data:
                data = data[os.write(self._handle, data) :]
            os.fsync(self._handle)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, size)
            raise MachineError(error.errno, error.strerror, self.path) from None

    @property
    def size(self) -> int:
        """Bytes it holds now."""
        return os.fstat(self._handle).st_size

    def close(self) -> None:
        """Let go of the file; one that was made here and that nothing was written to is removed."""
        with contextlib.suppress(OSError):
            held = os.fstat(self._handle)
            if self._made and held.st_size == 0 and os.path.samestat(held, Path(self._real).stat()):
                Path(self._real).unlink()
        with contextlib.suppress(OSError):
            os.close(self._handle)

    def __enter__(self) -> SessionFile:
        """Return the file itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the file."""
        self.close()


def _open(path: str) -> tuple[int, bool]:
    """Return an open file and whether it was made by this; a device or a pipe is not waited for."""
    flags = os.O_RDWR | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
    with contextlib.suppress(FileExistsError):
        return os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666), True
    return os.open(path, flags), False


def _is_object(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line.decode("utf-8")), dict)
    except (ValueError, RecursionError):
        return False


def _flush_folder(folder: Path) -> None:
    """Have the name of a new file on disk as well, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


if sys.platform == "win32":
    import msvcrt

    FAR = 2**40  # a byte beyond any content, so that others can still read the file

    def _lock(handle: int, where: str) -> None:
        os.lseek(handle, FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            raise InputError(BUSY, where=where) from None

else:
    import fcntl

    def _lock(handle: int, where: str) -> None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(BUSY, where=where) from None
