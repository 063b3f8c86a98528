"""The recipe for a meter, followed word for word."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from tests.recipes.copies import Copy, recipe

ALONE = (
    'name = "alone"\ntitle = "A diode and a resistor"\n'
    + "".join(f'[[terminal]]\nname = "{name}"\naccess = "pad"\n' for name in "AKR")
    + '[[part]]\nref = "D_1"\nkind = "diode"\npins = { anode = "A", cathode = "K" }\ndrop_1ma = 0.6\nideality = 1.6\n'
    + '[[part]]\nref = "R_1"\nkind = "resistor"\npins = { a = "A", b = "R" }\nohms = 47e3\n'
)
VT = 0.025692579  # kT/q at 25 degrees Celsius [V]


def test_the_text_keeps_the_rules_of_shipped_meters() -> None:
    """Every value but those of the ranges has its origin beside it, and the ranges have one above them."""
    head, _, ranges = recipe("How to add a meter").partition("[[ohms]]")
    assert head.rstrip().splitlines()[-1].startswith("# ")
    lines = head.splitlines() + ranges.partition("[accuracy]")[2].splitlines()
    values = [line for line in lines if "=" in line and not line.startswith(("name", "title", "source", "#"))]
    assert len(values) == 8
    assert [line for line in values if "  # " not in line] == []


@pytest.mark.slow
def test_a_new_meter(tmp_path: Path) -> None:
    """The meter of the recipe is listed, and half the test current reads 28 mV less on a diode of ideality 1.6."""
    copy = Copy(tmp_path)
    copy.write("bridge/data/meters/bench.toml", recipe("How to add a meter"))
    assert "bench" in [meter["name"] for meter in json.loads(copy.run("boards", "--json").out)["meters"]]

    (copy.elsewhere / "alone.toml").write_text(ALONE, encoding="utf-8")

    def read(meter: str, *at: str) -> list[float]:
        words = [word for one in at for word in ("--at", one)]
        told = copy.run("predict", "./alone.toml", "--meter", meter, *words, "--json")
        assert (told.status, told.err) == (0, "")
        return [one["end"] for one in json.loads(told.out)["readings"]]

    (usual,) = read("handheld", "A,K,diode")
    drop, resistance = read("bench", "A,K,diode", "A,R,ohms:2M")
    assert usual - drop == pytest.approx(1.6 * VT * math.log(2.0), abs=1e-3)
    assert resistance == pytest.approx(47e3, rel=1e-3)
    assert copy.run("predict", "six-switch-bridge", "--meter", "bench", "--at", "P,N,ohms:7k").status == 2
