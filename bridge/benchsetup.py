"""What a bench session asks before the first reading: charge, meter, set-up, what was seen, what can be reached."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.advise import EFFORTS, Reach
from bridge.board import Board
from bridge.charge import DANGEROUS_V, EMPTY_V
from bridge.errors import InputError
from bridge.makesafe import SafePoint, making_safe, safe_points
from bridge.meter import list_meters, load_meter
from bridge.meterprofile import MeterProfile
from bridge.placement import parse_connected, parse_lead
from bridge.probing import Setup
from bridge.seen import parse_seen, symptom_words
from bridge.units import format_volts, parse_quantity
from bridge.wording import listed, quoted

__all__ = ["Briefing", "Charged", "SetupTalk", "parse_reach", "parse_yes", "refuse_charge"]

MOST_VOLTS = 2000.0
WORTH_STATING_V = 0.05  # a residue below this moves no reading
USUAL_EFFORT = "holds"
EFFORT_WORDS = {
    "terminals": "main terminals only",
    "gates": "gate leads and other pads as well",
    "holds": "gates held on as well: takes a floating 12 V and 1 kohm",
    "lift": "single pins unsoldered as well",
}
MAINS_ON = (
    "DANGER: mains is connected. Hands off. Pull the plug, or lock the supply out, so that nobody can switch it on, "
    "and prove at the mains terminals that it is dead. Type yes once it is off the board, locked if dead wires stay."
)
MEASURE_ANEW = "What was measured before does not count: wait and measure anew, as in the steps above."
VOLTS_HELP = "Type the DC volts your meter shows now {place}: 0.02, 20m, -0.1 or 310; 0 where it shows nothing."
VOLTS_CAUTION = (
    f"Plug pulled or supply locked out; above {DANGEROUS_V:g} V hands off, and never discharge with a blade."
)


class Charged(Exception):
    """The board holds a dangerous charge: the session ends; says what to do."""


def refuse_charge(volts: float) -> None:
    """Let pass only what diode and ohms modes bear.

    Parameters
    ----------
    volts : float
        Measured on the board [V].

    Raises
    ------
    Charged
        Dangerous to touch.
    InputError
        Not dangerous, but too much for diode or ohms mode.
    """
    if abs(volts) > DANGEROUS_V:
        raise Charged(
            f"{format_volts(volts)} on the board, above {DANGEROUS_V:g} V: dangerous to touch. Hands off. "
            "Wait, discharge through a resistor, never with a blade, and measure again before starting anew."
        )
    if abs(volts) > EMPTY_V:
        raise InputError(
            f"{format_volts(volts)} is too much for diode or ohms mode: discharge through a resistor to "
            f"{EMPTY_V:g} V or less, measure again and type the new value"
        )


@dataclass(frozen=True, slots=True)
class Briefing:
    """What is known before the first reading; None where it has still to be asked.

    Parameters
    ----------
    meter : MeterProfile or None
        The meter.
    meter_name : str
        Its name, or the path of its file.
    setup : Setup or None
        The state of the bench; charge is measured in any case.
    seen : tuple of str or None
        What was seen before any reading.
    reach : Reach or None
        What can be reached.
    discharged : bool or None
        Whether the bus is discharged before every reading.
    """

    meter: MeterProfile | None = None
    meter_name: str = ""
    setup: Setup | None = None
    seen: tuple[str, ...] | None = None
    reach: Reach | None = None
    discharged: bool | None = None


@dataclass(frozen=True, slots=True)
class _Question:
    """A question, and what takes its answer: it returns what to say, or raises InputError to be asked again.

    Where the lines before it fill a screen, ``help`` says what to type in fewer.
    """

    lines: tuple[str, ...]
    prompt: str
    take: Callable[[str], list[str]]
    help: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Past:
    """How things stood when a question was open."""

    known: Briefing
    setup: Setup
    volts: dict[tuple[str, str], float]
    questions: list[_Question]


def parse_reach(text: str, board: Board) -> Reach:
    """Return what can be reached: ``gates``, ``holds no W G_WH``; blank for the usual.

    Parameters
    ----------
    text : str
        As typed.
    board : Board
        The board, for names of places.

    Raises
    ------
    InputError
        Another word, or a place the board does not have.
    """
    words = text.replace(",", " ").split()
    effort = USUAL_EFFORT
    if words and words[0].lower() in (*EFFORTS, "all"):
        effort = words[0].lower().replace("all", EFFORTS[-1])
        words = words[1:]
    if words and words[0].lower() in ("no", "not", "without"):
        words = words[1:]
    elif words:
        raise InputError(f"{quoted(text)}; accepted: {listed(EFFORTS)}, then perhaps: no PLACE PLACE")
    return Reach(effort, frozenset(parse_lead(word, "", board) for word in words))


def parse_yes(text: str, usual: bool) -> bool:
    """Return whether an answer is yes; blank for the usual one.

    Parameters
    ----------
    text : str
        As typed.
    usual : bool
        What a blank line means.

    Raises
    ------
    InputError
        Neither yes nor no.
    """
    word = text.strip().lower()
    if not word:
        return usual
    if word not in ("y", "yes", "n", "no"):
        raise InputError(f"{quoted(text)}; accepted: yes, no")
    return word[0] == "y"


class SetupTalk:
    """The questions before the first reading, one after the other.

    Parameters
    ----------
    board : Board
        The board.
    known : Briefing
        What need not be asked.
    """

    def __init__(self, board: Board, known: Briefing) -> None:
        self.board = board
        self._known = known
        self._setup = known.setup or Setup()
        self._volts: dict[tuple[str, str], float] = {}
        self._was_live = False  # mains was told of after the first voltages: none of those counts
        self._questions = list(self._list_questions())
        self._past: list[_Past] = []  # how things stood at each question that was answered

    @property
    def finished(self) -> bool:
        """Whether everything was asked."""
        return not self._questions

    @property
    def answers(self) -> Briefing:
        """What was answered; with the measured residue of the bus in the set-up, unless it is discharged each time."""
        residue = self._volts.get(("P", "N"), max(self._volts.values(), key=abs, default=self._setup.bus_volts))
        if abs(residue) < WORTH_STATING_V or self._known.discharged:
            residue = 0.0
        return dataclasses.replace(self._known, setup=dataclasses.replace(self._setup, bus_volts=residue))

    def ask(self) -> tuple[Sequence[str], str]:
        """Return the paragraphs and the prompt of the question that is open."""
        return self._questions[0].lines, self._questions[0].prompt

    def help(self) -> Sequence[str]:
        """Return what to type at the open question."""
        return self._questions[0].help or self._questions[0].lines

    def hear(self, text: str) -> list[str]:
        """Take the answer to the open question.

        Parameters
        ----------
        text : str
            As typed.

        Returns
        -------
        list of str
            What to say to it.

        Raises
        ------
        InputError
            It is no answer: the question stays open.
        Charged
            The board holds a dangerous charge.
        """
        before = _Past(self._known, self._setup, dict(self._volts), list(self._questions))
        said = self._questions[0].take(text.strip())
        del self._questions[0]
        self._past.append(before)
        return said

    def go_back(self) -> None:
        """Take the last answer back and open its question again; mains that was told of stays told of.

        Raises
        ------
        InputError
            The first question is open.
        """
        if not self._past:
            raise InputError("nothing to go back to: this is the first question")
        past = self._past.pop()
        self._known, self._setup, self._volts, self._questions = past.known, past.setup, past.volts, past.questions

    def _list_questions(self) -> list[_Question]:
        board, known = self.board, self._known
        questions: list[_Question] = []
        if known.setup is not None and "mains" in known.setup.connected:
            questions.append(self._unplugging())
        questions += self._measuring(making_safe(board))
        if known.meter is None:
            meters = listed(list_meters())
            lines: tuple[str, ...] = (
                f"Which meter? Enter for handheld; there are {meters}; or the path of a meter file.",
            )
            questions.append(_Question(lines, "meter? ", self._take_meter))
        if known.setup is None:
            there = listed(dict.fromkeys(part.when for part in board.parts.values() if part.when))
            if there != "none":
                lines = (f"What is still connected? Enter for nothing; else {there}, with blanks between.",)
                questions.append(_Question(lines, "connected? ", self._take_connected))
        if known.seen is None:
            lines = (
                "What was seen, heard or told before any reading? Enter for nothing; several apart by semicolons. "
                f"At a part: {listed(f'PART {words}' for words in symptom_words('part'))}. Of the board: "
                f"{listed(symptom_words('board'))}.",
            )
            questions.append(_Question(lines, "seen? ", self._take_seen))
        if known.reach is None:
            words = "; ".join(f"{effort}: {what}" for effort, what in EFFORT_WORDS.items())
            lines = (
                f"What can your leads reach? Type one word, or Enter for {USUAL_EFFORT}. {words}.",
                f"Where some places are covered, add no and their names. So {USUAL_EFFORT} no {self._example()} means: "
                "everything but these.",
            )
            questions.append(_Question(lines, "reach? ", self._take_reach))
        if known.discharged is None:
            lines = ("The meter charges the bus. Is it discharged again before every reading, as is best?",)
            questions.append(_Question(lines, "discharged, yes or no? [yes] ", self._take_discharged))
        return questions

    def _measuring(self, introduction: tuple[str, ...] = ()) -> list[_Question]:
        """Return the questions for every voltage, an introduction before the first."""
        questions: list[_Question] = []
        for point in safe_points(self.board) or (SafePoint("", "", "any two main terminals, the largest"),):
            place = f"{point.red} to {point.black}" if point.red else "Between"
            helped = VOLTS_HELP.format(place=f"between {point.red} and {point.black}" if point.red else point.what)
            prompt = f"{place} ({point.what}), volts? "
            lines = () if questions else introduction
            questions.append(_Question(lines, prompt, self._volts_taker(point), (helped, VOLTS_CAUTION)))
        return questions

    def _measure_anew(self) -> list[str]:
        """Ask for every voltage next, where any was typed before: mains may have been on then; say so."""
        if not self._volts:
            return []
        self._volts = {}
        self._questions[1:1] = self._measuring()
        return [MEASURE_ANEW]

    def _example(self) -> str:
        """Return two places of this board, as an example of covered ones."""
        gate = next((gate for gate, _ in self.board.gate_leads), None)
        return " ".join([*self.board.main_terminals[-1:], *([gate] if gate else [])])

    def _volts_taker(self, point: SafePoint) -> Callable[[str], list[str]]:
        def take(text: str) -> list[str]:
            if not text:
                raise InputError("measure and type the value; a board that was not measured is not safe")
            try:
                quantity = parse_quantity(text.strip("\"'"))
            except InputError:
                raise InputError(f"{quoted(text)} is no voltage; accepted: 0.02 0,02 20m 310") from None
            volts = quantity.value
            if quantity.unit == "ohm" or abs(volts) > MOST_VOLTS:
                raise InputError(f"{quoted(text)}; accepted: volts, from -{MOST_VOLTS:g} to {MOST_VOLTS:g}")
            refuse_charge(volts)
            self._volts[point.red, point.black] = volts
            return []

        return take

    def _take_meter(self, text: str) -> list[str]:
        meter = load_meter(text) if text else load_meter()
        self._known = dataclasses.replace(self._known, meter=meter, meter_name=text or meter.name)
        return [f"Meter: {meter.title or meter.name}."]

    def _take_connected(self, text: str) -> list[str]:
        connected = parse_connected(text.replace(",", " "), self.board)
        self._setup = dataclasses.replace(self._setup, connected=connected)
        if "mains" in connected:  # the next question, before anything else
            self._was_live = True
            self._questions.insert(1, self._unplugging())
            return []
        return self._measure_anew() if self._was_live else []

    def _unplugging(self) -> _Question:
        return _Question((MAINS_ON,), "unplugged, yes or no? ", self._take_unplugged)

    def _take_unplugged(self, text: str) -> list[str]:
        if text.lower() in ("locked", "locked out"):
            return ["Its wiring stays in the picture.", *self._measure_anew()]
        if not text or not parse_yes(text, usual=False):
            raise InputError("nothing is read with mains on the board; accepted: yes once it is off, locked, or stop")
        self._setup = dataclasses.replace(self._setup, connected=self._setup.connected - {"mains"})
        return ["Mains is off the board.", *self._measure_anew()]

    def _take_seen(self, text: str) -> list[str]:
        pieces = [piece.strip() for piece in text.split(";") if piece.strip()]
        if [piece.lower() for piece in pieces] in (["nothing"], ["no"], ["none"]):
            pieces = []
        told = tuple(str(parse_seen(piece, self.board)) for piece in pieces)
        self._known = dataclasses.replace(self._known, seen=told)
        return [f"Noted: {'; '.join(told)}."] if told else []

    def _take_reach(self, text: str) -> list[str]:
        self._known = dataclasses.replace(self._known, reach=parse_reach(text, self.board))
        return []

    def _take_discharged(self, text: str) -> list[str]:
        self._known = dataclasses.replace(self._known, discharged=parse_yes(text, usual=True))
        if self._known.discharged and any(abs(volts) >= WORTH_STATING_V for volts in self._volts.values()):
            return ["Then discharge it before the first reading, too: no charge is reckoned with."]
        return []
