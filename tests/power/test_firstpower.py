"""First power on a board: its voltages against ngspice and by hand, and what they say."""

from __future__ import annotations

import json
import math
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board, parse_board
from bridge.errors import InputError
from bridge.faults import Fault, median_ohms
from bridge.firstpower import BenchSupply, Place, places_to_read, power_volts, supply_from
from bridge.makesafe import safe_points
from bridge.meter import load_meter
from bridge.powerrank import rank_power
from bridge.powerrows import last_digit, single_faults
from bridge.powerwords import power_page
from bridge.probing import Setup
from bridge.readings import Reading, parse_reading
from tests.conftest import Outcome
from tests.crosscheck.netlist import OPTIONS, OTHER_OPTIONS, Damage, MeterRange, meter_lines, write_board
from tests.crosscheck.runner import operating_points, require_simulator

BRIDGE, BENCH = load_board("six-switch-bridge"), BenchSupply(24.0, 0.1)
WITHIN_V = 0.010


def netlist(name: str, place: Place, damage: list[Damage]) -> str:
    """Return a damaged board fed from P to N, with a voltmeter of 10 megohm at a place, whose answer is ``v(jack)``."""
    written = write_board(load_board(name), Setup(), damage)
    node = written.node_of_lead
    fed = MeterRange("supply", BENCH.amps, BENCH.volts, 0.0, 0.05, BENCH.volts, False)
    supply = [line.replace("jack", "source") for line in meter_lines(fed, 25.0, node["P"], node["N"])]
    red, black = node[place.red], node[place.black]
    voltmeter = [f"rvoltmeter {red} {black} 10meg", f"eanswer jack 0 {red} {black} 1", "ranswer jack 0 1meg"]
    return "\n".join(["* first power", *written.lines, *supply, *voltmeter, ".temp 25", ""])


def compare(name: str, step: int) -> tuple[int, list[object], float]:
    """Return how many voltages were compared, those apart, and the largest difference [V]; every ``step``-th fault."""
    board = load_board(name)
    faults = [None, *single_faults(board, Setup())][::step]
    ohms = [None if fault is None else median_ohms(board.parts[fault.part], fault.mode) for fault in faults]
    hypotheses = [[] if fault is None else [(fault, size)] for fault, size in zip(faults, ohms, strict=True)]
    places = places_to_read(board)
    ours = [volts for row in power_volts(board, Setup(), BENCH, places, hypotheses) for volts in row]
    texts, asked = [], []
    for fault, size in zip(faults, ohms, strict=True):
        damage = [] if fault is None else [Damage(fault.part, fault.mode, size)]
        for place in places:
            texts.append(netlist(name, place, damage))
            asked.append((str(fault), str(place)))
    options = (OPTIONS, *OTHER_OPTIONS, {**OPTIONS, "rshunt": 1e11, "itl1": 1000})
    theirs = operating_points(texts, options=options)
    apart: list[object] = []
    worst = 0.0
    for question, mine, foreign in zip(asked, ours, theirs, strict=True):
        gap = math.inf if mine is None or math.isnan(foreign) else abs(mine - foreign)
        worst = max(worst, gap)
        if not gap <= WITHIN_V:
            apart.append((question, mine, foreign))
    return len(texts), apart, worst


def test_first_power_is_ngspices() -> None:
    """Voltages of a healthy bridge and every twelfth single fault are within 10 mV of ngspice at every place."""
    require_simulator()
    count, apart, _ = compare("six-switch-bridge", 12)
    assert count > 100
    assert apart == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["six-switch-bridge", "half-bridge-cooktop"])
def test_first_power_of_every_single_fault_is_ngspices(name: str) -> None:
    """Voltages of every single fault of two boards are within 10 mV of ngspice at every place."""
    require_simulator()
    count, apart, worst = compare(name, 1)
    assert apart == []
    print(f"{name}: {count} voltages, worst {1e3 * worst:.3f} mV")


BARE = """
name = "divider"
title = "Divider"
terminal = [
  { name = "P", what = "plus", access = "terminal" },
  { name = "N", what = "minus", access = "terminal" },
  { name = "U", what = "output", access = "terminal" },
]
[[part]]
ref = "R_TOP"
kind = "resistor"
pins = { a = "P", b = "U" }
ohms = 10e6
[[part]]
ref = "R_BOT"
kind = "resistor"
pins = { a = "U", b = "N" }
ohms = 10e6
"""


def test_the_voltmeter_loads_what_it_reads() -> None:
    """10 M over 10 M at 24 V reads 8 V, not 12: the meter's own 10 M lie beside the lower one."""
    board = parse_board(BARE, "divider")
    hypotheses = [[], [(Fault("R_BOT", "short"), 10.0)]]
    healthy, shorted = power_volts(board, Setup(), BENCH, (Place("U", "N"), Place("P", "N")), hypotheses)
    assert healthy[0] == pytest.approx(8.0, abs=1e-3)
    assert healthy[1] == pytest.approx(24.0, abs=1e-3)
    assert shorted[0] == pytest.approx(24.0 * 10.0 / 10e6, abs=1e-6)


def test_a_short_across_the_bus_pulls_the_supply_into_its_limit() -> None:
    """0.1 A through a short of 30 ohm are 3 V: the bus reads that and not 24."""
    faults = [[(Fault("C_BUS", "short"), 30.0)]]
    assert power_volts(BRIDGE, Setup(), BENCH, (Place("P", "N"),), faults)[0][0] == pytest.approx(3.0, abs=0.01)


@pytest.mark.parametrize("ohms", [10e3, 100e3, 1e6])
def test_a_leak_no_meter_sees_shows_at_its_phase(ohms: float) -> None:
    """A high-side leak against the voltmeter's 10 M is a divider by hand; the other phases stay near minus."""
    places = (Place("U", "N"), Place("V", "N"))
    healthy, leaking = power_volts(BRIDGE, Setup(), BENCH, places, [[], [(Fault("Q_UH", "ce-leak"), ohms)]])
    assert leaking[0] == pytest.approx(24.0 * 10e6 / (10e6 + ohms), rel=0.03)  # the board's own dividers take some
    assert leaking[1] == pytest.approx(healthy[1], abs=0.05)
    assert (healthy[0] or 1.0) < 0.2


def reading(red: str, black: str, volts: float) -> Reading:
    """Return a voltage as if read from a file."""
    fields = {"red": red, "black": black, "mode": "volts", "reading": f"{volts:.{3 if abs(volts) < 6.0 else 2}f}"}
    return parse_reading(fields, BRIDGE, load_meter(), line=2)


def readings_of(faults: list[tuple[Fault, float | None]], times: int = 1) -> list[Reading]:
    """Return every voltage of a bridge with these faults, each taken a number of times."""
    places = places_to_read(BRIDGE)
    volts = power_volts(BRIDGE, Setup(), BENCH, places, [faults])[0]
    taken = [reading(place.red, place.black, value or 0.0) for place, value in zip(places, volts, strict=True)]
    return taken * times


def test_good_voltages_make_a_good_board_likelier() -> None:
    """With the bus up, all phases near minus and the gates at rest, the healthy board gains on its prior."""
    rows = [reading("P", "N", 24.0), *(reading(phase, "N", 0.07) for phase in "UVW"), reading("G_UH", "E_UH", 0.0)]
    ranking = rank_power(BRIDGE, load_meter(), Setup(), BENCH, rows)
    assert ranking.candidates[0].faults == ()
    assert ranking.candidates[0].probability > 0.65
    assert ranking.fit.ok
    assert sum(guess.probability for guess in ranking.candidates) == pytest.approx(1.0)


def test_a_leak_is_found_with_its_size() -> None:
    """U at 23.4 V, read twice, is a leak of some 256 k from P; it is blamed on the upper switch or its diode."""
    rows = [reading("P", "N", 24.0), reading("U", "N", 23.4), reading("U", "N", 23.4), reading("V", "N", 0.1)]
    ranking = rank_power(BRIDGE, load_meter(), Setup(), BENCH, rows)
    first = ranking.candidates[0].faults[0]
    assert (first.part, first.mode) in {("Q_UH", "ce-leak"), ("D_UH", "leak")}
    assert 60e3 < (first.ohms or 0.0) < 600e3  # 24 x 10 M/(10 M + R) = 23.4: R = 256 k


@pytest.mark.parametrize(("upper", "lower"), [(3.0, 1.0), (1.0, 2.0)])
def test_two_shorted_switches_of_a_leg_pull_down_the_bus(upper: float, lower: float) -> None:
    """Neither switch alone touches the bus; with their divider at U both are named, not the bus capacitor alone."""
    faults: list[tuple[Fault, float | None]] = [(Fault("Q_UH", "ce-short"), upper), (Fault("Q_UL", "ce-short"), lower)]
    ranking = rank_power(BRIDGE, load_meter(), Setup(), BENCH, readings_of(faults)[:4])
    suspects = {entry.part: entry.probability for entry in ranking.parts}
    assert min(suspects["Q_UH"], suspects["Q_UL"]) > 0.2
    assert max(suspects["Q_VH"], suspects["Q_WH"], suspects["Q_VL"], suspects["Q_WL"]) < 0.1


def test_digits_say_how_closely_a_voltage_was_read() -> None:
    """The last digit written is what a voltage is known to, within what a display has and people drop."""
    steps = {"0.100": 1e-3, "24.0": 0.1, "24": 0.1, "0,10": 0.01, "24V05": 0.01, "0.0001": 1e-3}
    steps |= {"412m": 1e-3, "412 mV": 1e-3, "69.2mV": 1e-3}
    assert {text: last_digit(text) for text in steps} == pytest.approx(steps)


@pytest.mark.slow
@pytest.mark.parametrize(("other", "times"), [("Q_VH", 2), ("Q_UL", 3)])
def test_two_leaks_at_once_are_found(other: str, times: int) -> None:
    """Two leaks lead once voltages were read twice, on one leg, where two slips explain as much, three times."""
    faults: list[tuple[Fault, float | None]] = [(Fault("Q_UH", "ce-leak"), 40e3), (Fault(other, "ce-leak"), 90e3)]
    ranking = rank_power(BRIDGE, load_meter(), Setup(), BENCH, readings_of(faults, times))
    leader = ranking.groups[ranking.candidates[0].group]
    packages = [
        {BRIDGE.parts[guess.part].package for guess in ranking.candidates[member].faults}
        for member in leader.members[:4]
    ]
    assert {"Q_UH", other} in packages
    assert len(ranking.candidates[0].faults) == 2
    single = sum(guess.probability for guess in ranking.candidates if len(guess.faults) == 1)
    assert single < 0.2
    assert sum(group.probability for group in ranking.groups) == pytest.approx(1.0)


def test_what_the_voltages_cannot_tell_apart_is_one_group() -> None:
    """A leaking switch and its leaking diode lie between the same two nets: one group, and the same package."""
    ranking = rank_power(BRIDGE, load_meter(), Setup(), BENCH, readings_of([(Fault("Q_WL", "ce-leak"), 30e3)]))
    number = {guess.faults[0]: guess.group for guess in ranking.candidates if len(guess.faults) == 1}
    groups = {(fault.part, fault.mode): group for fault, group in number.items()}
    assert groups["Q_WL", "ce-leak"] == groups["D_WL", "leak"]
    assert groups["Q_WL", "ce-leak"] != groups["Q_UH", "ce-leak"]


def test_voltages_of_pairs_are_ngspices() -> None:
    """Thirty pairs drawn from all singles (seed 4) are within 10 mV of ngspice at two places each."""
    require_simulator()
    draw = random.Random(4)
    singles, places = single_faults(BRIDGE, Setup()), [place for place in places_to_read(BRIDGE) if place.black == "N"]
    texts, ours = [], []
    while len(ours) < 60:
        pair = draw.sample(singles, 2)
        if pair[0].part == pair[1].part:
            continue
        sized = [(fault, median_ohms(BRIDGE.parts[fault.part], fault.mode)) for fault in pair]
        damage = [Damage(fault.part, fault.mode, ohms) for fault, ohms in sized]
        some = draw.sample(places, 2)
        ours += power_volts(BRIDGE, Setup(), BENCH, some, [sized])[0]
        texts += [netlist("six-switch-bridge", place, damage) for place in some]
    options = (OPTIONS, *OTHER_OPTIONS, {**OPTIONS, "rshunt": 1e11, "itl1": 1000})
    theirs = operating_points(texts, options=options)
    gaps = [math.inf if mine is None else abs(mine - foreign) for mine, foreign in zip(ours, theirs, strict=True)]
    assert max(gaps) < WITHIN_V
    assert sum(abs(volts) > 0.05 for volts in theirs) > 20


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("six-switch-bridge", "--supply", "300"), "--supply: 300 V; accepted: 12 to 30 V"),
        (("six-switch-bridge", "--supply", "x"), "--supply: 'x'"),
        (("six-switch-bridge", "--limit", "50"), "--limit: 50 A; accepted: 0.01 to 5 A"),
        (("six-switch-bridge", "--limit", "1 ohm"), "--limit: '1 ohm' is in ohm"),
        (("six-switch-bridge", "--readings", "nowhere.csv"), "nowhere.csv: no such file"),
        (("no-such-board",), "no shipped board"),
    ],
)
def test_slips_are_one_line(arguments: tuple[str, ...], problem: str, command: Callable[..., Outcome]) -> None:
    """Each slip ends with status 2 and one line that names its place."""
    outcome = command("power-up", *arguments)
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert outcome.err.startswith(f"bridgefault: {problem}")


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("red,black,volts\nU,N,\n", "no voltage in any row"),
        ("red,black,volts\nX,N,1\n", "line 2, red: board six-switch-bridge has no terminal 'X'"),
        ("red,black,volts\nU,N,OL\n", "line 2, volts: 'OL'; accepted: a voltage"),
        ("red,black,volts\nU,N,325\n", "line 2, volts: '325'; accepted: a voltage as in 11.9, at most 100 V"),
        ("red,black\nU,N\n", "line 1: no column volts"),
    ],
)
def test_a_bad_sheet_is_refused(text: str, problem: str, command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Each slip in a file of voltages is refused with its line."""
    path = tmp_path / "volts.csv"
    path.write_text(text, encoding="utf-8")
    outcome = command("power-up", "six-switch-bridge", "--readings", str(path))
    assert outcome.status == 2
    assert problem in outcome.err


def test_the_command_answers_people_and_programs(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The page has voltages, faults and cautions; the JSON the same and the candidates."""
    page = command("power-up", "six-switch-bridge", "--supply", "24", "--limit", "0.1")
    assert (page.status, page.err) == (0, "")
    assert "Q_UH:ce-leak" in page.out
    assert page.out.index("its current limit set") < page.out.index("A good board\n")
    assert page.out.index("bus capacitor keeps the supply's volts") > page.out.index("Faults that show")
    (silence,) = (line for line in page.out.splitlines() if line.startswith("Silence is no health"))
    assert page.out.index(silence) < page.out.index("A good board\n") < page.out.index("Faults that show")
    assert {"Q_UL", "Q_VL", "Q_WL"} <= set(re.findall(r"\w+", silence))
    assert "reads 0.000 V at U to N, a good board 0.069 V" in silence
    path = tmp_path / "volts.csv"
    path.write_text("red;black;volts\nU;N;0,07\nP;N;24\n", encoding="utf-8")
    outcome = command("power-up", "six-switch-bridge", "--readings", str(path), "--json")
    answer = json.loads(outcome.out)
    assert outcome.out.count("\n") == 1
    assert len(answer["healthy"]) == len(answer["places"]) == 10
    assert len(answer["candidates"]) == 20
    assert answer["candidates"][0]["faults"] == []
    assert sum(group["probability"] for group in answer["groups"]) == pytest.approx(1.0)
    assert answer["fit"]["ok"]


SHEET = "red,black,mode,reading\nP,N,volts,24\nU,N,volts,23.4\nU,N,volts,23.4\nV,N,volts,0.07\n"


@pytest.mark.slow
def test_rank_takes_a_supply_and_says_what_power_up_says(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The same voltages give the same candidates by both commands, from a readings sheet or a table of volts."""
    sheet, table = tmp_path / "sheet.csv", tmp_path / "volts.csv"
    sheet.write_text(SHEET, encoding="utf-8")
    table.write_text("red,black,volts\nP,N,24\nU,N,23.4\nU,N,23.4\nV,N,0.07\n", encoding="utf-8")
    ranked = json.loads(command("rank", "six-switch-bridge", str(sheet), "--supply", "24", "--json").out)
    assert set(ranked) >= {"board", "readings", "fit", "candidates", "groups", "parts", "setup"}
    for file in (sheet, table):
        other = json.loads(command("power-up", "six-switch-bridge", "--readings", str(file), "--json").out)
        assert other["candidates"] == ranked["candidates"]
    first = ranked["candidates"][0]
    assert first["faults"][0]["part"] in ("Q_UH", "D_UH")
    assert [row["value"] for row in first["predicted"]] == pytest.approx([24.0, 23.4, 23.4, 0.07], abs=0.4)
    assert ranked["caution"] is None
    page = command("rank", "six-switch-bridge", str(sheet), "--supply", "24").out
    assert page.index("its current limit set") < page.index("What explains")
    assert "Q_UH" in page[: page.index("What explains")]
    assert "bridgefault next" not in page


def test_predict_takes_a_supply(command: Callable[..., Outcome]) -> None:
    """100 k from P against the voltmeter's 10 M leaves 23.76 V at U; a good board has next to nothing there."""
    fault = ("--fault", "Q_UH:ce-leak:100k", "--at", "U,N,volts")
    answer = json.loads(command("predict", "six-switch-bridge", "--supply", "24", *fault, "--json").out)["readings"]
    assert [(row["mode"], row["unit"], row["state"]) for row in answer] == [("volts", "V", "steady")]
    assert answer[0]["value"] == pytest.approx(24.0 * 10e6 / 10.1e6, rel=0.01)
    every = json.loads(command("predict", "six-switch-bridge", "--supply", "24", "--json").out)["readings"]
    assert [(row["red"], row["black"]) for row in every] == [(p.red, p.black) for p in places_to_read(BRIDGE)]
    assert "a good board" in command("predict", "six-switch-bridge", "--supply", "24", *fault).out


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("rank", "{sheet}", "--supply", "300"), "--supply: 300 V; accepted: 12 to 30 V"),
        (("rank", "{sheet}", "--limit", "0.1"), "--limit: '0.1' without a supply"),
        (("rank", "{diode}", "--supply", "24"), "diode.csv, line 2, mode: 'diode' while the bench supply feeds"),
        (("rank", "{held}", "--supply", "24"), "held.csv, line 2, hold: 'UH@12'; accepted: nothing"),
        (("rank", "{high}", "--supply", "24"), "high.csv, line 2, reading: '325'; accepted: a voltage"),
        (("rank", "{sheet}", "--supply", "24", "--seen", "F_1 open"), "--seen: there together with --supply"),
        (("predict", "--supply", "24", "--at", "U,N,diode"), "--at: mode: 'diode' while the bench supply feeds"),
    ],
)
def test_what_a_supply_does_not_go_with_is_refused(
    arguments: tuple[str, ...], problem: str, command: Callable[..., Outcome], tmp_path: Path
) -> None:
    """Readings of another mode, held gates and mains voltages are refused in one line that names their place."""
    rows = {
        "sheet": "U,N,volts,0.07,",
        "diode": "U,N,diode,OL,",
        "held": "U,N,volts,0.1,UH@12",
        "high": "U,N,volts,325,",
    }
    files = {}
    for name, row in rows.items():
        files[name] = str(tmp_path / f"{name}.csv")
        Path(files[name]).write_text(f"red,black,mode,reading,hold\n{row}\n", encoding="utf-8")
    name, *rest = arguments
    outcome = command(name, "six-switch-bridge", *(word.format(**files) for word in rest))
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert problem in outcome.err


def test_what_is_left_connected_is_there(command: Callable[..., Outcome]) -> None:
    """A cooktop's coil carries the bus to the collector: 24 V with it, none without; other words are refused."""
    without, coil = (
        json.loads(command("power-up", "single-switch-cooktop", *options, "--json").out)
        for options in ((), ("--connected", "coil"))
    )
    place = without["places"].index({"red": "RES", "black": "N"})
    assert without["healthy"][place] == pytest.approx(0.0, abs=0.01)
    assert coil["healthy"][place] == pytest.approx(24.0, abs=0.01)
    assert command("power-up", "single-switch-cooktop", "--connected", "kettle").status == 2


def test_a_board_without_a_bus_is_refused() -> None:
    """A board with no P to feed is refused with the terminals it has."""
    text = BARE.replace('"P"', '"Q"')
    with pytest.raises(InputError, match="no terminals P and N to feed; it has Q, N, U"):
        places_to_read(parse_board(text, "divider"))
    assert supply_from(None, None) == BenchSupply(24.0, 0.1)


def test_every_capacitor_that_keeps_charge_is_measured_afterwards(command: Callable[..., Outcome]) -> None:
    """A capacitor behind a diode, or between others in series, is not emptied with the bus: each place is named."""
    page = " ".join(command("power-up", "half-bridge-cooktop").out.split())
    afterwards = page[page.index("Afterwards:") :]
    for point in safe_points(load_board("half-bridge-cooktop")):
        assert f"{point.red} to {point.black}" in afterwards
    assert "one behind a diode is not emptied with the bus" in afterwards
    assert "at RES, a voltage starts near its share of the supply" in page
    plain = " ".join(command("power-up", "six-switch-bridge").out.split())
    assert "measure P to N, and discharge through a resistor" in plain
    assert "in series" not in plain


def test_a_raised_limit_is_cautioned() -> None:
    """A limit beyond the usual one says what it may burn, the usual one does not; hands stay off in both."""
    board = load_board("six-switch-bridge")
    usual, raised = (
        " ".join(str(block) for block in power_page(board, Setup(), BenchSupply(24.0, amps))) for amps in (0.1, 2.0)
    )
    assert "2 A can burn what 0.1 A would have spared" in raised
    assert "can burn" not in usual
    assert all("Nobody touches the board" in page for page in (usual, raised))
