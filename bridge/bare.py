"""Gates with nothing that discharges them: what a finger or the meter left on one, it keeps."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.board import Board, Part
from bridge.partkinds import SWITCH_KINDS, emitter_pin
from bridge.probing import Setup

__all__ = ["bare_gate_caution", "bare_gates"]

# junctions carry charge off one way only, capacitors not at all
_PATHS = {
    "resistor": (("a", "b"),),
    "shunt": (("a", "b"),),
    "fuse": (("a", "b"),),
    "coil": (("a", "b"),),
    "driver": (("out", "common"),),
}


def bare_gates(board: Board, setup: Setup) -> tuple[str, ...]:
    """Return the switches whose gate no resistance ties to its emitter in a set-up, in the order of the file.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        The state of the bench: what is connected, unplugged, lifted.

    Examples
    --------
    >>> from bridge.board import load_board
    >>> bare_gates(load_board("half-bridge-cooktop"), Setup())
    ()
    >>> bare_gates(load_board("half-bridge-cooktop"), Setup(lifted=("RG_L.a", "RGE_L.a")))
    ('Q_L',)
    """
    present = [part for part in board.parts.values() if part.is_present(setup)]
    island = _islands(present, board, setup)
    return tuple(
        part.ref
        for part in present
        if part.kind in SWITCH_KINDS
        and island[_place(board, part, "gate", setup)] != island[_place(board, part, emitter_pin(part.kind), setup)]
    )


def bare_gate_caution(board: Board, setup: Setup) -> str | None:
    """Return the advice to discharge bare gates first, in one line; None on a board without any.

    Parameters
    ----------
    board, setup
        As for :func:`bare_gates`.
    """
    bare = bare_gates(board, setup)
    if not bare:
        return None
    switches = sum(part.is_present(setup) and part.kind in SWITCH_KINDS for part in board.parts.values())
    whose, tie = ("any gate", "each") if len(bare) == switches else (f"the gate of {', '.join(bare)}", "it")
    pin = emitter_pin(board.parts[bare[0]].kind)
    return (
        f"Nothing discharges {whose}: tie {tie} to its {pin} for a moment before you read, for a gate that still "
        "holds charge makes a good switch read as a short."
    )


def _place(board: Board, part: Part, pin: str, setup: Setup) -> str:
    """Return the net of a pin, or what stands for its leg where it is lifted."""
    name = f"{part.ref}.{pin}"
    for lifted in setup.lifted:
        leg = board.pins_on_leg(lifted)
        if name in leg:
            return min(leg)
    return part.pins[pin]


def _islands(present: Iterable[Part], board: Board, setup: Setup) -> dict[str, str]:
    """Return for each place one that stands for all places joined to it by resistance."""
    joined: dict[str, str] = {}

    def root(place: str) -> str:
        joined.setdefault(place, place)
        while joined[place] != place:
            place = joined[place]
        return place

    for part in present:
        for pin in part.pins:
            root(_place(board, part, pin, setup))
        pairs = (("a", "b"),) if part.kind == "relay" and setup.relay_closed else _PATHS.get(part.kind, ())
        for one, other in pairs:
            joined[root(_place(board, part, one, setup))] = root(_place(board, part, other, setup))
    return {place: root(place) for place in joined}
