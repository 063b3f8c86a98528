"""Three circuits written by hand: arithmetic in their headers, ngspice on their text, and the solver on a board file.

Nothing of the netlist writer takes part, so it is checked here as much as the solver.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from tests.crosscheck.netlist import meter_lines, ranges_of
from tests.crosscheck.runner import after_dwell, operating_points, require_simulator
from tests.physics.benchboards import capacitor, diode, part, resistor

HAND = Path(__file__).parent / "hand"
BY_HAND_V = 0.004  # what the headers' arithmetic neglects
BY_HAND_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Expectation:
    """A reading promised in a netlist's header."""

    probing: Probing
    value: float


def read_expectations(path: Path) -> list[Expectation]:
    """Return the readings a header promises: ``* expect RED BLACK MODE VALUE [hold:POS:VOLTS:OHMS]``."""
    found = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("* expect "):
            red, black, mode, value, *held = line.split()[2:]
            holds = tuple(Hold(pos, float(volts), float(ohms)) for _, pos, volts, ohms in (x.split(":") for x in held))
            kind, _, name = mode.partition(":")
            number = math.inf if value == "OL" else float(value)
            found.append(Expectation(Probing(red, black, kind, name or None, holds), number))
    return found


def simulated_text(path: Path, expectation: Expectation) -> str:
    """Return a hand-written netlist with the meter on two of its nodes and the held gates."""
    probing = expectation.probing
    # a gate's emitter terminal is on the leg's own net
    nodes = {"E_L": "N", "E_H": "MID"}
    red, black = (nodes.get(lead, lead) for lead in (probing.red, probing.black))
    meter_range = ranges_of(load_meter(), probing.mode, probing.range_name)[0]
    lines = [path.read_text(encoding="utf-8"), *meter_lines(meter_range, 25.0, red, black), ".temp 25"]
    for hold in probing.hold:
        lines += [
            f"vhold xhold {nodes[f'E_{hold.position}']} {hold.volts}",
            f"rhold xhold G_{hold.position} {hold.ohms}",
        ]
    return "\n".join([*lines, ""])


def _gate(pos: str, emitter: str, supply: str) -> str:
    pins = {"out": f"GD_{pos}", "common": emitter, "supply": supply}
    return (
        resistor(f"RG_{pos}", f"GD_{pos}", f"G_{pos}", 33.0)
        + resistor(f"RGE_{pos}", f"G_{pos}", emitter, 4.7e3)
        + part(f"DRV_{pos}", "driver", pins, drop_1ma=0.62, off_ohms=1e6)
    )


def _switch(pos: str, high: str, low: str, mosfet: bool) -> str:
    names = ("drain", "source") if mosfet else ("collector", "emitter")
    pins = {names[0]: high, names[1]: low, "gate": f"G_{pos}"}
    if mosfet:
        values = {"gate_threshold": 1.6, "on_ohms": 0.1}
        return part(f"Q_{pos}", "mosfet", pins, position=pos, **values) + diode(f"D_{pos}", low, high, 0.5)
    values = {"gate_threshold": 5.0, "on_drop_1ma": 0.65}
    return part(f"Q_{pos}", "igbt", pins, position=pos, **values) + diode(f"D_{pos}", low, high, 0.42)


def _leg_with_driver() -> tuple[str, list[str]]:
    parts = [_switch("H", "P", "MID", mosfet=False), _switch("L", "MID", "N", mosfet=False)]
    parts += [_gate("H", "MID", "VB"), _gate("L", "N", "VCC")]
    parts += [capacitor("C_BS_H", "VB", "MID", 2.2e-6), capacitor("C_VCC", "VCC", "N", 47e-6)]
    parts += [resistor("R_VCC", "VCC", "N", 1.5e3), capacitor("C_BUS", "P", "N", 100e-6, 1.0)]
    parts.append(resistor("R_BLEED", "P", "N", 220e3))
    return _board_text("P N MID G_H E_H=MID G_L E_L=N", parts), []


def _rectifier_with_precharge() -> tuple[str, list[str]]:
    parts = [
        diode(f"D_{line}{end}", anode, cathode, 0.36)
        for line in ("L1", "L2")
        for end, anode, cathode in (("H", line, "PR"), ("L", "N", line))
    ]
    parts += [resistor("R_PRE", "PR", "P", 47.0), part("K_PRE", "relay", {"a": "PR", "b": "P"})]
    parts += [capacitor("C_BUS", "P", "N", 330e-6, 1.0), resistor("R_BLEED", "P", "N", 150e3)]
    return _board_text("L1 L2 PR P N", parts), ["D_L1H:short:2"]


def _mosfet_half_bridge() -> tuple[str, list[str]]:
    parts = [_switch("H", "P", "MID", mosfet=True), _switch("L", "MID", "N", mosfet=True)]
    parts += [resistor("RGE_H", "G_H", "MID", 10e3), resistor("RGE_L", "G_L", "N", 10e3)]
    return _board_text("P N MID G_H E_H=MID G_L E_L=N", parts), ["Q_L:gc-short:5"]


def _board_text(terminals: str, parts: list[str]) -> str:
    lines = ['name = "hand"', 'title = "Written by hand"']
    for word in terminals.split():
        name, _, net = word.partition("=")
        access = "pad" if "_" in name else "terminal"
        lines += ["[[terminal]]", f'name = "{name}"', f'net = "{net or name}"', 'what = "-"', f'access = "{access}"']
    return "\n".join([*lines, *parts])


CIRCUITS: dict[str, Callable[[], tuple[str, list[str]]]] = {
    "leg_with_driver": _leg_with_driver,
    "rectifier_with_precharge": _rectifier_with_precharge,
    "mosfet_half_bridge_gc_short": _mosfet_half_bridge,
}


def _load(name: str, folder: Path) -> tuple[Board, list[str], list[Expectation]]:
    text, faults = CIRCUITS[name]()
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return load_board(str(path)), faults, read_expectations(HAND / f"{name}.cir")


def _by_hand(expectation: Expectation) -> float:
    """Return how far the header's arithmetic may be off."""
    return BY_HAND_SHARE * expectation.value + 0.05 if expectation.probing.mode == "ohms" else BY_HAND_V


@pytest.mark.parametrize("name", CIRCUITS)
def test_solver_reads_what_was_worked_out(name: str, tmp_path: Path) -> None:
    """The board file of each hand-written circuit reads what the header's arithmetic says, ngspice not needed."""
    board, faults, expected = _load(name, tmp_path)
    assert len(expected) >= 9
    broken = [parse_fault(text, board) for text in faults]
    probings = [one.probing for one in expected]
    for one, found in zip(expected, forecast(board, load_meter(), Setup(dwell_s=0.0), probings, broken), strict=True):
        if math.isinf(one.value):
            assert (found.state is not None, found.end) == (True, None), one.probing
        else:
            assert found.end == pytest.approx(one.value, abs=_by_hand(one)), one.probing


@pytest.mark.parametrize("name", CIRCUITS)
def test_simulator_reads_the_same(name: str, tmp_path: Path) -> None:
    """ngspice on the hand-written text agrees with the solver on the board file, in the end and after half a second."""
    require_simulator()
    board, faults, expected = _load(name, tmp_path)
    broken = [parse_fault(text, board) for text in faults]
    texts = [simulated_text(HAND / f"{name}.cir", one) for one in expected]
    ranges = [ranges_of(load_meter(), one.probing.mode, one.probing.range_name)[0] for one in expected]
    setup = Setup(dwell_s=0.5)
    forecasts = forecast(board, load_meter(), setup, [one.probing for one in expected], broken)
    both = zip(expected, ranges, forecasts, operating_points(texts), after_dwell(texts, 0.5), strict=True)
    for one, meter_range, found, end, later in both:
        for solved, jack, tolerance in ((found.end, end, 1e-3), (found.value, later, 3e-3)):
            shown = meter_range.shown(jack)
            if math.isinf(shown):
                assert solved is None, one.probing
            else:
                slack = 0.005 * shown + 1e-3 if one.probing.mode == "ohms" else tolerance
                assert solved == pytest.approx(shown, abs=slack), one.probing
