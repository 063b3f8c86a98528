"""Files are written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.outfile import write_whole


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    """The new content stands there, nothing else is left in the folder, and others may read it as any new file."""
    target = tmp_path / "sheet.html"
    target.write_text("old")
    write_whole(str(target), "new Ω\n")
    assert target.read_bytes() == "new Ω\n".encode()
    assert list(tmp_path.iterdir()) == [target]
    plain = tmp_path / "plain"
    plain.touch()
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_a_failure_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk fails, the old content stays, no scrap is left, and the file is named."""
    target = tmp_path / "sheet.html"
    target.write_text("old")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left") as caught:
        write_whole(str(target), "new")
    assert caught.value.filename == str(target)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_no_place_to_write(tmp_path: Path) -> None:
    """A folder, or a file in a folder that is not there, is refused in one line."""
    with pytest.raises(InputError, match="this is a folder"):
        write_whole(str(tmp_path), "")
    with pytest.raises(InputError, match="no folder"):
        write_whole(str(tmp_path / "none" / "sheet.html"), "")
