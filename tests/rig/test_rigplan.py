"""What is proposed for a rig, and what is refused before power goes on."""

from __future__ import annotations

import dataclasses

import pytest

from bridge.errors import InputError
from bridge.lamp import Lamp
from bridge.preferred import E12
from bridge.rigplan import plan_rig
from bridge.switchpart import list_parts, load_part, parse_part

IGBT = load_part("igbt-600v-30a")


def mantissa(ohms: float) -> float:
    """Return a resistance brought into one decade."""
    while ohms >= 10.0 * (1.0 - 1e-9):
        ohms /= 10.0
    return round(ohms, 6)


def test_twelve_volts_get_the_usual_values() -> None:
    """Common practice: 1 k from the button, 10 k to the emitter, a 12 V lamp of 5 W; 12 V x 10/11 is 10.9 V."""
    plan = plan_rig(IGBT)
    assert (plan.rig.series, plan.rig.pull_down, plan.rig.lamp) == (1e3, 10e3, Lamp(12.0, 5.0))
    assert plan.gate_volts == pytest.approx(12.0 * 10.0 / 11.0, abs=0.03)
    assert len(plan.proposed) == 3
    assert plan.warnings == ()


@pytest.mark.parametrize("name", list_parts())
@pytest.mark.parametrize("supply", [12.0, 15.0, 18.0, 24.0, 30.0, 36.0, 48.0, 60.0])
def test_what_is_proposed_is_safe(name: str, supply: float) -> None:
    """Proposed resistors are preferred values, and the gate stays a quarter below its limit at any supply."""
    part = load_part(name)
    plan = plan_rig(part, supply)
    assert {mantissa(plan.rig.series), mantissa(plan.rig.pull_down)} <= set(E12)
    ideal = supply * plan.rig.pull_down / (plan.rig.series + plan.rig.pull_down)
    assert plan.gate_volts == pytest.approx(ideal, rel=0.01)
    assert ideal <= 0.75 * part.max_gate_volts
    assert plan.cold_amps <= part.rated_amps
    if supply >= 24.0:
        assert ideal >= part.full_on_volts


def test_a_given_series_resistor_gets_its_pull_down() -> None:
    """1 k at 24 V with the usual 10 k would put 21.8 V on the gate: a smaller pull-down is proposed instead."""
    plan = plan_rig(IGBT, 24.0, series=1e3)
    assert plan.rig.pull_down == 1e3  # 12 V, which is what is aimed at
    assert plan.gate_volts == pytest.approx(12.0, abs=0.05)


def test_too_much_for_the_gate_is_refused() -> None:
    """24 V over 1 k and 10 k are 21.8 V: refused for a gate that stands 20 V, taken by one that stands 30 V."""
    with pytest.raises(InputError, match=r"--supply: 21\.8\d V at the gate, and igbt-600v-30a stands 20 V: .*oxide"):
        plan_rig(IGBT, 24.0, series=1e3, pull_down=10e3)
    strong = dataclasses.replace(IGBT, max_gate_volts=30.0)
    assert plan_rig(strong, 24.0, series=1e3, pull_down=10e3).gate_volts == pytest.approx(21.8, abs=0.05)


def test_too_little_for_the_gate_is_warned_about() -> None:
    """9 V leave 8.2 V at the gate: warned about; 4 V leave 3.6 V, under the threshold: cannot turn on."""
    assert any("fully" in warning for warning in plan_rig(IGBT, 9.0).warnings)
    assert any("cannot turn the switch on" in warning for warning in plan_rig(IGBT, 4.0).warnings)


def test_a_lamp_the_switch_does_not_stand_is_refused() -> None:
    """60 W at 12 V are 5 A: refused on a 3 A switch; 21 W are 1.75 A, and 15 times that cold is warned about."""
    small = dataclasses.replace(IGBT, rated_amps=3.0)
    with pytest.raises(InputError, match=r"--lamp: 12 V 60 W takes 4\.\d+ A, and .* stands 3 A"):
        plan_rig(small, lamp=Lamp(12.0, 60.0))
    assert any("cold lamp draws" in warning for warning in plan_rig(small, lamp=Lamp(12.0, 21.0)).warnings)


def test_a_lamp_for_less_than_the_supply_is_refused_or_warned_about() -> None:
    """On 24 V a 12 V lamp burns out; a 20 V one is overrun."""
    with pytest.raises(InputError, match=r"--lamp: .*burns it out"):
        plan_rig(IGBT, 24.0, Lamp(12.0, 5.0))
    assert any("12th to 16th" in warning for warning in plan_rig(IGBT, 24.0, Lamp(20.0, 5.0)).warnings)


@pytest.mark.parametrize(
    ("numbers", "place"),
    [
        ((2.0, None, None), "--supply"),
        ((61.0, None, None), "--supply"),
        ((float("nan"), None, None), "--supply"),
        ((12.0, 1.0, None), "--series"),
        ((12.0, None, 1e7), "--pull-down"),
        ((12.0, None, -1.0), "--pull-down"),
    ],
)
def test_values_out_of_range_are_refused(numbers: tuple[float, float | None, float | None], place: str) -> None:
    """A supply beyond what may be touched, and resistors nobody would take, are refused with their option."""
    supply, series, pull_down = numbers
    with pytest.raises(InputError, match=rf"{place}: .*accepted: "):
        plan_rig(IGBT, supply, None, series, pull_down)


def test_cautions_name_what_hurts() -> None:
    """The hot lamp, the charged gate, isolation and local rules are named every time."""
    text = " ".join(plan_rig(IGBT).cautions)
    assert all(word in text for word in ("hot", "charged gate", "isolated", "current limit", "local rules"))


GOOD = """
name = "x"
title = "X"
kind = "igbt"
gate_threshold = 5
on_drop_1ma = 0.6
rated_volts = 600
rated_amps = 10
"""


def test_a_part_file_may_be_short() -> None:
    """20 V at most and 10 V for full turn-on are assumed where a part file is silent; no diode is no diode."""
    part = parse_part(GOOD, "x.toml")
    assert (part.max_gate_volts, part.full_on_volts, part.has_diode) == (20.0, 10.0, False)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('kind = "igbt"', 'kind = "triac"', "key kind: found 'triac'; accepted: igbt, mosfet"),
        ("gate_threshold = 5\n", "", "key gate_threshold: missing"),
        ("gate_threshold = 5", "gate_threshold = true", "key gate_threshold: found 'True'; accepted: a number from"),
        ("gate_threshold = 5", "gate_threshold = 12", "key gate_threshold: found '12'; accepted: a number from"),
        ("rated_amps = 10", "rated_amps = nan", "key rated_amps: found 'nan'; accepted: a number from"),
        ("on_drop_1ma = 0.6", "on_drop_1ma = 0.6\non_ohms = 1.0", "key on_ohms: unknown key"),
        ("rated_amps = 10", "rated_amps = 10\nmax_gate_volts = 9", "key full_on_volts: 10 V; accepted: above"),
        ('kind = "igbt"', 'kind = "mosfet"', "key diode_drop_1ma: missing"),
        ('title = "X"', "title = 3", "key title: found '3'"),
        ('title = "X"', "title = ", "not valid TOML"),
    ],
)
def test_a_bad_part_file_is_refused(old: str, new: str, problem: str) -> None:
    """Each slip in a part file is named with its key and what is accepted."""
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        parse_part(GOOD.replace(old, new), "x.toml")
    assert problem in str(caught.value)
