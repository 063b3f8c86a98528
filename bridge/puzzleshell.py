"""A puzzle played on a terminal, over a slow link, or fed from a pipe."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from bridge.benchshell import read_line
from bridge.board import Board, load_board
from bridge.errors import InputError
from bridge.faults import Fault, parse_fault
from bridge.journal import parse_setup
from bridge.layout import write_text
from bridge.meter import MeterProfile, load_meter
from bridge.puzzlebench import SETUP_ERRORS, PuzzleBench, real_setup
from bridge.puzzlefile import Key, parse_key, parse_puzzle
from bridge.puzzleplay import PROMPT, Play, Said, parse_play
from bridge.sessionfile import SessionFile
from bridge.textfile import decode_text, read_file, shown_source
from bridge.virtualboard import VirtualBoard

__all__ = ["bench_of", "play_file"]


def bench_of(key: Key, board: Board, meter: MeterProfile, where: str) -> PuzzleBench:
    """Return the board on the bench, with the values the key holds.

    Parameters
    ----------
    key : Key
        The key.
    board, meter
        The kinds of board and meter.
    where : str
        Name of the key, for messages.

    Raises
    ------
    InputError
        The key does not fit the board.
    """
    parts = dict(board.parts)
    for ref, own in key.real.values.items():
        if ref not in parts or not set(own) <= set(parts[ref].values):
            raise InputError(f"{ref} has no such values on {board.name}", where=f"{shown_source(where)}: real.values")
        parts[ref] = dataclasses.replace(parts[ref], values=dict(parts[ref].values) | own)
    if key.error and key.error not in SETUP_ERRORS:
        raise InputError(
            f"{key.error!r:.40}; accepted: {', '.join(SETUP_ERRORS)}", where=f"{shown_source(where)}: error"
        )
    damage: list[tuple[Fault, float | None]] = []
    for one in key.faults:
        ohms = "" if one.ohms is None else f":{one.ohms!r}"
        damage.append(parse_fault(f"{one.part}:{one.mode}{ohms}", board))
    stated = parse_setup(key.puzzle.setup, board)
    really = dataclasses.replace(real_setup(stated, key.error), temperature_c=key.real.temperature_c)
    gains = {name: key.real.gains.get(name, 0.0) for name in ("diode", *(one.name for one in meter.ohms))}
    virtual = VirtualBoard(dataclasses.replace(board, parts=parts), meter, really, gains)
    return PuzzleBench(virtual, stated, tuple(damage), key.error, key.real.luck)


def play_file(source: str, key_source: str | None, journal: str | None) -> None:
    """Play a puzzle; every accepted line is on disk before the next prompt.

    Parameters
    ----------
    source : str
        The trainee's file.
    key_source : str or None
        The key.
    journal : str or None
        Where the play is kept; beside the puzzle by default.

    Raises
    ------
    InputError
        A file that is not what it should be, a key of another puzzle, or a board to be probed without its key.
    OSError
        The disk or the terminal takes no more.
    """
    puzzle = parse_puzzle(read_file(source), source)
    where = shown_source(source)
    try:
        board, meter = load_board(puzzle.board), load_meter(puzzle.meter)
    except InputError as error:
        raise InputError(str(error), where=where) from None
    key = None if key_source is None else parse_key(read_file(key_source), key_source)
    bench = None
    if key is not None and key_source is not None:
        if key.puzzle != puzzle:
            raise InputError(
                "the key of another puzzle; accepted: the one made with it", where=shown_source(key_source)
            )
        bench = bench_of(key, board, meter, key_source)
    elif not puzzle.readings:
        raise InputError("a board to be probed needs its key: --key KEY", where=where)
    try:
        play = Play(puzzle, board, meter, key, bench)
    except InputError as error:
        raise InputError(str(error), where=where) from None
    place = journal or str(Path(source).with_suffix(".play.jsonl"))
    with SessionFile(place) as opened:
        resumed = bool(opened.content.strip())
        if resumed:
            where = shown_source(opened.path)
            text = decode_text(opened.content, where)
            play.take_up(parse_play(text, where, puzzle, judged=key is not None), where)
        _talk(play, opened, play.begin(resumed=resumed))


def _talk(play: Play, file: SessionFile, said: Said) -> None:
    try:
        while True:
            if said.record:
                file.append(said.record)
            if said.lines:
                write_text("\n".join((*said.lines, "")))
            if said.done:
                break
            write_text(PROMPT)
            line = read_line(sys.stdin)
            if not sys.stdin.isatty():
                write_text("\n")  # what was read was not echoed
            said = play.hear(line if line is not None else "stop")
    except KeyboardInterrupt:
        write_text("\nStopped.\n")
