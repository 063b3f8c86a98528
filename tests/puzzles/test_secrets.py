"""The trainee's files hold nothing of the answer: not plain, not encoded, not hashed."""

from __future__ import annotations

import base64
import hashlib
import json
import re

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.puzzlefile import Key, parse_puzzle
from bridge.puzzlepage import handout_html
from bridge.puzzleset import set_files
from tests.puzzles.class_set import FOLDER, pattern_key, shipped_keys

TOKEN = re.compile(rb"[A-Za-z0-9+/=_.:-]{4,}")
SHORTEST_DIGEST = 8


def disguises(word: str) -> set[str]:
    """Return a word as somebody might hide it, in lower case."""
    data = word.encode()
    found = {base64.b64encode(data).decode().rstrip("="), base64.b32encode(data).decode().rstrip("="), data.hex()}
    for name in ("md5", "sha1", "sha256", "sha512", "blake2b"):
        digest = hashlib.new(name, data).hexdigest()
        found |= {digest[:length] for length in range(SHORTEST_DIGEST, len(digest) + 1)}
    found.add(word[::-1])
    return {one.casefold() for one in found if len(one) >= 4}


def secrets(key: Key) -> set[str]:
    """Return everything of one board that could be an answer, and where the puzzle came from."""
    board = load_board(key.puzzle.board)
    modes = {mode for part in board.parts.values() for mode in part.modes}
    faults = {f"{ref}:{mode}" for ref, part in board.parts.items() for mode in part.modes}
    numbers = {str(key.seed), str(key.draw), str(key.real.luck)} | {repr(one.ohms) for one in key.faults}
    return modes | faults | set(board.parts) | {one for one in numbers if len(one) >= 4}


def trainee_files() -> list[tuple[str, bytes]]:
    """Return names and contents of what is handed out."""
    return [(one.name, one.read_bytes()) for one in sorted((FOLDER / "trainee").iterdir())]


@pytest.mark.parametrize("key", shipped_keys(), ids=lambda key: str(key.puzzle.number))
def test_no_answer_in_any_disguise(key: Key) -> None:
    """No part, mode, fault or seed stands in any file of the trainee in base64, hex, reversed or as a hash."""
    leaks_nothing(key, trainee_files())


def leaks_nothing(key: Key, files: list[tuple[str, bytes]]) -> None:
    """Require that no secret of a key stands in any of some files."""
    hidden = set().union(*(disguises(word) for word in secrets(key)))
    for name, content in files:
        words = {token.decode().casefold().strip("=.:-") for token in (*TOKEN.findall(content), name.encode())}
        pieces = {piece for word in words for piece in re.split(r"[.:/=-]", word)}
        assert not hidden & (words | pieces), name


def test_no_answer_of_a_damage_pattern_in_any_disguise() -> None:
    """Of three faults planted together nothing stands in the files that would be handed out, either."""
    key = pattern_key()
    handed_out = [
        (name.rpartition("/")[2], text.encode())
        for name, text in set_files([key]).items()
        if name.startswith("trainee/")
    ]
    assert len(handed_out) == 3
    leaks_nothing(key, handed_out)


def test_the_search_finds_what_is_hidden() -> None:
    """A hash or an encoding planted in a file would be found."""
    hidden = disguises("Q_UL:ce-short")
    assert hashlib.sha256(b"Q_UL:ce-short").hexdigest()[:12] in hidden
    assert base64.b64encode(b"Q_UL:ce-short").decode().rstrip("=").casefold() in hidden


@pytest.mark.parametrize("key", shipped_keys(), ids=lambda key: str(key.puzzle.number))
def test_a_puzzle_holds_what_it_shows_and_no_more(key: Key) -> None:
    """The file has these keys alone; outside readings, story and level it is the same whatever is planted."""
    data = (FOLDER / "trainee" / f"puzzle-{key.puzzle.number:02d}.json").read_bytes()
    plain = json.loads(data)
    assert set(plain) == {
        "bridgefault_puzzle", "number", "level", "board", "meter", "setup", "reach", "story", "task", "readings",
    }  # fmt: skip
    assert all(set(row) == {"red", "black", "mode", "reading", "hold"} for row in plain["readings"])
    modes = {mode for part in load_board(key.puzzle.board).parts.values() for mode in part.modes if "-" in mode}
    assert not [mode for mode in modes if mode.encode() in data]
    assert parse_puzzle(data, "puzzle") == key.puzzle


def test_the_order_of_a_sheet_does_not_depend_on_the_answer() -> None:
    """Puzzles of one board and reach have the same readings in the same order, and handouts alike but for numbers."""
    mine = [
        key.puzzle for key in shipped_keys() if (key.puzzle.board, key.puzzle.reach) == ("six-switch-bridge", "gates")
    ]
    assert len(mine) > 2
    places = {tuple((row.red, row.black, row.mode, row.hold) for row in one.readings) for one in mine}
    assert len(places) == 1
    board, meter = load_board("six-switch-bridge"), load_meter()
    bare = set()
    for one in mine:
        page = handout_html(one, board, meter).replace(one.story, "")
        page = re.sub(r"Puzzle \d+|Level \d", "", page)
        bare.add(re.sub(r"<td>[-\w.]+(?: climbing| falling)?</td></tr>", "", page))
    assert len(bare) == 1
