"""A whole session at a terminal, as a person has it."""

from __future__ import annotations

import re
import signal
import sys
from pathlib import Path

import pytest

from bridge.benchsession import END_PROMPT
from bridge.board import load_board
from bridge.readings import load_readings
from tests.bench.meterhand import MeterHand

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are there on Unix alone", allow_module_level=True)

from tests.bench.terminal import Terminal

NAME = "single-switch-cooktop"
READING = "reading? "


def test_a_person_finds_the_shorted_switch(tmp_path: Path) -> None:
    """Questions, a slip, a doubt, a question back, a killed session and its second half end in the right verdict."""
    board = load_board(NAME)
    hand = MeterHand.on(board, "Q_L:ce-short")
    with Terminal("bench", NAME, "--file", "s.jsonl", folder=tmp_path) as person:
        came = person.until("volts? ")
        assert "never with a blade" in " ".join(came.split())
        person.type("22")
        assert "discharge through a resistor" in " ".join(person.until("volts? ").split())
        while not came.endswith("meter? "):
            person.type("0.03")
            came = person.until("volts? ", "meter? ")
        for answer, following in (("", "connected? "), ("", "seen? "), ("trips at switch-on", "reach? ")):
            person.type(answer)
            person.until(following)
        person.type("gates")
        person.until("[yes] ")
        person.type("")
        came = person.until(READING)
        assert "Next: red on" in came
        person.type("0,4x")
        assert "is not understood" in " ".join(person.until(READING).split())
        person.type("why")
        assert "the current goes" in " ".join(person.until(READING).split())
        person.type("")
        came = person.until(READING)
        reading = hand.answer(came)
        assert reading is not None
        person.type(reading)
        came = person.until(READING)
        assert "After 1 reading" in came
        person.kill()  # the battery of the laptop
    assert [one.text for one in load_readings(str(tmp_path / "s.jsonl"), board)] == [reading]
    with Terminal("bench", NAME, "--file", "s.jsonl", folder=tmp_path) as person:
        came = person.until("volts? ")
        assert "Taken up again" in came
        while not came.endswith(READING):
            person.type("0.01")
            came = person.until("volts? ", READING)
        for _ in range(25):
            reading = hand.answer(came)
            assert reading is not None
            person.type(reading)
            came = person.until(READING, END_PROMPT)
            if came.endswith(END_PROMPT):
                break
        assert came.endswith(END_PROMPT)
        last = load_readings(str(tmp_path / "s.jsonl"), board).readings[-1]
        person.type("undo")
        came = person.until("volts? ")
        assert "Taken back" in came
        while came.endswith("volts? "):
            person.type("0.01")
            came = person.until("volts? ", READING, END_PROMPT)
        assert load_readings(str(tmp_path / "s.jsonl"), board).readings[-1] != last
        person.type(f"{last.probing.red} {last.probing.black} {last.probing.mode} {last.text}")
        assert person.until(READING, END_PROMPT).endswith(END_PROMPT)
        person.type("")
        person.until("never")
        assert person.process.wait(30) == 0
        said = " ".join(person.screen.split())
    assert re.search(r"(Certain enough|No reading within reach).*Q_L", said)
    assert "To replace" in said
    assert "Power comes back in stages" in said
    # an echo stands behind its prompt, so only what the session wrote itself is measured
    written = [line for line in person.screen.splitlines() if "? " not in line]
    assert max(map(len, written)) <= 80
    assert "\x1b" not in person.screen


def test_interrupted_from_the_keyboard(tmp_path: Path) -> None:
    """Ctrl-C ends the session in a line, with status 0 and everything kept."""
    with Terminal("bench", NAME, "--meter", "handheld", "--seen", "dead", folder=tmp_path) as person:
        person.until("volts? ")
        person.process.send_signal(signal.SIGINT)
        came = person.until("never")
        assert "Traceback" not in came
        assert "Stopped." in came
        assert person.process.wait(30) == 0
