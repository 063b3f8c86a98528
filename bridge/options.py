"""Options that commands share: which board, which meter, and the state of the bench."""

from __future__ import annotations

import contextlib
import functools
import inspect
import re
import sys
from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from bridge.errors import InputError
from bridge.layout import write_text
from bridge.wording import quoted

if TYPE_CHECKING:
    from bridge.board import Board
    from bridge.firstpower import BenchSupply
    from bridge.meter import MeterProfile
    from bridge.probing import Setup

__all__ = [
    "AsJson",
    "BenchOptions",
    "BoardName",
    "LimitAmps",
    "ReferenceName",
    "SeenBefore",
    "SupplyVolts",
    "certainty",
    "load_told",
    "typed_supply",
    "whole_number",
    "with_bench_options",
]


MOST_ODDITIES = 5  # told in one line; `show` lists all


def _boards(begun: str) -> list[str]:
    """Return the shipped boards a word may become, for the shell that completes it."""
    from bridge.board import list_boards

    return [name for name in list_boards() if name.startswith(begun)]


def _meters(begun: str) -> list[str]:
    """Return the shipped meters a word may become."""
    from bridge.meter import list_meters

    return [name for name in list_meters() if name.startswith(begun)]


BoardName = Annotated[
    str,
    typer.Argument(
        metavar="BOARD",
        help="Name of a shipped board, or path to a board file.",
        show_default=False,
        autocompletion=_boards,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Answer in JSON.")]

ReferenceName = Annotated[
    str | None,
    typer.Option(
        "--reference",
        metavar="READINGS",
        help="Readings of a good board of the same kind; they narrow what the drops may be.",
        show_default=False,
    ),
]
SeenBefore = Annotated[
    list[str] | None,
    typer.Option(
        "--seen",
        metavar="WHAT",
        help='What was seen before any reading: "F_1 open", "trips at switch-on". Repeatable.',
    ),
]

SupplyVolts = Annotated[
    str | None,
    typer.Option(
        "--supply", metavar="VOLTS", help="A bench supply of 12 to 30 V feeds P to N; all readings are volts."
    ),
]
LimitAmps = Annotated[
    str | None, typer.Option("--limit", metavar="AMPS", help="Current limit of the bench supply. [default: 0.1]")
]

# set-up key as bench journals name it -> option a person typed
OPTION_OF = {
    "connected": "--connected",
    "lift": "--lifted",
    "setup.lifted": "--lifted",
    "setup.bus_volts": "--bus-volts",
    "setup.dwell_s": "--dwell",
    "setup.temperature_c": "--temperature",
}


@dataclass(frozen=True, slots=True)
class BenchOptions:
    """The meter and the state of the bench, as typed; None where nothing was.

    The type of each field is its option on the command line.
    """

    meter: Annotated[
        str | None,
        typer.Option(
            "--meter",
            metavar="NAME|FILE",
            help="Meter: a shipped one or a file. [default: handheld]",
            autocompletion=_meters,
        ),
    ] = None
    connected: Annotated[
        list[str] | None,
        typer.Option(
            "--connected",
            metavar="WHAT",
            help="What was left connected: motor, coil, transformer, brake-resistor or mains. Repeatable.",
        ),
    ] = None
    lifted: Annotated[
        list[str] | None,
        typer.Option("--lifted", metavar="PART.pin", help="Pin lifted off the board for all readings. Repeatable."),
    ] = None
    relay: Annotated[
        str | None, typer.Option("--relay", metavar="closed|open", help="State of the relays. [default: open]")
    ] = None
    bus_volts: Annotated[
        str | None, typer.Option("--bus-volts", metavar="V", help="Charge left on the bus, in volts. [default: 0]")
    ] = None
    unplugged: Annotated[bool, typer.Option("--unplugged", help="The gate board is off.")] = False
    dwell: Annotated[
        str | None,
        typer.Option("--dwell", metavar="S", help="Seconds the leads rest before the display is read. [default: 3]"),
    ] = None
    temperature: Annotated[
        str | None, typer.Option("--temperature", metavar="C", help="Board temperature in deg C. [default: 25]")
    ] = None

    @property
    def states_setup(self) -> bool:
        """Whether anything about the state of the bench was typed."""
        typed = (self.connected, self.lifted, self.relay, self.bus_volts, self.dwell, self.temperature)
        return self.unplugged or any(value is not None for value in typed)

    def load_meter(self) -> MeterProfile | None:
        """Return the meter asked for; None where none was."""
        from bridge.meter import load_meter

        return None if self.meter is None else _naming("--meter", load_meter, self.meter)

    def setup(self, board: Board, base: Setup | None = None) -> Setup:
        """Return the set-up asked for.

        Parameters
        ----------
        board : Board
            The board, for lifted pins.
        base : Setup, optional
            What holds where nothing was typed; an empty bench by default.

        Raises
        ------
        InputError
            A value that is not accepted; the option is named.
        """
        from bridge.journal import parse_setup, setup_mapping
        from bridge.probing import Setup

        mapping = setup_mapping(base or Setup())
        typed = {
            "connected": self.connected,
            "lifted": self.lifted,
            "bus_volts": _number(self.bus_volts),
            "dwell_s": _number(self.dwell),
            "temperature_c": _number(self.temperature),
        }
        mapping.update((key, value) for key, value in typed.items() if value is not None)
        if self.relay is not None:
            if self.relay not in ("closed", "open"):
                raise InputError(f"{quoted(self.relay)}; accepted: closed, open", where="--relay")
            mapping["relay_closed"] = self.relay == "closed"
        if self.unplugged:
            mapping["unplugged"] = True
        try:
            return parse_setup(mapping, board)
        except InputError as error:
            place = str(error).partition(": ")[0]
            raise InputError(error.problem, where=OPTION_OF.get(place, place)) from None


def load_told(board: str, *, silent: bool = False, pairs: bool = False) -> Board:
    """Return the board asked for; what is odd about a file of the user's own is told on standard error, in one line.

    Parameters
    ----------
    board : str
        Name of a shipped board, or path of a board file.
    silent : bool
        Whether nothing is told: a program reads the answer.
    pairs : bool
        Whether pairs of faults will be weighed; that those of a very large board are not all is told, too.
    """
    from bridge.board import load_board, oddities
    from bridge.faults import MOST_PAIRED, list_faults
    from bridge.textfile import is_path

    known = load_board(board)
    odd = oddities(known) if is_path(board) and not silent else ()
    lines = []
    if odd:
        more = f"; and {len(odd) - MOST_ODDITIES} more" if len(odd) > MOST_ODDITIES else ""
        lines.append(f"odd about this board file: {'; '.join(odd[:MOST_ODDITIES])}{more}")
    many = len(list_faults(known)) if pairs and is_path(board) and not silent else 0
    if many > MOST_PAIRED:
        whose = f"{MOST_PAIRED} of its {many} faults, the likeliest, of equals the first by name"
        lines.append(f"a very large board: pairs are weighed of {whose}")
    for line in lines:
        with contextlib.suppress(OSError, ValueError, AttributeError):  # nobody listens: the answer comes all the same
            write_text(f"{known.source}: {line}\n", sys.stderr)
    return known


def typed_supply(supply: str | None, limit: str | None) -> BenchSupply | None:
    """Return the bench supply that was typed, None where none was.

    Parameters
    ----------
    supply, limit : str or None
        Voltage and current limit as typed.

    Raises
    ------
    InputError
        A value that is not accepted, or a limit without a supply; the option is named.
    """
    if supply is None:
        if limit is not None:
            raise InputError(f"{quoted(limit)} without a supply; accepted: with --supply", where="--limit")
        return None
    from bridge.firstpower import supply_from

    return supply_from(supply, limit)


def whole_number(text: str, option: str, least: int = 0, most: int | None = None) -> int:
    """Return a whole number that was typed.

    Options take words and are read here, for the library's own refusals say neither what was typed nor what would do.

    Parameters
    ----------
    text : str
        As typed.
    option : str
        The option it was typed for, named where it is refused.
    least, most : int
        The smallest number that is accepted, and the largest; None for no limit.

    Raises
    ------
    InputError
        No whole number, or one beyond the limits.

    Examples
    --------
    >>> whole_number("12", "--top")
    12
    """
    digits = re.fullmatch(r"[0-9]{1,40}", text) is not None
    if digits and least <= int(text) and (most is None or int(text) <= most):
        return int(text)
    limits = f"{least} or more" if most is None else f"{least} to {most}"
    raise InputError(f"{text if digits else quoted(text)}; accepted: a whole number, {limits}", where=option)


def certainty(typed: str | float) -> float:
    """Return how probable an answer must be to stand [1], as typed with ``--certain``.

    Parameters
    ----------
    typed : str or float
        As typed.

    Raises
    ------
    InputError
        No number between 0.5 and 1.
    """
    number = _number(str(typed))
    if isinstance(number, float) and 0.5 < number < 1.0:
        return number
    shown = f"{number:g}" if isinstance(number, float) else quoted(str(number))
    raise InputError(f"{shown}; accepted: a number, more than 0.5 and less than 1", where="--certain")


def _number(text: str | None) -> float | str | None:
    """Return a number, or what was typed where it is none: then the set-up refuses it in its own words."""
    if text is None:
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text


def _naming(option: str, load: Callable[[str], MeterProfile], text: str) -> MeterProfile:
    try:
        return load(text)
    except InputError as error:
        raise InputError(str(error), where=option) from None


def with_bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of `BenchOptions` in place of its keyword parameter ``bench``.

    Parameters
    ----------
    command : callable
        A command whose parameter ``bench`` takes a `BenchOptions`.

    Returns
    -------
    callable
        The command as the command line sees it: one parameter for each option.
    """
    own = inspect.signature(command)
    own_hints = get_type_hints(command, include_extras=True)
    bench_hints = get_type_hints(BenchOptions, include_extras=True)
    keyword = inspect.Parameter.KEYWORD_ONLY
    parameters = [
        parameter.replace(kind=keyword, annotation=own_hints[name])
        for name, parameter in own.parameters.items()
        if name != "bench"
    ]
    parameters += [
        inspect.Parameter(
            field.name,
            keyword,
            default=inspect.Parameter.empty if field.default is MISSING else field.default,
            annotation=bench_hints[field.name],
        )
        for field in fields(BenchOptions)
    ]

    @functools.wraps(command)
    def with_options(**typed: Any) -> Any:
        bench = BenchOptions(**{field.name: typed.pop(field.name) for field in fields(BenchOptions)})
        return command(**typed, bench=bench)

    with_options.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    with_options.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return with_options
