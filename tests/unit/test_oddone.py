"""The odd one out among places that are alike on the board."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from bridge.board import load_board
from bridge.faults import parse_fault
from bridge.faultspace import build_space
from bridge.forecast import default_probings, forecast
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.oddone import find_odd_ones, like_places
from bridge.probing import Hold, Probing, Setup
from bridge.ranking import OddOne
from bridge.readings import Reading
from bridge.table import ReadingTable, build_table
from tests.conftest import Outcome

METER = load_meter()
SIX = load_board("six-switch-bridge")
TO_P = [Probing(phase, "P") for phase in "UVW"]
GATES_LOW = [Probing(f"G_{leg}L", f"E_{leg}L", "ohms") for leg in "UVW"]


def taken(probings: Sequence[Probing], values: Sequence[float | None]) -> list[Reading]:
    """Return readings of given values; None is OL."""
    return [
        Reading(
            0,
            probing,
            "",
            value,
            "V" if probing.mode == "diode" else "ohm",
            "OL" if value is None else "steady",
            discharged=True,
        )
        for probing, value in zip(probings, values, strict=True)
    ]


@cache
def table_at(probings: tuple[Probing, ...]) -> ReadingTable:
    """Return what the six-switch bridge reads there, discharged before each reading."""
    return build_table(build_space(SIX, Setup()), METER, probings, [True] * len(probings))


def odd_of(readings: Sequence[Reading]) -> tuple[OddOne, ...]:
    """Return what differs on the six-switch bridge."""
    table = table_at(tuple(reading.probing for reading in readings))
    return find_odd_ones(table, model_readings(readings, METER), readings)


class TestLikePlaces:
    """Where a board looks the same."""

    def test_three_phases(self) -> None:
        """The phases of a bridge are alike against plus, and so are the six ways from one phase to another."""
        between = [Probing(a, b) for a in "UVW" for b in "UVW" if a != b]
        assert like_places(SIX, Setup(), [*TO_P, *between]) == ((0, 1, 2), (3, 4, 5, 6, 7, 8))

    def test_direction_and_mode_count(self) -> None:
        """Neither exchanged leads nor another mode make like readings."""
        probings = [Probing("U", "P"), Probing("P", "V"), Probing("W", "P", "ohms"), Probing("N", "U")]
        assert like_places(SIX, Setup(), probings) == ()

    def test_gate_leads(self) -> None:
        """Low-side gates are alike among themselves."""
        assert (0, 1, 2) in like_places(SIX, Setup(), GATES_LOW)

    def test_a_leg_with_a_diode_more_is_not_alike(self) -> None:
        """Where only leg U has a diode across its low switch, V and W are fellows and U is by itself."""
        board = load_board("mixed-diode-bridge")
        assert [leg for leg in "UVW" if f"D_{leg}L" in board.parts] == ["U"]
        assert like_places(board, Setup(), TO_P) == ((1, 2),)

    def test_a_changed_value_is_seen_from_afar(self) -> None:
        """A gate resistor of another value parts one leg from the others, seen from its own gate."""
        odd = dataclasses.replace(SIX.parts["RGE_VL"], values={"ohms": 22e3})
        board = dataclasses.replace(SIX, parts={**SIX.parts, "RGE_VL": odd})
        assert like_places(board, Setup(), GATES_LOW) == ((0, 2),)

    def test_held_gate_and_lifted_pin(self) -> None:
        """A held gate or a lifted pin makes a place unlike one without, and like one that has the same."""
        plain = [Probing("P", phase) for phase in "UV"]
        held = [Probing("P", phase, hold=(Hold(f"{phase}H", 12.0),)) for phase in "UV"]
        lifted = [Probing("P", phase, lift=(f"Q_{phase}H.collector",)) for phase in "UV"]
        assert like_places(SIX, Setup(), [*plain, *held, *lifted]) == ((0, 1), (2, 3), (4, 5))

    def test_gates_held_together(self) -> None:
        """Where parallel switches are held by the position they share, the high and the low side are not alike."""
        welder = load_board("full-bridge-welder")
        assert {"AH_1", "AH_2", "BH_1", "AL_1"} <= {part.position for part in welder.parts.values()}
        ways = [("A", "AH"), ("A", "AL"), ("B", "BH"), ("B", "BL")]
        held = [Probing("P", lead, hold=(Hold(position, 12.0),)) for lead, position in ways]
        assert like_places(welder, Setup(), held) == ((0, 2), (1, 3))

    def test_lifted_pin_of_the_whole_bench(self) -> None:
        """A pin lifted for all readings takes its leg out of the company of the others."""
        assert like_places(SIX, Setup(lifted=("D_WH.anode",)), TO_P) == ((0, 1),)


class TestOddOnes:
    """Which reading differs."""

    def test_one_diode(self) -> None:
        """0.55 V beside 0.415 and 0.417 V is the odd one, and W the place that differs."""
        (odd,) = odd_of(taken(TO_P, [0.415, 0.417, 0.550]))
        assert (odd.reading, odd.fellows, odd.places) == (2, (0, 1), ("W",))
        assert odd.words == "W to P reads 0.550 in diode mode, where U to P, V to P read 0.415 or 0.417"

    def test_a_whole_batch_off_is_nobody(self) -> None:
        """Three drops that lie 60 mV above the board file together are no odd one."""
        assert odd_of(taken(TO_P, [0.475, 0.470, 0.478])) == ()

    def test_open_against_numbers(self) -> None:
        """OL beside two numbers is the odd one."""
        (odd,) = odd_of(taken(TO_P, [0.415, None, 0.417]))
        assert odd.reading == 1
        assert "V to P reads OL" in odd.words

    def test_a_place_read_twice_is_one_place(self) -> None:
        """A leaky gate read twice stays the odd one of six; what was read last speaks for it."""
        highs = [Probing(f"G_{leg}H", f"E_{leg}H", "ohms") for leg in "UVW"]
        (odd,) = odd_of(taken([highs[0], highs[0], *highs[1:]], [5430.0, 5430.0, 9900.0, 9900.0]))
        assert (odd.reading, odd.fellows) == (1, (2, 3))
        assert odd_of(taken([highs[0], *highs], [5430.0, 9900.0, 9900.0, 9900.0])) == ()

    def test_no_two_agree(self) -> None:
        """Where no two of three agree nobody is the odd one."""
        assert odd_of(taken(TO_P, [0.0, 0.42, 0.9])) == ()

    def test_two_are_too_few(self) -> None:
        """Of two that differ nobody can say which is odd."""
        assert odd_of(taken(TO_P[:2], [0.0, 0.42])) == ()

    def test_resistors_by_their_tolerance(self) -> None:
        """Pull-downs within a few per cent are alike; 12 ohm among ten kilohm is not."""
        assert odd_of(taken(GATES_LOW, [9.7e3, 10.1e3, 10.0e3])) == ()
        (odd,) = odd_of(taken(GATES_LOW, [9.7e3, 12.0, 10.0e3]))
        assert (odd.reading, odd.places) == (1, ("G_VL",))  # all low emitters sit on N

    def test_part_spread_raises_no_alarm(self) -> None:
        """Of 300 healthy triples with the spread of discrete diodes, 10 mV, at most three are called odd."""
        rng = np.random.default_rng(11)
        alarms = sum(
            bool(odd_of(taken(TO_P, np.round(0.41 + rng.normal(0.0, 0.010, 3), 3).tolist()))) for _ in range(300)
        )
        assert alarms <= 3

    def test_healthy_board_all_over(self) -> None:
        """On a healthy board nothing differs, charging readings included."""
        readings = []
        for shown in forecast(SIX, METER, Setup(), default_probings(SIX)):
            value = None if shown.value is None else METER.display(shown.probing.mode, None, shown.value)
            readings.append(Reading(0, shown.probing, "", value, shown.unit, shown.state or "OL", discharged=True))
        assert odd_of(readings) == ()

    @pytest.mark.parametrize(
        ("fault", "place"), [("Q_VL:ce-short:0.3", "V"), ("D_UH:open", "U"), ("Q_WH:ce-leak:200", "W")]
    )
    def test_the_phase_of_a_fault(self, fault: str, place: str) -> None:
        """A fault of one leg makes that phase the place that most odd readings share."""
        readings = []
        for shown in forecast(SIX, METER, Setup(), default_probings(SIX), [parse_fault(fault, SIX)]):
            value = None if shown.value is None else METER.display(shown.probing.mode, None, shown.value)
            readings.append(Reading(0, shown.probing, "", value, shown.unit, shown.state or "OL", discharged=True))
        odd = odd_of(readings)
        assert odd
        assert all(place in one.places for one in odd)


@pytest.mark.slow
def test_named_before_any_percentage(command: Callable[..., Outcome], root: Path) -> None:
    """The command names the odd phase before the first per cent sign, and lists the readings in JSON."""
    done = command("rank", "six-switch-bridge", str(root / "examples/conveyor-drive/readings.csv"))
    assert done.out.startswith("Odd one out: V. ")
    assert done.out.index("Odd one out") < done.out.index("%")
