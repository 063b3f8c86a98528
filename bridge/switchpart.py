"""One switch by itself: what its data sheet says, and the parts of a board that it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.errors import InputError, InputErrors
from bridge.laws import IGBT_COLLECTOR_IDEALITY, REFERENCE_K, saturation_current, thermal_voltage
from bridge.partkinds import collector_pin, emitter_pin
from bridge.shipped import named_text, shipped_names
from bridge.textfile import parse_toml, shown_source
from bridge.units import format_compact
from bridge.wording import bare, listed, quoted

__all__ = [
    "DEFAULT_PART",
    "DIODE",
    "POSITION",
    "SWITCH",
    "SwitchPart",
    "list_parts",
    "load_part",
    "parse_part",
    "switch_tables",
    "typed_part",
]

DEFAULT_PART = "igbt-600v-30a"
POSITION = "L"
SWITCH = f"Q_{POSITION}"
DIODE = f"D_{POSITION}"
BULK = f"R_BULK_{POSITION}"

_FOLDER = Path(__file__).parent / "data" / "parts"
_WORDS = ("name", "title", "kind")
_KINDS = {"igbt": "on_drop_1ma", "mosfet": "on_ohms"}  # kind, and the value of its main path when turned on
# key -> accepted range; wide enough for any power switch, narrow enough to catch a slip of the unit
_LIMITS = {
    "gate_threshold": (0.5, 8.0),
    "on_drop_1ma": (0.01, 5.0),
    "on_ohms": (1e-4, 100.0),
    "rated_drop": (0.2, 10.0),
    "diode_drop_1ma": (0.1, 5.0),
    "max_gate_volts": (5.0, 60.0),
    "full_on_volts": (2.0, 30.0),
    "rated_volts": (10.0, 10_000.0),
    "rated_amps": (0.1, 5000.0),
}
# from memory; common practice, no source; common practice, no source
_USUAL = {"max_gate_volts": 20.0, "full_on_volts": 10.0, "rated_drop": 1.8}
_OF_ONE_KIND = {"on_drop_1ma": "igbt", "rated_drop": "igbt", "on_ohms": "mosfet"}


@dataclass(frozen=True, slots=True)
class SwitchPart:
    """A switch as its data sheet describes it.

    Parameters
    ----------
    name, title : str
        Short name, and what it is.
    kind : str
        ``igbt`` or ``mosfet``.
    gate_threshold : float
        Gate voltage at which it passes 1 mA [V].
    on_drop_1ma : float or None
        Drop of an IGBT's main path at 1 mA with its gate well up [V].
    rated_drop : float or None
        Drop of an IGBT's main path at its rated current, gate well up [V].
    on_ohms : float or None
        Resistance of a MOSFET with 10 V on its gate [ohm].
    diode_drop_1ma : float or None
        Drop of the antiparallel diode at 1 mA [V]; None where the case holds none.
    max_gate_volts : float
        Largest gate voltage it stands [V].
    full_on_volts : float
        Gate voltage that turns it on fully [V].
    rated_volts, rated_amps : float
        What its main path stands [V], [A].
    """

    name: str
    title: str
    kind: str
    gate_threshold: float
    on_drop_1ma: float | None
    rated_drop: float | None
    on_ohms: float | None
    diode_drop_1ma: float | None
    max_gate_volts: float
    full_on_volts: float
    rated_volts: float
    rated_amps: float

    @property
    def has_diode(self) -> bool:
        """Whether an antiparallel diode is in the case, by design or because it is the switch's own silicon."""
        return self.diode_drop_1ma is not None

    @property
    def bulk_ohms(self) -> float:
        """Resistance in series with an IGBT's collector junction, which makes its drop at rated current [ohm].

        Data sheets draw the on-state as a junction and a slope; the slope is what the junction's own law leaves of the
        drop at rated current. A MOSFET has none: its resistance is its channel's.
        """
        if self.on_drop_1ma is None or self.rated_drop is None:
            return 0.0
        saturation = saturation_current(self.on_drop_1ma, IGBT_COLLECTOR_IDEALITY)
        scale = IGBT_COLLECTOR_IDEALITY * thermal_voltage(REFERENCE_K)
        junction = scale * math.log1p(self.rated_amps / saturation)
        return max(self.rated_drop - junction, 0.0) / self.rated_amps


def list_parts() -> tuple[str, ...]:
    """Return the names of the shipped parts, sorted."""
    return shipped_names(_FOLDER)


def load_part(name_or_file: str = DEFAULT_PART) -> SwitchPart:
    """Return a shipped part by name, or the part of a file.

    Parameters
    ----------
    name_or_file : str
        A path if it has a separator or ends in ``.toml``, else the name of a shipped part.

    Raises
    ------
    InputError
        No such part or file, or the file describes none.
    """
    return parse_part(*named_text(name_or_file, _FOLDER, "part"))


def typed_part(typed: str | None) -> SwitchPart:
    """Return the part that was typed, the usual one where none was.

    Parameters
    ----------
    typed : str or None
        Name or file.

    Raises
    ------
    InputError
        No such part; the option is named.
    """
    try:
        return load_part(DEFAULT_PART if typed is None else typed)
    except InputError as error:
        raise InputError(str(error), where="--part") from None


def parse_part(text: str, source: str) -> SwitchPart:
    """Return the part a TOML text describes.

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
    problems = _problems(table, where)
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    numbers = {key: float(table[key]) for key in _LIMITS if key in table}
    return SwitchPart(
        name=table["name"],
        title=table["title"],
        kind=table["kind"],
        gate_threshold=numbers["gate_threshold"],
        on_drop_1ma=numbers.get("on_drop_1ma"),
        rated_drop=numbers.get("rated_drop", _USUAL["rated_drop"]) if table["kind"] == "igbt" else None,
        on_ohms=numbers.get("on_ohms"),
        diode_drop_1ma=numbers.get("diode_drop_1ma"),
        max_gate_volts=numbers.get("max_gate_volts", _USUAL["max_gate_volts"]),
        full_on_volts=numbers.get("full_on_volts", _USUAL["full_on_volts"]),
        rated_volts=numbers["rated_volts"],
        rated_amps=numbers["rated_amps"],
    )


def _problems(table: Mapping[str, Any], where: str) -> list[InputError]:
    """Return everything that is wrong with a part's table."""
    found: list[InputError] = []
    kind = table.get("kind")
    if kind not in _KINDS:
        found.append(InputError(f"{_shown(table, 'kind')}; accepted: {listed(_KINDS)}", where=f"{where}, key kind"))
        kind = None
    foreign = {key for key, owner in _OF_ONE_KIND.items() if kind is not None and owner != kind}
    accepted = [key for key in (*_WORDS, *_LIMITS) if key not in foreign]
    needed = ["name", "title", "gate_threshold", "rated_volts", "rated_amps"]
    if kind is not None:
        needed.append(_KINDS[kind])
    if kind == "mosfet":
        needed.append("diode_drop_1ma")  # the body diode is its own silicon: none is without
    for key in table:
        if key not in accepted:
            found.append(InputError(f"unknown key; accepted: {listed(accepted)}", where=f"{where}, key {bare(key)}"))
    found.extend(InputError("missing", where=f"{where}, key {key}") for key in needed if key not in table)
    for key in ("name", "title"):
        value = table.get(key, "x")
        if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 80:
            found.append(
                InputError(f"{_shown(table, key)}; accepted: a line of at most 80 signs", where=f"{where}, key {key}")
            )
    for key, (low, high) in _LIMITS.items():
        value = table.get(key, low)
        fine = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
        if not fine or not low <= value <= high:
            limits = f"{format_compact(low)} to {format_compact(high)}"
            found.append(
                InputError(f"{_shown(table, key)}; accepted: a number from {limits}", where=f"{where}, key {key}")
            )
    if not found:
        found.extend(_contradictions(table, where))
    return found


def _contradictions(table: Mapping[str, Any], where: str) -> list[InputError]:
    """Return what is wrong with values that are each possible by themselves."""
    threshold = table["gate_threshold"]
    full_on = table.get("full_on_volts", _USUAL["full_on_volts"])
    highest = table.get("max_gate_volts", _USUAL["max_gate_volts"])
    if threshold < full_on < highest:
        return []
    return [
        InputError(
            f"{full_on:g} V; accepted: above gate_threshold, {threshold:g} V, and below max_gate_volts, {highest:g} V",
            where=f"{where}, key full_on_volts",
        )
    ]


def _shown(table: Mapping[str, Any], key: str) -> str:
    return f"found {quoted(str(table[key]))}" if key in table else "missing"


def switch_tables(part: SwitchPart, high: str, low: str, gate: str) -> str:
    """Return the entries of a board file that stand for one switch, its diode included.

    Parameters
    ----------
    part : SwitchPart
        The switch.
    high, low, gate : str
        Nets of its collector or drain, its emitter or source, and its gate.
    """
    bulk = part.bulk_ohms
    chip = "CHIP" if bulk > 0.0 else high
    top, bottom = collector_pin(part.kind), emitter_pin(part.kind)
    main = f"on_ohms = {part.on_ohms!r}" if part.kind == "mosfet" else f"on_drop_1ma = {part.on_drop_1ma!r}"
    lines = [
        "[[part]]",
        f'ref = "{SWITCH}"',
        f'kind = "{part.kind}"',
        f'pins = {{ {top} = "{chip}", {bottom} = "{low}", gate = "{gate}" }}',
        f"gate_threshold = {part.gate_threshold!r}",
        main,
        f'position = "{POSITION}"',
        'role = "the switch"',
    ]
    if bulk > 0.0:
        lines += [
            "[[part]]",
            f'ref = "{BULK}"',
            'kind = "resistor"',
            f'pins = {{ a = "{high}", b = "{chip}" }}',
            f"ohms = {bulk!r}",
            f'package = "{SWITCH}"',
            "faultable = false",
            'role = "bulk of the switch"',
        ]
    if part.has_diode:
        lines += [
            "[[part]]",
            f'ref = "{DIODE}"',
            'kind = "diode"',
            f'pins = {{ anode = "{low}", cathode = "{high}" }}',
            f"drop_1ma = {part.diode_drop_1ma!r}",
            f'package = "{SWITCH}"',
            f'position = "{POSITION}"',
            'role = "antiparallel diode in the same case"',
        ]
        if part.kind == "mosfet":
            lines.append(f'shares_bond_with = "{SWITCH}"')
    return "\n".join(lines) + "\n"
