"""From a board and a bench set-up to a table of branches between numbered nodes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.board import Board, Part
from bridge.elimination import EliminationPlan
from bridge.partkinds import collector_pin, emitter_pin
from bridge.probing import Setup
from bridge.rowsum import RowSum
from bridge.setupcheck import check_setup

__all__ = ["CAPACITOR_ESR_OHMS", "SMALLEST_OHMS", "TEMPERATURE", "Circuit", "build_circuit"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CAPACITOR_ESR_OHMS = 0.01
SMALLEST_OHMS = 1e-4  # below this a double cannot carry it beside gigohms
DRIVER_IDEALITY = 1.2  # with 0.62 V at 1 mA it meets gate readings at 10 uA, 100 uA and 1 mA together
DRIVER_SERIES_OHMS = 1.0
TEMPERATURE = "temperature of the bench"


@dataclass(frozen=True, slots=True)
class EdgeSum:
    """Rows of branches added to rows of a table, each with a sign.

    Parameters
    ----------
    sum : RowSum
        Which rows go where.
    rows : ndarray of int, products
        Branch of each product, in the order of ``sum``.
    sign : ndarray, products x 1
        Plus where the branch runs as the table's row does, minus where it runs against it.
    """

    sum: RowSum
    rows: Index
    sign: Array

    @classmethod
    def of(cls, targets: Index, rows: Index, sign: Array) -> EdgeSum:
        """Return the pattern of products with targets, branches and signs."""
        pattern = RowSum(targets.tolist())
        return cls(pattern, rows[pattern.order], sign[pattern.order][:, None])

    def add(self, table: Array, branches: Array) -> None:
        """Add quantities that have no direction, branches x batch, to a table in place."""
        self.sum.add(table, branches.take(self.rows, axis=0))

    def add_flows(self, table: Array, branches: Array) -> None:
        """Add quantities that run from a branch's first node to its second, branches x batch, to a table in place."""
        products = branches.take(self.rows, axis=0)
        products *= self.sign
        self.sum.add(table, products)


def _onto_edges(edges: Index, ends: Index, start: Index) -> EdgeSum:
    """Return how branches that start at some nodes add up on edges; a branch between one node and itself does not."""
    rows = np.flatnonzero(edges >= 0)
    sign = np.where(ends[edges[rows], 0] == start[rows], 1.0, -1.0)
    return EdgeSum.of(edges[rows], rows, sign)


@dataclass(frozen=True, eq=False)
class Circuit:
    """Branches of one board in one set-up, as parallel arrays with a fixed node order.

    Parameters
    ----------
    node_of_net : mapping
        Node number of each net and of each lifted ``PART.pin``.
    node_count : int
        Number of nodes.
    linear_a, linear_b : ndarray, linear rows
        Ends of each linear row.
    linear_siemens : ndarray, linear rows
        Conductance on a healthy board [S]; 0 for rows that only a fault fills.
    linear_rows : mapping
        Row of (part, slot).
    capacitor_rows : ndarray, capacitors
        Linear row that carries each capacitor.
    capacitor_farads : ndarray, capacitors
        Capacitance [F].
    capacitor_share : ndarray, capacitors
        Share of the bus voltage each holds when the bus is charged [1].
    junction_a, junction_b : ndarray, junctions
        Anode and cathode node.
    junction_saturation, junction_scale, junction_ohms : ndarray, junctions
        Saturation current [A], n kT/q [V], series resistance [ohm].
    channel_high, channel_low, channel_gate : ndarray, channels
        Collector or drain, emitter or source, and gate node.
    channel_is_mosfet : ndarray of bool, channels
        Which law a channel follows.
    channel_specific, channel_scale, channel_offset : ndarray, channels
        Specific or saturation current [A], n kT/q [V], threshold offset [V].
    channel_batch, channel_construction : tuple of str, channels
        Batch and construction of the switch.
    """

    board: Board
    setup: Setup
    node_of_net: Mapping[str, int]
    node_count: int
    linear_a: Index
    linear_b: Index
    linear_siemens: Array
    linear_rows: Mapping[tuple[str, str], int]
    capacitor_rows: Index
    capacitor_farads: Array
    capacitor_share: Array
    capacitor_index: Mapping[str, int]
    junction_a: Index
    junction_b: Index
    junction_saturation: Array
    junction_scale: Array
    junction_ohms: Array
    junction_rows: Mapping[tuple[str, str], int]
    junction_batch: tuple[str, ...]
    junction_construction: tuple[str, ...]
    channel_high: Index
    channel_low: Index
    channel_gate: Index
    channel_is_mosfet: NDArray[np.bool_]
    channel_specific: Array
    channel_scale: Array
    channel_offset: Array
    channel_batch: tuple[str, ...]
    channel_construction: tuple[str, ...]
    channel_rows: Mapping[str, int]
    hold_rows: Mapping[str, int] = field(repr=False)
    parts: Mapping[str, Part] = field(repr=False)

    @cached_property
    def drop_batches(self) -> tuple[str, ...]:
        """Batches of what drops a voltage: junctions, and the collectors of switches that are held on.

        Those of parts that this set-up leaves out are among them: readings in several set-ups share all of them.
        """
        parts = self.board.parts.values()
        junctions = [part.batch for part in parts if part.kind in ("diode", "driver")]
        collectors = [part.batch for part in parts if part.kind == "igbt"]
        return tuple(dict.fromkeys((*junctions, *collectors)))

    @property
    def shared_unknowns(self) -> tuple[str, ...]:
        """What many readings of one board share: the drops of each batch, and last the temperature."""
        return (*self.drop_batches, TEMPERATURE)

    @cached_property
    def plan(self) -> EliminationPlan:
        """Elimination plan over every row that a fault, a held gate or a capacitor may fill."""
        pairs = [
            *zip(self.linear_a.tolist(), self.linear_b.tolist(), strict=True),
            *zip(self.junction_a.tolist(), self.junction_b.tolist(), strict=True),
            *zip(self.channel_high.tolist(), self.channel_low.tolist(), strict=True),
        ]
        return EliminationPlan(self.node_count, pairs)

    def _edges(self, a: Index, b: Index) -> Index:
        """Return the elimination plan's edge of each row; -1 where both ends are one node."""
        pairs = zip(a.tolist(), b.tolist(), strict=True)
        return np.array([self.plan.edge(one, other) if one != other else -1 for one, other in pairs], dtype=np.intp)

    @cached_property
    def linear_edges(self) -> Index:
        """Edge of each linear row."""
        return self._edges(self.linear_a, self.linear_b)

    @cached_property
    def channel_edges(self) -> Index:
        """Edge between each channel's main terminals."""
        return self._edges(self.channel_high, self.channel_low)

    @cached_property
    def junction_edges(self) -> Index:
        """Edge of each junction."""
        return self._edges(self.junction_a, self.junction_b)

    @cached_property
    def into_edges(self) -> Mapping[str, EdgeSum]:
        """How ``linear`` rows, ``junction`` and ``channel`` currents and slopes add up on the edges."""
        rows = {
            "linear": (self.linear_edges, self.linear_a),
            "junction": (self.junction_edges, self.junction_a),
            "channel": (self.channel_edges, self.channel_high),
        }
        return {name: _onto_edges(edges, self.plan.ends, start) for name, (edges, start) in rows.items()}

    @cached_property
    def into_nodes(self) -> EdgeSum:
        """How the currents on the edges leave their first node and enter their second."""
        count = self.plan.edge_count
        every = np.tile(np.arange(count), 2)
        return EdgeSum.of(self.plan.ends.T.ravel(), every, np.repeat([-1.0, 1.0], count))

    def node(self, lead: str) -> int:
        """Return the node a lead touches; raises InputError for a lead the board does not have."""
        if lead in self.node_of_net and "." in lead:
            return self.node_of_net[lead]
        return self.node_of_net[self.board.net_of(lead)]

    def graph(self) -> nx.MultiGraph:
        """Return the healthy board as a multigraph of numbered nodes; edges carry part, law and siemens."""
        graph = nx.MultiGraph()
        graph.add_nodes_from(range(self.node_count))
        owner_of = {row: key for key, row in self.linear_rows.items()}
        capacitors = set(self.capacitor_rows.tolist())
        for row, (a, b) in enumerate(zip(self.linear_a.tolist(), self.linear_b.tolist(), strict=True)):
            if self.linear_siemens[row] > 0.0 or row in capacitors:
                law = "capacitor" if row in capacitors else "resistance"
                graph.add_edge(a, b, part=owner_of[row][0], law=law, siemens=float(self.linear_siemens[row]))
        for (ref, _slot), row in self.junction_rows.items():
            graph.add_edge(int(self.junction_a[row]), int(self.junction_b[row]), part=ref, law="junction", siemens=0.0)
        for ref, row in self.channel_rows.items():
            graph.add_edge(
                int(self.channel_high[row]), int(self.channel_low[row]), part=ref, law="channel", siemens=0.0
            )
        return graph

    def reaches(self, red: str, black: str) -> bool:
        """Whether anything at all joins the two leads on the healthy board; a lead on an island reads OL."""
        return bool(nx.has_path(self.graph(), self.node(red), self.node(black)))


class _Rows:
    """Collects rows while parts are expanded."""

    def __init__(self, kelvin: float) -> None:
        self.kelvin = kelvin
        self.linear: list[tuple[int, int, float]] = []
        self.linear_rows: dict[tuple[str, str], int] = {}
        self.capacitors: list[tuple[int, float, float]] = []
        self.capacitor_index: dict[str, int] = {}
        self.junctions: list[tuple[int, int, float, float, float]] = []
        self.junction_rows: dict[tuple[str, str], int] = {}
        self.junction_batch: list[str] = []
        self.junction_construction: list[str] = []
        self.channels: list[tuple[int, int, int, bool, float, float, float]] = []
        self.channel_rows: dict[str, int] = {}

    def add_linear(self, ref: str, slot: str, a: int, b: int, siemens: float = 0.0) -> int:
        row = len(self.linear)
        self.linear.append((a, b, siemens))
        self.linear_rows[(ref, slot)] = row
        return row

    def add_junction(self, part: Part, slot: str, a: int, b: int, drop: float, ideality: float, ohms: float) -> None:
        saturation = laws.saturation_current(drop, ideality, ohms)
        self.junction_rows[(part.ref, slot)] = len(self.junctions)
        self.junctions.append(
            (
                a,
                b,
                laws.scale_saturation_current(saturation, ideality, self.kelvin),
                ideality * laws.thermal_voltage(self.kelvin),
                ohms,
            )
        )
        self.junction_batch.append(part.batch)
        self.junction_construction.append(part.construction)


def _expand(part: Part, nodes: Mapping[str, int], rows: _Rows, setup: Setup) -> None:
    """Add the rows of one part; ``nodes`` maps its pins to node numbers."""
    ref, values = part.ref, part.values
    if part.kind == "diode":
        a, b = nodes["anode"], nodes["cathode"]
        rows.add_junction(part, "junction", a, b, values["drop_1ma"], values["ideality"], values["series_ohms"])
        rows.add_linear(ref, "across", a, b)
    elif part.kind in ("resistor", "shunt", "fuse", "coil", "relay"):
        a, b = nodes["a"], nodes["b"]
        conducts = part.kind != "relay" or setup.relay_closed
        rows.add_linear(ref, "main", a, b, 1.0 / max(values["ohms"], SMALLEST_OHMS) if conducts else 0.0)
        rows.add_linear(ref, "across", a, b)
    elif part.kind == "capacitor":
        a, b = nodes["a"], nodes["b"]
        row = rows.add_linear(ref, "main", a, b)
        rows.capacitor_index[ref] = len(rows.capacitors)
        rows.capacitors.append((row, values["farads"], part.bus_share))
        rows.add_linear(ref, "across", a, b)
    elif part.kind in ("insulation", "varistor"):
        rows.add_linear(ref, "across", nodes["a"], nodes["b"])
    elif part.kind == "driver":
        out, common, supply = nodes["out"], nodes["common"], nodes["supply"]
        rows.add_junction(part, "low", common, out, values["drop_1ma"], DRIVER_IDEALITY, DRIVER_SERIES_OHMS)
        rows.add_junction(part, "high", out, supply, values["drop_1ma"], DRIVER_IDEALITY, DRIVER_SERIES_OHMS)
        rows.add_linear(ref, "off", out, common, 1.0 / max(values["off_ohms"], SMALLEST_OHMS))
        rows.add_linear(ref, "low", out, common)
        rows.add_linear(ref, "high", out, supply)
        rows.add_linear(ref, "supply", supply, common)
    elif part.kind in ("igbt", "mosfet"):
        mosfet = part.kind == "mosfet"
        high, low = nodes[collector_pin(part.kind)], nodes[emitter_pin(part.kind)]
        gate = nodes["gate"]
        rows.channel_rows[ref] = len(rows.channels)
        if mosfet:
            specific, offset = laws.fit_mosfet_channel(values["gate_threshold"], values["on_ohms"])
            rows.channels.append((high, low, gate, True, specific, 1.0, offset))
        else:
            ideality = laws.IGBT_COLLECTOR_IDEALITY
            saturation = laws.scale_saturation_current(
                laws.saturation_current(values["on_drop_1ma"], ideality), ideality, rows.kelvin
            )
            scale = ideality * laws.thermal_voltage(rows.kelvin)
            offset = laws.igbt_threshold_offset(values["gate_threshold"])
            rows.channels.append((high, low, gate, False, saturation, scale, offset))
        rows.add_linear(ref, "ce", high, low)
        rows.add_linear(ref, "ge", gate, low)
        rows.add_linear(ref, "gc", gate, high)
    else:
        raise AssertionError(
            f"the branches of a part of kind {part.kind} are not in bridge/circuit.py; "
            "see step 2 of 'How to add a kind of part' in DEVELOPERS.md"
        )


def _number_nodes(board: Board, parts: Sequence[Part], lifted: Sequence[str]) -> dict[str, int]:
    """Number the nets of present parts and terminals, links without resistance merged, lifted pins apart."""
    nets = dict.fromkeys(
        [terminal.net for terminal in board.terminals.values()]
        + [net for part in board.parts.values() for net in part.pins.values()]
    )
    links = nx.Graph()
    links.add_nodes_from(nets)
    for part in parts:
        # a link that can itself fail keeps its two nodes and the smallest resistance instead
        if part.values.get("ohms") == 0.0 and not part.modes and part.kind != "relay":
            links.add_edge(part.pins["a"], part.pins["b"])
    position = {net: index for index, net in enumerate(nets)}
    numbers: dict[str, int] = {}
    groups = sorted(nx.connected_components(links), key=lambda group: min(position[net] for net in group))
    for number, group in enumerate(groups):
        for net in group:
            numbers[net] = number
    for pin in lifted:
        # a leg of a case lifts everything that shares it: the diode beside its switch
        leg = board.pins_on_leg(pin)
        number = numbers.get(pin, max(numbers.values()) + 1)
        numbers.update(dict.fromkeys(leg, number))
    return numbers


def build_circuit(board: Board, setup: Setup, lifted: Sequence[str] = ()) -> Circuit:
    """Return the branch table of a board in a set-up.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected, energised, unplugged; the temperature.
    lifted : sequence of str
        ``PART.pin`` lifted besides those of the set-up; each gets a node of its own.

    Raises
    ------
    InputError
        A lifted pin the board does not have, or a set-up it cannot be in.
    """
    setup = check_setup(setup, board)
    every_lift = tuple(sorted({*setup.lifted, *lifted}))
    for pin in every_lift:
        board.net_of(pin)
    parts = [part for part in board.parts.values() if part.is_present(setup)]
    numbers = _number_nodes(board, parts, every_lift)
    rows = _Rows(setup.temperature_c + laws.CELSIUS_ZERO_K)
    for part in parts:
        nodes = {pin: numbers.get(f"{part.ref}.{pin}", numbers[net]) for pin, net in part.pins.items()}
        _expand(part, nodes, rows, setup)
    hold_rows: dict[str, int] = {}
    for part in parts:
        if part.kind in ("igbt", "mosfet"):
            low = part.pins["source" if part.kind == "mosfet" else "emitter"]
            hold_rows[part.ref] = rows.add_linear(part.ref, "hold", numbers[part.pins["gate"]], numbers[low])

    def numbers_of(table: Sequence[tuple[float, ...]], index: int) -> Array:
        return np.array([entry[index] for entry in table], dtype=np.float64)

    def nodes_of(table: Sequence[tuple[float, ...]], index: int) -> Index:
        return np.array([entry[index] for entry in table], dtype=np.intp)

    linear, junctions, channels = rows.linear, rows.junctions, rows.channels
    return Circuit(
        board=board,
        setup=setup,
        node_of_net=numbers,
        node_count=max(numbers.values()) + 1,
        linear_a=nodes_of(linear, 0),
        linear_b=nodes_of(linear, 1),
        linear_siemens=numbers_of(linear, 2),
        linear_rows=rows.linear_rows,
        capacitor_rows=nodes_of(rows.capacitors, 0),
        capacitor_farads=numbers_of(rows.capacitors, 1),
        capacitor_share=numbers_of(rows.capacitors, 2),
        capacitor_index=rows.capacitor_index,
        junction_a=nodes_of(junctions, 0),
        junction_b=nodes_of(junctions, 1),
        junction_saturation=numbers_of(junctions, 2),
        junction_scale=numbers_of(junctions, 3),
        junction_ohms=numbers_of(junctions, 4),
        junction_rows=rows.junction_rows,
        junction_batch=tuple(rows.junction_batch),
        junction_construction=tuple(rows.junction_construction),
        channel_high=nodes_of(channels, 0),
        channel_low=nodes_of(channels, 1),
        channel_gate=nodes_of(channels, 2),
        channel_is_mosfet=np.array([entry[3] for entry in channels], dtype=bool),
        channel_specific=numbers_of(channels, 4),
        channel_scale=numbers_of(channels, 5),
        channel_offset=numbers_of(channels, 6),
        channel_batch=tuple(board.parts[ref].batch for ref in rows.channel_rows),
        channel_construction=tuple(board.parts[ref].construction for ref in rows.channel_rows),
        channel_rows=rows.channel_rows,
        hold_rows=hold_rows,
        parts={part.ref: part for part in parts},
    )
