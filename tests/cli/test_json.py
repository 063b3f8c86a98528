"""Answers for programs: the keys they promise, and numbers that JSON has."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.board import list_boards, load_board
from bridge.meter import list_meters, load_meter
from bridge.payload import json_text
from tests.cli.sheets import FEW, HEADER, SHORTED_LOW_SWITCH, write
from tests.conftest import Outcome, process_environment

BOARD = "six-switch-bridge"
PREDICTED = {"red", "black", "mode", "hold", "lift", "value", "unit", "state", "start", "end"}
STATES = {"steady", "climbing", "falling", "OL"}


def refuse(name: str) -> Any:
    """Refuse what Python's reader accepts and JSON does not have."""
    raise AssertionError(f"{name} in JSON")


def answer(outcome: Outcome) -> Any:
    """Return the parsed answer of a command that succeeded."""
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.count("\n") == 1
    return json.loads(outcome.out, parse_constant=refuse)


@pytest.fixture(scope="module")
def ranked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return the ranking of a bridge whose low switch of leg U is shorted, as a process answers it."""
    sheet = write(tmp_path_factory.mktemp("sheet"), SHORTED_LOW_SWITCH)
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "rank", BOARD, sheet, "--json"],
        capture_output=True,
        encoding="utf-8",
        env=process_environment(),
        check=False,
    )
    return answer(Outcome(done.returncode, done.stdout, done.stderr))


def test_boards(command: Callable[..., Outcome]) -> None:
    """The list of boards and meters is complete, with counts of parts and terminals."""
    found = answer(command("boards", "--json"))
    assert [entry["name"] for entry in found["boards"]] == list(list_boards())
    assert [entry["name"] for entry in found["meters"]] == list(list_meters())
    for entry in found["boards"]:
        board = load_board(entry["name"])
        assert (entry["title"], entry["parts"]) == (board.title, len(board.parts))
        assert entry["terminals"] == len(board.terminals)
    assert all(entry["title"] for entry in found["meters"])


@pytest.mark.parametrize("name", list_boards())
def test_show(name: str, command: Callable[..., Outcome]) -> None:
    """A board is shown with every terminal and part, and the meter as its file says it."""
    found = answer(command("show", name, "--json", "--meter", "pocket"))
    board = load_board(name)
    assert (found["board"], found["title"]) == (name, board.title)
    assert [entry["name"] for entry in found["terminals"]] == list(board.terminals)
    assert all({"name", "net", "what", "access"} <= entry.keys() for entry in found["terminals"])
    assert [entry["ref"] for entry in found["parts"]] == list(board.parts)
    keys = {"ref", "kind", "pins", "values", "modes", "package"}
    assert all(keys <= entry.keys() for entry in found["parts"])
    assert found["meter"]["diode"] == {"source": "resistor", "ohms": 2200.0, "open_volts": 3.0, "limit_volts": 2.0}


def test_show_faults(command: Callable[..., Outcome]) -> None:
    """With its faults, each mode of each part has a sentence, and a switch's modes are the ten of its kind."""
    parts = {entry["ref"]: entry for entry in answer(command("show", BOARD, "--json", "--faults"))["parts"]}
    switch = parts["Q_UL"]["faults"]
    assert [entry["fault"] for entry in switch] == [f"Q_UL:{mode}" for mode in parts["Q_UL"]["modes"]]
    assert len(switch) == 10
    assert all(entry["what"].endswith(".") for part in parts.values() for entry in part["faults"])


def test_predict_by_default(command: Callable[..., Outcome]) -> None:
    """Without a choice, all ordered pairs of five main terminals are predicted, then six gates to their emitters."""
    readings = answer(command("predict", BOARD, "--json"))["readings"]
    assert len(readings) == 5 * 4 + 6
    assert [entry["mode"] for entry in readings] == ["diode"] * 20 + ["ohms"] * 6
    assert [entry["unit"] for entry in readings] == ["V"] * 20 + ["ohm"] * 6
    assert len({(entry["red"], entry["black"]) for entry in readings}) == 26
    assert all(readings[20 + n]["red"] == f"G_{p}" for n, p in enumerate(["UH", "UL", "VH", "VL", "WH", "WL"]))
    for entry in readings:
        assert entry.keys() >= PREDICTED
        assert entry["state"] in STATES
        assert (entry["value"] is None) == (entry["state"] == "OL")


def test_predict_one_diode(command: Callable[..., Outcome]) -> None:
    """A healthy diode reads its drop at 1 mA on a 1 mA meter whose leads have 0.2 ohm; the other way is OL."""
    forward, reverse = answer(command("predict", "drive-module", "--json", "--at", "NU,U,diode", "--at", "U,NU,diode"))[
        "readings"
    ]
    drop = load_board("drive-module").parts["D_UL"].values["drop_1ma"]
    # 1 mA through the leads adds 0.2 mV; a millivolt is one digit of the display
    assert forward["value"] == pytest.approx(drop + 0.001 * 0.2, abs=0.001)
    assert (forward["state"], forward["hold"], forward["lift"]) == ("steady", "", "")
    assert (reverse["value"], reverse["state"]) == (None, "OL")


def test_predict_with_hold_and_range(command: Callable[..., Outcome]) -> None:
    """A placement keeps its range and its held gates, written as in a readings file."""
    found = answer(
        command("predict", BOARD, "--json", "--at", "P,U,diode,UH@12 VL@10/100", "--at", "G_UH,E_UH,ohms:20k")
    )["readings"]
    assert (found[0]["hold"], found[0]["mode"]) == ("UH@12 VL@10/100", "diode")
    assert (found[1]["hold"], found[1]["mode"], found[1]["unit"]) == ("", "ohms:20k", "ohm")


def test_predict_follows_a_sheet(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The leads go where a sheet put them, in its order, whatever it says was read."""
    sheet = write(tmp_path, "red,black,mode,reading,lift\nV,N,diode,nonsense,\nG_UL,E_UL,ohms,,RGE_UL.a\n")
    found = answer(command("predict", BOARD, "--json", "--readings", sheet))["readings"]
    assert [(entry["red"], entry["black"], entry["lift"]) for entry in found] == [
        ("V", "N", ""),
        ("G_UL", "E_UL", "RGE_UL.a"),
    ]


def test_predict_with_a_fault(command: Callable[..., Outcome]) -> None:
    """A switch shorted with 2 ohm reads 2 ohm plus the leads both ways, in ohms mode on a bare module."""
    found = answer(
        command(
            "predict",
            "drive-module",
            "--json",
            "--fault",
            "Q_UL:ce-short:2",
            "--at",
            "U,NU,ohms:200",
            "--at",
            "NU,U,ohms:200",
        )
    )["readings"]
    leads = load_meter("handheld").lead_ohms
    assert [entry["value"] for entry in found] == pytest.approx([2.0 + leads] * 2, abs=0.05)


def test_rank_readings(ranked: Any) -> None:
    """Readings come back with their line in the file, as written and as understood."""
    assert ranked["board"] == BOARD
    keys = {"line", "red", "black", "mode", "hold", "lift", "text", "value", "unit", "state"}
    assert all(keys <= entry.keys() for entry in ranked["readings"])
    assert [entry["line"] for entry in ranked["readings"]] == list(range(2, 10))
    first, second = ranked["readings"][:2]
    assert (first["text"], first["value"], first["unit"], first["state"]) == ("0.415", 0.415, "V", "steady")
    assert (second["text"], second["value"], second["state"]) == ("OL", None, "OL")


def test_rank_candidates(ranked: Any) -> None:
    """The shorted switch leads; candidates are sorted, twenty by default, each with a prediction for every reading."""
    candidates = ranked["candidates"]
    assert len(candidates) == 20
    chances = [entry["probability"] for entry in candidates]
    assert chances == sorted(chances, reverse=True)
    assert candidates[0]["faults"][0]["part"] == "Q_UL"
    assert candidates[0]["faults"][0]["mode"] == "ce-short"
    for entry in candidates:
        assert {"faults", "probability", "group", "predicted"} <= entry.keys()
        assert all({"part", "mode", "ohms"} <= fault.keys() for fault in entry["faults"])
        places = [(forecast["red"], forecast["black"]) for forecast in entry["predicted"]]
        assert places == [(reading["red"], reading["black"]) for reading in ranked["readings"]]
        assert all(forecast.keys() >= PREDICTED for forecast in entry["predicted"])


def test_rank_fit_groups_parts_and_setup(ranked: Any) -> None:
    """Fit, groups, parts and set-up have their keys; groups and set-up each sum to one."""
    assert {"ok", "worst_reading"} <= ranked["fit"].keys()
    assert ranked["fit"]["ok"] is True
    keys = {"id", "probability", "size", "separable_in_place", "members", "replace"}
    assert all(keys <= group.keys() for group in ranked["groups"])
    assert [group["id"] for group in ranked["groups"]] == list(range(len(ranked["groups"])))
    assert math.fsum(group["probability"] for group in ranked["groups"]) == pytest.approx(1.0, abs=1e-6)
    for group in ranked["groups"]:
        assert len(group["members"]) <= group["size"]
        assert all(ranked["candidates"][member]["group"] == group["id"] for member in group["members"])
    listed = sorted(member for group in ranked["groups"] for member in group["members"])
    assert listed == list(range(len(ranked["candidates"])))
    assert all({"part", "package", "probability"} <= entry.keys() for entry in ranked["parts"])
    assert ranked["parts"][0]["package"] == "Q_UL"
    assert math.fsum(entry["probability"] for entry in ranked["setup"]) == pytest.approx(1.0, abs=1e-6)


def test_predictions_are_those_of_each_fault_alone(
    command: Callable[..., Outcome], tmp_path: Path, ranked: Any
) -> None:
    """What a candidate predicts is what ``predict`` says of its faults, to a tenth of a digit of the display."""
    sheet = write(tmp_path, SHORTED_LOW_SWITCH)
    for candidate in ranked["candidates"][:3]:
        faults = []
        for fault in candidate["faults"]:
            ohms = "" if fault["ohms"] is None else f":{fault['ohms']!r}"
            faults += ["--fault", f"{fault['part']}:{fault['mode']}{ohms}"]
        alone = answer(command("predict", BOARD, "--json", "--readings", sheet, *faults))["readings"]
        for ours, theirs in zip(candidate["predicted"], alone, strict=True):
            assert ours["state"] == theirs["state"]
            assert ours["value"] == pytest.approx(theirs["value"], abs=0.0001)


def test_top_cuts_only_the_listing(command: Callable[..., Outcome], tmp_path: Path, ranked: Any) -> None:
    """A shorter listing keeps every probability."""
    short = answer(command("rank", BOARD, write(tmp_path, SHORTED_LOW_SWITCH), "--json", "--top", "3"))
    assert short["candidates"] == ranked["candidates"][:3]
    for ours, theirs in zip(short["groups"], ranked["groups"], strict=True):
        assert ours["members"] == [member for member in theirs["members"] if member < 3]
        assert {**ours, "members": 0} == {**theirs, "members": 0}


def test_healthy_board_is_an_empty_list_of_faults(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """The healthy board is among the candidates, as no faults."""
    sheet = write(tmp_path, HEADER + "N,U,diode,0.42\nN,V,diode,0.42\nU,P,diode,0.42\nV,P,diode,0.42\n")
    found = answer(command("rank", BOARD, sheet, "--json"))
    assert [entry["faults"] for entry in found["candidates"]].count([]) == 1


def test_readings_through_a_pipe(process: Callable[..., Outcome]) -> None:
    """Readings may come from standard input."""
    found = answer(process("rank", BOARD, "-", "--json", "--top", "1", stdin=FEW))
    assert [entry["line"] for entry in found["readings"]] == [2, 3]


def test_set_up_reaches_the_engine(command: Callable[..., Outcome]) -> None:
    """A connected motor ties the phases together: U to V, OL without it, reads a few tenths of an ohm's drop."""
    at = ("--at", "U,V,diode")
    without = answer(command("predict", BOARD, "--json", *at))["readings"][0]
    with_motor = answer(command("predict", BOARD, "--json", "--connected", "motor", *at))["readings"][0]
    assert without["value"] is None
    assert with_motor["value"] == pytest.approx(0.0, abs=0.05)


def test_dwell_reaches_the_engine(command: Callable[..., Outcome]) -> None:
    """A reading that climbs is lower after a tenth of a second than after three."""
    at = ("--at", "U,N,diode")
    early = answer(command("predict", "motor-drive", "--json", "--dwell", "0,1", *at))["readings"][0]
    late = answer(command("predict", "motor-drive", "--json", *at))["readings"][0]
    assert early["state"] == "climbing"
    assert late["value"] is None or early["value"] < late["value"]


def journal(*rows: tuple[str, str, str, str], **setup: object) -> str:
    """Return a bench journal of the board, read with the pocket meter."""
    head = {"bridgefault_session": 1, "board": BOARD, "meter": "pocket", "setup": setup}
    lines = [head] + [{"reading": dict(zip(("red", "black", "mode", "text"), row, strict=True))} for row in rows]
    return "".join(json.dumps(line) + "\n" for line in lines)


@pytest.mark.slow
def test_journal_brings_its_own_bench(command: Callable[..., Outcome], tmp_path: Path) -> None:
    """A journal is read with its own meter and set-up; what is typed as well replaces only that."""
    sheet = write(tmp_path, journal(("U", "V", "diode", "0.001"), dwell_s=1.0, connected=["motor"]), "bench.jsonl")

    def predicted(*options: str) -> Any:
        found = answer(command("rank", BOARD, sheet, "--json", *options))
        healthy = next(entry for entry in found["candidates"] if not entry["faults"])
        return healthy["predicted"][0]

    def wanted(*options: str) -> Any:
        return answer(command("predict", BOARD, "--json", "--at", "U,V,diode", *options))["readings"][0]

    pocket = ("--meter", "pocket", "--connected", "motor")
    assert predicted() == wanted(*pocket, "--dwell", "1")
    assert predicted("--dwell", "2") == wanted(*pocket, "--dwell", "2")
    assert predicted("--meter", "handheld") == wanted("--connected", "motor", "--dwell", "1")


def test_no_number_becomes_null() -> None:
    """Infinity and not-a-number become null, at any depth, and numpy's numbers become plain ones."""
    np = pytest.importorskip("numpy")
    text = json_text({"a": [math.inf, {"b": math.nan}], "c": np.float64(0.5), "d": np.int64(3), "e": np.bool_(True)})
    assert text == '{"a": [null, {"b": null}], "c": 0.5, "d": 3, "e": true}\n'
