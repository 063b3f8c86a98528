"""Where entries stand in a TOML text, checked against lines that say themselves where they are."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.tomllines import Place, TomlLines

TEXT = '''# line 1
name = "x"
about = """
[[part]]
ohms = 1
"""
list = [
  "a", # ] = [
  "b",
]
[[part]]
ref = 'R#1'
pins = { a = "P", b = "N" }
pins2.a = "P"
"odd = key" = 1
[[ part ]]   # the second
ohms = 3
[part.pins]
a = "P"
[block.pair]
required = ["pos"]
[[block.pair.part]]
ref = "{pos}"
[[block.pair.part]]
ref = "R_2"
[[block.pair.part.deep]]
x = """a""" # b
y = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("name",), 2),
        (("about",), 3),
        (("list",), 7),
        (("part", 0), 11),
        (("part", 0, "ref"), 12),
        (("part", 0, "pins", "b"), 13),
        (("part", 0, "pins2", "a"), 14),
        (("part", 0, "odd = key"), 15),
        (("part", 0, "missing"), 11),
        (("part", 1), 16),
        (("part", 1, "ohms"), 17),
        (("part", 1, "pins", "a"), 19),
        (("part", 1, "pins", "b"), 18),
        (("block", "pair", "label"), 20),
        (("block", "pair", "part", 1, "ref"), 25),
        (("block", "pair", "part", 1, "deep", 0, "x"), 27),
        (("block", "pair", "part", 1, "deep", 0, "y"), 28),
    ],
)
def test_finds_the_line(path: tuple[str | int, ...], line: int) -> None:
    """A key is found on its own line, one that is not there on its entry's header."""
    assert TomlLines(TEXT).line_of(path) == line
    assert TomlLines(TEXT.replace("\n", "\r\n")).line_of(path) == line


@pytest.mark.parametrize("path", [(), ("missing",), ("part", 2), ("part", 2, "ohms"), ("block",), ("list", 0)])
def test_says_nothing_rather_than_guess(path: tuple[str | int, ...]) -> None:
    """What is not in the text, or stands somewhere inside a value, has no line."""
    assert TomlLines(TEXT).line_of(path) is None


def test_tables_inside_a_value_have_no_line() -> None:
    """An array of tables written inside brackets may go over many lines: its entries have none."""
    lines = TomlLines('part = [\n{ ref = "A" },\n{ ref = "B" },\n]\n')
    assert lines.line_of(("part", 1, "ref")) is None
    assert lines.line_of(("part",)) == 1


def test_what_a_block_writes_is_on_the_line_of_its_use() -> None:
    """A key of a written-out part that the use happens to hold, too, is not taken for it."""
    use = Place("b.toml", TomlLines('[[use]]\nblock = "x"\nohms = 3\n')).at("use", 0, words="use 1")
    assert str(use.at("ohms", words="key ohms")) == "b.toml, line 3, use 1, key ohms"
    assert str(use.of_what_it_writes().at("ohms", words="key ohms")) == "b.toml, line 1, use 1, key ohms"


VALUES = st.sampled_from(
    ["1", '"a # b"', "'[x]'", '"""\nk0 = 1\n[[t]]\n"""', "'''\n[t]\n'''", "[\n1, # ]\n2]", "{ a = [1] }", '"\\""']
)


@given(st.lists(st.tuples(st.booleans(), VALUES), min_size=1, max_size=12))
def test_any_order_of_values(entries: list[tuple[bool, str]]) -> None:
    """Whatever stands in the values before it, each key is on the line it was written to."""
    text, wanted, table = "", {}, -1
    for number, (opens, value) in enumerate(entries):
        if opens:
            table += 1
            wanted["t", table] = text.count("\n") + 1
            text += "[[t]]\n"
        wanted[(*(("t", table) if table >= 0 else ()), f"k{number}")] = text.count("\n") + 1
        text += f"k{number} = {value} # k9 = 1\n"
    lines = TomlLines(text)
    assert {path: lines.line_of(path) for path in wanted} == wanted
