"""A charged board is named before anything else is said about it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.advicepage import advice_page
from bridge.advise import suggest_readings
from bridge.board import load_board
from bridge.charge import charge_warning, highest_charge
from bridge.faultspace import build_space
from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.rankingpage import ranking_page
from bridge.readings import Reading
from bridge.table import build_table
from tests.conftest import Outcome


def volts(value: float, red: str = "P", black: str = "N") -> Reading:
    """Return a reading in volts mode."""
    return Reading(0, Probing(red, black, "volts"), f"{value}", value, "V", "steady")


@pytest.mark.parametrize(
    ("value", "word"),
    [(310.0, "DANGER"), (-310.0, "DANGER"), (60.5, "DANGER"), (12.0, "discharge it"), (0.6, "discharge")],
)
def test_charge_is_named(value: float, word: str) -> None:
    """Above 60 V (IEC 60204-1) it is a danger, above 0.5 V it is to be discharged first."""
    warning = charge_warning([volts(value)], Setup())
    assert warning is not None
    assert word in warning
    assert "through a resistor" in warning


def test_an_empty_board_is_not_warned_of() -> None:
    """At 0.5 V and below nothing is said, and the last measurement of a place counts."""
    assert charge_warning([volts(0.4)], Setup()) is None
    assert charge_warning([volts(310.0), volts(0.2)], Setup()) is None
    assert highest_charge([volts(310.0), volts(0.2, "N", "P")], Setup()) == 0.2
    assert highest_charge([volts(310.0), volts(0.2, "U", "N")], Setup()) == 310.0


def test_stated_charge_counts() -> None:
    """Charge that was stated with the set-up is warned of as well."""
    assert charge_warning([], Setup(bus_volts=310.0)) is not None


def test_a_minus_sign_means_charge() -> None:
    """A minus sign in diode mode asks for a measurement in volts mode."""
    reading = Reading(0, Probing("P", "N"), "-OL", None, "V", "OL", negative=True)
    assert "minus sign" in (charge_warning([reading], Setup()) or "")


def test_pages_put_danger_first_and_propose_nothing() -> None:
    """A sheet with 310 V on the bus starts with the danger, and no reading in diode or ohms mode is proposed."""
    board, meter = load_board("six-switch-bridge"), load_meter()
    ranking = rank(board, meter, Setup(), [volts(310.0)])
    assert str(ranking_page(ranking, 5)[0]).startswith("DANGER: 310")
    assert suggest_readings(ranking) == ()
    page = advice_page(ranking, ())
    assert str(page[0]).startswith("DANGER: 310")
    assert "No reading is proposed" in str(page[1])


def test_mains_left_on_is_a_danger() -> None:
    """Where the mains wiring is still on the board, pulling the plug comes before any reading."""
    warning = charge_warning([], Setup(connected=frozenset({"mains"})))
    assert warning is not None
    assert warning.startswith("DANGER: mains")
    assert charge_warning([], Setup(connected=frozenset({"motor"}))) is None


@pytest.mark.parametrize(
    "sign",
    [
        {"value": 0.42, "state": "steady"},
        {"value": None, "state": "OL", "negative": True},
        {"value": 4700.0, "state": "falling"},
    ],
)
def test_mains_on_during_one_reading_is_a_danger_that_nothing_hides(sign: dict[str, Any]) -> None:
    """Mains that one row says was on comes before a minus sign, a falling display and a few volts left."""
    mode = "ohms" if sign["state"] == "falling" else "diode"
    odd = Reading(0, Probing("P", "N", mode), "", unit="V", **sign)
    on = dataclasses.replace(volts(0.1), connected=frozenset({"mains"}))
    warning = charge_warning([odd, on], Setup()) or ""
    assert warning.startswith("DANGER: mains")
    assert charge_warning([odd], Setup(connected=frozenset({"mains"}))) == warning
    left = charge_warning([odd, dataclasses.replace(on, value=12.0)], Setup()) or ""
    assert left.startswith("DANGER: mains")
    assert "left on the board" in left
    high = dataclasses.replace(on, value=310.0)
    assert (charge_warning([odd, high], Setup()) or "").startswith("DANGER: 310")


def test_a_row_that_says_mains_is_not_told_that_mains_is_off() -> None:
    """A sheet that says mains was connected during a reading opens with the danger, not with mains taken as off."""
    reading = Reading(0, Probing("P", "N"), "0.42", 0.42, "V", "steady", connected=frozenset({"mains"}))
    ranking = rank(load_board("single-switch-cooktop"), load_meter(), Setup(), [reading])
    page = ranking_page(ranking, 5, bus_stated=False)
    assert str(page[0]).startswith("DANGER: mains")
    assert not any("mains off, and the bus measured" in str(entry) for entry in page)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rows", "options", "taken_as_given"),
    [
        ("NU,U,diode,0.42,\n", (), True),
        ("NU,U,diode,0.42,discharged\n", (), False),
        ("P,NU,volts,0.01,\nNU,U,diode,0.42,\n", (), False),
        ("NU,U,diode,0.42,\n", ("--bus-volts", "0"), False),
    ],
)
def test_a_bus_that_nobody_measured_is_told_first(
    rows: str, options: tuple[str, ...], taken_as_given: bool, command: Callable[..., Outcome], tmp_path: Path
) -> None:
    """A ranking opens with what was taken as given, unless a reading or an option says what the bus held."""
    sheet = tmp_path / "readings.csv"
    sheet.write_text(f"red,black,mode,reading,note\n{rows}", encoding="utf-8")
    page = command("rank", "drive-module", str(sheet), *options)
    assert (page.status, page.err) == (0, "")
    assert page.out.startswith("Taken as given: mains off, and the bus measured and empty.") is taken_as_given


@pytest.mark.parametrize(("red", "black"), [("P", "N"), ("U", "N"), ("P", "U")])
def test_a_charged_bus_is_read_in_the_range_it_ends_in(red: str, black: str) -> None:
    """With 0.4 V left, an ohmmeter that would end at OL shows a falling number; ranking's table and forecast agree."""
    board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup(bus_volts=0.4)
    places = [Probing(red, black, "ohms")]
    (shown,) = forecast(board, meter, setup, places)
    (column,) = build_table(build_space(board, setup), meter, places, pairs=False).columns
    tabled = column.displays(*column.of_classes(np.zeros(1, dtype=np.intp)))
    assert shown.value is not None
    assert shown.state == "falling"
    assert tabled.value[0] == pytest.approx(shown.value, rel=0.01)


def test_discharged_before_a_reading_means_empty() -> None:
    """A residue that the set-up states is gone where the bus was discharged before the reading, and there elsewhere."""
    board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup(bus_volts=0.4)
    places = [Probing("P", "N", "volts")] * 2
    columns = build_table(build_space(board, setup), meter, places, [True, False], pairs=False).columns
    emptied, charged = (column.displays(*column.of_classes(np.zeros(1, dtype=np.intp))) for column in columns)
    assert emptied.start[0] == pytest.approx(0.0, abs=1e-3)
    assert charged.start[0] == pytest.approx(0.4, abs=1e-3)
