"""Faults and hypotheses: what can be wrong with a board, how it is written, and how bad it may be."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass
from difflib import get_close_matches

from bridge.board import Board, Part
from bridge.errors import InputError
from bridge.faulttable import SeverityRow, Wording, fault_table
from bridge.partkinds import has_severity
from bridge.units import Quantity, parse_quantity
from bridge.wording import listed, quoted

__all__ = [
    "LARGEST_OHMS",
    "MOST_PAIRED",
    "Fault",
    "Hypothesis",
    "SeverityNode",
    "describe_fault",
    "has_severity",
    "list_faults",
    "median_ohms",
    "parse_fault",
    "severity_nodes",
]

LARGEST_OHMS = 1e10  # beyond this nothing is there as far as any meter goes
MOST_PAIRED = 400  # faults of which pairs are weighed; the largest shipped board has 356, pairs go with the square
NOMINAL_FLOOR_OHMS = 1e-3  # a link of zero ohms still has something a raised value can be a multiple of
NEAR_NAMES = 5
PLAIN_NUMBER = re.compile(r"[0-9]+(\.[0-9]*)?([eE][-+]?[0-9]{1,3})?")


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One part failing in one mode.

    Parameters
    ----------
    part : str
        Name of the part (``Q_UL``).
    mode : str
        Fault mode (``ce-short``).
    """

    part: str
    mode: str

    def __str__(self) -> str:
        return f"{self.part}:{self.mode}"


Hypothesis = tuple[Fault, ...]
"""Faults of different parts, sorted; ``()`` is the healthy board."""


@dataclass(frozen=True, slots=True)
class SeverityNode:
    """One grid node of an unknown severity.

    Parameters
    ----------
    ohms : float
        Resistance [ohm].
    weight : float
        Share of the cases this node stands for [1].
    half_width : float
        Half the width of its cell in ln(ohms) [1].
    """

    ohms: float
    weight: float
    half_width: float

    @property
    def ln_sigma(self) -> float:
        """Standard deviation in ln(ohms) within the cell, of an even spread over its width [1]."""
        return 2.0 * self.half_width / math.sqrt(12.0)


def _as_named(typed: str, names: Collection[str]) -> str:
    """Return the one name that was typed in other letters, or what was typed where none or several are meant."""
    if typed in names:
        return typed
    meant = [name for name in names if name.casefold() == typed.casefold()]
    return meant[0] if len(meant) == 1 else typed


def _near(ref: str, board: Board) -> str:
    """The parts most like one that is not there, or the first few, as the end of a sentence."""
    by_folded = {name.casefold(): name for name, part in board.parts.items() if part.modes}
    near = [by_folded[name] for name in get_close_matches(ref.casefold(), by_folded, NEAR_NAMES, 0.5)]
    if near:
        return f"near names: {listed(near)}"
    few = list(by_folded.values())[:NEAR_NAMES]
    return f"it has {listed(few)}{', ...' if len(by_folded) > NEAR_NAMES else ''}"


def parse_fault(text: str, board: Board) -> tuple[Fault, float | None]:
    """Read a fault written ``PART:MODE`` or ``PART:MODE:OHMS``, in letters of either case; ``F_1:blown`` as listed.

    Parameters
    ----------
    text : str
        The fault as written.
    board : Board
        The board it is on.

    Returns
    -------
    fault : Fault
        Part and mode.
    ohms : float or None
        Severity [ohm], None where none was written.

    Raises
    ------
    InputError
        Not of that form; a part the board does not have (lists near names); a mode the part does not have
        (lists its modes); OHMS on a mode without severity, or not a resistance from 0 to 1e10.
    """
    where = f"fault {quoted(text)}"
    fields = [word.strip() for word in text.split(":")]
    if len(fields) not in (2, 3) or not all(fields):
        raise InputError("not of the form PART:MODE or PART:MODE:OHMS", where=where)
    ref, mode = _as_named(fields[0], board.parts), fields[1].lower()
    part = board.parts.get(ref)
    if part is None:
        raise InputError(f"board {board.name} has no part {quoted(ref)}; {_near(ref, board)}", where=where)
    if not part.modes:
        raise InputError(f"{ref} is taken as good on this board; it has no fault modes", where=where)
    if mode not in part.modes:  # as it is listed, perhaps: a fuse is blown
        as_listed = [one for one in part.modes if describe_fault(part, one).phrase.casefold() == mode]
        mode = as_listed[0] if len(as_listed) == 1 else mode
    if mode not in part.modes:
        modes = listed(part.modes)
        raise InputError(f"{part.kind} {ref} has no mode {quoted(mode)}; accepted: {modes}", where=where)
    if len(fields) == 2:
        return Fault(ref, mode), None
    if not has_severity(mode):
        raise InputError(f"{mode} takes no OHMS, found {quoted(fields[2])}; write {ref}:{mode}", where=where)
    return Fault(ref, mode), _parse_ohms(fields[2], where)


def _parse_ohms(text: str, where: str) -> float:
    """Read a resistance; 1e3 is plain here, as no meter's display is being copied."""
    try:
        quantity = Quantity(float(text), "") if PLAIN_NUMBER.fullmatch(text) else parse_quantity(text)
    except InputError as error:
        raise InputError(error.problem, where=where) from None
    if quantity.unit == "V" or not 0.0 <= quantity.value <= LARGEST_OHMS:
        accepted = f"a resistance from 0 to {LARGEST_OHMS:g} ohm"
        raise InputError(f"found {quoted(text)} for OHMS; accepted is {accepted}", where=where)
    return quantity.value


def list_faults(board: Board, present_parts: Collection[str] | None = None) -> tuple[Fault, ...]:
    """Return every single fault of a board, sorted, so that rising indices make a sorted hypothesis.

    Parameters
    ----------
    board : Board
        The board.
    present_parts : collection of str, optional
        Parts that are there in this set-up; all by default.
    """
    return tuple(
        sorted(
            Fault(ref, mode)
            for ref, part in board.parts.items()
            if present_parts is None or ref in present_parts
            for mode in part.modes
        )
    )


def _quantile(row: SeverityRow, share: float) -> float:
    """Return ln of the resistance below which ``share`` of the cases lie."""
    low, median, high = math.log(row.low), math.log(row.median), math.log(row.high)
    if share <= 0.5:
        return low + (median - low) * 2.0 * share
    return median + (high - median) * (2.0 * share - 1.0)


def _unit_ohms(part: Part, row: SeverityRow) -> float:
    return 1.0 if row.of == "ohms" else max(part.values["ohms"], NOMINAL_FLOOR_OHMS)


def severity_nodes(part: Part, mode: str, count: int | None = None) -> tuple[SeverityNode, ...]:
    """Return the grid over a fault's unknown resistance, rising, weights summing to 1.

    The distribution is even in ln(ohms) from low to median and from median to high, half the cases in each;
    it is cut into cells of equal probability, each with its node at the cell's median.

    Parameters
    ----------
    part : Part
        The part that fails; its nominal resistance matters to raised values.
    mode : str
        One of its fault modes.
    count : int, optional
        Number of nodes; the table's by default.

    Returns
    -------
    nodes : tuple of SeverityNode
        Empty for a mode without severity.
    """
    if not has_severity(mode):
        return ()
    row = fault_table().severity_row(part.kind, mode)
    unit = _unit_ohms(part, row)
    count = row.nodes if count is None else count
    edges = [_quantile(row, number / count) for number in range(count + 1)]
    return tuple(
        SeverityNode(
            ohms=unit * math.exp(_quantile(row, (number + 0.5) / count)),
            weight=1.0 / count,
            half_width=0.5 * (edges[number + 1] - edges[number]),
        )
        for number in range(count)
    )


def median_ohms(part: Part, mode: str) -> float | None:
    """Return the median resistance of a fault [ohm], or None for a mode without severity."""
    if not has_severity(mode):
        return None
    row = fault_table().severity_row(part.kind, mode)
    return row.median * _unit_ohms(part, row)


def describe_fault(part: Part, mode: str) -> Wording:
    """Return a fault in the words of the trade: a ``phrase`` for tables and a sentence ``what`` it is.

    Raises
    ------
    KeyError
        The part's kind does not have this mode.
    """
    return fault_table().wording(part.kind, mode)
