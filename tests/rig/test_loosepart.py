"""A loose switch under the meter: what a good one reads, and what readings say of one."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from bridge.faults import Fault, median_ohms
from bridge.forecast import forecast
from bridge.loosepart import (
    CHARGE_OHMS,
    STEP_NAMES,
    LooseVerdict,
    charge_volts,
    expect_loose,
    judge_loose,
    loose_board,
    loose_steps,
    read_step,
    turns_on,
)
from bridge.meter import list_meters, load_meter
from bridge.probing import Hold, Probing, Setup
from bridge.spares import SPARES_GOOD
from bridge.switchpart import list_parts, load_part
from bridge.units import format_reading
from tests.crosscheck.compare import allowed
from tests.crosscheck.netlist import OPTIONS, OTHER_OPTIONS, Damage, point_text, ranges_of, write_board
from tests.crosscheck.runner import operating_points, require_simulator

IGBT, HANDHELD, STRONG = load_part("igbt-600v-30a"), load_meter("handheld"), load_meter("high-compliance")
GOOD = dict.fromkeys(STEP_NAMES, "OL") | {"ec": "0.425"}


def verdict_of(texts: Mapping[str, str], part_name: str, meter_name: str, good_share: float = 0.5) -> LooseVerdict:
    """Return what the texts of some steps say."""
    part, meter = load_part(part_name), load_meter(meter_name)
    board, steps = loose_board(part), {step.name: step for step in loose_steps(part, meter)}
    readings = [read_step(steps[name], text, board, meter, line) for line, (name, text) in enumerate(texts.items())]
    return judge_loose(part, meter, readings, good_share)


def faulty(part_name: str, meter_name: str, mode: str, ref: str = "Q_L") -> dict[str, str]:
    """Return what a switch with one fault shows at each step, as a technician would write it."""
    part, meter = load_part(part_name), load_meter(meter_name)
    steps = loose_steps(part, meter)
    shown = forecast(loose_board(part), meter, Setup(), [step.probing for step in steps], [(Fault(ref, mode), None)])
    return {step.name: format_reading(f.value, f.unit) for step, f in zip(steps, shown, strict=True)}


@pytest.mark.slow
@pytest.mark.parametrize(("name", "meter_name"), [("igbt-600v-30a", "high-compliance"), ("sic-1200v-19a", "handheld")])
def test_every_step_of_every_fault_is_ngspices(name: str, meter_name: str) -> None:
    """Each reading of a loose switch with each fault agrees with ngspice, its gate free, tied and charged."""
    require_simulator()
    part, meter = load_part(name), load_meter(meter_name)
    board, setup = loose_board(part), Setup()
    damages = [None] + [(ref, mode) for ref in board.parts for mode in board.parts[ref].modes]
    asked, texts, ours = [], [], []
    for damage in damages:
        hurt, faults = [], []
        if damage is not None:
            ohms = median_ohms(board.parts[damage[0]], damage[1])
            hurt, faults = [Damage(*damage, ohms)], [(Fault(*damage), ohms)]
        for step in loose_steps(part, meter):
            at = step.probing
            for meter_range in ranges_of(meter, at.mode):
                fixed = meter_range.label.partition(":")[2] or None
                probing = Probing(at.red, at.black, at.mode, fixed, at.hold)
                texts.append(point_text(write_board(board, setup, hurt, holds=at.hold), meter_range, at.red, at.black))
                asked.append((damage, step.name, meter_range))
                found = forecast(board, meter, setup, [probing], faults)[0]
                assert found.state is not None
                ours.append(math.inf if found.value is None else found.value)
    # 100 Gohm to ground moves a charged gate by a ten-thousandth; one reading finds its point only with it
    theirs = operating_points(texts, options=(OPTIONS, *OTHER_OPTIONS, {**OPTIONS, "rshunt": 1e11}))
    assert not any(math.isnan(volts) for volts in theirs)
    apart = []
    for (damage, step_name, meter_range), mine, jack in zip(asked, ours, theirs, strict=True):
        foreign = meter_range.shown(jack)
        same = mine == foreign or abs(mine - foreign) <= allowed(meter_range, foreign)
        if not same:
            apart.append((damage, step_name, meter_range.label, mine, foreign))
    assert apart == []


def test_a_good_igbt_reads_its_two_drops() -> None:
    """At 1 mA the diode drops 0.42 V and the main path, its gate at 8 V, 0.65 V: what both are stated to drop there."""
    shown = dict(zip(STEP_NAMES, expect_loose(IGBT, STRONG), strict=True))
    assert shown["ec"].value == pytest.approx(0.42, abs=2e-3)
    assert shown["charged"].value == pytest.approx(0.65, abs=2e-3)
    others = set(STEP_NAMES) - {"ec", "charged"}
    assert {shown[name].state for name in others} == {"OL"}


@pytest.mark.parametrize("name", list_parts())
@pytest.mark.parametrize("meter_name", list_meters())
def test_a_meter_turns_on_what_its_voltage_reaches(name: str, meter_name: str) -> None:
    """A meter turns a switch on where its open voltage is clearly above the threshold, and cannot where it is below."""
    part, meter = load_part(name), load_meter(meter_name)
    _, volts = charge_volts(meter)
    highest = max([meter.diode.source.open_volts, *(entry.source.open_volts for entry in meter.ohms)])
    assert volts == min(highest, 20.0)
    if volts > part.gate_threshold + 0.3:
        assert turns_on(part, meter)
    if volts < part.gate_threshold - 0.5:
        assert not turns_on(part, meter)


def test_a_meter_that_cannot_turn_it_on_is_no_fault() -> None:
    """OL with a charged gate under a 3 V meter leaves an IGBT good; under an 8 V meter it does not."""
    weak = verdict_of(GOOD, "igbt-600v-30a", "handheld")
    assert weak.verdict == "good"
    assert any("cannot turn it on" in reason for reason in weak.reasons)
    strong = verdict_of(GOOD, "igbt-600v-30a", "high-compliance")
    assert strong.good < 0.4
    dead = sum(
        guess.probability for guess in strong.candidates if {f.mode for f in guess.faults} & {"never-on", "burst"}
    )
    assert dead > 0.5


def test_a_switch_that_turns_on_is_good() -> None:
    """Blocking, its diode, and 0.66 V with the gate charged: good, and nothing left to prove."""
    verdict = verdict_of({**GOOD, "charged": "0.66"}, "igbt-600v-30a", "high-compliance")
    assert (verdict.verdict, verdict.reasons) == ("good", ())
    assert sum(guess.probability for guess in verdict.candidates) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("mode", "least"),
    # at the meter's 1 mA a leak of 650 ohm drops what a collector does, and leaks are commoner
    [("ce-short", 0.2), ("ge-short", 0.2), ("gc-short", 0.2), ("all-short", 0.2), ("always-on", 0.05)],
)
def test_each_hard_fault_is_bad(mode: str, least: float) -> None:
    """The readings of a hard fault, written down as a meter shows them, make the part bad for that reason."""
    verdict = verdict_of(faulty("igbt-600v-30a", "handheld", mode), "igbt-600v-30a", "handheld")
    assert verdict.verdict == "bad"
    blamed = sum(guess.probability for guess in verdict.candidates if any(f.mode == mode for f in guess.faults))
    assert blamed > least
    assert verdict.reasons


def test_no_diode_by_design_is_no_fault() -> None:
    """OL from emitter to collector is a fault of a part with a diode, and none of a part without."""
    blocking = {**GOOD, "ec": "OL", "charged": "0.66"}
    assert verdict_of(blocking, "igbt-600v-30a-bare", "high-compliance").verdict == "good"
    missing = verdict_of(blocking, "igbt-600v-30a", "high-compliance")
    assert missing.candidates[0].faults[0].mode == "open"
    assert missing.good < 0.5


def test_a_spare_is_believed_more_than_a_suspect() -> None:
    """The same readings, Bayes by hand: odds of good grow by 0.95/0.05 against 0.5/0.5."""
    suspect = verdict_of(GOOD, "igbt-600v-30a", "handheld", 0.5).good
    spare = verdict_of(GOOD, "igbt-600v-30a", "handheld", SPARES_GOOD).good
    assert spare / (1.0 - spare) == pytest.approx(19.0 * suspect / (1.0 - suspect), rel=1e-6)


def test_a_needle_meter_has_its_plus_on_black() -> None:
    """With a moving-needle meter black goes where red does with a digital one, and the words say so."""
    needle = {step.name: step for step in loose_steps(IGBT, load_meter("moving-needle"))}
    digital = {step.name: step for step in loose_steps(IGBT, HANDHELD)}
    for name in STEP_NAMES:
        assert (needle[name].probing.red, needle[name].probing.black) == (
            digital[name].probing.black,
            digital[name].probing.red,
        )
    assert needle["ec"].what == "black on the emitter, red on the collector"
    assert needle["charged"].probing.hold == (Hold("L", 12.0, CHARGE_OHMS),)
