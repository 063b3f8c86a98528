"""Things about a board that are allowed but rarely meant."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from bridge.boardmodel import Board, Part
from bridge.partkinds import SWITCH_KINDS, collector_pin, emitter_pin

__all__ = ["oddities"]

_NOT_OF_THE_BOARD = ("motor", "mains", "brake-resistor")  # a coil or transformer is the appliance's own, and may fail
_MOST_NAMED = 4  # names in one oddity


def oddities(board: Board) -> tuple[str, ...]:
    """Return in plain words what looks like a slip in a board file; empty for a sound board.

    Parameters
    ----------
    board : Board
        The board.
    """
    return (
        *board.notes,
        *_alike_nets(board),
        *_lonely_nets(board),
        *_unreached_nets(board),
        *_one_way_nets(board),
        *_unfed_supplies(board),
        *_bridged_parts(board),
        *_gates(board),
        *_islands(board),
        *_bus(board),
        *_outside(board),
    )


def _touched(board: Board) -> set[str]:
    return {terminal.net for terminal in board.terminals.values()}


def _pins_on_nets(board: Board) -> dict[str, list[tuple[Part, str]]]:
    """Return the pins on each net, nets in the order of the file."""
    pins: dict[str, list[tuple[Part, str]]] = defaultdict(list)
    for part in board.parts.values():
        for pin, net in part.pins.items():
            pins[net].append((part, pin))
    return pins


def _alike_nets(board: Board) -> Iterator[str]:
    alike: dict[str, list[str]] = defaultdict(list)
    for net in _pins_on_nets(board):
        alike[net.casefold()].append(net)
    for nets in alike.values():
        if len(nets) > 1:
            yield f"nets {' and '.join(nets)} differ only in capital letters"


def _lonely_nets(board: Board) -> Iterator[str]:
    touched = _touched(board)
    joined = _reached(touched, _neighbours(board))  # the others are told of below
    for net, pins in _pins_on_nets(board).items():
        if len(pins) == 1 and net in joined and net not in touched:
            yield f"net {net} has a single pin and no terminal"


def _reached(start: set[str], neighbours: dict[str, set[str]]) -> set[str]:
    """Return the nets that a path through parts leads to."""
    reached = set(start)
    edge = list(start)
    while edge:
        new = neighbours[edge.pop()] - reached
        reached |= new
        edge += new
    return reached


def _neighbours(board: Board) -> dict[str, set[str]]:
    neighbours: dict[str, set[str]] = defaultdict(set)
    for part in board.parts.values():
        for net in part.pins.values():
            neighbours[net].update(part.pins.values())
    return neighbours


def _unreached_nets(board: Board) -> Iterator[str]:
    neighbours = _neighbours(board)
    joined = _reached(_touched(board), neighbours)
    rest = [net for net in neighbours if net not in joined]
    while rest:
        group = _reached({rest[0]}, neighbours)
        yield f"from {_listed(net for net in rest if net in group)} no part leads to any terminal"
        rest = [net for net in rest if net not in group]


def _one_way_nets(board: Board) -> Iterator[str]:
    """Yield nets without a terminal that current only enters, or only leaves: mostly a rail that is misspelt."""
    touched = _touched(board)
    for net, pins in _pins_on_nets(board).items():
        if len(pins) > 1 and net not in touched:
            for names in (("cathode", "collector", "drain"), ("anode", "emitter", "source")):
                if all(pin in names for _, pin in pins):
                    found = _listed(f"{part.ref}.{pin}" for part, pin in pins)
                    yield f"net {net} has no terminal and leads nowhere: on it are {found}"


def _unfed_supplies(board: Board) -> Iterator[str]:
    """Yield nets that drivers are fed from while nothing feeds the net: no terminal, nothing but takers on it."""
    touched = _touched(board)
    for net, pins in _pins_on_nets(board).items():
        drivers = [part.ref for part, pin in pins if pin == "supply"]
        takers = all(pin in ("supply", "anode") for _, pin in pins)
        if len(pins) > 1 and drivers and takers and net not in touched:
            yield f"nothing feeds net {net}, which supplies {_listed(drivers)}"


def _listed(words: Iterable[str]) -> str:
    """Return a few words and how many more there are."""
    several = list(words)
    more = f" and {len(several) - _MOST_NAMED} more" if len(several) > _MOST_NAMED else ""
    return ", ".join(several[:_MOST_NAMED]) + more


def _bridged_parts(board: Board) -> Iterator[str]:
    for part in board.parts.values():
        if len(set(part.pins.values())) < len(part.pins):
            yield f"{part.ref} has two pins on one net"


def _gates(board: Board) -> Iterator[str]:
    switches = {part.position: part for part in board.parts.values() if part.kind in SWITCH_KINDS}
    for position, switch in switches.items():
        emitter = switch.pins[emitter_pin(switch.kind)]
        high = switch.pins[collector_pin(switch.kind)]
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
    neighbours, touched = _neighbours(board), _touched(board)
    for terminal in board.terminals.values():
        if not (_reached({terminal.net}, neighbours) & touched) - {terminal.net}:
            yield f"terminal {terminal.name} reaches no other terminal"


def _bus(board: Board) -> Iterator[str]:
    shares = {part.ref: part.bus_share for part in board.parts.values() if part.ref.startswith("C_BUS")}
    if shares and sum(shares.values()) == 0.0:
        yield f"{', '.join(shares)}: no capacitor has a bus_share, so no charge is ever left on the bus"


def _outside(board: Board) -> Iterator[str]:
    """Yield what comes and goes with the bench, and would be a suspect on the board all the same."""
    for what in _NOT_OF_THE_BOARD:
        refs = [part.ref for part in board.parts.values() if part.when == what and part.modes]
        if refs:
            yield f"{_listed(refs)}: connected from outside ({what}), yet a suspect; faultable = false takes it as good"
