"""Gates that nothing discharges, and where the advice to discharge them stands."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.bare import bare_gate_caution, bare_gates
from bridge.board import list_boards, load_board
from bridge.probing import Setup
from tests.conftest import Outcome
from tests.physics.benchboards import diode, make_board, part, resistor, switch

PULL_DOWN = resistor("RGE_L", "G_L", "N", 10e3)
DRIVER = part("DRV_L", "driver", {"out": "GD_L", "common": "N", "supply": "VCC"})


@pytest.mark.parametrize("name", list_boards())
def test_of_the_shipped_boards_only_the_module_has_bare_gates(name: str) -> None:
    """A closed module brings its gates out bare; every board with a gate drive ties them down."""
    board = load_board(name)
    switches = tuple(ref for ref, one in board.parts.items() if one.kind in ("igbt", "mosfet"))
    assert bare_gates(board, Setup()) == (switches if name == "drive-module" else ())


@pytest.mark.parametrize(
    ("around", "bare"),
    [
        ("", True),
        (PULL_DOWN, False),
        (resistor("RG_L", "G_L", "GD_L", 22.0), True),
        (resistor("RG_L", "G_L", "GD_L", 22.0) + DRIVER, False),
        (diode("Z_L", "N", "G_L", 0.7), True),
        (part("C_G", "capacitor", {"a": "G_L", "b": "N"}, farads=1e-9), True),
    ],
    ids=["nothing", "pull-down", "resistor to nowhere", "driver", "clamp", "capacitor"],
)
def test_what_discharges_a_gate(around: str, bare: bool) -> None:
    """A resistance all the way to the emitter does, directly or through the driver; a clamp or a capacitor does not."""
    board = make_board("D N", switch("L", "D", "N"), around)
    assert bare_gates(board, Setup()) == (("Q_L",) if bare else ())


def test_lifting_the_pull_down_bares_the_gate() -> None:
    """With its pull-down lifted at either end a gate is bare."""
    board = make_board("D N", switch("L", "D", "N"), PULL_DOWN)
    for pin in ("RGE_L.a", "RGE_L.b", "Q_L.gate"):
        assert bare_gates(board, Setup(lifted=(pin,))) == ("Q_L",)


def test_unplugging_bares_what_the_gate_board_held() -> None:
    """A pull-down on the gate board goes away with it."""
    held = PULL_DOWN + "gate_board = true\n"
    board = make_board("D N", switch("L", "D", "N"), held)
    assert bare_gates(board, Setup()) == ()
    assert bare_gates(board, Setup(unplugged=True)) == ("Q_L",)


def test_words() -> None:
    """All gates bare is said as such, some by name; MOSFETs have sources."""
    both = make_board("D M N", switch("H", "D", "M"), switch("L", "M", "N"))
    one = make_board("D M N", switch("H", "D", "M"), switch("L", "M", "N"), PULL_DOWN)
    pins = {"drain": "D", "source": "N", "gate": "G"}
    mosfet = make_board("D N", part("Q_1", "mosfet", pins, gate_threshold=3.0))
    assert str(bare_gate_caution(both, Setup())).startswith("Nothing discharges any gate: tie each to its emitter")
    assert str(bare_gate_caution(one, Setup())).startswith("Nothing discharges the gate of Q_H: tie it to its emitter")
    assert "to its source" in str(bare_gate_caution(mosfet, Setup()))
    assert bare_gate_caution(make_board("D N", diode("D_1", "N", "D", 0.4)), Setup()) is None


@pytest.mark.parametrize("name", ["drive-module", "six-switch-bridge"])
@pytest.mark.parametrize("words", [("show",), ("predict",)])
def test_pages_advise_it_where_it_matters(name: str, words: tuple[str], command: Callable[..., Outcome]) -> None:
    """``show`` and ``predict`` advise it for the module alone, beside charge; ``predict`` before its table."""
    lines = " ".join(command(*words, name).out.split())
    assert ("Nothing discharges any gate" in lines) == (name == "drive-module")
    before = "bus discharged through a resistor, and measured to be empty."
    assert lines.endswith(before) == (words == ("show",))
    assert words == ("show",) or lines.index(before) < lines.index("Readings to expect")
