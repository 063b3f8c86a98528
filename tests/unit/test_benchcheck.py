"""Numbers typed at the bench that are perhaps not what they seem."""

from __future__ import annotations

from bridge.benchcheck import slip_question
from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.ranking import Candidate, FaultGuess
from bridge.readings import parse_reading


def test_a_prefix_lost_beside_what_a_suspect_shows_is_asked_about() -> None:
    """With an M it is what the likeliest damage reads there; as it stands nothing in question reads it."""
    board, meter, setup = load_board("half-bridge-cooktop"), load_meter(), Setup()
    blown = Candidate((FaultGuess("F_1", "open", None), FaultGuess("Q_L", "ce-short", 0.3)), 0.8, 0)
    shorted = Candidate((FaultGuess("Q_H", "ce-short", 0.001),), 0.2, 1)
    fields = {"red": "P", "black": "MID", "mode": "ohms", "reading": "0.18"}
    reading = parse_reading(fields, board, meter, setup)
    asked = slip_question(reading, board, meter, setup, [blown])
    assert asked is not None
    assert "If MΩ were meant, write 0.18M." in asked
    assert slip_question(reading, board, meter, setup) is None
    assert slip_question(reading, board, meter, setup, [blown, shorted]) is None
