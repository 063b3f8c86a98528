"""Writes a board, its damage and a meter as an ngspice netlist.

Nothing here is taken from the solver: parts are expanded from the board file (kinds, pins, values) by formulas written
down once more, so that a slip in the package's branch table, laws or fault handling shows as a disagreement.

Every reading has a netlist of its own: damage is written into it or leaves elements out, so that no element stands by
inactive. The black jack is ground.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy.constants import Boltzmann, elementary_charge
from scipy.optimize import brentq

from bridge.board import Board, Part
from bridge.meter import MeterProfile, Source
from bridge.probing import Hold, Setup

KELVIN = 273.15
REFERENCE_C = 25.0
GMIN = 1e-15
ESR_OHMS = 0.01
SMALLEST_OHMS = 1e-4
PHI_V = 0.045
IGBT_CHANNEL_A = 0.5
HELD_ON_V = 15.0
VOLTMETER_OHMS = 10e6
METER_SCALE_V = 0.025
# A net between blocking junctions carries nothing and has a voltage only within the rounding of its neighbours' large
# conductances: up to a millivolt, which vntol must let pass. Newton's last step is squared, so the reading comes out
# within some 10 uV. rshunt ties what is cut off from everything: 1e-12 A at most. test_netlist.py shows what they do.
OPTIONS: Mapping[str, float] = {
    "gmin": GMIN,
    "reltol": 1e-6,
    "abstol": 1e-13,
    "vntol": 1e-3,
    "itl1": 100,
    "rshunt": 1e13,
}
# tried in turn on what found no answer
OTHER_OPTIONS: tuple[Mapping[str, float], ...] = (
    {**OPTIONS, "rshunt": 1e12},
    {**OPTIONS, "rshunt": 1e14},
    {**OPTIONS, "rshunt": 1e15, "itl1": 1000},
    {**OPTIONS, "rshunt": 1e12, "vntol": 3e-3},
)
# a transient asks for a solution at every step, so it has to bear the same rounding more often
_TRANSIENT = tuple(
    {**OPTIONS, "reltol": relative, "vntol": volts, "abstol": 1e-11, "method": "gear", "itl4": 100}
    for relative, volts in ((3e-4, 3e-4), (1e-3, 1e-3), (1e-4, 1e-4))
)
# Nets that float behind blocking junctions stop a transient: then 100 pF from every net to ground, beside the
# microfarads of a board. test_dwell.py shows what they move.
SHUNT_FARADS = 1e-10
TRANSIENT_OPTIONS: tuple[Mapping[str, float | str], ...] = (
    *_TRANSIENT,
    *({**options, "cshunt": SHUNT_FARADS} for options in _TRANSIENT),
)
# as tight as it goes; not every reading has an answer then
TIGHT_OPTIONS: Mapping[str, float] = {**OPTIONS, "vntol": 1e-7, "rshunt": 1e16, "itl1": 300}


@dataclass(frozen=True, slots=True, order=True)
class Damage:
    """One part failing in one mode, with its resistance where the mode has one [ohm]."""

    ref: str
    mode: str
    ohms: float | None = None

    def __str__(self) -> str:
        return f"{self.ref}:{self.mode}" + ("" if self.ohms is None else f":{self.ohms:g}")


@dataclass(frozen=True, slots=True)
class MeterRange:
    """What the meter does in one mode and range.

    Parameters
    ----------
    label : str
        ``diode``, ``ohms:2k``, ``volts``.
    amps, open_volts : float
        Test current [A] (0: a source behind a resistor) and open-circuit voltage [V].
    series_ohms : float
        Resistor of a source that is none of current [ohm].
    lead_ohms : float
        Both leads together [ohm].
    full_scale : float
        Largest value shown [V] or [ohm].
    """

    label: str
    amps: float
    open_volts: float
    series_ohms: float
    lead_ohms: float
    full_scale: float
    is_reversed: bool

    def shown(self, jack_volts: float) -> float:
        """Return the value displayed for a voltage at the meter's own jacks; infinity for OL."""
        if not self.label.startswith("ohms"):
            value = jack_volts
        elif self.amps:
            value = jack_volts / self.amps
        else:
            amps = (self.open_volts - jack_volts) / self.series_ohms
            value = jack_volts / amps if amps > 0.0 else math.inf
        return value if value <= self.full_scale else math.inf


def ranges_of(meter: MeterProfile, mode: str, range_name: str | None = None) -> tuple[MeterRange, ...]:
    """Return the ranges a mode may use, lowest first."""

    def one(label: str, source: Source, full_scale: float) -> MeterRange:
        amps, ohms = source.amps or 0.0, source.ohms or 0.0
        return MeterRange(label, amps, source.open_volts, ohms, meter.lead_ohms, full_scale, meter.reversed)

    if mode == "diode":
        return (one("diode", meter.diode.source, meter.diode.limit_volts),)
    if mode == "volts":
        return (MeterRange("volts", 0.0, 0.0, VOLTMETER_OHMS, 0.0, 1000.0, meter.reversed),)
    ranges = [entry for entry in meter.ohms if range_name in (None, entry.name)]
    ranges.sort(key=lambda entry: entry.full_scale)
    found = [one(f"ohms:{entry.name}", entry.source, entry.full_scale) for entry in ranges]
    return tuple(found[:1] if mode == "continuity" else found)


def thermal_volts(celsius: float) -> float:
    """Return kT/q [V]."""
    return float(Boltzmann * (celsius + KELVIN) / elementary_charge)


def saturation_amps(drop: float, ideality: float, series_ohms: float) -> float:
    """Return the 25 degree saturation current [A] of a junction that drops ``drop`` [V] at 1 mA."""
    return 1e-3 / math.expm1((drop - 1e-3 * series_ohms) / (ideality * thermal_volts(REFERENCE_C)))


def _inversion(x: float) -> float:
    return math.log1p(math.exp(x / 2.0)) ** 2 if x < 600.0 else (x / 2.0) ** 2


def threshold_offset(threshold: float, specific: float) -> float:
    """Return vt0 [V] such that specific x F((threshold - vt0)/phi) is 1 mA, found by root search on F itself."""
    x = brentq(lambda value: math.log(_inversion(value) * specific / 1e-3), -80.0, 4000.0, xtol=1e-13, rtol=1e-14)
    return float(threshold - PHI_V * x)


def mosfet_parameters(threshold: float, on_ohms: float) -> tuple[float, float]:
    """Return I0 [A] and vt0 [V]: 1 mA in saturation at the threshold, 1/on_ohms at v_ds = 0 with 10 V on the gate."""

    def mismatch(log_specific: float) -> float:
        specific = math.exp(log_specific)
        x = (10.0 - threshold_offset(threshold, specific)) / PHI_V
        slope = math.log1p(math.exp(x / 2.0)) / (1.0 + math.exp(-x / 2.0))
        return math.log(specific * slope / PHI_V * on_ohms)

    specific = math.exp(brentq(mismatch, math.log(1e-6), math.log(1e5), xtol=1e-13, rtol=1e-14))
    return specific, threshold_offset(threshold, specific)


def _inversion_text(volts: str, offset: float) -> str:
    """F((volts - offset)/phi) for a B source, written so that nothing overflows."""
    half = f"(({volts}-({offset:.15g}))/{2.0 * PHI_V:.15g})"
    return f"((max({half},0)+ln(1+exp(-abs({half}))))**2)"


def is_there(part: Part, setup: Setup) -> bool:
    """Return whether a part is on the bench in this set-up."""
    if part.when is not None and part.when not in setup.connected:
        return False
    return not (part.gate_board and setup.unplugged)


class _Writer:
    """Collects the lines of a board with its damage."""

    def __init__(
        self, board: Board, setup: Setup, damage: Sequence[Damage], lifted: Sequence[str], capacitors: str
    ) -> None:
        self.setup = setup
        self.capacitors = capacitors
        self.damage: dict[str, list[Damage]] = {}
        for one in damage:
            self.damage.setdefault(one.ref, []).append(one)
        self.parts = {ref: part for ref, part in board.parts.items() if is_there(part, setup)}
        absent = [str(one) for one in damage if one.ref not in self.parts]
        if absent:
            raise ValueError(f"damage to parts that are not there: {absent}")
        self.lifted = {*setup.lifted, *lifted}
        self.node_of: dict[str, str] = {}
        self.lines: list[str] = []
        self.count = 0
        self.gone = self._cut_off_by_bonds()

    def _cut_off_by_bonds(self) -> set[str]:
        gone: set[str] = set()
        for ref, part in self.parts.items():
            switch = part.shares_bond_with
            if switch is None or switch not in self.parts:
                continue
            modes = {one.mode for one in self.damage.get(switch, ())}
            # a MOSFET's diode is its own silicon and burns away with it
            if "emitter-open" in modes or ("burst" in modes and self.parts[switch].kind == "mosfet"):
                gone.add(ref)
        return gone

    def node(self, net: str) -> str:
        if net not in self.node_of:
            self.node_of[net] = f"n{len(self.node_of) + 1}"
        return self.node_of[net]

    def pin(self, part: Part, pin: str) -> str:
        name = f"{part.ref}.{pin}"
        return self.node(name if name in self.lifted else part.pins[pin])

    def element(self, letter: str, text: str) -> None:
        self.count += 1
        self.lines.append(f"{letter}{self.count} {text}")

    def resistor(self, a: str, b: str, ohms: float) -> None:
        self.element("r", f"{a} {b} {max(ohms, SMALLEST_OHMS):.15g}")

    def junction(self, anode: str, cathode: str, drop: float, ideality: float, series_ohms: float) -> None:
        self.count += 1
        amps = saturation_amps(drop, ideality, series_ohms)
        law = f"is={amps:.15g} n={ideality:.15g} rs={series_ohms:.15g} tnom={REFERENCE_C:g} xti=3 eg=1.11"
        self.lines += [f"d{self.count} {anode} {cathode} m{self.count}", f".model m{self.count} d({law})"]

    def severity(self, ref: str, *modes: str) -> float | None:
        """Return the resistance of the damage of one of these modes, if the part has it."""
        for one in self.damage.get(ref, ()):
            if one.mode in modes:
                return one.ohms
        return None

    def has(self, ref: str, *modes: str) -> bool:
        return any(one.mode in modes for one in self.damage.get(ref, ()))

    def parallel(self, ref: str, a: str, b: str, *modes: str) -> None:
        ohms = self.severity(ref, *modes)
        if ohms is not None:
            self.resistor(a, b, ohms)

    def add(self, part: Part) -> None:
        ref, values = part.ref, part.values
        if part.kind == "diode":
            if ref in self.gone:
                return
            a, k = self.pin(part, "anode"), self.pin(part, "cathode")
            if not self.has(ref, "open"):
                self.junction(a, k, values["drop_1ma"], values["ideality"], values["series_ohms"])
            self.parallel(ref, a, k, "short", "leak")
        elif part.kind in ("resistor", "shunt", "fuse", "coil", "relay"):
            self._resistive(part)
        elif part.kind == "capacitor":
            a, b = self.pin(part, "a"), self.pin(part, "b")
            if not self.has(ref, "open"):
                self._capacitor(part, a, b, 0.05 if self.has(ref, "low") else 1.0)
            self.parallel(ref, a, b, "short", "leak")
        elif part.kind in ("insulation", "varistor"):
            self.parallel(ref, self.pin(part, "a"), self.pin(part, "b"), "short", "leak")
        elif part.kind == "driver":
            out, common, supply = (self.pin(part, pin) for pin in ("out", "common", "supply"))
            if not self.has(ref, "open"):
                self.junction(common, out, values["drop_1ma"], 1.2, 1.0)
                self.junction(out, supply, values["drop_1ma"], 1.2, 1.0)
                self.resistor(out, common, values["off_ohms"])
            self.parallel(ref, out, common, "low-short")
            self.parallel(ref, out, supply, "high-short")
            self.parallel(ref, supply, common, "supply-short")
        elif part.kind in ("igbt", "mosfet"):
            self._switch(part)
        else:
            raise ValueError(f"no expansion of part kind {part.kind}")

    def _resistive(self, part: Part) -> None:
        ref = part.ref
        a, b = self.pin(part, "a"), self.pin(part, "b")
        if part.kind == "relay":
            closed = (self.setup.relay_closed and not self.has(ref, "stuck-open")) or self.has(ref, "stuck-closed")
            if closed:
                self.resistor(a, b, part.values["ohms"])
            return
        raised = self.severity(ref, "high")
        if raised is not None:
            self.resistor(a, b, raised)
        elif not self.has(ref, "open"):
            if part.values["ohms"] == 0.0 and not part.modes:
                self.element("v", f"{a} {b} 0")
            else:
                self.resistor(a, b, part.values["ohms"])
        self.parallel(ref, a, b, "short")

    def _capacitor(self, part: Part, a: str, b: str, factor: float) -> None:
        if self.capacitors == "open":
            return
        self.count += 1
        inner = f"c{self.count}"
        volts = part.bus_share * self.setup.bus_volts
        self.element("r", f"{a} {inner} {ESR_OHMS:g}")
        if self.capacitors == "source":
            self.element("v", f"{inner} {b} {volts:.15g}")
        else:
            self.element("c", f"{inner} {b} {part.values['farads'] * factor:.15g} ic={volts:.15g}")

    def _switch(self, part: Part) -> None:
        ref, mosfet = part.ref, part.kind == "mosfet"
        high = self.pin(part, "drain" if mosfet else "collector")
        low = self.pin(part, "source" if mosfet else "emitter")
        gate = self.pin(part, "gate")
        if not self.has(ref, "burst", "never-on", "emitter-open"):
            v_ce = f"v({high},{low})"
            v_ge = f"{HELD_ON_V:g}" if self.has(ref, "always-on") else f"v({gate},{low})"
            if mosfet:
                specific, offset = mosfet_parameters(part.values["gate_threshold"], part.values["on_ohms"])
                forward, backward = _inversion_text(v_ge, offset), _inversion_text(f"{v_ge}-{v_ce}", offset)
                current = f"{specific:.15g}*({forward}-{backward})"
            else:
                current = self._igbt_text(part, v_ce, v_ge)
            if high != low:
                self.element("b", f"{high} {low} i={current}")
                self.element("r", f"{high} {low} {1.0 / GMIN:g}")
        self.parallel(ref, high, low, "ce-short", "ce-leak", "all-short")
        self.parallel(ref, gate, low, "ge-short", "ge-leak", "all-short")
        self.parallel(ref, gate, high, "gc-short")

    def _igbt_text(self, part: Part, v_ce: str, v_ge: str) -> str:
        kelvin, reference = self.setup.temperature_c + KELVIN, REFERENCE_C + KELVIN
        scale = 1.5 * thermal_volts(self.setup.temperature_c)
        saturation = 1e-3 / math.expm1(part.values["on_drop_1ma"] / (1.5 * thermal_volts(REFERENCE_C)))
        saturation *= (kelvin / reference) ** (3.0 / 1.5) * math.exp((kelvin / reference - 1.0) * 1.11 / scale)
        offset = threshold_offset(part.values["gate_threshold"], IGBT_CHANNEL_A)
        limit = f"({IGBT_CHANNEL_A:g}*{_inversion_text(v_ge, offset)}+1e-60)"
        # numerator and denominator divided by e where e > 1, so that no exponential grows
        shrink, grow = f"exp(-max({v_ce},0)/{scale:.15g})", f"exp(max(min({v_ce},0)/{scale:.15g},-60))"
        below = f"({saturation:.15g}*{grow}+({saturation:.15g}+{limit})*{shrink})"
        return f"{saturation:.15g}*({grow}-{shrink})*{limit}/{below}"


@dataclass(frozen=True, slots=True)
class Netlist:
    """Elements of a damaged board and the node of each place a lead can touch."""

    lines: tuple[str, ...]
    node_of_lead: Mapping[str, str]
    temperature_c: float


def _hold_lines(writer: _Writer, holds: Iterable[Hold]) -> None:
    for hold in holds:
        wanted = re.compile(rf"{re.escape(hold.position)}(_[0-9]+)?")
        for part in writer.parts.values():
            if part.kind in ("igbt", "mosfet") and wanted.fullmatch(part.position or ""):
                emitter = writer.node(part.pins["source" if part.kind == "mosfet" else "emitter"])
                gate = writer.node(part.pins["gate"])
                writer.count += 1
                inner = f"h{writer.count}"
                writer.element("v", f"{inner} {emitter} {hold.volts:.15g}")
                writer.element("r", f"{inner} {gate} {0.1 if hold.volts == 0.0 else hold.ohms:.15g}")


def write_board(
    board: Board,
    setup: Setup,
    damage: Sequence[Damage] = (),
    *,
    capacitors: str = "open",
    lifted: Sequence[str] = (),
    holds: Sequence[Hold] = (),
) -> Netlist:
    """Return the elements of a board.

    Parameters
    ----------
    board, setup, damage
        What is on the bench.
    capacitors : str
        ``open`` (end value), ``source`` (first instant) or ``real`` (transient).
    lifted : sequence of str
        ``PART.pin`` lifted besides those of the set-up.
    holds : sequence of Hold
        Gates held.
    """
    writer = _Writer(board, setup, damage, lifted, capacitors)
    for part in writer.parts.values():
        writer.add(part)
    _hold_lines(writer, holds)
    node_of_lead = {name: writer.node(terminal.net) for name, terminal in board.terminals.items()}
    for ref, part in writer.parts.items():
        node_of_lead.update({f"{ref}.{pin}": writer.pin(part, pin) for pin in part.pins})
    return Netlist(tuple(writer.lines), node_of_lead, setup.temperature_c)


def meter_lines(meter_range: MeterRange, celsius: float, red: str, black: str) -> list[str]:
    """Return the meter, its jacks ``jack`` and ground, and the leads to two nodes.

    Notes
    -----
    i = I (1 - exp((v - Voc)/s)) is a source of I and a junction of the same scale s that carries I at Voc. Its
    saturation current is made 1e-12 I and its rail lower by s ln(1e12), so that it adds nothing below the rail.
    """
    if meter_range.is_reversed:
        red, black = black, red
    lines = [f"vblack {black} 0 0"]
    if meter_range.lead_ohms:
        lines.append(f"rred jack {red} {meter_range.lead_ohms:.15g}")
    else:
        lines.append(f"vred jack {red} 0")
    if not meter_range.amps:
        volts, ohms = meter_range.open_volts, meter_range.series_ohms
        return [*lines, f"vmeter rail 0 {volts:.15g}", f"rmeter rail jack {ohms:.15g}"]
    law = f"is={meter_range.amps * 1e-12:.15g} n={METER_SCALE_V / thermal_volts(celsius):.15g} rs=0 tnom={celsius:.15g}"
    rail = meter_range.open_volts - METER_SCALE_V * math.log(1e12)
    return [
        *lines,
        f"imeter 0 jack {meter_range.amps:.15g}",
        f"vmeter rail 0 {rail:.15g}",
        "dmeter jack rail mmeter",
        f".model mmeter d({law})",
    ]


def point_text(netlist: Netlist, meter_range: MeterRange, red: str, black: str) -> str:
    """Return the netlist of one reading without options and end; ``v(jack)`` is the voltage at the meter's jacks."""
    nodes = netlist.node_of_lead
    meter = meter_lines(meter_range, netlist.temperature_c, nodes[red], nodes[black])
    return "\n".join(["* one reading", *netlist.lines, *meter, f".temp {netlist.temperature_c:.15g}", ""])


def with_options(text: str, options: Mapping[str, float | str]) -> str:
    """Return a complete netlist: one of :func:`point_text` with simulator options."""
    written = " ".join(f"{name}={value}" for name, value in options.items())
    return f"{text}.options {written}\n.end\n"
