"""The bridge in characters: every main part, suspects marked, never wider than the terminal."""

from __future__ import annotations

import re

import pytest

from bridge.board import list_boards, load_board
from bridge.columns import Column, arrange_columns
from bridge.layout import Table, plain_text
from bridge.probing import Probing
from bridge.rankingpage import ranking_page
from bridge.sketch import LEAST_WIDTH, bridge_sketch, ranking_sketch
from tests.pictures.handmade import ranking_of, readings_of
from tests.pictures.oddboards import odd_boards

BOARDS = {name: load_board(name) for name in list_boards()}


def test_a_bridge_as_a_technician_would_pencil_it() -> None:
    """Legs under each other, plus above and minus below, the suspects with shade and percentage."""
    drawn = bridge_sketch(BOARDS["drive-module"], {"Q_VL": 0.86, "D_VL": 0.4, "D_WL": 0.012, "Q_WH": 0.009})
    assert drawn.splitlines() == [
        "P   ─┬───────┬────────────┬─────────────",
        "     ├ Q_UH  ├ Q_VH       ├ Q_WH",
        "     ├ D_UH  ├ D_VH       ├ D_WH",
        "     o U     o V          o W",
        "     ├ Q_UL  ├█Q_VL 86 %  ├ Q_WL",
        "     ├ D_UL  ├▓D_VL 40 %  ├░D_WL 1.2 %",
        "     NU      NV           NW",
    ]


def test_a_typewriter_is_enough() -> None:
    """Where the terminal has no such characters, those of a typewriter say the same."""
    drawn = bridge_sketch(BOARDS["six-switch-bridge"], {"Q_VL": 0.86, "RG_UH": 0.02}, typed=True)
    assert drawn.isascii()
    assert "#Q_VL 86 %" in drawn
    assert ".RG_UH 2.0 %" in drawn


@pytest.mark.parametrize("width", [100, 132])
@pytest.mark.parametrize("name", BOARDS)
def test_no_line_is_wider_than_the_terminal(name: str, width: int) -> None:
    """On a hundred columns or more every line fits, even with many suspects."""
    suspicion = dict.fromkeys(list(BOARDS[name].parts)[:12], 0.3)
    assert max(map(len, bridge_sketch(BOARDS[name], suspicion, width).splitlines())) <= width


@pytest.mark.parametrize("name", [*BOARDS, *odd_boards()])
def test_every_suspect_is_shown_once(name: str) -> None:
    """Whichever part is suspect, a gate resistor or a part beside the bridge, it is named once with its percentage."""
    board = (BOARDS | odd_boards())[name]
    for ref in board.parts:
        drawn = bridge_sketch(board, {ref: 0.73})
        assert re.findall(rf"█{re.escape(ref)} 73 %", drawn) == [f"█{ref} 73 %"]


@pytest.mark.parametrize("name", BOARDS)
def test_what_carries_the_current_is_always_there(name: str) -> None:
    """Without any suspect, every switch and every part of a column that is not outside the board is drawn."""
    drawn = bridge_sketch(BOARDS[name], {})
    words = re.findall(r"[\w+]+", drawn)
    for column in (item for item in arrange_columns(BOARDS[name]).items if isinstance(item, Column)):
        refs = [gate.switch for hop in column.hops for gate in hop.gates]
        refs += [ref for hop in column.hops for ref in hop.parts if BOARDS[name].parts[ref].when is None]
        assert [words.count(ref) for ref in refs] == [1] * len(refs)


def test_the_ranking_is_drawn_on_a_wide_terminal_alone() -> None:
    """The answer of ``rank`` has the drawing from a hundred columns on, behind the verdict, and never in a pipe."""
    board = BOARDS["six-switch-bridge"]
    ranking = ranking_of(board, "Q_UL:ce-short", readings=readings_of(board, "Q_UL:ce-short", (Probing("N", "U"),)))
    assert ranking_sketch(ranking, LEAST_WIDTH - 1) == []
    wide = [block for block in ranking_page(ranking, 5, columns=LEAST_WIDTH) if not isinstance(block, Table)]
    at = next(number for number, block in enumerate(wide) if "Q_UL >99 %" in block)
    assert wide[at - 1].startswith("Replace Q_UL")
    assert "├" not in plain_text(ranking_page(ranking, 5))
