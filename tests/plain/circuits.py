"""Random circuits all over the accepted ranges: ``python -m tests.plain.circuits --count 1000000 --seed 1``.

Each lot is one random board and a thousand sets of values for it: resistances, drops, sources, leads, faults, held
gates. The solver says which it solved; of those, Kirchhoff's law is asked of code that shares nothing with it but the
branch table, and the first of each lot of ``ngspice``.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import random
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, parse_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change
from bridge.meter import LIMITS, MeterProfile, parse_meter
from bridge.partkinds import PART_KINDS, ValueSpec
from bridge.points import Points
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.solve import solve_points
from tests.crosscheck.compare import TOLERANCE_V, Tally, limit_volts
from tests.crosscheck.netlist import OPTIONS, TIGHT_OPTIONS, ranges_of
from tests.crosscheck.predicted import Question, netlists_of
from tests.crosscheck.runner import operating_points
from tests.plain.kirchhoff import imbalance, largest_current
from tests.plain.solver import METER_SCALE_V, junction_law, plain_solve

__all__ = ["Lot", "Score", "check", "draw_lot", "run_lots"]

Array = NDArray[np.float64]

PER_LOT = 1000
MOST_SIMULATED = 1400
LEAST_SATURATION_A = 1e-28  # the simulator takes none smaller
TIGHTER = (
    {**TIGHT_OPTIONS, "reltol": 1e-9, "abstol": 1e-16},
    {**TIGHT_OPTIONS, "reltol": 1e-7, "abstol": 1e-15},
    {**OPTIONS, "vntol": 1e-6, "itl1": 1000, "rshunt": 1e15},
)
SHARE = 1e-9  # of the test current
KINDS = ("resistor", "resistor", "diode", "diode", "diode", "igbt", "mosfet", "driver", "capacitor", "fuse", "coil",
         "relay", "shunt", "varistor", "insulation")  # fmt: skip


def _within(rng: random.Random, spec: ValueSpec) -> float:
    """Return a value from anywhere in an accepted range: its decades alike, its ends now and then."""
    if rng.random() < 0.05:
        return rng.choice((spec.low, spec.high))
    if spec.low <= 0.0:
        return rng.uniform(spec.low, spec.high)
    return float(f"{spec.low * (spec.high / spec.low) ** rng.random():.6g}")


def _part(rng: random.Random, number: int, nets: Sequence[str]) -> str:
    name = rng.choice(KINDS)
    kind = PART_KINDS[name]
    pins = ", ".join(f'{pin} = "{rng.choice(nets)}"' for pin in kind.pins)
    values = {key: _within(rng, spec) for key, spec in kind.values.items()}
    if name == "diode":  # its drop is larger than what its series resistance takes of it
        values["series_ohms"] = min(values["series_ohms"], 500.0 * values["drop_1ma"])
    lines = [f"{key} = {value!r}" for key, value in values.items()]
    return "\n".join(["[[part]]", f'ref = "X_{number}"', f'kind = "{name}"', f"pins = {{ {pins} }}", *lines, ""])


def _draw_board(rng: random.Random) -> Board:
    nets = "ABCDEFGH"[: rng.randint(2, 8)]
    terminals = [f'[[terminal]]\nname = "{net}"\naccess = "pad"\n' for net in nets]
    # most nets hang on the others by some resistance; an island now and then is a circuit, too
    parts = [
        f'[[part]]\nref = "R_{number}"\nkind = "resistor"\n'
        f'pins = {{ a = "{net}", b = "{rng.choice(nets[:number])}" }}\n'
        f"ohms = {_within(rng, PART_KINDS['resistor'].values['ohms'])!r}\n"
        for number, net in enumerate(nets)
        if number and rng.random() < 0.85
    ]
    parts += [_part(rng, number, nets) for number in range(rng.randint(2, 10))]
    used = {net for net in nets if any(f'"{net}"' in part for part in parts)}
    lines = [one for net, one in zip(nets, terminals, strict=True) if net in used]
    return parse_board("".join(['name = "drawn"\ntitle = "Drawn"\n', *lines, *parts]), "drawn.toml")


def _spec(key: str) -> ValueSpec:
    return ValueSpec(None, LIMITS[key][0], LIMITS[key][1], "")


def _draw_meter(rng: random.Random) -> MeterProfile:
    """Return a meter whose diode mode has its source anywhere in the accepted ranges; its ohms range is not read."""
    kind, key = rng.choice((("current", "amps"), ("current", "amps"), ("resistor", "ohms")))
    size, open_volts = _within(rng, _spec(key)), _within(rng, _spec("open_volts"))
    source = f'source = "{kind}"\n{key} = {size!r}\nopen_volts = {open_volts!r}\nlimit_volts = {open_volts!r}\n'
    return parse_meter(
        f'name = "drawn"\ncounts = 10000000\nlead_ohms = {_within(rng, _spec("lead_ohms"))!r}\nbeep_ohms = 30.0\n'
        f'[diode]\n{source}[[ohms]]\nfull_scale = 1e6\nsource = "resistor"\nohms = 1e6\nopen_volts = 3.0\n'
        "[accuracy]\ndiode = [1.0, 1]\nohms = [1.0, 1]\n",
        "drawn meter",
    )


@dataclass(frozen=True)
class Lot:
    """A board and many sets of values for it; the first set is the board's own.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter of the first set.
    probing : Probing
        Its leads.
    circuit : Circuit
        Branches of the board.
    points : Points
        All sets.
    """

    board: Board
    meter: MeterProfile
    probing: Probing
    circuit: Circuit
    points: Points


def draw_lot(seed: str, size: int = PER_LOT) -> Lot | None:
    """Return a lot, or None where the draw makes no board with two terminals apart.

    Parameters
    ----------
    seed : str
        What it is drawn from.
    size : int
        How many sets of values.
    """
    rng = random.Random(seed)
    board, meter = _draw_board(rng), _draw_meter(rng)
    if len(board.terminals) < 2:
        return None
    circuit = build_circuit(board, Setup(dwell_s=0.0))
    red, black = rng.sample(list(board.terminals), 2)
    probing = Probing(red, black)
    (shot,) = plan_shots(circuit, meter, probing, 0)
    if shot.red == shot.black or circuit.node_count < 2:
        return None
    draw = np.random.default_rng(rng.randrange(2**32))

    def decades(low: float, high: float, shape: tuple[int, ...] | int) -> Array:
        return np.exp(draw.uniform(math.log(low), math.log(high), shape))

    siemens = np.repeat(circuit.linear_siemens[:, None], size, axis=1)
    fitted = siemens > 0.0
    siemens = np.where(fitted & (draw.random(siemens.shape) < 0.8), decades(1e-10, 1e4, siemens.shape), siemens)
    # faults: what is open, shorted or leaks
    damaged = draw.random(siemens.shape)
    siemens = np.where(fitted & (damaged < 0.03), 0.0, siemens)
    siemens = np.where(~fitted & (damaged > 0.94), decades(1e-6, 1e4, siemens.shape), siemens)
    inject = np.zeros((circuit.node_count, size))
    for row in circuit.hold_rows.values():
        held = draw.random(size) < 0.3
        through = np.where(held, 1.0 / decades(100.0, 1e5, size), 0.0)
        siemens[row] = through
        amps = through * draw.uniform(-5.0, 20.0, size)
        np.add.at(inject, int(circuit.linear_a[row]), amps)
        np.subtract.at(inject, int(circuit.linear_b[row]), amps)
    scale = circuit.junction_scale[:, None]
    drops = decades(0.01, 5.0, (len(circuit.junction_scale), size))
    drawn = 1e-3 / np.expm1(np.minimum(drops / scale, 600.0))
    own = np.repeat(circuit.junction_saturation[:, None], size, axis=1)
    saturation = np.where(draw.random(own.shape) < 0.8, drawn, own)
    saturation[draw.random(own.shape) < 0.05] = 0.0
    channel = draw.choice(np.array([0, 1, 1, 1, 1, 1, 1, 2], dtype=np.int8), (len(circuit.channel_high), size))
    nodes = np.array([draw.choice(circuit.node_count, 2, replace=False) for _ in range(size)])
    drives = draw.random(size) < 0.6
    leads = draw.uniform(0.0, 100.0, size)
    points = Points(
        siemens=siemens,
        inject=inject,
        saturation=saturation,
        channel=channel,
        red=nodes[:, 0].astype(np.intp),
        black=nodes[:, 1].astype(np.intp),
        amps=np.where(drives, decades(*LIMITS["amps"], size), 0.0),
        volts=decades(*LIMITS["open_volts"], size),
        ohms=leads + np.where(drives, 0.0, decades(*LIMITS["ohms"], size)),
    )
    # the first set as the board, the meter and the leads are
    points.siemens[:, 0] = circuit.linear_siemens
    points.inject[:, 0] = 0.0
    points.saturation[:, 0] = circuit.junction_saturation
    points.channel[:, 0] = 1
    points.red[0], points.black[0] = shot.red, shot.black
    points.amps[0], points.volts[0], points.ohms[0] = shot.amps, shot.volts, shot.ohms
    return Lot(board, meter, probing, circuit, points)


@dataclass
class Score:
    """What came of many circuits.

    Parameters
    ----------
    circuits, converged : int
        Solved for, and said to be solved.
    beyond : int
        Solved ones that violate Kirchhoff's law by more than 1e-9 of the test current and the voltages' rounding.
    strict : int
        Solved ones that hold it to 1e-9 of the test current without any allowance.
    worst : float
        Largest violation less rounding, as a share of the test current [1], and where.
    seconds : float
        Processor time of the solver alone [s].
    examples : list of str
        Where the law is broken, a few.
    """

    circuits: int = 0
    converged: int = 0
    beyond: int = 0
    strict: int = 0
    worst: float = 0.0
    seconds: float = 0.0
    examples: list[str] = field(default_factory=list)
    questions: list[tuple[Lot, float]] = field(default_factory=list)


def check(lot: Lot, score: Score, label: str) -> None:
    """Solve a lot and add what came of it.

    Parameters
    ----------
    lot : Lot
        The lot.
    score : Score
        Receives what came of it.
    label : str
        Name of the lot, for examples.
    """
    points, circuit = lot.points, lot.circuit
    start = time.process_time()
    with np.errstate(all="ignore"):
        solution = solve_points(circuit, points)
    score.seconds += time.process_time() - start
    good = np.flatnonzero(solution.converged)
    score.circuits += points.size
    score.converged += len(good)
    if len(score.questions) < MOST_SIMULATED:
        tips = float(solution.voltage[points.red[0], 0]) if 0 in good else math.nan
        score.questions.append((dataclasses.replace(lot, points=points.take(slice(0, 1))), tips))
    if not len(good):
        return
    some = points.take(good)
    with np.errstate(all="ignore"):
        left, rounding = imbalance(circuit, some, solution.voltage[:, good])
    full = largest_current(some)
    score.strict += int(np.count_nonzero(left <= SHARE * full))
    over = np.maximum(left - rounding, 0.0) / full
    over[~np.isfinite(left)] = np.inf
    score.beyond += int(np.count_nonzero(over > SHARE))
    place = int(np.argmax(over))
    score.worst = max(score.worst, float(over[place]))
    if over[place] > SHARE and len(score.examples) < 20:
        worst = f"{left[place]:.3g} A of {full[place]:.3g} A, rounding {rounding[place]:.3g} A"
        score.examples.append(f"lot {label} point {good[place]}: {worst}")


def run_lots(count: int, seed: int, size: int = PER_LOT, *, show: bool = False) -> Score:
    """Draw, solve and check lots until so many circuits have been solved for.

    Parameters
    ----------
    count : int
        How many circuits.
    seed : int
        What they are drawn from.
    size : int
        How many circuits share a board.
    show : bool
        Whether to tell how far it is.
    """
    score = Score()
    number = 0
    while score.circuits < count:
        number += 1
        lot = draw_lot(f"{seed}-{number}", min(size, count - score.circuits))
        if lot is not None:
            check(lot, score, f"{seed}-{number}")
        if show and number % 100 == 0:
            print(
                f"{score.circuits} circuits, {score.converged} solved, {score.beyond} beyond 1e-9",
                file=sys.stderr,
                flush=True,
            )
    return score


def ask_simulator(lots: Sequence[tuple[Lot, float]]) -> tuple[Tally, int]:
    """Compare the first circuits of lots with ``ngspice``.

    Parameters
    ----------
    lots : sequence of (Lot, float)
        Lots, and the solver's voltage between the tips [V]; NaN where it did not converge.

    Returns
    -------
    tally : Tally
        What agreed, what did not, what was not answered; circuits with junctions beyond the simulator are left out.
    unsolved : int
        How many the solver itself left out.
    """
    tally, texts, asked, shown = Tally(), [], [], []
    unsolved = 0
    for lot, tips in lots:
        meter_range = ranges_of(lot.meter, "diode")[0]
        question = Question((), lot.probing, meter_range, "end")
        if math.isnan(tips):
            unsolved += 1
            continue
        if np.any(lot.circuit.junction_saturation < LEAST_SATURATION_A):
            continue  # it would be raised to that, and a drop of some volts lowered by tenths
        texts.extend(netlists_of(lot.board, Setup(), [question]))
        asked.append(question)
        shown.append(_display(lot, tips))
    answers = operating_points(texts)
    # beside gigaohms and kiloamperes per volt the simulator's usual tolerances let it stop early: asked again, tighter
    doubtful = [place for place, ours in enumerate(shown) if not abs(ours - answers[place]) <= TOLERANCE_V]
    for place, jack in zip(doubtful, operating_points([texts[one] for one in doubtful], options=TIGHTER), strict=True):
        if not math.isnan(jack):
            answers[place] = jack
    for question, ours, jack in zip(asked, shown, answers, strict=True):
        limit = limit_volts(question.meter_range)
        tally.add(question, ours if abs(ours) <= limit else math.inf, jack)
    return tally, unsolved


def third_opinion(lots: Sequence[tuple[Lot, float]], differences: Sequence[str]) -> int:
    """Return in how many of the differing circuits the plain solver, too, says what the solver said, to 10 uV.

    Parameters
    ----------
    lots : sequence of (Lot, float)
        As for :func:`ask_simulator`.
    differences : sequence of str
        What it found to differ.
    """
    told = {line.partition("solver ")[2].partition(",")[0] for line in differences}
    same = 0
    for lot, tips in lots:
        if not math.isnan(tips) and f"{_display(lot, tips):.6g}" in told:
            (shot,) = plan_shots(lot.circuit, lot.meter, lot.probing, 0)
            plain = plain_solve(lot.circuit, shot, Change(), at_start=False)
            same += abs(plain.jack - _display(lot, tips)) < 1e-5
    return same


def _display(lot: Lot, tips: float) -> float:
    """Return the voltage at the jacks [V]: tips and what the leads take."""
    points = lot.points
    amps, volts, ohms = float(points.amps[0]), float(points.volts[0]), float(points.ohms[0])
    (shot,) = plan_shots(lot.circuit, lot.meter, lot.probing, 0)
    if amps > 0.0:
        flows = -float(
            junction_law(np.array([tips - volts]), np.array([amps]), np.array([METER_SCALE_V]), np.array([ohms]))[0][0]
        )
    else:
        flows = (volts - tips) / ohms
    return tips + flows * shot.lead_ohms


def main(arguments: Sequence[str] | None = None) -> int:
    """Run and print what came of it; the status is 1 where a solved circuit is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", type=int, default=PER_LOT, help="circuits that share a board")
    parser.add_argument("--simulated", type=int, default=MOST_SIMULATED, help="circuits to compare with ngspice")
    options = parser.parse_args(arguments)
    start = time.process_time()
    score = run_lots(options.count, options.seed, options.each, show=True)
    for example in score.examples:
        print(example)
    print(
        f"{score.circuits} circuits, {score.converged} converged ({score.converged / score.circuits:.4%}), the others "
        f"reported; {score.seconds / score.circuits * 1e6:.0f} us each, {time.process_time() - start:.0f} s in all"
    )
    print(
        f"Kirchhoff's law to 1e-9 of the test current: {score.strict} as they stand, {score.converged - score.beyond} "
        f"within the rounding of their voltages, {score.beyond} beyond; worst {score.worst:.2g}"
    )
    if options.simulated:
        tally, unsolved = ask_simulator(score.questions[: options.simulated])
        for line in (*tally.differences[:20], *tally.unanswered[:5]):
            print(line)
        print(
            f"ngspice: {tally.compared} answered by both, {len(tally.differences)} of them differ by more than 1 mV, "
            f"{len(tally.unanswered)} unanswered by ngspice, "
            f"{unsolved} not converged here"
        )
        if tally.differences:
            same = third_opinion(score.questions, tally.differences)
            print(f"of the {len(tally.differences)} that differ, the plain solver says the same as here in {same}")
    return 1 if score.beyond else 0


if __name__ == "__main__":
    sys.exit(main())
