"""What one board would read: predicted displays for a given set of faults, ready to be shown."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.errors import InputError
from bridge.faults import Fault, median_ohms
from bridge.instants import build_points, first_instant
from bridge.meter import MeterProfile
from bridge.points import full_scale_amps
from bridge.probing import Probing, Setup
from bridge.shots import Shot, displayed, plan_each, settled_range
from bridge.solve import solve_points
from bridge.transient import rest_leads
from bridge.variants import ChangeClasses

__all__ = [
    "Forecast",
    "circuits_of",
    "damage_of",
    "default_probings",
    "forecast",
    "forecast_cases",
    "forecast_changes",
    "forecast_each",
    "forecast_of",
    "state_of",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

COMPANY = 256  # boards solved together: enough to share the work, few enough for the memory of a small machine
STILL_SHARE = 1e-6  # of the test current: less than this charges nothing a display would show
STILL_V = 1e-6
STEADY_DIGITS = 2.0  # a display that moves by no more than this many digits is called steady


@dataclass(frozen=True, slots=True)
class Forecast:
    """A predicted reading.

    Parameters
    ----------
    probing : Probing
        Where the leads are.
    value : float or None
        Display after the dwell [V] or [ohm]; None for OL.
    unit : str
        ``V`` or ``ohm``.
    state : str or None
        ``steady``, ``climbing``, ``falling``, ``OL``; None where the solve did not converge.
    start, end : float or None
        Display at the first instant and after a very long time; None for OL.
    error : str or None
        Why there is no number, or that nothing joins the leads.
    """

    probing: Probing
    value: float | None
    unit: str
    state: str | None
    start: float | None
    end: float | None
    error: str | None = None


def default_probings(board: Board) -> tuple[Probing, ...]:
    """Return all ordered pairs of main terminals in diode mode, then each gate lead to its emitter in ohms mode."""
    main = board.main_terminals
    pairs = [Probing(red, black) for red in main for black in main if red != black]
    return (*pairs, *(Probing(gate, emitter, "ohms") for gate, emitter in board.gate_leads))


def state_of(start: float, value: float, end: float, digit: float) -> str:
    """Name what a display does during the dwell; infinity stands for OL.

    Parameters
    ----------
    start, value, end : float
        Display at the first instant, after the dwell, after a very long time.
    digit : float
        One digit of the display.
    """
    if math.isinf(value):
        return "OL"  # from the first, or it went there while the leads rested
    if math.isinf(end) or end - value > STEADY_DIGITS * digit:
        return "climbing"
    if math.isinf(start) or value - end > STEADY_DIGITS * digit:
        return "falling"
    return "steady"


def forecast(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    faults: Sequence[tuple[Fault, float | None]] = (),
) -> tuple[Forecast, ...]:
    """Return what a board with the given faults would read, one forecast per probing.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter.
    setup : Setup
        The state of the bench.
    probings : sequence of Probing
        Placements of the leads.
    faults : sequence of (Fault, float or None)
        Faults with their resistance [ohm]; None takes the median of the severity table.

    Returns
    -------
    tuple of Forecast
        In the order of the probings: the display at first, after the dwell and in the end [V] or [ohm], None for OL.

    Raises
    ------
    InputError
        A lead, pin, position, range or part that does not exist in this set-up, or a set-up this board cannot be in.
    """
    return forecast_each(board, meter, setup, probings, [faults])[0]


def forecast_each(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    hypotheses: Sequence[Sequence[tuple[Fault, float | None]]],
) -> tuple[tuple[Forecast, ...], ...]:
    """Return what each of several boards would read, a row of probings for each; solved together.

    Parameters
    ----------
    board, meter, setup, probings
        As for :func:`forecast`.
    hypotheses : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.

    Raises
    ------
    InputError
        A lead, pin, position, range or part that does not exist in this set-up.
    """
    rows: list[dict[int, Forecast]] = [{} for _ in hypotheses]
    for circuit, numbers in circuits_of(board, setup, probings):
        places = [probings[number] for number in numbers]
        for start in range(0, len(hypotheses), COMPANY):
            changes = [damage_of(circuit, faults) for faults in hypotheses[start : start + COMPANY]]
            for offset, forecasts in enumerate(forecast_changes(circuit, meter, places, changes)):
                rows[start + offset].update(zip(numbers, forecasts, strict=True))
    return tuple(tuple(row[number] for number in range(len(probings))) for row in rows)


def circuits_of(board: Board, setup: Setup, probings: Sequence[Probing]) -> Iterator[tuple[Circuit, list[int]]]:
    """Return the circuit of each set of lifted pins, with the numbers of the probings that are taken on it.

    Parameters
    ----------
    board, setup, probings
        As for :func:`forecast`.

    Raises
    ------
    InputError
        A pin to lift that does not exist in this set-up.
    """
    for lifted in dict.fromkeys(probing.lift for probing in probings):
        numbers = [number for number, probing in enumerate(probings) if probing.lift == lifted]
        yield build_circuit(board, setup, lifted), numbers


def damage_of(circuit: Circuit, faults: Sequence[tuple[Fault, float | None]]) -> Change:
    """Return what faults change in a circuit, at the table's median where no resistance [ohm] is given.

    Parameters
    ----------
    circuit : Circuit
        The healthy board in its set-up.
    faults : sequence of (Fault, float or None)
        The faults.

    Raises
    ------
    InputError
        A part that is not there in this set-up.
    """
    changes = []
    for fault, ohms in faults:
        part = circuit.parts.get(fault.part)
        if part is None:
            raise InputError(
                f"{fault.part} is not there in this set-up; see --connected and --unplugged", where=str(fault)
            )
        usual = median_ohms(part, fault.mode) if ohms is None else ohms
        changes.append(change_of(circuit, fault.part, fault.mode, usual))
    return combine(changes)


def forecast_changes(
    circuit: Circuit, meter: MeterProfile, probings: Sequence[Probing], changes: Sequence[Change]
) -> tuple[tuple[Forecast, ...], ...]:
    """Return forecasts of several damaged boards on one circuit, a row of probings for each change."""
    flat = forecast_cases(circuit, meter, [(probing, change) for change in changes for probing in probings])
    width = len(probings)
    return tuple(flat[row * width : (row + 1) * width] for row in range(len(changes)))


def forecast_cases(
    circuit: Circuit, meter: MeterProfile, cases: Sequence[tuple[Probing, Change]]
) -> tuple[Forecast, ...]:
    """Return one forecast for each placement of the leads on a damaged board, all solved together.

    Parameters
    ----------
    circuit : Circuit
        The healthy board in its set-up, with the probings' pins lifted.
    meter : MeterProfile
        The meter.
    cases : sequence of (Probing, Change)
        Placements, and what is broken while the leads are there.

    Raises
    ------
    InputError
        A lead, position or range that does not exist.
    """
    probings = list(dict.fromkeys(probing for probing, _ in cases))
    shots = plan_each(circuit, meter, probings)
    of_probing: dict[Probing, list[int]] = {probing: [] for probing in probings}
    for index, shot in enumerate(shots):
        of_probing[probings[shot.probing]].append(index)
    changes = list({id(change): change for _, change in cases}.values())  # most cases share their board with others
    classes = ChangeClasses(circuit, [Change(), *changes])
    class_of = dict(zip(map(id, changes), classes.class_of[1:].tolist(), strict=True))
    which_shot = np.array([index for probing, _ in cases for index in of_probing[probing]], dtype=np.intp)
    which_change = np.array(
        [class_of[id(change)] for probing, change in cases for _ in of_probing[probing]], dtype=np.intp
    )
    table, good = _displays(circuit, shots, classes, which_shot, which_change)
    result: list[Forecast] = []
    first = 0
    for probing, _ in cases:
        mine = of_probing[probing]
        columns = slice(first, first + len(mine))
        first += len(mine)
        shots_here = [shots[index] for index in mine]
        result.append(_pick(circuit, meter, probing, shots_here, table[:, columns], good[columns]))
    return tuple(result)


def _displays(
    circuit: Circuit, shots: Sequence[Shot], classes: ChangeClasses, shot: Index, change: Index
) -> tuple[Array, NDArray[np.bool_]]:
    """Return displays at the first instant, after the dwell and in the end, 3 x batch, and which of them hold."""
    setup = circuit.setup
    points, factors = build_points(circuit, shots, shot, classes, change)
    end = solve_points(circuit, points)
    beginning, _ = build_points(circuit, shots, shot, classes, change)
    first_instant(circuit, beginning, factors, setup.bus_volts)
    start = solve_points(circuit, beginning)
    charge = np.repeat((circuit.capacitor_share * setup.bus_volts)[:, None], points.size, axis=1)
    farads = circuit.capacitor_farads[:, None] * factors
    columns = np.arange(points.size)
    rested, settled = end.voltage.copy(), np.ones(points.size, dtype=bool)
    # where no capacitor takes current at first and the reading is there already, waiting changes nothing
    rows = circuit.capacitor_rows
    across = start.voltage[circuit.linear_a[rows]] - start.voltage[circuit.linear_b[rows]] - charge
    charging = np.max(np.abs(beginning.siemens[rows] * across), axis=0, initial=0.0)
    apart = np.abs(start.voltage - end.voltage)[points.red, columns]
    moving = np.flatnonzero((charging > STILL_SHARE * full_scale_amps(points)) | (apart > STILL_V))
    rested[:, moving], _, settled[moving] = rest_leads(
        circuit, points.take(moving), farads[:, moving], charge[:, moving], start.voltage[:, moving], setup.dwell_s
    )
    values = [displayed(shots, shot, voltage[points.red, columns]) for voltage in (start.voltage, rested, end.voltage)]
    return np.array(values), start.converged & end.converged & settled


def _pick(
    circuit: Circuit,
    meter: MeterProfile,
    probing: Probing,
    shots: Sequence[Shot],
    values: Array,
    good: NDArray[np.bool_],
) -> Forecast:
    """Choose the range the meter settles in, and name what the display does there; columns of ``values`` are shots."""
    chosen = settled_range(values[1], good)
    display = values[:, chosen].tolist() if good[chosen] else [math.nan] * 3
    one = forecast_of(meter, probing, shots[chosen], display, joined=circuit.reaches(probing.red, probing.black))
    higher = np.flatnonzero(np.isfinite(values[2, chosen + 1 :]) & good[chosen + 1 :])
    if math.isinf(display[2]) and len(higher):
        # what climbs out of this range ends in a higher one
        return dataclasses.replace(one, end=float(values[2, chosen + 1 + int(higher[0])]))
    return one


def forecast_of(
    meter: MeterProfile, probing: Probing, shot: Shot, display: Sequence[float], *, joined: bool
) -> Forecast:
    """Return the display of one range as a forecast.

    Parameters
    ----------
    meter : MeterProfile
        The meter.
    probing : Probing
        Where the leads are.
    shot : Shot
        The range the meter settles in.
    display : sequence of float
        What it shows at the first instant, after the dwell, in the end: infinity for OL, NaN where the solve did not
        converge.
    joined : bool
        Whether anything joins the leads.
    """
    if any(math.isnan(value) for value in display):
        return Forecast(probing, None, shot.unit, None, None, None, "the solve did not converge")
    start, value, end = display
    digit = meter.resolution(probing.mode, shot.range_name, value if math.isfinite(value) else 0.0)
    note = None if joined else "nothing joins these leads"
    return Forecast(
        probing, _finite(value), shot.unit, state_of(start, value, end, digit), _finite(start), _finite(end), note
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
