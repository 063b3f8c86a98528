"""Making a board safe before a lead touches it: where to measure, how long to wait, and what to do.

V = V0 exp(-t / RC) for a capacitor that empties through its resistor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.board import Board, Part
from bridge.charge import DANGEROUS_V, EMPTY_V
from bridge.circuit import SMALLEST_OHMS
from bridge.units import format_compact, format_ohms

__all__ = ["SafePoint", "Wait", "fall_seconds", "making_safe", "safe_points", "seconds_words", "waits"]

# peak of the mains behind a rectifier: 400 V three-phase, 230 V single-phase
THREE_PHASE_V = 400.0 * math.sqrt(2.0)
SINGLE_PHASE_V = 230.0 * math.sqrt(2.0)
EXEMPT_COULOMBS = 60e-6  # stored charge below this is exempt (IEC 60204-1, 6.2.4)
RAILS_OF_THE_DRIVERS = ("C_BS_", "C_VCC", "C_VDD")  # a gate supply: 15 to 20 V
BEFORE_THE_WAIT = (
    "Pull the plug or lock the supply out, and make sure that nobody can switch it on again. A switch, a relay or an "
    "emergency stop is no isolation."
)
AFTER_THE_WAIT = (
    "An open bleeder or precharge resistor makes any computed wait false, and that is a fault looked for here. So "
    "prove the voltmeter on a source known to be live, then measure, in a DC range good for the bus:"
)
DISCHARGE = (
    f"Above {DANGEROUS_V:g} V it is dangerous to touch (IEC 60204-1, 6.4). Discharge through a resistor rated for the "
    "voltage and the energy, held with insulated tools; never with a blade. Then measure again. Diode and ohms modes "
    f"want {EMPTY_V:g} V or less (common practice, no source)."
)
DEFER = (
    "Work on mains equipment belongs to people who have learnt it; local code, the employer's rules and the maker's "
    "manual go before this page."
)


@dataclass(frozen=True, slots=True)
class SafePoint:
    """Two places between which charge is looked for, and what holds it there."""

    red: str
    black: str
    what: str


@dataclass(frozen=True, slots=True)
class Wait:
    """A capacitor of the bus and what empties it.

    Parameters
    ----------
    capacitor : str
        Its name.
    bleeders : tuple of str
        Resistors straight across it; none where nothing empties it.
    farads, ohms : float
        Largest capacitance [F] and resistance [ohm] within tolerance; infinite without a bleeder.
    start_volts : float
        What it holds when the supply is cut off [V].
    """

    capacitor: str
    bleeders: tuple[str, ...]
    farads: float
    ohms: float
    start_volts: float


def fall_seconds(farads: float, ohms: float, start: float, end: float) -> float:
    """Return how long a capacitor takes to fall through a resistor [s].

    Parameters
    ----------
    farads : float
        Capacitance [F].
    ohms : float
        Resistance [ohm].
    start, end : float
        Voltages [V].
    """
    return ohms * farads * math.log(start / end) if start > end else 0.0


def _bus_capacitors(board: Board) -> list[Part]:
    return [part for part in board.parts.values() if part.kind == "capacitor" and part.bus_share > 0.0]


def _mains_peak(board: Board) -> float:
    return SINGLE_PHASE_V if "AC1" in board.terminals else THREE_PHASE_V


def _charged_capacitors(board: Board) -> list[Part]:
    """Return the bus capacitors, then others that may hold more than an exempt charge at mains voltage."""
    others = [
        part
        for part in board.parts.values()
        if part.kind == "capacitor"
        and part.bus_share == 0.0
        and not part.ref.startswith(RAILS_OF_THE_DRIVERS)
        and part.values["farads"] * _mains_peak(board) > EXEMPT_COULOMBS
    ]
    return [*_bus_capacitors(board), *others]


def _place(board: Board, part: Part, pin: str) -> str:
    """Return the terminal easiest to reach on a pin's net, else the pin."""
    here = [terminal for terminal in board.terminals.values() if terminal.net == part.pins[pin]]
    here.sort(key=lambda terminal: ("terminal", "pad", "pin").index(terminal.access))
    return here[0].name if here else f"{part.ref}.{pin}"


def safe_points(board: Board) -> tuple[SafePoint, ...]:
    """Return where to measure before diode or ohms mode: bus, ahead of the precharge resistor, each capacitor.

    Parameters
    ----------
    board : Board
        The board.
    """
    found: dict[tuple[str, str], str] = {}
    if {"P", "N"} <= set(board.terminals):
        found["P", "N"] = "the bus"
    if {"PR", "N"} <= set(board.terminals):
        found["PR", "N"] = "the rectifier, ahead of the precharge resistor"
    for part in _charged_capacitors(board):
        found.setdefault((_place(board, part, "a"), _place(board, part, "b")), f"{part.ref}, {part.role}")
    return tuple(SafePoint(red, black, what) for (red, black), what in found.items())


def waits(board: Board) -> tuple[Wait, ...]:
    """Return what each bus capacitor holds and what empties it, at the slow end of its tolerances.

    Parameters
    ----------
    board : Board
        The board.

    Notes
    -----
    The voltage is the peak of 400 V mains where a three-phase rectifier is on the board or none at all, else that of
    230 V mains.
    """
    mains = _mains_peak(board)
    found = []
    for part in _bus_capacitors(board):
        ends = set(part.pins.values())
        across = [
            other
            for other in board.parts.values()
            if other.kind == "resistor" and other.when is None and set(other.pins.values()) == ends
        ]
        siemens = sum(1.0 / (max(other.values["ohms"], SMALLEST_OHMS) * (1.0 + other.tolerance)) for other in across)
        found.append(
            Wait(
                part.ref,
                tuple(other.ref for other in across),
                part.values["farads"] * (1.0 + part.tolerance),
                1.0 / siemens if siemens else math.inf,
                mains * part.bus_share,
            )
        )
    return tuple(found)


def seconds_words(seconds: float) -> str:
    """Return a time as it is said: ``3 s``, ``2 min 40 s``, ``15 min``.

    Parameters
    ----------
    seconds : float
        The time [s].

    Examples
    --------
    >>> [seconds_words(value) for value in (2.2, 158.0, 900.0)]
    ['3 s', '2 min 40 s', '15 min']
    """
    if seconds < 60.0:
        return f"{math.ceil(seconds)} s"
    tens = math.ceil(seconds / 10.0) * 10
    minutes, rest = divmod(tens, 60)
    return f"{minutes} min {rest} s" if rest and minutes < 10 else f"{minutes + (rest > 0)} min"


def _wait_words(wait: Wait) -> str:
    text = format_compact(wait.farads, 2).replace("u", "\N{MICRO SIGN}")
    size = f"{text[:-1]} {text[-1]}" if not text[-1].isdigit() else f"{text} "
    if not wait.bleeders:
        return f"{wait.capacitor} (up to {size}F) has no bleeder of its own: it may stay charged for days."
    dangerous = seconds_words(fall_seconds(wait.farads, wait.ohms, wait.start_volts, DANGEROUS_V))
    empty = seconds_words(fall_seconds(wait.farads, wait.ohms, wait.start_volts, EMPTY_V))
    return (
        f"{wait.capacitor} (up to {size}F) through {' and '.join(wait.bleeders)} ({format_ohms(wait.ohms)}): from "
        f"{wait.start_volts:.0f} V to {DANGEROUS_V:g} V in {dangerous}, to {EMPTY_V:g} V in {empty}. At first it holds "
        f"{float(f'{0.5 * wait.farads * wait.start_volts**2:.2g}'):g} J, which a discharge resistor has to take."
    )


def making_safe(board: Board) -> tuple[str, ...]:
    """Return what to do before a lead touches the board, step by step, up to the measuring.

    Parameters
    ----------
    board : Board
        The board.
    """
    every = waits(board)
    steps = [f"1. {BEFORE_THE_WAIT}"]
    if every:
        words = " ".join(_wait_words(wait) for wait in every)
        steps.append(
            f"2. Wait. {words} A machine's own capacitors may be larger, its label gives its wait (IEC 60204-1, "
            f"6.2.4: {DANGEROUS_V:g} V within 5 s, else a warning that names the delay)."
        )
        steps.append(f"3. {AFTER_THE_WAIT} {', '.join(f'{p.red} to {p.black}' for p in safe_points(board))}.")
        steps.append(f"4. {DISCHARGE}")
    else:
        steps.append(
            "2. This board file has no bus capacitor. Whatever else is wired to it may hold charge: measure between "
            f"all main terminals. {DISCHARGE}"
        )
    if any(part.kind in ("igbt", "mosfet") for part in board.parts.values()) and not any(
        part.ref.startswith("RGE_") for part in board.parts.values()
    ):
        steps.append(
            f"{len(steps) + 1}. These gates have no pull-down and may hold charge: tie each gate to its emitter for a "
            "moment before reading."
        )
    return (*steps, DEFER)
