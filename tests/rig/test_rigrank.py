"""What was seen on the rig points at what is wrong."""

from __future__ import annotations

import pytest

from bridge.errors import InputError
from bridge.faults import Fault
from bridge.lamp import Lamp
from bridge.rig import Rig, RigCase, rig_states
from bridge.rigrank import RigRanking, RigReading, parse_rig_readings, rank_rig
from bridge.switchpart import load_part

USUAL = Rig(load_part("igbt-600v-30a"), 12.0, Lamp(12.0, 5.0), 1e3, 10e3)


def ranked(text: str, rig: Rig = USUAL) -> RigRanking:
    """Return what rows under ``button,lamp,switch,connection`` say."""
    return rank_rig(rig, parse_rig_readings("button,lamp,switch,connection\n" + text, "seen.csv"))


def chance(ranking: RigRanking, *modes: str) -> float:
    """Return the probability that one of these is among its faults; ``good`` is none."""
    wanted = [
        guess.probability
        for guess in ranking.candidates
        if any(fault.mode in modes for fault in guess.faults) or (not guess.faults and "good" in modes)
    ]
    return sum(wanted)


@pytest.mark.slow
def test_a_lamp_that_obeys_both_ways_is_a_good_switch() -> None:
    """Dark, lit, dark, and lit without the button the wrong way round: good, since the diode was seen too."""
    rows = "released,off,12.0,\npressed,on,0.88,\nafter,off,12.0,\nreleased,on,,reversed\n"
    ranking = ranked(rows)
    assert chance(ranking, "good") > 0.9
    assert ranking.verdict.startswith("Good")
    assert ranking.fits
    assert sum(guess.probability for guess in ranking.candidates) == pytest.approx(1.0)
    assert sum(belief.probability for belief in ranking.setup) == pytest.approx(1.0)


@pytest.mark.slow
def test_without_the_turned_test_a_missing_diode_stays_possible() -> None:
    """A lamp that obeys says nothing of the diode; the same switch turned and dark says that it is gone."""
    rows = "released,off,12.0,\npressed,on,0.88,\nafter,off,12.0,\n"
    open_before = next(c for c in ranked(rows).candidates if [str(fault.mode) for fault in c.faults] == ["open"])
    assert 0.01 < open_before.probability < 0.3
    best = ranked(rows + "released,off,12.0,reversed\npressed,off,12.0,reversed\n").candidates[0]
    assert [(guess.part, guess.mode) for guess in best.faults] == [("D_L", "open")]


@pytest.mark.parametrize(
    ("rows", "modes"),
    [
        ("released,on,0.01,\npressed,on,0.01,\nafter,on,0.01,\n", ("ce-short", "all-short", "short")),
        ("released,6.7,5.3,\npressed,6.7,5.3,\nafter,6.7,5.3,\n", ("gc-short",)),
    ],
)
def test_other_faults_are_found(rows: str, modes: tuple[str, ...]) -> None:
    """A shorted, a dead and a gate-to-collector shorted switch are told by the lamp."""
    ranking = ranked(rows)
    assert chance(ranking, *modes) > 0.9
    assert ranking.verdict.startswith("Bad")


@pytest.mark.slow
def test_a_dark_lamp_is_a_dead_switch_once_its_gate_was_measured() -> None:
    """A lamp that never lights may be a gate lead off, or burnt; 10.9 V on the gate and 12 V on it blame the switch."""
    dark = "released,off,,\npressed,off,{gate}\nafter,off,,\n"
    header = "button,lamp,switch,gate\n"
    unmeasured, measured = (
        rank_rig(USUAL, parse_rig_readings(header + dark.format(gate=gate), "seen.csv")) for gate in (",", "12.0,10.9")
    )
    dead = ("never-on", "burst", "emitter-open")
    assert unmeasured.verdict.startswith("Not decided")
    assert any(belief.what == "gate-lead-off" and belief.probability > 0.1 for belief in unmeasured.setup)
    assert chance(measured, *dead) > 0.8
    assert chance(measured, "ge-short") < 0.01
    assert chance(measured, "good") < 0.2


def test_a_lamp_that_stays_on_points_at_the_pull_down() -> None:
    """Dark, lit, and still lit: a good switch whose pull-down came off, before any fault of the switch."""
    ranking = ranked("released,off,,\npressed,on,0.88,\nafter,on,0.88,\n")
    assert ranking.setup[0].what == "pull-down-off"
    assert chance(ranking, "good") > 0.5


@pytest.mark.slow
def test_a_burst_switch_with_an_open_diode_is_found() -> None:
    """Dark with 12 V on its gate and 12 V on it, and dark the wrong way round: switch and diode are both gone."""
    rows = "released,off,12.0,,\npressed,off,12.0,10.9,\nreleased,off,12.0,,reversed\npressed,off,12.0,10.9,reversed\n"
    ranking = rank_rig(USUAL, parse_rig_readings("button,lamp,switch,gate,connection\n" + rows, "seen.csv"))
    # a joint that holds switch and diode explains it with one fault; so do two faults, and nothing else does
    chances = {tuple((g.part, g.mode) for g in c.faults): c.probability for c in ranking.candidates}
    both = sum(chances[pair] for pair in chances if ("D_L", "open") in pair and len(pair) == 2)
    assert both > 0.02
    assert both + chances[("Q_L", "emitter-open"),] > 0.8  # else a leak that no lamp shows
    assert chances[("D_L", "open"),] < 0.01
    assert sum(chances.values()) == pytest.approx(1.0)


@pytest.mark.slow
def test_a_lamp_that_was_seen_to_light_is_not_dead() -> None:
    """A dead lamp has 12 V across it and no light: seen alight it is whole, seen dark with 12 V on it, it is not."""
    lit = {belief.what: belief.probability for belief in ranked("released,on,0.01,\npressed,on,0.01,\n").setup}
    dark = {belief.what: belief.probability for belief in ranked("released,off,0.01,\npressed,off,0.01,\n").setup}
    assert lit["lamp-dead"] < 0.01
    assert dark["lamp-dead"] > 0.5


def test_a_leak_is_measured() -> None:
    """Volts on a small lamp through a leaking switch give the leak back within half of its resistance."""
    leak = (Fault("Q_L", "ce-leak"), 2e3)
    small = Rig(USUAL.part, 12.0, Lamp(12.0, 0.3), 1e3, 10e3)
    released, pressed, _ = rig_states(small, [RigCase((leak,))])[0]
    readings = [
        RigReading(2, "released", "right", "switch", "", released.switch_volts or 0.0),
        RigReading(2, "released", "right", "lamp", "", released.lamp_volts or 0.0),
        RigReading(3, "pressed", "right", "switch", "", pressed.switch_volts or 0.0),
    ]
    leaks = [c for c in rank_rig(small, readings).candidates if c.faults and c.faults[0].mode in ("ce-leak", "leak")]
    assert sum(c.probability for c in leaks) > 0.9
    assert leaks[0].faults[0].ohms == pytest.approx(2e3, rel=0.5)


def test_what_nothing_explains_is_said() -> None:
    """4 V on the switch while the lamp has none and 12 V go in fits no case: said, with the reading to take again."""
    ranking = ranked("released,0.0,4.0,\npressed,11.1,0.9,\n")
    assert not ranking.fits
    assert ranking.worst_reading is not None


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "empty; accepted: a header button,lamp"),
        ("button,lamp\n", "nothing was seen"),
        ("button,lamp\nreleased,\n", "nothing was seen"),
        ("knob,lamp\n", "line 1: column 'knob'; accepted: button, lamp"),
        ("button\nreleased\n", "line 1: no column lamp"),
        ("button,lamp\nhalf,on\n", "line 2, button: 'half'; accepted: released, pressed, after"),
        ("button,lamp\nreleased,bright\n", "line 2, lamp: 'bright'; accepted: on, dim, off or its voltage"),
        ("button,lamp,switch\nreleased,on,4k7 ohm\n", "line 2, switch: '4k7 ohm'; accepted: a voltage"),
        ("button,lamp,connection\nreleased,on,sideways\n", "line 2, connection: 'sideways'; accepted: right, reversed"),
        ("button,lamp\nreleased,11,1\n", "line 2: 3 fields under 2 columns"),
        ("button,lamp,lamp\nreleased,on,on\n", "line 1: column 'lamp' is there twice"),
    ],
)
def test_a_bad_sheet_is_refused(text: str, problem: str) -> None:
    """Each slip is refused with its line, what was found and what is accepted."""
    with pytest.raises(InputError) as caught:
        parse_rig_readings(text, "seen.csv")
    assert problem in str(caught.value)


def test_decimal_commas_are_read_where_they_are_clear() -> None:
    """A comma within quotes or in a file with semicolons is a decimal one."""
    for text in ('button,lamp\npressed,"11,1"\n', "button;lamp\npressed;11,1\n"):
        assert [reading.volts for reading in parse_rig_readings(text, "seen.csv")] == [11.1]
