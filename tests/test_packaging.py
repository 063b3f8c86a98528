"""What is installed works from any folder, and the build runs what the README says."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

from bridge.board import list_boards
from bridge.meter import list_meters
from tests.conftest import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def clean_environment() -> dict[str, str]:
    """Return the environment without anything that would let this checkout be found."""
    return {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV"))}


def run(*arguments: str | Path, cwd: Path) -> str:
    """Run a program that must succeed, and return what it wrote."""
    done = subprocess.run(
        arguments, cwd=cwd, env=clean_environment(), capture_output=True, encoding="utf-8", timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def build(kind: str, folder: Path) -> Path:
    """Build a wheel or an editable wheel of this checkout, as pip would."""
    program = f"import sys; from hatchling import build; print(build.build_{kind}(sys.argv[1]))"
    return folder / run(sys.executable, "-c", program, str(folder), cwd=ROOT).split()[-1]


def environment_with(wheel: Path, folder: Path) -> Path:
    """Return the scripts of a fresh environment: the wheel, and the dependencies of the tests' own environment."""
    venv.create(folder, with_pip=False, symlinks=True)
    scripts = folder / ("Scripts" if os.name == "nt" else "bin")
    library = Path(
        run(scripts / "python", "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=folder).strip()
    )
    # installed first: pip must not take a bridgefault among the dependencies for the one it is asked for
    run(
        sys.executable, "-m", "pip", "--python", scripts / "python", "install", "--quiet", "--no-deps", "--no-index",
        "--disable-pip-version-check", wheel, cwd=folder,
    )  # fmt: skip
    borrowed = [entry for entry in sys.path if entry.endswith(("site-packages", "dist-packages"))]
    # plain paths, read last: dependencies are found, the hooks of other editable installs are not
    (library / "zz-borrowed.pth").write_text("\n".join(borrowed) + "\n", encoding="utf-8")
    return scripts


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the wheel of this checkout."""
    return build("wheel", tmp_path_factory.mktemp("wheel"))


def test_the_wheel_holds_code_boards_and_tables(wheel: Path) -> None:
    """The wheel holds every module, board, meter and table of the checkout, and nothing of its tests."""
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        path.relative_to(ROOT).as_posix() for path in (ROOT / "bridge").rglob("*") if path.suffix in (".py", ".toml")
    }
    wanted |= {f"bridge/topologies/{path.name}" for path in (ROOT / "topologies").glob("*.toml")}
    assert sorted(wanted - names) == []
    assert len([name for name in wanted if name.endswith(".toml")]) >= len(list_boards()) + len(list_meters()) + 2
    assert {name.partition("/")[0] for name in names if "dist-info" not in name} == {"bridge"}
    assert not any("__pycache__" in name for name in names)


def test_the_wheel_brings_its_licence(wheel: Path) -> None:
    """The wheel carries the licence, and its name and command are those promised."""
    archive = zipfile.ZipFile(wheel)
    info = next(name.partition("/")[0] for name in archive.namelist() if ".dist-info/" in name)
    assert any(name.startswith(info) and name.endswith("LICENSE") for name in archive.namelist())
    assert "bridgefault = bridge.__main__:main" in archive.read(f"{info}/entry_points.txt").decode()
    assert "Name: bridgefault\n" in archive.read(f"{info}/METADATA").decode()


def test_an_installed_wheel_finds_its_boards_from_any_folder(wheel: Path, tmp_path: Path) -> None:
    """Installed from a wheel, the command lists and reads every board from an empty folder."""
    scripts = environment_with(wheel, tmp_path / "environment")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    where = run(scripts / "python", "-c", "import bridge; print(bridge.__file__)", cwd=elsewhere)
    assert Path(where.strip()).is_relative_to(tmp_path)
    found = json.loads(run(scripts / "bridgefault", "boards", "--json", cwd=elsewhere))
    assert [board["name"] for board in found["boards"]] == list(list_boards())
    assert [meter["name"] for meter in found["meters"]] == list(list_meters())
    predicted = run(
        scripts / "python", "-m", "bridge", "predict", "six-switch-bridge", "--at", "N,U,diode", cwd=elsewhere
    )
    assert re.search(r"^N +U +diode +0\.42", predicted, re.MULTILINE)


def test_an_editable_install_finds_its_boards_from_any_folder(tmp_path: Path) -> None:
    """Installed editable, the command reads the boards of the checkout from an empty folder."""
    folder = tmp_path / "wheel"
    folder.mkdir()
    scripts = environment_with(build("editable", folder), tmp_path / "environment")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    where = run(scripts / "python", "-c", "import bridge; print(bridge.__file__)", cwd=elsewhere)
    assert Path(where.strip()).parent == ROOT / "bridge"
    found = json.loads(run(scripts / "bridgefault", "boards", "--json", cwd=elsewhere))
    assert [board["name"] for board in found["boards"]] == list(list_boards())


def test_the_build_runs_the_readme_command() -> None:
    """The last line of the build is, word for word, the command with which the README runs the tests."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = re.findall(r"^```sh\n(.+)\n```$", readme, re.MULTILINE)
    tests = [command for command in commands if command.endswith("pytest")]
    assert len(tests) == 1
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()[-1] == tests[0]


@pytest.mark.parametrize("name", ["run", "check", "fix"])
def test_build_scripts_stop_at_the_first_failure(name: str) -> None:
    """Each build script can be run as it is, stops at the first failure, and bash can read it."""
    script = ROOT / ".ci" / name
    assert os.access(script, os.X_OK)
    lines = script.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "#!/usr/bin/env bash"
    assert "set -euo pipefail" in lines
    assert subprocess.run(["bash", "-n", script], check=False).returncode == 0


def test_python_version_is_said_once() -> None:
    """README, pyproject.toml and the lint configuration name the same oldest Python."""
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    oldest = PROJECT["requires-python"].removeprefix(">=")
    assert tools["ruff"]["target-version"] == "py" + oldest.replace(".", "")
    assert tools["mypy"]["python_version"] == oldest
    assert f"Python {oldest}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_newest_change_is_of_this_version() -> None:
    """The first entry of the change log is about the version of the package."""
    import bridge

    heads = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert heads[0] == bridge.__version__
