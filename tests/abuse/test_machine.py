"""What the machine may lack: room on its disk, a folder that can be written, a home, a locale, an open output."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from tests.abuse.inputs import LEG
from tests.conftest import process_environment

READINGS = "red,black,mode,reading\nU,P,diode,0.415\nN,U,diode,0.002\n"
BENCH_WORDS = b"0\nyes\n\n\n\n\n\nU P 0.415\nN U 0.002\nstop\n"
QUICK = ("worksheet", "bench session")
WRITERS: dict[str, tuple[str, ...]] = {
    "schematic": ("show", "{board}", "--picture", "out/p.svg"),
    "worksheet": ("sheet", "{board}", "--html", "out/s.html"),
    "report": ("report", "{board}", "{readings}", "-o", "out/r.html"),
    "marks": ("report", "{board}", "{readings}", "--picture", "out/m.svg"),
    "matrix": ("cover", "{board}", "--picture", "out/c.svg"),
    "bench session": (
        "bench",
        "{board}",
        "--file",
        "out/b.jsonl",
        "--discharged",
        "--reach",
        "gates",
        "--seen",
        "dead",
    ),
    "puzzle set": ("puzzle", "make", "{board}", "--count", "1", "--level", "1", "--seed", "1", "--out", "out/set"),
}
ONE_FILE = ("schematic", "worksheet", "report", "marks", "matrix")


# the quick ones go through the same two ways of writing as all of them
def writers(names: Iterable[str]) -> list[object]:
    """Return names of writers, the slow ones marked as such."""
    return [pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in names]


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """Return a folder with a board, readings, and a folder for what is written."""
    (tmp_path / "leg.toml").write_text(LEG, encoding="utf-8")
    (tmp_path / "r.csv").write_text(READINGS, encoding="utf-8")
    (tmp_path / "out").mkdir()
    return tmp_path


def typed(name: str) -> list[str]:
    """Return the words of a command that writes a file."""
    names = {"board": "./leg.toml", "readings": "r.csv"}
    return [sys.executable, "-m", "bridge", *(word.format(**names) for word in WRITERS[name])]


def failed(done: subprocess.CompletedProcess[bytes], *words: str) -> None:
    """Assert that a command said in one line what the machine could not do."""
    err = done.stderr.decode()
    assert done.returncode == 1, (done.returncode, done.stdout, err)
    assert err.count("\n") == 1
    assert err.startswith("bridgefault: ")
    for word in words:
        assert word in err


def run(words: list[str], folder: Path, **more: object) -> subprocess.CompletedProcess[bytes]:
    """Run a program in a folder."""
    options = {"input": BENCH_WORDS, "env": process_environment(), **more}
    return subprocess.run(words, cwd=folder, capture_output=True, timeout=120, check=False, **options)  # type: ignore[call-overload, no-any-return]


@pytest.fixture
def full_disk(here: Path) -> Iterator[Path]:
    """Fill the folder for what is written: a small disk in memory, with no byte to spare."""
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", here / "out"], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a disk in memory cannot be mounted here; the limit of a file's size stands in for it below")
    try:
        with (here / "out" / "filler").open("wb", buffering=0) as filler:
            try:
                while filler.write(b"x" * 1024):
                    pass
            except OSError:
                pass
        yield here / "out"
    finally:
        subprocess.run(["umount", "-l", here / "out"], check=True)


@pytest.mark.skipif(sys.platform != "linux", reason="mounts a disk in memory")
@pytest.mark.parametrize("name", writers(WRITERS))
def test_a_full_disk(name: str, here: Path, full_disk: Path) -> None:
    """A disk without room: status 1, the file is named, and nothing of it is left."""
    failed(run(typed(name), here), "out/", "No space left")
    left = {path.name: path.stat().st_size for path in full_disk.iterdir() if path.name != "filler"}
    assert left in ({}, {"b.jsonl": 0})


@pytest.mark.parametrize("name", writers(WRITERS))
def test_a_file_that_may_not_grow(name: str, here: Path) -> None:
    """A file that the system does not let grow: status 1, the file is named, and nothing of it is left."""
    done = run(typed(name), here, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (64, 64)))
    failed(done, "out/", "File too large")
    assert sum(path.stat().st_size for path in (here / "out").rglob("*") if path.is_file()) == 0


@pytest.mark.parametrize("name", writers(ONE_FILE))
def test_an_older_file_survives_a_full_disk(name: str, here: Path) -> None:
    """What stood under a name before stands there whole when the new file could not be written."""
    target = here / WRITERS[name][-1]
    target.write_text("of last week", encoding="utf-8")
    done = run(typed(name), here, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (64, 64)))
    failed(done, "out/")
    assert target.read_text(encoding="utf-8") == "of last week"
    assert [path.name for path in (here / "out").iterdir()] == [target.name]


def as_anyone() -> list[str]:
    """Return words that take from an administrator the right to write anywhere."""
    if os.geteuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("an administrator may write anywhere, and setpriv is not there to take that away")
    return ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all"]


@pytest.mark.parametrize("name", writers(WRITERS))
def test_a_folder_that_may_not_be_written(name: str, here: Path) -> None:
    """A read-only folder: refused in one line that names the file, status 1 or 2, nothing written."""
    (here / "out").chmod(0o555)
    done = run([*as_anyone(), *typed(name)], here)
    err = done.stderr.decode()
    assert done.returncode in (1, 2), (done.stdout, err)
    assert err.count("\n") == 1
    assert "out/" in err
    assert list((here / "out").iterdir()) == []


@pytest.mark.parametrize("name", ["leg.toml", "r.csv"])
def test_a_file_that_may_not_be_read(name: str, here: Path) -> None:
    """A file without permission to read it is refused by name."""
    (here / name).chmod(0)
    words = [sys.executable, "-m", "bridge", "predict", "./leg.toml", "--readings", "r.csv"]
    done = run([*as_anyone(), *words], here)
    assert (done.returncode, done.stderr.decode()) == (
        2,
        f"bridgefault: {'./' if name == 'leg.toml' else ''}{name}: this file may not be read by you\n",
    )


POOR: dict[str, dict[str, str]] = {
    "no locale": {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": ""},
    "unknown locale": {"LC_ALL": "xx_YY.UTF-8", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": ""},
    "no home": {"HOME": ""},
    "home that is not there": {"HOME": "/nowhere/at/all"},
    "odd terminal": {"TERM": "nonsense", "COLUMNS": "x", "LINES": "-1"},
    "narrow terminal": {"COLUMNS": "1"},
}


@pytest.mark.parametrize("poor", POOR)
def test_a_poor_environment(poor: str, here: Path) -> None:
    """Without locale, home or terminal every answer comes, in signs that the stream has."""
    env = process_environment(POOR[poor])
    if not env["PYTHONIOENCODING"]:
        del env["PYTHONIOENCODING"]
    if not env.get("HOME", "x"):
        del env["HOME"]
    words = [sys.executable, "-m", "bridge"]
    done = run([*words, "show", "./leg.toml", "--faults"], here, env=env)
    assert (done.returncode, done.stderr) == (0, b"")
    assert len(done.stdout) > 100
    done = run([*words, "show", "./le\u00e9g\U0001f4a9.toml"], here, env=env)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"no such file" in done.stderr
    assert run(typed("worksheet"), here, env=env).returncode == 0
    page = (here / "out" / "s.html").read_text(encoding="utf-8")
    assert page.rstrip().endswith("</html>")


@pytest.mark.parametrize(
    "line",
    [
        "show six-switch-bridge --faults | head -n 1",
        "predict ./leg.toml --json | head -c 10",
        "boards | true",
        "show ./leg.toml 2>&- | head -n 1",
    ],
)
def test_a_reader_that_has_seen_enough(line: str, here: Path) -> None:
    """A pipe that is closed early ends the command quietly, with status 0."""
    script = f'set -o pipefail; "{sys.executable}" -m bridge {line}'
    done = run(["bash", "-c", script], here)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.slow
@pytest.mark.parametrize(
    "line",
    [
        "rank ./leg.toml r.csv", "rank ./leg.toml r.csv --json", "next ./leg.toml r.csv", "cover ./leg.toml --all",
        "sheet ./leg.toml --expected", "sheet ./leg.toml --csv", "report ./leg.toml r.csv -o out/r.html",
        "rig", "rig --loose", "power-up ./leg.toml", "boards", "--help", "rank --help",
        "bench ./leg.toml --file out/b.jsonl --discharged --reach gates --seen dead",
        "puzzle make ./leg.toml --level 1 --seed 1 --out out/set",
    ],
)  # fmt: skip
def test_every_answer_may_be_cut_off(line: str, here: Path) -> None:
    """Whatever the command, a reader that takes one sign ends it quietly, and what it wrote is whole."""
    script = f'set -o pipefail; "{sys.executable}" -m bridge {line} | head -c 1'
    done = run(["bash", "-c", script], here)
    assert (done.returncode, done.stdout[1:], done.stderr) == (0, b"", b"")
    for path in (here / "out").rglob("*.html"):
        assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")


@pytest.mark.parametrize(
    ("line", "status", "said"),
    [
        ("rank ./leg.toml - <&-", 2, "standard input"),
        ("predict ./leg.toml --readings - </dev/null", 2, "standard input"),
        ("show ./leg.toml >&-", 1, "standard output"),
        ("bench ./leg.toml --file out/b.jsonl <&-", 2, "standard input"),
        ("show ./nothing.toml 2>&-", 2, ""),
        ("show ./nothing.toml >&- 2>&- <&-", 2, ""),
    ],
)
def test_streams_that_are_closed(line: str, status: int, said: str, here: Path) -> None:
    """A standard stream that is closed is named in one line, where there is a stream left to say so."""
    done = run(["bash", "-c", f'"{sys.executable}" -m bridge {line}'], here)
    assert done.returncode == status, done
    assert done.stderr.decode().count("\n") == (1 if said else 0)
    assert said in done.stderr.decode()


@pytest.mark.slow
def test_answers_on_a_full_device(here: Path) -> None:
    """A standard output without room: status 1 and one line, whatever the answer."""
    if not Path("/dev/full").exists():
        pytest.skip("needs a device that is always full")
    for line in ("predict ./leg.toml", "sheet ./leg.toml --csv", "rig --json"):
        done = run(["bash", "-c", f'"{sys.executable}" -m bridge {line} >/dev/full'], here)
        failed(done, "standard output", "No space left")
