"""The shares of the meter's current in the path agree with currents that ngspice finds in the same elements."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.faults import median_ohms, parse_fault
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.why import path_of
from tests.crosscheck import netlist as writing
from tests.crosscheck.netlist import OPTIONS, Damage, meter_lines, ranges_of, with_options
from tests.crosscheck.runner import _run, require_simulator

METER = load_meter()
SHARE = 0.003  # readings agree to some 10 uV; a junction's current then to 0.01/0.026 of a per cent, a shunt's to more
CASES = [
    ("six-switch-bridge", "", "N", "P", ()),
    ("six-switch-bridge", "Q_UL:ce-short", "N", "P", ()),
    ("six-switch-bridge", "D_VH:open", "N", "P", ()),
    ("six-switch-bridge", "Q_UL:ce-leak", "U", "N", ()),
    ("six-switch-bridge", "", "U", "N", (Hold("UL", 12.0),)),
    ("half-bridge-cooktop", "D_AC1L:short", "N", "P", ()),
    ("motor-drive", "Q_VL:ce-short", "N", "P", ()),
    ("full-bridge-welder", "", "N", "A", ()),
    ("three-level-bridge", "D_UCH:short", "N", "U", ()),
    ("six-switch-sic", "Q_WL:ce-short", "N", "P", ()),
]


def simulated_shares(board_name: str, fault: str, probing: Probing) -> dict[tuple[str, str], float]:
    """Return the share of the meter's current in each element of each part: junctions, channels, the rest summed."""
    board = load_board(board_name)
    damage = []
    if fault:
        known, ohms = parse_fault(fault, board)
        damage = [
            Damage(known.part, known.mode, median_ohms(board.parts[known.part], known.mode) if ohms is None else ohms)
        ]
    writer = writing._Writer(board, Setup(), damage, (), "open")
    elements: dict[str, tuple[str, str]] = {}
    for ref, part in writer.parts.items():
        before = len(writer.lines)
        writer.add(part)
        for line in writer.lines[before:]:
            name = line.split()[0]
            if not name.startswith("."):
                elements[name] = ref, name[0]
    writing._hold_lines(writer, probing.hold)
    meter_range = ranges_of(METER, "diode")[0]
    red, black = (writer.node(board.net_of(lead)) for lead in (probing.red, probing.black))
    lines = [*writer.lines, *meter_lines(meter_range, 25.0, red, black), ".temp 25"]
    text = with_options("\n".join(["* one reading", *lines, ""]), OPTIONS)
    with tempfile.TemporaryDirectory(prefix="crosscheck-") as name:
        folder = Path(name)
        (folder / "0.cir").write_text(text)
        wanted = {
            element: f"@{element}[{'id' if element[0] == 'd' else 'i'}]" for element in elements if element[0] in "rdb"
        }
        asked = [f"print {quantity} >> answers" for quantity in wanted.values()]
        output = _run(folder, ["source 0.cir", "op", "print @vblack[i] >> answers", *asked], 60.0)
    found = {name: float(value) for name, value in re.findall(r"^(@\S+) = (\S+)$", output, re.MULTILINE)}
    meter_amps = abs(found["@vblack[i]"])
    shares: dict[tuple[str, str], float] = {}
    for element, quantity in wanted.items():
        key = elements[element]
        shares[key] = shares.get(key, 0.0) + abs(found[quantity]) / meter_amps
    return shares


@pytest.mark.parametrize(("board_name", "fault", "red", "black", "held"), CASES)
def test_shares_agree_with_the_simulator(
    board_name: str, fault: str, red: str, black: str, held: tuple[Hold, ...]
) -> None:
    """Every branch of the path carries the share of the current that ngspice finds in that element."""
    require_simulator()
    board, probing = load_board(board_name), Probing(red, black, hold=held)
    path = path_of(board, METER, Setup(), [parse_fault(fault, board)] if fault else [], probing)
    assert path.settled
    assert path.steps
    shares = simulated_shares(board_name, fault, probing)
    letter = {"junction": "d", "channel": "b"}
    for step in (*path.steps, *path.besides):
        assert step.share == pytest.approx(shares[step.part, letter.get(step.slot, "r")], abs=SHARE), step
