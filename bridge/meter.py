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
from bridge.textfile import decode_text, parse_toml, read_file, shown_source
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
    "is_meter_file",
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
    return tuple(sorted(path.stem for path in METERS_FOLDER.glob("*.toml")))


def is_meter_file(name_or_file: str) -> bool:
    """Return whether a meter is asked for by the path of a file and not by the name of a shipped one.

    Parameters
    ----------
    name_or_file : str
        As for `load_meter`.
    """
    separators = {os.sep, os.altsep or os.sep, "/"}
    return name_or_file.endswith(".toml") or any(mark in name_or_file for mark in separators)


def load_meter(name_or_file: str = DEFAULT_METER) -> MeterProfile:
    """Return a meter by the name of a shipped one, or from a file.

    Parameters
    ----------
    name_or_file : str
        A path if it has a separator or ends in ``.toml``, else the name of a shipped meter.

    Raises
    ------
    InputError
        No such meter or file, or a file with problems, all of them listed.
    """
    if is_meter_file(name_or_file):
        return parse_meter(decode_text(read_file(name_or_file), shown_source(name_or_file)), name_or_file)
    if name_or_file not in list_meters():
        raise InputError(
            f"no meter {quoted(name_or_file)}; accepted: {listed(list_meters())}, or a path to a .toml file"
        )
    path = METERS_FOLDER / f"{name_or_file}.toml"
    return parse_meter(path.read_text(encoding="utf-8"), path.name)


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
    reader = _Reader(where)
    profile = reader.meter(table)
    if reader.problems or profile is None:
        raise reader.problems[0] if len(reader.problems) == 1 else InputErrors(reader.problems)
    return profile


class _Reader:
    """Reads tables of one file and keeps every problem it meets."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.problems: list[InputError] = []

    def problem(self, key: str, text: str) -> None:
        self.problems.append(InputError(text, where=f"{self.where}: {key}" if key else self.where))

    def unknown_keys(self, table: Mapping[str, Any], known: Iterable[str], place: str) -> None:
        accepted = tuple(known)
        for key in table:
            if key not in accepted:
                self.problem(
                    place + bare(key),
                    f"unknown key; accepted: {listed(accepted)}",
                )

    def missing(self, table: Mapping[str, Any], key: str, place: str) -> bool:
        if key in table:
            return False
        self.problem(place + key, "missing")
        return True

    def number(self, value: object, key: str, place: str) -> float:
        """Return a number in its accepted range; note a problem and return a stand-in otherwise."""
        low, high = LIMITS[key]
        found: float = math.nan
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            # an integer beyond a double is out of any range
            found = float(value) if abs(value) < 1e300 else math.inf
        if not low <= found <= high:
            self.problem(place + key, f"{quoted(str(value))}; accepted: a number from {low:g} to {high:g}")
            return high
        return found

    def number_at(self, table: Mapping[str, Any], key: str, place: str = "") -> float:
        if self.missing(table, key, place):
            return LIMITS[key][1]
        return self.number(table[key], key, place)

    def word(self, table: Mapping[str, Any], key: str, place: str, pattern: re.Pattern[str], kind: str) -> str:
        value = table[key]
        if isinstance(value, str) and pattern.fullmatch(value):
            return value
        self.problem(place + key, f"{quoted(str(value))}; accepted: {kind}")
        return ""

    def source(self, table: Mapping[str, Any], place: str) -> Source:
        kind = ""
        if not self.missing(table, "source", place):
            kind = table["source"] if isinstance(table["source"], str) else ""
            if kind not in SOURCE_KINDS:
                self.problem(f"{place}source", f"{quoted(str(table['source']))}; accepted: {listed(SOURCE_KINDS)}")
                kind = ""
        open_volts = self.number_at(table, "open_volts", place)
        if not kind:
            return Source("current", 1.0, None, open_volts)
        for other, key in SOURCE_KINDS.items():
            if other != kind and key in table:
                self.problem(place + key, f"a {kind} source has no {key}; accepted: {SOURCE_KINDS[kind]}")
        size = self.number_at(table, SOURCE_KINDS[kind], place)
        return Source(kind, size if kind == "current" else None, size if kind == "resistor" else None, open_volts)

    def diode(self, table: Mapping[str, Any]) -> DiodeTest:
        self.unknown_keys(table, (*SOURCE_KEYS, "limit_volts"), "diode.")
        return DiodeTest(self.source(table, "diode."), self.number_at(table, "limit_volts", "diode."))

    def ohms_range(self, table: Mapping[str, Any], place: str) -> OhmsRange:
        self.unknown_keys(table, ("name", "full_scale", *SOURCE_KEYS), place)
        full_scale = self.number_at(table, "full_scale", place)
        name = format_compact(full_scale)
        if "name" in table:
            name = self.word(table, "name", place, RANGE_NAME, "up to 16 letters, digits and points")
        return OhmsRange(name, full_scale, self.source(table, place))

    def ohms(self, tables: object) -> tuple[OhmsRange, ...]:
        if not isinstance(tables, list) or not tables or not all(isinstance(table, dict) for table in tables):
            self.problem("ohms", "accepted: one [[ohms]] table for each range")
            return ()
        ranges = [self.ohms_range(table, f"ohms[{index}].") for index, table in enumerate(tables)]
        for what, seen in (
            ("name", [entry.name for entry in ranges]),
            ("full_scale", [entry.full_scale for entry in ranges]),
        ):
            for index, value in enumerate(seen):
                if value in seen[:index] and not self.problems:
                    self.problem(f"ohms[{index}].{what}", f"{value} is there twice; each range needs its own")
        return tuple(sorted(ranges, key=lambda entry: entry.full_scale))

    def accuracies(self, table: object) -> tuple[tuple[str, Accuracy], ...]:
        if not isinstance(table, dict):
            self.problem("accuracy", "accepted: a table of mode = [percent, digits]")
            return ()
        self.unknown_keys(table, METER_MODES, "accuracy.")
        found = []
        for mode in METER_MODES:
            place = f"accuracy.{mode}"
            if mode not in table:
                if mode in ("diode", "ohms"):
                    self.missing(table, mode, "accuracy.")
                continue
            limits = table[mode]
            if not isinstance(limits, list) or len(limits) != 2:
                self.problem(place, f"{quoted(str(limits))}; accepted: [percent, digits]")
                continue
            percent, digits = (
                self.number(limits[0], "percent", f"{place} "),
                self.number(limits[1], "digits", f"{place} "),
            )
            found.append((mode, Accuracy(percent, digits)))
        return tuple(found)

    def meter(self, table: Mapping[str, Any]) -> MeterProfile | None:
        self.unknown_keys(table, METER_KEYS, "")
        name = ""
        if not self.missing(table, "name", ""):
            name = self.word(table, "name", "", NAME, "up to 64 letters, digits and . + - _")
        title = table.get("title", name)
        if not isinstance(title, str) or not title.isprintable():
            self.problem("title", "accepted: one line of text")
        is_reversed = table.get("reversed", False)
        if not isinstance(is_reversed, bool):
            self.problem("reversed", f"{quoted(str(is_reversed))}; accepted: true, false")
        counts = self.number_at(table, "counts")
        if counts != int(counts):
            self.problem("counts", f"{counts:g}; accepted: a whole number")
        lead_ohms, beep_ohms = self.number_at(table, "lead_ohms"), self.number_at(table, "beep_ohms")
        diode: DiodeTest | None = None
        if not self.missing(table, "diode", ""):
            if isinstance(table["diode"], dict):
                diode = self.diode(table["diode"])
            else:
                self.problem("diode", "accepted: a [diode] table")
        ranges = () if self.missing(table, "ohms", "") else self.ohms(table["ohms"])
        accuracies = () if self.missing(table, "accuracy", "") else self.accuracies(table["accuracy"])
        if self.problems or diode is None:
            return None
        return MeterProfile(name, title, is_reversed, int(counts), lead_ohms, beep_ohms, diode, ranges, accuracies)
