"""Schematics: every part and terminal is there, wires join what the board joins, and nothing lies on anything."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from bridge.board import Board, list_boards, load_board, parse_board
from bridge.canvas import ON_SCREEN, Lettering, Text, Wire
from bridge.floorplan import Floorplan, plan_floor
from bridge.reportpage import PAPER_LETTERS, PAPER_SHEET
from tests.conftest import Outcome
from tests.crosscheck.randomboards import draw_board
from tests.physics.benchboards import make_board
from tests.pictures.oddboards import odd_boards
from tests.pictures.traced import collisions, nameless, shorts

SHEETS = ((380.0, ON_SCREEN), (700.0, ON_SCREEN), (1210.0, ON_SCREEN), (PAPER_SHEET, PAPER_LETTERS))
ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"


BOARDS: dict[str, Board] = {name: load_board(name) for name in list_boards()} | odd_boards()


@cache
def planned(name: str, sheet: tuple[float, Lettering]) -> Floorplan:
    return plan_floor(BOARDS[name], *sheet)


@pytest.mark.parametrize("sheet", SHEETS, ids=("phone", "tablet", "desk", "paper"))
@pytest.mark.parametrize("name", BOARDS)
def test_everything_is_drawn_once(name: str, sheet: tuple[float, Lettering]) -> None:
    """A drawing holds each part once with each pin, its name once, and a place for every terminal."""
    board, canvas = BOARDS[name], planned(name, sheet).canvas
    assert Counter(symbol.ref for symbol in canvas.symbols) == Counter(list(board.parts))
    assert Counter(text.words for text in canvas.texts if text.role == "part") == Counter(list(board.parts))
    assert sorted(canvas.pins) == sorted((ref, pin) for ref, part in board.parts.items() for pin in part.pins)
    assert set(canvas.spots) == set(board.terminals)
    written = {word for text in canvas.texts for word in text.words.split(" \N{MIDDLE DOT} ")}
    assert sorted(set(board.terminals) - written) == []


@pytest.mark.parametrize("sheet", SHEETS, ids=("phone", "tablet", "desk", "paper"))
@pytest.mark.parametrize("name", BOARDS)
def test_wires_say_what_the_board_says(name: str, sheet: tuple[float, Lettering]) -> None:
    """Pins that a drawing's lines join are on one net, and a net drawn in pieces is named at each of them."""
    plan = planned(name, sheet)
    assert shorts(plan) == []
    assert nameless(plan) == []


@pytest.mark.parametrize("sheet", SHEETS, ids=("phone", "tablet", "desk", "paper"))
@pytest.mark.parametrize("name", BOARDS)
def test_nothing_lies_on_anything(name: str, sheet: tuple[float, Lettering]) -> None:
    """No text lies on another, on a symbol, a wire or a mark, even in a wide typeface."""
    assert list(collisions(planned(name, sheet))) == []


PAPER_MM, POINT_MM = 0.98 * (210.0 - 2 * 11.0), 25.4 / 72.0  # A4 less margins; as the page has it


@pytest.mark.parametrize("name", list_boards())
def test_a_printed_schematic_can_be_read(name: str) -> None:
    """On A4 parts are named in 6.25 points or more, values and nets in 5.35, also on the largest board."""
    plan = planned(name, SHEETS[-1])
    points = PAPER_MM / plan.width / POINT_MM
    assert min(text.size for text in plan.canvas.texts if text.role == "part") * points >= 6.25
    assert min(text.size for text in plan.canvas.texts) * points >= 5.35


@pytest.mark.parametrize("name", list_boards())
def test_a_sheet_is_cut_between_its_rows(name: str) -> None:
    """No cut between two strips of paper goes through a symbol, a text or an upright wire."""
    plan = planned(name, SHEETS[-1])
    assert list(plan.cuts) == sorted(plan.cuts)
    for cut in plan.cuts:
        assert 0.0 < cut < plan.height
        assert not any(box.top < cut < box.bottom for box in (one.body for one in plan.canvas.symbols))
        assert not any(text.box.top < cut < text.box.bottom for text in plan.canvas.texts)
        assert not any(min(w.start[1], w.end[1]) < cut < max(w.start[1], w.end[1]) for w in plan.canvas.wires)


def test_the_tracer_sees_faults_of_a_drawing() -> None:
    """A wire drawn across to another net, a name moved onto another and a name left out are each noticed."""
    plan = plan_floor(load_board("six-switch-bridge"))
    high, low = plan.canvas.pins["Q_UH", "emitter"], plan.canvas.pins["Q_VH", "emitter"]
    canvas = plan.canvas
    crossed = Floorplan(
        plan.board, type(canvas)(**{**vars(canvas), "wires": [*canvas.wires, Wire("U", high, low)]}), 0, 0
    )
    assert len(shorts(crossed)) == 1
    first = canvas.texts[0]
    doubled = [*canvas.texts, Text("X", first.at, first.anchor, "note", 11.0)]
    assert f"{first.words} on X" in list(
        collisions(Floorplan(plan.board, type(canvas)(**{**vars(canvas), "texts": doubled}), 0, 0))
    )
    silent = [text for text in canvas.texts if text.words != "VB_U"]
    assert "VB_U" in nameless(Floorplan(plan.board, type(canvas)(**{**vars(canvas), "texts": silent}), 0, 0))


def test_shipped_boards_look_as_their_trade_draws_them() -> None:
    """The three legs of a bridge stand side by side in one row, switches over switches, plus above and minus below."""
    canvas = plan_floor(load_board("six-switch-bridge")).canvas
    places = {symbol.ref: symbol.start for symbol in canvas.symbols}
    assert places["Q_UH"][1] == places["Q_VH"][1] == places["Q_WH"][1] < places["Q_UL"][1] == places["Q_WL"][1]
    assert places["Q_UH"][0] == places["Q_UL"][0] < places["Q_VH"][0] == places["Q_VL"][0] < places["Q_WH"][0]
    assert canvas.spots["P"][1] < canvas.spots["U"][1] < canvas.spots["N"][1]
    for leg in "UVW":  # a diode that points up, beside its switch
        diode = next(symbol for symbol in canvas.symbols if symbol.ref == f"D_{leg}H")
        assert diode.start[1] > diode.end[1]
        assert places[f"RG_{leg}H"][0] < places[f"Q_{leg}H"][0] < diode.start[0]


def hinted(order: list[str]) -> Board:
    """Return the six-switch bridge with an order of columns in its file."""
    text = (ROOT / "topologies" / "six-switch-bridge.toml").read_text(encoding="utf-8")
    return parse_board(f"{text}\n[drawing]\norder = {order}\n", "hinted.toml")


def test_a_board_file_may_ask_for_an_order() -> None:
    """Legs named in another order stand in that order, so do chains of the strip; what is not named stays."""
    plan = plan_floor(hinted(["Q_WL", "D_UH", "C_BS_W", "C_BS_U"]))
    at = {symbol.ref: symbol.start[0] for symbol in plan.canvas.symbols}
    assert at["C_BUS"] < at["R_BLEED"] < at["Q_WH"] < at["Q_VH"] < at["Q_UH"]
    assert at["C_BS_W"] < at["C_BS_V"] < at["C_BS_U"]
    assert (shorts(plan), nameless(plan), list(collisions(plan))) == ([], [], [])


@pytest.mark.parametrize("name", ["motor-drive", "three-level-bridge", "half-bridge-cooktop", "full-bridge-welder"])
def test_any_order_is_drawn_soundly(name: str) -> None:
    """Every part named backwards: each is drawn once, wires join what the board joins, nothing hides a name."""
    board = dataclasses.replace(load_board(name), drawing_order=tuple(load_board(name).parts)[::-1])
    plan = plan_floor(board)
    assert Counter(symbol.ref for symbol in plan.canvas.symbols) == Counter(list(board.parts))
    assert (shorts(plan), nameless(plan), list(collisions(plan))) == ([], [], [])
    assert [s.start for s in plan.canvas.symbols] != [s.start for s in planned(name, SHEETS[2]).canvas.symbols]


def test_picture_is_written(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """``show --picture`` writes SVG with a title, every part's name in it, and nothing loaded from elsewhere."""
    target = tmp_path / "bridge.svg"
    outcome = command("show", "motor-drive", "--picture", str(target))
    assert (outcome.status, outcome.err) == (0, "")
    root = ET.parse(target).getroot()
    assert root.tag == f"{SVG}svg"
    assert "motor-drive" in (root.findtext(f"{SVG}title") or "")
    written = {element.text for element in root.iter(f"{SVG}text")}
    assert set(load_board("motor-drive").parts) - written == set()
    addresses = [
        value for element in root.iter() for value in element.attrib.values() if "http" in value or "url(" in value
    ]
    assert addresses == []


def test_what_is_not_there_is_dashed(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """Motor windings are dashed until the motor is connected, and a note says what dashes mean."""
    away, there = tmp_path / "away.svg", tmp_path / "there.svg"
    assert command("show", "six-switch-bridge", "--picture", str(away)).status == 0
    assert command("show", "six-switch-bridge", "--connected", "motor", "--picture", str(there)).status == 0
    assert "stroke-dasharray:7" in away.read_text()
    assert "Dashed" in away.read_text()
    assert "stroke-dasharray:7" not in there.read_text()
    assert "Dashed" not in there.read_text()


def test_picture_without_a_folder(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A picture in a folder that does not exist is refused in one line, and nothing is left behind."""
    outcome = command("show", "six-switch-bridge", "--picture", str(tmp_path / "none" / "a.svg"))
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert "no folder" in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_picture_and_json_exclude_each_other(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """One answer at a time: --picture with --json is refused and writes nothing."""
    outcome = command("show", "six-switch-bridge", "--json", "--picture", str(tmp_path / "a.svg"))
    assert (outcome.status, outcome.out) == (2, "")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seed", range(20))
def test_random_boards_are_drawn_soundly(seed: int) -> None:
    """Whatever hangs on whatever: every part is drawn once, wires join what the board joins, nothing hides a name."""
    random_board = draw_board(seed)
    board = make_board(random_board.terminals, *random_board.parts)
    for sheet in SHEETS[::3]:
        plan = plan_floor(board, *sheet)
        assert Counter(symbol.ref for symbol in plan.canvas.symbols) == Counter(list(board.parts))
        assert (shorts(plan), nameless(plan), list(collisions(plan))) == ([], [], [])
        assert set(plan.canvas.spots) == set(board.terminals)
