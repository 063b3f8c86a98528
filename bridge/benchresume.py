"""A bench session taken up again from its file."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from bridge.advise import Reach
from bridge.benchsetup import Briefing, parse_reach
from bridge.board import Board
from bridge.errors import InputError
from bridge.journal import is_journal
from bridge.placement import parse_probing
from bridge.readings import Reading, ReadingSet, parse_readings
from bridge.textfile import shown_source

__all__ = ["resume", "session_reach"]


def resume(data: bytes, source: str, board: Board, typed: Briefing) -> tuple[Briefing, tuple[Reading, ...]]:
    """Return what a session had asked, and its readings.

    Parameters
    ----------
    data : bytes
        Content of its file.
    source : str
        Name of the file.
    board : Board
        The board.
    typed : Briefing
        What was typed this time; a meter other than that of the session is refused, what can be reached may change.

    Raises
    ------
    InputError
        No session of this board, or another meter.
    """
    where = shown_source(source)
    if not is_journal(data):
        raise InputError("no bench session; give another file to keep one in", where=where)
    taken = parse_readings(data, source, board, allow_none=True)
    if typed.meter is not None and typed.meter != taken.meter:
        raise InputError(
            f"a session with meter {taken.meter.name}, not {typed.meter.name}; accepted: the same meter, or a new file",
            where=where,
        )
    if typed.setup is not None and dataclasses.replace(typed.setup, bus_volts=0.0) != dataclasses.replace(
        taken.setup, bus_volts=0.0
    ):
        raise InputError("a session with another set-up; accepted: the same options, or a new file", where=where)
    return Briefing(
        meter=taken.meter,
        meter_name=taken.journal.meter if taken.journal else taken.meter.name,
        setup=taken.setup,
        seen=taken.seen if typed.seen is None else typed.seen,
        reach=session_reach(taken, board, typed.reach),
        discharged=_told(taken).get("discharged") is True if typed.discharged is None else typed.discharged,
    ), taken.readings


def session_reach(taken: ReadingSet, board: Board, typed: Reach | None = None) -> Reach:
    """Return what can be reached in a session, without the places it had to skip.

    Parameters
    ----------
    taken : ReadingSet
        What its journal holds.
    board : Board
        The board.
    typed : Reach, optional
        What can be reached now; what the journal says by default.

    Raises
    ------
    InputError
        The journal names what the board does not have.
    """
    try:
        skipped = frozenset(
            parse_probing(entry["red"], entry["black"], entry["mode"], entry["hold"], entry["lift"], board, taken.meter)
            for entry in (taken.journal.skipped if taken.journal else ())
        )
        reach = typed or _reach_of(_told(taken), board)
    except InputError as error:
        raise InputError(f"skip or reach: {error}", where=shown_source(taken.source)) from None
    return dataclasses.replace(reach, skipped=skipped)


def _told(taken: ReadingSet) -> Mapping[str, Any]:
    """Return what a session asked besides, as its journal has it."""
    return taken.journal.bench if taken.journal else {}


def _reach_of(bench: Mapping[str, Any], board: Board) -> Reach:
    effort, blocked = bench.get("effort"), bench.get("blocked")
    words = [effort] if isinstance(effort, str) else []
    if isinstance(blocked, list) and blocked:
        words += ["no", *(name for name in blocked if isinstance(name, str))]
    return parse_reach(" ".join(words), board)
