"""``bridgefault bench``: one reading after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bridge.errors import InputError
from bridge.options import BenchOptions, BoardName, SeenBefore, certainty, load_told, with_bench_options

if TYPE_CHECKING:
    from bridge.benchsetup import Briefing
    from bridge.board import Board

__all__ = ["bench_session"]


@with_bench_options
def bench_session(
    board: BoardName,
    *,
    file: Annotated[
        str | None,
        typer.Option("--file", metavar="FILE", help="Where the session is kept. [default: bench-BOARD.jsonl]"),
    ] = None,
    certain: Annotated[
        str, typer.Option("--certain", metavar="P", help="Stop when one replace list is this probable.")
    ] = "0.95",
    reach: Annotated[
        str | None,
        typer.Option(
            "--reach", metavar="HOW", help='What can be reached: terminals, gates, holds, lift; "gates no W".'
        ),
    ] = None,
    discharged: Annotated[
        bool | None,
        typer.Option("--discharged/--not-discharged", help="Whether the bus is discharged before every reading."),
    ] = None,
    seen: SeenBefore = None,
    bench: BenchOptions,
) -> None:
    """Go through a board one reading at a time.

    Asks what it must know, proposes a reading, takes what is typed, and stops when enough is
    known. Everything typed is kept in a file; the same command goes on with it.
    """
    from bridge.benchresume import resume
    from bridge.benchsession import BenchSession
    from bridge.benchshell import run_session
    from bridge.layout import terminal_columns
    from bridge.sessionfile import SessionFile

    enough = certainty(certain)
    known = load_told(board, pairs=True)
    typed = _typed(known, bench, seen, reach, discharged)
    with SessionFile(file or f"bench-{known.name}.jsonl") as opened:
        resumed = bool(opened.content.strip())
        answers, readings = resume(opened.content, opened.path, known, typed) if resumed else (typed, ())
        session = BenchSession(known, answers, readings, resumed=resumed, certain=enough, columns=terminal_columns())
        run_session(session, opened)


def _typed(
    board: Board, bench: BenchOptions, seen: list[str] | None, reach: str | None, discharged: bool | None
) -> Briefing:
    from bridge.benchsetup import Briefing, parse_reach
    from bridge.seen import parse_seen

    meter = bench.load_meter()
    try:
        allowed = None if reach is None else parse_reach(reach, board)
    except InputError as error:
        raise InputError(str(error), where="--reach") from None
    return Briefing(
        meter=meter,
        meter_name=bench.meter or "",
        setup=bench.setup(board) if bench.states_setup else None,
        seen=None if seen is None else tuple(str(parse_seen(text, board)) for text in seen),
        reach=allowed,
        discharged=discharged,
    )
