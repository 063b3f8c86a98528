"""What a program or a notebook may do with the public names, beside what the command line does with them."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.advise import suggest_readings
from bridge.board import load_board
from bridge.errors import InputError
from bridge.meter import load_meter
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import load_probings, load_readings, parse_readings

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def ranking() -> Ranking:
    """Return the ranking of a six-switch bridge by two readings."""
    board = load_board("six-switch-bridge")
    taken = parse_readings(b"red,black,mode,reading\nN,U,diode,0.002\nU,N,diode,0.002\n", "sheet", board)
    return rank(board, taken.meter, taken.setup, taken.readings)


def test_files_may_be_given_as_path_objects() -> None:
    """Board, meter and readings load from a path object as from its text."""
    board_file = ROOT / "topologies" / "six-switch-bridge.toml"
    sheet = ROOT / "examples" / "fan-drive" / "readings.csv"
    meter_file = ROOT / "bridge" / "data" / "meters" / "handheld.toml"
    board = load_board(board_file)
    assert board == load_board(str(board_file))
    assert load_meter(meter_file) == load_meter(str(meter_file))
    assert load_readings(sheet, board) == load_readings(str(sheet), board)
    assert load_probings(sheet, board) == load_probings(str(sheet), board)


def test_a_path_object_is_a_file_whatever_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What would be a shipped board, a shipped meter or standard input as text is a file in the folder as a path."""
    monkeypatch.chdir(tmp_path)
    board = load_board("six-switch-bridge")
    for load in (load_board, load_meter, lambda path: load_readings(path, board)):
        with pytest.raises(InputError, match="no such file"):
            load(Path("-"))
    with pytest.raises(InputError, match="no such file"):
        load_board(Path("six-switch-bridge"))
    with pytest.raises(InputError, match="no such file"):
        load_meter(Path("handheld"))


def test_a_ranking_is_shown_in_a_line(ranking: Ranking) -> None:
    """Its short form names the board, how many readings and the leading candidates, not all of them."""
    text = repr(ranking)
    first = ranking.candidates[0]
    assert len(text) < 400
    assert text.startswith("<Ranking of six-switch-bridge by 2 readings: ")
    assert all(f"{fault.part}:{fault.mode}" in text for fault in first.faults)
    assert f"{first.probability:.2g} " in text
    assert text.endswith(f"{len(ranking.candidates) - 3} more>")


@pytest.mark.parametrize("most", [0, -2])
def test_less_than_one_proposal_is_refused(ranking: Ranking, most: int) -> None:
    """No readings and fewer than none are a slip, not a request for some."""
    with pytest.raises(InputError, match=f"most: {most}; accepted: a whole number, 1 or more"):
        suggest_readings(ranking, most)
