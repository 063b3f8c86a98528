"""Answers that come in many small pieces are those that come at once."""

from __future__ import annotations

import numpy as np

from bridge.board import load_board
from bridge.faultspace import build_space
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.readingcolumn import ReadingColumn
from bridge.table import build_table


def test_pairs_solved_in_pieces_show_what_they_show_at_once() -> None:
    """300 pairs asked for one by one, through several growths of the store, show what one request shows."""
    board, meter = load_board("half-bridge-cooktop"), load_meter()
    space = build_space(board, Setup())
    plus, minus = board.main_terminals[:2]

    def column() -> ReadingColumn:
        return build_table(space, meter, [Probing(plus, minus, "diode")]).columns[0]

    one, other = column(), column()
    start, end = one.known_pairs(*(one.row_of_double[members] for members in space.pairs))
    some = np.flatnonzero((start < 0) | (end < 0))[:300]
    assert len(some) == 300
    first, second = (members[some] for members in space.pairs)
    rows = one.row_of_double
    at_once = one.displays(*one.of_pairs(rows[first], rows[second]))
    before = len(other.cells.answers.value)
    for k in range(300):
        other.of_pairs(rows[first[k : k + 1]], rows[second[k : k + 1]])
    assert len(other.cells.answers.value) >= before + 250
    piecewise = other.displays(*other.of_pairs(rows[first], rows[second]))
    for name in ("value", "start", "end", "time_sd", "own_sd", "batch_load", "severity_load"):
        np.testing.assert_allclose(getattr(piecewise, name), getattr(at_once, name), rtol=1e-5, atol=1e-7)
