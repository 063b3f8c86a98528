"""The file of a session: locked, mended, and never half written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.errors import InputError, MachineError
from bridge.sessionfile import SessionFile
from tests.conftest import process_environment

HEAD = '{"bridgefault_session": 1}\n'
LINE = '{"reading": {"red": "U"}}\n'


def content(path: Path, before: str) -> str:
    """Return what a session finds in a file, and check that this is what the file then holds."""
    path.write_bytes(before.encode())
    with SessionFile(str(path)) as file:
        found = file.content.decode()
        assert path.read_text() == found
    return found


def test_lines_are_on_disk_at_once(tmp_path: Path) -> None:
    """What was appended is there for anybody who reads, while the session goes on."""
    path = tmp_path / "s.jsonl"
    with SessionFile(str(path)) as file:
        assert file.content == b""
        file.append(HEAD)
        file.append(LINE)
        assert path.read_text() == HEAD + LINE
    with SessionFile(str(path)) as file:
        assert file.content.decode() == HEAD + LINE


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (HEAD + LINE, HEAD + LINE),
        (HEAD + LINE[:-1], HEAD + LINE),  # only the line's end is missing: it stands
        (HEAD + LINE[:9], HEAD),
        (HEAD + "\0\0\0", HEAD),
        (HEAD[:10], ""),
        ("", ""),
        ("red,black\nU,P", "red,black\nU,P"),  # no journal: left alone, the reader refuses it
    ],
)
def test_a_cut_line_is_mended(tmp_path: Path, before: str, after: str) -> None:
    """A last line that was cut off goes, so that the next one does not run into it."""
    assert content(tmp_path / "s.jsonl", before) == after


def test_half_a_character_is_cut_off(tmp_path: Path) -> None:
    """A line cut inside a character goes as well."""
    path = tmp_path / "s.jsonl"
    path.write_bytes(HEAD.encode() + '{"note": "Ω'.encode()[:-1])
    with SessionFile(str(path)) as file:
        assert file.content.decode() == HEAD


def test_two_sessions_on_one_file_are_refused(tmp_path: Path) -> None:
    """A second session on the same file is refused in one line, from this process or another; later it is free."""
    path = str(tmp_path / "s.jsonl")
    program = "import sys; from bridge.sessionfile import SessionFile; SessionFile(sys.argv[1])"
    command = [sys.executable, "-c", program, path]
    with SessionFile(path) as file:
        file.append(HEAD)
        with pytest.raises(InputError, match="another bench session"):
            SessionFile(path)
        other = subprocess.run(command, capture_output=True, text=True, env=process_environment(), check=False)
        assert "another bench session" in other.stderr
    assert subprocess.run(command, env=process_environment(), check=False).returncode == 0


def test_a_full_disk_leaves_whole_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk takes half a line, none of it stays and the session is told."""
    path = tmp_path / "s.jsonl"
    with SessionFile(str(path)) as file:
        file.append(HEAD)
        write = os.write

        def half(handle: int, data: bytes) -> int:
            if len(data) < 10:
                raise OSError(28, "No space left on device")
            return write(handle, data[:-5])

        monkeypatch.setattr(os, "write", half)
        with pytest.raises(MachineError, match="No space left"):
            file.append(LINE)
        monkeypatch.undo()
        assert path.read_text() == HEAD
        file.append(LINE)
        assert path.read_text() == HEAD + LINE


def test_what_cannot_be_a_file(tmp_path: Path) -> None:
    """A folder, and a file in no folder, are refused in one line."""
    with pytest.raises(InputError, match="this is a folder"):
        SessionFile(str(tmp_path))
    with pytest.raises(InputError, match="no folder to put it in"):
        SessionFile(str(tmp_path / "none" / "s.jsonl"))


def test_a_session_without_a_line_leaves_no_file(tmp_path: Path) -> None:
    """Who asks and goes leaves nothing behind."""
    with SessionFile(str(tmp_path / "s.jsonl")):
        pass
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_of_the_users_own_stays(tmp_path: Path) -> None:
    """Only what the session made itself is removed: an empty file that was there stays, and so does a link to it."""
    own, link = tmp_path / "own.jsonl", tmp_path / "link.jsonl"
    own.touch()
    link.symlink_to(own)
    for path in (own, link):
        with SessionFile(str(path)):
            pass
    assert own.is_file()
    assert link.is_symlink()


def test_a_link_to_nothing_yet(tmp_path: Path) -> None:
    """Through a link the file it leads to is made; if nothing was written, that one goes and the link stays."""
    link, target = tmp_path / "link.jsonl", tmp_path / "target.jsonl"
    link.symlink_to(target)
    with SessionFile(str(link)) as file:
        assert target.is_file()
    assert link.is_symlink()
    assert not target.exists()
    with SessionFile(str(link)) as file:
        file.append(HEAD)
    assert target.read_text() == HEAD


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name here")
def test_a_pipe_is_no_session_file(tmp_path: Path) -> None:
    """A pipe, which keeps nothing, is refused in one line, not waited for, and is still there afterwards."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match=r"pipe: a device or a pipe.*give a file"), SessionFile(str(pipe)):
        pass
    assert pipe.is_fifo()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no terminals with a name here")
def test_a_device_is_no_session_file() -> None:
    """A device is refused likewise: here a terminal, which not even an administrator can remove by mistake."""
    keyboard, terminal = os.openpty()
    try:
        with pytest.raises(InputError, match="a device or a pipe"), SessionFile(os.ttyname(terminal)):
            pass
    finally:
        os.close(keyboard)
        os.close(terminal)
