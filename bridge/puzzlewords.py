"""Puzzles in words: answers, proof, effort, marks."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence

from bridge.board import Board
from bridge.faults import describe_fault, parse_fault
from bridge.layout import Column, Page, Table, bulleted, write_text
from bridge.patterns import SMALLEST_SET
from bridge.puzzlebench import SETUP_WORDS
from bridge.puzzlefile import Key
from bridge.puzzlemake import Made
from bridge.puzzlemark import ClassMarks
from bridge.setupwords import SETUP_WORDS as SUSPECTED_WORDS
from bridge.units import format_reading

__all__ = [
    "Progress",
    "answer_words",
    "key_page",
    "list_words",
    "made_page",
    "marks_page",
    "marks_payload",
    "planted_words",
    "refused_words",
]

LARGER_WORDS = " Of sets of three and more faults, those were asked that rank lists: there are too many to ask all."
QUIET_SECONDS = 10.0  # between two lines of progress in a pipe or a file; no such line for what is done sooner


def list_words(packages: Sequence[str]) -> str:
    """Return a list to replace in words.

    Parameters
    ----------
    packages : sequence of str
        The packages, or an error of the bench in angle brackets.
    """
    if not packages:
        return "nothing"
    known = SUSPECTED_WORDS | SETUP_WORDS  # more is suspected of a bench than is planted
    words = [known.get(name.strip("<>"), name) for name in packages]
    return " and ".join(words)


def answer_words(key: Key) -> str:
    """Return the right answer in words.

    Parameters
    ----------
    key : Key
        The key.
    """
    if key.error:
        return f"No part: {SETUP_WORDS.get(key.error, key.error)}."
    if not key.faults:
        return "Nothing is wrong that these readings could show: condemn nothing."
    lists = "; or ".join(list_words(answer) for answer in key.answers)
    more = " (nothing that can be read in place tells these apart)" if len(key.answers) > 1 else ""
    return f"Replace {lists}{more}."


def planted_words(key: Key, board: Board) -> list[str]:
    """Return what was planted, a sentence for each fault.

    Parameters
    ----------
    key : Key
        The key.
    board : Board
        The board.
    """
    sentences = []
    for one in key.faults:
        fault, _ = parse_fault(f"{one.part}:{one.mode}", board)
        part = board.parts[fault.part]
        ohms = "" if one.ohms is None else f", {format_reading(one.ohms, 'ohm')} \N{GREEK CAPITAL LETTER OMEGA}"
        sentences.append(f"{one.part} ({part.role}): {describe_fault(part, one.mode).phrase}{ohms}.")
    return sentences


def key_page(key: Key, board: Board) -> Page:
    """Return a key for people.

    Parameters
    ----------
    key : Key
        The key.
    board : Board
        The board.
    """
    proof, effort = key.proof, key.effort
    page: list[str | Table] = [f"Puzzle {key.puzzle.number}, level {key.puzzle.level}. {answer_words(key)}"]
    page += planted_words(key, board)
    open_too = [" and ".join(faults) for faults in key.same[1:]]
    if open_too:
        page.append(f"The readings leave open, and count as the same: {'; '.join(open_too)}.")
    near = f" Nearest: {' and '.join(proof.nearest)}." if proof.nearest else ""
    ratio = f"{2.718281828**proof.gap_nats:.0f} to 1"
    page.append(
        f"Proof: the answer holds with {100.0 * proof.probability:.1f} % or more. {proof.weighed} explanations were "
        f"weighed; any other is less likely to give these readings by {ratio} or more, priors aside.{near}"
        f"{LARGER_WORDS if len(key.faults) >= SMALLEST_SET else ''}"
    )
    page.append(
        f"Effort {effort.score:.0f}: {effort.solver:g} for the best solver, {effort.novice:g} for a novice, who "
        f"replaces {effort.trials} part{'s' * (effort.trials != 1)}. {len(effort.odd)} readings differ from a good "
        f"board's, {effort.herrings} of them away from the fault. Needed for the list: {effort.needs}; what tells the "
        "modes of a part apart may take more."
        if key.faults
        else f"board's, {effort.herrings} of them away from the fault. Needed: {effort.needs}."
    )
    if not key.faults and not key.error:
        page.append(
            "rank does not decide for a healthy board on this sheet: it goes on weighing faults that leave no trace in "
            "these readings, and there are many; but none of them shows, so there is nothing to condemn. Both hold."
        )
    rows = tuple(
        (f"{one.red} {one.black}", one.mode, one.hold, one.shows, f"{one.cost:g}", f"{one.expected_bits:.2f}",
         f"{one.bits:.2f}")
        for one in key.best
    )  # fmt: skip
    columns = ("leads", "mode", "hold", "shows", "effort", "expected, bit", "told, bit")
    if rows:
        table = Table("The best sequence, and what each reading is worth", tuple(map(Column, columns)), rows)
        page.append(table.without_empty_columns())
    return page


def made_page(made: Made, folder: str, seconds: float) -> Page:
    """Return what was made, for the trainer.

    Parameters
    ----------
    made : Made
        The set.
    folder : str
        Where it is.
    seconds : float
        How long it took [s].
    """
    count = len(made.keys)
    rows = tuple(
        (str(key.puzzle.number), str(key.puzzle.level), f"{key.effort.solver:g}", f"{key.effort.novice:g}",
         str(key.effort.herrings), key.effort.needs, f"{100.0 * key.proof.probability:.1f} %")
        for key in made.keys
    )  # fmt: skip
    titles = ("puzzle", "level", "solver", "novice", "red herrings", "needs", "proved to")
    reasons = ", ".join(f"{reason} ({number})" for reason, number in sorted(made.rejected.items(), key=lambda x: -x[1]))
    refused = made.draws - count
    page: list[str | Table] = [
        f"{count} puzzle{'s' * (count != 1)} in {folder}: trainee/ to hand out, trainer/ to keep. The seed, "
        f"{made.keys[0].seed}, stands in the keys and in no file to hand out: whoever has it can make this set again.",
        Table("What they take", tuple(Column(title, right=title != "needs") for title in titles), rows),
        f"{made.draws} draws, {refused} rejected ({100.0 * refused / made.draws:.0f} %)"
        f"{': ' if reasons else ''}{reasons}. {seconds:.1f} s, {seconds / count:.1f} s for a puzzle.",
    ]
    return page


def marks_page(marks: ClassMarks) -> Page:
    """Return the marks of a class for people.

    Parameters
    ----------
    marks : ClassMarks
        The marks.
    """
    rows = tuple(
        (
            row.who,
            str(row.puzzle),
            row.answer,
            f"{row.mark.points:.0f}",
            "right" if row.mark.right else "wrong",
            "; ".join(row.mark.misunderstood),
        )
        for row in marks.rows
    )
    titles = ("who", "puzzle", "answer", "of 100", "what to replace", "misunderstood")
    right = ("puzzle", "of 100")
    page: list[str | Table] = []
    if rows:
        page.append(Table("Marks", tuple(Column(title, right=title in right) for title in titles), rows))
        page.append(_totals(marks))
    if marks.misunderstood:
        common = tuple((words, str(count), ", ".join(of)) for words, count, of in marks.misunderstood)
        columns = (Column("what"), Column("times", right=True), Column("puzzles"))
        page.append(Table("Common misunderstandings", columns, common))
    if marks.doubts:
        page.append(bulleted("Names that differ in capitals or blanks alone", list(marks.doubts)))
    if marks.refused:
        page.append(bulleted("Not marked", [str(error) for error in marks.refused]))
    return page


def refused_words(marks: ClassMarks, *, in_json: bool) -> str:
    """Return in one line that some answers are not marked; why each is not, the marks themselves say.

    Parameters
    ----------
    marks : ClassMarks
        The marks.
    in_json : bool
        Whether they were given for programs.
    """
    count = len(marks.refused)
    place = "not_marked" if in_json else "'Not marked'"
    return f"{count} answer{'s' * (count != 1)} not marked; {place} says which and why, and what is accepted"


def _totals(marks: ClassMarks) -> Table:
    people: dict[str, list[float]] = {}
    right: dict[str, int] = {}
    for row in marks.rows:
        people.setdefault(row.who, []).append(row.mark.points)
        right[row.who] = right.get(row.who, 0) + row.mark.right
    rows = tuple(
        (who, str(len(points)), str(right[who]), f"{sum(points) / len(points):.0f}")
        for who, points in sorted(people.items(), key=lambda item: -sum(item[1]) / len(item[1]))
    )
    columns = (Column("who"), *(Column(title, right=True) for title in ("answers", "right", "of 100")))
    return Table("The class", columns, rows)


def marks_payload(marks: ClassMarks) -> dict[str, object]:
    """Return the marks of a class for programs.

    Parameters
    ----------
    marks : ClassMarks
        The marks.
    """
    return {
        "answers": [
            {
                "line": row.line,
                "who": row.who,
                "puzzle": row.puzzle,
                "answer": row.answer,
                "points": round(row.mark.points, 2),
                "right": row.mark.right,
                "modes_right": row.mark.modes_right,
                "parts": [{"what": what, "points": points, "of": most} for what, points, most in row.mark.parts],
                "misunderstood": list(row.mark.misunderstood),
            }
            for row in marks.rows
        ],
        "misunderstood": [
            {"what": words, "times": count, "puzzles": [int(one) for one in of]}
            for words, count, of in marks.misunderstood
        ],
        "not_marked": [str(error) for error in marks.refused],
        "doubts": list(marks.doubts),
    }


class Progress:
    """Says on standard error how far a set is: on a terminal in one line, elsewhere in a line now and then."""

    def __init__(self) -> None:
        self._said = time.monotonic()

    def show(self, made: int, wanted: int, draws: int) -> None:
        """Show how far a set is.

        Parameters
        ----------
        made, wanted, draws : int
            Puzzles made and wanted, and draws tried.
        """
        words = f"{made} of {wanted} puzzle{'s' * (wanted != 1)}, {draws} draw{'s' * (draws != 1)}"
        if sys.stderr.isatty():
            end = "\n" if made == wanted else ""
            write_text(f"\r{words}{end}", sys.stderr)
        elif time.monotonic() - self._said >= QUIET_SECONDS and made < wanted:
            self._said = time.monotonic()
            write_text(f"{words} so far\n", sys.stderr)
