"""The recipe for a kind of part, followed word for word, and with one piece left out at a time."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.conftest import ROOT
from tests.recipes.copies import Copy, Hunk, hunks

PIECES = hunks(ROOT / "tests" / "recipes" / "thermistor.diff")

# pieces without which a command complains; a weight and a symbol have something usual instead
NEEDED = [piece for piece in PIECES if piece.file.endswith(("kinds.py", "circuit.py")) or ".modes]" in piece.new]

DIODES = (("D_AC1H", "X", "P"), ("D_AC1L", "N", "X"), ("D_AC2H", "AC2", "P"), ("D_AC2L", "N", "AC2"))
BOARD = (
    'name = "soft-start"\ntitle = "A rectifier with an inrush limiter"\n'
    + "".join(f'[[terminal]]\nname = "{name}"\naccess = "terminal"\n' for name in ("AC1", "AC2", "P", "N"))
    + "".join(
        f'[[part]]\nref = "{ref}"\nkind = "diode"\npins = {{ anode = "{anode}", cathode = "{cathode}" }}\n'
        "drop_1ma = 0.36\n"
        for ref, anode, cathode in DIODES
    )
    + '[[part]]\nref = "RT_1"\nkind = "thermistor"\npins = { a = "AC1", b = "X" }\nohms = 10.0\n'
    + 'role = "inrush limiter"\n'
)
READINGS = "red,black,mode,reading\nAC1,P,diode,OL\nAC2,P,diode,0.36\nN,AC2,diode,0.36\nN,AC1,diode,OL\n"
COMMANDS = (
    ("show", "./soft-start.toml", "--picture", "s.svg"),
    ("rank", "./soft-start.toml", "r.csv", "--json"),
)


def board_in(folder: Path) -> Copy:
    """Return a copy with the board and its readings beside it."""
    copy = Copy(folder)
    (copy.elsewhere / "soft-start.toml").write_text(BOARD, encoding="utf-8")
    (copy.elsewhere / "r.csv").write_text(READINGS, encoding="utf-8")
    return copy


@pytest.mark.slow
def test_a_new_kind_of_part(tmp_path: Path) -> None:
    """With the whole change a thermistor is shown, predicted as arithmetic says, found where it is open, and drawn."""
    copy = board_in(tmp_path)
    for piece in PIECES:
        copy.change(piece)
    shown = copy.run("show", "./soft-start.toml", "--faults")
    assert [line.split()[0] for line in shown.out.splitlines() if line.startswith("RT_1:")] == [
        "RT_1:open", "RT_1:high", "RT_1:short",
    ]  # fmt: skip
    at = ("--at", "AC1,P,diode", "--json")
    for fault, ohms in (((), 10.0), (("--fault", "RT_1:high:200"), 200.0), (("--fault", "RT_1:short:0.1"), 0.1)):
        (found,) = json.loads(copy.run("predict", "./soft-start.toml", *fault, *at).out)["readings"]
        # 1 mA through the diode's 0.36 V and the thermistor; a short lies beside its 10 ohm
        beside = ohms if "short" not in str(fault) else 1.0 / (1.0 / ohms + 1.0 / 10.0)
        assert found["end"] == pytest.approx(0.36 + 1e-3 * beside, abs=5e-4)
    picture, ranking = (copy.run(*words) for words in COMMANDS)
    assert picture.status == 0
    parts = {one["part"]: one["probability"] for one in json.loads(ranking.out)["parts"]}
    assert parts["RT_1"] > 0.5
    assert parts["RT_1"] > max(value for part, value in parts.items() if part != "RT_1")


def test_the_kind_is_not_there_yet(tmp_path: Path) -> None:
    """Without the change the kind is refused with those there are: the recipe is not of something that exists."""
    refused = board_in(tmp_path).run("show", "./soft-start.toml")
    assert refused.status == 2
    assert "'thermistor'" in refused.err
    assert "resistor, shunt" in refused.err


def test_a_new_entry_in_front_of_a_piece_does_not_matter() -> None:
    """A table that has grown by another kind still takes each piece, before the same entry as ever."""
    for piece in PIECES:
        if piece.file.endswith("faults.toml"):
            text = (ROOT / piece.file).read_text(encoding="utf-8")
            grown = text.replace(piece.after, f'kinds = ["other"]\n\n[[more]]\n{piece.after}')
            assert piece.old not in grown
            assert piece.applied(grown).replace('kinds = ["other"]\n\n[[more]]\n', "") == piece.applied(text)


@pytest.mark.slow
@pytest.mark.parametrize("left_out", NEEDED, ids=str)
def test_no_such_piece_is_idle(left_out: Hunk, tmp_path: Path) -> None:
    """Whichever of these pieces is left out, a command says so."""
    copy = board_in(tmp_path)
    for piece in PIECES:
        if piece is not left_out:
            copy.change(piece)
    assert any(copy.run(*words).status != 0 for words in COMMANDS)
