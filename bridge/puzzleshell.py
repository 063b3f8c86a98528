"""A puzzle played on a terminal, over a slow link, or fed from a pipe."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from bridge.benchshell import read_line
from bridge.board import Board, Part
from bridge.errors import InputError
from bridge.faults import Fault, parse_fault
from bridge.journal import parse_setup
from bridge.layout import write_text
from bridge.meter import MeterProfile
from bridge.partkinds import PART_KINDS
from bridge.probing import COLDEST_C, HOTTEST_C
from bridge.puzzlebench import SETUP_ERRORS, PuzzleBench, real_setup
from bridge.puzzlebeside import load_beside
from bridge.puzzlefile import Key, parse_key, parse_puzzle
from bridge.puzzleplay import PROMPT, Play, Said, parse_play
from bridge.sessionfile import SessionFile
from bridge.textfile import decode_text, read_file, shown_source
from bridge.virtualboard import VirtualBoard, nearest_accepted

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
    place = shown_source(where)
    own = dataclasses.replace(board, parts=_own_parts(key, board, place))
    if key.error and key.error not in SETUP_ERRORS:
        raise InputError(f"{key.error!r:.40}; accepted: {', '.join(SETUP_ERRORS)}", where=f"{place}: error")
    damage: list[tuple[Fault, float | None]] = []
    for number, one in enumerate(key.faults, 1):
        ohms = "" if one.ohms is None else f":{one.ohms!r}"
        try:
            damage.append(parse_fault(f"{one.part}:{one.mode}{ohms}", board))
        except InputError as error:
            raise InputError(error.problem, where=f"{place}: faults.{number}") from None
    try:
        stated = parse_setup(key.puzzle.setup, board)
    except InputError as error:
        raise InputError(str(error), where=f"{place}: puzzle") from None
    celsius = key.real.temperature_c
    if not COLDEST_C <= celsius <= HOTTEST_C:
        raise InputError(
            f"found {celsius:g}; accepted: {COLDEST_C:g} to {HOTTEST_C:g}", where=f"{place}: real.temperature_c"
        )
    really = dataclasses.replace(real_setup(stated, key.error), temperature_c=celsius)
    gains = {name: key.real.gains.get(name, 0.0) for name in ("diode", *(one.name for one in meter.ohms))}
    virtual = VirtualBoard(own, meter, really, gains)
    return PuzzleBench(virtual, stated, tuple(damage), key.error, key.real.luck)


def _own_parts(key: Key, board: Board, place: str) -> dict[str, Part]:
    """Return the parts with the values the key holds, each of which a board file could have given."""
    parts = dict(board.parts)
    for ref, own in key.real.values.items():
        if ref not in parts or not set(own) <= set(parts[ref].values):
            raise InputError(f"{ref} has no such values on {board.name}", where=f"{place}: real.values")
        for name, value in own.items():
            spec = PART_KINDS[parts[ref].kind].values[name]
            if nearest_accepted(spec, value) != value:
                zero = " or 0" if spec.zero else ""
                raise InputError(
                    f"found {value:g}; accepted: {spec.low:g} to {spec.high:g} {spec.unit}{zero}",
                    where=f"{place}: real.values.{ref}.{name}",
                )
        values = dict(parts[ref].values) | own
        if parts[ref].kind == "diode" and 1e-3 * values["series_ohms"] >= values["drop_1ma"]:
            raise InputError(
                f"found {values['drop_1ma']:g}; accepted: more than the {1e-3 * values['series_ohms']:g} V that "
                f"series_ohms drops at 1 mA",
                where=f"{place}: real.values.{ref}.drop_1ma",
            )
        parts[ref] = dataclasses.replace(parts[ref], values=values)
    return parts


def play_file(source: str, key_source: str | None, journal: str | None) -> None:
    """Play a puzzle; every accepted line is on disk before the next prompt.

    Parameters
    ----------
    source : str
        The trainee's file.
    key_source : str or None
        The key.
    journal : str or None
        Where the play is kept; beside the key by default, without one beside the puzzle.

    Raises
    ------
    InputError
        A file that is not what it should be, a key of another puzzle, or a board to be probed without its key.
    OSError
        The disk or the terminal takes no more.
    """
    puzzle = parse_puzzle(read_file(source), source)
    where = shown_source(source)
    board, meter = load_beside(puzzle, source)
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
    # what is judged ends with the answer: that is kept where the keys are, not in the folder to hand out
    own = Path(source).with_suffix(".play.jsonl")
    place = journal or str(own if key_source is None else Path(key_source).with_name(own.name))
    with SessionFile(place) as opened:
        resumed = bool(opened.content.strip())
        anew = "; to begin anew, delete it, or name another with --file" if resumed else ""
        write_text(f"Kept in {shown_source(opened.path)}{anew}.\n")
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
