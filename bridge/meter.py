"""Meters: those shipped, and files of the user's own."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from bridge.errors import InputError, InputErrors
from bridge.meterprofile import METER_MODES, Accuracy, DiodeTest, MeterProfile, OhmsRange, Source
from bridge.shipped import named_text, shipped_names
from bridge.textfile import is_path, parse_toml, path_text, shown_source
from bridge.tomllines import Place, TomlLines
from bridge.units import format_compact
from bridge.wording import bare, listed, quoted

__all__ = [
    "DEFAULT_METER",
    "METER_MODES",
    "Accuracy",
    "DiodeTest",
    "MeterProfile",
    "OhmsRange",
    "Source",
    "list_meters",
    "load_meter",
    "parse_meter",
]

DEFAULT_METER = "handheld"
METERS_FOLDER = Path(__file__).parent / "data" / "meters"

METER_KEYS = ("name", "title", "reversed", "counts", "lead_ohms", "beep_ohms", "diode", "ohms", "accuracy")
SOURCE_KEYS = ("source", "amps", "ohms", "open_volts")
SOURCE_KINDS = {"current": "amps", "resistor": "ohms"}
NAME = re.compile(r"[\w.+-]{1,64}")
# no separator of a readings file, and no colon, may stand in what follows ``ohms:``
RANGE_NAME = re.compile(r"[A-Za-z0-9.]{1,16}")

# Manuals print test currents as typical and rounded: a range may ask for a tenth more than the open leads show.
MOST_OF_OPEN_VOLTS = 1.1

# Accepted ranges, both ends included: wide enough for any meter, narrow enough to catch a slip of the unit.
LIMITS = {
    "counts": (50, 10_000_000),
    "lead_ohms": (0.0, 100.0),
    "beep_ohms": (0.0, 10_000.0),
    "amps": (1e-8, 0.5),
    "ohms": (0.1, 1e9),
    "open_volts": (0.05, 100.0),
    "limit_volts": (0.05, 100.0),
    "full_scale": (1.0, 1e11),
    "percent": (0.0, 50.0),
    "digits": (0.0, 1000.0),
}


def list_meters() -> tuple[str, ...]:
    """Return the names of the shipped meters, sorted."""
    return shipped_names(METERS_FOLDER)


def load_meter(name_or_file: str | os.PathLike[str] = DEFAULT_METER) -> MeterProfile:
    """Return a meter by the name of a shipped one, or from a file.

    Parameters
    ----------
    name_or_file : str or path-like
        A path if it has a separator or ends in ``.toml``, else the name of a shipped meter; a path object is a path.

    Returns
    -------
    MeterProfile
        Its diode test and ``ohms`` ranges with their sources [A], [V], [ohm], and its accuracy.

    Raises
    ------
    InputError
        No such meter or file, or a file with problems, all of them listed.
    """
    name_or_file = path_text(name_or_file)
    text, source = named_text(name_or_file, METERS_FOLDER, "meter")
    meter = parse_meter(text, source)
    if not is_path(name_or_file) and meter.name != name_or_file:  # else two meters could go by one name
        clash = f", which is {meter.name}.toml" if meter.name in list_meters() else ""
        raise InputError(
            f"{quoted(meter.name)}{clash}; accepted among the shipped meters: the file's own name, "
            f"{quoted(name_or_file)}",
            where=f"{source}, key name",
        )
    return meter


def parse_meter(text: str, source: str) -> MeterProfile:
    """Return the meter a TOML text describes.

    Parameters
    ----------
    text : str
        The text.
    source : str
        Where it came from, for messages.

    Raises
    ------
    InputError
        Not TOML, unknown or missing keys, values of the wrong kind or out of range; all problems at once.
    """
    where = shown_source(source)
    table = parse_toml(text, where)
    reader = _Reader()
    profile = reader.meter(table, Place(where, TomlLines(text)))
    if reader.problems or profile is None:
        raise reader.problems[0] if len(reader.problems) == 1 else InputErrors(reader.problems)
    return profile


class _Reader:
    """Reads tables of one file and keeps every problem it meets."""

    def __init__(self) -> None:
        self.problems: list[InputError] = []

    def problem(self, place: Place, text: str) -> None:
        self.problems.append(InputError(text, where=str(place)))

    def unknown_keys(self, table: Mapping[str, Any], known: Iterable[str], place: Place) -> None:
        accepted = tuple(known)
        for key in table:
            if key not in accepted:
                self.problem(_key(place, key), f"unknown key; accepted: {listed(accepted)}")

    def missing(self, table: Mapping[str, Any], key: str, place: Place) -> bool:
        if key in table:
            return False
        self.problem(_key(place, key), "missing")
        return True

    def number(self, value: object, key: str, place: Place) -> float:
        """Return a number in its accepted range; note a problem and return a stand-in otherwise."""
        low, high = LIMITS[key]
        found: float = math.nan
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            # an integer beyond a double is out of any range
            found = float(value) if abs(value) < 1e300 else math.inf
        if not low <= found <= high:
            self.problem(place, f"{quoted(str(value))}; accepted: a number from {low:g} to {high:g}")
            return high
        return found

    def number_at(self, table: Mapping[str, Any], key: str, place: Place) -> float:
        if self.missing(table, key, place):
            return LIMITS[key][1]
        return self.number(table[key], key, _key(place, key))

    def word(self, table: Mapping[str, Any], place: Place, pattern: re.Pattern[str], kind: str) -> str:
        value = table["name"]
        if isinstance(value, str) and pattern.fullmatch(value):
            return value
        self.problem(_key(place, "name"), f"{quoted(str(value))}; accepted: {kind}")
        return ""

    def source(self, table: Mapping[str, Any], place: Place) -> Source:
        kind = ""
        if not self.missing(table, "source", place):
            kind = table["source"] if isinstance(table["source"], str) else ""
            if kind not in SOURCE_KINDS:
                found = quoted(str(table["source"]))
                self.problem(_key(place, "source"), f"{found}; accepted: {listed(SOURCE_KINDS)}")
                kind = ""
        open_volts = self.number_at(table, "open_volts", place)
        if not kind:
            return Source("current", 1.0, None, open_volts)
        for other, key in SOURCE_KINDS.items():
            if other != kind and key in table:
                self.problem(_key(place, key), f"a {kind} source has no {key}; accepted: {SOURCE_KINDS[kind]}")
        size = self.number_at(table, SOURCE_KINDS[kind], place)
        return Source(kind, size if kind == "current" else None, size if kind == "resistor" else None, open_volts)

    def diode(self, table: Mapping[str, Any], place: Place) -> DiodeTest:
        self.unknown_keys(table, (*SOURCE_KEYS, "limit_volts"), place)
        before = len(self.problems)
        found = DiodeTest(self.source(table, place), self.number_at(table, "limit_volts", place))
        if len(self.problems) == before and found.limit_volts > found.source.open_volts:
            self.problem(
                _key(place, "limit_volts"),
                f"{found.limit_volts:g} is more than open_volts {found.source.open_volts:g}, the most that leads ever "
                "show; accepted: at most open_volts",
            )
        return found

    def ohms_range(self, table: Mapping[str, Any], place: Place) -> OhmsRange:
        self.unknown_keys(table, ("name", "full_scale", *SOURCE_KEYS), place)
        before = len(self.problems)
        full_scale = self.number_at(table, "full_scale", place)
        name = format_compact(full_scale)
        if "name" in table:
            name = self.word(table, place, RANGE_NAME, "up to 16 letters, digits and points")
        found = OhmsRange(name, full_scale, self.source(table, place))
        amps, open_volts = found.source.amps, found.source.open_volts
        if len(self.problems) == before and amps is not None and full_scale * amps > MOST_OF_OPEN_VOLTS * open_volts:
            self.problem(
                _key(place, "full_scale"),
                f"{full_scale:g} ohm at amps {amps:g} takes {full_scale * amps:g} V, more than open_volts "
                f'{open_volts:g}; accepted: what open_volts can drive, or source = "resistor", whose current falls',
            )
        return found

    def ohms(self, tables: object, place: Place) -> tuple[OhmsRange, ...]:
        if not isinstance(tables, list) or not tables or not all(isinstance(table, dict) for table in tables):
            self.problem(_key(place, "ohms"), "accepted: one [[ohms]] table for each range")
            return ()
        called = [f"ohms {_own_name(table) or number}" for number, table in enumerate(tables, start=1)]
        places = [place.at("ohms", index, words=words) for index, words in enumerate(called)]
        ranges = [self.ohms_range(table, one) for table, one in zip(tables, places, strict=True)]
        for index, entry in enumerate(ranges):
            for first, other in enumerate(ranges[:index]):
                same_scale, same_name = entry.full_scale == other.full_scale, entry.name == other.name
                if not self.problems and (same_scale or same_name):
                    what = f"full_scale {entry.full_scale:g}" if same_scale else f"name {entry.name}"
                    self.problem(
                        places[index],
                        f"{what} as ohms {first + 1}{_line_behind(places[first])} has; "
                        f"accepted: each range with a {what.partition(' ')[0]} of its own",
                    )
        return tuple(sorted(ranges, key=lambda entry: entry.full_scale))

    def accuracies(self, table: object, place: Place) -> tuple[tuple[str, Accuracy], ...]:
        if not isinstance(table, dict):
            self.problem(place, "accepted: a table of mode = [percent, digits]")
            return ()
        self.unknown_keys(table, METER_MODES, place)
        found = []
        for mode in METER_MODES:
            if mode not in table:
                if mode in ("diode", "ohms"):
                    self.missing(table, mode, place)
                continue
            limits = table[mode]
            here = _key(place, mode)
            if not isinstance(limits, list) or len(limits) != 2:
                self.problem(here, f"{quoted(str(limits))}; accepted: [percent, digits]")
                continue
            percent, digits = (
                self.number(limits[0], "percent", here.with_note("percent")),
                self.number(limits[1], "digits", here.with_note("digits")),
            )
            found.append((mode, Accuracy(percent, digits)))
        return tuple(found)

    def meter(self, table: Mapping[str, Any], file: Place) -> MeterProfile | None:
        self.unknown_keys(table, METER_KEYS, file)
        name = ""
        if not self.missing(table, "name", file):
            name = self.word(table, file, NAME, "up to 64 letters, digits and . + - _")
        title = table.get("title", name)
        if not isinstance(title, str) or not title.isprintable():
            self.problem(_key(file, "title"), "accepted: one line of text")
        is_reversed = table.get("reversed", False)
        if not isinstance(is_reversed, bool):
            self.problem(_key(file, "reversed"), f"{quoted(str(is_reversed))}; accepted: true, false")
        counts = self.number_at(table, "counts", file)
        if counts != int(counts):
            self.problem(_key(file, "counts"), f"{counts:g}; accepted: a whole number")
        lead_ohms, beep_ohms = self.number_at(table, "lead_ohms", file), self.number_at(table, "beep_ohms", file)
        diode: DiodeTest | None = None
        if not self.missing(table, "diode", file):
            if isinstance(table["diode"], dict):
                diode = self.diode(table["diode"], file.at("diode", words="diode"))
            else:
                self.problem(_key(file, "diode"), "accepted: a [diode] table")
        ranges = () if self.missing(table, "ohms", file) else self.ohms(table["ohms"], file)
        accuracies: tuple[tuple[str, Accuracy], ...] = ()
        if not self.missing(table, "accuracy", file):
            accuracies = self.accuracies(table["accuracy"], file.at("accuracy", words="accuracy"))
        if self.problems or diode is None:
            return None
        return MeterProfile(name, title, is_reversed, int(counts), lead_ohms, beep_ohms, diode, ranges, accuracies)


def _key(place: Place, key: str) -> Place:
    return place.at(key, words=f"key {bare(key)}")


def _own_name(table: Mapping[str, Any]) -> str:
    """Return the name a range was given in its file, where it can stand in a message."""
    name = table.get("name")
    return name if isinstance(name, str) and RANGE_NAME.fullmatch(name) else ""


def _line_behind(place: Place) -> str:
    line = place.lines.line_of(place.path)
    return "" if line is None else f" in line {line}"
