"""The bench journal: JSON Lines that record a session as it happens, so that a killed one can go on.

The first line is ``{"bridgefault_session": 1, "board", "meter", "setup"}``.
Each line after it is an object with one of

- ``"reading"``: ``{"red", "black", "mode", "hold", "lift", "text"}`` and perhaps ``"connected"``, ``"note"``,
  ``"discharged"``;
- ``"undo": true``: takes back the last reading that stands;
- ``"doubt": n``: marks reading n, counted from 0 among those that stand at that moment;
- ``"trust": n``: takes that mark off again;
- ``"meant": n``, with ``"text"``: reading n was meant as that text;
- ``"skip"``: ``{"red", "black", "mode", "hold", "lift"}``, a reading that cannot be taken;
- ``"setup"``: the set-up from here on, where a session was taken up again.

The first line may hold ``"seen"``, what was seen before any reading, and ``"bench"``, what the session asked besides.
Keys and lines this version does not know are ignored.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

from bridge.errors import InputError
from bridge.placement import BoardNames
from bridge.probing import Probing, Setup
from bridge.readingrows import text_lines
from bridge.setupcheck import check_setup
from bridge.textfile import keys_once
from bridge.wording import quoted

__all__ = [
    "Entry",
    "Journal",
    "doubt_line",
    "head_line",
    "is_journal",
    "meant_line",
    "parse_journal",
    "parse_setup",
    "reading_line",
    "setup_line",
    "setup_mapping",
    "skip_line",
    "trust_line",
    "undo_line",
    "whole_lines",
]

VERSION = 1
PLACEMENT = ("red", "black", "mode", "hold", "lift")
ACCEPTED_HEAD = '{"bridgefault_session": 1, "board": ..., "meter": ..., "setup": {...}}'


@dataclass(frozen=True, slots=True)
class Entry:
    """A reading that stands at the end of a journal.

    Parameters
    ----------
    line : int
        Its line in the file.
    fields : mapping of str to str
        Text by column, as a row of a readings sheet.
    discharged : bool
        Whether the bus was discharged before it.
    doubted : bool
        Whether it was marked as doubtful.
    text_line : int
        Line its text comes from, where another put it right; 0 where none did.
    """

    line: int
    fields: Mapping[str, str]
    discharged: bool = False
    doubted: bool = False
    text_line: int = 0


@dataclass(frozen=True, slots=True)
class Journal:
    """A bench journal.

    Parameters
    ----------
    board, meter : str
        Names the session was started with; the meter is empty where the journal is silent.
    setup : mapping
        The set-up as written.
    entries : tuple of Entry
        Readings that stand, in the order they were taken.
    cut_line : int or None
        Number of a last line that was cut off and left out.
    seen : tuple of str
        What was seen before any reading.
    bench : mapping
        What the session asked besides.
    skipped : tuple of mapping of str to str
        Placements that cannot be reached, text by column.
    """

    board: str
    meter: str
    setup: Mapping[str, Any]
    entries: tuple[Entry, ...]
    cut_line: int | None = None
    seen: tuple[str, ...] = ()
    bench: Mapping[str, Any] = field(default_factory=dict)
    skipped: tuple[Mapping[str, str], ...] = ()


def is_journal(data: bytes) -> bool:
    """Return whether content is a journal rather than a sheet: it starts with an object.

    Parameters
    ----------
    data : bytes
        Content of a file.
    """
    return data[:1024].removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{")


def whole_lines(data: bytes) -> tuple[bytes, int | None]:
    """Return a journal without a last line whose bytes were cut, and the number of that line.

    Parameters
    ----------
    data : bytes
        Content of a journal; a killed session may leave half a character, a power cut null bytes at its end.
    """
    start = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
    tail = data[start:]
    try:
        tail.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        if b"\0" not in tail:
            return data, None
    return data[:start], len(text_lines(data[:start].decode("utf-8", errors="replace"))) + 1


def _object(line: str) -> dict[str, Any]:
    """Return one line as an object; ValueError where it is none, InputError where a key is there twice."""
    try:
        found = json.loads(line, object_pairs_hook=keys_once)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found


def parse_journal(text: str, where: str) -> Journal:
    """Return what stands at the end of a journal.

    Parameters
    ----------
    text : str
        Content of the file.
    where : str
        Its name, for messages.

    Raises
    ------
    InputError
        No journal head, another version, or a line before the last that is no journal line.
    """
    lines = text_lines(text)
    first, rest = lines[0], lines[1:]
    try:
        head = _object(first[1])
    except InputError as error:
        raise InputError(str(error), where=f"{where}, line {first[0]}") from None
    except ValueError:
        head = {}
    version = head.get("bridgefault_session")
    if version is None:
        raise InputError(
            f"no journal head but {quoted(first[1])}; accepted: {ACCEPTED_HEAD}",
            where=f"{where}, line {first[0]}",
        )
    if version != VERSION or isinstance(version, bool):
        raise InputError(
            f"journal version {quoted(str(version))}; accepted: {VERSION}", where=f"{where}, line {first[0]}"
        )
    board, meter, setup = head.get("board"), head.get("meter") or "", head.get("setup") or {}
    seen, bench = head.get("seen") or [], head.get("bench") or {}
    for key, value, kind, wanted in (
        ("board", board, str, "a name"),
        ("meter", meter, str, "a name"),
        ("setup", setup, dict, "an object"),
        ("seen", seen, list, "a list of words"),
        ("bench", bench, dict, "an object"),
    ):
        if not isinstance(value, kind):
            raise InputError(f"{key} {quoted(str(value))}; accepted: {wanted}", where=f"{where}, line {first[0]}")
    if not all(isinstance(word, str) for word in seen):
        raise InputError(f"seen {quoted(str(seen))}; accepted: a list of words", where=f"{where}, line {first[0]}")
    entries: list[Entry] = []
    skipped: list[Mapping[str, str]] = []
    cut_line = None
    for number, line in rest:
        try:
            event = _object(line)
            _apply(event, number, entries)
            if "skip" in event:
                skipped.append(_texts(event["skip"], PLACEMENT))
            if isinstance(event.get("setup"), dict):
                setup = event["setup"]
        except InputError as error:
            raise InputError(str(error), where=f"{where}, line {number}") from None
        except ValueError:
            if number != rest[-1][0]:
                raise InputError(
                    f"{quoted(line)} is no journal line; accepted: one JSON object",
                    where=f"{where}, line {number}",
                ) from None
            cut_line = number
    return Journal(str(board), str(meter), setup, tuple(entries), cut_line, tuple(seen), bench, tuple(skipped))


def _apply(event: Mapping[str, Any], number: int, entries: list[Entry]) -> None:
    """Carry out one journal line on the readings that stand."""
    if "reading" in event:
        entries.append(_entry(event["reading"], number))
    if event.get("undo") is True:
        if not entries:
            raise InputError("undo, but no reading stands before it")
        entries.pop()
    for key, doubted in (("doubt", True), ("trust", False)):
        if key in event:
            place = _standing_place(event, key, entries)
            entries[place] = replace(entries[place], doubted=doubted)
    if "meant" in event:
        place = _standing_place(event, "meant", entries)
        text = _texts(event, ("text",))["text"]
        if not text:
            raise InputError("meant without its text; accepted: what the display showed")
        fields = {**entries[place].fields, "reading": text}
        entries[place] = replace(entries[place], fields=fields, text_line=number)


def _standing_place(event: Mapping[str, Any], key: str, entries: Sequence[Entry]) -> int:
    """Return the place of a reading a journal line names, from 0."""
    place = event[key]
    if not isinstance(place, int) or isinstance(place, bool) or not 0 <= place < len(entries):
        accepted = f"a reading from 0 to {len(entries) - 1}" if entries else f"no {key} before the first reading"
        raise InputError(f"{key} {quoted(str(place))}; accepted: {accepted}")
    return place


def _entry(reading: object, number: int) -> Entry:
    texts = _texts(reading, (*PLACEMENT, "connected", "note", "text"))
    fields = {"reading" if key == "text" else key: value for key, value in texts.items()}
    if not fields["reading"]:
        raise InputError("a reading without its text; accepted: what the display showed")
    return Entry(number, fields, isinstance(reading, dict) and reading.get("discharged") is True)


def _texts(reading: object, keys: Sequence[str]) -> dict[str, str]:
    """Return the texts an object holds under some keys, empty for those it does not have."""
    if not isinstance(reading, dict):
        raise InputError(f"reading {quoted(str(reading))}; accepted: an object")
    found = {}
    for key in keys:
        value = reading.get(key)
        if value is not None and not isinstance(value, str):
            raise InputError(f"{key} {quoted(str(value))}; accepted: text")
        found[key] = (value or "").strip()
    return found


def setup_mapping(setup: Setup) -> dict[str, Any]:
    """Return a set-up as a journal holds it.

    Parameters
    ----------
    setup : Setup
        The set-up.
    """
    return {
        "connected": sorted(setup.connected),
        "lifted": list(setup.lifted),
        "relay_closed": setup.relay_closed,
        "bus_volts": setup.bus_volts,
        "unplugged": setup.unplugged,
        "dwell_s": setup.dwell_s,
        "temperature_c": setup.temperature_c,
    }


def parse_setup(mapping: Mapping[str, Any], board: BoardNames) -> Setup:
    """Return the set-up a journal holds; what it does not say is as on an empty bench.

    Parameters
    ----------
    mapping : mapping
        As `setup_mapping` writes it; unknown keys are ignored.
    board : Board
        The board, for lifted pins.

    Raises
    ------
    InputError
        As :func:`bridge.setupcheck.check_setup`.
    """
    stated = {key.name: mapping.get(key.name, key.default) for key in fields(Setup)}
    return check_setup(Setup(**stated), board)


def _line(event: Mapping[str, Any]) -> str:
    return json.dumps(event, allow_nan=False) + "\n"


def head_line(
    board: str, meter: str, setup: Setup, *, seen: Sequence[str] = (), bench: Mapping[str, Any] | None = None
) -> str:
    """Return the first line of a journal.

    Parameters
    ----------
    board, meter : str
        Name of the board; name of the meter, or the path of its file.
    setup : Setup
        The set-up of the session.
    seen : sequence of str
        What was seen before any reading.
    bench : mapping, optional
        What the session asked besides; values JSON can hold.
    """
    head: dict[str, Any] = {
        "bridgefault_session": VERSION,
        "board": board,
        "meter": meter,
        "setup": setup_mapping(setup),
    }
    if seen:
        head["seen"] = list(seen)
    if bench:
        head["bench"] = dict(bench)
    return _line(head)


def setup_line(setup: Setup) -> str:
    """Return the journal line of a set-up that holds from here on.

    Parameters
    ----------
    setup : Setup
        The set-up.
    """
    return _line({"setup": setup_mapping(setup)})


def skip_line(probing: Probing) -> str:
    """Return the journal line of a reading that cannot be taken.

    Parameters
    ----------
    probing : Probing
        Where the leads would go.
    """
    return _line({"skip": _placement(probing)})


def _placement(probing: Probing) -> dict[str, str]:
    cells = (probing.red, probing.black, probing.mode_text, probing.hold_text, probing.lift_text)
    return dict(zip(PLACEMENT, cells, strict=True))


def reading_line(probing: Probing, text: str, *, connected: str = "", note: str = "", discharged: bool = False) -> str:
    """Return the journal line of a reading just taken.

    Parameters
    ----------
    probing : Probing
        Where the leads were.
    text : str
        What the display showed, as typed.
    connected, note : str
        As the columns of a readings sheet.
    discharged : bool
        Whether the bus was discharged before it.
    """
    reading: dict[str, Any] = {**_placement(probing), "text": text}
    for key, value in (("connected", connected), ("note", note), ("discharged", discharged)):
        if value:
            reading[key] = value
    return _line({"reading": reading})


def undo_line() -> str:
    """Return the journal line that takes back the last reading."""
    return _line({"undo": True})


def doubt_line(place: int) -> str:
    """Return the journal line that marks a reading as doubtful.

    Parameters
    ----------
    place : int
        Its place among the readings that stand, from 0.
    """
    return _line({"doubt": place})


def trust_line(place: int) -> str:
    """Return the journal line that takes the mark of doubt off a reading.

    Parameters
    ----------
    place : int
        Its place among the readings that stand, from 0.
    """
    return _line({"trust": place})


def meant_line(place: int, text: str) -> str:
    """Return the journal line that says what was meant by a reading.

    Parameters
    ----------
    place : int
        Its place among the readings that stand, from 0.
    text : str
        The reading in full.
    """
    return _line({"meant": place, "text": text})
