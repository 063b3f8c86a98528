"""What the display shows on a circuit with given faults, and what moves it: drops, spreads, severities, capacitors."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge import laws
from bridge.circuit import CAPACITOR_ESR_OHMS, Circuit
from bridge.effects import EffectTest
from bridge.instants import after_one_step, build_points, first_instant
from bridge.newton import ALWAYS_ON_GATE_V, CHANNEL_DARK_V
from bridge.points import ALWAYS_ON, CHANNEL_OFF, Points, full_scale_amps
from bridge.response import Response, solve_response
from bridge.shots import Shot, ShotArrays
from bridge.solve import batch_size, solve_points
from bridge.spreads import (
    BATCH_SPREAD_V,
    OFF_SPREAD_DOWN,
    OFF_SPREAD_UP,
    PART_SPREAD_V,
    TEMPERATURE_SPREAD_C,
    THRESHOLD_SPREAD_V,
)
from bridge.turnon import BackwardChannels
from bridge.variants import ChangeClasses

__all__ = ["AnswerSolver", "Answers", "Piece"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

ROUNDED_SHARE = 1e-6  # of the saturation current; of what is left below it rounding has taken digits
LARGE_STEP_V = 2e-6  # a voltage that a capacitor would change, be it with no way to the reading: a fault may open one


@dataclass(frozen=True, slots=True)
class Answers:
    """Distinct solved displays of one circuit, in the order they were found.

    Parameters
    ----------
    value : ndarray, answers
        Displayed volts or ohms, infinity for OL, NaN where the solve did not converge.
    own_sd : ndarray, answers
        Standard deviation from part-to-part spread and resistor tolerance [unit of the display].
    batch_load : ndarray, batches x answers
        Change of the display with one volt more drop in a whole batch of junctions [unit/V]. The last is no batch but
        the temperature, in a unit of its own: it strays by as much of it as a batch does in volts.
    severity_load : ndarray, 2 x answers
        Change of the display with one neper more in the first and second fault's resistance [unit].
    owner : ndarray of int, 2 x answers
        Class each severity load belongs to.
    charges : ndarray of bool, answers
        Whether a capacitor at its first-instant charge would move the answer.
    shot : ndarray of int, answers
        Shot each belongs to.
    jack : ndarray, answers
        Voltage at the meter's jacks [V], finite for OL too.
    capacitor_volts, capacitor_amps : ndarray, capacitors x answers
        Voltage across each capacitor [V] and, at the first instant, current into it [A].
    capacitor_left : ndarray, capacitors x answers
        What the faults leave of each capacitance [1].
    rested_jack : ndarray, answers
        Voltage at the meter's jacks one long backward Euler step after the first instant [V]; NaN where none was taken.
    turn_on : ndarray, answers
        Display at which a channel with the file's threshold would carry the current backwards [V]; infinite for none.
    pace : ndarray, answers
        How much longer charging takes from this first instant than its currents alone say [1].
    """

    value: Array
    own_sd: Array
    batch_load: Array
    severity_load: Array
    owner: Index
    charges: NDArray[np.bool_]
    shot: Index
    jack: Array
    capacitor_volts: Array
    capacitor_amps: Array
    capacitor_left: Array
    rested_jack: Array
    turn_on: Array
    pace: Array

    @classmethod
    def together(cls, pieces: Sequence[Answers]) -> Answers:
        """Return several runs of answers as one; the last axis of every field is the answer."""
        names = [field.name for field in dataclasses.fields(cls)]
        return cls(**{name: np.concatenate([getattr(piece, name) for piece in pieces], axis=-1) for name in names})

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Which answers are numbers that can be trusted."""
        answer: NDArray[np.bool_] = ~np.isnan(self.value)
        return answer


@dataclass(frozen=True, slots=True)
class Piece:
    """Some answers, the node voltages behind them, at once and after a rest, and the effects of further faults.

    Parameters
    ----------
    answers : Answers
        What the display shows.
    voltage : ndarray, nodes x answers
        Node voltages [V].
    effects : ndarray of int, classes of the test x answers
        How much each class would move each answer, ``NO_EFFECT`` to ``STRONG``; 0 where it was not tested.
    points : Points
        The solved points.
    response : Response
        How they answer small currents; without port resistances where no answer was tested.
    rested : ndarray, nodes x answers
        Node voltages after the leads have rested for a dwell [V]; those of ``voltage`` where they have not.
    """

    answers: Answers
    voltage: Array
    effects: NDArray[np.uint8]
    points: Points
    response: Response
    rested: Array


class AnswerSolver:
    """A circuit with its shots and changes, and the spreads of its parts.

    Parameters
    ----------
    circuit : Circuit
        The healthy board, or the core of one.
    shots : sequence of Shot
        Shots of this circuit.
    classes : ChangeClasses
        Changes of this circuit; class 0 is the healthy board.
    bus_volts : float
        Charge on the bus at the first instant [V].
    batches : tuple of str
        Batches of junctions, in the order of the first axis of ``Answers.batch_load``, and last the temperature.
    capacitor_place : ndarray of int, capacitors of the answers
        Which capacitor of this circuit each is; -1 for one that a core has left out.
    """

    def __init__(
        self,
        circuit: Circuit,
        shots: Sequence[Shot],
        classes: ChangeClasses,
        bus_volts: float,
        batches: tuple[str, ...],
        capacitor_place: Index,
    ) -> None:
        self.circuit = circuit
        self.shots = shots
        self.arrays = ShotArrays.of(shots)
        self.classes = classes
        self.capacitor_place = capacitor_place
        self.bus_volts = bus_volts
        self.capacitor_volts = circuit.capacitor_share * bus_volts
        self.kelvin = circuit.setup.temperature_c + laws.CELSIUS_ZERO_K
        self.backward = BackwardChannels(circuit)
        names = np.array((*circuit.junction_batch, *circuit.channel_batch), dtype=object)
        self.batch_rows = [np.flatnonzero(names == batch) for batch in batches]
        construction = (*circuit.junction_construction, *circuit.channel_construction)
        self.drop_variance = np.array([PART_SPREAD_V[kind] for kind in construction]) ** 2
        tolerance = np.zeros(len(circuit.linear_siemens))
        for (ref, slot), row in circuit.linear_rows.items():
            if slot == "main":
                tolerance[row] = 0.5 * circuit.parts[ref].tolerance
        self.off_rows = np.array(
            [row for (_, slot), row in circuit.linear_rows.items() if slot == "off"], dtype=np.intp
        )
        self.tolerance_variance = tolerance**2

    def solve(
        self,
        shot: Index,
        first: Index,
        second: Index,
        start: Array | None,
        *,
        at_start: bool,
        rest: bool = False,
        moved: Array | None = None,
        test: EffectTest | None = None,
        tested: NDArray[np.bool_] | None = None,
    ) -> list[Piece]:
        """Return answers a batch at a time, those of ``tested`` columns with the effects of further faults.

        Parameters
        ----------
        shot : ndarray of int, columns
            Shot of each column.
        first, second : ndarray of int, columns
            Classes that are applied to each column; 0 for none.
        start : ndarray, nodes x columns, or None
            Node voltages to start from [V]; zero if there are none.
        at_start : bool
            Whether to solve for the first instant, with the charge on the bus, rather than for the end.
        rest : bool
            Whether the leads rest for a dwell, in one step, after a first instant.
        moved : ndarray, nodes x columns, optional
            By how much the rest is likely to move each node [V]; nothing by default.
        test : EffectTest, optional
            The further faults.
        tested : ndarray of bool, columns, optional
            Columns to test; none by default.

        Returns
        -------
        list of Piece
            The columns in their order; an answer that did not converge is NaN.
        """
        circuit = self.circuit
        points, factors = build_points(circuit, self.shots, shot, self.classes, first, second)
        if at_start:
            empty = points.inject.copy() if rest else points.inject
            first_instant(circuit, points, factors, self.bus_volts)
        solution = solve_points(circuit, points, start)
        rested, resting = np.full(points.size, np.nan), solution.voltage
        if at_start and rest and len(circuit.capacitor_rows):
            later = dataclasses.replace(points, siemens=points.siemens.copy(), inject=empty)
            after_one_step(circuit, later, factors, self.bus_volts, circuit.setup.dwell_s)
            done = solve_points(circuit, later, solution.voltage if moved is None else solution.voltage + moved)
            resting = done.voltage
            at_red = resting[later.red, np.arange(later.size)]
            rested = np.where(done.converged, self.arrays.jack_voltage(shot, at_red)[0], np.nan)
        size = batch_size(circuit)

        def describe(begin: int) -> Piece:
            part = slice(begin, begin + size)
            some, voltage = points.take(part), np.ascontiguousarray(solution.voltage[:, part])
            asked = np.zeros(0, dtype=np.intp) if tested is None else np.flatnonzero(tested[part])
            response = solve_response(circuit, some, voltage, ports=len(asked) > 0)
            faults = np.array([first[part], second[part]])
            state = some, voltage, response
            more = factors[:, part], rested[part]
            answers = self._answers(shot[part], faults, state, solution.converged[part], more, at_start)
            effects = np.zeros((0 if test is None else test.classes.size, some.size), dtype=np.uint8)
            if test is not None and len(asked):
                slack = self.arrays.slack(shot[part], answers.value, answers.jack)
                effects[:, asked] = test.grades(
                    some.take(asked),
                    voltage[:, asked],
                    response.take(asked),
                    full_scale_amps(some)[asked],
                    slack[asked],
                )
            return Piece(answers, voltage, effects, some, response, resting[:, part])

        return [describe(begin) for begin in range(0, max(points.size, 1), size)]

    def _answers(
        self,
        shot: Index,
        faults: Index,
        state: tuple[Points, Array, Response],
        converged: NDArray[np.bool_],
        capacitors: tuple[Array, Array],
        at_start: bool,
    ) -> Answers:
        """Return what the display shows in a solved state, and what moves it.

        ``capacitors`` are what is left of each, and the voltage at the jacks after a rest.
        """
        circuit = self.circuit
        factors, rested_jack = capacitors
        points, voltage, response = state
        adjoint = response.transfer
        jack, at_tips = self.arrays.jack_voltage(shot, voltage[points.red, np.arange(points.size)])
        value, slope = self.arrays.display(shot, jack)
        slope = slope * at_tips
        a, b = circuit.junction_a, circuit.junction_b
        flows, conductance = laws.junction(
            voltage[a] - voltage[b], points.saturation, circuit.junction_scale[:, None], circuit.junction_ohms[:, None]
        )
        # a higher drop divides the saturation current: the current answers by i and not by i + Is
        carried = flows + points.saturation
        per_amp = np.broadcast_to(1.0 / circuit.junction_scale[:, None], flows.shape).copy()  # far in reverse
        np.divide(conductance, carried, out=per_amp, where=carried > ROUNDED_SHARE * points.saturation)
        reach = adjoint[a] - adjoint[b]
        by_junction = reach * flows * per_amp
        by_collector, by_threshold = self._through_channels(points, voltage, adjoint)
        warmer = laws.saturation_volts(self.kelvin)
        inner = voltage[a] - voltage[b] - flows * circuit.junction_ohms[:, None]
        by_kelvin = np.sum(reach * conductance * inner - warmer * by_junction, axis=0)
        across = voltage[circuit.channel_high] - voltage[circuit.channel_low]
        by_kelvin += np.sum(by_collector * (across - warmer), axis=0)
        by_drop = np.concatenate([by_junction, by_collector])
        batch_load = np.array([by_drop[rows].sum(axis=0) for rows in self.batch_rows])
        batch_load = batch_load.reshape(len(self.batch_rows), points.size)
        batch_load[-1] = by_kelvin * (TEMPERATURE_SPREAD_C / BATCH_SPREAD_V / self.kelvin)
        variance = self.drop_variance @ by_drop**2
        a, b = circuit.linear_a, circuit.linear_b
        row_power = (voltage[a] - voltage[b]) * (adjoint[a] - adjoint[b])
        by_conductance = row_power * points.siemens
        variance += self.tolerance_variance @ by_conductance**2
        # beside a lower resistance it hardly shows how much less than expected such a path passes
        by_off = np.abs(by_conductance[self.off_rows])
        share = np.divide(by_off, np.abs(jack), out=np.ones_like(by_off), where=by_off < np.abs(jack))
        variance += np.sum((by_off * (OFF_SPREAD_DOWN + (OFF_SPREAD_UP - OFF_SPREAD_DOWN) * share)) ** 2, axis=0)
        variance += by_threshold
        load = np.array([self.classes.severity_slope(points, which, row_power) for which in faults])
        charges = np.zeros(points.size, dtype=bool)
        rows = circuit.capacitor_rows
        across = voltage[a[rows]] - voltage[b[rows]]
        capacitor_volts = np.zeros((len(self.capacitor_place), points.size))
        capacitor_amps, capacitor_left = np.zeros_like(capacitor_volts), np.ones_like(capacitor_volts)
        mine = self.capacitor_place >= 0
        place = self.capacitor_place[mine]
        capacitor_volts[mine], capacitor_left[mine] = across[place], factors[place]
        if at_start:
            capacitor_amps[mine] = (points.siemens[rows] * (across - self.capacitor_volts[:, None]))[place]
        else:
            gap = np.abs(across - self.capacitor_volts[:, None]) * (factors > 0.0)
            reach = np.abs(adjoint[a[rows]] - adjoint[b[rows]]) / CAPACITOR_ESR_OHMS
            charges = ((gap * reach).sum(axis=0) > 1e-6) | (np.max(gap, axis=0, initial=0.0) > LARGE_STEP_V)
        return Answers(
            value=np.where(converged, value, np.nan),
            own_sd=np.sqrt(variance) * np.abs(slope),
            batch_load=batch_load * slope,
            severity_load=load * slope,
            owner=faults,
            charges=charges,
            shot=shot,
            jack=jack,
            capacitor_volts=capacitor_volts,
            capacitor_amps=capacitor_amps,
            capacitor_left=capacitor_left,
            rested_jack=rested_jack,
            turn_on=np.where(
                self.arrays.in_ohms[shot], np.inf, self.backward.display(points, voltage, by_junction * slope, value)
            ),
            pace=np.ones(points.size),
        )

    def _through_channels(self, points: Points, voltage: Array, adjoint: Array) -> tuple[Array, Array]:
        """Return what channels that conduct do to the reading.

        First what a volt more of drop at each IGBT's collector junction moves, channels x batch [1]; then the variance
        from the spread of the gate thresholds, batch [V^2].
        """
        circuit = self.circuit
        high, low = circuit.channel_high, circuit.channel_low
        always_on, drop = points.channel == ALWAYS_ON, voltage[high] - voltage[low]
        drive = np.where(always_on, ALWAYS_ON_GATE_V, voltage[circuit.channel_gate] - voltage[low])
        near = (drive > circuit.channel_offset[:, None] - CHANNEL_DARK_V) & (points.channel != CHANNEL_OFF)
        moves, variance = np.zeros((len(high), points.size)), np.zeros(points.size)
        for row in np.flatnonzero(near.any(axis=1)).tolist():
            specific, offset = circuit.channel_specific[row], circuit.channel_offset[row]
            reach = np.where(near[row], adjoint[high[row]] - adjoint[low[row]], 0.0)
            if circuit.channel_is_mosfet[row]:
                by_gate = laws.mosfet_channel(drop[row], drive[row], specific, offset)[2]
            else:
                scale = circuit.channel_scale[row]
                current, by_drop, by_gate = laws.igbt_channel(drop[row], drive[row], specific, scale, offset)
                forward = np.maximum(current, 0.0)
                moves[row] = reach * by_drop * forward / (forward + specific)
            by_gate = np.where(always_on[row], 0.0, by_gate)
            variance += (by_gate * reach * THRESHOLD_SPREAD_V) ** 2
        return moves, variance
