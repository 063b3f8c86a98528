"""First power on a board: what a voltmeter shows while a bench supply with a current limit feeds the bus.

The supply takes the place of the meter of other readings, between P and N; the voltmeter is a resistor of the board.
So the parts, their faults and the solver are those of every other reading. Capacitors are charged by then: open.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.board import Board, Part
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.errors import InputError
from bridge.faults import Fault
from bridge.forecast import damage_of
from bridge.meterprofile import VOLTMETER_OHMS
from bridge.points import CHANNEL_NORMAL, Points
from bridge.probing import Setup
from bridge.solve import solve_points
from bridge.units import parse_quantity
from bridge.variants import ChangeClasses
from bridge.wording import listed, quoted

__all__ = [
    "LEADS_OHMS",
    "USUAL_A",
    "BenchSupply",
    "Place",
    "places_to_read",
    "power_volts",
    "supply_from",
]

LEADS_OHMS = 0.05  # supply leads; common practice, no source
SUPPLY_V = (12.0, 30.0)
LIMIT_A = (0.01, 5.0)
USUAL_V, USUAL_A = 24.0, 0.1  # common practice, no source
_METER_REF = "R_VOLTMETER"

Faults = Sequence[tuple[Fault, float | None]]


@dataclass(frozen=True, slots=True)
class BenchSupply:
    """A bench supply from P to N.

    Parameters
    ----------
    volts : float
        What it is set to [V].
    amps : float
        Its current limit [A].

    Raises
    ------
    InputError
        A voltage that is not 12 to 30 V, or a limit that is not 10 mA to 5 A.
    """

    volts: float
    amps: float = USUAL_A

    def __post_init__(self) -> None:
        for value, (low, high), unit, where in (
            (self.volts, SUPPLY_V, "V", "--supply"),
            (self.amps, LIMIT_A, "A", "--limit"),
        ):
            if not math.isfinite(value) or not low <= value <= high:
                raise InputError(f"{value:g} {unit}; accepted: {low:g} to {high:g} {unit}", where=where)


def supply_from(volts: str | None, amps: str | None) -> BenchSupply:
    """Return a supply from what was typed; None stands for what was not.

    Parameters
    ----------
    volts, amps : str or None
        Voltage and current limit.

    Raises
    ------
    InputError
        Something that is not accepted; the option is named.
    """
    return BenchSupply(
        USUAL_V if volts is None else _typed(volts, "--supply"), USUAL_A if amps is None else _typed(amps, "--limit")
    )


def _typed(text: str, where: str) -> float:
    try:
        quantity = parse_quantity(text)
    except InputError as error:
        raise InputError(error.problem, where=where) from None
    if quantity.unit and (quantity.unit, where) != ("V", "--supply"):
        raise InputError(f"{quoted(text)} is in {quantity.unit}; accepted: a number", where=where)
    return quantity.value


@dataclass(frozen=True, slots=True)
class Place:
    """Where the voltmeter is.

    Parameters
    ----------
    red, black : str
        Terminal under each lead.
    """

    red: str
    black: str

    def __str__(self) -> str:
        return f"{self.red} to {self.black}"


def places_to_read(board: Board) -> tuple[Place, ...]:
    """Return the places of a first power-up: the bus, each other main terminal to minus, each gate to its emitter.

    Parameters
    ----------
    board : Board
        The board.

    Raises
    ------
    InputError
        A board without P and N.
    """
    if not {"P", "N"} <= set(board.terminals):
        raise InputError(f"board {board.name} has no terminals P and N to feed; it has {listed(board.main_terminals)}")
    main = [Place(name, "N") for name in board.main_terminals if name != "N"]
    return (*main, *(Place(gate, emitter) for gate, emitter in board.gate_leads))


def power_volts(
    board: Board, setup: Setup, supply: BenchSupply, places: Sequence[Place], hypotheses: Sequence[Faults]
) -> tuple[tuple[float | None, ...], ...]:
    """Return what a voltmeter shows at each place, a row for each hypothesis [V]; None where a solve did not converge.

    Parameters
    ----------
    board : Board
        The board.
    setup : Setup
        What is connected or unplugged; the temperature.
    supply : BenchSupply
        What feeds it.
    places : sequence of Place
        Where the voltmeter goes, one place at a time: its 10 megohm are part of the circuit.
    hypotheses : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.

    Raises
    ------
    InputError
        A board without P and N, a lead or a part that is not there.
    """
    places_to_read(board)
    columns = [_at_place(board, setup, supply, place, hypotheses) for place in places]
    return tuple(tuple(column[row] for column in columns) for row in range(len(hypotheses)))


def _with_voltmeter(board: Board, place: Place) -> Board:
    """Return the board with a voltmeter's resistance at a place."""
    red, black = board.net_of(place.red), board.net_of(place.black)
    voltmeter = Part(
        ref=_METER_REF,
        kind="resistor",
        pins={"a": red, "b": black},
        values={"ohms": VOLTMETER_OHMS},
        tolerance=0.01,
        package=_METER_REF,
        block="bench",
        role="voltmeter",
        modes=(),
        batch="bench",
        construction="discrete",
        position=None,
        shares_bond_with=None,
        when=None,
        gate_board=False,
        bus_share=0.0,
        lift_cost={},
    )
    return dataclasses.replace(board, parts={**board.parts, _METER_REF: voltmeter})


def _at_place(
    board: Board, setup: Setup, supply: BenchSupply, place: Place, hypotheses: Sequence[Faults]
) -> list[float | None]:
    circuit = build_circuit(_with_voltmeter(board, place), setup)
    size = len(hypotheses)
    classes = ChangeClasses(circuit, [Change(), *(damage_of(circuit, faults) for faults in hypotheses)])
    points = Points(
        siemens=np.repeat(circuit.linear_siemens[:, None], size, axis=1),
        inject=np.zeros((circuit.node_count, size)),
        saturation=np.repeat(circuit.junction_saturation[:, None], size, axis=1),
        channel=np.full((len(circuit.channel_high), size), CHANNEL_NORMAL, dtype=np.int8),
        red=np.full(size, circuit.node("P"), dtype=np.intp),
        black=np.full(size, circuit.node("N"), dtype=np.intp),
        amps=np.full(size, supply.amps),
        volts=np.full(size, supply.volts),
        ohms=np.full(size, LEADS_OHMS),
    )
    classes.apply(points, classes.class_of[1:])
    solution = solve_points(circuit, points)
    shown = solution.voltage[circuit.node(place.red)] - solution.voltage[circuit.node(place.black)]
    return [
        float(volts) if good else None for volts, good in zip(shown.tolist(), solution.converged.tolist(), strict=True)
    ]
