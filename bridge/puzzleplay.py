"""A puzzle played, as a state machine: text in, lines and journal entries out. It reads and writes nothing itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bridge.advise import Reach, probing_cost
from bridge.benchline import usual_mode
from bridge.benchpage import good_page, reading_words
from bridge.board import Board
from bridge.errors import InputError
from bridge.journal import parse_setup
from bridge.layout import Column, Page, Table
from bridge.makesafe import DEFER
from bridge.meter import MeterProfile
from bridge.meterprofile import METER_MODES
from bridge.narrow import narrow_lines
from bridge.placement import parse_probing
from bridge.places import place_parts
from bridge.probing import Probing
from bridge.puzzlebench import PuzzleBench, written
from bridge.puzzlefile import BestStep, Key, Puzzle
from bridge.puzzlemark import Marker
from bridge.puzzlemodes import (
    ModesLeft,
    counted_share,
    modes_left,
    telling_probing,
    written_readings,
)
from bridge.puzzlereplay import Replay, replay_readings
from bridge.puzzlereply import ACCEPTED, Reply, parse_reply
from bridge.puzzlewords import answer_words, list_words, planted_words
from bridge.readings import Reading, parse_reading
from bridge.virtualboard import NoAnswerError
from bridge.wording import quoted

__all__ = ["PLAY_MARK", "Play", "Said", "head_of", "parse_play"]

PLAY_MARK = "bridgefault_play"
PROMPT = "puzzle> "
HINT_COST = 5.0
MODES_ASKED = 8  # sets of modes left open that a reading is looked for to tell off
WORDS = {
    "U P": "red on U, black on P: what the meter shows there; also U P ohms, G_UL E_UL, U N hold UL@12",
    "answer": f"your answer, the end: {ACCEPTED}",
    "nothing": "your answer: nothing is wrong",
    "hint": f"a hint; each costs {HINT_COST:g}",
    "good": "good U P: what a good board of this kind reads there; costs nothing",
    "list": "readings so far, and what they have cost",
    "sheet": "the readings that came with the puzzle, if any did",
    "task": "the story and the task again",
    "help": "these words",
    "stop": "leave; the same command goes on later",
}
ALSO = {"quit": "stop", "exit": "stop", "?": "help"}


@dataclass(frozen=True, slots=True)
class Said:
    """What a play answers to a line.

    Parameters
    ----------
    lines : tuple of str
        To be shown.
    record : str
        Journal lines to be on disk before anything is shown.
    done : bool
        Whether it is over.
    """

    lines: tuple[str, ...] = ()
    record: str = ""
    done: bool = False


def head_of(puzzle: Puzzle, *, judged: bool) -> str:
    """Return the first line of a play's journal.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    judged : bool
        Whether it is played with its key.
    """
    return _line({PLAY_MARK: 1, "board": puzzle.board, "puzzle": puzzle.number, "story": puzzle.story, "key": judged})


def _line(event: Mapping[str, Any]) -> str:
    return json.dumps(event, allow_nan=False, ensure_ascii=False) + "\n"


def parse_play(text: str, where: str, puzzle: Puzzle, *, judged: bool) -> list[dict[str, Any]]:
    """Return what happened in a play so far.

    Parameters
    ----------
    text : str
        Its journal.
    where : str
        Its name.
    puzzle : Puzzle
        The puzzle it must be of.
    judged : bool
        Whether it is now played with the key.

    Raises
    ------
    InputError
        It is no play of this puzzle, or was played the other way.
    """
    events: list[dict[str, Any]] = []
    for number, line in enumerate(text.splitlines(), 1):
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            event = None
        if not isinstance(event, dict) or (number == 1 and PLAY_MARK not in event):
            raise InputError("no play of a puzzle; give another file with --file", where=f"{where}, line {number}")
        events.append(event)
    if events and (events[0].get("board"), events[0].get("puzzle"), events[0].get("story")) != (
        puzzle.board,
        puzzle.number,
        puzzle.story,
    ):
        raise InputError("a play of another puzzle; give another file with --file", where=f"{where}, line 1")
    if events and events[0].get("key") is not judged:
        now, then = ("with", "without") if judged else ("without", "with")
        raise InputError(f"begun {then} the key, not {now} it; give another file with --file", where=f"{where}, line 1")
    return events[1:]


class Play:
    """One puzzle, played.

    Parameters
    ----------
    puzzle : Puzzle
        The puzzle.
    board, meter
        What it is about.
    key : Key or None
        Its key; without, a worksheet is worked and nothing is judged.
    bench : PuzzleBench or None
        The board on the bench, from the key.
    """

    def __init__(
        self, puzzle: Puzzle, board: Board, meter: MeterProfile, key: Key | None, bench: PuzzleBench | None
    ) -> None:
        self.puzzle, self.board, self.meter = puzzle, board, meter
        self.key, self.bench = key, bench
        self.setup = parse_setup(puzzle.setup, board)
        self.readings: list[Reading] = []
        self.hints = 0
        self._hinted: set[str] = set()  # kinds of hints given
        self._hinted_at: set[Probing] = set()
        self.reply: str | None = None
        self.sheet = {one.probing: one for one in written_readings(puzzle.readings, board, meter)}
        self._reach = Reach(effort=puzzle.reach)

    @property
    def effort(self) -> float:
        """Effort of all readings and hints so far."""
        return sum(probing_cost(self.board, one.probing) for one in self.readings) + HINT_COST * self.hints

    def take_up(self, events: Sequence[Mapping[str, Any]], where: str) -> None:
        """Go on with a play.

        Parameters
        ----------
        events : sequence of mapping
            What happened so far.
        where : str
            Name of the journal.

        Raises
        ------
        InputError
            An event that cannot have happened.
        """
        for number, event in enumerate(events, 2):
            try:
                if isinstance(event.get("asked"), dict):
                    asked = {name: str(text) for name, text in event["asked"].items()}
                    self.readings.append(parse_reading(asked, self.board, self.meter, discharged=True))
                elif "hint" in event and self.key is not None:
                    self._give_hint(self.key)  # the readings before it are the same: so is the hint
                elif isinstance(event.get("answer"), str):
                    parse_reply(event["answer"], self.board)
                    self.reply = event["answer"]
            except InputError as error:
                raise InputError(str(error), where=f"{where}, line {number}") from None

    def begin(self, *, resumed: bool) -> Said:
        """Return the first lines.

        Parameters
        ----------
        resumed : bool
            Whether this play goes on.
        """
        page = self._task()
        if resumed:
            page += self._list()
            page.append("Taken up again.")
        if self.reply is not None:
            return Said(tuple(narrow_lines([*page, *self._verdict(parse_reply(self.reply, self.board))])), done=True)
        page.append("Type help for the words.")
        record = "" if resumed else head_of(self.puzzle, judged=self.key is not None)
        return Said(tuple(narrow_lines(page)), record)

    def _task(self) -> list[str | Table]:
        puzzle = self.puzzle
        page: list[str | Table] = [
            f"Puzzle {puzzle.number}, level {puzzle.level} of 5. {puzzle.story}",
            puzzle.task,
            f"Meter: {self.meter.title or self.meter.name}. A reading between main terminals costs 1, at a gate lead "
            f"2, with a held gate 4; here {puzzle.reach} are within reach.",
        ]
        if self.key is None:
            page.append("Without the key only the worksheet can be asked, and the answer is kept, not judged.")
        return page

    def hear(self, text: str) -> Said:
        """Return the answer to one line.

        Parameters
        ----------
        text : str
            As typed.
        """
        words = text.split()
        if not words:
            return self._say(["Type two places, as U P, or help."])
        word = words[0].casefold()
        word = ALSO.get(word, word)
        orders: dict[str, Callable[[list[str]], Said]] = {
            "answer": self._answer,
            "nothing": lambda _: self._answer(["nothing"]),
            "hint": self._hint,
            "good": self._good,
            "list": lambda _: self._say(self._list()),
            "sheet": lambda _: self._say(self._sheet_page()),
            "undo": self._undo,
            "task": lambda _: self._say(self._task()),
            "help": self._help,
            "stop": lambda _: Said(("Left. The same command goes on.",), done=True),
        }
        try:
            return orders[word](words[1:]) if word in orders else self._ask(words)
        except InputError as error:
            return self._say([f"{error}."])

    def _say(self, page: Page, record: str = "") -> Said:
        return Said(tuple(narrow_lines(page)), record)

    def _placed(self, words: Sequence[str]) -> Probing:
        if len(words) < 2:
            raise InputError(f"{quoted(' '.join(words))} is not understood; type two places, as U P, or help")
        mode, hold = "", []
        for token in words[2:]:
            if token.casefold().partition(":")[0] in METER_MODES and not mode:
                mode = token
            elif "@" in token:
                hold.append(token)
            elif token.casefold() not in ("hold", "holding"):
                raise InputError(f"{quoted(token)}; accepted behind the places: a mode, or hold UL@12")
        placed = parse_probing(words[0], words[1], "diode", "", "", self.board, self.meter)
        mode = mode or usual_mode(self.board, placed.red, placed.black)
        probing = parse_probing(placed.red, placed.black, mode, " ".join(hold), "", self.board, self.meter)
        if probing.mode not in ("diode", "ohms"):
            raise InputError(f"{quoted(mode)}; accepted in a puzzle: diode, ohms")
        if not self._reach.allows(self.board, probing):
            raise InputError(f"out of reach; within reach here: {self.puzzle.reach}")
        return probing

    def _ask(self, words: Sequence[str]) -> Said:
        probing = self._placed(words)
        known = next((one for one in self.readings if one.probing == probing), None)
        if known is not None:
            return self._say([f"{reading_words(known)}: as before; it costs nothing again."])
        if self.bench is not None:
            try:
                reading = self.bench.readings([probing])[0]
            except NoAnswerError as error:
                raise InputError(f"{error}: take another reading") from None
        elif probing in self.sheet:
            reading = self.sheet[probing]
        else:
            raise InputError("this reading is not on the sheet, and only the key knows others; sheet lists them")
        asked = {
            "red": probing.red,
            "black": probing.black,
            "mode": probing.mode_text,
            "hold": probing.hold_text,
            "reading": written(reading),
        }
        # as it is written down: a play taken up again knows no more than its journal
        reading = parse_reading(asked, self.board, self.meter, discharged=True)
        self.readings.append(reading)
        cost = probing_cost(self.board, probing)
        words_of = f"{len(self.readings)}. {reading_words(reading)}   (costs {cost:g}, in all {self.effort:g})"
        return self._say([words_of], _line({"asked": asked}))

    def _good(self, words: Sequence[str]) -> Said:
        if len(words) < 2:
            raise InputError("good wants two places: good U P")
        return self._say(good_page(self.board, self.meter, self.setup, [self._placed(words)]))

    def _undo(self, _: Sequence[str]) -> Said:
        raise InputError("there is no undo in a puzzle: what a reading has shown is known, and counts")

    def _list(self) -> list[str | Table]:
        rows = tuple(
            (str(number), reading_words(one), f"{probing_cost(self.board, one.probing):g}")
            for number, one in enumerate(self.readings, 1)
        )
        columns = (Column("no.", right=True), Column("reading"), Column("cost", right=True))
        page: list[str | Table] = [Table("Readings so far", columns, rows)] if rows else ["No reading so far."]
        page.append(f"Effort so far: {self.effort:g}, {self.hints} hint{'s' * (self.hints != 1)} included.")
        return page

    def _sheet_page(self) -> Page:
        if not self.sheet:
            return ["No worksheet came with this puzzle: the board is to be probed."]
        rows = tuple((reading_words(one),) for one in self.sheet.values())
        return [Table("The worksheet; asking for one of these readings counts it as used", (Column("reading"),), rows)]

    def _help(self, _: Sequence[str]) -> Said:
        rows = tuple(WORDS.items())
        return self._say([Table("Words", (Column("word"), Column("what it does")), rows), DEFER])

    def _hint(self, _: Sequence[str]) -> Said:
        if self.key is None:
            raise InputError("hints are in the key; this puzzle is worked without it")
        text = self._give_hint(self.key)
        if not text:
            return self._say(["There is no further hint."])
        return self._say([f"{text} (costs {HINT_COST:g}, in all {self.effort:g})"], _line({"hint": self.hints}))

    def _give_hint(self, key: Key) -> str:
        """Return the next hint, the vaguest first, and count it; empty where there is none that was not given."""
        taken = {one.probing for one in self.readings}
        steps = [one for one in key.best if self._step_probing(one) not in taken | self._hinted_at]
        step, telling = next(iter(steps), None), max(steps, key=lambda one: one.bits, default=None)
        hints: dict[str, tuple[str, BestStep | None]] = {}
        if step is not None:
            hints["next"] = f"A good next reading: {_step_words(step)}.", step
        if key.error:
            hints["bench"] = "Before condemning a part, suspect the bench.", None
        elif not key.faults:
            hints["odd"] = "Compare every reading with what a good board shows (good U P). How many differ?", None
        else:
            count = len(key.answers[0])
            hints["count"] = f"{count} part{'s have' if count != 1 else ' has'} to be replaced.", None
            places = place_parts(self.board)
            legs = sorted({places[one.part].leg or self.board.parts[one.part].block for one in key.faults})
            hints["legs"] = f"Look at: {', '.join(legs)}.", None
        if telling is not None and telling.bits > 0.0:
            hints["telling"] = f"The reading that tells most of those left: {_step_words(telling)}.", telling
        kind = next((one for one in hints if one not in self._hinted), None)
        if kind is None:
            return ""
        text, pointed_at = hints[kind]
        self.hints += 1
        self._hinted.add(kind)
        if pointed_at is not None:
            self._hinted_at.add(self._step_probing(pointed_at))
        return text

    def _step_probing(self, step: BestStep) -> Probing:
        return parse_probing(step.red, step.black, step.mode, step.hold, "", self.board, self.meter)

    def _answer(self, words: Sequence[str]) -> Said:
        text = " ".join(words)
        reply = parse_reply(text, self.board)
        self.reply = text
        lines = tuple(narrow_lines(self._verdict(reply)))
        return Said(lines, _line({"answer": text}), done=True)

    def _verdict(self, reply: Reply) -> Page:
        """Return how the answer was, and the readings gone through again."""
        if self.key is None:
            return [f"Kept: {self.reply}. It is not judged without the key; the trainer marks it with puzzle mark."]
        # who has the sheet and asked for nothing has read it on paper: how much of it, nobody knows
        counted = bool(self.readings or self.hints or not self.sheet)
        replay = replay_readings(self.key, self.board, self.meter, self.setup, self.readings)
        # who has asked for none has the sheet on paper, or nothing
        modes = modes_left(self.key, self.board, self.meter, self.readings or tuple(self.sheet.values()))
        whole = self._best_taken(self.key) if self.readings else True
        mark = Marker(self.key, self.board, modes, whole=whole).mark(
            reply, self.effort if counted else None, replay.settled
        )
        verdict = "Right" if mark.right else "Not right"
        got, most = (sum(points) for points in zip(*(one[1:] for one in mark.parts), strict=True))
        scaled = "" if most == 100.0 else f" ({got:.0f} of the {most:.0f} points that count here, scaled)"
        page: list[str | Table] = [f"{verdict}: {mark.points:.0f} of 100{scaled}. {answer_words(self.key)}"]
        page += planted_words(self.key, self.board)
        rows = tuple((what, f"{points:.0f}", f"{most:.0f}") for what, points, most in mark.parts)
        columns = (Column("for"), Column("points", right=True), Column("of", right=True))
        rows += (("in all", f"{got:.0f}", f"{most:.0f}"),)
        page.append(Table("How it was marked", columns, rows))
        if counted and mark.right and replay.settled < 0.995:
            page.append(
                f"Your readings settle this answer to {100.0 * replay.settled:.0f} % of what the best sequence does; "
                "points for economy are cut in proportion."
            )
        if mark.right and self.key.faults and self.readings:
            page += self._apart_words(reply, self.key, modes, whole=whole)
        page += [f"Probably misunderstood: {words}." for words in mark.misunderstood]
        best = self.key.effort.solver
        page.append(f"Effort {self.effort:g}; the best solver needs {best:g}, a novice who replaces parts "
                    f"{self.key.effort.novice:g}.")  # fmt: skip
        if self.readings:
            page += self._replay_page(replay, reply)
        return page

    def _best_taken(self, key: Key) -> bool:
        taken = {one.probing for one in self.readings}
        return bool(key.best) and all(self._step_probing(one) in taken for one in key.best)

    def _apart_words(self, reply: Reply, key: Key, modes: ModesLeft, *, whole: bool) -> list[str]:
        """Say which reading would have told the planted modes from others that the readings taken leave open."""
        same = [frozenset(faults) for faults in key.same]
        planted = same[0]
        mine = frozenset(str(fault) for fault in reply.faults)
        open_now = modes(reply.packages)
        fewest = min(map(len, open_now), default=0)
        left = [one for one in open_now if one not in same and len(one) == fewest]
        if mine and mine not in same:
            left = [one for one in open_now if one == mine]
        counts = ""
        if mine in left:
            share = counted_share(mine, open_now, {*same, *(open_now if whole else ())})
            counts = f", so it counts as a guess, 1 of {1.0 / share:.0f}" if share < 1.0 else ", and either counts"
        taken = {one.probing for one in self.readings}
        for other in left[:MODES_ASKED]:
            telling = telling_probing(key, self.board, self.meter, planted, other, taken)
            if telling is not None:
                hold = f", holding {telling.hold_text}," if telling.hold else ","
                words = (" and ".join(sorted(faults)) for faults in (planted, other))
                return [
                    f"{telling.red} to {telling.black}, {telling.mode_text}{hold} would tell {' from '.join(words)}; "
                    f"your readings do not{counts}."
                ]
        if "guess" in counts:  # told by several readings together, or at this board's own values alone
            words = (" and ".join(sorted(faults)) for faults in (planted, mine))
            return [f"All readings within reach tell {' from '.join(words)}; yours do not{counts}."]
        return []

    def _replay_page(self, replay: Replay, reply: Reply) -> Page:
        rows = []
        for number, one in enumerate(replay.told, 1):
            better = ""
            if one.better is not None:
                hold = f" hold {one.better.hold_text}" if one.better.hold else ""
                better = f"{one.better.red} {one.better.black} {one.better.mode_text}{hold}, {one.better_bits:.1f}"
            still = ", ".join(
                f"{list_words(sorted(packages))} {100.0 * share:.0f} %" for packages, share in one.open_lists
            )
            bits = "" if one.bits is None else f"{one.bits:+.1f}"
            rows.append((str(number), reading_words(one.reading), bits, better, still))
        titles = ("no.", "reading", "told, bit", "would have told more", "most probable then")
        columns = tuple(Column(title, right=title in ("no.", "told, bit")) for title in titles)
        page: list[str | Table] = [Table("Reading by reading: below zero it pointed away", columns, tuple(rows))]
        if any(one.bits is None for one in replay.told):
            page.append("Of many readings some are weighed together with the next: one line stands for all of them.")
        mine = frozenset((f"<{reply.error}>",)) if reply.error else reply.packages
        # what the key accepts beside it is no other answer
        same = [frozenset(answer) for answer in self.key.answers] if self.key is not None else []
        same = [mine, *(same if mine in same else [])]
        overlooked = [(packages, share) for packages, share in replay.left_open if packages not in same]
        if overlooked:
            words = "; ".join(
                f"{list_words(sorted(packages))} ({100.0 * share:.0f} %)" for packages, share in overlooked
            )
            page.append(f"Your readings left open besides your answer: {words}.")
        else:
            page.append("Your readings left nothing open besides your answer.")
        return page


def _step_words(step: BestStep) -> str:
    return f"{step.red} {step.black} {step.mode}{f' holding {step.hold}' if step.hold else ''}"
