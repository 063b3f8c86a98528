"""What the table of part kinds says of a reading across a part holds wherever such a reading is made up."""

from __future__ import annotations

import dataclasses

import pytest

from bridge import separate
from bridge.benchpage import part_probings
from bridge.board import load_board
from bridge.partkinds import PART_KINDS
from bridge.separate import reachable_probings


def test_a_driver_is_asked_about_as_the_table_reads_it() -> None:
    """Across a driver's output lies a junction; a gate is insulated, so it is read in ohms."""
    board = load_board("six-switch-bridge")
    assert {probing.mode for probing in part_probings(board, "DRV_UL")} == {PART_KINDS["driver"].read_in} == {"diode"}
    assert [probing.mode for probing in part_probings(board, "Q_UL") if "G_UL" in (probing.red, probing.black)] == [
        "ohms"
    ]
    assert {probing.mode for probing in part_probings(board, "R_BLEED")} == {"ohms"}


def test_a_part_the_table_reads_as_a_diode_is_proposed_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A kind with a junction between its two pins is read blocking in ohms, and as a diode both ways."""
    board = load_board("motor-drive")
    places = {terminal.net: name for name, terminal in board.terminals.items()}
    varistor = next(part for part in board.parts.values() if part.kind == "varistor")
    a, b = places[varistor.pins["a"]], places[varistor.pins["b"]]
    main = set(board.main_terminals)
    monkeypatch.setattr(type(board), "main_terminals", tuple(main - {a, b}))

    def modes() -> list[tuple[str, str, str]]:
        found = ((probing.red, probing.black, probing.mode) for probing in reachable_probings(board))
        return [one for one in found if {one[0], one[1]} == {a, b}]

    assert modes() == [(a, b, "ohms")]
    kinds = {**PART_KINDS, "varistor": dataclasses.replace(PART_KINDS["varistor"], read_in="diode")}
    monkeypatch.setattr(separate, "PART_KINDS", kinds)
    assert modes() == [(b, a, "ohms"), (a, b, "diode"), (b, a, "diode")]
