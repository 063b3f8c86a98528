"""What a ranking says of boards whose fault is known."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest

from bridge.board import Board, load_board
from bridge.errors import InputError
from bridge.evidence import screen
from bridge.faults import MOST_PAIRED, parse_fault
from bridge.faultspace import build_space
from bridge.forecast import default_probings, forecast
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.ranking import Candidate, Ranking
from bridge.readings import MOST_READINGS, Reading, need_not_too_many, parse_readings
from bridge.table import table_of
from tests.physics.benchboards import bare_bridge, make_board, part, resistor

METER = load_meter()
# bare legs with pull-downs and a bleeder: no capacitor, so that nothing depends on time or order
LOW = {"UH": "U", "UL": "N", "VH": "V", "VL": "N"}
BENCH = make_board(
    "P N U V " + " ".join(f"G_{pos} E_{pos}={net}" for pos, net in LOW.items()),
    bare_bridge("UV"),
    *(resistor(f"RGE_{pos}", f"G_{pos}", net, 1e4) for pos, net in LOW.items()),
    resistor("R_BLEED", "P", "N", 1e5),
)


def read_board(
    board: Board, *faults: str, probings: Sequence[Probing] = (), setup: Setup | None = None
) -> list[Reading]:
    """Return what the meter shows, rounded to its digits; by default on all main terminals and gate leads."""
    places = probings or default_probings(board)
    shown = forecast(board, METER, setup or Setup(), places, [parse_fault(fault, board) for fault in faults])
    readings = []
    for one in shown:
        probing = one.probing
        value = None if one.value is None else METER.display(probing.mode, probing.range_name, one.value)
        readings.append(Reading(0, probing, "", value, one.unit, "OL" if value is None else "steady", discharged=True))
    return readings


@cache
def ranked(*faults: str) -> Ranking:
    """Return the ranking of noise-free readings on the bench's board."""
    return rank(BENCH, METER, Setup(), read_board(BENCH, *faults))


def names(candidate: Candidate) -> tuple[str, ...]:
    """Return a candidate's faults as PART:MODE."""
    return tuple(f"{guess.part}:{guess.mode}" for guess in candidate.faults)


def position(ranking: Ranking, *faults: str) -> int:
    """Return the place of a hypothesis in the listing."""
    return next(place for place, one in enumerate(ranking.candidates) if set(names(one)) == set(faults))


class TestKnownFaults:
    """Noise-free readings of a known fault."""

    @pytest.mark.parametrize(
        ("fault", "suspect"),
        [
            ("Q_UL:ce-short:0.3", {"Q_UL", "D_UL"}),
            ("D_VH:open", {"D_VH"}),
            ("Q_VL:ce-leak:300", {"Q_VL", "D_VL"}),
            ("RGE_UH:high:30k", {"RGE_UH"}),
            ("Q_UL:ge-leak:1k", {"Q_UL", "RGE_UL"}),
        ],
    )
    def test_suspects(self, fault: str, suspect: set[str]) -> None:
        """Faults at that place hold three quarters alone, nine tenths with a second fault; the readings fit."""
        ranking = ranked(fault)
        inside = sum(
            one.probability for one in ranking.candidates if one.faults and suspect >= {g.part for g in one.faults}
        )
        with_another = sum(one.probability for one in ranking.candidates if suspect & {g.part for g in one.faults})
        assert inside > 0.75
        assert with_another > 0.9
        assert ranking.fit.ok
        assert ranking.fit.worst_reading is None
        assert ranking.candidates[position(ranking, fault.rsplit(":", fault.count(":") - 1)[0])].group == 0

    def test_pair(self) -> None:
        """Two faults on different legs are found as a pair: no single explains both N to U and V to U being open.

        Two false OL besides the short alone would do, too: 2 % x 2 %, against the odds of an unrelated pair.
        """
        ranking = ranked("D_UL:open", "Q_VL:ce-short:0.3")
        assert set(names(ranking.candidates[0])) == {"D_UL:open", "Q_VL:ce-short"}
        singles = sum(one.probability for one in ranking.candidates if len(one.faults) == 1)
        assert singles < 0.2

    def test_healthy(self) -> None:
        """Healthy readings rank the healthy board above every single and every pair."""
        ranking = ranked()
        assert ranking.candidates[0].faults == ()
        assert ranking.candidates[0].group == 0
        assert ranking.fit.ok

    def test_shipped_board_with_a_bus_capacitor(self) -> None:
        """On the six-switch bridge a shorted low side is found although every other reading climbs."""
        board = load_board("six-switch-bridge")
        probings = [one for one in default_probings(board) if one.mode == "diode"]
        readings = read_board(board, "Q_VL:ce-short:0.3", probings=probings)
        ranking = rank(board, METER, Setup(), readings)
        assert {guess.part for guess in ranking.candidates[0].faults} <= {"Q_VL", "D_VL"}
        assert ranking.groups[0].replace[0:1] != ()
        assert "Q_VL" in ranking.groups[0].replace
        assert ranking.groups[0].probability > 0.95

    def test_severity_is_the_posterior_median(self) -> None:
        """A leak of 300 ohm is put at 300 ohm within a quarter; a mode without severity has none."""
        ranking = ranked("Q_VL:ce-leak:300")
        leak = ranking.candidates[position(ranking, "Q_VL:ce-leak")].faults[0]
        assert leak.ohms == pytest.approx(300.0, rel=0.25)
        opened = ranked("D_VH:open")
        assert opened.candidates[position(opened, "D_VH:open")].faults[0].ohms is None

    def test_gate_short_of_little_resistance(self) -> None:
        """A gate shorted to its emitter by 0.2 ohm is found: 0.4 ohm with the leads, where 10 kohm should be."""
        ranking = ranked("Q_UH:ge-short:0.2")
        suspect = {guess.part for guess in ranking.candidates[0].faults}
        assert suspect <= {"Q_UH", "RGE_UH"}
        assert position(ranking, "Q_UH:ge-short") < 10


class TestOpenGateResistor:
    """Across an open gate resistor lies what an unpowered driver passes, which nobody knows to better than a decade."""

    SHEET = (
        "red,black,mode,reading\nN,U,diode,0.415\nN,V,diode,0.417\nN,W,diode,0.413\nU,P,diode,0.414\n"
        "V,P,diode,0.416\nW,P,diode,0.418\nG_UL,E_UL,ohms,9.95k\nG_VL,E_VL,ohms,9.97k\n"
    )

    def suspicion(self, *lines: str) -> float:
        """Return how suspect the gate resistor is once these lines are added to good readings."""
        board = load_board("six-switch-bridge")
        sheet = self.SHEET + "".join(f"{line}\n" for line in lines)
        ranking = rank(board, METER, Setup(), parse_readings(sheet.encode(), "sheet.csv", board).readings)
        assert ranking.fit.ok
        return max((entry.probability for entry in ranking.parts if entry.part == "RG_UL"), default=0.0)

    @pytest.mark.parametrize("shown", ["0.5M", "1.02M", "1.5M", "8M"])
    def test_megohms_are_the_driver(self, shown: str) -> None:
        """Any reading of half a megohm and more where 22 ohm should be condemns the gate resistor."""
        assert self.suspicion(f"GD_UL,G_UL,ohms,{shown}") > 0.8

    @pytest.mark.slow
    def test_open_both_ways_is_no_bad_contact(self) -> None:
        """One OL may be a bad contact; OL both ways is more likely the resistor, of all parts."""
        assert self.suspicion("GD_UL,G_UL,ohms,22.1") < 0.01
        once = self.suspicion("GD_UL,G_UL,ohms,OL")
        assert 0.1 < once < 0.4
        assert self.suspicion("GD_UL,G_UL,ohms,OL", "G_UL,GD_UL,ohms,OL") > max(0.35, 2.0 * once)


class TestFit:
    """Whether anything explains the readings, and which reading does not."""

    def test_one_slip_is_named(self) -> None:
        """One wrong number among sixteen good ones is named for a recheck, and condemns nothing."""
        readings = read_board(BENCH)
        place = next(k for k, one in enumerate(readings) if (one.probing.red, one.probing.black) == ("N", "U"))
        # no part makes one diode read 0.95 V and leaves minus to plus, which runs through it, as it was
        readings[place] = dataclasses.replace(readings[place], value=0.95)
        ranking = rank(BENCH, METER, Setup(), readings)
        assert ranking.fit.ok
        assert ranking.fit.worst_reading == place
        assert "N to U" in ranking.fit.note

    @pytest.mark.slow
    def test_nonsense_is_not_explained(self) -> None:
        """Numbers that no single or paired fault produces are called unexplained, not pinned on a part."""
        readings = read_board(BENCH)
        values = (1.31, 0.22, 1.77, 0.95, 1.5, 0.12, 1.1, 0.7, 1.9, 0.33, 1.21, 0.81)
        odd = [dataclasses.replace(one, value=v, state="steady") for one, v in zip(readings, values, strict=False)]
        ranking = rank(BENCH, METER, Setup(), odd)
        assert not ranking.fit.ok
        assert ranking.fit.misfit < 0.01 or "none of the modelled faults" in ranking.fit.note

    def test_good_readings_name_nothing(self) -> None:
        """Where everything fits no reading is named and the bench is as stated."""
        ranking = ranked("D_UL:open")
        assert ranking.fit.worst_reading is None
        assert [one.what for one in ranking.setup] == ["as-stated"]
        assert ranking.setup[0].probability == 1.0


@pytest.fixture
def ranking() -> Ranking:
    """Return the ranking of a shorted switch."""
    return ranked("Q_UL:ce-short:0.3")


class TestListing:
    """How the answer is laid out."""

    def test_every_hypothesis_once(self, ranking: Ranking) -> None:
        """Healthy, every single and every pair are listed once, larger sets beside them, the most probable first."""
        modes = {part.ref: part.modes for part in BENCH.parts.values()}
        counts = [len(one) for one in modes.values()]
        pairs = (sum(counts) ** 2 - sum(count**2 for count in counts)) // 2
        small = [one for one in ranking.candidates if len(one.faults) <= 2]
        assert len(small) == 1 + sum(counts) + pairs
        assert len({names(one) for one in ranking.candidates}) == len(ranking.candidates)
        probabilities = [one.probability for one in ranking.candidates]
        assert probabilities == sorted(probabilities, reverse=True)

    def test_parts(self, ranking: Ranking) -> None:
        """A part's suspicion is the probability of all candidates it is in, most suspect first."""
        for suspicion in ranking.parts:
            inside = [one for one in ranking.candidates if suspicion.part in {guess.part for guess in one.faults}]
            assert suspicion.probability == pytest.approx(sum(one.probability for one in inside), abs=1e-9)
            assert suspicion.package == BENCH.parts[suspicion.part].package
        probabilities = [one.probability for one in ranking.parts]
        assert probabilities == sorted(probabilities, reverse=True)
        assert ranking.parts[0].part == "Q_UL"

    def test_predictions(self, ranking: Ranking) -> None:
        """A candidate's predictions are forecasts in the order of the readings; the best one's are what was read."""
        predicted = ranking.predictions(0)
        assert [one.probing for one in predicted] == [one.probing for one in ranking.readings]
        for one, taken in zip(predicted, ranking.readings, strict=True):
            assert (one.value is None) == (taken.value is None)
            if one.value is not None:
                assert one.value == pytest.approx(taken.value, rel=0.02, abs=0.005)

    def test_progress(self) -> None:
        """Progress counts readings."""
        seen: list[tuple[int, int]] = []
        readings = read_board(BENCH, "D_UL:open")
        rank(BENCH, METER, Setup(), readings, lambda done, count: seen.append((done, count)))
        assert seen[-1] == (len(readings), len(readings))

    def test_unknown_lead(self) -> None:
        """A reading on a lead the board does not have is refused."""
        with pytest.raises(InputError):
            rank(BENCH, METER, Setup(), [Reading(0, Probing("P", "X"), "", 0.4, "V", "steady")])

    def test_no_pair_left(self) -> None:
        """A board with a single part, so without any pair, is ranked as any other."""
        board = make_board("A K", part("K_PRE", "relay", {"a": "A", "b": "K"}, ohms=0.02))
        reading = Reading(0, Probing("A", "K", "ohms"), "", None, "ohm", "OL")
        ranking = rank(board, METER, Setup(relay_closed=True), [reading])
        assert names(ranking.candidates[0]) == ("K_PRE:stuck-open",)
        assert sum(one.probability for one in ranking.candidates) == pytest.approx(1.0)


def test_more_readings_than_a_board_has_places_are_refused() -> None:
    """250 readings are ranked, 251 are not, and a reference no more than a sheet."""
    one = Reading(0, Probing("N", "U"), "0.4", 0.4, "V", "steady", discharged=True)
    need_not_too_many([one] * MOST_READINGS)
    for readings, reference in (([one] * (MOST_READINGS + 1), []), ([one], [one] * (MOST_READINGS + 1))):
        with pytest.raises(InputError, match="251 readings; accepted: up to 250"):
            rank(BENCH, METER, Setup(), readings, reference=reference)


def test_the_widest_damage_is_not_hopeless() -> None:
    """All switches of a bridge shorted: the best pair alone is far above what would be given up as inexplicable."""
    board = load_board("six-switch-bridge")
    switches = [ref for ref in board.parts if ref.startswith("Q_")]
    readings = read_board(board, *(f"{ref}:ce-short" for ref in switches))
    models = model_readings(readings, METER)
    space = build_space(board, Setup())
    best = float(np.max(screen(table_of(space, METER, readings), models).pair))
    assert best > sum(model.unknown_board for model in models)


def test_pairs_of_a_very_large_board_are_of_its_likeliest_faults() -> None:
    """Of more than 400 faults 400 take part in pairs, none rarer than one left out, whatever the parts' order."""
    parts = [resistor(f"R_{number}", f"N{number}", f"N{number + 1}", 1e3) for number in range(150)]
    legs = bare_bridge("UV")
    there = []
    for order in (parts, parts[::-1]):
        space = build_space(make_board("P=N0 N=N150 U V", legs, *order), Setup())
        assert len(space.faults) > MOST_PAIRED
        paired = set(space.doubles.fault.tolist())
        left = set(range(len(space.faults))) - paired
        assert len(paired) == MOST_PAIRED
        assert min(space.priors.log_single[list(paired)]) >= max(space.priors.log_single[list(left)])
        there.append({space.faults[number] for number in paired})
    assert there[0] == there[1]


def test_readings_in_several_setups_share_their_unknowns() -> None:
    """With a part of its own batch connected for one reading, another reading without it can be ranked beside it."""
    text = [
        "P N U V " + " ".join(f"G_{pos} E_{pos}={net}" for pos, net in LOW.items()),
        bare_bridge("UV"),
        part("D_M", "diode", {"anode": "U", "cathode": "V"}, drop_1ma=0.7, batch="motor-diode", when="motor"),
    ]
    board = make_board(*text)
    alone = read_board(board, "D_UL:short:0.3", probings=[Probing("U", "N"), Probing("N", "V")])
    motor = frozenset({"motor"})
    beside = read_board(
        board, "D_UL:short:0.3", probings=[Probing("U", "V"), Probing("V", "N")], setup=Setup(connected=motor)
    )
    with_motor = [dataclasses.replace(one, connected=motor) for one in beside]
    for readings in ([*alone, *with_motor], [*with_motor, *alone]):
        found = rank(board, METER, Setup(), readings)
        assert "D_UL:short" in {name for candidate in found.candidates[:3] for name in names(candidate)}
        assert found.fit.ok


@pytest.mark.slow
def test_two_readings_alike_are_no_wrong_terminals_of_each_other() -> None:
    """Behind an open gate resistor two readings show the driver's megohm: neither is the other's terminal."""
    board = load_board("six-switch-bridge")
    text = (
        "red,black,mode,reading\nU,P,diode,0.419\nV,E_VL,ohms,0.6\nN,V,diode,0.002\nGD_VL,N,ohms,1.01M\n"
        "G_VL,V,ohms,9.97k\nGD_VL,G_VL,ohms,1.01M\n"
    )
    found = rank(board, METER, Setup(), parse_readings(text.encode(), "r", board).readings)
    assert found.fit.ok
    suspects = {one.part: one.probability for one in found.parts}
    assert suspects["RG_VL"] > 0.9
    assert suspects["Q_VL"] + suspects["D_VL"] > 0.95
