"""``bridgefault sheet`` gives worksheets on the screen, as a file and as a page."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from tests.conftest import Outcome

Command = Callable[..., Outcome]


def test_on_the_screen(command: Command) -> None:
    """Making safe comes first, then the readings with their numbers."""
    outcome = command("sheet", "six-switch-bridge", "--expected")
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.index("never with a blade") < outcome.out.index("Readings, in the order")
    assert "0.344 to 0.496" in outcome.out
    assert len([line for line in outcome.out.splitlines() if line.endswith(("diode", "ohms")) or " to " in line]) > 6


def test_a_filled_file_is_ranked(command: Command, tmp_path: Path) -> None:
    """The file of --csv, filled in for a shorted low side, leads rank to that switch."""
    outcome = command("sheet", "six-switch-bridge", "--csv")
    assert outcome.status == 0
    shown = {("N", "U"): "0.002", ("U", "N"): "0.002", ("N", "V"): "0.42", ("N", "W"): "0.42", ("U", "P"): "0.42"}
    lines = outcome.out.splitlines()
    filled = [lines[0]]
    for line in lines[1:]:
        red, black, mode, _, note = line.split(",")
        filled.append(f"{red},{black},{mode},{shown.get((red, black), '')},{note}")
    path = tmp_path / "filled.csv"
    path.write_text("\n".join(filled) + "\n")
    ranked = command("rank", "six-switch-bridge", str(path))
    assert (ranked.status, ranked.err) == (0, "")
    assert any(line.startswith("Replace Q_UL ") for line in ranked.out.splitlines())


def test_as_a_page(command: Command, tmp_path: Path) -> None:
    """--html writes the page and says where; a folder that is not there is refused in one line."""
    path = tmp_path / "sheet.html"
    outcome = command("sheet", "motor-drive", "--short", "--html", str(path))
    assert (outcome.status, outcome.out) == (0, f"Written to {path}.\n")
    assert path.read_text().startswith("<!DOCTYPE html>")
    refused = command("sheet", "motor-drive", "--html", str(tmp_path / "none" / "sheet.html"))
    assert (refused.status, refused.out) == (2, "")
    assert len(refused.err.splitlines()) == 1


def test_for_programs(command: Command) -> None:
    """--json gives every reading with its places."""
    outcome = command("sheet", "single-switch-cooktop", "--json")
    answer = json.loads(outcome.out)
    assert answer["board"] == "single-switch-cooktop"
    assert all({"red", "black", "mode"} <= set(row) for row in answer["readings"])


def test_one_form_at_a_time(command: Command) -> None:
    """Two forms at once are refused."""
    outcome = command("sheet", "six-switch-bridge", "--csv", "--json")
    assert (outcome.status, outcome.out) == (2, "")
    assert "one of them" in outcome.err
