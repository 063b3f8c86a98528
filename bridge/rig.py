"""The lamp rig: a supply, a lamp and a push button that switch a loose part as no meter can.

The rig is a board: the lamp lies from plus to the collector socket, the button and a resistor from plus to the gate
socket, a pull-down from there to minus, which is the emitter socket. The supply takes the place of the meter. So the
parts, their faults and the solver are those of any other board.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, parse_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change
from bridge.faults import Fault, list_faults
from bridge.forecast import damage_of
from bridge.lamp import Lamp
from bridge.points import CHANNEL_NORMAL, Points
from bridge.probing import Setup
from bridge.solve import solve_points
from bridge.switchpart import DIODE, SWITCH, SwitchPart, switch_tables
from bridge.variants import ChangeClasses

__all__ = [
    "BUTTONS",
    "CHARGE_OHMS",
    "CONNECTIONS",
    "SUPPLY_OHMS",
    "Rig",
    "RigCase",
    "RigState",
    "list_cases",
    "rig_board",
    "rig_states",
]

Array = NDArray[np.float64]

BUTTONS = ("released", "pressed", "after")
"""What the button does: not pressed yet, held down, let go again."""

CONNECTIONS = ("right", "reversed")
"""How the switch sits in the rig; reversed: collector and emitter exchanged."""

SUPPLY_OHMS = 0.05  # a bench supply's leads; common practice, no source
CHARGE_OHMS = 1e9  # what a gate's charge acts behind: any path of less than this takes it away
BUTTON_OHMS = 0.05
_ROUNDS = 80
_SETTLED = 1e-10  # of the lamp's resistance


@dataclass(frozen=True, slots=True)
class Rig:
    """A lamp rig and the part on it.

    Parameters
    ----------
    part : SwitchPart
        The switch under test.
    supply : float
        Supply voltage [V].
    lamp : Lamp
        The lamp.
    series : float
        Resistor from the button to the gate [ohm].
    pull_down : float
        Resistor from gate to emitter [ohm].
    """

    part: SwitchPart
    supply: float
    lamp: Lamp
    series: float
    pull_down: float


@dataclass(frozen=True, slots=True)
class RigCase:
    """What may be the matter on the rig.

    Parameters
    ----------
    faults : tuple of (Fault, float or None)
        Faults of the switch, its diode or the rig itself, with their resistance [ohm]; none: all is well.
    connection : str
        ``right`` or ``reversed``.
    """

    faults: tuple[tuple[Fault, float | None], ...] = ()
    connection: str = "right"


@dataclass(frozen=True, slots=True)
class RigState:
    """What the rig does in one position of the button; None where the solve did not converge.

    Parameters
    ----------
    case : RigCase
        What is the matter.
    button : str
        ``released``, ``pressed`` or ``after``.
    gate_volts : float or None
        Gate socket against emitter socket [V].
    lamp_volts : float or None
        Across the lamp [V].
    switch_volts : float or None
        Collector socket against emitter socket [V].
    lamp_amps : float or None
        Through the lamp [A].
    """

    case: RigCase
    button: str
    gate_volts: float | None
    lamp_volts: float | None
    switch_volts: float | None
    lamp_amps: float | None


def rig_board(rig: Rig, connection: str = "right") -> Board:
    """Return the rig with its part as a board.

    Parameters
    ----------
    rig : Rig
        The rig.
    connection : str
        ``right``, or ``reversed`` for collector and emitter exchanged.
    """
    high, low = ("C", "N") if connection == "right" else ("N", "C")
    # the lamp stands there with its resistance at rated voltage; each solve puts the true one in
    return parse_board(
        f"""
name = "lamp-rig"
title = "Lamp rig"
about = "A loose switch between a lamp and minus, its gate on a push button."
terminal = [
  {{ name = "P", what = "supply plus", access = "terminal" }},
  {{ name = "N", what = "supply minus, emitter socket", access = "terminal" }},
  {{ name = "C", what = "collector socket", access = "terminal" }},
  {{ name = "G_L", net = "G", what = "gate socket", access = "terminal" }},
]
[[part]]
ref = "LAMP"
kind = "resistor"
pins = {{ a = "P", b = "C" }}
ohms = {rig.lamp.hot_ohms!r}
[[part]]
ref = "K_BTN"
kind = "relay"
pins = {{ a = "P", b = "B" }}
ohms = {BUTTON_OHMS!r}
[[part]]
ref = "R_SER"
kind = "resistor"
pins = {{ a = "B", b = "G" }}
ohms = {rig.series!r}
[[part]]
ref = "R_PULL"
kind = "resistor"
pins = {{ a = "G", b = "N" }}
ohms = {rig.pull_down!r}
{switch_tables(rig.part, high, low, "G")}""",
        "lamp rig",
    )


def list_cases(rig: Rig) -> tuple[RigCase, ...]:
    """Return the good switch, every single fault of it, and the ways it may sit in the rig the wrong way round.

    Parameters
    ----------
    rig : Rig
        The rig.
    """
    own = [fault for fault in list_faults(rig_board(rig)) if fault.part in (SWITCH, DIODE)]
    faults = sorted(own, key=lambda fault: fault.part == DIODE)  # the switch first, in the order of the board's faults
    each = [RigCase(), *(RigCase(((fault, None),)) for fault in faults)]
    turned = [RigCase(case.faults, "reversed") for case in each]
    return (*each, *turned)


def rig_states(rig: Rig, cases: Sequence[RigCase], *, lamp_is_cold: bool = False) -> tuple[tuple[RigState, ...], ...]:
    """Return what the rig does before the button is pressed, while it is, and after, for each case.

    Before the first press the gate has been discharged. Afterwards it keeps what charge no path takes away.

    Parameters
    ----------
    rig : Rig
        The rig.
    cases : sequence of RigCase
        What may be the matter.
    lamp_is_cold : bool
        Whether to answer for the first instant, before the filament has warmed.

    Raises
    ------
    InputError
        A fault of a part that is not there.
    """
    answer: list[tuple[RigState, ...]] = [()] * len(cases)
    for connection in CONNECTIONS:
        numbers = [number for number, case in enumerate(cases) if case.connection == connection]
        if not numbers:
            continue
        board = rig_board(rig, connection)
        some = [cases[number] for number in numbers]
        idle, driven = (build_circuit(board, Setup(relay_closed=closed)) for closed in (False, True))
        nothing = np.zeros(len(some))
        before = _solve(rig, idle, some, nothing, lamp_is_cold)
        pressed = _solve(rig, driven, some, nothing, lamp_is_cold)
        charge = np.nan_to_num(pressed.charge)
        after = _solve(rig, idle, some, charge, lamp_is_cold)
        for column, number in enumerate(numbers):
            answer[number] = tuple(
                solved.state(cases[number], button, column)
                for button, solved in zip(BUTTONS, (before, pressed, after), strict=True)
            )
    return tuple(answer)


@dataclass(frozen=True, slots=True)
class _Solved:
    """Voltages of the rig, a column for each case; NaN where a solve did not converge."""

    gate: Array
    lamp: Array
    switch: Array
    amps: Array
    charge: Array  # gate against the switch's own emitter [V]

    def state(self, case: RigCase, button: str, column: int) -> RigState:
        numbers = [float(row[column]) for row in (self.gate, self.lamp, self.switch, self.amps)]
        shown = [None if math.isnan(number) else number for number in numbers]
        return RigState(case, button, *shown)


def _solve(rig: Rig, circuit: Circuit, cases: Sequence[RigCase], charge: Array, lamp_is_cold: bool) -> _Solved:
    """Solve all cases in one position of the button, gates charged to ``charge`` [V]."""
    size = len(cases)
    points = _points(rig, circuit, cases, charge)
    row = circuit.linear_rows[("LAMP", "main")]
    burnt = points.siemens[row] == 0.0
    plus, socket, gate = (circuit.node_of_net[net] for net in ("P", "C", "G"))
    held = circuit.hold_rows[SWITCH]
    voltage = np.zeros((circuit.node_count, size))
    good = np.zeros(size, dtype=bool)
    open_still = np.arange(size)  # columns whose lamp has not settled
    log_ohms = np.full(size, math.log(rig.lamp.cold_ohms))
    last_log, last_gap = log_ohms.copy(), np.zeros(size)
    start: Array | None = None
    for number in range(_ROUNDS):
        points.siemens[row, open_still] = np.where(burnt[open_still], 0.0, np.exp(-log_ohms[open_still]))
        solution = solve_points(circuit, points.take(open_still), start)
        voltage[:, open_still], good[open_still] = solution.voltage, solution.converged
        across = voltage[plus, open_still] - voltage[socket, open_still]
        warm = np.array([math.log(rig.lamp.ohms_at(volts)) for volts in across.tolist()])
        gap = warm - log_ohms[open_still]
        left = ~burnt[open_still] & solution.converged & (np.abs(gap) > _SETTLED)
        if lamp_is_cold or not left.any():
            break
        # by secants; whatever lies in series with the lamp, the gap falls with a slope of -1 to -0.55 in the logarithm
        moved = log_ohms[open_still] - last_log[open_still]
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.clip((gap - last_gap[open_still]) / moved, -1.0, -0.5)
        slope = np.where((number == 0) | ~np.isfinite(slope), -1.0, slope)
        last_log[open_still], last_gap[open_still] = log_ohms[open_still], gap
        log_ohms[open_still] -= np.where(left, gap / slope, 0.0)
        open_still, start = open_still[left], solution.voltage[:, left]
    else:
        good[open_still] = False
    fails = ~good
    own = voltage[circuit.linear_a[held]] - voltage[circuit.linear_b[held]]
    minus = voltage[circuit.node_of_net["N"]]
    answers = [voltage[gate] - minus, voltage[plus] - voltage[socket], voltage[socket] - minus]
    answers += [answers[1] * points.siemens[row], own]
    return _Solved(*(np.where(fails, np.nan, row_of) for row_of in answers))


def _points(rig: Rig, circuit: Circuit, cases: Sequence[RigCase], charge: Array) -> Points:
    """Return the operating points of all cases, the supply in the place of the meter."""
    size = len(cases)
    changes = [damage_of(circuit, case.faults) for case in cases]
    classes = ChangeClasses(circuit, [Change(), *changes])
    points = Points(
        siemens=np.repeat(circuit.linear_siemens[:, None], size, axis=1),
        inject=np.zeros((circuit.node_count, size)),
        saturation=np.repeat(circuit.junction_saturation[:, None], size, axis=1),
        channel=np.full((len(circuit.channel_high), size), CHANNEL_NORMAL, dtype=np.int8),
        red=np.full(size, circuit.node_of_net["P"], dtype=np.intp),
        black=np.full(size, circuit.node_of_net["N"], dtype=np.intp),
        amps=np.zeros(size),
        volts=np.full(size, rig.supply),
        ohms=np.full(size, SUPPLY_OHMS),
    )
    classes.apply(points, classes.class_of[1:])
    held = circuit.hold_rows[SWITCH]
    points.siemens[held] += 1.0 / CHARGE_OHMS
    points.inject[circuit.linear_a[held]] += charge / CHARGE_OHMS
    points.inject[circuit.linear_b[held]] -= charge / CHARGE_OHMS
    return points
