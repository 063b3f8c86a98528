"""A placement of the leads as typed, checked against the board and the meter."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from typing import Protocol

from bridge.errors import InputError
from bridge.meterprofile import METER_MODES, MeterProfile
from bridge.partkinds import PART_KINDS, SWITCH_KINDS
from bridge.probing import Hold, Probing
from bridge.units import parse_quantity
from bridge.wording import listed, quoted

__all__ = [
    "CONNECTABLE",
    "PIN_LETTERS",
    "PLACEMENT_COLUMNS",
    "SAME_MODE",
    "BoardNames",
    "PartNames",
    "parse_at",
    "parse_connected",
    "parse_hold",
    "parse_lead",
    "parse_lift",
    "parse_mode",
    "parse_probing",
    "placement_fields",
    "switch_positions",
]

NOTHING_CONNECTED = ("nothing", "none", "no", "unplugged")
PLACEMENT_COLUMNS = ("red", "black", "mode", "hold", "lift")
CONNECTABLE = ("motor", "coil", "transformer", "brake-resistor", "mains")
PIN_LETTERS = {
    "c": "collector",
    "e": "emitter",
    "g": "gate",
    "d": "drain",
    "s": "source",
    "a": "anode",
    "k": "cathode",
}
LONGEST_LEAD = 140  # a part and a pin of the longest names a board file may use, and the point
HIGHEST_HOLD_VOLTS = 30.0  # gates are good for +/-20 to 30 V (absolute maxima of data sheets, from memory)
SAME_MODE = {  # other words of the bench
    **dict.fromkeys(("ohm", "\N{GREEK SMALL LETTER OMEGA}", "r", "resistance"), "ohms"),
    **dict.fromkeys(("diodes", "diode test"), "diode"),
    **dict.fromkeys(("volt", "v", "dcv", "vdc", "v dc", "dc v"), "volts"),
    **dict.fromkeys(("beep", "buzzer"), "continuity"),
}


class PartNames(Protocol):
    """What this module asks of a part."""

    @property
    def kind(self) -> str:
        """Part kind."""

    @property
    def position(self) -> str | None:
        """Switch position."""

    @property
    def when(self) -> str | None:
        """What has to be connected for the part to be there."""


class BoardNames(Protocol):
    """What this module asks of a board."""

    @property
    def name(self) -> str:
        """Short name."""

    @property
    def parts(self) -> Mapping[str, PartNames]:
        """Parts by designator."""

    @property
    def terminals(self) -> Collection[str]:
        """Names of the places a lead can touch."""

    def net_of(self, lead: str) -> str:
        """Net a lead touches."""


def switch_positions(board: BoardNames) -> tuple[str, ...]:
    """Return every position whose gate can be held, parallel ones both singly and together.

    Parameters
    ----------
    board : Board
        The board.
    """
    single = [part.position for part in board.parts.values() if part.kind in SWITCH_KINDS and part.position is not None]
    together = [re.sub(r"_[0-9]+$", "", position) for position in single]
    return tuple(dict.fromkeys(together + single))


def parse_mode(text: str, meter: MeterProfile) -> tuple[str, str | None]:
    """Return mode and range name of ``diode``, ``ohms``, ``ohms:2k``, ``continuity`` or ``volts``.

    Parameters
    ----------
    text : str
        As typed; upper case and the words of ``SAME_MODE`` are accepted.
    meter : MeterProfile
        The meter whose ranges can be named.

    Raises
    ------
    InputError
        Another word, or a range this meter does not have.
    """
    mode, colon, range_name = text.strip().partition(":")
    mode = mode.strip().lower()
    mode = SAME_MODE.get(mode, mode)
    if mode not in METER_MODES or (colon and mode != "ohms"):
        ranges = f"ohms:{meter.ohms[0].name}" if meter.ohms else "ohms:2k"
        raise InputError(f"{quoted(text)}; accepted: diode, ohms, {ranges} (a range), continuity, volts", where="mode")
    if not colon:
        return mode, None
    try:
        return mode, meter.range_named(range_name.strip()).name
    except InputError as error:
        raise InputError(error.problem, where="mode") from None


def _accepted_hold(board: BoardNames) -> str:
    """Return how a held gate is written, with a position of the board."""
    one = next(iter(switch_positions(board)), "UH")
    return f"{one}@12, {one}@12/100 (behind 100 ohm), {one}@0 (gate tied to emitter), several separated by spaces"


def _hold_value(text: str, unit: str, item: str, board: BoardNames) -> float:
    try:
        quantity = parse_quantity(text)
    except InputError:
        raise InputError(f"{quoted(item)}; accepted: {_accepted_hold(board)}", where="hold") from None
    if quantity.unit not in ("", unit):
        raise InputError(f"{quoted(item)}; accepted: {_accepted_hold(board)}", where="hold")
    return quantity.value


def parse_hold(text: str, board: BoardNames) -> tuple[Hold, ...]:
    """Return the held gates of ``UH@12``, ``UH@12/100`` or ``UH@0``, several separated by spaces.

    Parameters
    ----------
    text : str
        As typed; blank for none.
    board : Board
        The board, for its switch positions.

    Returns
    -------
    tuple of Hold
        Sorted. ``UH@0`` keeps the default resistance in its text; 0 V means a gate tied to its emitter.

    Raises
    ------
    InputError
        Another notation, an unknown position, a voltage or resistance out of range, a gate held twice.
    """
    if not text.strip():  # most rows hold nothing
        return ()
    positions = {position: position for position in switch_positions(board)}
    holds: dict[str, Hold] = {}
    for item in text.split():
        position, at, level = item.partition("@")
        if not at or not level:
            raise InputError(f"{quoted(item)}; accepted: {_accepted_hold(board)}", where="hold")
        position = _spelled(position, positions)
        if position not in positions:
            raise InputError(
                f"no switch at position {quoted(position)} to hold; accepted: {listed(positions)}",
                where="hold",
            )
        volts_text, slash, ohms_text = level.partition("/")
        volts = _hold_value(volts_text, "V", item, board)
        ohms = _hold_value(ohms_text, "ohm", item, board) if slash else 1000.0
        if abs(volts) > HIGHEST_HOLD_VOLTS:
            raise InputError(
                f"{quoted(item)} could break the gate down; "
                f"accepted: -{HIGHEST_HOLD_VOLTS:g} to {HIGHEST_HOLD_VOLTS:g} V",
                where="hold",
            )
        if not 0.1 <= ohms <= 1e7:
            raise InputError(f"{quoted(item)}; accepted: a resistance from 0.1 ohm to 10 M", where="hold")
        for other in holds:
            if position == other or _covers(position, other) or _covers(other, position):
                raise InputError(f"{quoted(item)} holds the gate that {other} already holds", where="hold")
        holds[position] = Hold(position, volts, ohms)
    return tuple(sorted(holds.values()))


def _covers(position: str, single: str) -> bool:
    """Whether holding a position holds one of its parallel gates too."""
    stem, underscore, number = single.rpartition("_")
    return bool(underscore) and number.isdigit() and stem == position


def parse_lift(text: str, board: BoardNames) -> tuple[str, ...]:
    """Return the lifted pins of ``PART.pin``, several separated by spaces.

    Parameters
    ----------
    text : str
        As typed; blank for none.
    board : Board
        The board, for its parts and pins.

    Raises
    ------
    InputError
        Something that is no pin of the board.
    """
    pins = set()
    for item in text.split():
        if "." not in item:
            raise InputError(f"{quoted(item)}; accepted: PART.pin, several separated by spaces", where="lift")
        pins.add(parse_lead(item, "lift", board))
    return tuple(sorted(pins))


def parse_connected(text: str, board: BoardNames) -> frozenset[str]:
    """Return what was left connected.

    Parameters
    ----------
    text : str
        Words separated by spaces; blank, or one word for it, for nothing.
    board : Board
        The board. Mains is taken on any, since it is warned of.

    Raises
    ------
    InputError
        Another word, or one this board has no part for, since nothing would be reckoned with; those accepted are
        listed.
    """
    if not text.strip():  # most rows
        return frozenset()
    words = [word.lower() for word in text.split()]
    if len(words) == 1 and words[0] in NOTHING_CONNECTED:
        return frozenset()
    there = tuple(dict.fromkeys([*(part.when for part in board.parts.values() if part.when), "mains"]))
    for word in words:
        if word not in there:
            why = f": {board.name} has no such thing to connect" if word in CONNECTABLE else ""
            raise InputError(f"{quoted(word)}{why}; accepted: {listed(there)}, nothing", where="connected")
    return frozenset(words)


def _spelled(word: str, names: Iterable[str]) -> str:
    """Return the one name that differs from a word in case alone; the word itself where it is a name, or none is."""
    alike = [name for name in names if name.casefold() == word.casefold()]
    return alike[0] if len(alike) == 1 and word not in alike else word


def parse_lead(text: str, column: str, board: BoardNames) -> str:
    """Return a terminal or ``PART.pin`` as the board spells it.

    Parameters
    ----------
    text : str
        As typed; another case is accepted where only one name is meant, and a letter for a pin, as ``Q_UL.c``.
    column : str
        Where it was typed, for messages.
    board : Board
        The board.

    Raises
    ------
    InputError
        Neither of them.
    """
    lead = text
    if len(text) <= LONGEST_LEAD:
        lead = _spelled(text, board.terminals)
        ref, dot, pin = lead.partition(".")
        if dot and lead not in board.terminals:
            ref = _spelled(ref, board.parts)
            lead = f"{ref}.{_pin_in_full(pin.lower(), ref, board)}"
    _check_lead(lead, column, board)
    return lead


def _pin_in_full(pin: str, ref: str, board: BoardNames) -> str:
    """Return a pin under its name: of a switch or a diode ``c`` is the collector, ``k`` the cathode."""
    kind = PART_KINDS.get(board.parts[ref].kind) if ref in board.parts else None
    name = PIN_LETTERS.get(pin, "")
    return name if kind is not None and name in kind.pins and pin not in kind.pins else pin


def _check_lead(lead: str, column: str, board: BoardNames) -> None:
    if not lead:
        raise InputError("empty; accepted: a terminal or PART.pin", where=column)
    if len(lead) > LONGEST_LEAD:
        raise InputError(f"{quoted(lead)}; accepted: a terminal or PART.pin", where=column)
    try:
        board.net_of(lead)
    except InputError as error:
        raise InputError(error.problem, where=column) from None


def parse_probing(
    red: str, black: str, mode: str, hold: str, lift: str, board: BoardNames, meter: MeterProfile
) -> Probing:
    """Return one placement of the leads.

    Parameters
    ----------
    red, black : str
        Terminal or ``PART.pin`` under each lead; another case is accepted where only one name is meant.
    mode, hold, lift : str
        As `parse_mode`, `parse_hold` and `parse_lift` accept them.
    board : Board
        The board the leads are on.
    meter : MeterProfile
        The meter.

    Raises
    ------
    InputError
        Anything the board or the meter does not have, with the column as its place; both leads on one spot.
    """
    red = parse_lead(red.strip(), "red", board)
    black = parse_lead(black.strip(), "black", board)
    if red == black:
        raise InputError(f"both leads are on {red}; accepted: two different places", where="black")
    mode_word, range_name = parse_mode(mode, meter)
    return Probing(red, black, mode_word, range_name, parse_hold(hold, board), parse_lift(lift, board))


def placement_fields(probing: Probing) -> dict[str, str]:
    """Return a placement of the leads as it is typed, by column of a readings file; :func:`parse_probing` reads it.

    Parameters
    ----------
    probing : Probing
        The placement.
    """
    words = probing.red, probing.black, probing.mode_text, probing.hold_text, probing.lift_text
    return dict(zip(PLACEMENT_COLUMNS, words, strict=True))


def parse_at(text: str, board: BoardNames, meter: MeterProfile) -> Probing:
    """Return the placement of ``RED,BLACK,MODE`` or ``RED,BLACK,MODE,HOLD``.

    Parameters
    ----------
    text : str
        As typed.
    board : Board
        The board the leads are on.
    meter : MeterProfile
        The meter.

    Raises
    ------
    InputError
        Fewer or more fields, or anything the board or the meter does not have.
    """
    fields = text.split(",")
    if len(fields) not in (3, 4):
        raise InputError(f"{quoted(text)}; accepted: RED,BLACK,MODE or RED,BLACK,MODE,HOLD")
    red, black, mode = fields[:3]
    return parse_probing(red, black, mode, "".join(fields[3:]), "", board, meter)
