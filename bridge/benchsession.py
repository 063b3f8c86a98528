"""A bench session as a state machine: text in, lines and journal entries out. It reads and writes nothing itself."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.advise import CERTAIN, ENOUGH_BITS, NextReading, Reach, before_any_reading, suggest_readings
from bridge.benchcheck import doubtful_number, repeated_words
from bridge.benchline import WORDS, Order, Row, Typed, Values, parse_line, usual_mode
from bridge.benchpage import (
    good_page,
    package_title,
    part_probings,
    proposal_page,
    reading_words,
    readings_page,
    standing_page,
)
from bridge.benchsetup import Briefing, Charged, SetupTalk, refuse_charge
from bridge.board import Board
from bridge.errors import InputError
from bridge.faults import Fault, parse_fault
from bridge.journal import doubt_line, head_line, reading_line, setup_line, skip_line, undo_line
from bridge.layout import Column, Page, Table
from bridge.likeplaces import like_readings
from bridge.meterprofile import MeterProfile
from bridge.narrow import narrow_lines
from bridge.placement import parse_probing
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading, parse_reading
from bridge.render import percent
from bridge.repair import repair_list, replace_lists
from bridge.repairpage import repair_page
from bridge.stoprule import LITTLE, LITTLE_TIMES, SURE, Standing, StopRule, asks_again
from bridge.table import TableMemory
from bridge.why import why_sentence
from bridge.wording import quoted

__all__ = ["CERTAIN", "Answer", "BenchSession"]

PROMPT = "reading? "
HELP_BEFORE = (
    "First come a few questions: type what is asked for, press Enter where the usual answer is meant, or stop to end. "
    "Once readings are asked for, help lists the words for those."
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a session answers to a line.

    Parameters
    ----------
    lines : tuple of str
        To be shown, no wider than 78 columns.
    record : str
        Journal lines to be on disk before anything is shown.
    prompt : str
        What asks for the next line.
    more : bool
        Whether `BenchSession.consider` has more to say before the next line is read.
    done : bool
        Whether the session is over.
    refused : str
        Why it ends without an answer; empty otherwise.
    """

    lines: tuple[str, ...] = ()
    record: str = ""
    prompt: str = PROMPT
    more: bool = False
    done: bool = False
    refused: str = ""


def _refused(charge: Charged) -> Answer:
    return Answer(tuple(narrow_lines([f"DANGER: {charge}"])), done=True, refused=str(charge))


class BenchSession:
    """One session on one board.

    Parameters
    ----------
    board : Board
        The board.
    known : Briefing
        What need not be asked.
    readings : sequence of Reading
        Readings of a session that is taken up again.
    resumed : bool
        Whether the journal has its head already.
    certain : float
        Probability at which one replace list is enough to stop [1].
    columns : int
        Characters to a line of the terminal, 0 for none; on a wide one the bridge is drawn.
    """

    def __init__(
        self,
        board: Board,
        known: Briefing,
        readings: Sequence[Reading] = (),
        *,
        resumed: bool = False,
        certain: float = CERTAIN,
        columns: int = 0,
    ) -> None:
        self.board = board
        self._columns = columns
        self._rule = StopRule(certain)
        self.readings = list(readings)
        self._talk: SetupTalk | None = SetupTalk(board, known)
        self._known = known
        self._resumed = resumed
        self._ranking: Ranking | None = None
        self._memory = TableMemory()  # one more reading costs one column
        self._advice: NextReading | None = None
        self._pending: list[Reading] = []  # typed, asked about, not taken yet

    @property
    def meter(self) -> MeterProfile:
        """The meter; known once the questions are answered."""
        assert self._known.meter is not None
        return self._known.meter

    @property
    def setup(self) -> Setup:
        """The state of the bench."""
        return self._known.setup or Setup()

    @property
    def _reach(self) -> Reach:
        return self._known.reach or Reach()

    def begin(self) -> Answer:
        """Return the first lines and the first question."""
        page: list[str | Table] = [
            f"{self.board.title}. Type help for the words, stop to end; Enter for what is usual."
        ]
        if self._resumed:
            page += readings_page(self.readings)
            page.append("Taken up again. The board may have been powered since: make it safe and measure once more.")
        return self._question(page)

    def _question(self, before: Page) -> Answer:
        assert self._talk is not None
        lines, prompt = self._talk.ask()
        return Answer(tuple(narrow_lines([*before, *lines])), prompt=prompt)

    def hear(self, text: str) -> Answer:
        """Return the answer to one line.

        Parameters
        ----------
        text : str
            As typed.
        """
        word = text.strip().lower()
        if self._talk is not None:
            if word in ("stop", "quit", "exit"):
                return self._stop()
            return self._question([HELP_BEFORE]) if word in ("help", "?") else self._hear_setup(text)
        pending, self._pending = self._pending, []
        if pending and word in ("y", "yes", "n", "no"):
            return self._take(pending) if word[0] == "y" else self._say(["Not taken.", *self._proposal()])
        try:
            if not word:
                return self._say(self._proposal() if self._ranking else [])
            return self._obey(parse_line(text, self.board))
        except Charged as charge:
            return _refused(charge)
        except InputError as error:
            return self._say([f"{error}."])

    def _hear_setup(self, text: str) -> Answer:
        assert self._talk is not None
        try:
            said = self._talk.hear(text)
        except Charged as charge:
            return _refused(charge)
        except InputError as error:
            return Answer(tuple(narrow_lines([f"{error}."])), prompt=self._talk.ask()[1])
        if not self._talk.finished:
            return self._question(said)
        self._known, self._talk = self._talk.answers, None
        record = setup_line(self.setup) if self._resumed else self._head()
        return Answer(tuple(narrow_lines(said)), record=record, more=True)

    def _head(self) -> str:
        reach = self._reach
        bench = {
            "effort": reach.effort,
            "blocked": sorted(reach.blocked),
            "discharged": bool(self._known.discharged),
        }
        return head_line(
            self.board.name,
            self._known.meter_name or self.meter.name,
            self.setup,
            seen=self._known.seen or (),
            bench=bench,
        )

    def _say(self, page: Page) -> Answer:
        return Answer(tuple(narrow_lines(page)))

    def _obey(self, typed: Typed) -> Answer:
        if isinstance(typed, Row):
            reading = self._read_row(typed)
            return self._take([reading]) if typed.fields["mode"] else self._take_checked([reading])
        if isinstance(typed, Values):
            return self._take_checked(self._read_values(typed))
        orders: dict[str, Callable[[Order], Answer]] = {
            "undo": self._undo,
            "doubt": self._doubt,
            "skip": self._skip,
            "why": self._why,
            "good": self._good,
            "list": self._list,
            "repair": self._repair,
            "help": self._help,
            "stop": lambda _: self._stop(),
        }
        return orders[typed.word](typed)

    def _read_row(self, row: Row) -> Reading:
        fields = dict(row.fields)
        placed = parse_probing(fields["red"], fields["black"], "diode", "", "", self.board, self.meter)
        if not fields["mode"]:
            proposed = self._advice.probing if self._advice else None
            same = proposed is not None and (proposed.red, proposed.black) == (placed.red, placed.black)
            if same and proposed is not None and not fields["hold"] and not fields["lift"]:
                fields |= {"mode": proposed.mode_text, "hold": proposed.hold_text, "lift": proposed.lift_text}
            else:
                fields["mode"] = usual_mode(self.board, placed.red, placed.black)
        return self._reading(fields, row.discharged)

    def _read_values(self, values: Values) -> list[Reading]:
        if self._advice is None:
            raise InputError("no reading is proposed; type the places as well: U P 0.41")
        probing = self._advice.probing
        if len(values.texts) == 1:
            return [self._reading(_fields(probing, values.texts[0]), values.discharged)]
        like = like_readings(self.board, probing)
        if len(like) != len(values.texts):
            places = ", ".join(f"{one.red}-{one.black}" for one in like)
            raise InputError(f"{len(values.texts)} readings; accepted: one, or {len(like)} for {places}")
        return [
            self._reading(_fields(one, text), values.discharged) for one, text in zip(like, values.texts, strict=True)
        ]

    def _reading(self, fields: dict[str, str], discharged: bool) -> Reading:
        always = bool(self._known.discharged)
        reading = parse_reading(fields, self.board, self.meter, self.setup, discharged=discharged or always)
        if reading.probing.mode == "volts" and reading.value is not None and not reading.probing.hold:
            refuse_charge(reading.value)  # no evidence of a fault, but of a board that is not safe
        return reading

    def _take_checked(self, readings: list[Reading]) -> Answer:
        """Take readings whose mode was not typed; ask once about a number that another mode would show."""
        bench = self.board, self.meter, self.setup, self._standing().candidates
        doubts = [words for one in readings if (words := doubtful_number(one, *bench)) is not None]
        if not doubts:
            return self._take(readings)
        self._pending = readings
        return self._say([*doubts, "Nothing is taken yet."])

    def _take(self, readings: Sequence[Reading]) -> Answer:
        record = "".join(
            reading_line(one.probing, one.text, connected=" ".join(sorted(one.connected)), discharged=one.discharged)
            for one in readings
        )
        first = len(self.readings) + 1
        lines = [f"{number}. {reading_words(one)}" for number, one in enumerate(readings, first)]
        lines += [words for one in readings if (words := repeated_words(one, self.readings)) is not None]
        self.readings += readings
        self._ranking = None
        return Answer(tuple(line for text in lines for line in narrow_lines([text])), record=record, more=True)

    def _undo(self, _: Order) -> Answer:
        if not self.readings:
            raise InputError("no reading to take back")
        gone = self.readings.pop()
        self._ranking = None
        return Answer(tuple(narrow_lines([f"Taken back: {reading_words(gone)}"])), record=undo_line(), more=True)

    def _number(self, words: Sequence[str]) -> int:
        """Return the place of a reading, counted from 0; without a number the last one."""
        if not self.readings:
            raise InputError("no reading yet")
        if not words:
            return len(self.readings) - 1
        if not words[0].isdecimal() or not 1 <= int(words[0]) <= len(self.readings):
            raise InputError(f"{quoted(words[0])}; accepted: a reading from 1 to {len(self.readings)}")
        return int(words[0]) - 1

    def _doubt(self, order: Order) -> Answer:
        place = self._number(order.rest)
        self.readings[place] = dataclasses.replace(self.readings[place], doubted=True)
        self._ranking = None
        said = f"Reading {place + 1} is marked as doubtful: {reading_words(self.readings[place])}"
        return Answer(tuple(narrow_lines([said])), record=doubt_line(place), more=True)

    def _skip(self, _: Order) -> Answer:
        if self._advice is None:
            raise InputError("no reading is proposed")
        probing = self._advice.probing
        reach = dataclasses.replace(self._reach, skipped=self._reach.skipped | {probing})
        self._known = dataclasses.replace(self._known, reach=reach)
        return Answer(tuple(narrow_lines(["Skipped."])), record=skip_line(probing), more=True)

    def _why(self, order: Order) -> Answer:
        ranking = self._standing()
        probing = self._advice.probing if self._advice else None
        faults: list[tuple[Fault, float | None]] | None = None
        if order.rest and ":" in order.rest[0]:
            faults = [parse_fault(text, self.board) for text in order.rest]
        elif order.rest:
            probing = self.readings[self._number(order.rest)].probing
        if probing is None:
            raise InputError("no reading is proposed; why 1 asks about reading 1")
        page: list[str | Table] = []
        if faults is not None:
            page.append(why_sentence(self.board, self.meter, self.setup, faults, probing))
        else:
            page += self._both_ways(ranking, probing)
        if self._advice is not None and probing == self._advice.probing and faults is None:
            rows = tuple((one.reading, percent(one.probability), one.means) for one in self._advice.expect)
            columns = (Column("reading", right=True), Column("chance", right=True), Column("most suspect then"))
            page.append(Table("What it may show", columns, rows))
        return self._say(page)

    def _both_ways(self, ranking: Ranking, probing: Probing) -> list[str]:
        """Return the path under the two likeliest replace lists, their likeliest faults each."""
        told: dict[frozenset[str], str] = {}
        for candidate in ranking.candidates:
            packages = candidate.packages(self.board)
            if not candidate.faults or packages in told:
                continue
            faults = [(Fault(guess.part, guess.mode), guess.ohms) for guess in candidate.faults]
            told[packages] = why_sentence(self.board, self.meter, self.setup, faults, probing)
            if len(told) == 2:
                break
        return list(told.values())

    def _good(self, order: Order) -> Answer:
        words = order.rest
        if len(words) == 1:
            spelled = {name.casefold(): name for part in self.board.parts.values() for name in (part.ref, part.package)}
            ref = spelled.get(words[0].casefold())
            if ref is None:
                raise InputError(_no_part(self.board, words[0]))
            return self._say(good_page(self.board, self.meter, self.setup, part_probings(self.board, ref)))
        if len(words) in (2, 3):
            placed = parse_probing(words[0], words[1], "diode", "", "", self.board, self.meter)
            mode = words[2] if len(words) == 3 else usual_mode(self.board, placed.red, placed.black)
            probing = parse_probing(placed.red, placed.black, mode, "", "", self.board, self.meter)
            return self._say(good_page(self.board, self.meter, self.setup, [probing]))
        if not words and self._advice is not None:
            return self._say(good_page(self.board, self.meter, self.setup, [self._advice.probing]))
        raise InputError("accepted: good PART, good RED BLACK, good RED BLACK MODE")

    def _list(self, _: Order) -> Answer:
        page = [*readings_page(self.readings)]
        if not self.readings:
            return self._say(page)
        return self._say([*page, *standing_page(self._standing(), self._columns), *self._proposal()])

    def _repair(self, _: Order) -> Answer:
        if not self.readings:
            raise InputError("no reading yet: nothing is condemned")
        return self._say(repair_page(repair_list(self._standing())))

    def _help(self, _: Order) -> Answer:
        rows = tuple((word, words) for word, words in WORDS.items())
        return self._say(
            [
                "A reading: 0.41, OL, 4k7, 0.41 climbing. With its place, red first: U P 0.41, G_UL E_UL ohms 9.9k, "
                "U N hold UL@12 0.7. Where like places are offered, their values in one line: 0.41 0.42 OL. Enter "
                "shows the proposal again.",
                Table("Words", (Column("word"), Column("what it does")), rows),
            ]
        )

    def _stop(self) -> Answer:
        page: list[str | Table] = []
        if self.readings and self._ranking is not None:
            page += standing_page(self._ranking, self._columns)
        page.append("Stopped.")
        return Answer(tuple(narrow_lines(page)), done=True)

    def _standing(self) -> Ranking:
        """Return the ranking of the readings that stand; before the first, what is known without any."""
        if self._ranking is None:
            seen = self._known.seen or ()
            if self.readings:
                self._ranking = rank(self.board, self.meter, self.setup, self.readings, seen=seen, memory=self._memory)
            else:
                self._ranking = before_any_reading(self.board, self.meter, self.setup, seen)
        return self._ranking

    def consider(self) -> Answer:
        """Return what the readings mean now, and the next proposal or the end."""
        self._advice = None
        try:
            ranking = self._standing()
        except InputError as error:  # a place that is not there in this set-up: only the engine can tell
            return self._say([f"{error}. Type undo to take the last reading back."])
        page = [*standing_page(ranking, self._columns)] if self.readings else []
        verdict = self._verdict(ranking) or self._enough(ranking)
        if verdict is not None:
            return Answer(tuple(narrow_lines([*page, *verdict])), done=True)
        worst = ranking.fit.worst_reading
        if worst is not None and (asks_again(ranking) or not ranking.fit.ok):
            self._advice = NextReading(ranking.readings[worst].probing, 0.0, 1.0, ())
        else:
            advice = suggest_readings(ranking, 1, self._reach)
            if not advice:
                return Answer(tuple(narrow_lines([*page, *self._nothing_helps(ranking)])), done=True)
            self._advice = advice[0]
        return self._say([*page, *self._proposal()])

    def _proposal(self) -> Page:
        if self._advice is None:
            return ["No reading is proposed; type one with its places, as U P 0.41."]
        return proposal_page(self._advice, like_readings(self.board, self._advice.probing))

    def _verdict(self, ranking: Ranking) -> Page | None:
        """Return how the session ends by itself; None where it goes on."""
        worst = ranking.fit.worst_reading
        if self.readings and not ranking.fit.ok:
            if asks_again(ranking):
                return None
            tried = ", and taking the worst again has not helped" if worst is not None else ""
            return [
                f"Nothing fits: no single fault, no pair and no damage pattern explains these readings{tried}. Check "
                "board file, meter and set-up, or look for a fault of another kind.",
            ]
        stands = self._rule.verdict(ranking)
        if stands is None:
            return None
        said = f"Certain enough ({percent(stands.probability)}, the limit is {percent(self._rule.certain)})"
        if not stands.packages:
            return [f"{said}: these readings are what a healthy board gives."]
        return self._replace(f"{said}: replace", stands, ranking)

    def _enough(self, ranking: Ranking) -> Page | None:
        """Return the end where one list stands and readings hardly move it any more; None where it goes on."""
        stands = self._rule.settles(ranking)
        if stands is None:
            return None
        said = (
            f"Stopped at {percent(stands.probability)}: the last {LITTLE_TIMES} readings moved that by less than "
            f"{percent(LITTLE)} each, and from {percent(SURE)} on that is where a session ends. To go on all the same, "
            f"start again on the same file with --certain 0.99."
        )
        if not stands.packages:
            return [f"{said} These readings are what a healthy board gives."]
        return [said, *self._replace("Replace", stands, ranking)]

    def _replace(self, said: str, stands: Standing, ranking: Ranking) -> Page:
        """Return what to replace, how to go about it, and once more what: the rest fills more than a screen."""
        what = package_title(self.board, stands.packages)
        short = f"In short: replace {what} ({percent(stands.probability)}). `bridgefault report` puts it all on a page."
        return [f"{said} {what}.", *repair_page(repair_list(ranking)), short]

    def _nothing_helps(self, ranking: Ranking) -> Page:
        lists = list(replace_lists(ranking).items())
        page: list[str | Table] = [
            f"No reading within reach ({self._reach.effort}) would tell more about what to replace: the best is worth "
            f"less than {ENOUGH_BITS:g} of a yes or no."
        ]
        beyond = suggest_readings(ranking, 1, Reach(blocked=frozenset(), skipped=frozenset()))
        if beyond:
            page += ["Beyond that one would.", *proposal_page(beyond[0], ())]
        if not self.readings:
            return page
        if lists[0][0]:
            page += repair_page(repair_list(ranking))
        else:
            page.append(f"The healthy board leads ({percent(lists[0][1])}): nothing is condemned.")
        return page


def _no_part(board: Board, typed: str) -> str:
    """Return why a word names no part; of a terminal, where it is found."""
    place = next((one for one in board.terminals.values() if one.name.casefold() == typed.casefold()), None)
    if place is None:
        return f"no part {quoted(typed)} on this board; good U P asks about two places"
    pins = [f"{part.ref}.{pin}" for part in board.parts.values() for pin, net in part.pins.items() if net == place.net]
    at = f", at {', '.join(pins[:4])}" if pins else ""
    return (
        f"{place.name} is a place for a lead ({place.what}{at}); good {place.name} and a second place say what is read"
    )


def _fields(probing: Probing, text: str) -> dict[str, str]:
    return {
        "red": probing.red,
        "black": probing.black,
        "mode": probing.mode_text,
        "hold": probing.hold_text,
        "lift": probing.lift_text,
        "reading": text,
    }
