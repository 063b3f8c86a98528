"""Answers for people: what is said about boards, predictions and rankings, in the words of the trade."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from bridge.advise import CERTAIN
from bridge.bare import bare_gate_caution
from bridge.charge import what_was_connected
from bridge.faults import describe_fault, median_ohms
from bridge.groupwords import bad_words, group_words, packages_in_words, suspect_words
from bridge.health import unlike_a_good_board
from bridge.layout import Column, Page, Table, can_show
from bridge.penslips import pen_slips
from bridge.repair import suspect_packages
from bridge.sketch import SKETCH_SIGNS, ranking_sketch
from bridge.stoprule import asks_again
from bridge.units import format_compact, format_ohms, format_volts, percent
from bridge.wording import joined

if TYPE_CHECKING:
    from bridge.board import Board, Part
    from bridge.faults import Fault
    from bridge.forecast import Forecast
    from bridge.meter import MeterProfile
    from bridge.probing import Probing, Setup
    from bridge.rank import Candidate, FaultGuess, Group, Ranking, SetupBelief
    from bridge.readings import Reading

__all__ = [
    "SETUP_WORDS",
    "boards_page",
    "forecasts_page",
    "part_in_package",
    "ranking_page",
    "show_page",
    "verdict_sentences",
]

WORTH_A_ROW = 0.01  # rows below it are counted, not listed, unless asked for
DECIDED = 0.5  # a package more likely bad than good is to be replaced
WORTH_A_CHECK = 0.2  # probability from which another state of the bench is worth a look
WORTH_A_GROUP = 0.01
WORTH_WORDS = 0.05
WORTH_NAMING = 0.02
OTHERS_NAMED = 3
GROUPS_LISTED = 8
ALIKE_LISTED = 3
ODD_ONES_TOLD = 3
SPOKEN_AGAINST = 0.05  # probability left for a part at which something was seen
WORTH_COUNTING = 0.01  # readings no odder than this are odd by what they say, not by how far they are off

# How a part's values read on a drawing; ideality and series resistance mean nothing to a meter's owner.
VALUE_WORDS = {
    "ohms": "{}\N{GREEK CAPITAL LETTER OMEGA}",
    "farads": "{}F",
    "henries": "{}H",
    "drop_1ma": "{}V at 1 mA",
    "gate_threshold": "threshold {}V",
    "on_drop_1ma": "on {}V at 1 mA",
    "on_ohms": "on {}\N{GREEK CAPITAL LETTER OMEGA}",
    "off_ohms": "off {}\N{GREEK CAPITAL LETTER OMEGA}",
}

SETUP_WORDS = {
    "as-stated": "the bench is as stated",
    "leads-swapped": "the leads were swapped",
    "motor-connected": "the motor was still connected",
    "coil-connected": "the coil was still connected",
    "transformer-connected": "the transformer was still connected",
    "brake-resistor-connected": "the brake resistor was still connected",
    "bus-charged": "charge was left on the bus",
    "relay-closed": "the relay was closed",
    "gate-charged": "a gate still held charge",
    "other-meter": "another kind of meter was used",
    "wrong-board": "this is another kind of board",
}

NEXT_STEP = "`bridgefault next`, with the same board and readings, names the reading that would tell most."
CAUTION_BEFORE = (
    "Before a lead touches the board: mains off, bus discharged through a resistor, and measured to be empty."
)
BUS_UNSTATED = (
    "Taken as given: mains off, and the bus measured and empty. Nobody has said so; if it was not measured, do that "
    "before the next lead touches the board."
)
CAUTION_AFTER = (
    "Before power returns: read the gate resistor and driver of every switch that is replaced, "
    "then bring power up in stages."
)


def _shown(value: float | None, unit: str) -> str:
    if value is None:
        return "OL"
    return format_volts(value) if unit == "V" else format_ohms(value)


def boards_page(boards: Sequence[Board], meters: Sequence[MeterProfile]) -> Page:
    """Return the shipped boards and meters.

    Parameters
    ----------
    boards : sequence of Board
        The boards.
    meters : sequence of MeterProfile
        The meters.
    """
    return [
        Table(
            "Boards",
            (Column("board"), Column("what it is"), Column("parts", right=True), Column("terminals", right=True)),
            tuple((board.name, board.title, str(len(board.parts)), str(len(board.terminals))) for board in boards),
        ),
        Table(
            "Meters",
            (Column("meter"), Column("what it is")),
            tuple((meter.name, meter.title) for meter in meters),
        ),
    ]


def _values(part: Part) -> str:
    shown = (
        words.format(_with_prefix(part.values[name]))
        for name, words in VALUE_WORDS.items()
        if name in part.values and not (name == "henries" and part.values[name] == 0.0)
    )
    return ", ".join(shown)


def _with_prefix(value: float) -> str:
    """Return a value up to its unit: ``4.7 k``; volts and ohms below one stay 0.42, not 420 m."""
    if 0.01 <= abs(value) < 1.0:
        return f"{value:g} "
    text = format_compact(value).replace("u", "\N{MICRO SIGN}")
    return f"{text[:-1]} {text[-1]}" if text[-1].isalpha() or text[-1] == "\N{MICRO SIGN}" else f"{text} "


def show_page(
    board: Board,
    meter: MeterProfile,
    oddities: Sequence[str],
    present: Collection[str],
    *,
    setup: Setup | None = None,
    with_faults: bool = False,
) -> Page:
    """Return what a board consists of and where a lead can touch it.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter it would be read with.
    oddities : sequence of str
        What looks like a slip in the board file.
    present : collection of str
        Parts that are there in this set-up.
    setup : Setup, optional
        The set-up, for what to mind in it.
    with_faults : bool
        Whether every fault mode is listed too, in words.
    """
    page: list[str | Table] = [f"{board.name}: {board.title}"]
    if board.about:
        page.append(" ".join(board.about.split()))
    page.append(
        Table(
            "Terminals",
            (Column("terminal"), Column("net"), Column("reach"), Column("what it is")),
            tuple(
                (terminal.name, terminal.net, terminal.access, terminal.what) for terminal in board.terminals.values()
            ),
        )
    )
    parts = Table(
        "Parts",
        (
            Column("part"),
            Column("kind"),
            Column("value"),
            Column("pins"),
            Column("package"),
            Column("what it does"),
            Column("note"),
        ),
        tuple(
            (
                part.ref,
                part.kind,
                _values(part),
                " ".join(f"{pin}={net}" for pin, net in part.pins.items()),
                part.package if part.package != part.ref else "",
                part.role,
                "" if part.ref in present else _absence(part),
            )
            for part in board.parts.values()
        ),
    )
    page.append(parts.without_empty_columns())
    if with_faults:
        page.append(_fault_table(board))
    page.append(f"Meter: {meter.name}, {meter.title}.")
    if oddities:
        page.append("Odd about this board file: " + "; ".join(oddities) + ".")
    return [*page, *_cautions(board, setup)]


def _cautions(board: Board, setup: Setup | None) -> list[str]:
    """Return what to mind before a lead touches the board, a line each."""
    bare = None if setup is None else bare_gate_caution(board, setup)
    return [CAUTION_BEFORE] if bare is None else [bare, CAUTION_BEFORE]


def _fault_table(board: Board) -> Table:
    rows = []
    for part in board.parts.values():
        for mode in part.modes:
            wording = describe_fault(part, mode)
            rows.append((f"{part.ref}:{mode}", wording.phrase, wording.what))
    columns = (Column("fault"), Column("in short"), Column("what it is and how it comes about"))
    return Table("Faults", columns, tuple(rows))


def _absence(part: Part) -> str:
    return f"only with --connected {part.when}" if part.when is not None else "unplugged with the gate board"


_PROBING_COLUMNS = (Column("red"), Column("black"), Column("mode"), Column("hold"), Column("lift"))


def _probing_cells(probing: Probing) -> tuple[str, ...]:
    return (probing.red, probing.black, probing.mode_text, probing.hold_text, probing.lift_text)


def forecasts_page(
    board: Board,
    meter: MeterProfile,
    dwell_s: float,
    forecasts: Sequence[Forecast],
    faults: Sequence[tuple[Fault, float | None]] = (),
    healthy: Sequence[Forecast] | None = None,
    *,
    setup: Setup | None = None,
) -> Page:
    """Return predicted readings.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter.
    dwell_s : float
        How long the leads rest before the display is read [s].
    forecasts : sequence of Forecast
        The predictions.
    faults : sequence of (Fault, float or None)
        The faults with their resistance [ohm], None for the table's median; no faults for a healthy board.
    healthy : sequence of Forecast, optional
        What a healthy board would read at the same places.
    setup : Setup, optional
        The set-up, for what to mind in it.
    """
    words = [f"{fault.part} {_fault_words(board, fault.part, fault.mode, ohms)}" for fault, ohms in faults]
    state = f"with {joined(words, 'and')}" if words else "healthy"
    columns = [*_PROBING_COLUMNS, Column("reads", right=True), Column("display"), Column("at first", right=True)]
    columns += [Column("in the end", right=True), Column("a healthy board", right=True), Column("remark")]
    rows = []
    for index, forecast in enumerate(forecasts):
        sound = forecast.state is not None
        rows.append(
            (
                *_probing_cells(forecast.probing),
                _shown(forecast.value, forecast.unit) if sound else "?",
                forecast.state or "unknown",
                _shown(forecast.start, forecast.unit) if sound else "?",
                _shown(forecast.end, forecast.unit) if sound else "?",
                _shown(healthy[index].value, healthy[index].unit) if healthy else "",
                forecast.error or "",
            )
        )
    return [
        *_cautions(board, setup),
        f"{board.name}, {state}, read with the {meter.name} meter {dwell_s:g} s after the leads touch.",
        Table("Readings to expect", tuple(columns), tuple(rows)).without_empty_columns(),
    ]


def ranking_page(
    ranking: Ranking,
    top: int,
    *,
    every_row: bool = False,
    columns: int = 0,
    closing: Sequence[str] | None = None,
    bus_stated: bool = True,
) -> Page:
    """Return what the readings say: the verdict first, then the evidence for it.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    top : int
        How many candidates to list; 0 for all.
    every_row : bool
        Whether rows of hardly any probability are listed too.
    columns : int
        Characters to a line of the terminal, 0 for none; on a wide one the bridge is drawn.
    closing : sequence of str, optional
        Paragraphs at the end, in place of where to go from readings with the power off.
    bus_stated : bool
        Whether somebody said what charge the bus held; else that it was taken as empty comes before all else.
    """
    listed = ranking.candidates[: top or None]
    if not every_row:
        listed = tuple(entry for entry in listed if entry.probability >= WORTH_A_ROW) or listed[:1]
    page: list[str | Table] = [] if ranking.caution is None else [ranking.caution]
    if not bus_stated and ranking.caution is None:
        page.append(BUS_UNSTATED)
    verdict = verdict_sentences(ranking)
    page.extend(pen_slips(ranking))
    if not ranking.fit.ok:
        page.append(verdict.pop(0))  # where nothing explains the readings, that comes before all else
    page.extend(_odd_one_out(ranking))
    page.append(" ".join(verdict))
    page.extend(_joined_legs(ranking))
    page += ranking_sketch(ranking, columns, typed=not can_show(SKETCH_SIGNS))
    if ranking.seen:
        page.append(
            " ".join([f"Counted in before any reading: {', '.join(ranking.seen)}.", *_seen_but_cleared(ranking)])
        )
    page.append(_candidate_table(ranking, listed))
    left_out = len(ranking.candidates) - len(listed)
    if left_out:
        rest = sum(entry.probability for entry in ranking.candidates[len(listed) :])
        page.append(f"{left_out} more possibilities share {percent(rest)}; --top 0 lists them all.")
    page.append(_group_table(ranking))
    page += [f"{group_words(ranking, group)}." for group in ranking.groups if group.probability >= WORTH_WORDS]
    page.append(_worst_reading(ranking))
    page.extend(_bench_doubts(ranking))
    if closing is not None:
        return [*page, *closing]
    page.append(NEXT_STEP)
    *bare, before = _cautions(ranking.board, ranking.given_setup)
    return [*page, *bare, f"{before} {CAUTION_AFTER}"]


def _fault_words(board: Board, part: str, mode: str, ohms: float | None) -> str:
    phrase = describe_fault(board.parts[part], mode).phrase
    usual = median_ohms(board.parts[part], mode) if ohms is None else ohms
    return phrase if usual is None else f"{phrase} of {format_ohms(usual)}"


def part_in_package(board: Board, part: str) -> str:
    """Return a part as it is named in tables, with the package it is in where that has another name.

    Parameters
    ----------
    board : Board
        The board.
    part : str
        The part.
    """
    package = board.parts[part].package
    return part if package == part else f"{part} (in {package})"


def _guess_words(board: Board, guess: FaultGuess) -> str:
    phrase = describe_fault(board.parts[guess.part], guess.mode).phrase
    # two digits: the readings seldom tell more about a fault's resistance
    return phrase if guess.ohms is None else f"{phrase}, about {format_ohms(float(f'{guess.ohms:.2g}'))}"


def verdict_sentences(ranking: Ranking) -> list[str]:
    """Return what to replace and how sure that is, in a few sentences.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    """
    believed = _believed_error(ranking)
    sentences = []
    if not ranking.fit.ok:
        again = "the readings" if ranking.fit.worst_reading is None else "the reading named below"
        sentences.append(
            f"None of the modelled faults explains these readings ({_misfit_words(ranking.fit.misfit)}): check the "
            f"set-up and the board file, and take {again} again."
        )
    elif believed is not None:
        words = SETUP_WORDS.get(believed.what, believed.what)
        sentences.append(
            f"Check the bench before condemning a part: it looks as if {words} ({percent(believed.probability)})."
        )
    shares = suspect_packages(ranking.replace_lists)
    healthy = sum(entry.probability for entry in ranking.candidates if not entry.faults)
    bad = [package for package in shares if shares[package] >= DECIDED]
    rest = [package for package in shares if package not in bad and shares[package] >= WORTH_NAMING][:OTHERS_NAMED]
    others = [suspect_words(ranking.board, package, shares[package]) for package in rest]
    if bad:
        alone = sum(entry.probability for entry in ranking.candidates if entry.packages(ranking.board) <= set(bad))
        sentences += bad_words(ranking, {package: shares[package] for package in bad}, doubted=bool(sentences))
        if alone >= DECIDED:
            sentences.append(f"Nothing else need be bad ({percent(alone)}).")
            sentences += [f"Not ruled out besides: {joined(others, 'and')}."] if others else []
        else:
            sure = "Something" if 1.0 - alone >= CERTAIN else "Most likely something"
            sentences.append(f"{sure} else is bad, too ({percent(1.0 - alone)}).")
            sentences += [f"It may be {joined(others, 'or')}."] if others else []
    elif healthy >= DECIDED and not ranking.fit.ok:
        sentences.append(
            f"They condemn no part: of what is modelled a healthy board comes nearest ({percent(healthy)})."
        )
    elif (healthy >= DECIDED or (not sentences and _looks_healthy(ranking))) and (odd := unlike_a_good_board(ranking)):
        places = joined([f"{one.probing.red} to {one.probing.black}" for one in odd[:OTHERS_NAMED]])
        sentences.append(
            f"Not decided yet: a healthy board is at {percent(healthy)}, but it does not read so at {places}. A bad "
            "contact may; take that again with clean tips."
        )
        sentences += [f"It may be {joined(others, 'or')}."] if others else []
    elif healthy >= DECIDED:
        sentences.append(f"These readings are what a healthy board gives ({percent(healthy)}); they condemn nothing.")
    elif not sentences and _looks_healthy(ranking):
        sentences.append(
            "Nothing is shown to be wrong: a good board gives these readings too. What they do not show is not decided "
            f"yet; a healthy board is at {percent(healthy)}."
        )
        sentences += [f"Still possible: {joined(others, 'or')}."] if others else []
    else:
        sentences.append(f"Not decided yet, more readings are needed: a healthy board is at {percent(healthy)}.")
        sentences += [f"It may be {joined(others, 'or')}."] if others else []
    return sentences


def _believed_error(ranking: Ranking) -> SetupBelief | None:
    """Return the error of the bench that is more likely than not, and told before any part; None for none."""
    believed = max(ranking.setup, key=lambda belief: belief.probability, default=None)
    errs = believed is not None and believed.what != "as-stated" and believed.probability >= DECIDED
    return believed if errs and ranking.fit.ok else None


def _looks_healthy(ranking: Ranking) -> bool:
    """Return whether the likeliest set of explanations that look alike holds the healthy board."""
    healthy = next((entry for entry in ranking.candidates if not entry.faults), None)
    likeliest = max(range(len(ranking.groups)), key=lambda number: ranking.groups[number].probability, default=None)
    return bool(ranking.readings) and healthy is not None and healthy.group == likeliest


def _misfit_words(misfit: float) -> str:
    """Return how odd the readings are under the best hypothesis."""
    if misfit > WORTH_COUNTING:
        return "the best of them rules out more than one reading"
    return f"under the best of them, readings as odd come once in {1.0 / max(misfit, 1e-12):.0e}"


def _odd_one_out(ranking: Ranking) -> list[str]:
    """Return what differs among like places, the place that most such readings share first."""
    odd = ranking.odd_ones
    if not odd:
        return []
    counts: dict[str, int] = {}
    for one in odd:
        for place in one.places:
            counts[place] = counts.get(place, 0) + 1
    most = max(counts.values(), default=0)
    named = [place for place, count in counts.items() if count == most and 2 * count > len(odd)]
    told = sorted(odd, key=lambda one: not any(place in named for place in one.places))[:ODD_ONES_TOLD]
    sentences = [f"Odd one out: {joined(named, 'and')}." if named else "Odd ones out."]
    sentences += [f"{one.words[0].upper()}{one.words[1:]}." for one in told]
    left = len(odd) - len(told)
    sentences += [f"So {'does' if left == 1 else 'do'} {left} more."] if left else []
    return [" ".join(sentences)]


def _seen_but_cleared(ranking: Ranking) -> list[str]:
    """Return what was seen at parts that the readings all but clear: the eye or a reading is wrong there."""
    suspects = suspect_packages(ranking.replace_lists)
    found = []
    for told in ranking.seen:
        part = ranking.board.parts.get(told.partition(" ")[0])
        if part is None:
            continue
        chance = suspects.get(part.package, 0.0)
        if chance < SPOKEN_AGAINST:
            found.append(f"The readings speak against {told}: {percent(chance)} is left for {part.package} to be bad.")
    return found


def _candidate_table(ranking: Ranking, listed: Sequence[Candidate]) -> Table:
    rows = []
    for index, candidate in enumerate(listed):
        rows.append(
            (
                str(index + 1),
                percent(candidate.probability),
                joined([part_in_package(ranking.board, guess.part) for guess in candidate.faults], "and")
                if candidate.faults
                else "none",
                "; ".join(_guess_words(ranking.board, guess) for guess in candidate.faults) or "healthy board",
                _alike(ranking.groups[candidate.group], index, len(listed)),
            )
        )
    columns = (
        Column("row", right=True),
        Column("probability", right=True),
        Column("part"),
        Column("what is wrong"),
        Column("would look the same"),
    )
    return Table("What explains the readings", columns, tuple(rows))


def _alike(group: Group, index: int, listed: int) -> str:
    """Return the other rows of a group, a few by number and the rest by count."""
    if group.rest:
        return "not looked into"
    rows = [str(member + 1) for member in group.members if member != index and member < listed][:ALIKE_LISTED]
    more = group.size - 1 - len(rows)
    words = [f"row{'s' if len(rows) > 1 else ''} {', '.join(rows)}"] if rows else []
    words += [f"{more} more" if rows else f"{more} not listed"] if more else []
    return " and ".join(words) or "nothing else"


def _group_table(ranking: Ranking) -> Table:
    alike = [group for group in ranking.groups if not group.rest]
    worth = [group for group in alike if group.probability >= WORTH_A_GROUP] or alike[:1]
    rows = tuple(
        (
            _letter(number),
            percent(group.probability),
            str(group.size),
            packages_in_words(group.replace),
            "one fault" if group.size == 1 else "yes" if ranking.separable_in_place(group) else "not all of them",
        )
        for number, group in enumerate(worth[:GROUPS_LISTED])
    )
    columns = (
        Column("set"),
        Column("probability", right=True),
        Column("faults", right=True),
        Column("parts to test or replace (enough in 98 % of it)"),
        Column("told apart by a further reading in place"),
    )
    return Table("Faults that look alike in these readings, a set to each row", columns, rows)


def _letter(number: int) -> str:
    return chr(ord("A") + number)


def _place(reading: Reading) -> str:
    probing = reading.probing
    words = [f"line {reading.line}"] if reading.line else []
    words += [f"red {probing.red} black {probing.black} in {probing.mode_text} mode"]
    words += [f"holding {probing.hold_text}"] if probing.hold else []
    words += [f"lifting {probing.lift_text}"] if probing.lift else []
    return ", ".join(words)


def _worst_reading(ranking: Ranking) -> str:
    index = ranking.fit.worst_reading
    if index is None:
        return "No reading stands out against row 1." if ranking.fit.ok else "No single reading is to blame for that."
    reading = ranking.readings[index]
    expected = ranking.predictions(0)[index]
    said = f"it says {reading.text}"
    if expected.state is not None:
        said += f", row 1 would read {_shown(expected.value, expected.unit)}"
    again = " Take it again." if asks_again(ranking) else ""
    return f"Fits worst: {_place(reading)}; {said}.{again}"


def _joined_legs(ranking: Ranking) -> list[str]:
    """Return what to do about a load whose windings join terminals, where the verdict is open and one is connected."""
    connected = what_was_connected(ranking.readings, ranking.given_setup)
    windings = {part.when for part in ranking.board.parts.values() if part.kind == "coil"}
    loads = sorted(name for name in windings if name in connected)
    first = ranking.groups[0]
    if not loads or (len(first.replace) <= 1 and first.probability >= CERTAIN):
        return []
    named = " and ".join(f"the {name}" for name in loads)
    was, it = ("was", "it") if len(loads) == 1 else ("were", "them")
    said = f"{named} {was} connected: terminals joined by {it} read alike. Disconnect {it} and read again."
    return [said[0].upper() + said[1:]]


def _bench_doubts(ranking: Ranking) -> list[str]:
    said = _believed_error(ranking)  # heads the page already
    doubts = [
        f"{SETUP_WORDS.get(belief.what, belief.what)} ({percent(belief.probability)})"
        for belief in ranking.setup
        if belief.what != "as-stated" and belief is not said and belief.probability >= WORTH_A_CHECK
    ]
    return [f"Check the bench too: it may be that {joined(doubts, 'or')}."] if doubts else []
