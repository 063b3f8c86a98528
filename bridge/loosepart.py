"""A switch by itself under the meter: which readings to take, what a good one shows, and whether this one is good.

A loose switch is a board with one part. What a board never has is a gate without anything beside it, which keeps the
charge the leads left there: that is a gate held behind the resistance of a good insulator, so that a leak still takes
the charge away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.board import Board, parse_board
from bridge.errors import InputError, InputErrors
from bridge.faults import describe_fault, list_faults
from bridge.forecast import Forecast, forecast
from bridge.meter import MeterProfile
from bridge.placement import PIN_LETTERS
from bridge.plainsheet import read_sheet
from bridge.priors import Priors
from bridge.probing import Hold, Probing, Setup
from bridge.rank import rank
from bridge.ranking import Candidate, Ranking
from bridge.readings import Reading, parse_reading
from bridge.switchpart import DIODE, POSITION, SwitchPart, switch_tables
from bridge.textfile import decode_text, read_file, shown_source
from bridge.wording import listed, quoted

__all__ = [
    "CANNOT_TURN_ON",
    "STEP_NAMES",
    "SUSPECTS_GOOD",
    "LooseStep",
    "LooseVerdict",
    "charge_volts",
    "expect_loose",
    "judge_loose",
    "load_loose",
    "loose_board",
    "loose_steps",
    "read_step",
    "turns_on",
]

STEP_NAMES = ("ge", "eg", "gc", "cg", "ce", "ec", "charged", "again")
"""Names of the readings, in the order they are taken: plus lead first, then what was done to the gate."""

LEAD_NAMES = {letter.upper(): name for letter, name in PIN_LETTERS.items()}
SUSPECTS_GOOD = 0.5  # of parts unsoldered on suspicion; common practice, no source
CHARGE_OHMS = 10e6  # what the charge of a gate is held behind
MOST_CHARGE_V = 20.0  # a gate is not charged beyond what it stands
SURE = 0.9

CANNOT_TURN_ON = "this meter cannot turn it on, so that it switches is not proved: use the lamp"
"""The commonest reason why a good switch is not proved good."""


@dataclass(frozen=True, slots=True)
class LooseStep:
    """One reading of a loose switch.

    Parameters
    ----------
    name : str
        One of `STEP_NAMES`.
    probing : Probing
        Where the leads go, and what the gate is held at.
    what : str
        What to do, in words.
    """

    name: str
    probing: Probing
    what: str


@dataclass(frozen=True, slots=True)
class LooseVerdict:
    """Whether a loose switch is good.

    Parameters
    ----------
    verdict : str
        ``good``, ``suspect`` or ``bad``.
    good : float
        Probability that it is good [1].
    reasons : tuple of str
        Why, in words.
    candidates : tuple of Candidate
        Every hypothesis, most probable first.
    ranking : Ranking
        What the engine said before it was told how many such parts are good.
    """

    verdict: str
    good: float
    reasons: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    ranking: Ranking


def _leads(part: SwitchPart) -> tuple[str, str, str]:
    return ("D", "S", "G") if part.kind == "mosfet" else ("C", "E", "G")


def loose_board(part: SwitchPart) -> Board:
    """Return a switch by itself as a board.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    """
    high, low, gate = _leads(part)
    terminals = "".join(
        f'[[terminal]]\nname = "{lead}"\nwhat = "{LEAD_NAMES[lead]}"\naccess = "terminal"\n'
        for lead in (high, low, gate)
    )
    return parse_board(
        f'name = "loose-switch"\ntitle = "Loose switch"\n{terminals}{switch_tables(part, high, low, gate)}',
        "loose switch",
    )


def charge_volts(meter: MeterProfile) -> tuple[str, float]:
    """Return the mode in which this meter charges a gate highest, and how high [V].

    Parameters
    ----------
    meter : MeterProfile
        The meter.
    """
    found = [("diode", meter.diode.source.open_volts)]
    found += [(f"ohms:{entry.name}", entry.source.open_volts) for entry in meter.ohms]
    mode, volts = max(found, key=lambda item: item[1])  # of equals the first: the diode mode, with its larger current
    return mode, min(volts, MOST_CHARGE_V)


def loose_steps(part: SwitchPart, meter: MeterProfile) -> tuple[LooseStep, ...]:
    """Return the readings of a loose switch in the order they are taken.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand; a moving-needle one has its plus on the black lead, and the leads are named accordingly.
    """
    high, low, gate = _leads(part)
    mode, volts = charge_volts(meter)
    tied, charged = Hold(POSITION, 0.0), Hold(POSITION, volts, CHARGE_OHMS)

    def probing(plus: str, minus: str, test: str, *hold: Hold) -> Probing:
        red, black = (minus, plus) if meter.reversed else (plus, minus)
        return Probing(red, black, test, None, hold)

    first, second = ("black", "red") if meter.reversed else ("red", "black")

    def leads(plus: str, minus: str) -> str:
        return f"{first} on the {LEAD_NAMES[plus]}, {second} on the {LEAD_NAMES[minus]}"

    return (
        LooseStep("ge", probing(gate, low, "ohms"), leads(gate, low)),
        LooseStep("eg", probing(low, gate, "ohms"), leads(low, gate)),
        LooseStep("gc", probing(gate, high, "ohms"), leads(gate, high)),
        LooseStep("cg", probing(high, gate, "ohms"), leads(high, gate)),
        LooseStep("ce", probing(high, low, "diode", tied), f"tie gate to {LEAD_NAMES[low]}; {leads(high, low)}"),
        LooseStep("ec", probing(low, high, "diode", tied), leads(low, high)),
        LooseStep(
            "charged",
            probing(high, low, "diode", charged),
            f"gate free; charge it in mode {mode}, {leads(gate, low)}; then in diode mode {leads(high, low)}",
        ),
        LooseStep(
            "again", probing(high, low, "diode", tied), f"tie gate to {LEAD_NAMES[low]} again; {leads(high, low)}"
        ),
    )


def expect_loose(part: SwitchPart, meter: MeterProfile) -> tuple[Forecast, ...]:
    """Return what a good switch shows at each step.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand.
    """
    return forecast(loose_board(part), meter, Setup(), [step.probing for step in loose_steps(part, meter)])


def turns_on(part: SwitchPart, meter: MeterProfile) -> bool:
    """Return whether charging the gate with this meter changes what the main path of a good switch shows.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand.
    """
    shown = dict(zip(STEP_NAMES, expect_loose(part, meter), strict=True))
    return shown["ce"].value is None and shown["charged"].value is not None


def read_step(step: LooseStep, text: str, board: Board, meter: MeterProfile, line: int) -> Reading:
    """Return one reading of a loose switch.

    Parameters
    ----------
    step : LooseStep
        Which one.
    text : str
        What the display said.
    board : Board
        The switch as a board.
    meter : MeterProfile
        The meter in hand.
    line : int
        Line in its file.

    Raises
    ------
    InputError
        Something this meter cannot have shown.
    """
    probing = step.probing
    fields = {
        "red": probing.red,
        "black": probing.black,
        "mode": probing.mode_text,
        "hold": probing.hold_text,
        "reading": text,
    }
    return parse_reading(fields, board, meter, line=line)


def load_loose(source: str, part: SwitchPart, meter: MeterProfile) -> tuple[Reading, ...]:
    """Return the readings of one loose switch from a file with the columns ``step`` and ``reading``.

    Parameters
    ----------
    source : str
        Path, or ``-`` for standard input.
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter in hand.

    Raises
    ------
    InputError
        The file cannot be read, something in it is wrong, or it holds no reading.
    """
    where = shown_source(source)
    rows = read_sheet(decode_text(read_file(source), where), where, ("step", "reading"), ("note",))
    board = loose_board(part)
    steps: Mapping[str, LooseStep] = {step.name: step for step in loose_steps(part, meter)}
    readings: list[Reading] = []
    problems: list[InputError] = []
    for line, row in rows:
        place = f"{where}, line {line}"
        step = steps.get(row["step"].casefold())
        if step is None:
            problems.append(
                InputError(f"{quoted(row['step'])}; accepted: {listed(STEP_NAMES)}", where=f"{place}, step")
            )
        elif row["reading"]:
            try:
                readings.append(read_step(step, row["reading"], board, meter, line))
            except InputError as error:
                problems.append(InputError(error.problem, where=f"{place}, {error.where}"))
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    if not readings:
        raise InputError("no reading in any row; accepted: at least one", where=where)
    return tuple(readings)


def judge_loose(
    part: SwitchPart, meter: MeterProfile, readings: Sequence[Reading], good_share: float = SUSPECTS_GOOD
) -> LooseVerdict:
    """Return whether a loose switch is good, and how sure that is.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    meter : MeterProfile
        The meter the readings were taken with.
    readings : sequence of Reading
        The readings.
    good_share : float
        How many such parts are good, before any reading [1].

    Raises
    ------
    InputError
        No reading at all.
    """
    board = loose_board(part)
    ranking = rank(board, meter, Setup(), readings)
    # boards on the bench are dead, loose parts are not: the healthy one gets its own share instead of a board's
    on_boards = math.exp(Priors.for_board(board, list_faults(board)).log_healthy)
    factor = good_share / (1.0 - good_share) * (1.0 - on_boards) / on_boards
    weights = [guess.probability * (1.0 if guess.faults else factor) for guess in ranking.candidates]
    total = sum(weights)
    candidates = sorted(
        (
            Candidate(guess.faults, weight / total, guess.group)
            for guess, weight in zip(ranking.candidates, weights, strict=True)
        ),
        key=lambda guess: -guess.probability,
    )
    good = next((guess.probability for guess in candidates if not guess.faults), 0.0)
    verdict = "good" if good >= SURE else "bad" if good <= 1.0 - SURE else "suspect"
    if verdict == "good" and not ranking.fit.ok:
        verdict = "suspect"
    return LooseVerdict(
        verdict, good, _reasons(part, meter, board, ranking, candidates, verdict), tuple(candidates), ranking
    )


def _reasons(
    part: SwitchPart,
    meter: MeterProfile,
    board: Board,
    ranking: Ranking,
    candidates: Sequence[Candidate],
    verdict: str,
) -> tuple[str, ...]:
    found = []
    worst = next((guess for guess in candidates if guess.faults), None)
    if worst is not None and verdict != "good":
        phrases = []
        for fault in worst.faults:
            phrase = describe_fault(board.parts[fault.part], fault.mode).phrase
            phrases.append(f"{'diode' if fault.part == DIODE else 'switch'} {phrase}")
        found.append(f"{' and '.join(phrases)} ({worst.probability:.0%})")
    if not ranking.fit.ok:
        found.append("nothing modelled explains these readings")
    charged = Hold(POSITION, charge_volts(meter)[1], CHARGE_OHMS)
    if not turns_on(part, meter):
        if verdict != "bad":
            found.append(CANNOT_TURN_ON)
    elif not any(charged in reading.probing.hold for reading in ranking.readings) and verdict != "bad":
        found.append("never read with its gate charged, so that it switches is not proved")
    return tuple(found)
