"""First power on a board: its voltages against ngspice and by hand, and what they say."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board, parse_board
from bridge.errors import InputError
from bridge.faults import Fault, median_ohms
from bridge.firstpower import BenchSupply, Place, places_to_read, power_volts, supply_from
from bridge.powerrank import PowerReading, rank_power, single_faults
from bridge.probing import Setup
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


def reading(red: str, black: str, volts: float) -> PowerReading:
    """Return a voltage as if read from a file."""
    return PowerReading(2, Place(red, black), volts)


def test_good_voltages_make_a_good_board_likelier() -> None:
    """With the bus up, all phases near minus and the gates at rest, the healthy board gains on its prior."""
    rows = [reading("P", "N", 24.0), *(reading(phase, "N", 0.07) for phase in "UVW"), reading("G_UH", "E_UH", 0.0)]
    ranking = rank_power(BRIDGE, Setup(), BENCH, rows)
    assert ranking.candidates[0].faults == ()
    assert ranking.candidates[0].probability > 0.65
    assert ranking.fits
    assert sum(guess.probability for guess in ranking.candidates) == pytest.approx(1.0)


def test_a_leak_is_found_with_its_size() -> None:
    """U at 23.4 V, read twice, is a leak of some 256 k from P; it is blamed on the upper switch or its diode."""
    rows = [reading("P", "N", 24.0), reading("U", "N", 23.4), reading("U", "N", 23.4), reading("V", "N", 0.1)]
    ranking = rank_power(BRIDGE, Setup(), BENCH, rows)
    first = ranking.candidates[0].faults[0]
    assert (first.part, first.mode) in {("Q_UH", "ce-leak"), ("D_UH", "leak")}
    assert 60e3 < (first.ohms or 0.0) < 600e3  # 24 x 10 M/(10 M + R) = 23.4: R = 256 k


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
    assert "current limit" in page.out
    path = tmp_path / "volts.csv"
    path.write_text("red;black;volts\nU;N;0,07\nP;N;24\n", encoding="utf-8")
    outcome = command("power-up", "six-switch-bridge", "--readings", str(path), "--json")
    answer = json.loads(outcome.out)
    assert outcome.out.count("\n") == 1
    assert len(answer["healthy"]) == len(answer["places"]) == 10
    assert sum(candidate["probability"] for candidate in answer["candidates"]) == pytest.approx(1.0)
    assert answer["fit"]["ok"]


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
