"""What to replace, what goes with it, and how power comes back."""

from __future__ import annotations

import dataclasses
from importlib import resources

import pytest

from bridge.board import Board, list_boards, load_board
from bridge.errors import InputError
from bridge.firstpower import USUAL_A
from bridge.groups import suspect_packages
from bridge.layout import plain_text
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Ranking, SetupBelief
from bridge.repair import RepairList, package_words, repair_list
from bridge.repairpage import repair_page
from bridge.repairtable import parse_repair_table, repair_table

Shares = dict[tuple[str, ...], float]


def ranking(board: str | Board, shares: Shares, *, fits: bool = True, bench: str = "as-stated") -> Ranking:
    """Return a ranking by hand: probabilities of sets of faults written ``PART:MODE``."""
    candidates = tuple(
        Candidate(tuple(FaultGuess(*fault.split(":"), None) for fault in faults), share, 0)
        for faults, share in shares.items()
    )
    return Ranking(
        board=load_board(board) if isinstance(board, str) else board,
        meter=load_meter(),
        given_setup=Setup(),
        readings=(),
        fit=Fit(fits, None, 1.0, ""),
        candidates=candidates,
        groups=(),
        parts=(),
        setup=(SetupBelief(bench, 1.0),),
    )


def advice(repair: RepairList) -> dict[str, str]:
    """Return what is advised for each companion."""
    return {one.package: one.advice for one in repair.companions}


def with_single_rectifier_diodes(board: Board) -> Board:
    """Return a board whose rectifier is made of single diodes."""
    parts = {
        ref: dataclasses.replace(part, package=ref) if part.package == "BR_1" else part
        for ref, part in board.parts.items()
    }
    return dataclasses.replace(board, parts=parts)


def test_lists_are_sets_of_packages() -> None:
    """A switch and its diode in one case are one entry, and probabilities of the same packages add up."""
    given = ranking(
        "six-switch-bridge",
        {("Q_UL:ce-short",): 0.5, ("D_UL:short",): 0.2, ("D_UL:short", "Q_UH:ce-short"): 0.2, (): 0.1},
    )
    lists = given.replace_lists
    assert lists == pytest.approx({frozenset({"Q_UL"}): 0.7, frozenset({"Q_UL", "Q_UH"}): 0.2, frozenset(): 0.1})
    assert suspect_packages(lists) == pytest.approx({"Q_UL": 0.9, "Q_UH": 0.2})


def test_a_shorted_switch_and_what_goes_with_it() -> None:
    """A shorted discrete switch takes its gate circuit and its leg mate along for a test, and no other leg."""
    repair = repair_list(
        ranking("six-switch-bridge", {("Q_UL:ce-short",): 0.96, ("Q_UH:ce-short", "Q_UL:ce-short"): 0.04})
    )
    assert [one.package for one in repair.replace] == ["Q_UL"]
    assert repair.certainty == pytest.approx(0.96)
    assert advice(repair) == dict.fromkeys(("DRV_UL", "RG_UL", "RGE_UL", "Q_UH"), "test")
    mate = next(one for one in repair.companions if one.package == "Q_UH")
    assert "a chance of 4 %" in mate.reason
    assert "shares the leg" in mate.reason


def test_a_fused_switch_condemns_its_gate_circuit() -> None:
    """Where collector, gate and emitter are fused, the driver and gate resistor are replaced with it."""
    repair = repair_list(ranking("six-switch-bridge", {("Q_UL:all-short",): 1.0}))
    assert {name for name, what in advice(repair).items() if what == "replace"} == {"DRV_UL", "RG_UL"}
    assert [one.advice for one in repair.companions] == sorted(one.advice for one in repair.companions)


def test_parallel_switches_go_together() -> None:
    """A switch in parallel with the bad one is replaced, the pair of the other side is tested."""
    repair = repair_list(ranking("full-bridge-welder", {("Q_AL_1:ce-short",): 1.0}))
    told = advice(repair)
    assert told["Q_AL_2"] == "replace"
    assert told["Q_AH_1"] == told["Q_AH_2"] == "test"
    assert not any(name.startswith("Q_B") for name in told)


def test_the_pad_under_a_replaced_switch_is_replaced() -> None:
    """On a board with insulated cases, the pad of the replaced switch goes too, and insulation is tested."""
    repair = repair_list(ranking("motor-drive", {("Q_UL:ce-short",): 1.0}))
    told = advice(repair)
    assert told["INS_UL"] == "replace"
    assert "INS_UH" not in told
    assert told["R_SH_U"] == "test"
    assert any("500 V DC" in piece.text for piece in repair.insulation)


def test_what_is_replaced_is_no_companion() -> None:
    """A module is replaced whole: its other switches are not to be tested one by one."""
    repair = repair_list(ranking("drive-module", {("Q_UL:ce-short",): 1.0}))
    assert [one.package for one in repair.replace] == ["M_1"]
    assert "M_1" not in advice(repair)


def test_a_blown_fuse_is_never_the_whole_story() -> None:
    """An open fuse sends to every switch and to the rectifier."""
    told = advice(repair_list(ranking("half-bridge-cooktop", {("F_1:open",): 1.0})))
    assert {"Q_H", "Q_L", "BR_1", "RV_1"} <= set(told)


def test_stages_follow_the_board() -> None:
    """Bus, then gate signals, then both; a lamp is asked for where mains arrive, a limited source where not."""
    mains = [stage.title for stage in repair_list(ranking("motor-drive", {("Q_UL:ce-short",): 1.0})).stages]
    bus = [stage.title for stage in repair_list(ranking("drive-module", {("Q_UL:ce-short",): 1.0})).stages]
    assert mains[:3] == [
        "Bus at low voltage, gate drive without supply",
        "Gate signals, bus empty",
        "Bus at low voltage, with gate signals",
    ]
    assert any("lamp" in title for title in mains)
    assert not any("lamp" in title.replace("without the lamp", "") for title in bus)
    assert not any("ate signals" in title for title in bus)  # a bare module has no gate drive
    assert bus[0].startswith("Bus at low voltage")


def test_nothing_is_condemned_on_a_doubtful_bench() -> None:
    """Readings that fit nothing, or speak of swapped leads, are said to before any part."""
    assert (
        "None of the modelled faults"
        in repair_list(ranking("drive-module", {("Q_UL:ce-short",): 1.0}, fits=False)).doubt
    )
    swapped = ranking("drive-module", {("Q_UL:ce-short",): 1.0}, bench="leads-swapped")
    assert "another state of the bench" in repair_list(swapped).doubt
    assert repair_list(ranking("drive-module", {("Q_UL:ce-short",): 1.0})).doubt == ""


def test_a_healthy_board_condemns_nothing() -> None:
    """Where the healthy board leads, nothing is to be replaced and nothing goes with it."""
    repair = repair_list(ranking("six-switch-bridge", {(): 0.97, ("Q_UL:never-on",): 0.03}))
    assert repair.replace == ()
    assert repair.certainty == pytest.approx(0.97)
    assert repair.insulation == ()
    assert advice(repair) == {"Q_UL": "test"}
    assert "condemn no part" in plain_text(repair_page(repair))


def test_the_page_names_parts_reasons_and_sources() -> None:
    """The page groups companions of one reason, and names the sources there are."""
    text = plain_text(repair_page(repair_list(ranking("motor-drive", {("D_L1H:short",): 1.0}))))
    assert "R_PRE, K_PRE" in text
    assert "service manual of an AC drive" in text
    assert "IEC 60204-1" in text
    assert text.index("isolate and secure") < text.index("Power comes back in stages")
    assert f"limited to {USUAL_A:g} A" in text  # as power-up has it
    assert "sheet motor-drive --expected" in text


@pytest.mark.slow
def test_every_rule_names_parts_that_some_board_has() -> None:
    """No row of the table waits for parts that no shipped board has."""
    boards = [load_board(name) for name in list_boards()]
    boards.append(with_single_rectifier_diodes(load_board("motor-drive")))
    called = set()
    for board in boards:
        for part in board.parts.values():
            for mode in part.modes:
                for one in repair_list(ranking(board, {(f"{part.ref}:{mode}",): 1.0})).companions:
                    called.add(one.reason.replace(part.package, "{package}"))
    rows = {row.reason for row in repair_table().companion}
    assert rows - called == set()


def test_packages_in_words() -> None:
    """A part is named by its role, a case of several parts by its block."""
    assert package_words(load_board("six-switch-bridge"), "Q_UL") == "low-side switch of leg U"
    assert package_words(load_board("motor-drive"), "BR_1") == "rectifier, 6 parts in one case"
    assert package_words(load_board("drive-module"), "M_1") == "module with Q_UH to INS_WL"


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('modes = ["supply-short"]', 'modes = ["melted"]', "no 'melted'"),
        ('with_kinds = ["driver"]', 'with_kinds = ["valve"]', "no 'valve'"),
        ('with_kinds = ["driver"]', "", "names no companion"),
        ('where = "position"', 'where = "cellar"', "companion.1.where"),
        ("[caution]", "[caution", "not valid TOML"),
    ],
)
def test_a_wrong_table_is_refused(old: str, new: str, named: str) -> None:
    """Unknown modes, kinds, places and broken TOML are named."""
    text = resources.files("bridge").joinpath("data", "repair.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(InputError, match=r"^table") as caught:
        parse_repair_table(text.replace(old, new, 1), "table")
    assert named in str(caught.value)


def test_what_is_not_cleared_is_told_before_power() -> None:
    """A rectifier that may well be shorted behind a blown fuse stands first to be tested, and no power before."""
    pair, triple = ("F_1:open", "Q_H:ce-short"), ("D_AC1H:short", "F_1:open", "Q_H:ce-short")
    repair = repair_list(ranking("half-bridge-cooktop", {pair: 0.54, triple: 0.45, (*pair, "DRV_H:out-low"): 0.01}))
    assert [one.package for one in repair.replace] == ["F_1", "Q_H"]
    tested = [one.package for one in repair.companions if one.advice == "test"]
    assert tested[0] == "BR_1"
    assert "DRV_H" in tested
    ((package, what, chance),) = repair.uncleared
    assert (package, chance) == ("BR_1", pytest.approx(0.45))
    said = "\n".join(part for part in repair_page(repair) if isinstance(part, str))
    assert f"to be tested before any power: BR_1 ({what}, 45 %)." in said
    assert repair_list(ranking("half-bridge-cooktop", {pair: 0.97, triple: 0.03})).uncleared == ()
