"""The next reading, laid out for people."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.advise import CERTAIN, NextReading, Reach
from bridge.board import Board
from bridge.charge import EMPTY_V, highest_charge
from bridge.crowd import forecast_crowd
from bridge.groups import suspect_packages
from bridge.groupwords import packages_in_words
from bridge.layout import Column, Page, Table
from bridge.meterprofile import MeterProfile
from bridge.penslips import pen_slips
from bridge.probing import Probing, Setup
from bridge.ranking import Ranking
from bridge.stoprule import asks_again, same_place
from bridge.units import percent

__all__ = [
    "advice_page",
    "csv_row",
    "end_words",
    "expectation_table",
    "good_words",
    "help_words",
    "probing_words",
    "settled_words",
    "trouble_words",
]

MUCH_BITS, SOME_BITS = 0.5, 0.1
HEADER = "red,black,mode,reading,hold,lift"
LIFTING = (
    "Nothing in place tells more. Lifting one pin does: of all pins of suspect parts, {pin} tells most for its trouble."
)

CAUTION = "Bus discharged through a resistor and measured to be empty before every change of leads or lifted pin."
NOTHING = (
    "No further reading, in place or with a pin of a suspect part lifted, would tell more about what to replace. "
    "Replace what rank names, and test what comes out."
)
HOLDING = (
    "A held gate is driven by a floating source of that voltage through 1 kohm: plus to the gate, minus to the emitter."
    " Afterwards take it off and tie that gate to its emitter before a lead moves: a charged gate keeps its switch on."
)


def probing_words(probing: Probing) -> str:
    """Return a placement of the leads as one says it."""
    words = f"red on {probing.red}, black on {probing.black}, {probing.mode_text}"
    if probing.hold:
        words += f", holding {probing.hold_text}"
    if probing.lift:
        words += f", with {probing.lift_text} lifted"
    return words


def end_words(board: Board, probing: Probing) -> str:
    """Return which ends of parts the leads go on, where a place has no name of its own; empty where both have.

    Parameters
    ----------
    board : Board
        The board.
    probing : Probing
        Where the leads go.
    """
    said = []
    for place in (probing.red, probing.black):
        ref, _, pin = place.partition(".")
        part = board.parts.get(ref)
        if part is None or len(part.pins) != 2 or pin not in part.pins:
            continue
        (other,) = (net for name, net in part.pins.items() if name != pin)
        named = next((terminal.name for terminal in board.terminals.values() if terminal.net == other), None)
        if named is not None:
            said.append(f"{place} is the end of {ref} away from {named}.")
    return " ".join(said)


def help_words(bits: float) -> str:
    """Return how far a reading is expected to help: ``much`` from half a yes or no on.

    Parameters
    ----------
    bits : float
        Information it is expected to give about what to replace [bit].

    Examples
    --------
    >>> [help_words(bits) for bits in (0.8, 0.2, 0.03)]
    ['much', 'some', 'little']
    """
    return "much" if bits >= MUCH_BITS else "some" if bits >= SOME_BITS else "little"


def trouble_words(probing: Probing, cost: float) -> str:
    """Return what a reading takes, in a technician's words.

    Parameters
    ----------
    probing : Probing
        Where the leads go.
    cost : float
        Its effort, 1 for two main terminals.
    """
    if probing.lift:
        return f"{' and '.join(probing.lift)} unsoldered"
    if probing.hold:
        return "gate held on"
    return "terminals" if cost <= 1.0 else "pad or pin"


def csv_row(probing: Probing) -> str:
    """Return a placement as a row of a comma-separated sheet, its reading still empty.

    Parameters
    ----------
    probing : Probing
        Where the leads go.
    """
    cells = (probing.red, probing.black, probing.mode_text, "", probing.hold_text, probing.lift_text)
    return ",".join(cells).rstrip(",") + ("" if probing.hold or probing.lift else ",")


def expectation_table(advice: NextReading) -> Table:
    """Return what a proposed reading may show, and what each outcome would tell.

    Parameters
    ----------
    advice : NextReading
        The proposed reading.
    """
    rows = tuple((one.reading, percent(one.probability), one.means) for one in advice.expect)
    columns = (Column("reading", right=True), Column("chance", right=True), Column("most suspect then"))
    return Table("What it may show", columns, rows)


def good_words(board: Board, meter: MeterProfile, setup: Setup, advice: NextReading) -> str:
    """Return what a good board shows at a proposed reading, and whether its display moves; empty where unknown.

    Parameters
    ----------
    board, meter, setup
        The bench.
    advice : NextReading
        The proposed reading.
    """
    ((shown,),) = forecast_crowd(board, meter, setup, [advice.probing], [()])
    state = shown.state
    moving = state if state in ("climbing", "falling") else ""
    if advice.good:
        return f"A good board reads {advice.good} there{moving and f', {moving}'}."
    return f"A good board's display is {moving} there." if moving else ""


def settled_words(ranking: Ranking) -> str:
    """Return what is known to be bad whatever else is; empty while nothing is, or nothing else is open.

    A part may be bad for certain while no one list of parts to replace is: this tells the two apart.

    Parameters
    ----------
    ranking : Ranking
        What is known so far.
    """
    lists = ranking.replace_lists
    sure = {package: share for package, share in suspect_packages(lists).items() if share >= CERTAIN}
    leader, probability = next(iter(lists.items()), (frozenset(), 1.0))
    if not sure or set(sure) != set(leader) or probability >= CERTAIN:
        return ""
    return (
        f"{packages_in_words(tuple(sorted(sure)))}: bad either way ({percent(min(sure.values()))}). What is open is "
        f"whether anything else is; that nothing is, has {percent(probability)} so far."
    )


def _again_words(ranking: Ranking) -> str:
    """Return which reading to take again before any other; empty where none is."""
    worst = ranking.fit.worst_reading
    if worst is None or not asks_again(ranking):
        return ""
    reading = ranking.readings[worst]
    here = [one.text for one in ranking.readings if same_place(one, reading)]
    shown = f"it showed {here[0]}" if len(here) == 1 else f"it showed {here[0]}, then {here[1]}"
    return f"Take again first: {probing_words(reading.probing)}. As taken ({shown}) it does not fit the rest."


def advice_page(ranking: Ranking, advice: Sequence[NextReading], beyond: Reach | None = None) -> Page:
    """Return the readings worth taking, the best one in words first.

    Parameters
    ----------
    ranking : Ranking
        What is known so far.
    advice : sequence of NextReading
        Readings worth taking, best first.
    beyond : Reach, optional
        What they are beyond, as nothing within it would tell more.
    """
    warning = ranking.caution
    if warning is not None and highest_charge(ranking.readings, ranking.given_setup) > EMPTY_V:
        return [warning, "No reading is proposed until the board is discharged and its voltage measured again."]
    page: list[str | Table] = [CAUTION] if warning is None else [warning, CAUTION]
    page.extend(pen_slips(ranking))
    again = _again_words(ranking)
    if again:
        page.append(again)
    if not advice:
        return page if again else [*page, NOTHING]
    best = advice[0]
    if beyond is not None:
        page.append(f"Within the reach of this session ({beyond.effort}) none would tell more.")
    if best.probing.lift:
        page.append(LIFTING.format(pin=best.probing.lift_text))
    settled = settled_words(ranking)
    if settled and not again:
        page.append(settled)
    page.append(
        " ".join(filter(None, (f"Next: {probing_words(best.probing)}.", end_words(ranking.board, best.probing))))
    )
    page.append(expectation_table(best))
    good = good_words(ranking.board, ranking.meter, ranking.given_setup, best)
    if good:
        page.append(good)
    rows = tuple(
        (
            reading.probing.red,
            reading.probing.black,
            reading.probing.mode_text,
            reading.probing.hold_text,
            reading.probing.lift_text,
            help_words(reading.gain_bits),
            trouble_words(reading.probing, reading.cost),
        )
        for reading in advice
    )
    columns = (
        Column("red"),
        Column("black"),
        Column("mode"),
        Column("hold"),
        Column("lift"),
        Column("helps"),
        Column("takes"),
    )
    page.append(Table("Readings worth taking, most for the effort first", columns, rows).without_empty_columns())
    page.append(f"Its row for a sheet headed {HEADER}:")
    page.append(csv_row(best.probing))
    if any(reading.probing.hold for reading in advice):
        page.append(HOLDING)
    return page
