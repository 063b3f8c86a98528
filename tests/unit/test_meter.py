"""Meter profiles: the shipped ones, files of the user's own, and the display rule."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, InputErrors
from bridge.meter import DEFAULT_METER, MeterProfile, list_meters, load_meter, parse_meter
from tests.tomlplaces import without_lines

SMALL = """
name = "bench"
counts = 6000
lead_ohms = 0.1
beep_ohms = 30
[diode]
source = "current"
amps = 0.0007
open_volts = 3.2
limit_volts = 2.5
[[ohms]]
full_scale = 6e3
source = "current"
amps = 1e-4
open_volts = 1.2
[[ohms]]
full_scale = 600
source = "resistor"
ohms = 1000
open_volts = 0.45
[accuracy]
diode = [1.5, 5]
ohms = [1.0, 3]
"""


def changed(old: str, new: str) -> str:
    """Return the small meter with one text replaced, making sure that it was there."""
    assert old in SMALL
    return SMALL.replace(old, new, 1)


def as_toml(mapping: dict[str, object]) -> str:
    """Write a profile's mapping as a meter file."""

    def literal(value: object) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        return f'"{value}"' if isinstance(value, str) else str(value)

    lines = [f"{key} = {literal(value)}" for key, value in mapping.items() if not isinstance(value, (dict, list))]
    for key, value in mapping.items():
        tables = value if isinstance(value, list) else [value] if isinstance(value, dict) else []
        for table in tables:
            lines.append(f"[[{key}]]" if isinstance(value, list) else f"[{key}]")
            lines.extend(f"{name} = {literal(entry)}" for name, entry in table.items())
    return "\n".join(lines)


def test_ships_these_meters_and_a_default() -> None:
    """The shipped profiles are listed, and the default is one of them."""
    assert list_meters() == ("handheld", "high-compliance", "moving-needle", "pocket")
    assert load_meter().name == DEFAULT_METER == "handheld"


@pytest.mark.parametrize("name", list_meters())
def test_shipped_meter_is_consistent(name: str) -> None:
    """Each shipped meter is named as its file, shows OL on open leads and can fill every range."""
    meter = load_meter(name)
    assert meter.name == name
    assert meter.title != name
    assert meter.diode.limit_volts < meter.diode.source.open_volts
    assert [entry.full_scale for entry in meter.ohms] == sorted({entry.full_scale for entry in meter.ohms})
    for entry in meter.ohms:
        if entry.source.amps is not None:
            # 0.2 V short of its open-circuit voltage a source with a 25 mV knee is still within 0.04 %
            assert entry.source.amps * entry.full_scale <= entry.source.open_volts - 0.2


@pytest.mark.parametrize("name", list_meters())
def test_shipped_meter_lies_within_published_limits(name: str) -> None:
    """Diode mode lies within what hand-held meters do: 0.3 to 1.5 mA, 1.5 to 8 V open, OL above 1.5 to 3 V.

    Source: specification tables of hand-held meters, their edges from memory.
    The x10 range of a needle meter drives more.
    """
    meter = load_meter(name)
    source = meter.diode.source
    assert 1.5 <= source.open_volts <= 8.0
    assert 1.5 <= meter.diode.limit_volts <= 3.0
    shorted = source.open_volts / source.ohms if source.amps is None else source.amps
    assert 0.3e-3 <= shorted <= (15e-3 if meter.reversed else 1.5e-3)


def test_every_shipped_value_states_its_origin() -> None:
    """In the shipped files every value has a comment on its origin; ohms ranges share the one above."""
    folder = Path(__file__).parents[2] / "bridge" / "data" / "meters"
    for path in sorted(folder.glob("*.toml")):
        head, _, ranges = path.read_text(encoding="utf-8").partition("[[ohms]]")
        assert head.rstrip().splitlines()[-1].startswith("# "), path.name
        for line in head.splitlines() + ranges.partition("[accuracy]")[2].splitlines():
            is_value = "=" in line and not line.startswith(("#", "name", "title", "reversed", "source"))
            assert not is_value or "  # " in line, f"{path.name}: {line}"


def test_only_the_needle_has_its_leads_reversed() -> None:
    """A moving-needle meter drives current out of its black lead; digital ones do not."""
    assert [name for name in list_meters() if load_meter(name).reversed] == ["moving-needle"]


def test_needle_accuracy_follows_from_the_arc() -> None:
    """Three percent of the arc is twelve percent of the resistance at mid-scale, as the file says."""
    deflection = 0.5  # d = r / (r + R) at R = r
    assert load_meter("moving-needle").accuracy_of("ohms").percent == pytest.approx(
        3.0 / (deflection * (1 - deflection))
    )


def test_reads_a_file_and_sorts_its_ranges(tmp_path: Path) -> None:
    """A user's file is read by its path, ranges are ordered by full scale and named after it."""
    path = tmp_path / "mine.toml"
    path.write_text(SMALL, encoding="utf-8")
    meter = load_meter(str(path))
    assert [one.name for one in meter.ohms] == ["600", "6k"]
    assert meter.title == "bench"
    assert not meter.reversed
    assert meter.ohms[0].source.ohms == 1000.0
    assert meter.ohms[0].source.amps is None
    assert meter.ohms[0].source.open_volts == 0.45
    assert meter.diode.source.amps == 0.0007
    assert isinstance(hash(meter), int)


@pytest.mark.parametrize("name", ["nosuch", "", "handheld\n", "Handheld"])
def test_unknown_name_lists_the_shipped_meters(name: str) -> None:
    """A name that is not shipped is refused with those that are."""
    with pytest.raises(InputError, match=f"no meter .*accepted: {', '.join(list_meters())}"):
        load_meter(name)


@pytest.mark.parametrize("path", ["../handheld", "./handheld.toml", "nosuch.toml"])
def test_a_path_never_finds_a_shipped_meter(path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What looks like a path is one, whatever the shipped meters are called."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="no such file"):
        load_meter(path)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (changed("counts = 6000", "counts = 6000\nbanana = 1"), "banana: unknown key; accepted: name, title"),
        (changed("amps = 0.0007", "amps = 0.0007\nwatts = 1"), "diode, key watts: unknown key"),
        (changed("full_scale = 600\n", "full_scale = 600\nwatts = 1\n"), "ohms 2, key watts: unknown key"),
        (changed("diode = [1.5, 5]", "diode = [1.5, 5]\namps = [1, 1]"), "accuracy, key amps: unknown key"),
        (changed("counts = 6000", ""), "counts: missing"),
        (changed("limit_volts = 2.5", ""), "diode, key limit_volts: missing"),
        (changed("ohms = [1.0, 3]", ""), "accuracy, key ohms: missing"),
        (changed("counts = 6000", "counts = 6000.5"), "counts: 6000.5; accepted: a whole number"),
        (changed("counts = 6000", "counts = true"), "counts: 'True'; accepted: a number"),
        (changed("lead_ohms = 0.1", "lead_ohms = nan"), "lead_ohms: 'nan'; accepted: a number from 0 to 100"),
        (changed("lead_ohms = 0.1", "lead_ohms = -1"), "lead_ohms: '-1'"),
        (changed("beep_ohms = 30", "beep_ohms = inf"), "beep_ohms: 'inf'"),
        (changed("counts = 6000", f"counts = 1{'0' * 400}"), "counts: '10000"),
        (changed("amps = 0.0007", "amps = 0.7"), "diode, key amps: '0.7'; accepted: a number from 1e-08 to 0.5"),
        (changed("amps = 0.0007", "ohms = 100"), "diode, key ohms: a current source has no ohms; accepted: amps"),
        (
            changed('source = "current"', 'source = "battery"'),
            "diode, key source: 'battery'; accepted: current, resistor",
        ),
        (changed('source = "current"', ""), "diode, key source: missing"),
        (changed("full_scale = 600\n", "full_scale = 6000\n"), "ohms 2: full_scale 6000 as ohms 1 in line 11 has"),
        (
            changed("full_scale = 600\n", 'full_scale = 600\nname = "6 k"\n'),
            "name: '6 k'; accepted: up to 16 letters",
        ),
        (changed("full_scale = 600\n", 'full_scale = 600\nname = "6k"\n'), "ohms 6k: name 6k as ohms 1 in line 11 has"),
        (changed('name = "bench"', 'name = "a b"'), "name: 'a b'"),
        (
            changed('name = "bench"', 'name = "bench"\nreversed = "yes"'),
            "reversed: 'yes'; accepted: true, false",
        ),
        (changed('name = "bench"', 'name = "bench"\ntitle = "a\\nb"'), "title: accepted: one line"),
        (
            changed("diode = [1.5, 5]", "diode = [1.5]"),
            r"accuracy, key diode: '\[1.5\]'; accepted: \[percent, digits\]",
        ),
        (
            changed("limit_volts = 2.5", "limit_volts = 3.3"),
            "diode, key limit_volts: 3.3 is more than open_volts 3.2, the most that leads ever show; accepted: at most",
        ),
        (
            changed("amps = 1e-4", "amps = 3e-4"),
            "ohms 1, key full_scale: 6000 ohm at amps 0.0003 takes 1.8 V, more than open_volts 1.2; accepted: ",
        ),
        (changed("diode = [1.5, 5]", 'diode = ["a", 5]'), "accuracy, key diode percent: 'a'"),
        ("name = ", "not valid TOML"),
        ("a = " + "[" * 100_000, "not valid TOML"),
        ("name = 3\ndiode = 1\nohms = 2\naccuracy = 3", r"ohms: accepted: one \[\[ohms\]\] table"),
        ("", "name: missing; mine.toml, key counts: missing"),
    ],
)
def test_refuses_a_wrong_file(text: str, problem: str) -> None:
    """Each wrong value is named by file, line and key, with what is accepted."""
    with pytest.raises(InputError) as caught:
        parse_meter(text, "mine.toml")
    assert str(caught.value).startswith("mine.toml")
    assert "\n" not in str(caught.value)
    assert re.search(problem, without_lines(str(caught.value), text))


def test_a_wrong_value_is_told_with_its_line() -> None:
    """The line is that of the key, or of the header where the key is missing; the range is called by its name."""
    for text, place in (
        (changed("open_volts = 1.2", "open_volts = -1"), "mine.toml, line 15, ohms 1, key open_volts: "),
        (changed("full_scale = 600\n", 'name = "low"\n'), "mine.toml, line 16, ohms low, key full_scale: missing"),
    ):
        with pytest.raises(InputError) as caught:
            parse_meter(text, "mine.toml")
        assert str(caught.value).startswith(place)


@pytest.mark.parametrize(
    ("line", "taken", "refused"),
    [
        ("counts = 6000", ("50", "10000000"), ("49", "10000001")),
        ("lead_ohms = 0.1", ("0", "100"), ("-0.001", "100.1")),
        ("beep_ohms = 30", ("0", "10000"), ("-0.1", "10001")),
        ("ohms = 1000", ("0.1", "1e9"), ("0.099", "1.001e9")),
        ("open_volts = 0.45", ("0.05", "100"), ("0.049", "100.1")),
        ("full_scale = 600\n", ("1", "1e11"), ("0.99", "1.001e11")),
    ],
)
def test_ends_of_what_is_accepted(line: str, taken: tuple[str, ...], refused: tuple[str, ...]) -> None:
    """Both ends of what a message says is accepted are accepted, and nothing beyond them."""
    key, _, _ = line.partition(" ")
    for value in taken:
        parse_meter(changed(line, f"{key} = {value}\n"), "mine.toml")
    for value in refused:
        with pytest.raises(InputError, match=f"key {key}: ") as caught:
            parse_meter(changed(line, f"{key} = {value}\n"), "mine.toml")
        low, high = re.findall(r"a number from (\S+) to (\S+)", str(caught.value))[0]
        assert (float(low), float(high)) == pytest.approx([float(one) for one in taken])


def test_a_range_may_ask_for_a_tenth_more_than_its_open_leads_show() -> None:
    """Manuals round their currents: 6 kohm at 0.21 mA and 1.2 V is taken, 5 % beyond; 15 % beyond is not."""
    assert parse_meter(changed("amps = 1e-4", "amps = 2.1e-4"), "mine.toml").ohms[1].source.amps == 2.1e-4
    with pytest.raises(InputError, match="more than open_volts"):
        parse_meter(changed("amps = 1e-4", "amps = 2.3e-4"), "mine.toml")


def test_lists_all_problems_of_a_file_at_once() -> None:
    """Three mistakes give three problems in one error."""
    text = changed("counts = 6000", "counts = 1").replace("beep_ohms = 30", "beeps = 30")
    with pytest.raises(InputErrors) as caught:
        parse_meter(text, "mine.toml")
    assert len(caught.value.errors) == 3


def test_names_a_range_in_several_ways() -> None:
    """A range is found by its name or its full scale written otherwise, else the known ones are listed."""
    meter = load_meter()
    assert meter.range_named("2k") is meter.range_named("2K") is meter.range_named("2000") is meter.ohms[1]
    with pytest.raises(InputError, match=r"no ohms range '2m'; accepted: ohms, ohms:200, ohms:2k, ohms:20k"):
        meter.range_named("2m")
    assert load_meter("moving-needle").range_named("x10k").full_scale == 5e6


@pytest.mark.parametrize(
    ("mode", "range_name", "value", "digit"),
    [
        ("diode", None, 0.0, 1e-3),  # 2.5 V over 6000 counts is 0.42 mV: the decimal display shows millivolts
        ("ohms", "600", 0.0, 0.1),
        ("ohms", "6k", 0.0, 1.0),
        ("ohms", None, 601.0, 1.0),
        ("ohms", None, 600.0, 0.1),
        ("ohms", None, math.inf, 1.0),
        ("continuity", None, 0.0, 0.1),
        ("volts", None, 5.9, 1e-3),
        ("volts", None, -24.0, 1e-2),
        ("volts", None, 325.0, 0.1),
    ],
)
def test_last_digit_is_full_scale_over_counts(mode: str, range_name: str | None, value: float, digit: float) -> None:
    """One digit is full scale over counts, rounded up to a power of ten."""
    assert parse_meter(SMALL, "mine.toml").resolution(mode, range_name, value) == digit


def test_sigma_takes_limits_as_two_sigma() -> None:
    """+/-(1 % + 3 digits) in the 600 ohm range is one sigma of 0.5 % of gain and of 0.15 ohm of digits."""
    meter = parse_meter(SMALL, "mine.toml")
    assert meter.sigma("ohms", "600", 100.0) == pytest.approx((0.005, 0.15))
    assert meter.sigma("diode", None, 0.4) == pytest.approx((0.0075, 0.0025))
    assert meter.sigma("continuity", None, 5.0) == pytest.approx((0.005, 0.15))
    assert meter.sigma("volts", None, 24.0) == pytest.approx((0.0075, 0.025))


def test_digits_are_never_better_than_rounding() -> None:
    """A meter that promises no digit of error still rounds to one: 1 ohm over the square root of twelve."""
    meter = parse_meter(changed("ohms = [1.0, 3]", "ohms = [1.0, 0]"), "mine.toml")
    assert meter.sigma("ohms", "6k", 5000.0)[1] == pytest.approx(0.288675, abs=1e-6)


@pytest.mark.parametrize(
    ("mode", "range_name", "value", "shown"),
    [
        ("diode", None, 0.41234, 0.412),
        ("diode", None, 2.0, 2.0),
        ("diode", None, 2.0001, None),
        ("diode", None, -0.41, -0.41),
        ("diode", None, -2.5, None),
        ("diode", None, math.inf, None),
        ("ohms", "2k", 1234.4, 1234.0),
        ("ohms", "2k", 2001.0, None),
        ("ohms", None, 2001.0, 2000.0),
        ("ohms", None, 2046.0, 2050.0),
        ("ohms", None, 21e6, None),
        ("ohms", None, 0.04, 0.0),
        ("continuity", None, 12.34, 12.3),
        ("continuity", None, 201.0, None),
        ("volts", None, 325.26, 325.0),
        ("volts", None, 1200.0, None),
    ],
)
def test_display_rounds_or_says_ol(mode: str, range_name: str | None, value: float, shown: float | None) -> None:
    """The hand-held meter's display shows the value to its last digit, or OL beyond limit or full scale."""
    found = load_meter().display(mode, range_name, value)
    assert found == shown
    assert found is None or math.copysign(1.0, found) == math.copysign(1.0, value)


@given(
    st.sampled_from([load_meter(name) for name in list_meters()]),
    st.sampled_from(["diode", "ohms", "continuity", "volts"]),
    st.floats(min_value=-1e9, max_value=1e9),
)
def test_display_is_within_half_a_digit(meter: MeterProfile, mode: str, value: float) -> None:
    """What is displayed is within half a digit of the value, and showing it again changes nothing."""
    shown = meter.display(mode, None, value)
    if shown is None:
        assert abs(value) > meter.largest(mode)
    else:
        digit = meter.resolution(mode, None, value)
        assert abs(shown - value) <= 0.5 * digit * (1 + 1e-6)
        assert meter.display(mode, None, shown) == pytest.approx(shown, abs=digit)


def test_display_refuses_what_is_no_number() -> None:
    """A solve that did not converge never becomes a display."""
    with pytest.raises(InputError, match="not a number"):
        load_meter().display("diode", None, math.nan)


@pytest.mark.parametrize("call", ["resolution", "display", "sigma", "accuracy_of", "largest"])
def test_unknown_mode_is_refused(call: str) -> None:
    """A mode no meter has is refused with the list of modes."""
    arguments = {"display": ("amps", None, 1.0), "sigma": ("amps", None, 1.0)}.get(call, ("amps",))
    with pytest.raises(InputError, match="mode 'amps'; accepted: diode, ohms, continuity, volts"):
        getattr(load_meter(), call)(*arguments)


@pytest.mark.parametrize("name", list_meters())
def test_mapping_reads_back(name: str) -> None:
    """The mapping shown to users holds the keys of a meter file and gives the same profile again."""
    meter = load_meter(name)
    assert parse_meter(as_toml(meter.to_mapping()), "again.toml") == meter
