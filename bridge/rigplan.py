"""Setting up the lamp rig: values where none are given, and what is refused or warned about before power goes on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from bridge.errors import InputError
from bridge.lamp import Lamp, parse_lamp
from bridge.preferred import best_e12
from bridge.rig import Rig, RigCase, RigState, rig_states
from bridge.switchpart import SwitchPart, typed_part
from bridge.units import format_ohms, format_volts, parse_quantity
from bridge.wording import quoted

__all__ = ["RigPlan", "plan_from", "plan_rig"]

USUAL_SUPPLY_V = 12.0  # common practice, no source
SUPPLY_V = (3.0, 60.0)  # above 60 V direct voltage is dangerous to touch (IEC 60204-1, 6.4)
SERIES_OHMS = (10.0, 1e6)
PULL_DOWN_OHMS = (100.0, 1e6)

# All of these are common practice, no source.
USUAL_PULL_DOWN_OHMS = 10e3
LEAST_SERIES_OHMS = 1e3
LAMP_VOLTS = (6.0, 12.0, 24.0, 36.0, 48.0, 60.0)
LAMP_WATTS = (5.0, 3.0, 2.0, 1.0)  # the first that the switch stands
OVERRUN_LAMP = 1.1  # of its rated voltage: it blackens early
BURNT_LAMP = 1.5  # of its rated voltage: it does not last the test
SHARE_OF_GATE_LIMIT = 0.75
ABOVE_FULL_ON_V = 2.0
HEATSINK_W = 1.5  # a bare case in free air


@dataclass(frozen=True, slots=True)
class RigPlan:
    """A rig ready for power.

    Parameters
    ----------
    rig : Rig
        Supply, lamp, resistors and part.
    proposed : tuple of str
        What was not given and is proposed, in words.
    gate_volts : float
        Gate of a good switch with the button pressed [V].
    hot_amps, cold_amps : float
        Lamp current with the button pressed, settled and at the first instant [A].
    warnings : tuple of str
        What will not go as it should.
    cautions : tuple of str
        What to mind for one's own safety.
    """

    rig: Rig
    proposed: tuple[str, ...]
    gate_volts: float
    hot_amps: float
    cold_amps: float
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]


def plan_from(
    part: str | None, supply: str | None, lamp: str | None, series: str | None, pull_down: str | None
) -> RigPlan:
    """Return a rig from what was typed; None stands for what was not.

    Parameters
    ----------
    part : str or None
        Name or file of the part.
    supply : str or None
        Volts.
    lamp : str or None
        ``VOLTSxWATTS``.
    series, pull_down : str or None
        Ohms.

    Raises
    ------
    InputError
        Something that is not accepted; the option is named.
    """
    return plan_rig(
        typed_part(part),
        _typed(supply, "V", "--supply"),
        None if lamp is None else parse_lamp(lamp),
        _typed(series, "ohm", "--series"),
        _typed(pull_down, "ohm", "--pull-down"),
    )


def _typed(text: str | None, unit: str, where: str) -> float | None:
    if text is None:
        return None
    try:
        quantity = parse_quantity(text)
    except InputError as error:
        raise InputError(error.problem, where=where) from None
    if quantity.unit not in ("", unit):
        raise InputError(f"{quoted(text)} is in {quantity.unit}; accepted: {unit}", where=where)
    return quantity.value


def plan_rig(
    part: SwitchPart,
    supply: float | None = None,
    lamp: Lamp | None = None,
    series: float | None = None,
    pull_down: float | None = None,
) -> RigPlan:
    """Return a rig for a part, with lamp and resistors of preferred values where none are given.

    Parameters
    ----------
    part : SwitchPart
        The switch to test.
    supply : float or None
        Supply voltage [V]; None for the usual 12 V.
    lamp : Lamp or None
        The lamp; None proposes one.
    series, pull_down : float or None
        Resistor from the button to the gate, and from gate to emitter [ohm]; None proposes them.

    Raises
    ------
    InputError
        A value out of range, a gate voltage or lamp current the part does not stand, a lamp that would burn out.
    """
    proposed: list[str] = []
    volts = USUAL_SUPPLY_V if supply is None else _within(supply, SUPPLY_V, "V", "--supply")
    if volts >= part.rated_volts:
        raise InputError(
            f"{volts:g} V on a switch rated {part.rated_volts:g} V; accepted: less than its rating", where="--supply"
        )
    if lamp is None:
        lamp = _propose_lamp(part, volts)
        proposed.append(f"lamp {lamp}")
    given = _given(series, SERIES_OHMS, "--series"), _given(pull_down, PULL_DOWN_OHMS, "--pull-down")
    series, pull_down = _propose_divider(part, volts, *given)
    if given[0] is None:
        proposed.append(f"{format_ohms(series)} from the button to the gate")
    if given[1] is None:
        proposed.append(f"{format_ohms(pull_down)} from gate to emitter")
    rig = Rig(part, volts, lamp, series, pull_down)
    pressed, cold = _pressed(rig, lamp_is_cold=False), _pressed(rig, lamp_is_cold=True)
    gate, across = _number(pressed.gate_volts), _number(pressed.lamp_volts)
    hot, first = _number(pressed.lamp_amps), _number(cold.lamp_amps)
    _refuse(rig, gate, across, hot)
    heat = hot * _number(pressed.switch_volts)
    return RigPlan(rig, tuple(proposed), gate, hot, first, _warnings(rig, gate, across, first, heat), _cautions(rig))


def _within(value: float, limits: tuple[float, float], unit: str, where: str) -> float:
    low, high = limits
    if not math.isfinite(value) or not low <= value <= high:
        raise InputError(f"{value:g} {unit}; accepted: {low:g} to {high:g} {unit}", where=where)
    return value


def _given(value: float | None, limits: tuple[float, float], where: str) -> float | None:
    return None if value is None else _within(value, limits, "ohm", where)


def _propose_lamp(part: SwitchPart, supply: float) -> Lamp:
    """Return the smallest usual lamp voltage the supply does not overrun, with the first wattage the switch stands."""
    volts = next((volts for volts in LAMP_VOLTS if supply <= OVERRUN_LAMP * volts), LAMP_VOLTS[-1])
    lamps = [Lamp(volts, watts) for watts in LAMP_WATTS]
    return next((lamp for lamp in lamps if supply / lamp.cold_ohms <= part.rated_amps), lamps[-1])


def _propose_divider(
    part: SwitchPart, supply: float, series: float | None, pull_down: float | None
) -> tuple[float, float]:
    """Return resistors that bring the gate nearest to what turns the part on fully, well below its limit."""
    highest = SHARE_OF_GATE_LIMIT * part.max_gate_volts
    target = min(part.full_on_volts + ABOVE_FULL_ON_V, highest)

    def badness(above: float, below: float) -> float:
        volts = supply * below / (above + below)
        return abs(volts - target) + (1e6 if volts > highest else 0.0)

    usual = USUAL_PULL_DOWN_OHMS
    if pull_down is not None:
        usual = pull_down
    elif series is not None and badness(series, usual) >= 1e6:
        return series, best_e12(*PULL_DOWN_OHMS, badness=partial(badness, series))
    if series is None:
        series = best_e12(LEAST_SERIES_OHMS, SERIES_OHMS[1], badness=lambda ohms: badness(ohms, usual))
    return series, usual


def _pressed(rig: Rig, *, lamp_is_cold: bool) -> RigState:
    return rig_states(rig, [RigCase()], lamp_is_cold=lamp_is_cold)[0][1]


def _number(value: float | None) -> float:
    if value is None:
        raise InputError("the rig could not be solved with these values; accepted: values nearer to the usual ones")
    return value


def _refuse(rig: Rig, gate: float, across: float, hot: float) -> None:
    """Refuse what would ruin switch or lamp."""
    part = rig.part
    if gate > part.max_gate_volts:
        raise InputError(
            f"{format_volts(gate)} at the gate, and {part.name} stands {part.max_gate_volts:g} V: more punctures the "
            "oxide for good; accepted: a smaller --pull-down, a larger --series or a lower --supply",
            where="--supply",
        )
    if hot > part.rated_amps:
        raise InputError(
            f"{rig.lamp} takes {hot:.2f} A, and {part.name} stands {part.rated_amps:g} A; accepted: a smaller lamp",
            where="--lamp",
        )
    if across > BURNT_LAMP * rig.lamp.volts:
        raise InputError(
            f"{format_volts(across)} across a lamp of {rig.lamp.volts:g} V burns it out; accepted: a lamp for at least "
            f"{across / BURNT_LAMP:.0f} V",
            where="--lamp",
        )


def _warnings(rig: Rig, gate: float, across: float, first: float, heat: float) -> tuple[str, ...]:
    part = rig.part
    found = []
    if gate < part.gate_threshold:
        found.append(
            f"{format_volts(gate)} at the gate is below the threshold of {part.gate_threshold:g} V: "
            "this rig cannot turn the switch on."
        )
    elif gate < part.full_on_volts:
        found.append(
            f"{format_volts(gate)} at the gate is less than the {part.full_on_volts:g} V that turn the switch on "
            "fully: it may stay half on and get hot."
        )
    if rig.supply > part.max_gate_volts:
        found.append(
            f"Should the pull-down come off, all of {rig.supply:g} V lies on the gate, more than its "
            f"{part.max_gate_volts:g} V: solder it in, do not clip it."
        )
    if first > part.rated_amps:
        found.append(
            f"The cold lamp draws {first:.1f} A for some milliseconds, more than the {part.rated_amps:g} A of the "
            "switch: take a smaller lamp."
        )
    if across > OVERRUN_LAMP * rig.lamp.volts:
        found.append(
            f"{format_volts(across)} across a lamp of {rig.lamp.volts:g} V: its life falls with the 12th to 16th "
            "power of the voltage."
        )
    if heat > HEATSINK_W:
        found.append(f"The switch itself takes {heat:.1f} W: put it on a heatsink.")
    return tuple(found)


def _cautions(rig: Rig) -> tuple[str, ...]:
    return (
        "The supply is isolated from mains and has a current limit; the part is off its board, nothing else is "
        "connected.",
        "Tie gate to emitter before the part goes in and before it comes out: a charged gate keeps the switch on, and "
        "static ruins it.",
        f"The lamp gets hot enough to burn; the switch may too. Keep {rig.supply:g} V off while leads are moved.",
        "Where local rules, your employer's or the maker's manual ask for more, they are right.",
    )
