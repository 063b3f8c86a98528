"""What strangers send is data: it is never run, never obeyed, and leads to no file that was not named."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bridge.board import load_board
from bridge.errors import InputError
from bridge.journal import head_line, reading_line
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.puzzlefile import parse_key, parse_puzzle
from bridge.readings import load_readings
from bridge.sessionfile import SessionFile
from bridge.switchpart import load_part
from tests.abuse.inputs import LEG
from tests.conftest import ROOT, Outcome, process_environment

EVIL = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>&amp;{{7*7}}{% raw %}</svg></style>"
# drawn pages have these and no others
HARMLESS_ATTRIBUTES = re.compile(r"(?!on)[\w:-]+")
ACTIVE = {"script", "img", "iframe", "object", "embed", "link", "base", "form", "a", "foreignobject", "animate", "set"}

# ways from a text to a program, to another program, or to what only a trusted file may hold
FORBIDDEN_NAMES = {"eval", "exec", "compile", "__import__", "breakpoint"}
FORBIDDEN_MODULES = {"pickle", "cPickle", "marshal", "shelve", "dill", "ctypes", "subprocess", "code", "imp", "yaml"}
FORBIDDEN_CALLS = {
    "os.system", "os.popen", "os.execv", "os.execvp", "os.spawnv", "os.fork", "importlib.import_module",
    "importlib.exec_module", "builtins.eval", "builtins.exec", "numpy.load", "np.load", "tempfile.mktemp",
}  # fmt: skip


def dotted(node: ast.expr) -> str:
    """Return ``os.system`` of such an expression, nothing of others."""
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        return f"{node.value.id}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def dangers(text: str) -> Iterator[str]:
    """Return every way in a program's text from data to a program."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            yield from (f"import {name}" for name in names if name.partition(".")[0] in FORBIDDEN_MODULES)
        # a name alone is enough: it might be handed on and called elsewhere
        elif isinstance(node, ast.Name) and node.id in FORBIDDEN_NAMES:
            yield node.id
        elif isinstance(node, ast.Attribute) and dotted(node) in FORBIDDEN_CALLS:
            yield dotted(node)
        elif isinstance(node, ast.keyword) and node.arg in ("shell", "allow_pickle"):
            yield f"{node.arg}="


def test_no_way_from_data_to_a_program() -> None:
    """No module of the package evaluates, unpickles, starts or loads anything by name."""
    paths = sorted((ROOT / "bridge").rglob("*.py"))
    assert len(paths) > 100
    found = {path.name: sorted(set(dangers(path.read_text(encoding="utf-8")))) for path in paths}
    assert {name: ways for name, ways in found.items() if ways} == {}


@pytest.mark.parametrize(
    "text",
    [
        "import pickle", "from pickle import loads", "eval('1')", "f = exec", "os.system('ls')", "run(x, shell=True)",
        "import subprocess as s", "np.load(f, allow_pickle=True)", "importlib.import_module(name)",
    ],
)  # fmt: skip
def test_the_search_finds_what_it_looks_for(text: str) -> None:
    """Each such way is found where it is there."""
    assert list(dangers(text))


class Tags(HTMLParser):
    """Notes what a browser would make of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _value in attrs}

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture
def hostile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with a board, a meter and readings that hold mark-up wherever text may stand."""
    monkeypatch.chdir(tmp_path)
    evil = EVIL.replace('"', "'")
    board = LEG.replace('"One leg"', f"'''{EVIL}'''").replace('"Two IGBTs with gate leads."', f"'''{EVIL}'''")
    board = board.replace('"terminal P"', f"'''{EVIL}'''").replace('"bus capacitor"', f"'''{EVIL}'''")
    board = board.replace("ohms = 100e3", f"ohms = 100e3\nrole = '''{EVIL}'''\nbatch = '''{evil[:60]}'''")
    board = board.replace('leg = "U"', f"leg = \"U\"\nlabel = '''{evil[:60]}'''")
    (tmp_path / "evil.toml").write_text(board, encoding="utf-8")
    meter = (ROOT / "bridge/data/meters/handheld.toml").read_text(encoding="utf-8")
    (tmp_path / "meter.toml").write_text(re.sub(r'(?m)^title = ".*"$', f"title = '''{EVIL}'''", meter), "utf-8")
    doubled = EVIL.replace('"', '""')
    rows = f'U,P,diode,0.415,"{doubled}"\nN,U,diode,0.002,"{doubled}"\nU,N,diode,0.002,\x1b[31mred\x07\u202e\n'
    (tmp_path / "r.csv").write_text(f"red,black,mode,reading,note\n{rows}", encoding="utf-8")
    return tmp_path


PAGES = (
    ("show", "./evil.toml", "--picture", "out.svg"),
    ("sheet", "./evil.toml", "--html", "out.html"),
    ("sheet", "./evil.toml", "--expected", "--html", "out.html"),
    ("report", "./evil.toml", "r.csv", "-o", "out.html"),
    ("report", "./evil.toml", "r.csv", "--picture", "out.svg"),
    ("cover", "./evil.toml", "--picture", "out.svg"),
)


@pytest.mark.parametrize("typed", PAGES, ids=lambda typed: " ".join((typed[0], *typed[2:])))
def test_pages_escape_everything(typed: tuple[str, ...], hostile: Path, command: Callable[..., Outcome]) -> None:
    """Mark-up in names, titles, roles, notes and meters stays text on every page and in every picture."""
    outcome = command(*typed, "--meter", "./meter.toml")
    assert (outcome.status, outcome.err) == (0, "")
    page = (hostile / typed[-1]).read_text(encoding="utf-8")
    seen = Tags(page)
    assert seen.tags & ACTIVE == set()
    assert [name for name in seen.attributes if not HARMLESS_ATTRIBUTES.fullmatch(name)] == []
    assert "javascript:" not in page
    if typed[-1].endswith(".svg"):
        ElementTree.fromstring(page)  # sound XML: a browser draws it instead of an error
    else:
        # as text it is there, and nothing in it was carried out
        assert "<script>alert(1)</script>" in seen.text
        assert "{{7*7}}" in seen.text


def test_terminals_are_not_steered(hostile: Path, command: Callable[..., Outcome]) -> None:
    """Escape sequences and signs that turn the line round do not reach the terminal."""
    for typed in (("show", "./evil.toml", "--faults"), ("rank", "./evil.toml", "r.csv"), ("sheet", "./evil.toml")):
        outcome = command(*typed)
        assert outcome.status == 0
        assert not set(outcome.out) & set("\x1b\x07\u202e\r")


ELSEWHERE = ("../../x", "../x", "..", ".", "~/x", "/", "x/../y", "\\\\server\\x", "six-switch-bridge/../x", "nul\0", "")


@pytest.mark.parametrize("name", ELSEWHERE)
def test_names_that_lead_elsewhere_find_nothing(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board, meter or part by such a name is refused: shipped ones are looked up in a list, not on the disk."""
    (tmp_path / "x.toml").write_text(LEG, encoding="utf-8")
    (tmp_path / "a" / "b").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "a" / "b")
    for load in (load_board, load_meter, load_part):
        with pytest.raises(InputError):
            load(name)


def test_shipped_names_are_no_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file in this folder that is called like a shipped board does not take its place."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "six-switch-bridge").write_text(LEG, encoding="utf-8")
    (tmp_path / "six-switch-bridge.toml").write_text(LEG, encoding="utf-8")
    (tmp_path / "handheld").write_text("rubbish", encoding="utf-8")
    assert load_board("six-switch-bridge").name == "six-switch-bridge"
    assert load_meter("handheld").name == "handheld"


def test_board_names_make_no_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board cannot be called such that its session file lands in another folder."""
    monkeypatch.chdir(tmp_path)
    for name in ("../x", "a/b", "a\\\\b", "..", "x.y", "a b"):
        (tmp_path / "x.toml").write_text(LEG.replace('name = "leg"', f'name = "{name}"'), encoding="utf-8")
        with pytest.raises(InputError, match="key name"):
            load_board("./x.toml")


def journal(meter: str) -> str:
    """Return a journal with a reading, taken with some meter."""
    return head_line("leg", meter, Setup()) + reading_line(Probing("U", "P"), "0.415")


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with two journals, one of which names a meter file."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "leg.toml").write_text(LEG, encoding="utf-8")
    shutil.copy(ROOT / "bridge/data/meters/pocket.toml", tmp_path / "secret.toml")
    (tmp_path / "plain.jsonl").write_text(journal("handheld"), encoding="utf-8")
    (tmp_path / "leading.jsonl").write_text(journal("./secret.toml"), encoding="utf-8")
    return tmp_path


def test_own_journals_are_followed(shared: Path) -> None:
    """A journal of one's own brings its meter file along."""
    assert load_readings(str(shared / "leading.jsonl"), load_board("./leg.toml")).meter.name == "pocket"


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="files have no owner here")
def test_journals_of_another_user_lead_nowhere(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal of another user gives its readings, but no meter file that it names, and is not gone on with."""
    owner = os.geteuid()
    monkeypatch.setattr("os.geteuid", lambda: owner + 1)
    board = load_board("./leg.toml")
    assert len(load_readings("plain.jsonl", board)) == 1
    with pytest.raises(InputError, match=r"leading.jsonl, line 1: .*another user.*--meter"):
        load_readings("leading.jsonl", board)
    assert load_readings("leading.jsonl", board, load_meter("handheld")).meter.name == "handheld"
    before = (shared / "plain.jsonl").read_bytes()
    with pytest.raises(InputError, match=r"plain.jsonl: belongs to another user"):
        SessionFile("plain.jsonl")
    assert (shared / "plain.jsonl").read_bytes() == before


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only an administrator may give files away")
def test_journals_of_another_user_as_a_process(shared: Path) -> None:
    """The same with a file that really belongs to somebody else, also through standard input."""
    for name in ("plain.jsonl", "leading.jsonl"):
        os.chown(shared / name, 12345, 12345)

    def run(line: str) -> tuple[int, str]:
        words = ["bash", "-c", f'"{sys.executable}" -m bridge {line}']
        done = subprocess.run(
            words,
            cwd=shared,
            capture_output=True,
            encoding="utf-8",
            env=process_environment(),
            input="stop\n",
            check=False,
        )
        return done.returncode, done.stderr

    assert run("predict ./leg.toml --readings plain.jsonl") == (0, "")
    for line in ("leading.jsonl", "- < leading.jsonl"):
        status, err = run(f"rank ./leg.toml {line}")
        assert status == 2
        assert "another user" in err
    status, err = run("bench ./leg.toml --file plain.jsonl")
    assert (status, err.count("\n")) == (2, 1)
    assert "plain.jsonl: belongs to another user" in err


@pytest.mark.parametrize("name", ["../../x.toml", "/etc/x.toml", "a/../../x.toml", "C:\\\\x.toml", "..\\\\x.toml"])
@pytest.mark.parametrize("key", ["board", "meter"])
def test_puzzles_lead_to_no_other_folder(key: str, name: str, tmp_path: Path) -> None:
    """A puzzle or a key that names a board or meter file in another folder is refused with the entry."""
    for sample, parse in (("puzzle.json", parse_puzzle), ("key.json", parse_key)):
        text = (ROOT / "tests" / "abuse" / "samples" / sample).read_text(encoding="utf-8")
        changed = re.sub(rf'"{key}": "[^"]*"', lambda _found: f'"{key}": "{name}"', text)
        assert changed != text
        parse(text.encode(), sample)
        with pytest.raises(InputError, match=rf"{sample}: {key}: .*in this folder"):
            parse(changed.encode(), sample)
