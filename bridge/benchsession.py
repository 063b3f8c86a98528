"""A bench session as a state machine: text in, lines and journal entries out. It reads and writes nothing itself."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.advicepage import end_words, expectation_table, good_words
from bridge.advise import CERTAIN, NextReading, Reach, before_any_reading, suggest_readings
from bridge.benchcheck import (
    doubtful_number,
    place_words,
    repeated_words,
    slip_question,
)
from bridge.benchexamples import examples_of
from bridge.benchgood import asked_about
from bridge.benchline import Order, Row, Typed, names_place, parse_line, word_of
from bridge.benchopen import Open, ValueRefused
from bridge.benchpage import (
    good_page,
    help_page,
    proposal_page,
    reading_words,
    readings_page,
    standing_page,
)
from bridge.benchread import LineReader
from bridge.benchsetup import Briefing, Charged, SetupTalk
from bridge.benchverdict import nothing_helps_page, settled_page, verdict_page
from bridge.benchwhy import again_words, once_more_words, paths_page
from bridge.board import Board
from bridge.boarddisplays import DisplayMemory
from bridge.errors import InputError
from bridge.faults import Fault, parse_fault
from bridge.journal import (
    doubt_line,
    head_line,
    meant_line,
    reading_line,
    setup_line,
    skip_line,
    trust_line,
    undo_line,
)
from bridge.layout import Page, Table
from bridge.likeplaces import like_readings
from bridge.meterprofile import MeterProfile
from bridge.narrow import narrow_lines
from bridge.penslips import as_meant, open_questions
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.readings import Reading
from bridge.repair import repair_list
from bridge.repairpage import repair_page
from bridge.stoprule import StopRule, asks_again
from bridge.tablememory import TableMemory
from bridge.why import why_sentence
from bridge.wording import quoted

__all__ = ["CERTAIN", "END_PROMPT", "PROMPT", "Answer", "BenchSession"]

PROMPT = "reading? "
END_PROMPT = "Enter ends; why, list; undo or a reading once the bus is measured anew: "
POWERED = "The board may have been powered since the verdict: make it safe and measure once more."
NOT_TAKEN_AFTER_VERDICT = "Not taken: before another reading the bus is measured anew."
TAKE_NOW = "Take the reading now and type it with its places: {row}. A verdict follows it anew."
HELP_BEFORE = (
    "First come a few questions: type what is asked for, press Enter where the usual answer is meant, undo to go back "
    "by one question, or stop to end. "
    "Once readings are asked for, help lists the words for those."
)
BACK = ("undo", "back")
STILL_ASKED = "answer this question first, or type help for what to type here, stop to end."


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
        self._has_head = resumed
        self._goes_on = True  # whether what the readings mean is said once the questions are answered
        self._ranking: Ranking | None = None
        self._memory = TableMemory()  # one more reading costs one column
        self._displays = DisplayMemory()  # what lasts from reading to reading
        self._advice: NextReading | None = None
        self._pending = Open()  # typed, not taken yet
        self._answered = Open()  # what the line that is being heard may answer
        self._unsettled: int | None = None  # a reading that stands, but whose number may be a slip
        self._ending: str | None = None  # the last paragraph of a verdict, once there is one

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
            if word in ("help", "?"):
                return Answer(
                    tuple(narrow_lines([HELP_BEFORE, *self._talk.help()])),
                    prompt=self._talk.ask()[1],
                )
            return self._hear_setup(text)
        ended = self._ending is not None
        if ended and not word:
            return Answer(done=True)
        answer = self._hear_at_bench(text, word)
        return self._measure_again(answer) if ended and answer.more else answer

    def _measure_again(self, answer: Answer) -> Answer:
        """Go on after a verdict, which tells how power comes back: first the board is made safe as at the start."""
        self._goes_on, self._ending = answer.more, None
        self._talk = SetupTalk(self.board, self._known)
        asked = self._question([POWERED])
        return dataclasses.replace(asked, lines=(*answer.lines, *asked.lines), record=answer.record)

    def _hear_at_bench(self, text: str, word: str) -> Answer:
        self._answered, self._pending = self._pending, Open()
        if word in ("y", "yes", "n", "no"):
            if self._answered:
                if word[0] == "n":
                    return self._say(["Not taken.", *self._proposal()])
                if self._answered.readings:
                    return self._take(self._answered.confirmed)
                return self._say_open(["A value that was refused cannot be confirmed."])
            if self._unsettled is not None:
                return self._settle(self._unsettled) if word[0] == "y" else self._ask_right_value(self._unsettled)
        try:
            if not word:
                return self._say_open([] if self._answered else self._proposal())
            return self._obey(parse_line(text, self.board))
        except Charged as charge:
            return _refused(charge)
        except ValueRefused as refused:
            return self._refuse_value(refused)
        except InputError as error:
            alone = self._where_alone() if word_of(text) is None and names_place(text, self.board) else ""
            return self._say_open([f"{error}.{alone}"])

    def _refuse_value(self, refused: ValueRefused) -> Answer:
        """Say why a value is refused, and keep its place open for the next one unless that goes there in any case."""
        places = refused.open.places
        proposed = not self._answered and self._advice is not None and places == (self._advice.probing,)
        if proposed or places == self._answered.places:
            return self._say_open([f"{refused}."])
        self._pending = refused.open
        return self._say_dropped(self._say([f"{refused}.", self._pending.still_words()]), places)

    def _where_alone(self) -> str:
        """Return where a value typed without places would go after a line whose places were not understood."""
        if self._answered or self._advice is None:
            return ""  # the first is said anyhow
        return f" A value typed without places is taken for the proposed {place_words(self._advice.probing)}."

    def _hear_setup(self, text: str) -> Answer:
        assert self._talk is not None
        try:
            if text.strip().lower() in BACK:
                self._talk.go_back()
                return self._question(["Back by one question."])
            said = self._talk.hear(text)
        except Charged as charge:
            return _refused(charge)
        except InputError as error:
            word = word_of(text) if text.strip().lower() not in BACK else None
            refusal = f"{error}." if word is None else f"{word} works once readings are asked for; {STILL_ASKED}"
            return Answer(tuple(narrow_lines([refusal])), prompt=self._talk.ask()[1])
        if not self._talk.finished:
            return self._question(said)
        self._known, self._talk = self._talk.answers, None
        record = setup_line(self.setup) if self._has_head else self._head()
        self._has_head, self._ranking = True, None
        if self._goes_on:
            return Answer(tuple(narrow_lines(said)), record=record, more=True)
        self._goes_on = True
        return Answer(tuple(narrow_lines([*said, TAKE_NOW.format(row=examples_of(self.board).row)])), record=record)

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
        return Answer(tuple(narrow_lines(page)), prompt=PROMPT if self._ending is None else END_PROMPT)

    def _say_open(self, page: Page) -> Answer:
        """Say what takes nothing and settles nothing: what was asked about before stays open."""
        self._pending = self._answered
        return self._say([*page, self._pending.still_words()] if self._pending else page)

    def _obey(self, typed: Typed) -> Answer:
        if isinstance(typed, Order):
            return self._say_dropped(self._obey_order(typed), ())
        if self._ending is not None:
            return self._measure_again(Answer((NOT_TAKEN_AFTER_VERDICT,)))
        proposed = self._advice.probing if self._advice else None
        reader = LineReader(self.board, self.meter, self.setup, bool(self._known.discharged), proposed)
        readings = [reader.read_row(typed)] if isinstance(typed, Row) else reader.read_values(typed, self._answered)
        mode_typed = isinstance(typed, Row) and bool(typed.fields["mode"])
        places = [one.probing for one in readings]
        return self._say_dropped(self._take_checked(readings, mode_typed=mode_typed), places)

    def _say_dropped(self, answer: Answer, instead: Sequence[Probing]) -> Answer:
        """Say what is open no longer and has no other reading of its place instead."""
        dropped = "" if self._pending is self._answered else self._answered.dropped_words(instead)
        if not dropped:
            return answer
        return dataclasses.replace(answer, lines=(*narrow_lines([dropped]), *answer.lines))

    def _obey_order(self, order: Order) -> Answer:
        orders: dict[str, Callable[[Order], Answer]] = {
            "undo": self._undo,
            "doubt": self._doubt,
            "trust": self._trust,
            "skip": self._skip,
            "why": self._why,
            "good": self._good,
            "list": self._list,
            "repair": self._repair,
            "help": self._help,
            "stop": lambda _: self._stop(),
        }
        return orders[order.word](order)

    def _take_checked(self, readings: list[Reading], *, mode_typed: bool = False) -> Answer:
        """Take readings; ask once about a number that another mode would show, or that may be a slip of the pen."""
        bench = self.board, self.meter, self.setup
        again = readings == list(self._answered.readings)
        standing = self._standing().candidates
        slips = self._answered.slips if again else tuple(slip_question(one, *bench, standing) for one in readings)
        likely = () if mode_typed else standing
        drops = [
            None if mode_typed else doubtful_number(one, *bench, likely, slip=slip is not None)
            for one, slip in zip(readings, slips, strict=True)
        ]
        doubts = [words for words in drops if words is not None]
        how = "" if doubts else " Type it again, or yes if it is right."  # doubts say themselves what to type
        asked = [f"{slip}{how}" for drop, slip in zip(drops, slips, strict=True) if drop is None and slip is not None]
        if not doubts and asked:
            if again:  # it was meant
                return self._take(self._answered.confirmed)
            if self._unsettled is not None and [_written(one) for one in readings] == [
                _written(self.readings[self._unsettled])
            ]:
                return self._settle(self._unsettled)
        if not doubts and not asked:
            return self._take(readings)
        self._pending = Open(tuple(readings), slips)
        return self._say([*doubts, *asked, f"Nothing is taken yet. {self._pending.next_value_words()}"])

    def _settle(self, place: int) -> Answer:
        """Take a reading that stands, and whose number may have been a slip, as it is."""
        text = as_meant(self.readings[place])
        self.readings[place] = dataclasses.replace(self.readings[place], text=text)
        self._ranking = None
        said = f"Reading {place + 1} is as written: {reading_words(self.readings[place])}"
        return Answer(tuple(narrow_lines([said])), record=meant_line(place, text), more=True)

    def _take(self, readings: Sequence[Reading]) -> Answer:
        record = ""
        place = self._unsettled
        lines: list[str] = []
        if place is not None and any(one.probing == self.readings[place].probing for one in readings):
            # what was perhaps a slip was read again: the new one speaks
            self.readings[place] = dataclasses.replace(self.readings[place], doubted=True)
            record = doubt_line(place)
            lines.append(f"In place of reading {place + 1}, which is marked as doubtful.")
        record += "".join(
            reading_line(one.probing, one.text, connected=" ".join(sorted(one.connected)), discharged=one.discharged)
            for one in readings
        )
        first = len(self.readings) + 1
        repeated = [words for one in readings if (words := repeated_words(one, self.readings)) is not None]
        lines = [
            *(f"{number}. {reading_words(one)}" for number, one in enumerate(readings, first)),
            *(lines or repeated),
        ]
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
        if self.readings[place].doubted:
            raise InputError(f"reading {place + 1} is marked as doubtful already; trust {place + 1} takes that back")
        self.readings[place] = dataclasses.replace(self.readings[place], doubted=True)
        self._ranking = None
        said = f"Reading {place + 1} is marked as doubtful: {reading_words(self.readings[place])}"
        return Answer(tuple(narrow_lines([said])), record=doubt_line(place), more=True)

    def _trust(self, order: Order) -> Answer:
        doubted = [number for number, one in enumerate(self.readings) if one.doubted]
        place = self._number(order.rest) if order.rest or not doubted else doubted[-1]
        if place not in doubted:
            marked = ", ".join(str(number + 1) for number in doubted) or "none"
            raise InputError(f"reading {place + 1} is not marked as doubtful; marked: {marked}")
        self.readings[place] = dataclasses.replace(self.readings[place], doubted=False)
        self._ranking = None
        said = f"Reading {place + 1} is no longer marked as doubtful: {reading_words(self.readings[place])}"
        return Answer(tuple(narrow_lines([said])), record=trust_line(place), more=True)

    def _skip(self, _: Order) -> Answer:
        if self._advice is None:
            raise InputError("no reading is proposed")
        probing = self._advice.probing
        if self._unsettled is not None:
            number = self._unsettled + 1
            raise InputError(
                f"reading {number} is to be settled, not skipped; accepted: what its place shows, yes if it is right "
                f"as written, doubt {number} where it cannot be taken again"
            )
        reach = dataclasses.replace(self._reach, skipped=self._reach.skipped | {probing})
        self._known = dataclasses.replace(self._known, reach=reach)
        return Answer(tuple(narrow_lines([f"Skipped: {place_words(probing)}."])), record=skip_line(probing), more=True)

    def _why(self, order: Order) -> Answer:
        ranking = self._standing()
        probing = self._advice.probing if self._advice else None
        faults: list[tuple[Fault, float | None]] | None = None
        if order.rest and ":" in order.rest[0]:
            faults = [parse_fault(text, self.board) for text in order.rest]
        elif order.rest:
            probing = self.readings[self._number(order.rest)].probing
        elif probing is None and self.readings:
            probing = self.readings[-1].probing
        if probing is None:
            raise InputError("no reading is proposed; why 1 asks about reading 1")
        if faults is not None:
            return self._say_open([why_sentence(self.board, self.meter, self.setup, faults, probing)])
        page = paths_page(ranking, self.setup, probing)
        if self._advice is None or probing != self._advice.probing:
            return self._say_open(page)
        if self._advice.expect:
            return self._say_open([*page, expectation_table(self._advice)])
        return self._say_open([again_words(ranking, self.setup, self._unsettled), *page])

    def _good(self, order: Order) -> Answer:
        proposed = self._advice.probing if self._advice else None
        probings = asked_about(self.board, self.meter, order.rest, proposed)
        return self._say_open(good_page(self.board, self.meter, self.setup, probings))

    def _list(self, _: Order) -> Answer:
        page = [*readings_page(self.readings)]
        if not self.readings:
            return self._say_open(page)
        following = [self._ending] if self._ending is not None else [] if self._answered else self._proposal()
        return self._say_open([*page, *standing_page(self._standing(), self._columns), *following])

    def _repair(self, _: Order) -> Answer:
        if not self.readings:
            raise InputError("no reading yet: nothing is condemned")
        return self._say_open(repair_page(repair_list(self._standing())))

    def _help(self, _: Order) -> Answer:
        return self._say_open(help_page(self.board))

    def _stop(self) -> Answer:
        if self._ending is not None:  # the verdict was the last word
            return Answer(done=True)
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
        self._advice = self._unsettled = self._ending = None
        try:
            ranking = self._standing()
        except InputError as error:  # a place that is not there in this set-up: only the engine can tell
            return self._say([f"{error}. Type undo to take the last reading back."])
        page = [*standing_page(ranking, self._columns)] if self.readings else []
        questioned = open_questions(ranking)
        if questioned:
            return self._ask_again(page, ranking, questioned[0])
        verdict = verdict_page(ranking, self._rule) or settled_page(ranking, self._rule)
        if verdict is not None:
            return self._conclude(page, verdict)
        worst = ranking.fit.worst_reading
        again = None if worst is None else ranking.readings[worst].probing
        if again is not None and again not in self._reach.skipped and (asks_again(ranking) or not ranking.fit.ok):
            self._advice = NextReading(again, 0.0, 1.0, ())
        else:
            advice = suggest_readings(ranking, 1, self._reach, self._displays)
            if not advice:
                return self._conclude(page, nothing_helps_page(ranking, self._reach))
            self._advice = advice[0]
        return self._say([*page, *self._proposal()])

    def _conclude(self, page: Page, verdict: Page) -> Answer:
        """Give a verdict and leave one more prompt, at which it can still be taken back."""
        self._ending = next((one for one in reversed(verdict) if isinstance(one, str)), "")
        return self._say([*page, *verdict])

    def _ask_again(self, page: Page, ranking: Ranking, place: int) -> Answer:
        """Ask for a reading that stands, but whose number may be a slip, before any verdict."""
        self._unsettled = place
        self._advice = NextReading(ranking.readings[place].probing, 0.0, 1.0, ())
        number = place + 1
        asked = (
            f"No verdict before reading {number} is settled: take it again and type it, or yes if it is right as "
            f"written, or doubt {number}."
        )
        return self._say([*page, asked, *self._proposal()])

    def _ask_right_value(self, place: int) -> Answer:
        """Ask what a reading that stands, and is not right as written, should have been."""
        number, where = place + 1, place_words(self.readings[place].probing)
        return self._say(
            [
                f"Then type what {where} shows; it stands in place of reading {number}. If it cannot be taken again, "
                f"type doubt {number}."
            ]
        )

    def _proposal(self) -> Page:
        if self._advice is None:
            return [f"No reading is proposed; type one with its places, as {examples_of(self.board).row}."]
        probing = self._advice.probing
        good = good_words(self.board, self.meter, self.setup, self._advice)
        good = " ".join(filter(None, (end_words(self.board, probing), good)))
        again = once_more_words(self.readings, probing, self._unsettled, worst=not self._advice.expect)
        return proposal_page(self._advice, like_readings(self.board, probing), good, again)


def _written(reading: Reading) -> tuple[Probing, str]:
    return reading.probing, reading.text.strip()
