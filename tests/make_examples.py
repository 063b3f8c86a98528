"""Makes the bench scenarios in ``examples/``: boards no file describes, read by a meter that is a little off.

``python -m tests.make_examples [FOLDER]`` simulates each faulty board with ngspice and writes what a technician would
have noted. The solver has no part in it, and the board on the bench is not the board of the file: junctions of another
make and drop, resistors and capacitors anywhere in their tolerance, a workshop that is not at 25 degrees, a meter with
a gain error, another current and another open voltage, and a display that rounds. The seed is fixed, so the same
files come out again.
"""

from __future__ import annotations

import csv
import dataclasses
import math
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.board import Board, Part, load_board
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from tests.crosscheck.netlist import Damage, MeterRange, point_text, ranges_of, write_board
from tests.crosscheck.runner import after_dwell

EXAMPLES = Path(__file__).parent.parent / "examples"
EARLIER_SHARE = 0.85  # of the dwell; what moves from then on is seen to move
SEEN_TO_MOVE_DIGITS = 5.0
WHOLE_BOARD_DROP_SD = 0.035  # between makes of board, as for silicon of one name; common practice, no source
ONE_PART_DROP_SD = 0.008


@dataclass(frozen=True, slots=True)
class Scenario:
    """One bench story.

    Parameters
    ----------
    folder : str
        Name of its folder.
    board_name : str
        Board file it belongs to.
    faults : tuple of Damage
        What is wrong.
    celsius : float
        Temperature of the workshop [deg C].
    ideality : float
        Ideality of this make's diodes [1].
    dwell_s : float
        How long the leads rest before the display is noted [s].
    placements : tuple of (str, str, str)
        Red, black and mode, in the order read.
    story : str
        What the board is, what the owner said, what was done.
    """

    folder: str
    board_name: str
    faults: tuple[Damage, ...]
    celsius: float
    ideality: float
    dwell_s: float
    placements: tuple[tuple[str, str, str], ...]
    story: str


def _diode(*pairs: str) -> tuple[tuple[str, str, str], ...]:
    return tuple((red, black, "diode") for red, black in (pair.split("-") for pair in pairs))


def _gates(*positions: str) -> tuple[tuple[str, str, str], ...]:
    return tuple((f"G_{position}", f"E_{position}", "ohms") for position in positions)


SIX_SWITCH_PLAN = (
    *_diode("N-U", "N-V", "N-W", "U-P", "V-P", "W-P"),
    *_diode("U-N", "V-N", "W-N", "P-U", "P-V", "P-W", "N-P", "P-N"),
    *_gates("UL", "VL", "WL", "UH", "VH", "WH"),
)
COOKTOP_PLAN = (
    *_diode("AC1-AC2", "AC2-AC1", "N-AC1", "N-AC2", "AC1-P", "AC2-P", "AC1-N", "AC2-N", "P-AC1", "P-AC2"),
    *_diode("N-MID", "MID-P", "MID-N", "P-MID", "N-P", "P-N", "MID-RES"),
    *_gates("H", "L"),
    ("E_L", "G_L", "diode"),
)

SCENARIOS = (
    Scenario(
        "fan-drive",
        "six-switch-bridge",
        (Damage("Q_WH", "ce-short", 0.42),),
        19.0,
        1.7,
        3.0,
        SIX_SWITCH_PLAN,
        """# Fan drive that dies at start

Three-phase bridge of a ventilation fan's drive: six separate IGBTs, bus capacitor, gate drive on the same board. The
rectifier is a board of its own and was unplugged, the motor disconnected.

The owner: "The fan stood still one morning. The drive shows overcurrent the moment it is told to run; without a run
command it sits there and looks healthy."

On the bench: bus at 0.2 V. Every reading started from a bus discharged through a resistor and was left three seconds,
in the order of the sheet. The workshop was cool. The gate leads were read last, red lead on the gate.

    bridgefault rank six-switch-bridge examples/fan-drive/readings.csv
""",
    ),
    Scenario(
        "conveyor-drive",
        "six-switch-bridge",
        (Damage("Q_VL", "ce-short", 1.3), Damage("DRV_VL", "low-short", 6.8)),
        27.0,
        1.5,
        3.0,
        SIX_SWITCH_PLAN,
        """# Conveyor drive that blew with a bang

The same kind of bridge, in the drive of a conveyor. It had been repaired before: one transistor of another date code.

The owner: "There was a bang while the belt was loaded, and the fuse upstream went. A new fuse went too."

On the bench: motor and supply off, bus at zero. The cases look whole. All phases were read against both rails in diode
mode, then every gate against its own emitter in ohms mode. Bus discharged before each reading.

One suspicion before the sheet is read: a transistor that shorts often takes its driver with it, and a repair that
replaces only the transistor lasts until power-up.

    bridgefault rank six-switch-bridge examples/conveyor-drive/readings.csv
""",
    ),
    Scenario(
        "pump-drive",
        "six-switch-bridge",
        (Damage("Q_UH", "ce-short", 0.25), Damage("Q_WL", "ge-short", 8.5)),
        24.0,
        1.65,
        1.0,
        (*SIX_SWITCH_PLAN, ("E_WL", "G_WL", "ohms")),
        """# Pump drive with two faults that are no neighbours

Bridge of a borehole pump's drive, again six separate IGBTs.

The owner: "Lightning somewhere near. Since then the pump does not run, and the drive reports a ground fault."

On the bench: the phase that reads near zero was found within a minute. The sheet was filled in to the end all the
same, and that is the point of this scenario: a second fault in another leg would have cost the new transistor. It was
done in a hurry, a second for each reading, so that some were still climbing; the bus was discharged in between. One
gate read oddly low and was read again with the leads exchanged: one number alone condemns nothing.

    bridgefault rank six-switch-bridge examples/pump-drive/readings.csv --dwell 1
""",
    ),
    Scenario(
        "cooktop-trips",
        "half-bridge-cooktop",
        (Damage("D_AC2L", "short", 0.35), Damage("Q_L", "ce-short", 0.6)),
        22.0,
        1.6,
        3.0,
        COOKTOP_PLAN,
        """# Induction cooktop that trips the breaker

Power board of one cooking zone: fuse, bridge rectifier, film capacitor on the bus, half bridge of two IGBTs. The coil
was unscrewed, the mains cord pulled.

The owner: "It trips the breaker as soon as it is plugged in, even with the zone switched off."

On the bench: the mains fuse beeps, so it was the breaker that let go first. Mains pins, bus and midpoint were read in
diode mode, both ways; then the two gates in ohms mode, the low one in diode mode as well. The film capacitor was
discharged before each reading.

    bridgefault rank half-bridge-cooktop examples/cooktop-trips/readings.csv
""",
    ),
)


def _other_part(part: Part, drop_shift: dict[str, float], ideality: float, rng: random.Random) -> Part:
    """Return a part of another make: its drop moved with its batch and on its own, its value within tolerance."""
    values = dict(part.values)
    for name in ("drop_1ma", "on_drop_1ma"):
        if name in values:
            shift = drop_shift.setdefault(part.batch, rng.gauss(0.0, WHOLE_BOARD_DROP_SD))
            values[name] += shift + rng.gauss(0.0, ONE_PART_DROP_SD)
    if part.kind == "diode":
        values["ideality"] = ideality
    for name in ("ohms", "farads", "off_ohms"):
        if name in values:
            values[name] *= 1.0 + rng.uniform(-1.0, 1.0) * part.tolerance
    if "gate_threshold" in values:
        values["gate_threshold"] += rng.gauss(0.0, 0.3)
    return dataclasses.replace(part, values=values)


def other_board(board: Board, ideality: float, rng: random.Random) -> Board:
    """Return a board like the one of the file, made of other parts."""
    shifts: dict[str, float] = {}
    parts = {ref: _other_part(part, shifts, ideality, rng) for ref, part in board.parts.items()}
    return dataclasses.replace(board, parts=parts)


@dataclass(frozen=True, slots=True)
class RealMeter:
    """A meter as one lies on a bench: gain errors of its own per range, leads and source a little off."""

    profile: MeterProfile
    gains: dict[str, float]
    lead_ohms: float
    amps_factor: float
    open_volts: float

    @classmethod
    def draw(cls, profile: MeterProfile, rng: random.Random) -> RealMeter:
        """Draw one of a kind: its limits of error are two standard deviations."""
        gains = {"diode": rng.gauss(0.0, profile.accuracy_of("diode").percent / 200.0)}
        for entry in profile.ohms:
            gains[f"ohms:{entry.name}"] = rng.gauss(0.0, profile.accuracy_of("ohms").percent / 200.0)
        return cls(profile, gains, rng.uniform(0.1, 0.3), rng.uniform(0.93, 1.07), rng.uniform(2.8, 3.2))

    def ranges(self, mode: str) -> list[MeterRange]:
        """Return its ranges; in ohms mode the display divides by the current there really is."""
        volts = self.open_volts if mode == "diode" else None
        return [
            dataclasses.replace(
                one,
                amps=one.amps * self.amps_factor,
                lead_ohms=self.lead_ohms,
                open_volts=one.open_volts if volts is None else volts,
            )
            for one in ranges_of(self.profile, mode)
        ]

    def shown(self, meter_range: MeterRange, jack_volts: float, rng: random.Random) -> float:
        """Return the display: gain error, a digit's worth of unrest, rounded; infinity for OL."""
        value = meter_range.shown(jack_volts)
        if math.isinf(value):
            return value
        mode, _, name = meter_range.label.partition(":")
        digit = self.profile.resolution(mode, name or None, value)
        unrest = rng.uniform(-1.0, 1.0) * digit
        value = round((value * (1.0 + self.gains[meter_range.label]) + unrest) / digit) * digit
        return max(value, 0.0) if value <= meter_range.full_scale else math.inf


def _written(value: float, meter_range: MeterRange, meter: RealMeter) -> str:
    """Write a display as it stands there."""
    if math.isinf(value):
        return "OL"
    mode, _, name = meter_range.label.partition(":")
    digit = meter.profile.resolution(mode, name or None, value)
    scale, letter = next(
        (scale, letter) for scale, letter in ((1e6, "M"), (1e3, "k"), (1.0, "")) if meter_range.full_scale >= 2 * scale
    )
    if mode == "diode":
        scale, letter = 1.0, ""
    decimals = max(0, round(-math.log10(digit / scale)))
    return f"{value / scale:.{decimals}f}{letter}"


def readings_of(scenario: Scenario) -> list[tuple[str, str, str, str]]:
    """Return red, black, mode and what was written, one row a reading."""
    rng = random.Random(scenario.folder)
    board = other_board(load_board(scenario.board_name), scenario.ideality, rng)
    meter = RealMeter.draw(load_meter(), rng)
    setup = Setup(temperature_c=scenario.celsius)
    netlist = write_board(board, setup, scenario.faults, capacitors="real")
    asked: list[tuple[Probing, MeterRange]] = []
    for red, black, mode in scenario.placements:
        asked += [(Probing(red, black, mode), meter_range) for meter_range in meter.ranges(mode)]
    texts = [point_text(netlist, meter_range, probing.red, probing.black) for probing, meter_range in asked]
    answers: dict[Probing, list[tuple[MeterRange, float, float]]] = {}
    before = after_dwell(texts, EARLIER_SHARE * scenario.dwell_s)
    noted = after_dwell(texts, scenario.dwell_s)
    for (probing, meter_range), earlier, jack in zip(asked, before, noted, strict=True):
        if math.isnan(earlier) or math.isnan(jack):
            raise RuntimeError(f"ngspice has no answer for {scenario.folder}: {probing}")
        answers.setdefault(probing, []).append((meter_range, earlier, jack))
    return [(probing.red, probing.black, probing.mode, _note(found, meter, rng)) for probing, found in answers.items()]


def _note(found: Sequence[tuple[MeterRange, float, float]], meter: RealMeter, rng: random.Random) -> str:
    """Return what the technician writes: the lowest range that shows a number, and whether it was still moving."""
    for meter_range, earlier, jack in found:
        value = meter.shown(meter_range, jack, rng)
        if math.isfinite(value):
            mode, _, name = meter_range.label.partition(":")
            digit = meter.profile.resolution(mode, name or None, value)
            change = meter_range.shown(jack) - meter_range.shown(earlier)
            text = _written(value, meter_range, meter)
            if change > SEEN_TO_MOVE_DIGITS * digit:
                return f"{text} climbing"
            return f"{text} falling" if change < -SEEN_TO_MOVE_DIGITS * digit else text
    return "OL"


def write_scenario(scenario: Scenario, folder: Path) -> None:
    """Write story, readings and answer of a scenario."""
    place = folder / scenario.folder
    place.mkdir(parents=True, exist_ok=True)
    (place / "story.md").write_text(scenario.story, encoding="utf-8")
    (place / "fault.txt").write_text("".join(f"{one}\n" for one in scenario.faults), encoding="utf-8")
    with (place / "readings.csv").open("w", encoding="utf-8", newline="") as stream:
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(("red", "black", "mode", "reading", "note"))
        table.writerows((*row, "discharged") for row in readings_of(scenario))


def main(arguments: Sequence[str]) -> None:
    """Write all scenarios into a folder, ``examples/`` by default."""
    folder = Path(arguments[0]) if arguments else EXAMPLES
    for scenario in SCENARIOS:
        write_scenario(scenario, folder)
        print(folder / scenario.folder, file=sys.stderr)


if __name__ == "__main__":
    main(sys.argv[1:])
