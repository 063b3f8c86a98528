"""Why a reading is what it is: the path the meter's current takes, and the sentence a technician would say.

The path is a graph question: among all ways from the lead the current leaves to the lead it returns by, along branches
in the direction their current flows, the one whose weakest branch carries most (a widest path: Pollack, Oper. Res. 8
(1960) 733, from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change
from bridge.faults import Fault, describe_fault
from bridge.flows import Flow, list_flows
from bridge.forecast import Forecast, damage_of, forecast_each
from bridge.instants import build_points, first_instant
from bridge.meter import MeterProfile
from bridge.points import Points, meter_current
from bridge.probing import Probing, Setup
from bridge.shots import displayed, plan_shots, settled_range
from bridge.solve import solve_points
from bridge.units import format_display
from bridge.variants import ChangeClasses

__all__ = ["MeterPath", "PathStep", "path_of", "path_words", "why_sentence"]

Array = NDArray[np.float64]
Faults = Sequence[tuple[Fault, float | None]]

FLOWS_SHARE = 0.02  # of the test current: below this nothing worth a word flows
TRICKLE = 0.1
BESIDES = 0.15  # a share of the current worth naming beside the main path
ALIKE_V = 0.02  # drops nearer than this are the same to a technician
ALIKE_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class PathStep:
    """One branch the current takes.

    Parameters
    ----------
    part : str
        The part it goes through.
    slot : str
        Which of its branches.
    start, end : str
        Places it goes from and to: terminals where there are any, else nets.
    share : float
        Share of the meter's current that goes through it [1].
    """

    part: str
    slot: str
    start: str
    end: str
    share: float


@dataclass(frozen=True, slots=True)
class MeterPath:
    """The path of a meter's current from lead to lead.

    Parameters
    ----------
    probing : Probing
        Where the leads are.
    amps : float
        The meter's current [A].
    strength : float
        That current as a share of what the meter can deliver [1].
    steps : tuple of PathStep
        The path in order; empty where nothing conducts.
    settled : bool
        Whether this is the end state; else it is the first instant, when capacitors are charging.
    besides : tuple of PathStep
        Other branches that carry a good share.
    known : bool
        Whether the circuit could be solved; there is no path otherwise.
    """

    probing: Probing
    amps: float
    strength: float
    steps: tuple[PathStep, ...]
    settled: bool
    besides: tuple[PathStep, ...] = ()
    known: bool = True


def path_of(board: Board, meter: MeterProfile, setup: Setup, faults: Faults, probing: Probing) -> MeterPath:
    """Return the path a meter's current takes through a board with the given faults.

    Parameters
    ----------
    board, meter, setup
        As for :func:`bridge.forecast.forecast`.
    faults : sequence of (Fault, float or None)
        Faults with their resistance [ohm]; none for a healthy board.
    probing : Probing
        Placement of the leads.

    Raises
    ------
    InputError
        A lead, pin, position, range or part that does not exist in this set-up.
    """
    circuit = build_circuit(board, setup, probing.lift)
    shots = plan_shots(circuit, meter, probing, 0)
    classes = ChangeClasses(circuit, [Change(), damage_of(circuit, faults)])
    which, mine = np.arange(len(shots)), np.full(len(shots), classes.class_of[1])
    points, factors = build_points(circuit, shots, which, classes, mine)
    end = solve_points(circuit, points)
    shown = displayed(shots, which, end.voltage[points.red, np.arange(points.size)])
    number = settled_range(shown, end.converged)
    unknown = MeterPath(probing, 0.0, 0.0, (), settled=True, known=False)
    if not end.converged[number]:
        return unknown
    path = _widest(circuit, probing, points, end.voltage, number, np.zeros(len(circuit.capacitor_rows)), settled=True)
    if path.steps:
        return path
    beginning, _ = build_points(circuit, shots, which, classes, mine)
    first_instant(circuit, beginning, factors, setup.bus_volts)
    charge = circuit.capacitor_share * setup.bus_volts
    start = solve_points(circuit, beginning)
    if not start.converged[number]:
        return unknown
    return _widest(circuit, probing, beginning, start.voltage, number, charge, settled=False)


def _widest(
    circuit: Circuit, probing: Probing, points: Points, voltage: Array, column: int, charge: Array, *, settled: bool
) -> MeterPath:
    red, black = int(points.red[column]), int(points.black[column])
    one = slice(column, column + 1)
    across = voltage[red, one] - voltage[black, one]
    amps = float(meter_current(points.amps[one], points.volts[one], points.ohms[one], across)[0][0])
    full = float(points.amps[column]) or abs(float(points.volts[column])) / float(points.ohms[column])
    if amps < FLOWS_SHARE * full or red == black:
        return MeterPath(probing, amps, amps / full, (), settled)
    flows = [flow for flow in list_flows(circuit, points, voltage, column, charge) if flow.amps > 1e-6 * amps]
    heaviest: dict[tuple[int, int], Flow] = {}
    carried: dict[tuple[int, int], float] = {}
    for flow in flows:
        ends = flow.start, flow.end
        carried[ends] = carried.get(ends, 0.0) + flow.amps
        if ends not in heaviest or flow.amps > heaviest[ends].amps:
            heaviest[ends] = flow
    graph = nx.DiGraph()
    graph.add_nodes_from((red, black))
    for ends in sorted(carried, key=lambda ends: (-carried[ends], ends)):
        graph.add_edge(*ends)
        if nx.has_path(graph, red, black):
            break
    else:
        return MeterPath(probing, amps, amps / full, (), settled)  # what flows does not come from the meter
    nodes = nx.shortest_path(graph, red, black)
    names = _names(circuit)

    def step(flow: Flow) -> PathStep:
        return PathStep(flow.part, flow.slot, names[flow.start], names[flow.end], flow.amps / amps)

    taken = [heaviest[ends] for ends in itertools.pairwise(nodes)]
    every = nx.DiGraph(list(carried))
    between = nx.descendants(every, red) | {red}
    between &= nx.ancestors(every, black) | {black}  # not what a held gate's source drives round its own loop
    others = [
        flow
        for flow in flows
        if flow.amps >= BESIDES * amps and flow not in taken and {flow.start, flow.end} <= between
    ]
    others.sort(key=lambda flow: -flow.amps)
    steps, besides = tuple(map(step, taken)), tuple(map(step, others))
    return MeterPath(probing, amps, amps / full, steps, settled, besides)


def _names(circuit: Circuit) -> dict[int, str]:
    """Return the name of each node: the terminal easiest to reach, else the net, else the lifted pin."""
    names: dict[int, str] = {}
    for net, node in circuit.node_of_net.items():
        names.setdefault(node, net)
    effort = ("terminal", "pad", "pin")
    terminals = sorted(circuit.board.terminals.values(), key=lambda one: effort.index(one.access), reverse=True)
    for terminal in terminals:
        names[circuit.node_of_net[terminal.net]] = terminal.name
    for terminal in reversed(list(circuit.board.terminals.values())):
        if terminal.access == "terminal":
            names[circuit.node_of_net[terminal.net]] = terminal.name
    return names


def _through(board: Board, step: PathStep, modes: Mapping[str, str]) -> str:
    """Return one branch as it is said: the part by its name, but what a fault has added by the fault."""
    kind, mode = board.parts[step.part].kind, modes.get(step.part, "")
    added = step.slot in ("across", "ce", "gc", "ge", "low", "high", "supply")
    if added and mode:
        damage = "the leak" if "leak" in mode else "the short"
        return f"{damage} at the gate of {step.part}" if step.slot in ("gc", "ge") else f"{damage} in {step.part}"
    if kind in ("igbt", "mosfet") and step.slot == "channel":
        return f"the channel of {step.part}"
    return step.part


def path_words(board: Board, path: MeterPath, faults: Faults = ()) -> str:
    """Return a path in words: ``the current goes from U through D_UH to P``.

    Parameters
    ----------
    board : Board
        The board.
    path : MeterPath
        A path on it.
    faults : sequence of (Fault, float or None)
        The faults the path was found with, so that shorts can be called by name.
    """
    if not path.known:
        return "nobody knows which way the current goes, as the circuit could not be solved,"
    if not path.steps:
        return "nothing conducts between the leads"
    modes = {fault.part: fault.mode for fault, _ in faults}
    words = ["only a trickle goes" if path.strength < TRICKLE and path.settled else "the current goes"]
    words.append(f"from {path.steps[0].start}")
    for number, step in enumerate(path.steps):
        words.append(f"through {_through(board, step, modes)}")
        last = number == len(path.steps) - 1
        # places without a terminal say little, and parts in series speak for themselves
        if last or step.end in board.terminals:
            words.append(f"to {step.end}")
    weakest = min(step.share for step in path.steps)
    if weakest < 1.0 - BESIDES:
        others = list(dict.fromkeys(step.part for step in path.besides if step.part not in _parts(path)))
        beside = f", the rest through {' and '.join(others[:2])}" if others else ""
        words.append(f"({100.0 * weakest:.0f} % of it{beside})")
    said = " ".join(words)
    return said if path.settled else f"{said}, only while capacitors charge,"


def _parts(path: MeterPath) -> list[str]:
    return [step.part for step in path.steps]


def _shown(forecast: Forecast) -> str:
    if forecast.state is None:
        return "cannot be predicted"
    if forecast.value is None:
        return "reads OL"
    moving = "" if forecast.state == "steady" else f" {forecast.state}"
    return f"reads about {format_display(forecast.value, forecast.unit)}{moving}"


def _alike(one: Forecast, other: Forecast) -> bool:
    if one.value is None or other.value is None:
        return one.value is other.value
    gap = abs(one.value - other.value)
    return gap <= (ALIKE_V if one.unit == "V" else ALIKE_SHARE * max(abs(one.value), abs(other.value)))


def why_sentence(board: Board, meter: MeterProfile, setup: Setup, faults: Faults, probing: Probing) -> str:
    """Return in one sentence which way the current goes with these faults, and which way on a healthy board.

    Parameters
    ----------
    board, meter, setup, faults, probing
        As for `path_of`; without faults only the healthy board is told.

    Raises
    ------
    InputError
        As `path_of` raises it.
    """
    good_row, bad_row = forecast_each(board, meter, setup, [probing], [(), tuple(faults)])
    good, bad = good_row[0], bad_row[0]
    good_path = path_of(board, meter, setup, (), probing)
    good_way = path_words(board, good_path)
    if not faults:
        return f"On a good board {good_way} and the meter {_shown(good)}."
    phrases = [describe_fault(board.parts[fault.part], fault.mode).phrase for fault, _ in faults]
    culprit = " and ".join(f"{fault.part} ({words})" for (fault, _), words in zip(faults, phrases, strict=True))
    path = path_of(board, meter, setup, faults, probing)
    way = f"With {culprit} {path_words(board, path, faults)}"
    same_way = _route(path) == _route(good_path)
    if same_way and _alike(good, bad):
        return f"{way} and the meter {_shown(bad)}, just as on a good board: this reading says nothing of it."
    if same_way:
        return f"{way} and the meter {_shown(bad)}; by the same way a good board {_shown(good)}."
    return f"{way} and the meter {_shown(bad)}; on a good board {good_way} and the meter {_shown(good)}."


def _route(path: MeterPath) -> tuple[object, ...]:
    return path.settled, *((step.part, step.slot) for step in path.steps)
