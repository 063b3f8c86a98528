"""The lamp rig against ngspice, against root finding by hand, and against what repairers say."""

from __future__ import annotations

import dataclasses
import math

import pytest
from scipy.optimize import brentq

from bridge.faults import Fault, severity_nodes
from bridge.lamp import Lamp
from bridge.rig import BUTTONS, Rig, RigCase, list_cases, rig_board, rig_states
from bridge.switchpart import load_part, parse_part
from tests.crosscheck.runner import operating_points, require_simulator
from tests.rig.handrig import DAMAGE, HandRig, netlist

USUAL = Rig(load_part("igbt-600v-30a"), 12.0, Lamp(12.0, 5.0), 1e3, 10e3)
# the same things, read off the parts by hand
BY_HAND = {
    "igbt-600v-30a": HandRig("igbt", 5.0, 0.65, 0.42, 12.0, 12.0, 5.0, 1e3, 10e3, (1.65, 30.0)),
    "igbt-600v-30a-bare": HandRig("igbt", 4.5, 0.65, None, 24.0, 24.0, 10.0, 10e3, 10e3, (1.95, 30.0)),
    "mosfet-200v-15a": HandRig("mosfet", 3.0, 0.11, 0.50, 15.0, 12.0, 10.0, 2.7e3, 22e3),
}
WITHIN_V = 0.010


def of_hand(name: str) -> Rig:
    """Return the package's rig with the numbers of the one by hand."""
    hand = BY_HAND[name]
    return Rig(load_part(name), hand.supply, Lamp(hand.lamp_volts, hand.lamp_watts), hand.series, hand.pull_down)


def cases_of(rig: Rig) -> list[RigCase]:
    """Return every fault at three resistances, both ways round, and the slips of the rig itself."""
    parts = rig_board(rig).parts
    found = []
    for case in list_cases(rig):
        nodes = [node.ohms for fault, _ in case.faults for node in severity_nodes(parts[fault.part], fault.mode, 3)]
        found += [RigCase(((fault, ohms),), case.connection) for fault, _ in case.faults for ohms in nodes] or [case]
    slips = [Fault("LAMP", "open"), Fault("R_SER", "open"), Fault("R_PULL", "open")]
    return found + [RigCase(((slip, None),)) for slip in slips]


@pytest.mark.parametrize("name", BY_HAND)
def test_every_state_of_every_fault_is_ngspices(name: str) -> None:
    """Gate, lamp and switch volts of each fault, button and connection are within 10 mV of ngspice, lamp included."""
    require_simulator()
    rig, hand = of_hand(name), BY_HAND[name]
    cases = cases_of(rig)
    described = [
        (str(case.faults[0][0]) if case.faults else "good", case.faults[0][1] if case.faults else None, case.connection)
        for case in cases
    ]
    seen = {fault for fault, _, _ in described}
    assert seen == {fault for fault in DAMAGE if rig.part.has_diode or not fault.startswith("D_")}
    charge = operating_points([netlist(hand, f, o, c == "reversed", True, 0.0, "own") for f, o, c in described])
    texts, ours, labels = [], [], []
    for (fault, ohms, connection), kept, row in zip(described, charge, rig_states(rig, cases), strict=True):
        for button, state in zip(BUTTONS, row, strict=True):
            for ask, value in (("gate", state.gate_volts), ("lamp", state.lamp_volts), ("switch", state.switch_volts)):
                on_gate = kept if button == "after" else 0.0
                turned, pressed = connection == "reversed", button == "pressed"
                texts.append(netlist(hand, fault, ohms, turned, pressed, on_gate, ask))
                ours.append(math.nan if value is None else value)
                labels.append((fault, ohms, connection, button, ask))
    theirs = operating_points(texts)
    apart = [
        (label, mine, foreign)
        for label, mine, foreign in zip(labels, ours, theirs, strict=True)
        if not abs(mine - foreign) <= WITHIN_V
    ]
    assert apart == []
    worst = max(range(len(ours)), key=lambda number: abs(ours[number] - theirs[number]))
    apart_by = 1e3 * abs(ours[worst] - theirs[worst])
    print(f"{name}: {len(texts)} voltages, worst {apart_by:.4f} mV at {labels[worst]}")


def test_a_good_switch_is_what_root_finding_says() -> None:
    """With the gate well up, supply, lamp and collector junction are one equation, solved here by Brent's method."""
    vt = 0.0256925785
    saturation = 1e-3 / math.expm1(0.65 / (1.5 * vt))

    # 1.65 V at 30 A: what the junction leaves of it lies across a resistance
    bulk = (1.65 - 1.5 * vt * math.log1p(30.0 / saturation)) / 30.0

    def drop(amps: float) -> float:
        return 1.5 * vt * math.log1p(amps / saturation) + bulk * amps

    def mismatch(amps: float) -> float:
        across = brentq(lambda volts: volts / (28.8 * (volts / 12.0) ** 0.45) - amps, 1e-3, 100.0, xtol=1e-13)
        return float(12.0 - 0.05 * amps - across - drop(amps))

    # the divider of 1 kilohm and 10 kilohm takes 1.1 mA from the supply beside the lamp: 55 uV
    amps = brentq(mismatch, 0.01, 1.0, xtol=1e-14)
    pressed = rig_states(USUAL, [RigCase()])[0][1]
    assert pressed.lamp_amps == pytest.approx(amps, rel=2e-5)
    assert pressed.switch_volts == pytest.approx(drop(amps), abs=2e-4)
    assert pressed.gate_volts == pytest.approx((12.0 - 0.05 * (amps + 1.1e-3)) * 10.0 / 11.0, abs=1e-3)


def test_a_good_igbt_reads_as_repairers_say() -> None:
    """Common practice: 12 V, 1 k and 10 k give 10.9 V at the gate; 5 W leave 11 V on the lamp, 0.7 to 1.1 V on it."""
    released, pressed, after = rig_states(USUAL, [RigCase()])[0]
    assert pressed.gate_volts == pytest.approx(10.9, abs=0.05)
    assert pressed.lamp_volts == pytest.approx(11.0, abs=0.2)
    assert 0.7 <= (pressed.switch_volts or 0.0) <= 1.1
    for dark in (released, after):
        assert dark.lamp_volts == pytest.approx(0.0, abs=1e-3)
        assert dark.switch_volts == pytest.approx(12.0, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "drop"),
    [
        ("igbt-600v-30a", 1.65),  # data sheet BIDNW30N60H3, typical
        ("igbt-600v-30a-bare", 1.95),  # data sheet IRGS30B60K, typical
        (None, 1.8),  # common practice, no source: up to 1.8 V at rated current
    ],
)
def test_at_rated_current_a_good_igbt_drops_what_its_data_sheet_says(name: str | None, drop: float) -> None:
    """A load that draws the rated 30 A leaves the data sheet's drop on the switch, 1.8 V where a part gives none."""
    if name is None:
        text = 'name = "x"\ntitle = "x"\nkind = "igbt"\ngate_threshold = 5.0\non_drop_1ma = 0.65\n'
        part = parse_part(text + "rated_volts = 600.0\nrated_amps = 30.0\n", "x.toml")
    else:
        part = load_part(name)
    # at its rated voltage a lamp is a resistor by its print: 10 V and 300 W draw 30 A; the leads take 1.5 V
    rig = Rig(part, 10.0 + 1.5 + drop, Lamp(10.0, 300.0), 10.0, 10e3)
    pressed = rig_states(rig, [RigCase()])[0][1]
    assert pressed.lamp_amps == pytest.approx(30.0, rel=1e-3)
    assert pressed.switch_volts == pytest.approx(drop, abs=0.02)


def test_no_slope_is_made_up_where_the_junction_drops_enough() -> None:
    """A part whose junction alone drops more than its rated drop has no negative resistance, a MOSFET none at all."""
    part = dataclasses.replace(load_part("igbt-600v-30a"), on_drop_1ma=1.5)
    assert part.bulk_ohms == 0.0
    assert load_part("mosfet-200v-15a").bulk_ohms == 0.0
    assert load_part("igbt-600v-30a").bulk_ohms == pytest.approx(0.020, abs=0.003)


@pytest.mark.parametrize(
    ("fault", "lit"),
    [
        ("ce-short", (True, True, True)),
        ("all-short", (True, True, True)),
        ("always-on", (True, True, True)),
        ("never-on", (False, False, False)),
        ("ge-short", (False, False, False)),
        ("emitter-open", (False, False, False)),
    ],
)
def test_faulty_switches_light_the_lamp_as_repairers_say(fault: str, lit: tuple[bool, ...]) -> None:
    """A shorted switch lights the lamp without the button, one with a dead gate never."""
    row = rig_states(USUAL, [RigCase(((Fault("Q_L", fault), None),))])[0]
    assert tuple((state.lamp_volts or 0.0) > 10.0 for state in row) == lit


def test_the_diode_shows_only_the_wrong_way_round() -> None:
    """A missing diode changes nothing until collector and emitter are exchanged: then the lamp stays dark."""
    missing = ((Fault("D_L", "open"), None),)
    cases = [RigCase(), RigCase(missing), RigCase((), "reversed"), RigCase(missing, "reversed")]
    right, without, turned, turned_without = rig_states(USUAL, cases)
    assert [state.lamp_volts for state in without] == pytest.approx([state.lamp_volts for state in right], abs=1e-3)
    assert all((state.lamp_volts or 0.0) > 11.0 for state in turned)
    assert all((state.lamp_volts or 1.0) < 0.01 for state in turned_without)


def test_without_its_pull_down_a_good_switch_stays_on() -> None:
    """A gate that nothing drains keeps its charge when the button is let go; with a leak in it, it does not."""
    off = (Fault("R_PULL", "open"), None)
    leaking = (Fault("Q_L", "ge-leak"), 100e3)
    good, leaks = rig_states(USUAL, [RigCase((off,)), RigCase((off, leaking))])
    assert [(state.lamp_volts or 0.0) > 10.0 for state in good] == [False, True, True]
    assert [(state.lamp_volts or 0.0) > 10.0 for state in leaks] == [False, True, False]


def test_a_cold_lamp_takes_the_inrush() -> None:
    """At the first instant the lamp has a fifteenth of its resistance: 12 V less the drop, over 1.92 ohm and 0.05."""
    cold = rig_states(USUAL, [RigCase()], lamp_is_cold=True)[0][1]
    assert cold.lamp_amps == pytest.approx((12.0 - (cold.switch_volts or 0.0)) / (1.92 + 0.05), rel=1e-3)
    assert (cold.lamp_amps or 0.0) > 13.0 * (rig_states(USUAL, [RigCase()])[0][1].lamp_amps or 1.0)


@pytest.mark.parametrize("supply", [3.0, 6.0, 24.0, 48.0, 60.0])
def test_every_case_has_an_answer(supply: float) -> None:
    """No fault leaves the rig without a solution, and lamp, switch and supply add up to the supply voltage."""
    rig = dataclasses.replace(USUAL, supply=supply, lamp=Lamp(max(supply, 6.0), 5.0))
    for row in rig_states(rig, cases_of(rig)):
        for state in row:
            assert state.lamp_volts is not None, state
            assert state.switch_volts is not None
            lost = supply - state.lamp_volts - state.switch_volts
            assert -1e-6 <= lost <= 0.05 * 2.0
