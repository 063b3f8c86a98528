"""Things about a board that are allowed but rarely meant."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from bridge.boardmodel import Board
from bridge.partkinds import SWITCH_KINDS, emitter_pin

__all__ = ["oddities"]


def oddities(board: Board) -> tuple[str, ...]:
    """Return in plain words what looks like a slip in a board file; empty for a sound board.

    Parameters
    ----------
    board : Board
        The board.
    """
    return (
        *board.notes,
        *_lonely_nets(board),
        *_bridged_parts(board),
        *_gates(board),
        *_islands(board),
        *_bus(board),
    )


def _lonely_nets(board: Board) -> Iterator[str]:
    pins = Counter(net for part in board.parts.values() for net in part.pins.values())
    touched = {terminal.net for terminal in board.terminals.values()}
    for net, count in pins.items():
        if count == 1 and net not in touched:
            yield f"net {net} has a single pin and no terminal"


def _bridged_parts(board: Board) -> Iterator[str]:
    for part in board.parts.values():
        if len(set(part.pins.values())) < len(part.pins):
            yield f"{part.ref} has two pins on one net"


def _gates(board: Board) -> Iterator[str]:
    switches = {part.position: part for part in board.parts.values() if part.kind in SWITCH_KINDS}
    for position, switch in switches.items():
        emitter = switch.pins[emitter_pin(switch.kind)]
        high = next(net for pin, net in switch.pins.items() if pin in ("collector", "drain"))
        for name, net in ((f"G_{position}", switch.pins["gate"]), (f"E_{position}", emitter)):
            if name in board.terminals and board.terminals[name].net != net:
                yield f"terminal {name} is on net {board.terminals[name].net}, {switch.ref} has {net} there"
        for part in board.parts.values():
            across = part.kind == "diode" and set(part.pins.values()) == {emitter, high} and part.position == position
            if across and part.pins["anode"] != emitter:
                yield f"{part.ref} lies the wrong way round across {switch.ref}"
    for name in board.terminals:
        if name.startswith("G_") and f"E_{name[2:]}" not in board.terminals:
            yield f"gate terminal {name} has no emitter terminal E_{name[2:]}"


def _islands(board: Board) -> Iterator[str]:
    """Yield terminals from which no part leads to another net with a terminal."""
    neighbours: dict[str, set[str]] = defaultdict(set)
    for part in board.parts.values():
        for net in part.pins.values():
            neighbours[net].update(part.pins.values())
    touched = {terminal.net for terminal in board.terminals.values()}
    for terminal in board.terminals.values():
        reached = {terminal.net}
        edge = [terminal.net]
        while edge:
            new = neighbours[edge.pop()] - reached
            reached |= new
            edge += new
        if not (reached & touched) - {terminal.net}:
            yield f"terminal {terminal.name} reaches no other terminal"


def _bus(board: Board) -> Iterator[str]:
    shares = {part.ref: part.bus_share for part in board.parts.values() if part.ref.startswith("C_BUS")}
    if shares and sum(shares.values()) == 0.0:
        yield f"{', '.join(shares)}: no capacitor has a bus_share, so no charge is ever left on the bus"
