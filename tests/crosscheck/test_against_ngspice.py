"""The solver against a circuit simulator, on a sample that has every kind of fault and placement in it."""

from __future__ import annotations

import random

import pytest

from bridge.board import list_boards, load_board
from bridge.meter import load_meter
from bridge.probing import Hold, Probing, Setup
from tests.crosscheck.compare import Tally
from tests.crosscheck.netlist import Damage
from tests.crosscheck.predicted import (
    Question,
    all_damage,
    netlists_of,
    placements,
    questions,
    severities,
    solver_values,
)
from tests.crosscheck.runner import operating_points, require_simulator
from tests.crosscheck.samples import random_pairs, stratified

SEED = 20240
EACH, PAIRS = 3, 20  # all boards together: 8,600 readings, each answered in two ways; the kept tables hold 3,100 more
LEAST_READINGS = 700  # a board of nine parts has 726


def _tally(board_name: str, setup: Setup, asked: list[Question], meter_name: str = "handheld") -> Tally:
    require_simulator()
    board, meter = load_board(board_name), load_meter(meter_name)
    jacks = operating_points(netlists_of(board, setup, asked))
    values = solver_values(board, setup, meter, asked)
    tally = Tally()
    for way, displays in (("solved by itself", values.direct), ("by table", values.tabled)):
        tally.add_all(asked, displays, jacks, way)
    return tally


def _check(tally: Tally) -> None:
    assert not tally.complaint(), tally.complaint()
    assert tally.near_limit <= 0.002 * tally.compared


def _sample(board_name: str) -> list[Question]:
    board = load_board(board_name)
    return stratified(board, Setup(), load_meter(), seed=SEED, each=EACH, pairs=PAIRS)


@pytest.mark.parametrize("board_name", list_boards())
def test_sample_has_every_stratum(board_name: str) -> None:
    """The sample holds every mode of every part kind at each severity, every placement, and pairs, at both instants."""
    board, asked = load_board(board_name), _sample(board_name)
    wanted = set()
    for part in board.parts.values():
        if part.when is None:
            for mode in part.modes:
                wanted |= {(part.kind, mode, level) for level in range(len(severities(part, mode, 3)))}
    found = set()
    for one in {question.damage[0] for question in asked if len(question.damage) == 1}:
        part = board.parts[one.ref]
        found.add((part.kind, one.mode, severities(part, one.mode, 3).index(one.ohms)))
    assert found == wanted
    assert {question.probing for question in asked} == set(placements(board, load_meter()))
    assert len({question.damage for question in asked if len(question.damage) == 2}) == PAIRS
    assert {question.instant for question in asked} == {"start", "end"}
    assert len(asked) > LEAST_READINGS


@pytest.mark.parametrize(
    "board_name",
    [pytest.param(one, marks=pytest.mark.slow) if one == "three-level-bridge" else one for one in list_boards()],
)
def test_sample_agrees(board_name: str) -> None:
    """Singles and pairs read the same on both sides: 1 mV, or 0.5 % and a milliohm; OL where the other says OL."""
    tally = _tally(board_name, Setup(), _sample(board_name))
    _check(tally)
    assert tally.compared > 2 * LEAST_READINGS


def _some(
    board_name: str, setup: Setup, probings: list[Probing], count: int, meter_name: str = "handheld"
) -> list[Question]:
    board = load_board(board_name)
    rng = random.Random(SEED)
    damages = all_damage(board, setup, 3)
    chosen: list[tuple[Damage, ...]] = [(), *((one,) for one in rng.sample(damages, min(count, len(damages))))]
    chosen += random_pairs(rng, damages, count)
    return questions(chosen, probings, load_meter(meter_name))


SETUPS = {
    "cold": ("six-switch-bridge", Setup(temperature_c=-5.0)),
    "warm": ("half-bridge-cooktop", Setup(temperature_c=60.0)),
    "motor": ("six-switch-bridge", Setup(connected=frozenset({"motor"}))),
    "coil": ("half-bridge-cooktop", Setup(connected=frozenset({"coil"}))),
    "charged": ("six-switch-bridge", Setup(bus_volts=1.2)),
    "unplugged": ("six-switch-bridge", Setup(unplugged=True)),
    "relay": ("motor-drive", Setup(relay_closed=True)),
    "lifted": ("six-switch-bridge", Setup(lifted=("D_UL.anode", "R_BLEED.a"))),
}


@pytest.mark.parametrize("name", SETUPS)
def test_setups_agree(name: str) -> None:
    """Temperature, what is connected, charge, relay and lifted leads act alike on both sides."""
    board_name, setup = SETUPS[name]
    board = load_board(board_name)
    everywhere = placements(board, load_meter())
    probings = random.Random(SEED).sample(everywhere, min(14, len(everywhere)))
    _check(_tally(board_name, setup, _some(board_name, setup, probings, 4)))


def test_held_gates_agree() -> None:
    """A gate held at a voltage or tied to its emitter conducts, or does not, alike on both sides."""
    probings = [
        Probing("P", "U", hold=(Hold("UH", 12.0),)),
        Probing("U", "N", hold=(Hold("UL", 12.0),)),
        Probing("U", "N", hold=(Hold("UL", 4.6, 100.0),)),
        Probing("P", "N", hold=(Hold("UH", 12.0), Hold("UL", 12.0))),
        Probing("P", "N", hold=(Hold("UH", 12.0), Hold("UL", 0.0))),
        Probing("V", "N", hold=(Hold("UL", 12.0),)),
    ]
    asked = _some("six-switch-bridge", Setup(), probings, 6)
    channel = [Damage("Q_UL", "never-on"), Damage("Q_UL", "always-on")]
    gate = [Damage("Q_UL", "ge-short", 30.0), Damage("Q_UL", "gc-short", 30.0)]
    asked += questions([(one,) for one in channel + gate], probings, load_meter())
    _check(_tally("six-switch-bridge", Setup(), asked))


def test_lifts_of_one_reading_agree() -> None:
    """A lead lifted for one reading takes its part out of that reading alike on both sides."""
    probings = [
        Probing("U", "N", lift=("D_UL.cathode",)),
        Probing("D_UL.cathode", "N", lift=("D_UL.cathode",)),
        Probing("RG_UL.a", "DRV_UL.out", "ohms", "200k", lift=("RG_UL.a",)),
        Probing("G_UL", "E_UL", "ohms", "20k", lift=("Q_UL.gate",)),
    ]
    _check(_tally("six-switch-bridge", Setup(), _some("six-switch-bridge", Setup(), probings, 5)))


@pytest.mark.slow
@pytest.mark.parametrize("meter_name", ["moving-needle", "high-compliance", "pocket"])
def test_other_meters_agree(meter_name: str) -> None:
    """Meters with another source, another polarity or more voltage read alike on both sides."""
    board = load_board("half-bridge-cooktop")
    meter = load_meter(meter_name)
    pairs = (("MID", "P"), ("P", "N"), ("N", "P"), ("N", "MID"), ("P", "AC1"))
    probings = [one for one in placements(board, meter) if one.mode == "ohms"]
    probings += [Probing(red, black) for red, black in pairs]
    probings += [Probing(red, black, "ohms", meter.ohms[0].name) for red, black in pairs]
    asked = _some("half-bridge-cooktop", Setup(), probings, 2, meter_name)
    _check(_tally("half-bridge-cooktop", Setup(), asked, meter_name))


@pytest.mark.slow
def test_silicon_carbide_agrees() -> None:
    """Low-threshold MOSFETs, whose gates a meter can reach, read alike on both sides, gate-to-drain shorts too."""
    board = load_board("six-switch-sic")
    everywhere = placements(board, load_meter())
    switches = [ref for ref, part in board.parts.items() if part.kind == "mosfet"]
    damages: list[tuple[Damage, ...]] = [()]
    damages += [(Damage(switches[0], "gc-short", 3.0),), (Damage(switches[1], "gc-short", 50.0),)]
    damages += [(Damage(switches[1], mode),) for mode in ("burst", "emitter-open", "always-on", "never-on")]
    damages.append((Damage(switches[0], "gc-short", 3.0), Damage(switches[3], "all-short", 0.3)))
    _check(_tally("six-switch-sic", Setup(), questions(damages, everywhere, load_meter())))
