"""What readings say, for people: the verdict first, then the evidence for it."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.advise import CERTAIN
from bridge.board import Board
from bridge.candidatewords import part_in_package
from bridge.cautions import BUS_UNSTATED, CAUTION_AFTER, cautions_before
from bridge.charge import what_was_connected
from bridge.faults import describe_fault
from bridge.groups import suspect_packages
from bridge.groupwords import group_words, packages_in_words
from bridge.layout import Column, Page, Table, can_show
from bridge.penslips import pen_slips
from bridge.ranking import Candidate, FaultGuess, Group, Ranking
from bridge.readings import Reading
from bridge.setupwords import other_doubts
from bridge.sketch import SKETCH_SIGNS, ranking_sketch
from bridge.stoprule import asks_again
from bridge.units import format_display, format_ohms, percent
from bridge.verdictwords import verdict_sentences
from bridge.wording import joined

__all__ = ["NEXT_STEP", "ranking_page"]

WORTH_A_ROW = 0.01  # rows below it are counted, not listed, unless asked for
WORTH_A_GROUP = 0.01
WORTH_WORDS = 0.05
GROUPS_LISTED = 8
ALIKE_LISTED = 3
ODD_ONES_TOLD = 3
SPOKEN_AGAINST = 0.05  # probability left for a part at which something was seen

NEXT_STEP = "`bridgefault next`, with the same board and readings, names the reading that would tell most."


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
    page.extend(other_doubts(ranking))
    if closing is not None:
        return [*page, *closing]
    page.append(NEXT_STEP)
    *bare, before = cautions_before(ranking.board, ranking.given_setup)
    return [*page, *bare, f"{before} {CAUTION_AFTER}"]


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


def _guess_words(board: Board, guess: FaultGuess) -> str:
    phrase = describe_fault(board.parts[guess.part], guess.mode).phrase
    # two digits: the readings seldom tell more about a fault's resistance
    return phrase if guess.ohms is None else f"{phrase}, about {format_ohms(float(f'{guess.ohms:.2g}'))}"


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
        said += f", row 1 would read {format_display(expected.value, expected.unit)}"
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
