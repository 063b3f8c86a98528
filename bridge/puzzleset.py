"""A set of puzzles as a folder: what is handed out, and what the trainer keeps."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from bridge.board import load_board, parse_board
from bridge.errors import InputError
from bridge.meter import load_meter, parse_meter
from bridge.outfile import write_whole
from bridge.puzzlefile import Key, key_text, parse_key, puzzle_text
from bridge.puzzlepage import handout_html, key_html, sheet_csv
from bridge.textfile import read_file

__all__ = ["check_folder", "load_keys", "paths_of_keys", "set_files", "write_set"]

TRAINEE, TRAINER = "trainee", "trainer"


def check_folder(folder: str) -> None:
    """Refuse a folder that a set cannot be written to, before the work that would be lost.

    Parameters
    ----------
    folder : str
        Where the set is to go.

    Raises
    ------
    InputError
        Something is there already, or there is no folder to put it in.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError("something is there already; accepted: a folder that is new or empty", where=folder)
    if not target.absolute().parent.is_dir():
        raise InputError(f"no folder {target.parent} to put it in", where=folder)


def set_files(keys: Sequence[Key], beside: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return the files of a set, by path within its folder.

    Parameters
    ----------
    keys : sequence of Key
        The keys.
    beside : mapping of str to str, optional
        Own board and meter files by the names the keys have for them; they go to trainee and trainer, for either
        folder may be taken elsewhere.
    """
    own = beside or {}
    files = {f"{folder}/{name}": text for folder in (TRAINEE, TRAINER) for name, text in own.items()}
    width = max(2, len(str(len(keys))))
    boards = {
        name: parse_board(own[name], name) if name in own else load_board(name)
        for name in dict.fromkeys(key.puzzle.board for key in keys)
    }
    meters = {
        name: parse_meter(own[name], name) if name in own else load_meter(name)
        for name in dict.fromkeys(key.puzzle.meter for key in keys)
    }
    for key in keys:
        board, meter = boards[key.puzzle.board], meters[key.puzzle.meter]
        name = f"{key.puzzle.number:0{width}d}"
        files[f"{TRAINEE}/puzzle-{name}.json"] = puzzle_text(key.puzzle)
        files[f"{TRAINEE}/puzzle-{name}.html"] = handout_html(key.puzzle, board, meter)
        if key.puzzle.readings:
            files[f"{TRAINEE}/puzzle-{name}.csv"] = sheet_csv(key.puzzle)
        files[f"{TRAINER}/key-{name}.json"] = key_text(key)
        files[f"{TRAINER}/key-{name}.html"] = key_html(key, board, meter)
    files[f"{TRAINER}/answers.csv"] = "who,puzzle,answer,effort\n"
    return files


def write_set(folder: str, files: Mapping[str, str]) -> None:
    """Write a set as a whole, or nothing of it.

    Parameters
    ----------
    folder : str
        Where to; new or empty.
    files : mapping of str to str
        Contents by path within it.

    Raises
    ------
    InputError
        Something is there already, or there is no folder to put it in.
    OSError
        The disk is full or the folder may not be written to.
    """
    check_folder(folder)
    target = Path(folder).absolute()
    beside = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        for name, text in files.items():
            place = beside / name
            place.parent.mkdir(exist_ok=True)
            write_whole(str(place), text)
        umask = os.umask(0)
        os.umask(umask)
        beside.chmod(0o777 & ~umask)
        if target.is_dir():
            target.rmdir()
        beside.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            shutil.rmtree(beside)
        raise


def load_keys(path: str) -> list[Key]:
    """Return one key, or all keys of a set.

    Parameters
    ----------
    path : str
        A key, the folder of a set, or its folder ``trainer``.

    Raises
    ------
    InputError
        No key there, or one that cannot be read.
    """
    return [parse_key(read_file(one), one) for one in paths_of_keys(path)]


def paths_of_keys(path: str) -> list[str]:
    """Return where the keys of a set are, all in one folder.

    Parameters
    ----------
    path : str
        As for :func:`load_keys`.

    Raises
    ------
    InputError
        A folder without a key.
    """
    place = Path(path)
    if not place.is_dir():
        return [path]
    found = sorted(place.glob("key-*.json")) or sorted((place / TRAINER).glob("key-*.json"))
    if not found:
        raise InputError("no key-*.json in it; accepted: a key, or the folder of a set", where=path)
    return [str(one) for one in found]
