"""Every shipped board: it loads, is free of slips, and uses the agreed names."""

from __future__ import annotations

import re
import time
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from bridge.board import Board, list_boards, load_board, oddities
from bridge.partkinds import SWITCH_KINDS, emitter_pin

TOPOLOGIES = Path(__file__).resolve().parents[2] / "topologies"

EXPECTED = {
    "drive-module",
    "full-bridge-welder",
    "half-bridge-cooktop",
    "mixed-diode-bridge",
    "motor-drive",
    "single-switch-cooktop",
    "six-switch-bridge",
    "six-switch-sic",
    "three-level-bridge",
}

POSITION = r"(?:[UVW][HL]|[AB][HL](?:_[12])?|[HL]|BR|[UVW][1-4])"
LINE = r"(?:L[123]|AC[12])"
TERMINAL = re.compile(
    rf"P|N|NP|PR|PE|[UVW]|L[123]|AC[12]|B|MID|A|RES|(?:G|GD|E)_{POSITION}|N[UVW]|VCC|COM|VB_(?:[UVWABH]|[UVW][1-4])"
)
PART = re.compile(
    rf"Q_{POSITION}|D_{POSITION}|D_BRQ|(?:RG|RGE|Z|DRV|D_DS|R_DS|INS|DSP)_{POSITION}|D_{LINE}[HL]"
    rf"|R_PRE|K_PRE|C_BUS(?:_[HL])?|R_BLEED(?:_[HL])?|R_SH(?:_[UVW])?|R_CS|F_\d|[DRC]_BS_(?:[UVWABH]|[UVW][1-4])"
    rf"|[CR]_VCC|[CR]_VDD|D_AUX|L_AUX|D_AUX_IN|C_AUX|R_DIV_\d|RV_\d|C_X|C_Y|C_SNB_{POSITION}|C_RES(?:_[HL])?"
    r"|L_COIL|L_DC|R_DIS|D_[UVW]C[HL]|R_AMP_[UVW]|AMP_[UVW]|D_HV_H"
    rf"|L_MOTOR_[UVW]{{2}}|L_MAINS_{LINE}_{LINE}|L_PRI|R_BRAKE"
)
VALUE_LINE = re.compile(
    r"^(?:ohms|\w+_ohms|farads|\w+_farads|henries|drop|\w+_drop|drop_1ma|ideality|threshold|gate_threshold) = [\d.]"
)

BOARDS = sorted(EXPECTED)


@pytest.fixture(params=BOARDS)
def board(request: pytest.FixtureRequest) -> Board:
    """Return each shipped board in turn."""
    return load_board(str(request.param))


def test_the_list_is_complete() -> None:
    """Exactly the boards this test knows are shipped."""
    assert set(list_boards()) == EXPECTED


def test_name_is_the_file_name(board: Board) -> None:
    """A board is called in its file as it is called on the command line."""
    assert f"{board.name}.toml" == board.source


def test_no_oddities(board: Board) -> None:
    """No shipped board has a slip that the checks can name."""
    assert oddities(board) == ()


def test_terminal_names(board: Board) -> None:
    """Terminals are called as agreed."""
    assert [name for name in board.terminals if not TERMINAL.fullmatch(name)] == []


def test_part_names(board: Board) -> None:
    """Parts are called as agreed."""
    assert [ref for ref in board.parts if not PART.fullmatch(ref)] == []


def test_words_for_people(board: Board) -> None:
    """Title, about, every terminal and every part say in words what they are."""
    assert board.title
    assert board.about
    assert [t.name for t in board.terminals.values() if not t.what] == []
    assert [p.ref for p in board.parts.values() if p.role == f"{p.kind} of {p.block}"] == []
    assert [p.ref for p in board.parts.values() if p.block == "board"] == []


def test_gate_and_emitter_pads(board: Board) -> None:
    """Every switch has its gate and emitter pads, on its own gate and emitter."""
    switches = [part for part in board.parts.values() if part.kind in SWITCH_KINDS]
    assert switches
    for switch in switches:
        assert switch.ref == f"Q_{switch.position}"
        assert board.net_of(f"G_{switch.position}") == switch.pins["gate"]
        assert board.net_of(f"E_{switch.position}") == switch.pins[emitter_pin(switch.kind)]
        assert (f"G_{switch.position}", f"E_{switch.position}") in board.gate_leads


def test_bus_capacitors_hold_the_bus(board: Board) -> None:
    """Capacitors across the bus hold all of it, two in series half each; no other capacitor claims any."""
    shares = {ref: part.bus_share for ref, part in board.parts.items() if part.bus_share > 0.0}
    capacitors = {ref for ref in board.parts if ref.startswith("C_BUS")}
    assert shares.keys() == capacitors
    assert sum(shares.values()) == (1.0 if capacitors else 0.0)


def test_what_is_connected_from_outside_is_taken_as_good(board: Board) -> None:
    """Motor, mains and brake resistor come and go and are no suspects."""
    outside = [part for part in board.parts.values() if part.when in ("motor", "mains", "brake-resistor")]
    assert [part.ref for part in outside if part.modes] == []


def test_loads_quickly(board: Board) -> None:
    """Loading takes a blink: at most 30 ms of processor time, best of five."""
    times = []
    for _ in range(5):
        start = time.process_time()
        load_board(board.name)
        times.append(time.process_time() - start)
    assert min(times) < 0.030


@pytest.mark.parametrize("path", sorted(TOPOLOGIES.glob("*.toml")), ids=lambda path: path.stem)
def test_values_state_their_origin(path: Path) -> None:
    """Every number of a board or block carries a comment with its origin."""
    text = path.read_text(encoding="utf-8")
    tomllib.loads(text)
    bare = [line for line in text.splitlines() if VALUE_LINE.match(line) and "#" not in line]
    assert bare == []


class TestParticulars:
    """What makes each board the one it is."""

    def test_main_terminals(self) -> None:
        """The terminals a reader starts from, in order."""
        expected = {
            "six-switch-bridge": "P N U V W",
            "six-switch-sic": "P N U V W",
            "mixed-diode-bridge": "P N U V W",
            "drive-module": "P NU NV NW U V W PE",
            "half-bridge-cooktop": "AC1 AC2 P N MID RES",
            "single-switch-cooktop": "AC1 AC2 P N RES",
            "full-bridge-welder": "AC1 AC2 PR P N A B",
            "three-level-bridge": "P N NP U V W",
            "motor-drive": "L1 L2 L3 PR P N U V W B PE",
        }
        assert {name: " ".join(load_board(name).main_terminals) for name in BOARDS} == expected

    def test_what_can_be_connected(self) -> None:
        """Each board knows the loads that belong to it."""
        found = {name: {p.when for p in load_board(name).parts.values() if p.when} for name in BOARDS}
        assert found == {
            "six-switch-bridge": {"motor"},
            "six-switch-sic": {"motor"},
            "three-level-bridge": {"motor"},
            "motor-drive": {"motor", "mains", "brake-resistor"},
            "half-bridge-cooktop": {"coil", "mains"},
            "single-switch-cooktop": {"coil", "mains"},
            "full-bridge-welder": {"transformer", "mains"},
            "drive-module": set(),
            "mixed-diode-bridge": set(),
        }

    def test_six_switch_bridge_gate(self) -> None:
        """Gate resistor of 22 ohm from driver to gate, pull-down of 10 k on the switch's side."""
        parts = load_board("six-switch-bridge").parts
        assert (parts["RG_UL"].pins, parts["RG_UL"].values["ohms"]) == ({"a": "GD_UL", "b": "G_UL"}, 22.0)
        assert (parts["RGE_UL"].pins, parts["RGE_UL"].values["ohms"]) == ({"a": "G_UL", "b": "N"}, 10e3)
        assert parts["DRV_UL"].pins == {"out": "GD_UL", "common": "N", "supply": "VCC"}
        assert parts["DRV_UH"].pins == {"out": "GD_UH", "common": "U", "supply": "VB_U"}
        assert (parts["D_UH"].package, parts["D_UH"].shares_bond_with) == ("Q_UH", "Q_UH")

    def test_module_is_one_package(self) -> None:
        """The closed module is replaced as one, has no gate drive, and its dies keep their own bonds."""
        parts = load_board("drive-module").parts.values()
        assert {part.package for part in parts} == {"M_1"}
        assert {part.construction for part in parts} == {"module"}
        assert {part.kind for part in parts} == {"igbt", "diode", "insulation"}
        assert {part.shares_bond_with for part in parts} == {None}

    def test_body_diode_is_the_mosfet(self) -> None:
        """A SiC body diode drops about 1.9 V and is part of its switch."""
        parts = load_board("six-switch-sic").parts
        assert parts["Q_VL"].values["gate_threshold"] == 2.6
        assert parts["D_VL"].values["drop_1ma"] == 1.9
        assert (parts["D_VL"].shares_bond_with, parts["D_VL"].package) == ("Q_VL", "Q_VL")

    def test_mixed_bridge_lacks_two_diodes(self) -> None:
        """Two low sides have no antiparallel diode, all other positions have one."""
        parts = load_board("mixed-diode-bridge").parts
        without = {ref for ref, part in parts.items() if part.kind == "igbt" and f"D_{part.position}" not in parts}
        assert without == {"Q_VL", "Q_WL"}

    def test_welder_has_pairs_on_one_driver(self) -> None:
        """Two switches in parallel have their own gate resistors on the same driver output."""
        board = load_board("full-bridge-welder")
        first, second = (board.parts[f"Q_AH_{number}"] for number in (1, 2))
        assert (first.pins["collector"], first.pins["emitter"]) == ("P", "A")
        assert (second.pins["collector"], second.pins["emitter"]) == ("P", "A")
        assert first.pins["gate"] != second.pins["gate"]
        driven = {board.parts[f"RG_AH_{number}"].pins["a"] for number in (1, 2)}
        assert driven == {board.parts["DRV_AH"].pins["out"]}

    def test_three_level_leg_is_a_ladder(self) -> None:
        """Each leg runs from plus to minus through four switches, its inner nodes clamped to the neutral point."""
        parts = load_board("three-level-bridge").parts
        for leg in "UVW":
            ladder = [
                (parts[f"Q_{leg}{n}"].pins["collector"], parts[f"Q_{leg}{n}"].pins["emitter"]) for n in range(1, 5)
            ]
            assert ladder[0][0] == "P"
            assert ladder[1][1] == leg
            assert ladder[3][1] == "N"
            assert all(upper[1] == lower[0] for upper, lower in pairwise(ladder))
            assert parts[f"D_{leg}CH"].pins == {"anode": "NP", "cathode": ladder[0][1]}
            assert parts[f"D_{leg}CL"].pins == {"anode": ladder[2][1], "cathode": "NP"}

    def test_drive_unplugs_its_gate_board(self) -> None:
        """Drivers and gate resistors leave with the gate board, pull-downs stay on the switches."""
        parts = load_board("motor-drive").parts.values()
        leaving = {part.ref.split("_")[0] for part in parts if part.gate_board and part.kind != "capacitor"}
        assert {"DRV", "RG"} <= leaving
        assert [part.ref for part in parts if part.gate_board and part.ref.startswith(("Q_", "RGE_", "R_SH_"))] == []

    def test_brake_switch_has_no_diode_across_it(self) -> None:
        """D_BR runs from the brake terminal to plus; nothing lies across the brake switch."""
        parts = load_board("motor-drive").parts
        assert parts["D_BR"].pins == {"anode": "B", "cathode": "P"}
        across = [p.ref for p in parts.values() if p.kind == "diode" and set(p.pins.values()) == {"B", "N"}]
        assert across == []

    def test_cooktop_auxiliary_supply_hides_behind_its_diode(self) -> None:
        """On a cooktop the auxiliary supply draws from the bus through a diode of its own."""
        for name in ("half-bridge-cooktop", "single-switch-cooktop"):
            parts = load_board(name).parts
            assert parts["D_AUX_IN"].pins == {"anode": "P", "cathode": parts["L_AUX"].pins["a"]}
            assert parts["D_AUX"].pins["anode"] == "N"
