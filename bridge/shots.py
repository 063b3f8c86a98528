"""What the meter does at its jacks for one probing and range, and what its display then shows."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.circuit import Circuit
from bridge.errors import InputError
from bridge.meter import MeterProfile, Source
from bridge.meterprofile import LARGEST_VOLTS, VOLTMETER_OHMS
from bridge.places import shared_position
from bridge.points import meter_current
from bridge.probing import Hold, Probing

__all__ = ["HEADROOM", "Shot", "ShotArrays", "displayed", "plan_each", "plan_shots", "settled_range"]

Array = NDArray[np.float64]

HEADROOM = 2.5  # 60 mV more or less of a junction's drop are about a factor of two in what an ohmmeter shows
OPEN_MARGIN_V = 0.02
OPEN_SLACK_V = 2e-3  # small beside the margin, and beside what a charging display is known to
TIED_GATE_OHMS = 0.1  # a clip lead from gate to emitter


@dataclass(frozen=True, slots=True)
class Shot:
    """One source on one pair of nodes: a probing in one range of the meter.

    Parameters
    ----------
    probing : int
        Number of the probing this shot belongs to.
    range_name : str or None
        Ohms range; None in the other modes.
    red, black : int
        Nodes the source drives, a reversed meter already turned round.
    amps, volts, ohms : float
        Test current [A] (0: source behind a resistor), open-circuit voltage [V], leads and source resistance [ohm].
    lead_ohms : float
        Resistance of the leads alone [ohm].
    unit : str
        ``V`` or ``ohm``.
    limit : float
        Largest value the display shows, in its unit.
    holds : tuple of (int, float, float)
        Linear row, volts [V] and ohms [ohm] of each held gate.
    widened : bool
        Whether the limit lies beyond the range's end, by ``HEADROOM``.
    """

    probing: int
    range_name: str | None
    red: int
    black: int
    amps: float
    volts: float
    ohms: float
    lead_ohms: float
    unit: str
    limit: float
    holds: tuple[tuple[int, float, float], ...]
    widened: bool = False


def _held_rows(circuit: Circuit, holds: Sequence[Hold]) -> tuple[tuple[int, float, float], ...]:
    held: list[tuple[int, float, float]] = []
    for hold in holds:
        # by the part's position: on a board of one's own a switch may be called anything
        positions = {ref: circuit.board.parts[ref].position or "" for ref in circuit.hold_rows}
        refs = [ref for ref, name in positions.items() if hold.position in (name, shared_position(name))]
        if not refs:
            known = " ".join(sorted(filter(None, positions.values())))
            raise InputError(f"no switch at position {hold.position!r} to hold; accepted: {known}", where="hold")
        ohms = TIED_GATE_OHMS if hold.volts == 0.0 else hold.ohms
        held.extend((circuit.hold_rows[ref], hold.volts, ohms) for ref in refs)
    return tuple(held)


def plan_shots(
    circuit: Circuit, meter: MeterProfile, probing: Probing, number: int, settled: str | None = None
) -> tuple[Shot, ...]:
    """Return the shots of one probing: one, or with autorange one per range, lowest first.

    Parameters
    ----------
    circuit : Circuit
        The board with the probing's pins lifted.
    meter : MeterProfile
        The meter.
    probing : Probing
        The placement of the leads.
    number : int
        Number to mark the shots with.
    settled : str, optional
        Range an autorange was seen to settle in. It is the lowest planned, and it shows somewhat more than its limit:
        through a junction the next range reads another value, and a few millivolts decide between the two.

    Raises
    ------
    InputError
        A lead, position or range that does not exist.
    """
    red, black = circuit.node(probing.red), circuit.node(probing.black)
    if meter.reversed:
        red, black = black, red
    holds = _held_rows(circuit, probing.hold)

    def shot(source: Source, range_name: str | None, unit: str, limit: float) -> Shot:
        current = source.amps is not None
        return Shot(
            probing=number,
            range_name=range_name,
            red=red,
            black=black,
            amps=float(source.amps) if source.amps is not None else 0.0,
            volts=source.open_volts,
            ohms=meter.lead_ohms if current else meter.lead_ohms + float(source.ohms or 0.0),
            lead_ohms=meter.lead_ohms,
            unit=unit,
            limit=limit,
            holds=holds,
        )

    if probing.mode == "diode":
        return (shot(meter.diode.source, None, "V", meter.diode.limit_volts),)
    if probing.mode == "volts":
        passive = Shot(number, None, red, black, 0.0, 0.0, VOLTMETER_OHMS, 0.0, "V", LARGEST_VOLTS, holds)
        return (passive,)
    ranges = sorted(meter.ohms, key=lambda entry: entry.full_scale)
    if probing.mode == "continuity":
        ranges = ranges[:1]
    elif settled is not None and probing.range_name is None:
        place = next(number for number, entry in enumerate(ranges) if entry.name == settled)
        lowest, *above = ranges[place:]
        wider = shot(lowest.source, lowest.name, "ohm", HEADROOM * lowest.full_scale)
        return (
            dataclasses.replace(wider, widened=True),
            *(shot(entry.source, entry.name, "ohm", entry.full_scale) for entry in above),
        )
    elif probing.range_name is not None:
        ranges = [meter.range_named(probing.range_name)]
    return tuple(shot(entry.source, entry.name, "ohm", entry.full_scale) for entry in ranges)


def plan_each(circuit: Circuit, meter: MeterProfile, probings: Sequence[Probing]) -> list[Shot]:
    """Return the shots of several placements of the leads, each numbered by its place among them.

    Parameters
    ----------
    circuit, meter
        As for :func:`plan_shots`.
    probings : sequence of Probing
        The placements.

    Raises
    ------
    InputError
        As :func:`plan_shots` raises it.
    """
    return [shot for number, probing in enumerate(probings) for shot in plan_shots(circuit, meter, probing, number)]


@dataclass(frozen=True, slots=True)
class ShotArrays:
    """The shots of a table as parallel arrays, for work on whole batches.

    Parameters
    ----------
    amps, volts, ohms, lead_ohms, limit : ndarray, shots
        As in :class:`Shot`.
    in_ohms : ndarray of bool, shots
        Whether the display shows ohms.
    """

    amps: Array
    volts: Array
    ohms: Array
    lead_ohms: Array
    limit: Array
    in_ohms: NDArray[np.bool_]

    @classmethod
    def of(cls, shots: Sequence[Shot]) -> ShotArrays:
        """Collect the arrays of some shots."""
        return cls(
            np.array([shot.amps for shot in shots], dtype=float),
            np.array([shot.volts for shot in shots], dtype=float),
            np.array([shot.ohms for shot in shots], dtype=float),
            np.array([shot.lead_ohms for shot in shots], dtype=float),
            np.array([shot.limit for shot in shots], dtype=float),
            np.array([shot.unit == "ohm" for shot in shots], dtype=bool),
        )

    def jack_voltage(self, which: NDArray[np.intp], red_voltage: Array) -> tuple[Array, Array]:
        """Return the voltage at the meter's jacks [V] and its slope against the voltage at the tips [1]."""
        flows, conductance = meter_current(self.amps[which], self.volts[which], self.ohms[which], red_voltage)
        return red_voltage + flows * self.lead_ohms[which], 1.0 - conductance * self.lead_ohms[which]

    def slack(self, which: NDArray[np.intp], value: Array, jack: Array) -> Array:
        """Return how far the voltage between the tips may move without a change on the display [V]: zero but for OL.

        Parameters
        ----------
        which : ndarray of int, batch
            Shot of each column.
        value, jack : ndarray, batch
            What the display shows, and the voltage at the jacks [V].
        """
        amps, limit = self.amps[which], self.limit[which]
        source = np.maximum(self.ohms[which] - self.lead_ohms[which], 1e-9)
        with np.errstate(invalid="ignore", over="ignore"):
            in_volts = np.where(amps > 0.0, limit * amps, self.volts[which] * limit / (limit + source))
        edge = np.where(self.in_ohms[which], in_volts, limit)
        return np.where(np.isinf(value) & (np.abs(jack) > edge + OPEN_MARGIN_V), OPEN_SLACK_V, 0.0)

    def display(self, which: NDArray[np.intp], jack: Array) -> tuple[Array, Array]:
        """Return what the display shows and its slope against the voltage at the jacks.

        Parameters
        ----------
        which : ndarray of int, batch
            Shot of each column.
        jack : ndarray, batch
            Voltage at the jacks [V].

        Returns
        -------
        value : ndarray, batch
            Volts or ohms as displayed, unrounded; infinity for OL.
        slope : ndarray, batch
            Change of the displayed value with the voltage [1] or [ohm/V].
        """
        amps, in_ohms = self.amps[which], self.in_ohms[which]
        source = np.maximum(self.ohms[which] - self.lead_ohms[which], 1e-9)
        with np.errstate(divide="ignore", invalid="ignore"):
            flows = np.where(amps > 0.0, amps, (self.volts[which] - jack) / source)
            value = np.where(in_ohms, jack / flows, jack)
            by_ratio = np.where(amps > 0.0, 0.0, jack / (source * flows**2))
            slope = np.where(in_ohms, 1.0 / flows + by_ratio, 1.0)
            over = ~np.isfinite(value) | (np.abs(value) > self.limit[which])
        # a source behind a resistor that is driven backwards by charge shows no resistance
        over |= in_ohms & (flows <= 0.0)
        return np.where(over, np.inf, value), np.where(over, 0.0, slope)


def displayed(shots: Sequence[Shot], which: NDArray[np.intp], red_voltage: Array) -> Array:
    """Return what the display shows, infinity for OL, for voltages between the tips of the leads [V].

    Parameters
    ----------
    shots : sequence of Shot
        The shots of a table.
    which : ndarray of int, batch
        Shot of each column.
    red_voltage : ndarray, batch
        Voltage between the tips [V].
    """
    arrays = ShotArrays.of(shots)
    jack, _ = arrays.jack_voltage(which, red_voltage)
    return arrays.display(which, jack)[0]


def settled_range(shown: Array, known: NDArray[np.bool_]) -> int:
    """Return the range an autorange settles in: the lowest that shows a value, else the highest.

    A range that could not be solved ends the search: the meter may well have settled there.

    Parameters
    ----------
    shown : ndarray, ranges
        What each range shows, lowest range first; infinite for OL.
    known : ndarray of bool, ranges
        Whether that could be solved.
    """
    settles = np.isfinite(shown) | ~known
    return int(np.argmax(settles)) if settles.any() else len(shown) - 1
