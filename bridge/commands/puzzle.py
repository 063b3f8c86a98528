"""``bridgefault puzzle``: faults to find, with one right answer."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.errors import InputError
from bridge.layout import Page
from bridge.options import AsJson, BenchOptions, BoardName, with_bench_options

__all__ = ["make", "mark", "play", "puzzle"]

puzzle = typer.Typer(name="puzzle", rich_markup_mode=None, help="Make, play and mark fault puzzles.")


@with_bench_options
def make(
    board: BoardName,
    *,
    out: Annotated[
        str | None, typer.Option("--out", metavar="FOLDER", help="Where the set goes. [default: puzzles-BOARD]")
    ] = None,
    count: Annotated[str, typer.Option("--count", metavar="N", help="How many, no two the same.")] = "1",
    level: Annotated[
        str | None, typer.Option("--level", metavar="1-5", help="One level, or some spread evenly: 3, 1-5, 2,4.")
    ] = None,
    plant: Annotated[
        list[str] | None,
        typer.Option(
            "--plant",
            metavar="WHAT",
            help="single, pair, pattern, nothing or setup. Repeatable. [default: a mixture without pattern]",
        ),
    ] = None,
    part: Annotated[
        list[str] | None, typer.Option("--part", metavar="PART", help="Part that fails, or its component. Repeatable.")
    ] = None,
    leg: Annotated[list[str] | None, typer.Option("--leg", metavar="U", help="Leg that fails. Repeatable.")] = None,
    kind: Annotated[
        list[str] | None, typer.Option("--kind", metavar="KIND", help="Kind of part that fails: diode. Repeatable.")
    ] = None,
    reach: Annotated[
        str, typer.Option("--reach", metavar="HOW", help="How far readings go: terminals, gates or holds.")
    ] = "gates",
    probe: Annotated[
        bool, typer.Option("--probe", help="No worksheet: a board to be probed with puzzle play.")
    ] = False,
    seed: Annotated[
        str | None,
        typer.Option(
            "--seed", metavar="N", help="The same seed gives the same puzzles. [default: a new one, kept in the keys]"
        ),
    ] = None,
    certain: Annotated[
        str, typer.Option("--certain", metavar="P", help="How probable the right answer must be.")
    ] = "0.95",
    bench: BenchOptions,
) -> Page:
    """Make puzzles that are proved to have one right answer.

    The folder gets trainee/ to hand out and trainer/ with the keys. Without --seed every run
    makes other puzzles; their seed is shown and stands in the keys, in no
    file to hand out.
    """
    import time

    from bridge.puzzlebeside import texts_beside
    from bridge.puzzlemake import make_puzzles
    from bridge.puzzleorder import parse_order
    from bridge.puzzleset import check_folder, set_files, write_set
    from bridge.puzzlewords import Progress, made_page

    order = parse_order(
        board, bench, level=level, plant=plant, part=part, leg=leg, kind=kind, reach=reach, count=count,
        seed=seed, probe=probe, certain=certain,
    )  # fmt: skip
    folder = out or f"puzzles-{order.name}"
    check_folder(folder)
    beside = texts_beside(order.board, order.meter)
    begun = time.monotonic()
    try:
        made = make_puzzles(order, Progress().show)
    except KeyboardInterrupt:
        typer.echo("\nStopped; nothing was written.", err=True)
        raise
    write_set(folder, set_files(made.keys, beside))
    return made_page(made, folder, time.monotonic() - begun)


def play(
    file: Annotated[str, typer.Argument(metavar="PUZZLE", help="The trainee's file.", show_default=False)],
    *,
    key: Annotated[
        str | None, typer.Option("--key", metavar="KEY", help="The trainer's key: any reading can be asked for then.")
    ] = None,
    journal: Annotated[
        str | None,
        typer.Option("--file", metavar="FILE", help="Where it is kept. [default: beside the key, or the puzzle]"),
    ] = None,
) -> None:
    """Find the fault, one reading at a time.

    Each reading costs effort; hints do, too. With the key the answer is judged, and every reading
    is gone through again. Everything typed is kept; the same command goes on with it.
    """
    from bridge.puzzleshell import play_file

    play_file(file, key, journal)


def mark(
    key: Annotated[str, typer.Argument(metavar="KEY", help="A key, or the folder of a set.", show_default=False)],
    answers: Annotated[
        str,
        typer.Argument(
            metavar="ANSWERS", help="Table with who, puzzle, answer; - for standard input.", show_default=False
        ),
    ],
    *,
    json: AsJson = False,
) -> None:
    """Mark the answers of a class.

    A table with the columns who, puzzle, answer and perhaps effort. What cannot be read is named
    with its line, and the rest is marked.
    """
    from bridge import payload, puzzlewords
    from bridge.layout import write_page, write_text
    from bridge.puzzlemark import mark_class
    from bridge.puzzleset import load_keys, paths_of_keys
    from bridge.textfile import read_file, shown_source

    marks = mark_class(load_keys(key), read_file(answers), answers, paths_of_keys(key)[0])
    if json:
        write_text(payload.json_text(puzzlewords.marks_payload(marks)))
    else:
        write_page(puzzlewords.marks_page(marks))
    if marks.refused:
        raise InputError(puzzlewords.refused_words(marks, in_json=json), where=shown_source(answers))


for _command in (make, play, mark):
    puzzle.command()(_command)
