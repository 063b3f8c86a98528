"""What a fault does to the branches: a fault is only other branch values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.board import Part
from bridge.circuit import SMALLEST_OHMS, Circuit
from bridge.points import ALWAYS_ON, CHANNEL_OFF

__all__ = ["Change", "change_of", "combine"]

LOW_CAPACITANCE = 0.05  # what is left of a dried-out or cracked capacitor


@dataclass(frozen=True, slots=True)
class Change:
    """Branch values that differ from the healthy board.

    Parameters
    ----------
    linear : tuple of (int, float)
        Linear row and its conductance [S].
    capacitors : tuple of (int, float)
        Capacitor index and the factor on its capacitance [1].
    junctions : tuple of int
        Junction rows that are gone.
    channels : tuple of (int, int)
        Channel row and its state: off, normal or always on.
    opens : bool
        Whether the change cuts something off; such changes are applied last.
    """

    linear: tuple[tuple[int, float], ...] = ()
    capacitors: tuple[tuple[int, float], ...] = ()
    junctions: tuple[int, ...] = ()
    channels: tuple[tuple[int, int], ...] = ()
    opens: bool = False


def _siemens(ohms: float) -> float:
    return 1.0 / max(ohms, SMALLEST_OHMS)


def _bonded_diodes(circuit: Circuit, switch: str) -> list[str]:
    return [ref for ref, part in circuit.parts.items() if part.shares_bond_with == switch]


def _without_diodes(circuit: Circuit, channel: int, refs: Sequence[str]) -> Change:
    """Channel off and the given diodes cut off, whatever else is wrong with them."""
    return Change(
        linear=tuple((circuit.linear_rows[(ref, "across")], 0.0) for ref in refs),
        junctions=tuple(circuit.junction_rows[(ref, "junction")] for ref in refs),
        channels=((channel, CHANNEL_OFF),),
        opens=True,
    )


def _switch_change(circuit: Circuit, ref: str, mode: str, ohms: float) -> Change:
    rows = circuit.linear_rows
    channel = circuit.channel_rows[ref]
    if mode in ("ce-short", "ce-leak"):
        return Change(linear=((rows[(ref, "ce")], _siemens(ohms)),))
    if mode in ("ge-short", "ge-leak"):
        return Change(linear=((rows[(ref, "ge")], _siemens(ohms)),))
    if mode == "gc-short":
        return Change(linear=((rows[(ref, "gc")], _siemens(ohms)),))
    if mode == "all-short":
        return Change(linear=((rows[(ref, "ce")], _siemens(ohms)), (rows[(ref, "ge")], _siemens(ohms))))
    if mode == "never-on":
        return Change(channels=((channel, CHANNEL_OFF),))
    if mode == "always-on":
        return Change(channels=((channel, ALWAYS_ON),))
    bonded = _bonded_diodes(circuit, ref)
    if mode == "emitter-open":
        return _without_diodes(circuit, channel, bonded)
    if mode == "burst":
        # a MOSFET's diode is the same silicon; a co-packed diode is a die of its own and survives
        return _without_diodes(circuit, channel, bonded if circuit.parts[ref].kind == "mosfet" else ())
    raise KeyError(mode)


def _driver_change(circuit: Circuit, ref: str, mode: str, ohms: float) -> Change:
    rows = circuit.linear_rows
    if mode == "open":
        return Change(
            linear=((rows[(ref, "off")], 0.0),),
            junctions=(circuit.junction_rows[(ref, "low")], circuit.junction_rows[(ref, "high")]),
            opens=True,
        )
    slot = {"low-short": "low", "high-short": "high", "supply-short": "supply"}[mode]
    return Change(linear=((rows[(ref, slot)], _siemens(ohms)),))


def change_of(circuit: Circuit, ref: str, mode: str, ohms: float | None) -> Change:
    """Return what a fault of one part changes in a circuit.

    Parameters
    ----------
    circuit : Circuit
        The healthy board in its set-up.
    ref : str
        The part, present in this set-up.
    mode : str
        One of the part's fault modes.
    ohms : float or None
        Severity [ohm]; ignored by modes that have none.

    Raises
    ------
    AssertionError
        What this mode does to a part of this kind was never written down.
    """
    part = circuit.parts[ref]
    try:
        return _part_change(circuit, part, mode, 0.0 if ohms is None else ohms)
    except KeyError:
        raise AssertionError(
            f"what the mode {mode} changes in a part of kind {part.kind} is not in bridge/damage.py; "
            "see step 3 of 'How to add a kind of part' in DEVELOPERS.md"
        ) from None


def _part_change(circuit: Circuit, part: Part, mode: str, value: float) -> Change:
    """Return what a mode changes at a resistance [ohm]; KeyError where the kind has no such mode, or no such branch."""
    ref = part.ref
    if part.kind in ("igbt", "mosfet"):
        return _switch_change(circuit, ref, mode, value)
    if part.kind == "driver":
        return _driver_change(circuit, ref, mode, value)
    rows = circuit.linear_rows
    if mode in ("short", "leak"):
        return Change(linear=((rows[(ref, "across")], _siemens(value)),))
    if mode == "high":
        return Change(linear=((rows[(ref, "main")], _siemens(value)),))
    if part.kind == "relay":
        closed = {"stuck-closed": True, "stuck-open": False}[mode]
        return Change(
            linear=((rows[(ref, "main")], _siemens(part.values["ohms"]) if closed else 0.0),), opens=not closed
        )
    if part.kind == "capacitor":
        factor = {"open": 0.0, "low": LOW_CAPACITANCE}[mode]
        return Change(capacitors=((circuit.capacitor_index[ref], factor),), opens=factor == 0.0)
    if mode != "open":
        raise KeyError(mode)
    if part.kind == "diode":
        return Change(junctions=(circuit.junction_rows[(ref, "junction")],), opens=True)
    return Change(linear=((rows[(ref, "main")], 0.0),), opens=True)


def combine(changes: Sequence[Change]) -> Change:
    """Return several changes as one; where two name the same row, what cuts off wins over what joins."""
    ordered = sorted(changes, key=lambda change: change.opens)
    linear: dict[int, float] = {}
    capacitors: dict[int, float] = {}
    junctions: dict[int, None] = {}
    channels: dict[int, int] = {}
    for change in ordered:
        linear.update(change.linear)
        capacitors.update(change.capacitors)
        junctions.update(dict.fromkeys(change.junctions))
        channels.update(change.channels)
    return Change(
        tuple(linear.items()),
        tuple(capacitors.items()),
        tuple(junctions),
        tuple(channels.items()),
        any(change.opens for change in ordered),
    )
