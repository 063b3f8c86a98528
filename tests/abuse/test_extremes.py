"""The far ends of what a file may hold, and files as other programs save them."""

from __future__ import annotations

import codecs
import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.board import load_board, parse_board
from bridge.puzzlefile import parse_puzzle
from bridge.readings import load_readings
from tests.abuse.inputs import ANSWERS, KINDS, LEG, LOOSE, POWER, SHEET, SPARES, journal_text
from tests.conftest import ROOT, Outcome

HEAD = 'name = "x"\ntitle = "x"\n' + "".join(f'[[terminal]]\nname = "{name}"\naccess = "terminal"\n' for name in "AB")
METER = (ROOT / "bridge/data/meters/pocket.toml").read_text(encoding="utf-8")
PART = (ROOT / "bridge/data/parts/igbt-600v-30a.toml").read_text(encoding="utf-8")
PUZZLE, KEY = (
    (ROOT / "tests/abuse/samples" / name).read_text(encoding="utf-8") for name in ("puzzle.json", "key.json")
)

# every file a command reads: a sound one, its name, and the command
FILES: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "board": (LEG, "b.toml", ("show", "./b.toml")),
    "readings": (SHEET, "r.csv", ("predict", "./leg.toml", "--readings", "r.csv")),
    "journal": (journal_text(), "j.jsonl", ("predict", "./leg.toml", "--readings", "j.jsonl")),
    "meter": (METER, "m.toml", ("predict", "./leg.toml", "--meter", "./m.toml", "--at", "U,P,diode")),
    "part": (PART, "p.toml", ("rig", "--loose", "--part", "./p.toml")),
    "first power": (POWER, "w.csv", ("power-up", "./leg.toml", "--readings", "w.csv")),
    "loose switch": (LOOSE, "l.csv", ("rig", "--loose", "--readings", "l.csv")),
    "spares": (SPARES, "s.csv", ("rig", "--spares", "s.csv")),
    "puzzle": (PUZZLE, "z.json", ("puzzle", "play", "./z.json")),
    "key": (KEY, "k.json", ("puzzle", "mark", "k.json", "answers.csv")),
    "answers": (ANSWERS, "a.csv", ("puzzle", "mark", "key.json", "a.csv")),
}


def resistor(number: int, a: str, b: str, ohms: str) -> str:
    """Return a resistor as a board file writes it."""
    return f'[[part]]\nref = "R_{number}"\nkind = "resistor"\npins = {{ a = "{a}", b = "{b}" }}\nohms = {ohms}\n'


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with a small board in it, in which commands run."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "leg.toml").write_text(LEG, encoding="utf-8")
    (tmp_path / "key.json").write_text(KEY, encoding="utf-8")
    (tmp_path / "answers.csv").write_text(ANSWERS, encoding="utf-8")
    return tmp_path


def refused(outcome: Outcome, *words: str) -> None:
    """Assert that a command was refused in one short line that holds some words."""
    assert outcome.status == 2, outcome
    assert outcome.out == ""
    assert outcome.err.count("\n") == 1
    assert len(outcome.err) < 1000
    for word in words:
        assert word in outcome.err


def test_micro_ohm_and_tera_ohm_are_clamped_with_a_message(here: Path, command: Callable[..., Outcome]) -> None:
    """1 uohm is taken as 0.1 mohm, 1 Tohm as 10 Gohm, and the board says so."""
    parts = (resistor(1, "A", "M", "1e-6"), resistor(2, "M", "B", "1e12"))
    (here / "b.toml").write_text(HEAD + "".join(parts), encoding="utf-8")
    shown = " ".join(command("show", "./b.toml").out.split())
    assert "R_1: ohms 1e-06 ohm is taken as 0.0001 ohm" in shown
    assert "R_2: ohms 1e+12 ohm is taken as 1e+10 ohm" in shown
    assert [load_board("./b.toml").parts[ref].values["ohms"] for ref in ("R_1", "R_2")] == [1e-4, 1e10]


@pytest.mark.parametrize("kind", ["resistor", "shunt", "fuse", "coil", "relay"])
def test_every_resistance_is_clamped(kind: str) -> None:
    """Whatever the part, its resistance stays where a double can carry it beside the others."""
    for written, taken in (("1e-6", 1e-4), ("1e12", 1e10), ("1e-300", 1e-4), ("1e300", 1e10), ("0", 0.0)):
        text = f'{HEAD}[[part]]\nref = "X"\nkind = "{kind}"\npins = {{ a = "A", b = "B" }}\nohms = {written}\n'
        board = parse_board(text, "b.toml")
        assert board.parts["X"].values["ohms"] == taken
        assert len(board.notes) == (written != "0")


HELD = {
    "next to nothing is left to show, and the drops move it a thousandfold": (
        "N,P,continuity,OL,",
        "U,N,ohms,4k7,UL@12/100 UH@0",
    ),
    "what the drops move is all, and both readings show the same": (
        "G_UL,E_UL,diode,0.4,UH@0",
        "G_UL,E_UL,ohms,OL,UL@12/100 UH@0",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("rows", HELD.values(), ids=HELD.keys())
def test_readings_at_held_gates(rows: tuple[str, ...], here: Path, command: Callable[..., Outcome]) -> None:
    """Sheets that overflowed an exponential, or left a singular matrix, are ranked."""
    (here / "held.csv").write_text("\n".join(["red,black,mode,reading,hold", *rows, ""]), encoding="utf-8")
    answer = command("rank", "./leg.toml", "held.csv")
    assert answer.status == 0, answer.err


def test_a_driver_of_no_resistance_is_solved(here: Path, command: Callable[..., Outcome]) -> None:
    """A driver that a board file gives no resistance reads as a short, not as an error."""
    driver = (
        '[[part]]\nref = "DRV_L"\nkind = "driver"\npins = { out = "A", common = "B", supply = "V" }\noff_ohms = 0\n'
    )
    (here / "b.toml").write_text(HEAD + driver, encoding="utf-8")
    found = json.loads(command("predict", "./b.toml", "--at", "A,B,ohms", "--json").out)
    # two leads of the hand-held meter, 0.2 ohm together at most, and 0.1 mohm
    assert 0.0 <= found["readings"][0]["value"] <= 0.5


@pytest.mark.parametrize("drop", ["1e-30", "1e3", "0", "-0.4", "nan", "inf", "1e400"])
def test_impossible_drops_are_refused(drop: str, here: Path, command: Callable[..., Outcome]) -> None:
    """A junction of 1e-30 V or 1000 V is refused with its part and key, and what is accepted."""
    diode = f'[[part]]\nref = "D_1"\nkind = "diode"\npins = {{ anode = "A", cathode = "B" }}\ndrop_1ma = {drop}\n'
    (here / "b.toml").write_text(HEAD + diode, encoding="utf-8")
    refused(command("show", "./b.toml"), "b.toml", "D_1", "drop_1ma", "0.01 to 5 V")


def test_three_hundred_parts(here: Path, command: Callable[..., Outcome]) -> None:
    """A chain of 300 resistors is read, drawn and predicted: 100 ohm each make 30 kohm."""
    nets = ["A", *(f"N{number}" for number in range(299)), "B"]
    chain = "".join(resistor(number, nets[number], nets[number + 1], "100.0") for number in range(300))
    (here / "b.toml").write_text(HEAD + chain, encoding="utf-8")
    start = time.process_time()
    assert command("show", "./b.toml", "--picture", "b.svg").status == 0
    found = json.loads(command("predict", "./b.toml", "--at", "A,B,ohms", "--json").out)
    assert found["readings"][0]["end"] == pytest.approx(30_000.0, rel=1e-3)
    assert time.process_time() - start < 5.0


def large_board() -> str:
    """Return a board of 300 parts: six legs with their gate drives, and 77 branches of a diode and two resistors."""
    names = ["P", "N", *"UVWRST"]
    text = 'name = "large"\ntitle = "Large"\n' + "".join(
        f'[[terminal]]\nname = "{name}"\naccess = "terminal"\n' for name in names
    )
    text += '[[use]]\nblock = "igbt-leg"\nfor = { leg = ["U", "V", "W", "R", "S", "T"] }\n'
    text += '[[use]]\nblock = "driver-rail"\n'
    text += (
        '[[part]]\nref = "C_BUS"\nkind = "capacitor"\npins = { a = "P", b = "N" }\nfarads = 680e-6\nbus_share = 1.0\n'
    )
    for number in range(77):
        end, other = names[number % 8], names[(number + 3) % 8]
        text += f'[[part]]\nref = "D_X{number}"\nkind = "diode"\ndrop_1ma = 0.55\n'
        text += f'pins = {{ anode = "{end}", cathode = "X{number}" }}\n'
        text += resistor(2 * number, f"X{number}", other, f"{4700.0 + 100.0 * number}")
        text += resistor(2 * number + 1, f"X{number}", end, f"{47000.0 + 1000.0 * number}")
    return text


@pytest.mark.parametrize(
    "typed",
    [
        ("show", "./b.toml", "--faults"),
        ("show", "./b.toml", "--picture", "b.svg"),
        ("predict", "./b.toml"),
        ("predict", "./b.toml", "--supply", "24"),
        ("sheet", "./b.toml", "--expected", "--html", "s.html"),
        ("sheet", "./b.toml", "--csv"),
        pytest.param(("power-up", "./b.toml", "--json"), marks=pytest.mark.slow),
    ],
    ids=lambda typed: " ".join(word for word in typed if word != "./b.toml"),
)
def test_a_bridge_of_three_hundred_parts(typed: tuple[str, ...], here: Path, command: Callable[..., Outcome]) -> None:
    """Six legs and what else 300 parts make is shown, drawn, predicted and powered within a minute."""
    (here / "b.toml").write_text(large_board(), encoding="utf-8")
    assert len(load_board("./b.toml").parts) == 300
    start = time.process_time()
    outcome = command(*typed)
    assert (outcome.status, outcome.err) == (0, "")
    written = [here / word for word in typed if word.endswith((".svg", ".html"))]
    for path in written:
        assert path.read_text(encoding="utf-8").rstrip().endswith(f"</{path.suffix[1:]}>")
    assert written or len(outcome.out) > 500
    assert time.process_time() - start < 60.0


@pytest.mark.slow
def test_a_short_among_three_hundred_parts(here: Path, command: Callable[..., Outcome]) -> None:
    """A shorted switch of the large board is found from ten readings within a minute and a half."""
    (here / "b.toml").write_text(large_board(), encoding="utf-8")
    rows = "N,U,diode,0.41 N,V,diode,0.41 N,W,diode,0.002 W,N,diode,0.002 U,P,diode,0.42 V,P,diode,0.42 W,P,diode,0.42"
    rows += " G_UL,E_UL,ohms,9.9k G_WL,E_WL,ohms,9.9k P,N,diode,OL"
    (here / "r.csv").write_text("red,black,mode,reading\n" + rows.replace(" ", "\n") + "\n", encoding="utf-8")
    start = time.process_time()
    outcome = command("rank", "./b.toml", "r.csv", "--json")
    assert (outcome.status, outcome.err) == (0, "")
    assert [part["part"] for part in json.loads(outcome.out)["parts"][:2]] == ["Q_WL", "D_WL"]
    assert time.process_time() - start < 90.0


def test_ten_thousand_readings(here: Path, command: Callable[..., Outcome]) -> None:
    """10,000 readings are read within seconds, and the one slip among them is named with its line."""
    rows = "U,P,diode,0.415\nN,U,diode,0.41\nP,U,diode,OL\nU,N,diode,OL\n" * 2500
    (here / "r.csv").write_text(f"red,black,mode,reading\n{rows}", encoding="utf-8")
    start = time.process_time()
    assert len(load_readings("r.csv", load_board("./leg.toml"))) == 10_000
    (here / "r.csv").write_text(f"red,black,mode,reading\n{rows}U,P,diode,412\n", encoding="utf-8")
    refused(command("rank", "./leg.toml", "r.csv"), "r.csv, line 10002", "412m")
    (here / "r.csv").write_text(f"red,black,mode,reading\n{rows}", encoding="utf-8")
    (here / "few.csv").write_text("red,black,mode,reading\nU,P,diode,0.415\n", encoding="utf-8")
    for asked in (("rank",), ("next",), ("report", "-o", "r.html")):
        refused(command(*asked, "./leg.toml", "r.csv"), "r.csv: 10000 readings", "accepted: up to 250")
    refused(command("rank", "./leg.toml", "few.csv", "--reference", "r.csv"), "r.csv: 10000 readings", "up to 250")
    assert not (here / "r.html").exists()
    assert time.process_time() - start < 5.0


def test_names_of_ten_kilobytes_are_refused_shortly(here: Path, command: Callable[..., Outcome]) -> None:
    """A terminal, part, net, key or lead of 10 kB is refused, and not repeated in full."""
    name = "N" * 10_000
    for text, place in (
        (HEAD.replace('"A"', f'"{name}"') + resistor(1, "A", "B", "1.0"), "terminal"),
        (HEAD + resistor(1, "A", name, "1.0"), "R_1"),
        (HEAD + resistor(1, "A", "B", "1.0").replace("R_1", name), "part"),
        (HEAD + resistor(1, "A", "B", "1.0") + f"{name} = 1\n", "R_1"),
        (f"{name} = 1\n" + HEAD, "unknown key"),
    ):
        (here / "b.toml").write_text(text, encoding="utf-8")
        refused(command("show", "./b.toml"), "b.toml", place)
    (here / "r.csv").write_text(f"red,black,mode,reading\n{name},U,diode,0.4\n", encoding="utf-8")
    refused(command("rank", "./leg.toml", "r.csv"), "r.csv, line 2", "red")
    refused(command("predict", "./leg.toml", "--at", f"{name},U,diode"), "--at")
    refused(command("show", name), "shipped")
    (here / "m.toml").write_text(METER.replace("counts", name), encoding="utf-8")
    refused(command("predict", "./leg.toml", "--meter", "./m.toml"), "m.toml")
    first, rest = journal_text().split("\n", 1)
    for kind, text, place in (
        ("journal", f"{first}\n{rest.replace('U', name, 1)}", "line 2"),
        ("first power", POWER.replace("\nU,", f"\n{name},"), "line 2"),
        ("loose switch", LOOSE.replace("ge,OL", f"{name},OL"), "line 2"),
        ("spares", SPARES.replace("OL,OL,OL,0.42,OL", f"OL,OL,OL,{name},OL"), "line 2"),
        ("puzzle", PUZZLE.replace('"red": "P"', f'"red": "{name}"', 1), "z.json"),
        ("key", KEY.replace('"red": "P"', f'"red": "{name}"', 1), "k.json"),
        ("answers", ANSWERS.replace("puzzle,answer", f"{name},answer"), "a.csv"),
    ):
        _sound, file, typed = FILES[kind]
        (here / file).write_text(text, encoding="utf-8")
        assert name in text
        refused(command(*typed), file, place)


@pytest.mark.parametrize(
    "deep", ["[" * 100_000, "{a=" * 100_000, '{"a":' * 100_000], ids=["lists", "tables", "objects"]
)
def test_deep_nesting_is_refused(deep: str, here: Path, command: Callable[..., Outcome]) -> None:
    """A value nested 100,000 deep is refused as such, in every kind of file."""
    (here / "b.toml").write_text(f"{HEAD}x = {deep}", encoding="utf-8")
    refused(command("show", "./b.toml"), "b.toml")
    refused(command("predict", "./leg.toml", "--meter", "./b.toml"), "b.toml")
    refused(command("rig", "--part", "./b.toml"), "b.toml")
    first, rest = journal_text().split("\n", 1)
    (here / "j.jsonl").write_text(f'{first}\n{{"reading": {deep}\n{rest}', encoding="utf-8")
    refused(command("rank", "./leg.toml", "j.jsonl"), "j.jsonl, line 2")
    for kind, sound in (("puzzle", PUZZLE), ("key", KEY)):
        _sound, file, typed = FILES[kind]
        (here / file).write_text(sound.replace('"number": 6', f'"number": {deep}', 1), encoding="utf-8")
        refused(command(*typed), file)


def test_keys_that_are_there_twice_are_refused(here: Path, command: Callable[..., Outcome]) -> None:
    """A key that is there twice could mean either value: refused with its line, in TOML and in a journal."""
    (here / "b.toml").write_text('name = "y"\n' + HEAD + resistor(1, "A", "B", "1.0"), encoding="utf-8")
    refused(command("show", "./b.toml"), "b.toml", "line 2")
    (here / "m.toml").write_text(METER + "\n[diode]\namps = 1.0\n", encoding="utf-8")
    refused(command("predict", "./leg.toml", "--meter", "./m.toml"), "m.toml", "diode")
    first, rest = journal_text().split("\n", 1)
    doubled = '{"reading": {"red": "U", "red": "P", "black": "N", "mode": "diode", "text": "0.4"}}'
    (here / "j.jsonl").write_text(f"{first}\n{doubled}\n{rest}", encoding="utf-8")
    refused(command("rank", "./leg.toml", "j.jsonl"), "j.jsonl, line 2", "'red'", "twice")
    for kind, sound in (("puzzle", PUZZLE), ("key", KEY)):
        _sound, file, typed = FILES[kind]
        (here / file).write_text(sound.replace('"number": 6', '"number": 6, "number": 7', 1), encoding="utf-8")
        refused(command(*typed), file, "number")
    (here / "p.toml").write_text(PART.replace('name = "', 'name = "x"\nname = "', 1), encoding="utf-8")
    refused(command("rig", "--loose", "--part", "./p.toml"), "p.toml", "line 4")
    # also in the last line, which may be cut off, but this one is whole
    (here / "j.jsonl").write_text(f"{first}\n{doubled}\n", encoding="utf-8")
    refused(command("rank", "./leg.toml", "j.jsonl"), "j.jsonl, line 2", "'red'", "twice")


@pytest.mark.parametrize("name", ["readings", "first power", "loose switch", "spares", "answers"])
def test_columns_that_are_there_twice_are_refused(name: str, here: Path, command: Callable[..., Outcome]) -> None:
    """A column that is there twice could mean either value: refused with its name."""
    text, file, typed = FILES[name]
    head, rest = text.split("\n", 1)
    column = head.partition(",")[0]
    (here / file).write_text(f"{head},{column}\n{rest}", encoding="utf-8")
    refused(command(*typed), file, column)


SAVED: dict[str, Callable[[str], bytes]] = {
    "byte order mark": lambda text: codecs.BOM_UTF8 + text.encode(),
    "carriage returns": lambda text: text.replace("\n", "\r\n").encode(),
    "both": lambda text: codecs.BOM_UTF8 + text.replace("\n", "\r\n").encode(),
    "no last line end": lambda text: text.rstrip("\n").encode(),
}


@pytest.mark.parametrize("name", [name for name in FILES if name != "puzzle"])
@pytest.mark.parametrize("saved", SAVED.values(), ids=SAVED)
def test_files_as_other_editors_save_them(
    saved: Callable[[str], bytes], name: str, here: Path, command: Callable[..., Outcome]
) -> None:
    """A byte order mark, carriage returns or a missing last line end change nothing in the answer."""
    text, file, typed = FILES[name]
    (here / file).write_bytes(text.encode())
    plain = command(*typed)
    (here / file).write_bytes(saved(text))
    assert plain.status == 0, plain
    assert command(*typed) == plain


def test_puzzles_as_other_editors_save_them() -> None:
    """A puzzle, which is played and not answered at once, is the same puzzle however it was saved."""
    plain = parse_puzzle(PUZZLE.encode(), "z.json")
    assert [name for name, saved in SAVED.items() if parse_puzzle(saved(PUZZLE), "z.json") != plain] == []


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_utf_16_is_refused_by_name(encoding: str, name: str, here: Path, command: Callable[..., Outcome]) -> None:
    """A file saved as UTF-16 is refused with the way out, whether or not it is marked as such."""
    text, file, typed = FILES[name]
    (here / file).write_bytes(text.encode(encoding))
    refused(command(*typed), file, "UTF-8")


@pytest.mark.parametrize("name", FILES)
def test_a_folder_an_empty_and_a_missing_file(name: str, here: Path, command: Callable[..., Outcome]) -> None:
    """A folder, an empty file, nothing at all in the place of a file: refused, and the file is named."""
    _text, file, typed = FILES[name]
    refused(command(*typed), file, "no such file")
    (here / file).write_bytes(b"")
    refused(command(*typed), file)
    (here / file).unlink()
    (here / file).mkdir()
    refused(command(*typed), file, "folder")


@pytest.mark.parametrize(
    "typed",
    [
        ("show", "./leg.toml", "--picture", "OUT.svg"),
        ("sheet", "./leg.toml", "--html", "OUT.svg"),
        ("report", "./leg.toml", "r.csv", "-o", "OUT.svg"),
        ("report", "./leg.toml", "r.csv", "--picture", "OUT.svg"),
        ("cover", "./leg.toml", "--picture", "OUT.svg"),
        ("bench", "./leg.toml", "--file", "OUT.svg"),
    ],
    ids=lambda typed: " ".join((typed[0], typed[-2])),
)
def test_a_folder_in_the_place_of_an_output(
    typed: tuple[str, ...], here: Path, command: Callable[..., Outcome]
) -> None:
    """A folder where a file is to be written is refused before any work, and stays as it was."""
    (here / "OUT.svg").mkdir()
    (here / "r.csv").write_text("red,black,mode,reading\nU,P,diode,0.41\n", encoding="utf-8")
    refused(command(*typed), "OUT.svg", "folder")
    assert sorted(path.name for path in here.iterdir()) == [
        "OUT.svg",
        "answers.csv",
        "key.json",
        "leg.toml",
        "r.csv",
    ]


def test_every_kind_of_rubbish_begins_sound(here: Path) -> None:
    """What the long run mutates are sound files: rubbish of rubbish would be refused at the first key."""
    assert {kind.name for kind in KINDS} >= {"board", "readings", "journal", "meter", "part", "command line"}
    (here / "r.csv").write_text(SHEET, encoding="utf-8")
    (here / "j.jsonl").write_text(journal_text(), encoding="utf-8")
    board = load_board("./leg.toml")
    assert (len(load_readings("r.csv", board)), len(load_readings("j.jsonl", board))) == (9, 3)
