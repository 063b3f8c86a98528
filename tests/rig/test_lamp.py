"""The lamp against published figures, and preferred values against the standard."""

from __future__ import annotations

import pytest

from bridge.errors import InputError
from bridge.lamp import Lamp, parse_lamp
from bridge.preferred import E12, best_e12, e12_between


def test_the_published_lamp_comes_out() -> None:
    """A 100 W 120 V lamp, measured in a public encyclopaedia: 144 ohm hot and 9.5 ohm cold."""
    lamp = Lamp(120.0, 100.0)
    assert lamp.ohms_at(120.0) == pytest.approx(144.0, abs=0.01)
    assert lamp.ohms_at(0.0) == pytest.approx(9.5, rel=0.02)  # 1:15 is a rounded figure


@pytest.mark.parametrize("share", [0.5, 0.8, 0.9, 1.1])
def test_current_and_power_follow_the_handbook(share: float) -> None:
    """Current goes with the power 0.55 of the voltage and power nearly with the 1.6 of Fink & Beaty."""
    lamp = Lamp(12.0, 5.0)
    amps = 12.0 * share / lamp.ohms_at(12.0 * share)
    assert amps == pytest.approx(5.0 / 12.0 * share**0.55, rel=1e-4)
    assert 12.0 * share * amps == pytest.approx(5.0 * share**1.6, rel=0.04)


def test_more_volts_are_more_amps_all_the_way_down() -> None:
    """Current rises with voltage from nothing upwards, so a lamp in series with anything has one answer."""
    amps = [10.0**power / Lamp(24.0, 10.0).ohms_at(10.0**power) for power in range(-6, 2)]
    assert amps == sorted(amps)
    assert amps[0] == pytest.approx(1e-6 / (57.6 / 15.0), rel=1e-3)


@pytest.mark.parametrize("text", ["12x5", "12Vx5W", " 12 V x 5 W ", "12,0x5", "12X5"])
def test_a_lamp_is_read_as_it_is_written(text: str) -> None:
    """VOLTSxWATTS is read with and without units."""
    assert parse_lamp(text) == Lamp(12.0, 5.0)


@pytest.mark.parametrize("text", ["", "12", "12x", "x5", "12x5x3", "-12x5", "0x5", "12x0", "nanx5", "1e9x5", "12/5"])
def test_what_is_no_lamp_is_refused(text: str) -> None:
    """Anything else is refused with what is accepted."""
    with pytest.raises(InputError, match=r"--lamp: .*accepted: VOLTSxWATTS"):
        parse_lamp(text)


def test_preferred_values_are_those_of_the_standard() -> None:
    """E12 are twelve steps of nearly 10^(1/12), none further than 5.5 % off (IEC 60063)."""
    assert len(E12) == 12
    assert all(value == pytest.approx(10.0 ** (step / 12.0), rel=0.055) for step, value in enumerate(E12))
    assert e12_between(4.7e3, 10e3) == (4.7e3, 5.6e3, 6.8e3, 8.2e3, 10e3)
    assert best_e12(1e3, 1e6, badness=lambda ohms: abs(ohms - 5000.0)) == 4.7e3
