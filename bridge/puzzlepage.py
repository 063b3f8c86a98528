"""Puzzles on paper: the trainee's handout and the trainer's key, one page of HTML each that needs nothing else."""

from __future__ import annotations

import csv
import io
from typing import Any

from bridge.board import Board
from bridge.circuit import build_circuit
from bridge.htmlpage import render
from bridge.journal import parse_setup
from bridge.layout import Table
from bridge.makesafe import making_safe
from bridge.meter import MeterProfile
from bridge.puzzlefile import Key, Puzzle
from bridge.puzzlewords import answer_words, key_page, planted_words
from bridge.schematic import board_picture

__all__ = ["handout_html", "key_html", "sheet_csv"]


def _columns(puzzle: Puzzle) -> tuple[list[str], list[tuple[str, ...]]]:
    held = any(row.hold for row in puzzle.readings)
    titles = ["red", "black", "mode", *["hold"] * held, "reading"]
    rows = [(row.red, row.black, row.mode, *[row.hold] * held, row.reading) for row in puzzle.readings]
    return titles, rows


def sheet_csv(puzzle: Puzzle) -> str:
    """Return the worksheet of a puzzle as a readings file.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    """
    titles, rows = _columns(puzzle)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*titles, "note"])
    writer.writerows((*row, "discharged") for row in rows)
    return text.getvalue()


def _common(puzzle: Puzzle, board: Board, meter: MeterProfile) -> dict[str, Any]:
    titles, rows = _columns(puzzle)
    setup = parse_setup(puzzle.setup, board)
    return {
        "puzzle": puzzle,
        "board": board,
        "meter": meter.title or meter.name,
        "picture": board_picture(board, list(build_circuit(board, setup).parts)),
        "titles": titles,
        "rows": rows,
        "dwell": f"{setup.dwell_s:g}",
        "safety": making_safe(board),
        "key": None,
    }


def handout_html(puzzle: Puzzle, board: Board, meter: MeterProfile) -> str:
    """Return the trainee's handout.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    board : Board
        Its board.
    meter : MeterProfile
        Its meter.
    """
    return render("puzzle", **_common(puzzle, board, meter))


def key_html(key: Key, board: Board, meter: MeterProfile) -> str:
    """Return the trainer's key.

    Parameters
    ----------
    key : Key
        The key.
    board : Board
        Its board.
    meter : MeterProfile
        Its meter.
    """
    page = key_page(key, board)[1 + len(planted_words(key, board)) :]
    blocks = [
        {"title": block.title, "columns": [one.title for one in block.columns], "rows": block.rows}
        if isinstance(block, Table)
        else {"words": block}
        for block in page
    ]
    told = {"answer": answer_words(key), "planted": planted_words(key, board), "odd": key.effort.odd, "blocks": blocks}
    return render("puzzle", **(_common(key.puzzle, board, meter) | {"key": told}))
