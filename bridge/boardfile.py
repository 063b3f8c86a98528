"""What a board file may hold: the pydantic models behind it, and their complaints in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from types import NoneType
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.errors import InputError
from bridge.tomllines import Place
from bridge.wording import bare, quoted

__all__ = [
    "BlockEntry",
    "BoardEntry",
    "DrawingEntry",
    "PartEntry",
    "TerminalEntry",
    "UseEntry",
    "check_entry",
    "shown",
    "shown_key",
]

_LONGEST_NAME = 64
_PLAIN_NAME = r"^[\w+~#-]+$"  # no dot (PART.pin), comma, at sign or blank: readings files part names at these
_ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"

Name = Annotated[str, Field(min_length=1, max_length=_LONGEST_NAME, pattern=_PLAIN_NAME)]
OptionalName = Annotated[str, Field(max_length=_LONGEST_NAME, pattern=r"^[\w+~#-]*$")]
Label = Annotated[str, Field(min_length=1, max_length=_LONGEST_NAME, pattern=_ONE_LINE)]
Line = Annotated[str, Field(max_length=200, pattern=_ONE_LINE)]
Prose = Annotated[str, Field(max_length=4000, pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]*$")]
Table = dict[str, Any]
Model = TypeVar("Model", bound=BaseModel)


class _Entry(BaseModel):
    """Strict: a number in quotes or a true where a number belongs is a slip, not a value."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class TerminalEntry(_Entry):
    """One ``[[terminal]]``."""

    name: Name
    net: Name | None = None
    what: Line = ""
    access: Literal["terminal", "pad", "pin"]


class PartEntry(_Entry):
    """One ``[[part]]``; keys beside these are values of its kind."""

    model_config = ConfigDict(extra="allow")

    ref: Name
    kind: str
    pins: dict[str, Name]
    tolerance: Annotated[float, Field(gt=0.0, lt=1.0)] | None = None
    package: Name | None = None
    block: Label | None = None
    role: Line = ""
    batch: Label | None = None
    construction: Literal["module", "discrete"] = "discrete"
    position: OptionalName = ""
    shares_bond_with: OptionalName | None = None
    when: Literal["", "motor", "coil", "transformer", "brake-resistor", "mains"] = ""
    gate_board: bool = False
    bus_share: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    lift_cost: Annotated[float, Field(gt=0.0, le=1000.0)] | dict[str, float] | None = None
    faultable: bool = True


class UseEntry(_Entry):
    """One ``[[use]]``; keys beside these are parameters of the block."""

    model_config = ConfigDict(extra="allow")

    block: str
    label: Label | None = None
    omit: list[str] = []
    repeat: dict[str, list[Any] | str] = Field(default={}, alias="for")


class BlockEntry(_Entry):
    """One ``[block.NAME]``: a template of parts and terminals."""

    about: Line = ""
    label: Label | None = None
    required: list[str] = []
    default: Table = {}
    terminal: list[Table] = []
    part: list[Table] = []
    use: list[Table] = []


class DrawingEntry(_Entry):
    """``[drawing]``: hints for the schematic; nothing else looks at them."""

    order: list[str] = []


class BoardEntry(_Entry):
    """A whole board file; parts and terminals are looked at after the blocks are expanded."""

    name: Name
    title: Annotated[str, Field(min_length=1, max_length=200, pattern=_ONE_LINE)]
    about: Prose = ""
    terminal: list[Table] = []
    part: list[Table] = []
    use: list[Table] = []
    block: dict[str, Table] = {}
    drawing: Table = {}


def shown(value: object) -> str:
    """Return a value of a file as messages show it: one short printable line."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a huge number"
    return {list: "a list", dict: "a table", NoneType: "nothing"}.get(type(value), "a date or time")


def shown_key(name: object) -> str:
    """Return a key or designator as messages show it: bare where that is readable, else quoted."""
    return bare(str(name) if isinstance(name, str | int) else shown(name))


def _accepted_keys(model: type[BaseModel]) -> str:
    return ", ".join(field.alias or name for name, field in model.model_fields.items())


def _say(error: Mapping[str, Any], model: type[BaseModel]) -> str:
    """Return one pydantic complaint as what was found and what is accepted."""
    kind, found = error["type"], shown(error.get("input"))
    if kind == "extra_forbidden":
        return f"unknown key; accepted are {_accepted_keys(model)}"
    if kind == "missing":
        return "this key is missing"
    if kind == "string_pattern_mismatch":
        return f"found {found}; accepted are letters, digits, _ + ~ # - (in texts: no control characters)"
    text = str(error["msg"]).removeprefix("Input should be ").removeprefix("String should have ")
    return f"found {found}; accepted is {text}"


def _path(steps: tuple[int | str, ...], table: Mapping[str, Any]) -> str:
    """Return the key a complaint is about; deeper steps tell of the model, not of the file."""
    value = table.get(str(steps[0]))
    if len(steps) > 1 and isinstance(value, dict) and steps[1] in value:
        return f"{shown_key(steps[0])}.{shown_key(steps[1])}"
    if len(steps) > 1 and isinstance(value, list) and isinstance(steps[1], int):
        return f"{shown_key(steps[0])}, number {steps[1] + 1}"
    return shown_key(steps[0])


def check_entry(model: type[Model], table: Mapping[str, Any], where: Place, problems: list[InputError]) -> Model | None:
    """Return a table of a file as a checked entry, or None with its problems appended.

    Parameters
    ----------
    model : type
        Entry the table should be.
    table : mapping
        Table as read from TOML.
    where : Place
        Where the table is, for the messages.
    problems : list of InputError
        Receives every problem found.
    """
    try:
        return model.model_validate(table)
    except ValidationError as error:
        seen: set[str] = set()
        for detail in error.errors(include_url=False):
            # a union reports each of its arms; one complaint per key is enough
            key = str(detail["loc"][0]) if detail["loc"] else ""
            if key in seen:
                continue
            seen.add(key)
            steps = [step for step in detail["loc"][:2] if isinstance(step, str)]
            place = where.at(*steps, words=f"key {_path(detail['loc'], table)}") if key else where
            problems.append(InputError(_say(detail, model), where=str(place)))
        return None
