"""The recipe for a board, followed word for word."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from tests.recipes.copies import Copy, recipe


def test_the_text_keeps_the_rules_of_shipped_boards() -> None:
    """Values of the worked text have their origin beside them, parts a block and a role, terminals their words."""
    text = recipe("How to add a board")
    values = re.findall(r"^(?:farads|drop_1ma|ohms) = .*$", text, re.MULTILINE)
    assert len(values) == 2
    assert all("# " in line for line in values)
    held = tomllib.loads(text)
    assert all({"block", "role"} <= set(part) for part in held["part"])
    assert all(terminal["what"] for terminal in held["terminal"])


@pytest.mark.slow
def test_a_new_board(tmp_path: Path) -> None:
    """The board of the recipe is listed, shown without an oddity, predicted as arithmetic says, and ranked."""
    copy = Copy(tmp_path)
    copy.write("topologies/dc-chopper.toml", recipe("How to add a board"))
    assert "dc-chopper" in [board["name"] for board in json.loads(copy.run("boards", "--json").out)["boards"]]
    shown = copy.run("show", "dc-chopper")
    assert (shown.status, shown.err) == (0, "")
    assert "Odd about this board file" not in shown.out
    placed = ("--at", "OUT,P,diode", "--at", "N,OUT,diode", "--at", "N,P,diode", "--at", "G_L,E_L,ohms")
    found = json.loads(copy.run("predict", "dc-chopper", *placed, "--json").out)["readings"]
    # 0.42 V each at 1 mA, two of them in series from minus to plus, beside which the driver's rail leads nowhere
    assert [one["end"] for one in found[:3]] == pytest.approx([0.42, 0.42, 0.84], abs=2e-3)
    # the usual pull-down of 10 kohm, less what goes through the driver
    assert 5e3 < found[3]["end"] < 10e3
    (copy.elsewhere / "r.csv").write_text(
        "red,black,mode,reading\nN,OUT,diode,0.002\nOUT,N,diode,0.002\nOUT,P,diode,0.42\nG_L,E_L,ohms,9.8k\n", "utf-8"
    )
    ranked = json.loads(copy.run("rank", "dc-chopper", "r.csv", "--json").out)
    best = {one["part"]: one["probability"] for one in ranked["parts"]}
    assert best["Q_L"] + best["D_L"] > 0.9
    assert best["D_FW"] < 0.1
