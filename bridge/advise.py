"""The next reading: the one expected to tell most about what to replace, for the effort it takes.

References
----------
de Kleer & Williams, Artif. Intell. 32 (1987) 97 (next measurement by expected information, one step ahead). Only what
would be replaced counts: telling apart two modes of one part is worth nothing.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board, Part
from bridge.boarddisplays import DisplayMemory
from bridge.charge import EMPTY_V, highest_charge
from bridge.circuit import build_circuit
from bridge.errors import InputError
from bridge.faults import Fault, list_faults
from bridge.gain import entropy, expected_gain, joint_shares, outcomes_of
from bridge.lookahead import LOOKED_AT, Lookahead
from bridge.meter import MeterProfile
from bridge.numbering import numbered
from bridge.partkinds import PART_KINDS, SWITCH_KINDS
from bridge.priors import Priors
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Ranking
from bridge.seen import parse_seen
from bridge.separate import reachable_probings
from bridge.units import format_reading, percent

__all__ = [
    "CERTAIN",
    "EFFORTS",
    "ENOUGH_BITS",
    "HEALTHY_EXCLUDED",
    "Expectation",
    "NextReading",
    "Reach",
    "before_any_reading",
    "probing_cost",
    "suggest_readings",
    "suggest_within",
]

Array = NDArray[np.float64]

CONSIDERED = 150  # hypotheses looked at, the most probable first, and the last of them for all others
LEADERS = STAND_INS = 16  # of them by themselves, and so many that stand for the rest, for a first look at all readings
SHORTLIST = 20  # readings of the first look that all hypotheses are looked at for
LIFT_SUSPECTS = 8
HASHES = 2**32
MOSTLY = 0.5  # of the outcomes of a reading
OHMS_DIGITS = 2  # of a fitted resistance: half a digit is less than a resistor's tolerance
FOLLOWED = 24  # hypotheses whose further readings are followed
CERTAIN = 0.95  # how probable a list must be to be acted on; further readings are followed to there
ENOUGH_BITS = 0.02  # below this no reading in place is worth the trouble, and lifting a pin is considered
HEALTHY_EXCLUDED = 0.005  # below this some reading has shown a fault
ENOUGH_SHARE = 0.02  # of what there is to learn, while none has
GATE_LEAD_COST = 2.0  # a main terminal costs 1; common practice, no source
HOLD_COST = 4.0
OPEN = math.inf
EFFORTS = ("terminals", "gates", "holds", "lift")  # each with all before it


@dataclass(frozen=True, slots=True)
class Reach:
    """What the technician can do with this board.

    Parameters
    ----------
    effort : str
        How far one can go: main ``terminals``, ``gates`` as well, ``holds`` of gates as well, or ``lift`` pins too.
    blocked : frozenset of str
        Terminals and pins no lead can be put on.
    skipped : frozenset of Probing
        Readings that were found to be out of reach.
    """

    effort: str = "lift"
    blocked: frozenset[str] = frozenset()
    skipped: frozenset[Probing] = field(default_factory=frozenset)

    def allows(self, board: Board, probing: Probing) -> bool:
        """Return whether a reading can be taken.

        Parameters
        ----------
        board : Board
            The board.
        probing : Probing
            Where the leads would go.
        """
        if probing in self.skipped or self.blocked & {probing.red, probing.black, *probing.lift}:
            return False
        main = set(board.main_terminals)
        needed = 3 if probing.lift else 2 if probing.hold else 0 if {probing.red, probing.black} <= main else 1
        return needed <= EFFORTS.index(self.effort)


ANYTHING = Reach()


@dataclass(frozen=True, slots=True)
class Expectation:
    """One outcome a reading may have.

    Parameters
    ----------
    reading : str
        Display as a technician would write it, ``about`` for a spread of values.
    probability : float
        How likely it is [1].
    means : str
        What it would point at.
    """

    reading: str
    probability: float
    means: str


@dataclass(frozen=True, slots=True)
class NextReading:
    """A reading worth taking.

    Parameters
    ----------
    probing : Probing
        Where the leads go.
    gain_bits : float
        Information it is expected to give about what to replace [bit].
    cost : float
        Effort, 1 for a main terminal.
    expect : tuple of Expectation
        Its outcomes, most likely first.
    good : str
        What a good board reads there, as a technician would write it.
    settles : float
        How likely it is to leave one list of what to replace certain enough to be acted on [1].
    """

    probing: Probing
    gain_bits: float
    cost: float
    expect: tuple[Expectation, ...]
    good: str = ""
    settles: float = 0.0


def probing_cost(board: Board, probing: Probing) -> float:
    """Return the effort of a reading, 1 for main terminals; lifting costs what the board file says of the pin."""
    cost = 1.0
    main = set(board.main_terminals)
    if probing.red not in main or probing.black not in main:
        cost = GATE_LEAD_COST
    if probing.hold:
        cost = max(cost, HOLD_COST * len(probing.hold))
    for pin in probing.lift:
        ref, _, name = pin.partition(".")
        cost += HOLD_COST + 4.0 * board.parts[ref].lift_cost.get(name, 4.0)
    return cost


def suggest_readings(
    ranking: Ranking, most: int = 5, reach: Reach = ANYTHING, memory: DisplayMemory | None = None
) -> tuple[NextReading, ...]:
    """Return the readings that would tell most per effort, best first; empty if nothing would.

    Parameters
    ----------
    ranking : Ranking
        What is known so far.
    most : int
        Number of readings at the most, 1 or more.
    reach : Reach
        What can be reached.
    memory : DisplayMemory, optional
        What was worked out for earlier readings on this bench.

    Returns
    -------
    tuple of NextReading
        Where the leads go, the information expected [bit], the effort (1 for a main terminal), and what each outcome
        would mean.

    Raises
    ------
    InputError
        Less than one reading asked for.

    Notes
    -----
    First comes the reading that is expected to leave least to do until one replace list is certain, of those that tell
    most per effort; then the others in order of information per effort. Lifting a pin is proposed only where no reading
    in place is worth taking. Then all readings are with the one pin whose lifting tells most per effort.
    """
    if most < 1:
        raise InputError(f"{most}; accepted: a whole number, 1 or more", where="most")
    if highest_charge(ranking.readings, ranking.given_setup) > EMPTY_V:
        return ()  # nothing is read in diode or ohms mode on a charged board
    board = ranking.board
    bench = _Bench(board, ranking.meter, ranking.given_setup, DisplayMemory() if memory is None else memory)
    candidates = _stand_ins(ranking.candidates, CONSIDERED - STAND_INS)
    # a reading that does not fit may well be taken again; with a lead lifted, or with something connected that is
    # off the board again, it was another reading
    taken = {
        dataclasses.replace(reading.probing, range_name=None)
        for number, reading in enumerate(ranking.readings)
        if number != ranking.fit.worst_reading and reading.connected <= ranking.given_setup.connected
    }
    in_place = [
        probing for probing in reachable_probings(board) if probing not in taken and reach.allows(board, probing)
    ]
    enough = _enough_bits(board, candidates)
    in_place = _shortlist(bench, candidates, in_place, max(SHORTLIST, 2 * most))
    found, outcomes = _worth(bench, candidates, in_place)
    leader = max(ranking.replace_lists.values(), default=1.0)
    useful = sorted((reading for reading in found if _is_worth_it(reading, enough, leader)), key=_by_worth)
    if len(useful) > 1:
        useful = _least_to_do_first(board, candidates, useful, dict(zip(found, outcomes, strict=True)))
    if not useful:
        lifting = [
            probing for probing in _lifting_probings(ranking) if probing not in taken and reach.allows(board, probing)
        ]
        found, _ = _worth(bench, candidates, lifting)
        useful = sorted((reading for reading in found if _is_worth_it(reading, enough, leader)), key=_by_worth)
        useful = [reading for reading in useful if reading.probing.lift == useful[0].probing.lift]
    return tuple(useful[:most])


def suggest_within(ranking: Ranking, most: int, reach: Reach) -> tuple[tuple[NextReading, ...], bool]:
    """Return the readings that would tell most within reach, or where none would, beyond it, and whether they are.

    Parameters
    ----------
    ranking, most, reach
        As for :func:`suggest_readings`.
    """
    advice = suggest_readings(ranking, most, reach)
    if advice or reach == ANYTHING:
        return advice, False
    beyond = suggest_readings(ranking, most)
    return beyond, bool(beyond)


@dataclass(frozen=True, slots=True)
class _Bench:
    board: Board
    meter: MeterProfile
    setup: Setup
    memory: DisplayMemory


def _shortlist(bench: _Bench, candidates: Sequence[Candidate], probings: Sequence[Probing], most: int) -> list[Probing]:
    """Return the readings that look best per effort to a sample of the hypotheses; most of all tell next to nothing."""
    if len(probings) <= most:
        return list(probings)
    found, _ = _worth(bench, _stand_ins(candidates, LEADERS), probings)
    return [reading.probing for reading in sorted(found, key=_by_worth)[:most]]


def _stand_ins(candidates: Sequence[Candidate], leaders: int) -> list[Candidate]:
    """Return the leaders as they are, and of the others a sample that stands for them.

    Each has a number of its own for good, so that most of a sample is in the next reading's, too; weights are as in
    Duffield, Lund & Thorup, J. ACM 54 (2007) 32 (priority sampling).
    """
    others = candidates[leaders:]
    if len(others) <= STAND_INS:
        return list(candidates)
    weight = np.array([candidate.probability for candidate in others])
    priority = weight / np.array([_number_for_good(candidate) for candidate in others])
    places = np.argsort(-priority, kind="stable")[: STAND_INS + 1]
    stands_for = np.maximum(weight[places[:-1]], priority[places[-1]])
    stands_for *= np.sum(weight) / np.sum(stands_for)
    sample = [
        dataclasses.replace(others[place], probability=share)
        for place, share in zip(places[:-1].tolist(), stands_for.tolist(), strict=True)
    ]
    return [*candidates[:leaders], *sample]


def _number_for_good(candidate: Candidate) -> float:
    """Return a number above 0 and up to 1, the same in every process, from the names of a candidate's faults."""
    total = sum(_number_of_fault(guess.part, guess.mode) for guess in candidate.faults)
    return (total % HASHES + 1) / HASHES


@cache
def _number_of_fault(part: str, mode: str) -> int:
    return crc32(f"{part}:{mode}".encode())


def _least_to_do_first(
    board: Board,
    candidates: Sequence[Candidate],
    useful: Sequence[NextReading],
    outcomes: Mapping[NextReading, NDArray[np.intp]],
) -> list[NextReading]:
    """Return readings with the one first that leaves least to do; the others keep their order."""
    some = candidates[:FOLLOWED]
    weight = np.array([candidate.probability for candidate in some])
    _, target = numbered(candidate.packages(board) for candidate in some)
    table = np.array([outcomes[reading][: len(some)] for reading in useful])
    ahead = Lookahead(table, [reading.cost for reading in useful], weight / np.sum(weight), target, CERTAIN)
    best = min(range(min(LOOKED_AT, len(useful))), key=ahead.effort_after)
    return [useful[best], *useful[:best], *useful[best + 1 :]]


def _enough_bits(board: Board, candidates: Sequence[Candidate]) -> float:
    """Return the information that makes a reading worth its trouble [bit]; less while no reading has shown a fault."""
    healthy = sum(candidate.probability for candidate in candidates if not candidate.faults)
    if healthy < HEALTHY_EXCLUDED:
        return ENOUGH_BITS
    # on a board that is one package there is little to learn about what to replace, but whether to replace it is not
    # known before some reading speaks
    shares: dict[frozenset[str], float] = {}
    for candidate in candidates:
        target = candidate.packages(board)
        shares[target] = shares.get(target, 0.0) + candidate.probability
    return min(ENOUGH_BITS, ENOUGH_SHARE * entropy(np.array(list(shares.values()))))


def _is_worth_it(reading: NextReading, enough: float, leader: float) -> bool:
    """Return whether a reading tells enough, or little, but what the leading list lacks to be acted on."""
    return reading.gain_bits >= enough or (leader < CERTAIN and reading.settles >= MOSTLY)


def _by_worth(reading: NextReading) -> float:
    return -reading.gain_bits / reading.cost


def before_any_reading(board: Board, meter: MeterProfile, setup: Setup, seen: Sequence[str] = ()) -> Ranking:
    """Return what is known before the first reading: the healthy board and every single fault at its prior.

    Parameters
    ----------
    board, meter, setup
        As for ranking.
    seen : sequence of str
        What was seen, heard or told.

    Raises
    ------
    InputError
        Words under ``seen`` that nobody knows.
    """
    faults = list_faults(board, list(build_circuit(board, setup).parts))
    told = tuple(parse_seen(text, board) for text in seen)
    priors = Priors.for_board(board, faults).given(told)
    logs = np.concatenate([[priors.log_healthy], priors.log_single])
    weight = np.exp(logs - np.max(logs))
    weight = weight / np.sum(weight)
    sets: list[tuple[FaultGuess, ...]] = [(), *((FaultGuess(fault.part, fault.mode, None),) for fault in faults)]
    order = np.argsort(-weight, kind="stable").tolist()
    candidates = tuple(Candidate(sets[index], float(weight[index]), 0) for index in order)
    return Ranking(
        board=board,
        meter=meter,
        given_setup=setup,
        readings=(),
        fit=Fit(True, None, 1.0, ""),
        candidates=candidates,
        groups=(),
        parts=(),
        setup=(),
        seen=tuple(str(one) for one in told),
    )


def _lifting_probings(ranking: Ranking) -> list[Probing]:
    """Return readings with one leg of a suspect part lifted: across that leg, and over the part's other pins."""
    board = ranking.board
    lifted_legs: dict[frozenset[str], str] = {}
    probings: dict[Probing, None] = {}
    for suspicion in ranking.parts[:LIFT_SUSPECTS]:
        part = board.parts[suspicion.part]
        for pin in sorted(part.pins, key=lambda pin: part.lift_cost.get(pin, 4.0)):
            lifted = f"{part.ref}.{pin}"
            leg = board.pins_on_leg(lifted)
            if lifted_legs.setdefault(frozenset(leg), lifted) != lifted:
                continue  # the same leg of the same case, seen from another part in it
            for red, black in itertools.permutations(part.pins, 2):
                places = f"{part.ref}.{red}", f"{part.ref}.{black}"
                mode = PART_KINDS[part.kind].mode_between(red, black)
                probings[Probing(*places, mode, lift=(lifted,))] = None
            for red, black, mode in _places_around(board, part):
                probings[Probing(red, black, mode, lift=(lifted,))] = None
    return list(probings)


def _places_around(board: Board, part: Part) -> list[tuple[str, str, str]]:
    """Return what is read at a part's switch, and in which mode: its gate lead, the driver's side, and across it."""
    position = part.position or ""
    places = [(f"G_{position}", f"E_{position}"), (f"GD_{position}", f"E_{position}")]
    found = [(*pair, "ohms") for pair in places if set(pair) <= set(board.terminals)]
    at_place = (one for one in board.parts.values() if one.kind in SWITCH_KINDS and one.position == position)
    switch = next(at_place, None) if position else None
    if switch is not None:
        high, low = (f"{switch.ref}.{pin}" for pin in tuple(switch.pins)[:2])
        found += [(high, low, "diode"), (low, high, "diode")]
    return found


def _worth(
    bench: _Bench, candidates: Sequence[Candidate], probings: Sequence[Probing]
) -> tuple[list[NextReading], list[NDArray[np.intp]]]:
    """Return every probing with its expected information, and the outcome of each under each candidate."""
    weight = np.array([candidate.probability for candidate in candidates])
    weight = weight / np.sum(weight)
    board = bench.board
    names, target = numbered(candidate.packages(board) for candidate in candidates)
    sets = [*(_damage(one) for one in candidates), ()]  # the good board last
    result: list[NextReading] = []
    outcomes: list[NDArray[np.intp]] = []
    for lifted in dict.fromkeys(probing.lift for probing in probings):
        group = [probing for probing in probings if probing.lift == lifted]
        shown = bench.memory.displays_of(board, bench.meter, bench.setup, sets, group)
        for row, probing in enumerate(group):
            if np.isnan(shown.value[row]).any():
                continue  # what it would tell is not known
            on_scale, sd = shown.on_scale(row, shown.sd[row])
            outcome = outcomes_of(on_scale[:-1], sd[:-1])
            outcomes.append(outcome)
            unit, display = shown.units[row], shown.value[row, :-1]
            reading = _one_reading(board, probing, (display, unit), outcome, weight, target, names)
            result.append(dataclasses.replace(reading, good=_about(float(shown.value[row, -1]), unit)))
    return result, outcomes


def _damage(candidate: Candidate) -> tuple[tuple[Fault, float | None], ...]:
    """Return a candidate's faults, their resistances rounded: they are fitted anew later."""
    return tuple(
        (Fault(guess.part, guess.mode), None if guess.ohms is None else float(f"{guess.ohms:.{OHMS_DIGITS}g}"))
        for guess in candidate.faults
    )


def _one_reading(
    board: Board,
    probing: Probing,
    display: tuple[Array, str],
    outcome: NDArray[np.intp],
    weight: Array,
    target: NDArray[np.intp],
    names: Sequence[frozenset[str]],
) -> NextReading:
    value, unit = display
    joint = joint_shares(outcome, weight, target, len(names))
    expect = []
    for row in np.argsort(-joint.sum(axis=1), kind="stable").tolist():
        here = outcome == row
        share = float(np.sum(weight[here]))
        if share < 0.005:
            continue
        middle = _middle(value[here], weight[here]) if np.isfinite(value[here]).all() else OPEN
        expect.append(Expectation(_about(middle, unit), share, _meaning(joint[row], names)))
    best = joint.max(axis=1)
    settles = float(np.sum(joint.sum(axis=1)[best >= CERTAIN * joint.sum(axis=1)]))
    return NextReading(probing, expected_gain(joint), probing_cost(board, probing), tuple(expect), settles=settles)


def _middle(value: Array, weight: Array) -> float:
    """Return the display below and above which lies half the weight; a mean would be none that any candidate shows."""
    order = np.argsort(value, kind="stable")
    half = np.searchsorted(np.cumsum(weight[order]), 0.5 * np.sum(weight))
    return float(value[order[min(int(half), len(order) - 1)]])


def _about(value: float, unit: str) -> str:
    text = format_reading(None if math.isinf(value) else value, unit)
    return text if math.isinf(value) else f"about {text}"


def _meaning(row: Array, names: Sequence[frozenset[str]]) -> str:
    """Name what an outcome would leave most probable."""
    best = int(np.argmax(row))
    share = row[best] / np.sum(row)
    what = " and ".join(sorted(names[best])) if names[best] else "nothing wrong"
    return f"{what} ({percent(share)})"
