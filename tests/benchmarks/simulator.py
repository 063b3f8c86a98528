"""The same circuits in ngspice, in the fastest ways known to us.

- one process, one netlist in which the resistor of every fault stands by at a value that does nothing; for each pair
  two ``alter``, ``op``, ``destroy all``, the output read by nobody;
- many copies of the board in one netlist, each with its own damage, and one ``op``;
- the cheapest inner loop: a ``dc`` sweep of the meter's source over a circuit that does not change.

Each is timed at two sizes, so that the start of the process drops out, and each is run once more with its answers
printed. The transistors' channels are written twice: by the law of the package, which only a behavioural source can
hold, and as the simulator's own compiled transistor, which is quicker, and right wherever the gate stays at rest.
"""

from __future__ import annotations

import itertools
import math
import random
import re
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bridge.board import Board, Part
from bridge.meter import MeterProfile
from bridge.probing import Setup
from tests.benchmarks.agreement import Verdict, demand, differ, judge
from tests.benchmarks.measure import best_process, per_item
from tests.benchmarks.tables import TableRun
from tests.crosscheck.netlist import (
    OPTIONS,
    Damage,
    Netlist,
    is_there,
    point_text,
    ranges_of,
    with_options,
    write_board,
)
from tests.crosscheck.predicted import Question

LAW, COMPILED = "law", "compiled"
NOTHING = "1e15"  # ohms of a fault that is not there
SEED = 4
COPIES = (20, 50)
SWEEP_POINTS = (500, 3000)
SMALL_SHARE = 5  # the small run has a fifth of the pairs
DRAWN_FOR_ONE = 20
DONE = "every command was read"

SWITCH_PINS = {
    "ce-short": ("high", "low"),
    "ce-leak": ("high", "low"),
    "ge-short": ("gate", "low"),
    "ge-leak": ("gate", "low"),
    "gc-short": ("gate", "high"),
}
DRIVER_PINS = {
    "low-short": ("out", "common"),
    "high-short": ("out", "supply"),
    "supply-short": ("supply", "common"),
}
NUMBER = re.compile(r"^\S+ = (\S+)$", re.MULTILINE)
MARK = re.compile(r"^@@ (\d+)$", re.MULTILINE)
WORD = re.compile(r"\b(?:n\d+|jack|rail|m\d+|mmeter|c\d+|h\d+)\b")
MODEL = re.compile(r"^\.model (\S+) (.*)$")


@dataclass(frozen=True, slots=True)
class Times:
    """What ngspice needs, by way [s] of the processor for one circuit, and how it was made sure of.

    Parameters
    ----------
    altered, copied, swept : mapping of str to float
        By ``law`` or ``compiled``, the way the channels were written.
    notes : mapping of (str, str) to str
        What was checked, by way and channels.
    """

    altered: dict[str, float]
    copied: dict[str, float]
    swept: dict[str, float]
    notes: dict[tuple[str, str], str]

    def fastest_changing(self, channels: Sequence[str] = (LAW, COMPILED)) -> float:
        """Return the time [s] for one circuit of the fastest way that changes circuits."""
        return min(times[one] for times in (self.altered, self.copied) for one in channels)


def ends_of_fault(part: Part, mode: str) -> tuple[str, str] | None:
    """Return the pins that a fault joins by one resistor; None for what one resistor cannot do."""
    if part.kind in ("igbt", "mosfet"):
        names = {
            "high": "collector" if part.kind == "igbt" else "drain",
            "low": "emitter" if part.kind == "igbt" else "source",
            "gate": "gate",
        }
        ends = SWITCH_PINS.get(mode)
        return None if ends is None else (names[ends[0]], names[ends[1]])
    if part.kind == "driver":
        return DRIVER_PINS.get(mode)
    if mode not in ("short", "leak"):
        return None
    return ("anode", "cathode") if part.kind == "diode" else ("a", "b")


def with_compiled_channels(lines: Sequence[str], board: Board, netlist: Netlist, setup: Setup) -> list[str]:
    """Return lines in which the simulator's own transistor stands for each behavioural channel.

    Parameters
    ----------
    lines : sequence of str
        Elements of a board without damage to its switches' channels, or with those channels left out.
    board, netlist, setup
        What they were written from.
    """
    nodes = netlist.node_of_lead
    gates: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for ref, part in board.parts.items():
        if part.kind in ("igbt", "mosfet") and is_there(part, setup):
            high, low = ("drain", "source") if part.kind == "mosfet" else ("collector", "emitter")
            slope = (
                0.5 if part.kind == "igbt" else 1.0 / (part.values["on_ohms"] * (10.0 - part.values["gate_threshold"]))
            )
            start = part.values["gate_threshold"] - math.sqrt(2e-3 / slope)  # 1 mA in saturation at the threshold
            law = f"nmos(level=1 vto={start:.9g} kp={slope:.9g} is=1e-30)"
            gates.setdefault((nodes[f"{ref}.{high}"], nodes[f"{ref}.{low}"]), []).append((nodes[f"{ref}.gate"], law))
    written: list[str] = []
    for line in lines:
        if not line.startswith("b"):
            written.append(line)
            continue
        name, high_node, low_node, _ = line.split(maxsplit=3)
        gate, law = gates[high_node, low_node].pop(0)
        number = len(written)
        written += [
            f"m{name} {high_node} {gate} {low_node} {low_node} m{90000 + number}",
            f".model m{90000 + number} {law}",
        ]
    return written


def with_shared_models(lines: Sequence[str]) -> list[str]:
    """Return lines in which equal models are written once, as a person would."""
    kept: dict[str, str] = {}
    renamed: dict[str, str] = {}
    for line in lines:
        if found := MODEL.match(line):
            renamed[found[1]] = kept.setdefault(found[2], found[1])
    written = [f".model {name} {law}" for law, name in kept.items()]
    return written + [
        " ".join(renamed.get(word, word) for word in line.split(" ")) for line in lines if not MODEL.match(line)
    ]


def as_copy(lines: Sequence[str], number: int) -> list[str]:
    """Return elements with names, nodes and models of their own; ground stays common."""
    copied = []
    for line in lines:
        renamed = WORD.sub(rf"k{number}_\g<0>", line)
        _, rest = renamed.split(" ", 1)
        # models come as ".model m5 d(...)", elements by a letter that says their kind
        copied.append(renamed if line.startswith(".") else f"{line[0]}k{number}_{line.split(' ', 1)[0][1:]} {rest}")
    return copied


@dataclass(frozen=True, slots=True)
class Case:
    """A pair of faults at a placement, the question to the simulator, and our answers.

    Parameters
    ----------
    question : Question
        The damage, the placement, the end.
    column : int
        Number of the placement.
    ours, healthy : float
        Our displays with the damage and without [V] or [ohm], infinity for OL.
    """

    question: Question
    column: int
    ours: float
    healthy: float


def draw_cases(run: TableRun, meter: MeterProfile, count: int) -> list[Case]:
    """Return pairs of faults, each of which one resistor makes, dealt to the placements of a table in turn.

    Parameters
    ----------
    run : TableRun
        Our table.
    meter : MeterProfile
        The meter.
    count : int
        Pairs at each placement.
    """
    board = run.space.board
    variants = [
        number
        for number in range(len(run.space.doubles))
        if (one := run.damage(number)).ohms is not None and ends_of_fault(board.parts[one.ref], one.mode)
    ]
    rng = random.Random(SEED)
    cases: list[Case] = []
    for column, of in enumerate(run.table.columns):
        drawn: dict[tuple[int, int], None] = {}
        while len(drawn) < DRAWN_FOR_ONE * count:
            first, second = sorted(rng.sample(variants, 2))
            if run.damage(first).ref != run.damage(second).ref:
                drawn[first, second] = None
        pairs = list(drawn)
        meter_range = ranges_of(meter, of.probing.mode, of.probing.range_name)[0]
        good = run.healthy(column)
        here = [
            Case(Question(tuple(map(run.damage, pair)), of.probing, meter_range, "end"), column, shown, good)
            for pair, shown in zip(pairs, run.displays(pairs, column).tolist(), strict=True)
        ]
        # few of all pairs move a reading: half of these do, or there were no proof that the damage was there
        moved = [case for case in here if differ(case.question, case.ours, good)][: (count + 1) // 2]
        still = [case for case in here if not differ(case.question, case.ours, good)][: count - len(moved)]
        chosen = moved + still
        rng.shuffle(chosen)
        cases += chosen
    return cases


class Bench:
    """A board on ngspice's bench.

    Parameters
    ----------
    run : TableRun
        Our table of the board.
    meter : MeterProfile
        The meter.
    count : int
        Pairs at each placement.
    repeats : int
        How often each run is timed; the fastest counts.
    channels : str
        ``law`` or ``compiled``.
    """

    def __init__(self, run: TableRun, meter: MeterProfile, count: int, repeats: int, channels: str) -> None:
        self.board, self.setup, self.repeats, self.channels = run.space.board, Setup(), repeats, channels
        self.count = count
        self.cases = draw_cases(run, meter, count)
        self.netlist = write_board(self.board, self.setup)
        self.columns = [
            (of.probing, ranges_of(meter, of.probing.mode)[0], run.healthy(number))
            for number, of in enumerate(run.table.columns)
        ]

    def _elements(self, netlist: Netlist, question: Question) -> list[str]:
        """Return the elements of a board under the meter, without the title and the temperature."""
        text = point_text(netlist, question.meter_range, question.probing.red, question.probing.black)
        lines = [line for line in text.splitlines()[1:] if line.strip()]
        if self.channels == COMPILED:
            lines = with_compiled_channels(lines, self.board, netlist, self.setup)
        return with_shared_models([line for line in lines if not line.startswith(".temp")])

    def _whole(self, lines: Sequence[str]) -> str:
        return with_options("\n".join(["* benchmark", *lines, f".temp {self.setup.temperature_c:g}", ""]), OPTIONS)

    def _cpu(self, netlists: Sequence[str], commands: Sequence[str]) -> float:
        """Return the processor time [s] of a silent run."""
        with tempfile.TemporaryDirectory(prefix="benchmark-") as name:
            folder = Path(name)
            _write(folder, netlists, commands)
            done = best_process(["ngspice", "-n", "-b", "run.cir"], self.repeats, folder=folder)
            if DONE not in done.out:
                raise RuntimeError(f"ngspice stopped early: {(done.out + done.err).strip()[-300:]}")
            return done.cost.cpu_s

    def _answers(self, netlists: Sequence[str], commands: Sequence[str], count: int) -> list[float]:
        """Return one number per mark, NaN where there is none."""
        with tempfile.TemporaryDirectory(prefix="benchmark-") as name:
            folder = Path(name)
            _write(folder, netlists, commands)
            out = best_process(["ngspice", "-n", "-b", "run.cir"], 1, folder=folder).out
        return read_answers(out, count)

    # --- one netlist, resistors altered

    def _standing_by(self, column: int) -> tuple[str, dict[Damage, str]]:
        """Return the netlist of a placement with every fault's resistor in it, and which resistor makes which fault."""
        probing, meter_range, _ = self.columns[column]
        lines: list[str] = []
        named: dict[tuple[str, tuple[str, str]], str] = {}
        for ref, part in self.board.parts.items():
            for mode in part.modes if is_there(part, self.setup) else ():
                ends = ends_of_fault(part, mode)
                if ends is not None and (ref, ends) not in named:
                    named[ref, ends] = f"rfault{len(named)}"
                    nodes = [self.netlist.node_of_lead[f"{ref}.{pin}"] for pin in ends]
                    lines.append(f"{named[ref, ends]} {' '.join(nodes)} {NOTHING}")
        names = {}
        for case in self.cases:
            for one in case.question.damage:
                ends = ends_of_fault(self.board.parts[one.ref], one.mode)
                assert ends is not None
                names[one] = named[one.ref, ends]
        question = Question((), probing, meter_range, "end")
        return self._whole([*self._elements(self.netlist, question), *lines]), names

    def _alter_commands(self, cases: Sequence[Case], numbers: Sequence[int], *, shown: bool) -> list[str]:
        commands: list[str] = []
        for column, group in itertools.groupby(numbers, key=lambda number: cases[number].column):
            commands.append(f"source {column}.cir")
            _, names = self._standing_by(column)
            for number in group:
                damage = cases[number].question.damage
                commands += [f"alter {names[one]} = {one.ohms:.15g}" for one in damage]
                commands.append("op")
                if shown:
                    commands += [f"echo @@ {number}", "print v(jack)"]
                commands += ["destroy all", *(f"alter {names[one]} = {NOTHING}" for one in damage)]
            commands.append("remcirc")
        return commands

    def _judged(self, numbers: Sequence[int], jacks: Sequence[float]) -> Verdict:
        cases = [self.cases[number] for number in numbers]
        return judge(
            [case.question for case in cases],
            [case.ours for case in cases],
            jacks,
            [case.healthy for case in cases],
        )

    def altered(self) -> tuple[float, str]:
        """Return the time for a circuit [s] by altering two resistors, and what was checked."""
        netlists = [self._standing_by(column)[0] for column in range(len(self.columns))]
        every = list(range(len(self.cases)))
        jacks = self._answers(netlists, self._alter_commands(self.cases, every, shown=True), len(every))
        first = self._judged(every, jacks)
        demand(first)
        # only what was answered right is timed: where the simulator searches in vain it is slow
        kept = list(first.right)
        jacks = self._answers(netlists, self._alter_commands(self.cases, kept, shown=True), len(every))
        demand(self._judged(kept, [jacks[number] for number in kept]), least=1.0)
        sizes = []
        for numbers in (kept[::SMALL_SHARE], kept):
            sizes.append((len(numbers), self._cpu(netlists, self._alter_commands(self.cases, numbers, shown=False))))
        note = f"{len(kept)} of {len(every)} answers right, these timed; {first.moved} of them unlike the healthy board"
        return per_item(*sizes), note

    # --- copies

    def copied(self) -> tuple[float, str]:
        """Return the time for a circuit [s] as one of many copies, and what was checked."""
        order = sorted(range(len(self.cases)), key=lambda number: number % self.count)
        sizes = []
        note = ""
        for count in COPIES:
            numbers = order[:count]
            lines: list[str] = []
            for number in numbers:
                question = self.cases[number].question
                netlist = write_board(self.board, self.setup, question.damage)
                lines += as_copy(self._elements(netlist, question), number)
            netlist_text = self._whole(with_shared_models(lines))
            shown = [part for number in numbers for part in (f"echo @@ {number}", f"print v(k{number}_jack)")]
            jacks = self._answers([netlist_text], ["source 0.cir", "op", *shown], len(self.cases))
            verdict = self._judged(numbers, [jacks[number] for number in numbers])
            demand(verdict)
            note = f"{len(verdict.right)} of {count} answers right"
            sizes.append((len(numbers), self._cpu([netlist_text], ["source 0.cir", "op"])))
        return per_item(*sizes), f"{COPIES[0]} and {COPIES[1]} copies, reading the netlist included; {note}"

    # --- the inner loop

    def swept(self) -> tuple[float, str]:
        """Return the time for a point of a sweep of the meter's current [s], board healthy, and what was checked."""
        netlists, asked, good = [], [], []
        for probing, meter_range, healthy in self.columns:
            if not meter_range.amps:
                raise ValueError("the sweep needs a meter whose source is a current")
            question = Question((), probing, meter_range, "end")
            netlists.append(self._whole(self._elements(self.netlist, question)))
            asked.append(question)
            good.append(healthy)

        def commands(points: int, *, shown: bool) -> list[str]:
            written: list[str] = []
            for column, question in enumerate(asked):
                low, high = 0.9 * question.meter_range.amps, 1.1 * question.meter_range.amps
                written += [f"source {column}.cir", f"dc imeter {low:.12g} {high:.12g} {(high - low) / points:.12g}"]
                if shown:
                    written += [
                        f"echo @@ {2 * column}",
                        f"print v(jack)[{points // 2}]",
                        f"echo @@ {2 * column + 1}",
                        "print length(v(jack))",
                    ]
                written += ["destroy all", "remcirc"]
            return written

        sizes = []
        for points in SWEEP_POINTS:
            answers = self._answers(netlists, commands(points, shown=True), 2 * len(asked))
            if any(abs(count - (points + 1)) > 1.0 for count in answers[1::2]) or any(map(math.isnan, answers)):
                raise RuntimeError(f"a sweep of {points + 1} points has {answers[1::2]}")
            middle = judge(asked, good, answers[0::2], [math.nan] * len(asked))
            if len(middle.right) < len(asked):
                raise RuntimeError(f"wrong in the middle of the sweep: {middle.complaint}")
            sizes.append((int(np.sum(answers[1::2])), self._cpu(netlists, commands(points, shown=False))))
        return per_item(*sizes), f"sweep by a tenth to either side, {len(asked)} placements, right in the middle"


def _write(folder: Path, netlists: Sequence[str], commands: Sequence[str]) -> None:
    for number, text in enumerate(netlists):
        (folder / f"{number}.cir").write_text(text)
    script = ["* commands", ".control", "set numdgt=15", *commands, f"echo {DONE}", "quit", ".endc", ".end", ""]
    (folder / "run.cir").write_text("\n".join(script))


def read_answers(output: str, count: int) -> list[float]:
    """Return the number printed after each mark, NaN where none was.

    Parameters
    ----------
    output : str
        What the simulator wrote.
    count : int
        How many answers there should be, marked from 0 on.
    """
    pieces = MARK.split(output)
    answers = [math.nan] * count
    for number, text in zip(map(int, pieces[1::2]), pieces[2::2], strict=True):
        found = NUMBER.findall(text)
        if len(found) == 1:
            answers[number] = float(found[0])
    return answers


def measure(run: TableRun, meter: MeterProfile, count: int, repeats: int, say: Callable[[str], None]) -> Times:
    """Return what ngspice needs for circuits of a board, by every way and both kinds of channel.

    Parameters
    ----------
    run : TableRun
        Our table of the board, which the answers are held against.
    meter : MeterProfile
        The meter.
    count : int
        Pairs at each placement.
    repeats : int
        How often each run is timed; the fastest counts.
    say : callable
        Called with what is being done.
    """
    times = Times({}, {}, {}, {})
    for channels in (LAW, COMPILED):
        bench = Bench(run, meter, count, repeats, channels)
        for name, into, way in (
            ("altered", times.altered, bench.altered),
            ("copied", times.copied, bench.copied),
            ("swept", times.swept, bench.swept),
        ):
            say(f"ngspice, {name}, channels by {channels}")
            into[channels], times.notes[name, channels] = way()
    return times
