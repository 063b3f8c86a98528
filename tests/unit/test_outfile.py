"""Files are written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.outfile import check_target, write_whole


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


def test_what_a_command_reads_is_not_written_over(tmp_path: Path) -> None:
    """A target that is one of the files given, by whatever name, is refused before anything is lost."""
    readings = tmp_path / "readings.csv"
    readings.write_text("red,black\n")
    (tmp_path / "link").symlink_to(readings)
    for name in ("readings.csv", "./readings.csv", "link"):
        with pytest.raises(InputError, match="is read by this command"):
            check_target(str(tmp_path / name), ("six-switch-bridge", None, str(readings)))
    check_target(str(tmp_path / "page.html"), (str(readings),))


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


def test_an_existing_file_keeps_its_permissions(tmp_path: Path) -> None:
    """A file that only its owner may read stays one when it is written again."""
    target = tmp_path / "report.html"
    target.write_text("old")
    target.chmod(0o600)
    write_whole(str(target), "new")
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert target.read_text() == "new"


@pytest.mark.parametrize("before", ["old", None])
def test_a_link_is_followed(tmp_path: Path, before: str | None) -> None:
    """What a link leads to is written, in its own folder and also where it is not there yet, and the link stays."""
    (tmp_path / "elsewhere").mkdir()
    target, link = tmp_path / "elsewhere" / "report.html", tmp_path / "link.html"
    if before is not None:
        target.write_text(before)
    link.symlink_to(Path("elsewhere") / "report.html")
    write_whole(str(link), "new")
    assert link.is_symlink()
    assert target.read_text() == "new"
    assert not target.is_symlink()
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["elsewhere", "link.html", "report.html"]


def test_a_link_to_itself(tmp_path: Path) -> None:
    """A link that leads to itself is refused and left as it is."""
    link = tmp_path / "link.html"
    link.symlink_to(link)
    with pytest.raises(InputError, match="leads to itself"):
        write_whole(str(link), "new")
    assert link.is_symlink()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name here")
def test_a_pipe_is_not_replaced(tmp_path: Path) -> None:
    """A pipe is refused, before the work and when written, also through a link, and stays a pipe."""
    pipe, link = tmp_path / "pipe", tmp_path / "link"
    os.mkfifo(pipe)
    link.symlink_to(pipe)
    for path in (pipe, link):
        for refuse in (check_target, lambda path: write_whole(path, "new")):
            with pytest.raises(InputError, match="a device or a pipe"):
                refuse(str(path))
    assert pipe.is_fifo()
    assert link.is_symlink()
