"""What a bench session says: what the readings mean so far, what to read next and why, and how it ends."""

from __future__ import annotations

import re
from collections.abc import Sequence

from bridge.advicepage import HOLDING, LIFTING, probing_words, settled_words
from bridge.advise import NextReading
from bridge.benchexamples import examples_of
from bridge.benchline import WORDS
from bridge.board import Board
from bridge.candidatewords import part_in_package
from bridge.faults import describe_fault
from bridge.layout import Column, Page, Table, can_show
from bridge.meter import MeterProfile
from bridge.partkinds import PART_KINDS
from bridge.penslips import pen_slips
from bridge.probing import Probing, Setup
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.repair import package_words
from bridge.setupwords import believed_error, check_first
from bridge.sketch import SKETCH_SIGNS, ranking_sketch
from bridge.stoprule import asks_again
from bridge.units import percent
from bridge.wording import listed
from bridge.worksheet import expected_words, make_worksheet

__all__ = [
    "good_page",
    "help_page",
    "package_title",
    "part_probings",
    "proposal_page",
    "reading_words",
    "readings_page",
    "standing_page",
]

LISTS_SHOWN = 4
WORTH_SHOWING = 0.01
OUTCOMES_SAID = 3
MEND_THE_BENCH = (
    "If so: stop, put that right, and begin with a new file; readings of both states do not mix. A load left on may "
    "also be told to rank, next and report with --connected: then these readings stand as they are."
)
_TO_OVERLOAD = re.compile(r"\s+to\s+\S+$", re.IGNORECASE)


def reading_words(reading: Reading) -> str:
    """Return a reading as it is said back: ``N to U, diode: 0.41``.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    probing = reading.probing
    words = f"{probing.red} to {probing.black}, {probing.mode_text}"
    words += f", holding {probing.hold_text}" if probing.hold else ""
    words += f", {probing.lift_text} lifted" if probing.lift else ""
    return f"{words}: {_shown(reading)}{' (doubted)' if reading.doubted else ''}"


def _shown(reading: Reading) -> str:
    """Return a reading's text as it is said: ``OL`` however overload was written, a decimal point."""
    if reading.state == "OL":
        return "-OL" if reading.negative else "OL"
    text = reading.text.replace(",", ".")
    return _TO_OVERLOAD.sub(" to OL", text) if reading.to_ol else text


def readings_page(readings: Sequence[Reading]) -> Page:
    """Return the readings so far, numbered as ``doubt`` and ``why`` count them.

    Parameters
    ----------
    readings : sequence of Reading
        The readings that stand.
    """
    if not readings:
        return ["No reading yet."]
    rows = tuple((str(number), *reading_words(one).rsplit(": ", 1)) for number, one in enumerate(readings, 1))
    return [Table("Readings so far", (Column("no.", right=True), Column("where"), Column("reading")), rows)]


def _list_words(packages: frozenset[str]) -> str:
    return " and ".join(sorted(packages)) if packages else "nothing"


def standing_page(ranking: Ranking, columns: int = 0) -> Page:
    """Return what the readings say so far: the odd one out, doubts about the bench, and the replace lists.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    columns : int
        Characters to a line of the terminal, 0 for none; on a wide one the bridge is drawn.
    """
    page: list[str | Table] = [] if ranking.caution is None else [ranking.caution]
    page.extend(pen_slips(ranking))
    if ranking.odd_ones:
        words = ranking.odd_ones[0].words
        page.append(f"Odd one out: {words[0].upper()}{words[1:]}.")
    if not ranking.fit.ok:
        page.append("None of the modelled faults explains these readings.")
    worst = ranking.fit.worst_reading
    if worst is not None:
        again = " Take it again." if asks_again(ranking) else ""
        page.append(f"Fits worst: reading {worst + 1}, {reading_words(ranking.readings[worst])}.{again}")
    believed = believed_error(ranking)
    if believed is not None:
        page.append(f"{check_first(believed)} {MEND_THE_BENCH}")
    page += ranking_sketch(ranking, columns, typed=not can_show(SKETCH_SIGNS))
    rows: list[tuple[str, ...]] = []
    lists = ranking.replace_lists
    for packages, probability in list(lists.items())[:LISTS_SHOWN]:
        if rows and probability < WORTH_SHOWING:
            break
        rows.append((percent(probability), _list_words(packages), _likeliest_fault(ranking, packages)))
    count = len(ranking.readings)
    title = f"After {count} reading{'s' if count != 1 else ''}: what is bad"
    page.append(Table(title, (Column("chance", right=True), Column("replace"), Column("most probably")), tuple(rows)))
    rest = 1.0 - sum(list(lists.values())[: len(rows)])
    if rest >= WORTH_SHOWING:
        page.append(f"{len(lists) - len(rows)} more share {percent(rest)}.")
    settled = settled_words(ranking)
    if settled and ranking.fit.ok and not asks_again(ranking):
        page.append(settled)
    return page


def _likeliest_fault(ranking: Ranking, packages: frozenset[str]) -> str:
    parts = ranking.board.parts
    for candidate in ranking.candidates:
        if {parts[guess.part].package for guess in candidate.faults} == packages:
            words = [
                f"{part_in_package(ranking.board, one.part)} {describe_fault(parts[one.part], one.mode).phrase}"
                for one in candidate.faults
            ]
            return "; ".join(words) or "healthy board"
    return ""


def proposal_page(advice: NextReading, like: Sequence[Probing], good: str = "", again: str = "") -> Page:
    """Return the reading to take, in one sentence why it helps, and what goes with it.

    Parameters
    ----------
    advice : NextReading
        The proposed reading.
    like : sequence of Probing
        Readings taken in one go with it; it alone where there are none.
    good : str
        What a good board shows there, in a sentence; empty where that is not known.
    again : str
        Why a place that was read before is to be read again, in a sentence; empty where it was not.
    """
    probing = advice.probing
    page = [LIFTING.format(pin=probing.lift_text)] if probing.lift else []
    outcomes = [
        f"{one.reading} would leave {one.means.replace('nothing wrong', 'a good board')} likeliest"
        for one in advice.expect[:OUTCOMES_SAID]
    ]
    why = f" It helps: {', '.join(outcomes)}." if outcomes else ""
    if len(outcomes) == 1:
        only = advice.expect[0]
        why = f" It helps: {only.reading} would confirm {only.means}, anything else would point elsewhere."
    page.append(f"Next: {probing_words(probing)}.{again and f' {again}'}{why}{good and f' {good}'}")
    if probing.hold:
        page.append(HOLDING)
    if len(like) > 1:
        places = ", ".join(f"{one.red}-{one.black}" for one in like)
        page.append(f"Or {len(like)} readings in one line, red-black: {places}.")
    return page


def good_page(board: Board, meter: MeterProfile, setup: Setup, probings: Sequence[Probing]) -> Page:
    """Return what a good board reads at some places.

    Parameters
    ----------
    board, meter, setup
        The bench.
    probings : sequence of Probing
        Placements of the leads.
    """
    sheet = make_worksheet(board, meter, setup, probings, expected=True)
    rows = tuple(
        (probing_words(probing), expected_words(shown))
        for probing, shown in zip(sheet.probings, sheet.expected, strict=True)
    )
    return [Table("A good board", (Column("where"), Column("reads")), rows)]


def help_page(board: Board) -> Page:
    """Return what to type where readings are asked for.

    Parameters
    ----------
    board : Board
        The board, for examples.
    """
    examples = examples_of(board)
    named = {"fault": examples.fault, "part": examples.part, "places": examples.places}
    rows = tuple((word, what.format_map(named)) for word, what in WORDS.items())
    return [
        f"A reading: 0.41, OL, 4k7, 0.41 climbing. With its place, red first: {listed(examples.rows)}. Where like "
        "places are offered, their values in one line: 0.41 0.42 OL. Enter shows the proposal again.",
        Table("Words", (Column("word"), Column("what it does")), rows),
    ]


def part_probings(board: Board, ref: str) -> tuple[Probing, ...]:
    """Return where a part is read: across its pins, at terminals where there are any.

    Parameters
    ----------
    board : Board
        The board.
    ref : str
        A part, or a package: then all its parts.
    """
    on = board.easiest_on
    found: dict[Probing, None] = {}
    for part in board.parts.values():
        if ref not in (part.ref, part.package):
            continue
        pins = list(part.pins)
        pairs = [(pins[0], pins[1])] if len(pins) == 2 else [(pins[0], pins[1]), (pins[2], pins[1])]
        for one, other in pairs:
            red, black = (on.get(part.pins[pin], f"{part.ref}.{pin}") for pin in (one, other))
            if red == black:
                continue
            mode = PART_KINDS[part.kind].mode_between(one, other)
            found[Probing(red, black, mode)] = None
            if mode == "diode":
                found[Probing(black, red, mode)] = None
    return tuple(found)


def package_title(board: Board, packages: frozenset[str]) -> str:
    """Return packages with what they do: ``Q_UL (low-side switch of leg U)``.

    Parameters
    ----------
    board : Board
        The board.
    packages : frozenset of str
        Names of packages.
    """
    return " and ".join(f"{name} ({package_words(board, name)})" for name in sorted(packages))
