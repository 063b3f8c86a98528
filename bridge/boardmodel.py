"""A board as plain values: its parts and the places a lead can touch."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.partkinds import PART_KINDS
from bridge.probing import Setup
from bridge.wording import quoted

__all__ = ["Board", "Part", "Terminal"]

EASIEST_FIRST = ("terminal", "pad", "pin")


@dataclass(frozen=True, slots=True)
class Terminal:
    """A place where a lead can touch.

    Parameters
    ----------
    name : str
        What is printed beside it or agreed on: ``U``, ``G_UH``.
    net : str
        Net it is on; several terminals may share one.
    what : str
        What it is, in words.
    access : str
        How hard it is to reach: ``terminal``, ``pad`` or ``pin``.
    """

    name: str
    net: str
    what: str
    access: str


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a board.

    Parameters
    ----------
    ref : str
        Board designator.
    kind : str
        One of `bridge.partkinds.PART_KINDS`.
    pins : mapping of str to str
        Net of each pin.
    values : mapping of str to float
        Every value of the kind, in SI units.
    tolerance : float
        Two-sigma relative tolerance of its ohms or farads [1].
    package : str
        What is replaced as one: the case or module this part sits in.
    block : str
        Functional block: ``leg U``, ``rectifier``.
    role : str
        What it does, in words.
    modes : tuple of str
        Ways it fails here; empty for a part that is taken as good.
    batch : str
        Parts of one batch share a spread of their junction drop.
    construction : str
        ``module`` or ``discrete``.
    position : str or None
        Switch position it belongs to.
    shares_bond_with : str or None
        The switch whose emitter joint a diode shares.
    when : str or None
        Present only when this is connected: ``motor``, ``coil``...
    gate_board : bool
        Whether it goes away with the gate board.
    bus_share : float
        Share of the bus voltage a charged capacitor holds [1].
    lift_cost : mapping of str to float
        Effort of lifting each pin, in ends of a chip resistor [1].
    """

    ref: str
    kind: str
    pins: Mapping[str, str]
    values: Mapping[str, float]
    tolerance: float
    package: str
    block: str
    role: str
    modes: tuple[str, ...]
    batch: str
    construction: str
    position: str | None
    shares_bond_with: str | None
    when: str | None
    gate_board: bool
    bus_share: float
    lift_cost: Mapping[str, float]

    def __hash__(self) -> int:
        """Return a hash of the designator, since the mappings have none."""
        return hash(self.ref)

    def is_present(self, setup: Setup) -> bool:
        """Whether the part is there in a state of the bench: connected, and not on a gate board that is off.

        Parameters
        ----------
        setup : Setup
            The state of the bench.
        """
        connected = self.when is None or self.when in setup.connected
        return connected and not (self.gate_board and setup.unplugged)


@dataclass(frozen=True, slots=True)
class Board:
    """A board: terminals and parts, in the order of its file.

    Parameters
    ----------
    name, title, about : str
        Short name, title and description.
    terminals : mapping of str to Terminal
        Terminals by name.
    parts : mapping of str to Part
        Parts by designator.
    source : str
        File it came from.
    notes : tuple of str
        What the loader changed on the way, in words.
    drawing_order : tuple of str
        Parts whose columns stand in this order on a schematic, where the file asks for one.
    """

    name: str
    title: str
    about: str
    terminals: Mapping[str, Terminal]
    parts: Mapping[str, Part]
    source: str
    notes: tuple[str, ...] = ()
    drawing_order: tuple[str, ...] = ()

    def __hash__(self) -> int:
        """Return a hash of name and source, since the mappings have none."""
        return hash((self.name, self.source))

    @property
    def main_terminals(self) -> tuple[str, ...]:
        """Names of the terminals a lead reaches without effort, in file order."""
        return tuple(t.name for t in self.terminals.values() if t.access == "terminal")

    @property
    def main_on(self) -> dict[str, str]:
        """The first main terminal on each net that has one, by net."""
        on: dict[str, str] = {}
        for name in self.main_terminals:
            on.setdefault(self.terminals[name].net, name)
        return on

    @property
    def easiest_on(self) -> dict[str, str]:
        """The terminal easiest to reach on each net that has one, by net."""
        on: dict[str, str] = {}
        for terminal in sorted(self.terminals.values(), key=lambda one: EASIEST_FIRST.index(one.access)):
            on.setdefault(terminal.net, terminal.name)
        return on

    @property
    def gate_leads(self) -> tuple[tuple[str, str], ...]:
        """Pairs of gate pad and emitter pad of one position, where both exist."""
        pairs = ((name, f"E_{name[2:]}") for name in self.terminals if name.startswith("G_"))
        return tuple((gate, emitter) for gate, emitter in pairs if emitter in self.terminals)

    def net_of(self, lead: str) -> str:
        """Return the net a lead touches.

        Parameters
        ----------
        lead : str
            Terminal name or ``PART.pin``.

        Raises
        ------
        InputError
            The board has no such terminal, part or pin; near names are listed.
        """
        if lead in self.terminals:
            return self.terminals[lead].net
        ref, dot, pin = lead.partition(".")
        if dot and ref in self.parts:
            part = self.parts[ref]
            if pin in part.pins:
                return part.pins[pin]
            raise InputError(
                f"{quoted(lead)}: part {ref} has no pin {quoted(pin)}, its pins are {', '.join(part.pins)}"
            )
        if dot:
            raise InputError(f"{quoted(lead)}: board {self.name} has no part {quoted(ref)}{_near(ref, self.parts)}")
        if lead in self.parts:
            pins = ", ".join(f"{lead}.{pin}" for pin in PART_KINDS[self.parts[lead].kind].pins)
            raise InputError(f"{quoted(lead)} is a part, a lead goes on one of its pins: {pins}")
        raise InputError(f"board {self.name} has no terminal {quoted(lead)}{_near(lead, self.terminals)}")

    def pins_on_leg(self, pin: str) -> tuple[str, ...]:
        """Return every ``PART.pin`` on the same leg of the same case, the asked one first.

        Whoever lifts the emitter leg of a co-packed IGBT lifts the diode's anode with it.

        Parameters
        ----------
        pin : str
            ``PART.pin``.

        Raises
        ------
        InputError
            The board has no such part or pin.
        """
        net = self.net_of(pin)
        ref = pin.partition(".")[0]
        if ref not in self.parts or pin in self.terminals:
            raise InputError(f"{quoted(pin)} is a terminal; only a PART.pin is lifted")
        package = self.parts[ref].package
        mates = (
            f"{part.ref}.{name}"
            for part in self.parts.values()
            if part.package == package
            for name, other in part.pins.items()
            if other == net
        )
        return (pin, *(mate for mate in mates if mate != pin))


def _near(word: str, known: Mapping[str, object]) -> str:
    """Return ``; near names: ...``, or a few of the known ones where nothing is near."""
    by_folded = {name.casefold(): name for name in known}
    near = [by_folded[hit] for hit in difflib.get_close_matches(word.casefold(), by_folded, n=4, cutoff=0.5)]
    if near:
        return f"; near names: {', '.join(near)}"
    few = list(known)[:12]
    rest = ", ..." if len(known) > len(few) else ""
    return f"; it has {', '.join(few)}{rest}" if few else "; it has none"
