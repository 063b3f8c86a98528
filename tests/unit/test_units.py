"""Engineering values: what is read, what is refused, what is printed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.units import (
    NotAValue,
    Quantity,
    format_compact,
    format_ohms,
    format_reading,
    format_volts,
    parse_quantity,
)


def value_of(text: str) -> float:
    """Return the number a text stands for, without its unit."""
    return parse_quantity(text).value


@pytest.mark.parametrize(
    ("text", "ohms"),
    [("R47", 0.47), ("4R7", 4.7), ("470R", 470.0), ("4K7", 4700.0), ("47K3", 47300.0), ("4M7", 4.7e6)],
)
def test_reads_resistor_marking_codes(text: str, ohms: float) -> None:
    """The marking codes of IEC 60062 are read as that standard gives them."""
    assert value_of(text) == ohms


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.412", 0.412),
        ("0,412", 0.412),
        ("412m", 0.412),
        ("4k7", 4700.0),
        ("0R1", 0.1),
        ("2M2", 2.2e6),
        ("2m2", 0.0022),
        ("10.2k", 10200.0),
        ("10,2 k", 10200.0),
        (".5", 0.5),
        ("5.", 5.0),
        (" 12 ", 12.0),
        ("+3", 3.0),
        ("-0.41", -0.41),
        ("\N{MINUS SIGN}0,41", -0.41),
        ("-4k7", -4700.0),
        ("470u", 470e-6),
        ("4\N{MICRO SIGN}7", 4.7e-6),
        ("4\N{GREEK SMALL LETTER MU}7", 4.7e-6),
        ("33n", 33e-9),
        ("100p", 100e-12),
        ("1G", 1e9),
        ("1e-05", 1e-5),
        ("4\N{NO-BREAK SPACE}k", 4000.0),
    ],
)
def test_reads_what_technicians_write(text: str, value: float) -> None:
    """Every notation gives the very double its decimal form gives."""
    assert value_of(text) == value


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("0.412 V", Quantity(0.412, "V")),
        ("412mV", Quantity(0.412, "V")),
        ("4V7", Quantity(4.7, "V")),
        ("4.7 k\N{GREEK CAPITAL LETTER OMEGA}", Quantity(4700.0, "ohm")),
        ("4.7k\N{OHM SIGN}", Quantity(4700.0, "ohm")),
        ("47 ohms", Quantity(47.0, "ohm")),
        ("4R7", Quantity(4.7, "ohm")),
        ("4k7", Quantity(4700.0, "")),
    ],
)
def test_keeps_the_unit_that_was_written(text: str, quantity: Quantity) -> None:
    """A unit, or the letter R or V in place of the point, says what was measured."""
    assert parse_quantity(text) == quantity


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "k",
        "m",
        "-",
        ".",
        "4x7",
        "1.234,5",
        "4 7",
        "4k7k",
        "0x10",
        "nan",
        "inf",
        "1_000",
        "--1",
        "\u0664",
        "4.7.1",
        "4k7.1",
    ],
)
def test_refuses_anything_else(text: str) -> None:
    """Text that is no notation is refused with the list of accepted ones."""
    with pytest.raises(NotAValue, match=r"accepted: 0\.412 0,412 412m 4k7"):
        value_of(text)


def test_refuses_an_exponent_that_may_be_a_decimal_letter() -> None:
    """4E7 is 4.7 ohm to some and forty million to others, so neither is guessed."""
    with pytest.raises(InputError, match=r"'4E7' can be read two ways; write 4R7 ohm or 4e\+7"):
        value_of("4E7")


def test_refuses_mixed_units() -> None:
    """A resistor code with volts behind it is refused."""
    with pytest.raises(InputError, match="mixes ohms and volts"):
        value_of("4R7 V")


@pytest.mark.parametrize("text", ["9" * 400, "1e+999"])
def test_refuses_numbers_too_large(text: str) -> None:
    """A number beyond a double is refused and shown cut short."""
    with pytest.raises(InputError, match="too large") as caught:
        value_of(text)
    assert len(str(caught.value)) < 120


def test_is_a_value_error_and_shows_no_control_characters() -> None:
    """Callers may catch ValueError, and a message never carries an escape sequence."""
    with pytest.raises(ValueError, match="is no value") as caught:
        value_of("\x1b[31m4k7")
    assert "\x1b" not in str(caught.value)


def test_minus_zero_is_zero() -> None:
    """A display that shows -0.00 means zero."""
    assert math.copysign(1.0, value_of("-0.00")) == 1.0


@pytest.mark.parametrize(
    ("ohms", "text"),
    [
        (0.0, "0 \N{GREEK CAPITAL LETTER OMEGA}"),
        (0.005, "5 m\N{GREEK CAPITAL LETTER OMEGA}"),
        (0.43, "0.43 \N{GREEK CAPITAL LETTER OMEGA}"),
        (47.26, "47.3 \N{GREEK CAPITAL LETTER OMEGA}"),
        (999.6, "1 k\N{GREEK CAPITAL LETTER OMEGA}"),
        (4700.0, "4.7 k\N{GREEK CAPITAL LETTER OMEGA}"),
        (2.2e6, "2.2 M\N{GREEK CAPITAL LETTER OMEGA}"),
        (math.inf, "OL"),
    ],
)
def test_prints_ohms(ohms: float, text: str) -> None:
    """Resistances carry three significant digits and the multiplier a technician uses."""
    assert format_ohms(ohms) == text


@pytest.mark.parametrize(
    ("volts", "text"),
    [
        (0.412, "0.412 V"),
        (0.42, "0.420 V"),
        (-0.0001, "0.000 V"),
        (-0.41, "-0.410 V"),
        (9.9996, "10.00 V"),
        (24.5, "24.50 V"),
        (325.26, "325.3 V"),
        (1234.0, "1234 V"),
        (math.inf, "OL"),
    ],
)
def test_prints_volts(volts: float, text: str) -> None:
    """Voltages are printed as a four-digit display shows them."""
    assert format_volts(volts) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.4123, "V", "0.412"),
        (None, "V", "OL"),
        (math.inf, "ohm", "OL"),
        (0.034, "ohm", "0.03"),
        (0.001, "ohm", "0"),
        (4700.0, "ohm", "4.7k"),
        (10234.0, "ohm", "10.2k"),
        (20e6, "ohm", "20M"),
    ],
)
def test_prints_readings_as_a_file_holds_them(value: float | None, unit: str, text: str) -> None:
    """A reading is printed bare, as it is typed."""
    assert format_reading(value, unit) == text


def test_refuses_to_print_what_is_no_number() -> None:
    """NaN and unknown units never reach a page."""
    for attempt in (format_ohms, format_volts, format_compact):
        with pytest.raises(InputError, match="n"):
            attempt(math.nan)
    with pytest.raises(InputError, match="not a number"):
        format_reading(math.nan, "V")
    with pytest.raises(InputError, match="accepted: V, ohm"):
        format_reading(1.0, "")


@given(st.floats(min_value=1e-12, max_value=9.99e11), st.sampled_from([1.0, -1.0]))
def test_compact_form_reads_back(size: float, sign: float) -> None:
    """What is printed with four digits reads back within half of the last one."""
    value = sign * size
    assert value_of(format_compact(value)) == pytest.approx(value, rel=5.1e-4)


@given(st.floats(min_value=1.0, max_value=1e9))
def test_resistance_reading_reads_back(ohms: float) -> None:
    """A printed resistance reads back within half of its third digit."""
    assert value_of(format_reading(ohms, "ohm")) == pytest.approx(ohms, rel=5.1e-3)


@given(st.floats(min_value=-9.9, max_value=9.9))
def test_voltage_reading_reads_back(volts: float) -> None:
    """A printed voltage reads back within half a millivolt."""
    assert value_of(format_reading(volts, "V")) == pytest.approx(volts, abs=5.01e-4)


@given(st.text(max_size=30))
def test_any_text_is_a_finite_number_or_an_input_error(text: str) -> None:
    """No text at all leads to another kind of exception."""
    try:
        value = value_of(text)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert math.isfinite(value)
