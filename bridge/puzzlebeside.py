"""Board and meter of a puzzle: shipped ones by name, one's own by a file that lies beside the puzzle or the key."""

from __future__ import annotations

import re
from pathlib import Path

from bridge.board import load_board, parse_board
from bridge.boardmodel import Board
from bridge.errors import InputError
from bridge.meter import load_meter, parse_meter
from bridge.meterprofile import MeterProfile
from bridge.puzzlefile import Puzzle
from bridge.textfile import decode_text, is_path, read_file, shown_source
from bridge.wording import quoted

__all__ = ["load_beside", "names_beside", "texts_beside"]

ENDING = ".toml"
LONGEST_STEM = 60
ODD_SIGNS = re.compile(r"[^\w.-]+")  # what not every file system takes, or what a shell takes for its own
SEPARATOR = re.compile(r"[/\\]")


def names_beside(board: str, meter: str) -> tuple[str, str]:
    """Return what a puzzle calls its board and its meter: no folder of the trainer's is in it.

    Parameters
    ----------
    board, meter : str
        Names of shipped ones, or paths.
    """
    names = [_bare(name, what) if is_path(name) else name for name, what in ((board, "board"), (meter, "meter"))]
    if is_path(meter) and names[0].casefold() == names[1].casefold():
        names[1] = f"{names[1].removesuffix(ENDING)}-meter{ENDING}"
    return names[0], names[1]


def _bare(path: str, what: str) -> str:
    stem = ODD_SIGNS.sub("-", SEPARATOR.split(path)[-1].removesuffix(ENDING))[:LONGEST_STEM].strip("-.")
    return f"{stem or what}{ENDING}"


def texts_beside(board: str, meter: str) -> dict[str, str]:
    """Return the files a set must hold, by the names of :func:`names_beside`; none for what is shipped.

    Parameters
    ----------
    board, meter : str
        Names of shipped ones, or paths.

    Raises
    ------
    InputError
        No such file, or it is no sound board or meter.
    """
    board_name, meter_name = names_beside(board, meter)
    texts: dict[str, str] = {}
    if is_path(board):
        texts[board_name] = decode_text(read_file(board), shown_source(board))
        parse_board(texts[board_name], board)
    if is_path(meter):
        texts[meter_name] = decode_text(read_file(meter), shown_source(meter))
        parse_meter(texts[meter_name], meter)
    return texts


def load_beside(puzzle: Puzzle, source: str) -> tuple[Board, MeterProfile]:
    """Return board and meter of a puzzle, wherever the program was called from.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    source : str
        Path of the puzzle or of its key: own files lie beside it.

    Raises
    ------
    InputError
        No such board or meter, no sound one, or a file outside the folder.
    """
    try:
        return load_board(_place(puzzle.board, source, "board")), load_meter(_place(puzzle.meter, source, "meter"))
    except InputError as error:
        where = shown_source(source)
        raise error if error.where.startswith(where) else InputError(str(error), where=where) from None


def _place(name: str, source: str, what: str) -> str:
    """Return a path that can be opened, or the name of what is shipped."""
    if not is_path(name):
        return name
    folder = Path(source).parent
    where = f"{shown_source(source)}: {what}"
    try:
        outside = not (folder / name).resolve().is_relative_to(folder.resolve())
        there = not outside and (folder / name).is_file()
    except (OSError, ValueError, RuntimeError):  # a link that leads to itself, a null character
        outside, there = False, False
    if outside:  # through .. or through a link: a puzzle comes from somebody else
        raise InputError(f"{quoted(name)} leads out of the folder; accepted: a file in this folder", where=where)
    if not there:
        raise InputError(
            f"no file {quoted(name)} beside it; accepted: the folder as it was made, with its {what} file", where=where
        )
    return f"{folder}/{name}"
