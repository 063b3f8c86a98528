"""Pages for a narrow screen."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.layout import Column, Table
from bridge.narrow import narrow_lines

WORDS = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Zs")), max_size=120)


@given(st.lists(WORDS, max_size=4), st.lists(st.tuples(WORDS, WORDS, WORDS), min_size=1, max_size=4))
def test_no_line_is_too_wide(paragraphs: list[str], rows: list[tuple[str, str, str]]) -> None:
    """Whatever a page holds, no line is wider than asked for."""
    table = Table("A title that is rather long for so narrow a screen", tuple(map(Column, "abc")), tuple(rows))
    assert max(map(len, narrow_lines([*paragraphs, table], 40))) <= 40


def test_nothing_is_cut_off() -> None:
    """Every word of a wide table is still there, columns aligned."""
    long = " ".join(f"word{number}" for number in range(30))
    lines = narrow_lines([Table("T", (Column("n", right=True), Column("text")), (("1", long), ("20", "short")))], 40)
    joined = " ".join(" ".join(lines).split())
    assert all(f"word{number}" in joined for number in range(30))
    assert lines[1] == " n  text"
    assert lines[-1] == "20  short"


def test_numbered_paragraphs_hang() -> None:
    """A numbered paragraph is set under its own text."""
    assert narrow_lines(["1. one two three"], 10) == ["1. one two", "   three"]


def test_control_characters_do_not_reach_the_screen() -> None:
    """What could steer a terminal is replaced."""
    lines = narrow_lines(["a\x1b[2Jb", Table("T", (Column("c"),), (("x\x07",),))])
    assert all(line.isprintable() for line in lines)
