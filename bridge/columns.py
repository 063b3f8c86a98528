"""A board as a drawing sees it: rails, columns between them, gate drives at their switches, and what is left beside.

Worked out from the graph of parts and nets; a board file may ask for an order of columns, and says no more.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import networkx as nx

from bridge.board import Board, Part
from bridge.partkinds import SWITCH_KINDS, collector_pin, emitter_pin

__all__ = [
    "BoardColumns",
    "Column",
    "GateDrive",
    "Hop",
    "LeadIn",
    "RailLink",
    "arrange_columns",
    "ends_of",
    "high_net",
    "in_asked_order",
]

_LINK_KINDS = ("fuse", "relay", "shunt", "coil", "resistor")
_LEAD_IN_KINDS = ("fuse", "relay", "resistor", "coil")
_RAIL_OHMS = 500.0  # a precharge resistor joins two sections of a rail; a bleeder or a load does not
_BUSY_NET = 4  # parts from which a net beside the bridge is named rather than drawn through


@dataclass(frozen=True, slots=True)
class GateDrive:
    """A switch with what is drawn at its gate.

    Parameters
    ----------
    switch : str
        The switch.
    clamps : tuple of str
        Parts from its gate to its emitter or source.
    series : str or None
        The gate resistor.
    drive : str
        Net on the driver's side; the gate's own net without a gate resistor.
    driver : str or None
        Driver output stage drawn here; None where there is none, or where another switch shows it.
    """

    switch: str
    clamps: tuple[str, ...]
    series: str | None
    drive: str
    driver: str | None


@dataclass(frozen=True, slots=True)
class Hop:
    """What lies between two neighbouring nets of a column, side by side.

    Parameters
    ----------
    gates : tuple of GateDrive
        Switches.
    parts : tuple of str
        Parts with two pins; a driver stage where a chain ends in one.
    """

    gates: tuple[GateDrive, ...]
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LeadIn:
    """A part on the way from a terminal to a net of a column."""

    net: str
    part: str
    far: str


@dataclass(frozen=True, slots=True)
class Column:
    """Parts one below the other.

    Parameters
    ----------
    nets : tuple of str
        From top to bottom.
    hops : tuple of Hop
        One between each two nets.
    lead_ins : tuple of LeadIn
        At most one for each net.
    sides : tuple of Column
        Chains that start or end inside this column.
    """

    nets: tuple[str, ...]
    hops: tuple[Hop, ...]
    lead_ins: tuple[LeadIn, ...] = ()
    sides: tuple[Column, ...] = ()

    @property
    def is_leg(self) -> bool:
        """Whether it holds a switch."""
        return any(hop.gates for hop in self.hops)

    @property
    def inner(self) -> tuple[str, ...]:
        """Nets between its ends."""
        return self.nets[1:-1]

    def parts(self) -> Iterable[str]:
        """Return every part drawn with it."""
        for hop in self.hops:
            for gate in hop.gates:
                yield from (gate.switch, *gate.clamps)
                yield from (part for part in (gate.series, gate.driver) if part is not None)
            yield from hop.parts
        yield from (lead_in.part for lead_in in self.lead_ins)
        for side in self.sides:
            yield from side.parts()


@dataclass(frozen=True, slots=True)
class RailLink:
    """Parts that join two sections of a rail, or (``rail`` is ``across``) two neighbouring columns."""

    rail: str
    left: str
    right: str
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BoardColumns:
    """A board taken apart for drawing.

    Parameters
    ----------
    top, bottom : tuple of str
        Nets of the plus and of the minus rail, from left to right.
    items : tuple of Column or RailLink
        Columns between the rails, and links where the rail changes its net.
    strip : tuple of Column
        Chains that fit no leg.
    """

    top: tuple[str, ...]
    bottom: tuple[str, ...]
    items: tuple[Column | RailLink, ...]
    strip: tuple[Column, ...]


def high_net(part: Part) -> str:
    """Return the net of a switch's collector or drain."""
    return part.pins[collector_pin(part.kind)]


def _low_net(part: Part) -> str:
    return part.pins[emitter_pin(part.kind)]


def ends_of(part: Part) -> tuple[str, str]:
    """Return the two nets of a part with two pins, the upper one of a diode first."""
    if part.kind == "diode":
        return part.pins["cathode"], part.pins["anode"]
    first, second = part.pins.values()
    return first, second


Thing = TypeVar("Thing")


def in_asked_order(
    things: Sequence[Thing], parts_of: Callable[[Thing], Iterable[str]], order: Sequence[str]
) -> list[Thing]:
    """Return things in the order in which their parts are named; those without a named part stay where they are.

    Parameters
    ----------
    things : sequence
        Columns or chains.
    parts_of : callable
        Returns the parts of one of them.
    order : sequence of str
        Parts, the leftmost first.

    Examples
    --------
    >>> in_asked_order(["ab", "cd", "ef"], list, ["f", "a"])
    ['ef', 'cd', 'ab']
    """
    place = {part: number for number, part in enumerate(order)}
    wanted = {
        number: min(found)
        for number, thing in enumerate(things)
        if (found := [place[part] for part in parts_of(thing) if part in place])
    }
    moved = iter(sorted(wanted, key=lambda number: wanted[number]))
    return [things[next(moved)] if number in wanted else thing for number, thing in enumerate(things)]


def _joins_rails(part: Part) -> bool:
    return part.kind in _LINK_KINDS and (part.kind != "resistor" or part.values["ohms"] <= _RAIL_OHMS)


def arrange_columns(board: Board) -> BoardColumns:
    """Take a board apart into rails, columns, gate drives and what is left.

    Parameters
    ----------
    board : Board
        The board; every part comes back exactly once.
    """
    return _Sorter(board).arranged()


class _Sorter:
    """Takes parts out of the board one by one, until none is left."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.switches = [part for part in board.parts.values() if part.kind in SWITCH_KINDS]
        self.left = {
            ref: ends_of(part) for ref, part in board.parts.items() if part.kind not in (*SWITCH_KINDS, "driver")
        }
        self.drivers = {ref: part for ref, part in board.parts.items() if part.kind == "driver"}
        self.top, self.bottom = self._rail("P", up=True), self._rail("N", up=False)
        self.top = tuple(net for net in self.top if net not in self.bottom)
        self.gates = {part.ref: self._gate_drive(part) for part in self.switches}
        control = {net for part in self.switches for net in (part.pins["gate"],)}
        control |= {gate.drive for gate in self.gates.values()}
        control |= {part.pins[pin] for part in board.parts.values() if part.kind == "driver" for pin in part.pins}
        control -= {_low_net(part) for part in self.switches}
        self.control = control - {*self.top, *self.bottom}
        self.placed: set[str] = set()

    # --- rails

    def _rail(self, name: str, *, up: bool) -> tuple[str, ...]:
        """Return the nets of a rail: where its terminal is, and others behind a part where at least two arms end."""
        arms: dict[str, set[str]] = {}
        outer = {high_net(part) if up else _low_net(part) for part in self.switches}
        inner = {_low_net(part) if up else high_net(part) for part in self.switches}
        gates = {part.pins["gate"] for part in self.switches}
        for part in self.switches:
            ends = (high_net(part), _low_net(part)) if up else (_low_net(part), high_net(part))
            arms.setdefault(ends[0], set()).add(ends[1])
        for ref, (high, low) in self.left.items():
            if self.board.parts[ref].kind == "diode" and not gates & {high, low}:
                ends = (high, low) if up else (low, high)
                arms.setdefault(ends[0], set()).add(ends[1])
        if name in self.board.terminals:
            rail = [self.board.terminals[name].net]
        else:
            free = {net: arms[net] for net in arms if net not in inner}
            most = max(free, key=lambda net: (net in outer, len(free[net])), default=None)
            rail = [most] if most is not None and len(free[most]) > 1 else []
        grown = True
        while grown:
            grown = False
            for ref, (one, other) in self.left.items():
                part = self.board.parts[ref]
                for near, far in ((one, other), (other, one)):
                    many = len(arms.get(far, ())) >= 2 and far not in inner and far not in rail
                    if near in rail and many and part.when is None and _joins_rails(part):
                        # mains come in on the left: a net without switches goes before, one with switches after
                        rail.insert(rail.index(near) + (far in outer), far)
                        grown = True
        return tuple(rail)

    # --- gate drives

    def _gate_drive(self, switch: Part) -> GateDrive:
        gate, emitter = switch.pins["gate"], _low_net(switch)
        clamps = self._take_between(gate, emitter)
        touching = [ref for ref, ends in self.left.items() if gate in ends]
        series = next((ref for ref in touching if self.board.parts[ref].kind == "resistor"), None)
        drive = gate
        if series is not None:
            ends = self.left.pop(series)
            drive = ends[1] if ends[0] == gate else ends[0]
        driver = next((ref for ref, part in self.drivers.items() if part.pins["out"] == drive), None)
        if driver is not None:
            del self.drivers[driver]
        return GateDrive(switch.ref, clamps, series, drive, driver)

    def _take_between(self, one: str, other: str, *, outside: bool = True) -> tuple[str, ...]:
        """Take out every part between two nets."""
        found = [ref for ref, ends in self.left.items() if set(ends) == {one, other} and self._is_drawn(ref, outside)]
        for ref in found:
            del self.left[ref]
        return tuple(found)

    def _is_drawn(self, ref: str, outside: bool) -> bool:
        part = self.board.parts[ref]
        return part.kind != "insulation" and (outside or part.when is None)

    # --- columns

    def arranged(self) -> BoardColumns:
        links = [
            RailLink(rail, one, other, parts)
            for rail, nets in (("top", self.top), ("bottom", self.bottom))
            for one, other in itertools.pairwise(nets)
            if (parts := self._take_between(one, other))
        ]
        columns = self._legs()
        columns += self._ways()
        columns = [self._with_lead_ins(column) for column in columns]
        columns = self._with_sides(columns)
        ordered, across = self._ordered(columns)
        return BoardColumns(self.top, self.bottom, self._with_links(ordered, links, across), self._strip(links))

    def _column(self, nets: Sequence[str], stages: dict[tuple[str, str], list[Part]]) -> Column:
        hops = tuple(
            Hop(
                tuple(self.gates[part.ref] for part in stages.pop(pair, ())),
                self._take_between(*pair),
            )
            for pair in itertools.pairwise(nets)
        )
        self.placed.update(nets[1:-1], {nets[0], nets[-1]} - {*self.top, *self.bottom})
        return Column(tuple(nets), hops)

    def _legs(self) -> list[Column]:
        """Return columns of switches, from a plus net down as far as they go."""
        stages: dict[tuple[str, str], list[Part]] = {}
        for part in self.switches:
            stages.setdefault((high_net(part), _low_net(part)), []).append(part)
        waiting, legs = dict(stages), []
        rails = {*self.top, *self.bottom}
        while waiting:
            pair = next(iter(waiting))
            del waiting[pair]
            nets = [*pair]
            while (above := next((p for p in waiting if p[1] == nets[0] and p[0] not in nets), None)) is not None:
                if nets[0] in rails:
                    break
                del waiting[above]
                nets.insert(0, above[0])
            while (below := next((p for p in waiting if p[0] == nets[-1] and p[1] not in nets), None)) is not None:
                if nets[-1] in rails:
                    break
                del waiting[below]
                nets.append(below[1])
            legs.append(nets)
        for nets in legs:
            if nets[0] not in rails:
                nets[:0] = self._joined_to(nets[0], self.top, nets)
            if nets[-1] not in rails:
                nets += self._joined_to(nets[-1], self.bottom, nets)
        return [self._column(nets, stages) for nets in legs]

    def _joined_to(self, net: str, rail: Sequence[str], nets: Sequence[str]) -> list[str]:
        """Return the net of a rail that a part joins to another net, if there is one."""
        for other in rail:
            if other not in nets and any(set(ends) == {net, other} for ends in self.left.values()):
                return [other]
        return []

    def _graph(self) -> nx.Graph:
        graph = nx.Graph()
        for ref, ends in self.left.items():
            if self._is_drawn(ref, False) and ends[0] != ends[1] and not self.control & set(ends):
                graph.add_edge(*ends)
        return graph

    def _shortest(self, starts: Iterable[str], targets: Iterable[str], taboo: Collection[str]) -> list[str] | None:
        """Return the shortest way from one set of nets to another that meets nothing drawn yet."""
        graph, targets, best = self._graph(), list(targets), None
        for start, target in itertools.product(starts, targets):
            if start == target or start not in graph or target not in graph:
                continue
            inside = graph.subgraph(net for net in graph if net in (start, target) or net not in taboo)
            if not nx.has_path(inside, start, target):
                continue
            way = nx.shortest_path(inside, start, target)
            if best is None or len(way) < len(best):
                best = way
        return best

    def _ways(self) -> list[Column]:
        """Return columns from plus to minus through what is no switch."""
        found: list[Column] = []
        rails = {*self.top, *self.bottom}
        while (way := self._shortest(self.top, self.bottom, rails | self.placed)) is not None:
            if len(way) == 2:  # straight across the bus: each part is a column of its own
                for ref in self._take_between(way[0], way[1], outside=False):
                    found.append(Column(tuple(way), (Hop((), (ref,)),)))
            else:
                found.append(self._column(way, {}))
        return found

    def _with_lead_ins(self, column: Column) -> Column:
        main = {terminal.net for terminal in self.board.terminals.values() if terminal.access == "terminal"}
        if column.is_leg:  # its left belongs to the gates
            return column
        found: dict[str, LeadIn] = {}
        rails = {*self.top, *self.bottom}
        for ref, ends in list(self.left.items()):
            part = self.board.parts[ref]
            if part.kind not in _LEAD_IN_KINDS or part.when is not None:
                continue
            for near, far in (ends, ends[::-1]):
                if near in column.inner and far in main and far not in rails | self.placed and near not in found:
                    found[near] = LeadIn(near, ref, far)
                    del self.left[ref]
                    self.placed.add(far)
                    break
        return replace(column, lead_ins=tuple(found.values()))

    def _with_sides(self, columns: Sequence[Column]) -> list[Column]:
        """Return columns with the chains that begin in them and end in them or on a rail."""
        rails = {*self.top, *self.bottom}
        sides: list[list[Column]] = [[] for _ in columns]
        grown = True
        while grown:
            grown = False
            for number, column in enumerate(columns):
                for start in column.inner:
                    below = column.nets[column.nets.index(start) + 1 : -1]
                    way = self._clamp(start, below) or self._shortest(
                        [start], [*below, *self.bottom, *self.top], (rails | self.placed) - {start, *below}
                    )
                    if way is not None:
                        down = [*way] if way[-1] not in self.top else way[::-1]
                        sides[number].append(self._column(down, {}))
                        grown = True
        return [replace(column, sides=tuple(mine)) for column, mine in zip(columns, sides, strict=True)]

    def _clamp(self, start: str, below: Sequence[str]) -> list[str] | None:
        """Return the way of a pair of clamp diodes: from a net to another of the same column through one elsewhere."""
        diodes = {ends for ref, ends in self.left.items() if self.board.parts[ref].kind == "diode"}
        for high, middle in diodes:
            for upper, low in diodes:
                if high == start and upper == middle and low in below:
                    return [high, middle, low]
        return None

    # --- their order

    def _ordered(self, columns: Sequence[Column]) -> tuple[list[Column], list[RailLink]]:
        """Return columns from mains to motor, and coils that join a leg to the column put next to it."""
        pairs: dict[int, tuple[int, str, str, tuple[str, ...]]] = {}
        for leg, other in itertools.permutations(range(len(columns)), 2):
            if other in pairs or leg in pairs or not columns[leg].is_leg or (columns[other].is_leg and leg > other):
                continue
            if any(entry[0] == leg for entry in pairs.values()):
                continue
            for ref, ends in self.left.items():
                if self.board.parts[ref].kind != "coil" or self.board.parts[ref].when in ("motor", "mains"):
                    continue
                for near, far in (ends, ends[::-1]):
                    if near in columns[leg].inner and far in columns[other].inner:
                        pairs[other] = leg, near, far, (ref,)
        order = sorted(range(len(columns)), key=lambda number: self._sort_key(columns[pairs.get(number, (number,))[0]]))
        order = [number for number in order if number not in pairs]
        # a rail that changes its net along the sheet is drawn section by section: hints move columns within theirs
        sections = itertools.groupby(order, key=lambda number: self._sort_key(columns[number])[:2])
        order = [
            number
            for _, section in sections
            for number in in_asked_order([*section], lambda number: columns[number].parts(), self.board.drawing_order)
        ]
        for other, (leg, *_) in pairs.items():
            order.insert(order.index(leg) + 1, other)
        across = []
        for _, near, far, parts in pairs.values():
            across.append(RailLink("across", near, far, parts))
            for ref in parts:
                del self.left[ref]
        return [columns[number] for number in order], across

    def _sort_key(self, column: Column) -> tuple[int, int, int]:
        top = self.top.index(column.nets[0]) if column.nets[0] in self.top else len(self.top)
        bottom = self.bottom.index(column.nets[-1]) if column.nets[-1] in self.bottom else len(self.bottom)
        kinds = {self.board.parts[ref].kind for hop in column.hops for ref in hop.parts}
        # rectifier arms first, then what lies across the bus, then legs
        rank = 2 if column.is_leg else 0 if kinds == {"diode"} else 1
        return top, bottom, rank

    def _with_links(
        self, columns: Sequence[Column], links: list[RailLink], across: list[RailLink]
    ) -> tuple[Column | RailLink, ...]:
        """Return columns with the parts in a rail between them, each taken out of the list of links."""
        items: list[Column | RailLink] = []
        for number, column in enumerate(columns):
            if number:
                before = columns[number - 1]
                for link in list(links):
                    index = 0 if link.rail == "top" else -1
                    if (link.left, link.right) == (before.nets[index], column.nets[index]):
                        items.append(link)
                        links.remove(link)
                items += [link for link in across if link.left in before.inner and link.right in column.inner]
            items.append(column)
        return tuple(items)

    # --- what is left

    def _strip(self, links: Sequence[RailLink]) -> tuple[Column, ...]:
        chains = [Column((link.left, link.right), (Hop((), link.parts),)) for link in links]
        low_side = {
            part.pins["supply"]
            for part in self.board.parts.values()
            if part.kind == "driver" and part.pins["common"] in self.bottom
        }
        hubs = {*self.top, *self.bottom, *self.placed, *low_side}
        while self.left:
            first = next(iter(self.left))
            ends = self.left[first]
            if self.board.parts[first].kind == "insulation":
                del self.left[first]
                chains.append(Column(ends, (Hop((), (first,)),)))
                continue
            nets, hops = [*ends], [Hop((), self._take_between(*ends) or (first,))]
            self.left.pop(first, None)
            for at_top in (False, True):
                while (grown := self._next(nets[0 if at_top else -1], nets, hubs)) is not None:
                    far, parts = grown
                    nets.insert(0 if at_top else len(nets), far)
                    hops.insert(0 if at_top else len(hops), Hop((), parts))
            driver = next((ref for ref, part in self.drivers.items() if part.pins["out"] == nets[-1]), None)
            if driver is not None:
                del self.drivers[driver]
                nets.append("")
                hops.append(Hop((), (driver,)))
            elif (nets[0] in self.bottom and nets[-1] not in self.bottom) or (
                nets[-1] in low_side and nets[0] not in low_side
            ):
                nets, hops = nets[::-1], hops[::-1]
            chains.append(Column(tuple(nets), tuple(hops)))
        chains += [Column((part.pins["out"], ""), (Hop((), (ref,)),)) for ref, part in self.drivers.items()]
        return tuple(chains)

    def _next(self, net: str, nets: Sequence[str], hubs: Collection[str]) -> tuple[str, tuple[str, ...]] | None:
        """Return how a chain goes on from its end: where to, and through which parts; None where it ends."""
        touching = {ref: ends for ref, ends in self.left.items() if net in ends and self._is_drawn(ref, True)}
        fars = {ends[1] if ends[0] == net else ends[0] for ends in touching.values()}
        if net in hubs or len(touching) >= _BUSY_NET or len(fars) != 1:
            return None
        far = fars.pop()
        return None if far in nets else (far, self._take_between(net, far))
