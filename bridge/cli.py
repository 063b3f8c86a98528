"""The command line: finds the command, writes its answer, and turns what went wrong into one line and a status.

Commands live in `bridge.commands`, one file each. They hold no logic, import what they need when they run (so that
``--help`` is there at once) and return their answer: a page for people or a line of JSON.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Annotated, Any

import typer

from bridge import __version__
from bridge.commands.bench import bench_session
from bridge.commands.boards import boards
from bridge.commands.cover import cover
from bridge.commands.next import suggest
from bridge.commands.powerup import power_up
from bridge.commands.predict import predict
from bridge.commands.puzzle import puzzle
from bridge.commands.rank import rank
from bridge.commands.report import report
from bridge.commands.rig import rig
from bridge.commands.sheet import sheet
from bridge.commands.show import show
from bridge.errors import InputError
from bridge.layout import write_page, write_text

__all__ = ["app", "run"]

COMMAND = "bridgefault"
ANSWERED, MACHINE_FAILED, INPUT_WRONG = 0, 1, 2
LONGEST_PROBLEM = 300  # what was typed may be anything; the accepted words follow it
TRACEBACK_VARIABLE = "BRIDGEFAULT_TRACEBACK"  # set by those who work on the program itself

# Help is plain text: ruled boxes get in the way in pipes, and drawing them takes longer than all the rest.
app = typer.Typer(name=COMMAND, rich_markup_mode=None, pretty_exceptions_enable=False)


def _say_version(wanted: bool) -> None:
    if wanted:
        write_text(f"{COMMAND} {__version__}\n")
        raise typer.Exit


@app.callback()
def _every_command(
    version: Annotated[
        bool, typer.Option("--version", help="Say which version this is.", is_eager=True, callback=_say_version)
    ] = False,
) -> None:
    """Find the failed part of a power bridge from multimeter readings, without desoldering anything."""


for _command in (boards, show, sheet, cover, predict, rank, report):
    app.command()(_command)
app.command()(rig)
app.command("power-up")(power_up)
app.command("next")(suggest)
app.command("bench")(bench_session)
app.add_typer(puzzle)


def run(arguments: Sequence[str]) -> int:
    """Run one command, write its answer, and return the exit status.

    Parameters
    ----------
    arguments : sequence of str
        What was typed after the command's name.

    Returns
    -------
    int
        0 answered, 2 the input is wrong, 1 the machine failed.
    """
    try:
        answer = app(list(arguments), prog_name=COMMAND, standalone_mode=False)
        if isinstance(answer, int):  # --help, --version, Ctrl-C
            return answer
        if isinstance(answer, str):
            write_text(answer)
        elif answer is not None:
            write_page(answer)
    except SystemExit:  # help was cut short: whoever reads has seen enough
        return ANSWERED
    except InputError as error:
        return _complain(str(error), INPUT_WRONG)
    except OSError as error:
        _drop_output()  # what was not taken would be tried again at exit, and end in a traceback
        if error.errno == errno.EPIPE:  # whoever reads has seen enough
            return ANSWERED
        return _complain(_machine_problem(error), MACHINE_FAILED)
    except MemoryError:
        return _complain("out of memory; try fewer readings, or --top with a small number", MACHINE_FAILED)
    except typer.Abort:
        return MACHINE_FAILED
    except Exception as error:  # noqa: BLE001 - the last resort: one line, whatever it was
        if hasattr(error, "format_message"):
            return _complain(_usage_problem(error), INPUT_WRONG)
        if os.environ.get(TRACEBACK_VARIABLE):
            traceback.print_exc()
        return _complain(
            f"a fault of this program, not of the input: {type(error).__name__}: {error}; "
            f"{TRACEBACK_VARIABLE}=1 shows where",
            MACHINE_FAILED,
        )
    return ANSWERED


def _complain(problem: str, status: int) -> int:
    """Write a problem to standard error as one line, and return the status."""
    line = "".join(sign if sign.isprintable() else " " for sign in problem)
    with contextlib.suppress(OSError, ValueError, AttributeError):  # nobody listens: the status says it all
        write_text(f"{COMMAND}: {' '.join(line.split())}\n", sys.stderr)
    return status


def _drop_output() -> None:
    """Send what is still waiting for standard output nowhere."""
    with contextlib.suppress(OSError, ValueError, AttributeError):  # it may be closed, or no file at all
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def _machine_problem(error: OSError) -> str:
    """Return what the machine could not do, naming the file where there is one."""
    if error.strerror is None:
        return str(error)
    return f"{error.filename or 'standard output'}: {error.strerror}"


def _usage_problem(error: Any) -> str:
    """Return what is wrong with the words typed, and which are accepted."""
    problem = str(error.format_message()).rstrip(" .?")
    if len(problem) > LONGEST_PROBLEM:
        problem = f"{problem[:LONGEST_PROBLEM]}..."
    context = getattr(error, "ctx", None)
    if context is None:
        return f"{problem}; {COMMAND} COMMAND --help says what is accepted"
    command = context.command
    if hasattr(error, "possibilities"):
        options = [option for parameter in command.params for option in parameter.opts if option.startswith("--")]
        accepted = ", ".join([*options, "--help"])
    elif hasattr(command, "commands"):
        accepted = ", ".join(command.commands)
    else:
        accepted = " ".join(context.get_usage().split()).removeprefix("Usage: ")
    where = context.command_path.removeprefix(COMMAND).strip()
    return f"{where}: {problem}; accepted: {accepted}" if where else f"{problem}; accepted: {accepted}"
