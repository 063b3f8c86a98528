"""Board files: finds them, reads them, checks everything and reports every problem at once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from bridge.blocks import expand_uses
from bridge.boardfile import BlockEntry, BoardEntry, PartEntry, TerminalEntry, check_entry
from bridge.boardmodel import Board, Part, Terminal
from bridge.errors import InputError, InputErrors, MachineError
from bridge.oddities import oddities
from bridge.partkinds import (
    INSIDE_A_CASE_LIFT_COST,
    MODULE_LIFT_COST,
    PART_KINDS,
    SWITCH_KINDS,
    PartKind,
)

__all__ = ["Board", "Part", "Terminal", "list_boards", "load_board", "oddities", "parse_board"]

_BLOCKS_FILE = "blocks.toml"
_LARGEST_FILE = 1_000_000  # bytes; the largest shipped board has about 5 000


def _topologies() -> Path:
    """Return the folder of shipped boards: inside the installed package, else beside it in a checkout."""
    here = Path(__file__).resolve().parent
    for folder in (here / "topologies", here.parent / "topologies"):
        if (folder / _BLOCKS_FILE).is_file():
            return folder
    raise MachineError(f"{here / 'topologies'}: the shipped boards are missing, install the package again")


def list_boards() -> tuple[str, ...]:
    """Return the names of the shipped boards, sorted."""
    return tuple(sorted(path.stem for path in _topologies().glob("*.toml") if path.name != _BLOCKS_FILE))


def load_board(name_or_path: str) -> Board:
    """Return a shipped board by name, or the board of a file.

    Parameters
    ----------
    name_or_path : str
        A path if it has a separator or ends in ``.toml``, else the name of a shipped board.

    Raises
    ------
    InputError
        No such board or file, or the file is not a sound board; `InputErrors` where there are several problems.

    Examples
    --------
    >>> load_board("six-switch-bridge").main_terminals
    ('P', 'N', 'U', 'V', 'W')
    """
    if "/" in name_or_path or "\\" in name_or_path or name_or_path.endswith(".toml"):
        return parse_board(_read(Path(name_or_path)), name_or_path)
    names = list_boards()
    if name_or_path not in names:
        raise InputError(
            f"no shipped board is called {name_or_path!r}; there are {', '.join(names)}, or give a path ending in .toml"
        )
    return parse_board(_read(_topologies() / f"{name_or_path}.toml"), f"{name_or_path}.toml")


def _read(path: Path) -> str:
    """Return the text of a board file."""
    where = str(path)
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except FileNotFoundError:
        raise InputError("there is no such file", where=where) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(f"cannot be read as a board file: {reason}", where=where) from None
    if len(content) > _LARGEST_FILE:
        raise InputError(f"larger than {_LARGEST_FILE} bytes, no board file is", where=where)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"byte {error.start} is not UTF-8 text; board files are TOML in UTF-8", where=where) from None


def _toml(text: str, source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not valid TOML: {error}", where=source) from None
    except RecursionError:
        raise InputError("not valid TOML: nested too deep", where=source) from None


def _blocks(tables: Mapping[str, Any], source: str, problems: list[InputError]) -> dict[str, BlockEntry]:
    entries = {
        name: check_entry(BlockEntry, table, f"{source}, block {name}", problems) for name, table in tables.items()
    }
    return {name: entry for name, entry in entries.items() if entry is not None}


@lru_cache(maxsize=1)
def _shipped_blocks() -> Mapping[str, BlockEntry]:
    """Return the blocks of blocks.toml; read once, since every board needs them."""
    problems: list[InputError] = []
    blocks = _blocks(_toml(_read(_topologies() / _BLOCKS_FILE), _BLOCKS_FILE)["block"], _BLOCKS_FILE, problems)
    if problems:
        raise InputErrors(problems)
    return blocks


def parse_board(text: str, source: str) -> Board:
    """Return the board that a file's text describes.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        The text is no sound board; `InputErrors` lists every problem where there are several.
    """
    problems: list[InputError] = []
    entry = check_entry(BoardEntry, _toml(text, source), source, problems)
    if entry is None:
        raise _as_one(problems)
    blocks = {**_shipped_blocks(), **_blocks(entry.block, source, problems)}
    expansion = expand_uses(entry.use, blocks, source, problems)
    notes: list[str] = []
    part_tables = [*expansion.parts, *(("", table) for table in entry.part)]
    terminal_tables = [*(("", table) for table in entry.terminal), *expansion.terminals]
    parts = _parts(part_tables, source, problems, notes)
    nets = {net for part in parts.values() for net in part.pins.values()}
    terminals = _terminals((table for _, table in terminal_tables), nets if not problems else None, source, problems)
    if not problems and not parts:
        problems.append(InputError("the board has no parts", where=source))
    if not problems and not terminals:
        problems.append(InputError("the board has no terminals, so no lead can touch it", where=source))
    if problems:
        raise _as_one(problems)
    return Board(entry.name, entry.title, entry.about.strip(), terminals, parts, source, tuple(notes))


def _as_one(problems: list[InputError]) -> InputError:
    return problems[0] if len(problems) == 1 else InputErrors(problems)


def _terminals(
    tables: Iterable[Mapping[str, Any]], nets: set[str] | None, source: str, problems: list[InputError]
) -> dict[str, Terminal]:
    """Return the terminals; ``nets`` is None where broken parts would make every net look unknown."""
    terminals: dict[str, Terminal] = {}
    for number, table in enumerate(tables, start=1):
        where = f"{source}, terminal {table.get('name', number)}"
        entry = check_entry(TerminalEntry, table, where, problems)
        if entry is None:
            continue
        net = entry.net or entry.name
        if entry.name in terminals:
            problems.append(InputError("this terminal is there twice", where=where))
        elif nets is not None and net not in nets:
            problems.append(InputError(f"no part is on net {net!r}", where=where))
        terminals[entry.name] = Terminal(entry.name, net, entry.what, entry.access)
    return terminals


def _parts(
    tables: Iterable[tuple[str, Mapping[str, Any]]], source: str, problems: list[InputError], notes: list[str]
) -> dict[str, Part]:
    entries: dict[str, tuple[str, PartEntry]] = {}
    for number, (block, table) in enumerate(tables, start=1):
        where = f"{source}, part {table.get('ref', number)}"
        entry = check_entry(PartEntry, table, where, problems)
        if entry is None:
            continue
        if entry.ref in entries:
            problems.append(InputError("this part is there twice", where=where))
        entries[entry.ref] = (block, entry)
    parts: dict[str, Part] = {}
    for ref, (block, entry) in entries.items():
        where = f"{source}, part {ref}"
        kind = PART_KINDS.get(entry.kind)
        if kind is None:
            accepted = ", ".join(PART_KINDS)
            problems.append(InputError(f"found {entry.kind!r}; accepted are {accepted}", where=f"{where}, key kind"))
            continue
        _check_pins(entry, kind, where, problems)
        values = _values(entry, kind, where, problems, notes)
        bond = _bond(entry, entries, where, problems)
        parts[ref] = _part(block, entry, kind, values, bond, _lift_cost(entry, kind, entries, where, problems))
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
        role=entry.role or f"{kind.name}{f' of {block}' if block else ''}",
        modes=kind.modes if entry.faultable else (),
        batch=entry.batch or " of ".join(word for word in (kind.name, block) if word),
        construction=entry.construction,
        position=entry.position or None,
        shares_bond_with=bond,
        when=entry.when or None,
        gate_board=entry.gate_board,
        bus_share=entry.bus_share,
        lift_cost=lift_cost,
    )


def _check_pins(entry: PartEntry, kind: PartKind, where: str, problems: list[InputError]) -> None:
    accepted = ", ".join(kind.pins)
    for pin in entry.pins:
        if pin not in kind.pins:
            problems.append(InputError(f"{kind.name} has no such pin; its pins are {accepted}", where=f"{where}, pin {pin}"))
    for pin in kind.pins:
        if pin not in entry.pins:
            problems.append(InputError(f"this pin is on no net; {kind.name} has {accepted}", where=f"{where}, pin {pin}"))


def _values(
    entry: PartEntry, kind: PartKind, where: str, problems: list[InputError], notes: list[str]
) -> dict[str, float]:
    """Return the complete values of a part, defaults filled and resistances kept inside what can be computed."""
    given = entry.model_extra or {}
    for key in given:
        if key not in kind.values:
            accepted = ", ".join([*kind.values, *(name for name in PartEntry.model_fields)])
            problems.append(InputError(f"unknown key for kind {kind.name}; accepted are {accepted}", where=f"{where}, key {key}"))
    values: dict[str, float] = {}
    for name, spec in kind.values.items():
        key = f"{where}, key {name}"
        found = given.get(name, spec.default)
        range_text = f"{spec.low:g} to {spec.high:g} {spec.unit}{' or 0' if spec.zero and spec.low > 0 else ''}"
        if found is None:
            problems.append(InputError(f"this value is missing; accepted is {range_text}", where=key))
            continue
        if isinstance(found, bool) or not isinstance(found, int | float):
            problems.append(InputError(f"found {found!r}; accepted is a number, {range_text}", where=key))
            continue
        inside = min(max(float(found), spec.low), spec.high)
        if inside != found and not (spec.zero and found == 0):
            # written so that NaN is refused as well
            if not (spec.clamped and 0 < found < float("inf")):
                problems.append(InputError(f"found {found:g}; accepted is {range_text}", where=key))
                continue
            notes.append(f"{entry.ref}: {name} {found:g} {spec.unit} is taken as {inside:g} {spec.unit}")
        values[name] = 0.0 if found == 0 else inside
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
    entry: PartEntry, entries: Mapping[str, tuple[str, PartEntry]], where: str, problems: list[InputError]
) -> str | None:
    """Return the switch whose emitter joint a diode shares; by default the one it is co-packed with.

    In a module each die has bonds of its own, so there a board file has to say so.
    """
    named = entry.shares_bond_with
    if named:
        if entry.kind != "diode":
            problems.append(InputError("only a diode shares a switch's joint", where=f"{where}, key shares_bond_with"))
        elif named not in entries or entries[named][1].kind not in SWITCH_KINDS:
            problems.append(InputError(f"found {named!r}; accepted is a switch's ref", where=f"{where}, key shares_bond_with"))
        return named
    if named is None and entry.kind == "diode" and entry.construction == "discrete":
        cased = _cased_with(entry, entries)
        if len(cased) == 1:
            return cased[0].ref
    return None


def _lift_cost(
    entry: PartEntry,
    kind: PartKind,
    entries: Mapping[str, tuple[str, PartEntry]],
    where: str,
    problems: list[InputError],
) -> dict[str, float]:
    if entry.kind not in SWITCH_KINDS and _cased_with(entry, entries):
        usual = INSIDE_A_CASE_LIFT_COST
    else:
        usual = MODULE_LIFT_COST if entry.construction == "module" else kind.lift_cost
    if entry.lift_cost is None:
        return dict.fromkeys(kind.pins, usual)
    if isinstance(entry.lift_cost, float):
        return dict.fromkeys(kind.pins, entry.lift_cost)
    for pin, cost in entry.lift_cost.items():
        if pin not in kind.pins or not 0.0 < cost <= 1000.0:
            accepted = f"a pin ({', '.join(kind.pins)}) and a cost above 0 up to 1000"
            problems.append(InputError(f"found {pin} = {cost:g}; accepted is {accepted}", where=f"{where}, key lift_cost"))
    return {pin: entry.lift_cost.get(pin, usual) for pin in kind.pins}
