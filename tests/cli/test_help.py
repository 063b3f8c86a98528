"""Help is there at once: nothing heavy is imported for it."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable

import pytest

from tests.conftest import Outcome, process_environment

HEAVY = ("numpy", "networkx", "pydantic", "rich", "scipy", "jinja2")
COMMANDS = (
    "boards",
    "show",
    "sheet",
    "predict",
    "rank",
    "report",
    "next",
    "bench",
    "cover",
    "rig",
    "power-up",
    "puzzle",
)
COMMON_OPTIONS = (
    "--meter",
    "--json",
    "--connected",
    "--lifted",
    "--relay",
    "--bus-volts",
    "--unplugged",
    "--dwell",
    "--temperature",
)


def loaded_by(*arguments: str) -> list[str]:
    """Return which heavy packages a command has loaded when it is done."""
    program = (
        "import sys; from bridge.__main__ import main; main(sys.argv[1:]); "
        f"sys.stderr.write(' '.join(name for name in {HEAVY!r} if name in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        capture_output=True,
        text=True,
        env=process_environment(),
        check=True,
    )
    return done.stderr.split()


def test_help_imports_nothing_heavy() -> None:
    """Help comes without numpy, networkx, pydantic and rich."""
    assert loaded_by("--help") == []


@pytest.mark.parametrize("arguments", [("--version",), *((name, "--help") for name in COMMANDS)])
def test_help_of_a_command_imports_no_engine(arguments: tuple[str, ...]) -> None:
    """Help of a command comes without the engine; its typer may load pydantic to check the words."""
    assert set(loaded_by(*arguments)) <= {"pydantic"}


def test_the_guard_sees_heavy_imports() -> None:
    """A command that needs numpy is seen to load it, so the guard above can fail."""
    assert "numpy" in loaded_by("predict", "six-switch-bridge", "--at", "U,N,diode")


def test_help_takes_less_than_a_quarter_second() -> None:
    """Help takes less than 0.25 s of processor time, start of Python included."""
    taken = []
    for _ in range(3):  # the least of three: other work on the machine only adds
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "bridge", "--help"], stdout=subprocess.DEVNULL, env=process_environment(), check=True
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(taken) < 0.25


def test_help_names_every_command(command: Callable[..., Outcome]) -> None:
    """Help lists every command with a whole line on what it does."""
    outcome = command("--help")
    assert outcome.status == 0
    for name in COMMANDS:
        line = next(line for line in outcome.out.splitlines() if line.split()[:1] == [name])
        assert not line.endswith("...")
        assert len(line.split()) > 2


@pytest.mark.parametrize("name", ["show", "sheet", "predict", "rank", "next"])
def test_commands_share_the_options_of_the_bench(name: str, command: Callable[..., Outcome]) -> None:
    """Every command on a board takes the meter and the state of the bench."""
    words = command(name, "--help").out.split()
    assert [option for option in COMMON_OPTIONS if option not in words] == []


def test_version_is_that_of_the_package(command: Callable[..., Outcome]) -> None:
    """The version said is the version of the package."""
    import bridge

    assert command("--version") == Outcome(0, f"bridgefault {bridge.__version__}\n", "")
