"""Tries a release: ``python -m tests.release [PYTHON ...]`` builds sdist and wheel and installs them in clean folders.

For each Python: an environment of its own with nothing but the wheel and what it asks for; then, from another folder,
the commands a user begins with. The wheel built from the sdist has to hold the same files. Dependencies come from the
registry that pip knows.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Sequence
from pathlib import Path

from tests.conftest import ROOT

__all__ = ["build_all", "contents", "try_on"]

LEFT_OUT = (".git", ".venv", "dist", "build", "__pycache__", ".hypothesis", ".*_cache", "*.egg-info")
READINGS = "red,black,mode,reading\nU,P,diode,0.415\nN,U,diode,0.002\nU,N,diode,0.002\nN,V,diode,0.421\n"


def _run(*words: str | Path, cwd: Path, stdin: str = "") -> str:
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV"))}
    done = subprocess.run(
        words, cwd=cwd, env=clean, input=stdin, capture_output=True, encoding="utf-8", timeout=600, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{' '.join(map(str, words))}: {done.stdout[-500:]}{done.stderr[-1500:]}")
    return done.stdout


def build_all(folder: Path) -> tuple[Path, Path, Path]:
    """Return an sdist and a wheel of a clean copy of the checkout, and the wheel built from the unpacked sdist."""
    copy = folder / "checkout"
    shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(*LEFT_OUT))

    def build(kind: str, source: Path, into: Path) -> Path:
        into.mkdir()
        program = f"import sys; from hatchling import build; print(build.build_{kind}(sys.argv[1]))"
        return into / _run(sys.executable, "-c", program, into, cwd=source).split()[-1]

    sdist, wheel = build("sdist", copy, folder / "sdist"), build("wheel", copy, folder / "wheel")
    unpacked = folder / "unpacked"
    with tarfile.open(sdist) as archive:
        archive.extractall(unpacked, filter="data")
    (source,) = unpacked.iterdir()
    return sdist, wheel, build("wheel", source, folder / "again")


def contents(wheel: Path) -> dict[str, str]:
    """Return the hash of each file in a wheel."""
    with zipfile.ZipFile(wheel) as archive:
        return {name: hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()}


def try_on(python: str, wheel: Path, folder: Path) -> str:
    """Install a wheel alone with one Python and do the main job from another folder; return that Python's version."""
    _run(python, "-m", "venv", folder / "environment", cwd=folder)
    scripts = folder / "environment" / ("Scripts" if os.name == "nt" else "bin")
    _run(scripts / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", wheel, cwd=folder)
    elsewhere = folder / "somewhere else"
    elsewhere.mkdir()
    (elsewhere / "my readings.csv").write_text(READINGS, encoding="utf-8")
    command = scripts / "bridgefault"
    ranked = json.loads(_run(command, "rank", "six-switch-bridge", "my readings.csv", "--json", cwd=elsewhere))
    suspects = {part["part"]: part["probability"] for part in ranked["parts"]}
    if suspects["Q_UL"] + suspects["D_UL"] < 0.9:
        raise RuntimeError(f"the shorted switch is not found: {suspects}")
    _run(command, "report", "six-switch-bridge", "my readings.csv", "-o", "page.html", cwd=elsewhere)
    _run(command, "rig", cwd=elsewhere)
    _run(command, "boards", cwd=elsewhere)
    # a module that is imported only within some command must not lack anything either
    names = "import pkgutil, importlib, bridge; [importlib.import_module(m.name) for m in pkgutil.walk_packages("
    _run(
        scripts / "python",
        "-W",
        "error",
        "-c",
        f"{names}bridge.__path__, 'bridge.') if 'main' not in m.name]",
        cwd=elsewhere,
    )
    said = _run(command, "--version", cwd=elsewhere).split()[-1]
    if said not in wheel.name:
        raise RuntimeError(f"version {said} from {wheel.name}")
    return re.sub(r"[^\d.].*", "", _run(scripts / "python", "-V", cwd=folder).split()[-1])


def main(pythons: Sequence[str]) -> int:
    """Try a release with some Pythons; the status is 1 where something is wrong."""
    with tempfile.TemporaryDirectory(prefix="release-") as name:
        folder = Path(name)
        sdist, wheel, again = build_all(folder)
        same = contents(wheel) == contents(again)
        print(f"{sdist.name}, {wheel.name}: the wheel from the sdist holds {'the same' if same else 'OTHER'} files")
        failed = not same
        for number, python in enumerate(pythons):
            place = folder / str(number)
            place.mkdir()
            try:
                print(f"Python {try_on(python, wheel, place)}: installed alone, ranks and reports from another folder")
            except RuntimeError as error:
                failed = True
                print(f"{python}: {error}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] or [sys.executable]))
