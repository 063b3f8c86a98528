"""From the checked entries of a board file to its parts and terminals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from bridge.blocks import Written
from bridge.boardfile import PartEntry, TerminalEntry, check_entry, shown, shown_key
from bridge.boardmodel import Part, Terminal
from bridge.errors import InputError
from bridge.partkinds import INSIDE_A_CASE_LIFT_COST, MODULE_LIFT_COST, PART_KINDS, SWITCH_KINDS, PartKind
from bridge.tomllines import Place
from bridge.wording import listed

__all__ = ["build_parts", "build_terminals"]


def build_terminals(
    written: Iterable[Written], nets: set[str] | None, problems: list[InputError]
) -> dict[str, Terminal]:
    """Return the terminals of a board by name.

    Parameters
    ----------
    written : iterable of Written
        Terminals as a board file holds them.
    nets : set of str or None
        Nets that parts are on; None where broken parts would make every net look unknown.
    problems : list of InputError
        Receives every problem found.
    """
    terminals: dict[str, Terminal] = {}
    for one in written:
        where = one.place.at(words=f"terminal {shown_key(one.table.get('name', one.number))}")
        entry = check_entry(TerminalEntry, one.table, where, problems)
        if entry is None:
            continue
        net = entry.net or entry.name
        if entry.name in terminals:
            problems.append(InputError("this terminal is there twice", where=str(where)))
        elif nets is not None and net not in nets:
            place = where.at("net" if entry.net else "name", words="")
            problems.append(
                InputError(
                    f"no part is on net {net!r}; accepted: nets of parts, as {_near(net, nets)}", where=str(place)
                )
            )
        terminals[entry.name] = Terminal(entry.name, net, entry.what, entry.access)
    return terminals


def _near(net: str, nets: set[str]) -> str:
    """Return the nets whose names are near, else a few of those there are."""
    by_folded = {one.casefold(): one for one in sorted(nets)}
    near = get_close_matches(net.casefold(), by_folded, n=3, cutoff=0.5)
    return listed([by_folded[one] for one in near] or sorted(nets)[:3])


def build_parts(written: Iterable[Written], problems: list[InputError], notes: list[str]) -> dict[str, Part]:
    """Return the parts of a board by designator.

    Parameters
    ----------
    written : iterable of Written
        Parts as a board file holds them.
    problems : list of InputError
        Receives every problem found.
    notes : list of str
        Receives what was changed on the way.
    """
    entries: dict[str, tuple[str, PartEntry]] = {}
    places: dict[str, Place] = {}
    for one in written:
        where = one.place.at(words=f"part {shown_key(one.table.get('ref', one.number))}")
        entry = check_entry(PartEntry, one.table, where, problems)
        if entry is None:
            continue
        if entry.ref in entries:
            problems.append(InputError("this part is there twice", where=str(where)))
        entries[entry.ref] = (one.block, entry)
        places[entry.ref] = where
    legs = _legs(entries)
    parts: dict[str, Part] = {}
    for ref, (block, entry) in entries.items():
        where = places[ref]
        kind = PART_KINDS.get(entry.kind)
        if kind is None:
            accepted = ", ".join(PART_KINDS)
            place = where.at("kind", words="key kind")
            problems.append(InputError(f"found {shown(entry.kind)}; accepted are {accepted}", where=str(place)))
            continue
        _check_pins(entry, kind, where, problems)
        values = _values(entry, kind, where, problems, notes)
        bond = _bond(entry, entries, where, problems)
        parts[ref] = _part(
            entry.block or block, entry, kind, values, bond, _lift_cost(entry, kind, legs, where, problems)
        )
    return parts


def _part(
    block: str,
    entry: PartEntry,
    kind: PartKind,
    values: dict[str, float],
    bond: str | None,
    lift_cost: dict[str, float],
) -> Part:
    return Part(
        ref=entry.ref,
        kind=kind.name,
        pins={pin: entry.pins.get(pin, "") for pin in kind.pins},
        values=values,
        tolerance=kind.tolerance if entry.tolerance is None else entry.tolerance,
        package=entry.package or entry.ref,
        block=block,
        role=entry.role or f"{kind.name} of {block}",
        modes=kind.modes if entry.faultable else (),
        batch=entry.batch or f"{kind.name} of {block}",
        construction=entry.construction,
        position=entry.position or None,
        shares_bond_with=bond,
        when=entry.when or None,
        gate_board=entry.gate_board,
        bus_share=entry.bus_share,
        lift_cost=lift_cost,
    )


def _check_pins(entry: PartEntry, kind: PartKind, where: Place, problems: list[InputError]) -> None:
    accepted = ", ".join(kind.pins)
    for pin in entry.pins:
        if pin not in kind.pins:
            problems.append(
                InputError(
                    f"{kind.name} has no such pin; its pins are {accepted}",
                    where=str(where.at("pins", pin, words=f"pin {shown_key(pin)}")),
                )
            )
    for pin in kind.pins:
        if pin not in entry.pins:
            problems.append(
                InputError(
                    f"this pin is on no net; {kind.name} has {accepted}",
                    where=str(where.at("pins", pin, words=f"pin {shown_key(pin)}")),
                )
            )


def _values(
    entry: PartEntry, kind: PartKind, where: Place, problems: list[InputError], notes: list[str]
) -> dict[str, float]:
    """Return the complete values of a part: defaults filled, resistances kept inside what can be computed."""
    given = entry.model_extra or {}
    for key in given:
        if key not in kind.values:
            accepted = ", ".join([*kind.values, *(name for name in PartEntry.model_fields)])
            problems.append(
                InputError(
                    f"unknown key for kind {kind.name}; accepted are {accepted}",
                    where=str(where.at(key, words=f"key {shown_key(key)}")),
                )
            )
    values: dict[str, float] = {}
    for name, spec in kind.values.items():
        place = where.at(name, words=f"key {name}")
        found = given.get(name, spec.default)
        range_text = f"{spec.low:g} to {spec.high:g} {spec.unit}{' or 0' if spec.zero and spec.low > 0 else ''}"
        if found is None:
            problems.append(InputError(f"this value is missing; accepted is {range_text}", where=str(place)))
            continue
        if isinstance(found, bool) or not isinstance(found, int | float):
            problems.append(InputError(f"found {shown(found)}; accepted is a number, {range_text}", where=str(place)))
            continue
        inside = min(max(found, spec.low), spec.high)
        if inside != found and not (spec.zero and found == 0):
            # written so that NaN is refused as well
            if not (spec.clamped and 0 < found < float("inf")):
                problems.append(InputError(f"found {shown(found)}; accepted is {range_text}", where=str(place)))
                continue
            notes.append(f"{entry.ref}: {name} {shown(found)} {spec.unit} is taken as {inside:g} {spec.unit}")
        values[name] = 0.0 if found == 0 else float(inside)
    if kind.name == "diode" and values.keys() >= {"drop_1ma", "series_ohms"}:
        ohmic = 1e-3 * values["series_ohms"]
        if ohmic >= values["drop_1ma"]:
            found_text = f"series_ohms drops {ohmic:g} V of drop_1ma {values['drop_1ma']:g} V at 1 mA"
            place = where.at("series_ohms", words="key series_ohms")
            problems.append(InputError(f"{found_text}; accepted is less", where=str(place)))
    return values


def _cased_with(entry: PartEntry, entries: Mapping[str, tuple[str, PartEntry]]) -> list[PartEntry]:
    """Return the switches of the same position in the same case as a part."""
    return [
        other
        for _, other in entries.values()
        if other.kind in SWITCH_KINDS
        and (other.package or other.ref) == (entry.package or entry.ref)
        and other.position == entry.position
        and other.ref != entry.ref
    ]


def _bond(
    entry: PartEntry, entries: Mapping[str, tuple[str, PartEntry]], where: Place, problems: list[InputError]
) -> str | None:
    """Return the switch whose emitter joint a diode shares; by default the one it is co-packed with.

    In a module each die has bonds of its own, so there a board file has to say so.
    """
    named = entry.shares_bond_with
    if named:
        place = where.at("shares_bond_with", words="key shares_bond_with")
        if entry.kind != "diode":
            problems.append(InputError("only a diode shares a switch's joint", where=str(place)))
        elif named not in entries or entries[named][1].kind not in SWITCH_KINDS:
            problems.append(InputError(f"found {shown(named)}; accepted is a switch's ref", where=str(place)))
        return named
    if named is None and entry.kind == "diode" and entry.construction == "discrete":
        cased = _cased_with(entry, entries)
        if len(cased) == 1:
            return cased[0].ref
    return None


def _legs(entries: Mapping[str, tuple[str, PartEntry]]) -> set[tuple[str, str]]:
    """Return the (ref, pin) that stand for a leg of their case; other pins on that leg hide inside.

    A switch stands for its legs before a diode does, then file order counts.
    """
    owners: dict[tuple[str, str], tuple[str, str]] = {}
    for _, entry in sorted(entries.values(), key=lambda item: item[1].kind not in SWITCH_KINDS):
        for pin, net in entry.pins.items():
            owners.setdefault((entry.package or entry.ref, net), (entry.ref, pin))
    return set(owners.values())


def _lift_cost(
    entry: PartEntry, kind: PartKind, legs: set[tuple[str, str]], where: Place, problems: list[InputError]
) -> dict[str, float]:
    given = entry.lift_cost
    usual = MODULE_LIFT_COST if entry.construction == "module" else kind.lift_cost
    if isinstance(given, float):
        usual, given = given, None
    for pin, cost in (given or {}).items():
        if pin not in kind.pins or not 0.0 < cost <= 1000.0:
            accepted = f"a pin ({', '.join(kind.pins)}) and a cost above 0 up to 1000"
            problems.append(
                InputError(
                    f"found {shown_key(pin)} = {shown(cost)}; accepted is {accepted}",
                    where=str(where.at("lift_cost", pin, words="key lift_cost")),
                )
            )
    costs = {pin: usual if (entry.ref, pin) in legs else INSIDE_A_CASE_LIFT_COST for pin in kind.pins}
    return {**costs, **(given or {})}
