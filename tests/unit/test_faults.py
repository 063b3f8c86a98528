"""Faults, their severity, their words, and how probable they are."""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Sequence
from importlib import resources
from time import perf_counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.board import Board, Part, list_boards, load_board
from bridge.errors import InputError, InputErrors
from bridge.faults import (
    Fault,
    describe_fault,
    has_severity,
    list_faults,
    median_ohms,
    parse_fault,
    severity_nodes,
)
from bridge.faulttable import fault_table, parse_fault_table
from bridge.partkinds import PART_KINDS
from bridge.patterns import Strike
from bridge.places import place_parts
from bridge.priors import Priors

SWITCHES = ("igbt", "mosfet")
TABLE_TEXT = resources.files("bridge").joinpath("data", "faults.toml").read_text(encoding="utf-8")


def make_part(
    ref: str,
    kind: str,
    *nets: str,
    position: str | None = None,
    package: str | None = None,
    modes: Sequence[str] | None = None,
    **values: float,
) -> Part:
    """Make a part by hand, pins in the order of its kind."""
    return Part(
        ref=ref,
        kind=kind,
        pins=dict(zip(PART_KINDS[kind].pins, nets, strict=True)),
        values=values,
        tolerance=0.05,
        package=package or ref,
        block="",
        role="",
        modes=PART_KINDS[kind].modes if modes is None else tuple(modes),
        batch=kind,
        construction="discrete",
        position=position,
        shares_bond_with=None,
        when=None,
        gate_board=False,
        bus_share=0.0,
        lift_cost={},
    )


def make_board(*parts: Part) -> Board:
    """Make a board of parts by hand."""
    return Board(
        name="hand-made",
        title="",
        about="",
        terminals={},
        parts={part.ref: part for part in parts},
        source="test",
    )


def position_parts(position: str, high: str, low: str, kind: str, package: str) -> list[Part]:
    """One switch with its diode and its gate network."""
    gate, drive = f"g{position}", f"d{position}"
    here = {"position": position}
    pins = (high, low, gate)
    return [
        make_part(f"Q_{position}", kind, *pins, **here, package=package),  # type: ignore[arg-type]
        make_part(f"D_{position}", "diode", low, high, **here, package=package),  # type: ignore[arg-type]
        make_part(f"RG_{position}", "resistor", drive, gate, position=position, ohms=22.0),
        make_part(f"RGE_{position}", "resistor", gate, low, position=position, ohms=10e3),
        make_part(f"DRV_{position}", "driver", drive, low, f"s{position}", position=position),
    ]


def six_switch(kind: str = "igbt", module: str | None = None) -> Board:
    """A three-phase bridge with rectifier, fuse, precharge, brake, shunts and gate drive."""
    parts: list[Part] = []
    for leg in "UVW":
        for position, high, low in ((f"{leg}H", "P", leg), (f"{leg}L", leg, f"N{leg}")):
            parts += position_parts(position, high, low, kind, module or f"PACK_{position}")
        parts.append(make_part(f"R_SH_{leg}", "shunt", f"N{leg}", "N", ohms=0.01))
    for line in ("L1", "L2", "L3"):
        parts.append(make_part(f"D_{line}H", "diode", line, "PR", package="BR_1"))
        parts.append(make_part(f"D_{line}L", "diode", "N", line, package="BR_1"))
    return make_board(
        *parts,
        make_part("F_1", "fuse", "L1", "IN1", ohms=0.01),
        make_part("R_PRE", "resistor", "PR", "P", ohms=47.0),
        make_part("K_PRE", "relay", "PR", "P", ohms=0.01),
        make_part("C_BUS", "capacitor", "P", "N", farads=1e-3),
        make_part("R_BLEED", "resistor", "P", "N", ohms=100e3),
        make_part("Q_BR", kind, "B", "N", "gBR", position="BR"),
        make_part("RG_BR", "resistor", "dBR", "gBR", position="BR", ohms=22.0),
        make_part("D_BR", "diode", "B", "P"),
        make_part("R_NONE", "resistor", "P", "N", modes=(), ohms=1e6),
    )


def tiny_board() -> Board:
    """A leg of two switches, two gate resistors and a fuse, few modes: small enough to list every set."""
    return make_board(
        make_part("Q_H", "igbt", "P", "MID", "gH", position="H", modes=("ce-short", "all-short")),
        make_part("Q_L", "igbt", "MID", "N", "gL", position="L", modes=("ce-short", "burst")),
        make_part("RG_H", "resistor", "dH", "gH", position="H", modes=("open",), ohms=22.0),
        make_part("RG_L", "resistor", "dL", "gL", position="L", modes=("open", "high"), ohms=22.0),
        make_part("F_1", "fuse", "P", "IN", modes=("open",), ohms=0.01),
    )


@pytest.fixture(scope="module")
def board() -> Board:
    """A three-phase bridge of IGBTs."""
    return six_switch()


@pytest.fixture(scope="module")
def priors(board: Board) -> Priors:
    """Its priors."""
    return Priors.for_board(board, list_faults(board))


def pair_log(priors: Priors, one: Fault, other: Fault) -> float:
    """ln prior of a pair given by name."""
    return priors.log_prior(tuple(sorted((one, other))))


def pairs_of(faults: Sequence[Fault]) -> tuple[np.ndarray, np.ndarray]:
    """Return the indices of all pairs of faults of different parts, the first below the second."""
    both = itertools.combinations(range(len(faults)), 2)
    pairs = np.array([pair for pair in both if faults[pair[0]].part != faults[pair[1]].part], dtype=np.intp)
    return pairs[:, 0], pairs[:, 1]


def every_set(board: Board, size: int) -> list[tuple[Fault, ...]]:
    """All hypotheses of a size, by brute force."""
    chosen = itertools.combinations(board.parts.values(), size)
    return [
        tuple(sorted(Fault(part.ref, mode) for part, mode in zip(parts, modes, strict=True)))
        for parts in chosen
        for modes in itertools.product(*(part.modes for part in parts))
    ]


# --- writing and listing -----------------------------------------------------------------------------------


def test_fault_reads_with_and_without_ohms(board: Board) -> None:
    """PART:MODE gives no severity and PART:MODE:OHMS the one written; upper and lower case are alike."""
    assert parse_fault("Q_UL:ce-short", board) == (Fault("Q_UL", "ce-short"), None)
    assert parse_fault("Q_UL:ce-short:0.5", board) == (Fault("Q_UL", "ce-short"), 0.5)
    assert parse_fault("q_ul:CE-short:0.5", board) == (Fault("Q_UL", "ce-short"), 0.5)
    for written in ("2000", "2e3", "2e+03", "2k", "2k0", "2 kohm"):
        assert parse_fault(f"RG_UH:high:{written}", board) == (Fault("RG_UH", "high"), 2000.0)


def test_a_mode_reads_as_it_is_listed(board: Board) -> None:
    """What the listings call a mode of a kind of part means it: a fuse is blown, and nothing else is."""
    assert parse_fault("F_1:Blown", load_board("motor-drive")) == (Fault("F_1", "open"), None)
    assert parse_fault("rg_uh:value too high:2k", board) == (Fault("RG_UH", "high"), 2000.0)
    with pytest.raises(InputError, match="has no mode 'blown'; accepted: open, high, short"):
        parse_fault("RG_UH:blown", board)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Q_LU:ce-short", "Q_UL"),
        ("Q_UL:ce-shrot", "ce-short"),
        ("Q_UL:short", "all-short"),
        ("D_UL:ce-short", "short, open, leak"),
        ("D_UL:open:3", "takes no OHMS"),
        ("K_PRE:stuck-closed:0.1", "takes no OHMS"),
        ("Q_UL:ce-short:-1", "from 0 to"),
        ("Q_UL:ce-short:nan", "no value"),
        ("Q_UL:ce-short:inf", "no value"),
        ("Q_UL:ce-short:abc", "'abc'"),
        ("Q_UL:ce-short:1e11", "from 0 to"),
        ("Q_UL:ce-short:1e400", "from 0 to"),
        ("Q_UL:ce-short:0.4 V", "resistance"),
        ("nothing-like-it:open", "it has Q_UH"),
        ("Q_UL", "PART:MODE"),
        ("Q_UL:", "PART:MODE"),
        (":ce-short", "PART:MODE"),
        ("Q_UL:ce-short:1:2", "PART:MODE"),
        ("", "PART:MODE"),
        ("R_NONE:open", "R_NONE"),
    ],
)
def test_bad_fault_is_refused_with_what_is_accepted(board: Board, text: str, told: str) -> None:
    """Each way to write a fault wrongly is refused in one line that names what would be accepted."""
    with pytest.raises(InputError) as caught:
        parse_fault(text, board)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@given(text=st.text(max_size=40))
def test_any_text_is_a_fault_or_an_input_error(text: str) -> None:
    """No text at all makes the reader fail in another way than by an InputError."""
    tiny = tiny_board()
    try:
        fault, _ = parse_fault(text, tiny)
    except InputError:
        return
    assert fault in list_faults(tiny)


def test_every_listed_fault_reads_back(board: Board) -> None:
    """What a fault prints as is what it is read from."""
    for fault in list_faults(board):
        assert parse_fault(str(fault), board) == (fault, None)


def test_faults_are_sorted_and_only_of_parts_that_are_there(board: Board) -> None:
    """The list is sorted, leaves out absent parts and parts that do not fail, and forgets nothing else."""
    everything = list_faults(board)
    assert list(everything) == sorted(everything)
    assert len(everything) == sum(len(part.modes) for part in board.parts.values())
    assert not any(fault.part == "R_NONE" for fault in everything)
    without = list_faults(board, {ref for ref in board.parts if ref != "Q_UL"})
    assert set(everything) - set(without) == {Fault("Q_UL", mode) for mode in PART_KINDS["igbt"].modes}


# --- severity ----------------------------------------------------------------------------------------------


def test_severity_exists_for_shorts_leaks_and_raised_values_only() -> None:
    """Of all modes of all kinds exactly the shorts, the leaks and `high` have ohms."""
    modes = {mode for kind in PART_KINDS.values() for mode in kind.modes}
    without = {"burst", "never-on", "always-on", "emitter-open", "open", "low", "stuck-open", "stuck-closed"}
    assert {mode for mode in modes if not has_severity(mode)} == without


@pytest.mark.parametrize(("kind", "mode"), [(kind, mode) for kind, row in PART_KINDS.items() for mode in row.modes])
def test_severity_nodes_tile_the_range(kind: str, mode: str) -> None:
    """Nodes rise, weigh 1 together, and their cells cover ln(high / low) of the table."""
    part = make_part("X", kind, *PART_KINDS[kind].pins, ohms=20.0)
    nodes = severity_nodes(part, mode)
    if not has_severity(mode):
        assert nodes == ()
        assert median_ohms(part, mode) is None
        return
    row = fault_table().severity_row(kind, mode)
    unit = 20.0 if mode == "high" else 1.0
    assert len(nodes) == (9 if mode.endswith("leak") else 6 if mode == "high" else 3)
    assert sum(node.weight for node in nodes) == pytest.approx(1.0)
    assert sum(2 * node.half_width for node in nodes) == pytest.approx(math.log(row.high / row.low))
    ohms = [node.ohms for node in nodes]
    assert ohms == sorted(ohms)
    assert unit * row.low < ohms[0]
    assert ohms[-1] < unit * row.high
    assert median_ohms(part, mode) == pytest.approx(unit * row.median)
    if len(ohms) % 2:
        assert ohms[len(ohms) // 2] == pytest.approx(unit * row.median, rel=1e-9)
    else:
        assert ohms[len(ohms) // 2 - 1] < unit * row.median < ohms[len(ohms) // 2]


def test_severities_have_the_size_the_trade_gives_them() -> None:
    """Shorts lie between milliohms and tens of ohms, leaks between hundreds of ohms and a megohm."""
    for row in fault_table().severity:
        if all(mode.endswith("short") for mode in row.modes):
            assert 1e-3 <= row.low < row.high <= 100.0
        elif all(mode.endswith("leak") for mode in row.modes):
            assert 100.0 <= row.low < row.high <= 1e6
        else:
            assert row.modes == ("high",)
            assert row.of == "nominal"
            assert row.low > 1.0


def test_ln_sigma_is_that_of_an_even_spread_over_the_cell() -> None:
    """A cell from 1 to e² ohms has the standard deviation 2 / sqrt(12) in ln(ohms)."""
    part = make_part("X", "resistor", "a", "b", ohms=1.0)
    node = severity_nodes(part, "short")[0]
    assert node.ln_sigma == pytest.approx(2.0 * node.half_width / math.sqrt(12.0))
    samples = np.linspace(-node.half_width, node.half_width, 100_001)
    assert node.ln_sigma == pytest.approx(samples.std(), rel=1e-4)


def test_raised_value_of_a_link_of_zero_ohms_is_still_a_resistance() -> None:
    """A nominal value of zero does not make every severity zero."""
    part = make_part("X", "fuse", "a", "b", ohms=0.0)
    assert severity_nodes(part, "high")[0].ohms > 0.0


# --- the data table ----------------------------------------------------------------------------------------


def test_switch_ratios_obey_the_rules_of_the_bench() -> None:
    """At most one switch in ten is open and always-on is at most half a percent."""
    for ratio in fault_table().ratio:
        if ratio.kinds[0] in SWITCHES:
            opens = sum(ratio.modes[mode] for mode in ("burst", "never-on", "emitter-open"))
            assert opens <= 0.10 + 1e-12
            assert 0.0 < ratio.modes["always-on"] <= 0.005


def test_group_shares_are_the_bench_weights() -> None:
    """Switches hold 60 to 65 %, rectifier and gate drive 10, the rest as on the bench."""
    share = {group.name: group.share for group in fault_table().group}
    assert 0.60 <= share.pop("switches") <= 0.65
    assert share == {
        "rectifier": 0.10,
        "gate drive": 0.10,
        "electrolytics": 0.05,
        "precharge": 0.05,
        "brake": 0.04,
        "rest": 0.05,
    }


def test_every_row_names_a_source() -> None:
    """No number stands in the table without a word on where it is from."""
    table = fault_table()
    rows = [table.counts, table.growth, table.coupling]
    for group in (
        table.group,
        table.weight,
        table.ratio,
        table.severity,
        table.link,
        table.pattern,
        table.words,
    ):
        rows += group
    known = ("MIL-HDBK-338B", "common practice, no source", "from memory", "manual", "account")
    assert all(any(word in row.source for word in known) for row in rows)


def test_every_mode_has_words_in_the_terms_of_its_kind() -> None:
    """Each mode has a phrase and a sentence; MOSFETs say drain and source, IGBTs collector and emitter."""
    for kind, row in PART_KINDS.items():
        part = make_part("X", kind, *row.pins)
        phrases = [describe_fault(part, mode).phrase for mode in row.modes]
        assert len(set(phrases)) == len(phrases)
        assert all(0 < len(phrase) <= 45 for phrase in phrases)
        text = " ".join(describe_fault(part, mode).what + " " + describe_fault(part, mode).phrase for mode in row.modes)
        assert all(describe_fault(part, mode).what.endswith(".") for mode in row.modes)
        foreign = {"igbt": ("drain", "source"), "mosfet": ("collector", "emitter")}.get(kind, ())
        assert not any(word in text.lower() for word in foreign)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("healthy = 0.03", "healthy = 0.04", "counts sum to 1.01"),
        ("share = 0.61", "share = 0.51", "group shares sum to 0.9"),
        ("ce-short = 0.45", "ce-short = 0.46", "ratio 1: modes sum to 1.01"),
        ("always-on = 0.003", "allways-on = 0.003", "ratio 1: has modes"),
        ("[coupling]", "[coupling]\nbuilding = 1.0", "building"),
        ("package = 60.0", 'package = "much"', "coupling.package"),
        ('kinds = ["fuse"]\ngroup', 'kinds = ["fuze"]\ngroup', "unknown kind 'fuze'"),
        ('groups = ["rectifier"]', 'groups = ["rectifyer"]', "unknown group 'rectifyer'"),
        ("modes = { open = 1.0 }", "modes = { opened = 1.0 }", "unknown mode 'opened'"),
        ("median = 12e3", "median = 12e7", "must increase"),
        ('modes = ["ce-short", "all-short"] #', 'modes = ["ce-short", "burst"] #', "burst"),
        ('kind = "varistor"', 'kind = "diode"', "varistor"),
        ("[counts]", "[counts", "not valid TOML"),
    ],
)
def test_spoilt_table_is_refused(old: str, new: str, told: str) -> None:
    """Each kind of slip in the table is found and named with the file."""
    assert old in TABLE_TEXT
    with pytest.raises(InputError) as caught:
        parse_fault_table(TABLE_TEXT.replace(old, new, 1), "my.toml")
    assert told in str(caught.value)
    assert "my.toml" in str(caught.value)


def test_all_problems_of_a_table_are_listed_at_once() -> None:
    """Two slips give two errors in one exception."""
    text = TABLE_TEXT.replace("healthy = 0.03", "healthy = 0.04").replace("share = 0.61", "share = 0.51")
    with pytest.raises(InputErrors) as caught:
        parse_fault_table(text, "my.toml")
    assert len(caught.value.errors) == 2


def test_table_file_is_the_table_in_use() -> None:
    """The shipped file parses to the table the package works with."""
    assert parse_fault_table(TABLE_TEXT, "x") == fault_table()
    assert tomllib.loads(TABLE_TEXT)["counts"]["healthy"] == fault_table().counts.healthy


# --- places ------------------------------------------------------------------------------------------------


def test_parts_find_their_leg_and_position(board: Board) -> None:
    """Positions, rectifier names and shunt suffixes lead to legs; the brake and the bus have none."""
    places = place_parts(board)
    assert places["Q_UH"].leg == places["DRV_UL"].leg == places["R_SH_U"].leg is not None
    assert places["Q_UH"].leg != places["Q_VH"].leg
    assert places["D_L1H"].leg == places["D_L1L"].leg != places["D_L2H"].leg
    assert places["Q_BR"].leg is None
    assert places["C_BUS"].leg is None
    assert places["Q_UH"].position == "UH"


def test_parallel_switches_share_a_position_and_three_level_legs_their_clamps() -> None:
    """AH_1 and AH_2 are one position; U1 to U4 and both clamp diodes are one leg; H and L alone are a leg."""
    parallel = place_parts(
        make_board(
            make_part("Q_AH_1", "igbt", "P", "A", "g1", position="AH_1"),
            make_part("Q_AH_2", "igbt", "P", "A", "g2", position="AH_2"),
        )
    )
    assert parallel["Q_AH_1"].position == parallel["Q_AH_2"].position == "AH"
    level = place_parts(
        make_board(
            make_part("Q_U1", "igbt", "P", "x", "g1", position="U1"),
            make_part("Q_U4", "igbt", "y", "N", "g4", position="U4"),
            make_part("D_UCH", "diode", "NP", "x"),
        )
    )
    assert level["Q_U1"].leg == level["Q_U4"].leg == level["D_UCH"].leg is not None
    single = place_parts(tiny_board())
    assert single["Q_H"].leg == single["RG_L"].leg is not None
    assert single["F_1"].leg is None


def test_bootstrap_parts_belong_to_the_leg_they_feed() -> None:
    """C_BS_H of a single leg and C_BS_U of a three-phase bridge find their legs."""
    single = place_parts(
        make_board(*tiny_board().parts.values(), make_part("C_BS_H", "capacitor", "vb", "MID", farads=1e-5))
    )
    assert single["C_BS_H"].leg == single["Q_L"].leg is not None
    three = place_parts(
        make_board(*six_switch().parts.values(), make_part("C_BS_U", "capacitor", "vb", "U", farads=1e-5))
    )
    assert three["C_BS_U"].leg == three["Q_UL"].leg is not None


# --- priors ------------------------------------------------------------------------------------------------


def test_masses_sum_to_one(priors: Priors) -> None:
    """Healthy, all singles, all pairs, patterns and the other larger sets are the whole space."""
    pairs = np.exp(priors.log_pair(*pairs_of(priors.faults))).sum()
    counts = fault_table().counts
    assert math.exp(priors.log_healthy) == pytest.approx(counts.healthy)
    assert np.exp(priors.log_single).sum() == pytest.approx(counts.one)
    assert pairs == pytest.approx(counts.two)
    larger = math.exp(priors.log_pattern_mass) + math.exp(priors.log_spread_mass)
    assert larger == pytest.approx(counts.more)
    listed = math.fsum(math.exp(one.log_prior) for one in priors.patterns())
    assert 0.2 * counts.more < listed < counts.more


@pytest.mark.parametrize("name", list_boards())
def test_masses_of_shipped_boards_sum_to_one(name: str) -> None:
    """Every shipped board's parts are known to the table, and its hypotheses are the whole space."""
    board = load_board(name)
    priors = Priors.for_board(board, list_faults(board))
    masses = [priors.log_healthy, priors.log_pattern_mass, priors.log_spread_mass, *priors.log_single]
    pairs = np.exp(priors.log_pair(*pairs_of(priors.faults))).sum()
    assert np.exp(masses).sum() + pairs == pytest.approx(1.0)


def test_every_set_of_a_tiny_board_sums_to_one() -> None:
    """Healthy to all five parts bad, listed by brute force, patterns included, is exactly 1."""
    tiny = tiny_board()
    priors = Priors.for_board(tiny, list_faults(tiny))
    assert {strike.name for strike in priors._strikes} == {
        "blown leg",
        "blown switch with its gate network",
        "fuse and switch, sometimes the rectifier",
    }
    total = [math.exp(priors.log_prior(one)) for size in range(6) for one in every_set(tiny, size)]
    assert len(total) == 1 + 8 + 25 + 38 + 28 + 8
    assert math.fsum(total) == pytest.approx(1.0, abs=1e-12)


def test_spreading_damage_is_the_sum_over_all_orders() -> None:
    """The subset recursion agrees with adding up every order in which four faults may have come."""
    board = six_switch()
    priors = Priors.for_board(board, list_faults(board))
    names = (
        Fault("Q_UH", "gc-short"),
        Fault("RG_UH", "open"),
        Fault("C_BUS", "short"),
        Fault("D_L1H", "short"),
    )
    index = [priors.index_of[fault] for fault in names]
    chance = 0.0
    for order in itertools.permutations(index):
        step = priors._first[order[0]]
        for count in range(1, 4):
            there = list(order[:count])
            outside = ~np.isin(priors._part, priors._part[there])
            onward = priors._first * priors._coupling[there].mean(axis=0) * outside
            step *= onward[order[count]] / onward.sum()
        chance += step
    size = math.exp(priors._log_size[1])
    found = priors._log_spread(np.array([index]))[0] - priors.log_spread_mass
    assert math.exp(found) == pytest.approx(chance * size)


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_small_boards_still_sum_to_one(count: int) -> None:
    """A board without room for pairs or larger sets gives their mass to what it can have."""
    refs = ("R_1", "R_2", "R_3")[:count]
    small = make_board(*(make_part(ref, "resistor", "a", "b", modes=("open",), ohms=1.0) for ref in refs))
    priors = Priors.for_board(small, list_faults(small))
    total = [math.exp(priors.log_prior(one)) for size in range(count + 1) for one in every_set(small, size)]
    assert math.fsum(total) == pytest.approx(1.0)


def test_group_weights_reach_the_singles(board: Board, priors: Priors) -> None:
    """The singles of each group have its bench weight together, and a part's modes the published ratios."""
    table = fault_table()
    single = dict(zip(priors.faults, np.exp(priors.log_single) / table.counts.one, strict=True))
    for group in table.group:
        members = [fault for fault in single if table.weight_row(board.parts[fault.part], board).group == group.name]
        assert sum(single[fault] for fault in members) == pytest.approx(group.share), group.name
    short, leak = single[Fault("Q_UL", "ce-short")], single[Fault("Q_UL", "ce-leak")]
    assert short / leak == pytest.approx(0.45 / 0.05)


def test_group_a_board_lacks_gives_its_weight_away() -> None:
    """Without a rectifier and a brake the singles still sum to their mass and keep their proportions."""
    tiny = tiny_board()
    priors = Priors.for_board(tiny, list_faults(tiny))
    of_part = dict.fromkeys(tiny.parts, 0.0)
    for fault, log_prior in zip(priors.faults, priors.log_single, strict=True):
        of_part[fault.part] += math.exp(log_prior)
    assert (of_part["Q_H"] + of_part["Q_L"]) / (of_part["RG_H"] + of_part["RG_L"]) == pytest.approx(0.61 / 0.10)


def test_body_diode_weighs_less_than_a_diode_of_its_own() -> None:
    """Beside a MOSFET the diode is the switch's own silicon and rarely counted by itself."""
    boards = six_switch("igbt"), six_switch("mosfet")
    igbt, mosfet = (Priors.for_board(board, list_faults(board)) for board in boards)
    fault = (Fault("D_UL", "short"),)
    assert mosfet.log_prior(fault) < igbt.log_prior(fault) - 1.0


def test_coupling_falls_with_distance(priors: Priors) -> None:
    """Given Q_UH, for equal weights: its own diode ≫ its gate resistor ≫ that of its leg > of another leg."""
    source = Fault("Q_UH", "never-on")  # has no links, so distance alone counts
    bench = priors.log_single[priors.index_of[source]]

    def lift(part: str, mode: str) -> float:
        other = Fault(part, mode)
        return math.exp(pair_log(priors, source, other) - priors.log_single[priors.index_of[other]] - bench)

    own, network = lift("D_UH", "short"), lift("RG_UH", "open")
    leg, elsewhere = lift("RG_UL", "open"), lift("RG_VL", "open")
    assert own > 2.0 * network > 4.0 * leg > 8.0 * elsewhere


def test_punctured_gate_takes_its_gate_network(priors: Priors) -> None:
    """A ge-short makes a bad gate resistor or driver of that position likelier than a lifted emitter does."""
    bad, mild = Fault("Q_WL", "ge-short"), Fault("Q_WL", "emitter-open")
    alone = priors.log_prior((bad,)) - priors.log_prior((mild,))
    for other in (Fault("RG_WL", "open"), Fault("DRV_WL", "low-short")):
        assert pair_log(priors, bad, other) - pair_log(priors, mild, other) > alone + 1.0
    far = Fault("RG_UL", "open")
    assert pair_log(priors, bad, far) - pair_log(priors, mild, far) == pytest.approx(alone, abs=0.3)


def test_legs_of_a_module_are_less_of_a_fate_shared_than_one_device() -> None:
    """In a six-switch module a switch is coupled most to its own diode, then to its leg, then to the rest."""
    board = six_switch(module="M_1")
    priors = Priors.for_board(board, list_faults(board))
    source = Fault("Q_UH", "never-on")
    own, leg, other = (pair_log(priors, source, Fault(ref, "short")) for ref in ("D_UH", "D_UL", "D_VL"))
    assert own > leg + 1.0 > other + 2.0
    apart = six_switch()
    loose = Priors.for_board(apart, list_faults(apart))
    within = other - pair_log(priors, source, Fault("D_L1H", "short"))
    across = pair_log(loose, source, Fault("D_VL", "short")) - pair_log(loose, source, Fault("D_L1H", "short"))
    assert within > across + 1.0


def test_blown_fuse_is_mostly_a_consequence(priors: Priors) -> None:
    """For equal weights, fuse and shorted switch are likelier than the fuse with an unrelated part."""
    fuse = Fault("F_1", "open")
    together = pair_log(priors, fuse, Fault("Q_UL", "ce-short")) - priors.log_prior((Fault("Q_UL", "ce-short"),))
    apart = pair_log(priors, fuse, Fault("RG_UL", "open")) - priors.log_prior((Fault("RG_UL", "open"),))
    assert together > apart + 2.0


def test_pair_prior_does_not_depend_on_order(priors: Priors) -> None:
    """Both orders of indices give the same pair."""
    first, second = pairs_of(priors.faults)
    assert np.allclose(priors.log_pair(first, second), priors.log_pair(second, first), rtol=0, atol=1e-12)
    assert np.all(np.isfinite(priors.log_pair(first, second)))


def test_two_faults_of_one_part_are_no_hypothesis(priors: Priors) -> None:
    """A part fails in one mode at a time."""
    one, two = Fault("Q_UL", "ce-short"), Fault("Q_UL", "ge-short")
    assert pair_log(priors, one, two) == -math.inf
    assert priors.log_prior((one, two, Fault("F_1", "open"))) == -math.inf


def test_fault_that_is_not_there_is_a_key_error(priors: Priors) -> None:
    """Asking for a fault outside the set-up is a mistake of the caller, not a probability."""
    with pytest.raises(KeyError):
        priors.log_prior((Fault("L_MOTOR", "open"),))


def test_pair_priors_of_a_large_board_are_fast() -> None:
    """The priors of about 80,000 pairs take well under 50 ms."""
    parts = [part for leg in "UVWXYZ" for part in position_parts(f"{leg}H", "P", leg, "igbt", f"PACK_{leg}H")]
    parts += [part for leg in "UVWXYZ" for part in position_parts(f"{leg}L", leg, "N", "igbt", f"PACK_{leg}L")]
    parts += [make_part(f"R_{number}", "resistor", "a", "b", ohms=1.0) for number in range(40)]
    large = make_board(*parts)
    priors = Priors.for_board(large, list_faults(large))
    first, second = pairs_of(priors.faults)
    assert len(first) > 75_000
    times = []
    for _ in range(5):
        start = perf_counter()
        priors.log_pair(first, second)
        times.append(perf_counter() - start)
    assert min(times) < 0.05


# --- damage patterns ---------------------------------------------------------------------------------------


def test_patterns_leave_three_to_nine_parts_sorted_and_likeliest_first(priors: Priors) -> None:
    """Every listed set is a proper hypothesis of 3 to 9 parts, once, with the prior asking for it gives."""
    listed = priors.patterns()
    assert set(range(3, 9)) <= {len(one.faults) for one in listed} <= set(range(3, 10))
    assert len({one.faults for one in listed}) == len(listed)
    chances = [one.log_prior for one in listed]
    assert chances == sorted(chances, reverse=True)
    for one in listed[:: max(1, len(listed) // 50)]:
        assert list(one.faults) == sorted(one.faults)
        assert len({fault.part for fault in one.faults}) == len(one.faults)
        assert one.log_prior == pytest.approx(priors.log_prior(one.faults))


def test_blown_leg_is_one_leg(priors: Priors) -> None:
    """A blown leg has both its switches and touches no other leg's parts."""
    blown = [one for one in priors.patterns() if one.name == "blown leg"]
    assert len(blown) > 100
    for one in blown:
        refs = {fault.part for fault in one.faults}
        legs = {leg for leg in "UVW" if {f"Q_{leg}H", f"Q_{leg}L"} <= refs}
        assert len(legs) == 1
        allowed = legs | {"1"}  # the fuse is F_1
        assert all(ref.split("_")[-1][0] in allowed for ref in refs)


def test_whole_blown_leg_of_eight_parts_is_far_likelier_than_eight_scattered_ones(priors: Priors) -> None:
    """Both switches, gate resistors, drivers, the shunt and the fuse have a prior patterns alone can give."""
    leg = [("Q", "all-short"), ("RG", "open"), ("DRV", "low-short")]
    blown = [Fault(f"{ref}_V{side}", mode) for ref, mode in leg for side in "HL"]
    whole = tuple(sorted([*blown, Fault("R_SH_V", "open"), Fault("F_1", "open")]))
    scattered = tuple(
        sorted([*blown[:-1], Fault("DRV_WL", "low-short"), Fault("R_SH_V", "open"), Fault("F_1", "open")])
    )
    assert whole in {one.faults for one in priors.patterns()}
    assert priors.log_prior(whole) > math.log(1e-6)
    assert priors.log_prior(whole) > priors.log_prior(scattered) + math.log(1000.0)
    assert math.isfinite(priors.log_prior(scattered))


def test_a_cooktop_loses_fuse_and_switch_first() -> None:
    """On a cooktop without a gate network the likeliest set of three is fuse, rectifier and switch."""
    cooktop = make_board(
        make_part("Q_L", "igbt", "RES", "N", "gL", position="L"),
        make_part("D_L", "diode", "N", "RES", position="L"),
        *(make_part(f"D_AC{n}{s}", "diode", "a", "b", package="BR_1") for n in "12" for s in "HL"),
        make_part("F_1", "fuse", "AC1", "IN", ohms=0.01),
        make_part("C_BUS", "capacitor", "P", "N", farads=5e-6),
        make_part("L_COIL", "coil", "P", "RES", ohms=0.05),
    )
    priors = Priors.for_board(cooktop, list_faults(cooktop))
    best = priors.patterns()[0]
    assert best.name == "fuse and switch, sometimes the rectifier"
    assert {fault.part.split("_")[0] for fault in best.faults} == {"F", "D", "Q"}
    assert "blown leg" not in {one.name for one in priors.patterns()}


def test_bus_short_takes_the_precharge(priors: Priors) -> None:
    """A shorted bus capacitor comes with the precharge resistor or its relay, in pairs and larger sets."""
    short = Fault("C_BUS", "short")
    sets = [one.faults for one in priors.patterns() if one.name == "shorted bus capacitor"]
    assert sets
    assert all(short in one for one in sets)
    assert any(Fault("R_PRE", "open") in one for one in sets)
    assert any(Fault("K_PRE", "stuck-closed") in one for one in sets)
    burnt, bleeder = Fault("R_PRE", "open"), Fault("R_BLEED", "open")
    gain = pair_log(priors, short, burnt) - pair_log(priors, short, bleeder)
    assert gain > priors.log_prior((burnt,)) - priors.log_prior((bleeder,)) + 1.0


def test_brake_is_struck_as_rarely_as_it_fails(priors: Priors) -> None:
    """The sites of a pattern share it by bench weight: the brake switch gets less than a leg's switch."""

    strikes = [one for one in priors._strikes if one.name == "blown switch with its gate network"]
    number = {ref: priors.index_of[Fault(ref, "gc-short")] for ref in ("Q_BR", "Q_UL")}
    share = {ref: sum(one.share for one in strikes if one._member[k] >= 0) for ref, k in number.items()}
    bench = {ref: priors.log_single[k] for ref, k in number.items()}
    assert share["Q_BR"] / share["Q_UL"] == pytest.approx(math.exp(bench["Q_BR"] - bench["Q_UL"]))
    assert share["Q_BR"] < 0.5 * share["Q_UL"]


@settings(max_examples=30, deadline=None)
@given(count=st.integers(1, 40))
def test_likeliest_sets_of_a_strike_are_the_likeliest(count: int) -> None:
    """The listed sets are as probable as the best ones found by trying every set of a tiny board."""
    tiny = tiny_board()
    priors = Priors.for_board(tiny, list_faults(tiny))
    for strike in priors._strikes:
        every = [[priors.index_of[fault] for fault in one] for size in (3, 4, 5) for one in every_set(tiny, size)]
        best = sorted((chance_of(strike, one) for one in every), reverse=True)
        found = sorted((chance_of(strike, list(one)) for one in strike.likeliest(count)), reverse=True)
        assert found
        assert len(found) <= count
        assert math.fsum(math.exp(one) for one in best) == pytest.approx(1.0)
        assert found == pytest.approx(best[: len(found)])


def chance_of(strike: Strike, one: list[int]) -> float:
    """ln chance of a single set."""
    return float(strike.log_chance(np.array([one]))[0])
