"""However much is wrong with a file, the message can be read."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.errors import InputError, InputErrors
from bridge.loosepart import load_loose
from bridge.meter import load_meter
from bridge.powersheet import load_power_readings
from bridge.rigrank import load_rig_readings
from bridge.spares import load_spares
from bridge.switchpart import load_part


@pytest.mark.parametrize(
    ("count", "length", "told"), [(1, 5000, 1), (3, 20, 3), (10, 50, 10), (300, 50, 10), (9, 900, 2)]
)
def test_many_problems_are_counted(count: int, length: int, told: int) -> None:
    """The first problems are told, as many as fit two thousand signs and ten at most; the rest is counted."""
    errors = [InputError(f"{'x' * length}{number}", where=f"part {number}") for number in range(count)]
    message = str(InputErrors(errors))
    assert [f"part {number}:" in message for number in range(count)] == [number < told for number in range(count)]
    assert message.endswith(f"; {count - told} more problems") == (count > told)
    assert len(InputErrors(errors).errors) == count


def test_what_was_said_is_not_said_again() -> None:
    """One slip at six places lists what is accepted once, and still names every place."""
    errors = [
        InputError("found 'screw'; accepted is 'terminal', 'pad' or 'pin'", where=f"b.toml, line {line}")
        for line in range(1, 7)
    ]
    message = str(InputErrors(errors))
    assert message.count("accepted is") == 1
    assert [message.count(f"b.toml, line {line}:") for line in range(1, 7)] == [1] * 6


SHEETS: dict[str, tuple[str, str, Callable[[str], object]]] = {
    "first power-up": (
        "red,black,volts",
        "P,N,soup",
        lambda source: load_power_readings(source, load_board("six-switch-bridge")),
    ),
    "rig": ("button,lamp", "up,soup", load_rig_readings),
    "loose switch": ("step,reading", "soup,OL", lambda source: load_loose(source, load_part(), load_meter())),
    "spares": ("part,ge", ",OL", lambda source: load_spares(source, load_part(), load_meter())),
    "rows longer than their header": (
        "part,ge",
        "A1,OL,OL",
        lambda source: load_spares(source, load_part(), load_meter()),
    ),
}


@pytest.mark.parametrize("kind", SHEETS)
def test_every_wrong_row_is_counted(kind: str, tmp_path: Path) -> None:
    """Of 25 wrong rows those told and those counted are all, whatever the sheet is for."""
    header, row, load = SHEETS[kind]
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("\n".join([header, *[row] * 25, ""]), encoding="utf-8")
    with pytest.raises(InputErrors) as caught:
        load(str(sheet))
    message = str(caught.value)
    told = sum(re.search(rf"line {line}\b", message) is not None for line in range(2, 27))
    assert message.endswith(f"; {25 - told} more problems")
