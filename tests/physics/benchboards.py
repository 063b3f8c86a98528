"""Small boards written for one check each, and what a meter shows on them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from bridge.board import Board, parse_board
from bridge.faults import parse_fault
from bridge.forecast import Forecast, forecast
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup

ANTIPARALLEL = 0.42  # drop of an IGBT's diode at 1 mA [V]
RECTIFIER = 0.36  # of a rectifier diode
BODY = 0.50  # of a MOSFET's body diode
# Chosen once, from the bare bridge: three legs share 1 mA, so 2 (0.42 - n 25.69 mV ln 3) = 0.749 V and n = 1.61.
IDEALITY = 1.6


def part(ref: str, kind: str, pins: dict[str, str], **values: float | str) -> str:
    """Return one part as a board file writes it; values that are text are quoted."""
    where = ", ".join(f'{pin} = "{net}"' for pin, net in pins.items())
    lines = [f"{name} = {value!r}".replace("'", '"') for name, value in values.items()]
    return "\n".join(["[[part]]", f'ref = "{ref}"', f'kind = "{kind}"', f"pins = {{ {where} }}", *lines, ""])


def diode(ref: str, anode: str, cathode: str, drop: float = ANTIPARALLEL, ideality: float = IDEALITY) -> str:
    """Return a diode."""
    return part(ref, "diode", {"anode": anode, "cathode": cathode}, drop_1ma=drop, ideality=ideality)


def resistor(ref: str, a: str, b: str, ohms: float) -> str:
    """Return a resistor."""
    return part(ref, "resistor", {"a": a, "b": b}, ohms=ohms)


def capacitor(ref: str, a: str, b: str, farads: float, bus_share: float = 0.0) -> str:
    """Return a capacitor."""
    return part(ref, "capacitor", {"a": a, "b": b}, farads=farads, bus_share=bus_share)


def switch(pos: str, high: str, low: str) -> str:
    """Return an IGBT and its antiparallel diode."""
    pins = {"collector": high, "emitter": low, "gate": f"G_{pos}"}
    return part(f"Q_{pos}", "igbt", pins, gate_threshold=5.0, position=pos) + diode(f"D_{pos}", low, high)


def bare_bridge(legs: str = "UVW") -> str:
    """Return legs of two switches each between P and N, without gate drive."""
    return "".join(switch(f"{leg}H", "P", leg) + switch(f"{leg}L", leg, "N") for leg in legs)


def rectifier(*lines: str, plus: str = "P") -> str:
    """Return two rectifier diodes for each mains conductor."""
    return "".join(
        diode(f"D_{line}H", line, plus, RECTIFIER) + diode(f"D_{line}L", "N", line, RECTIFIER) for line in lines
    )


def make_board(terminals: str, *parts: str) -> Board:
    """Return a board with leads on some nets; NAME=NET puts a terminal on a net of another name."""
    places = []
    for word in terminals.split():
        name, _, net = word.partition("=")
        access = "pad" if "_" in name else "terminal"
        places.append(f'[[terminal]]\nname = "{name}"\nnet = "{net or name}"\nwhat = "{name}"\naccess = "{access}"\n')
    return parse_board("\n".join(['name = "bench"', 'title = "Bench"', *places, *parts]), "bench.toml")


def number(shown: float | None) -> float:
    """Return what a display shows, infinity for OL."""
    return math.inf if shown is None else shown


def read(
    board: Board,
    red: str,
    black: str,
    mode: str = "diode",
    *,
    faults: Sequence[str] = (),
    meter: MeterProfile | None = None,
    setup: Setup | None = None,
) -> Forecast:
    """Return the forecast of one reading; ``mode`` as a readings file writes it, faults as PART:MODE[:OHMS]."""
    kind, _, range_name = mode.partition(":")
    probing = Probing(red, black, kind, range_name or None)
    broken = [parse_fault(text, board) for text in faults]
    (found,) = forecast(board, meter or load_meter(), setup or Setup(), [probing], broken)
    assert found.state is not None, found.error
    return found


def settled(
    board: Board,
    red: str,
    black: str,
    mode: str = "diode",
    *,
    faults: Sequence[str] = (),
    meter: MeterProfile | None = None,
    setup: Setup | None = None,
) -> float:
    """Return what the display shows in the end, infinity for OL; nobody waits for it here."""
    at_once = dataclasses.replace(setup or Setup(), dwell_s=0.0)
    return number(read(board, red, black, mode, faults=faults, meter=meter, setup=at_once).end)
