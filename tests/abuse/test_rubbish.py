"""Random rubbish on every input, and proof that the judge of it can find fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.abuse.__main__ import run_all
from tests.abuse.inputs import KINDS, LEG
from tests.abuse.trial import commands_built_once, judge, run

ODD = "board.toml: odd about this board file: "


def test_rubbish_is_refused_in_one_line() -> None:
    """Several hundred random and mutated inputs: an answer or one line that names the place, nothing half written."""
    tally = run_all(800, 20)
    assert tally.problems == []
    assert tally.trials == 800
    ends = {end for _kind, end in tally.ends}
    assert ends == {"refused", "accepted", "answered"}
    # the common kinds are both refused and accepted: rubbish that is always refused at the door tests only the door
    both = [kind.name for kind in KINDS if tally.ends[kind.name, "refused"] and tally.ends[kind.name, "accepted"]]
    assert len(both) >= 7


def test_the_same_seed_gives_the_same_trials() -> None:
    """A trial that went wrong can be repeated from its seed."""
    one, other = (run_all(60, 7, full_share=0.0) for _ in range(2))
    assert one.ends == other.ends


@pytest.mark.parametrize(
    ("status", "out", "err", "problem"),
    [
        (1, "", "bridgefault: a fault of this program: KeyError: 'x'\n", "status 1"),
        (3, "", "bridgefault: odd: x; accepted: y\n", "status 3"),
        (2, "", "Traceback (most recent call last):\n  x\n", "traceback"),
        (2, "", "bridgefault: a: b\nbridgefault: c: d\n", "one line"),
        (2, "", "", "one line"),
        (2, "", "bridgefault: board.toml: \x1b[31m\n", "printable"),
        (2, "", f"bridgefault: board.toml: {'x' * 5000}\n", "a message of"),
        (2, "", "bridgefault: wrong\n", "neither place"),
        (2, "", "bridgefault: other.toml: wrong; accepted: right\n", "does not name board.toml"),
        (0, "answer", "warning\n", "standard error"),
        (0, "answer", f"{ODD}R_1 alone\n{ODD}R_1 alone\n", "standard error"),
        (0, "answer", f"{ODD}\x1b[31m\n", "printable"),
        (2, "", f"{ODD}R_1 alone\n", "one line"),
        (2, "", f"{ODD}{'x' * 5000}\nbridgefault: board.toml: x\n", "a message of"),
    ],
)
def test_the_judge_finds_fault(status: int, out: str, err: str, problem: str) -> None:
    """Everything a command must not do is seen."""
    assert any(problem in found for found in judge(status, out, err, "board.toml"))


def test_the_judge_lets_odd_boards_pass() -> None:
    """A line about an odd board before an answer or a refusal is no fault."""
    assert judge(0, "answer", f"{ODD}R_1 has two pins on one net\n") == []
    assert judge(2, "", f"{ODD}R_1 alone\nbridgefault: r.csv: no such file\n", "r.csv") == []


def test_the_judge_sees_hangs_and_half_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that does not end, and one that leaves half a page, are seen."""
    (tmp_path / "leg.toml").write_text(LEG, encoding="utf-8")

    def endless(_name: str) -> None:
        while True:
            pass

    def half(path: str, text: str) -> None:
        Path(path).write_text(text[: len(text) // 2], encoding="utf-8")

    with commands_built_once():
        monkeypatch.setattr("bridge.outfile.write_whole", half)
        assert run(["show", "./leg.toml", "--picture", "p.svg"], tmp_path).problems == ("half of p.svg",)
        monkeypatch.setattr("bridge.board.load_board", endless)
        assert run(["show", "./leg.toml"], tmp_path, longest_s=0.05).problems == ("more than 0.05 s",)
