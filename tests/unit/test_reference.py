"""What a good board of the same kind teaches."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from bridge.board import load_board
from bridge.errors import InputError
from bridge.faults import parse_fault
from bridge.faultspace import build_space
from bridge.forecast import default_probings, forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import Reading
from bridge.reference import learn_reference, narrow_table
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import build_table
from tests.conftest import Outcome

METER = load_meter()
BOARD = load_board("six-switch-bridge")
OTHER_MAKE = dataclasses.replace(
    BOARD,
    parts={
        ref: dataclasses.replace(part, values={**part.values, "drop_1ma": part.values["drop_1ma"] + 0.06})
        if ref.startswith("D_") and "drop_1ma" in part.values
        else part
        for ref, part in BOARD.parts.items()
    },
)
DIODES = [one for one in default_probings(BOARD) if one.mode == "diode"]


def read(*faults: str, probings: Sequence[Probing] = DIODES) -> list[Reading]:
    """Return what a board of the other make reads: all its diodes drop 60 mV more than the file says."""
    readings = []
    known = [parse_fault(fault, OTHER_MAKE) for fault in faults]
    for one in forecast(OTHER_MAKE, METER, Setup(), probings, known):
        value = None if one.value is None else METER.display(one.probing.mode, None, one.value)
        readings.append(Reading(0, one.probing, "", value, one.unit, one.state or "OL", discharged=True))
    return readings


def test_drops_move_to_what_was_read() -> None:
    """A good board 60 mV above the file moves its diodes there, and leaves little more than boards of a kind differ."""
    known = learn_reference(BOARD, METER, Setup(), read())
    moved = known.board.parts["D_UH"].values["drop_1ma"] - BOARD.parts["D_UH"].values["drop_1ma"]
    assert moved == pytest.approx(0.06, abs=0.008)
    assert 0.010 <= known.spread[BOARD.parts["D_UH"].batch] < 0.015


def test_what_was_not_read_stays() -> None:
    """The gate drivers' clamps, which no diode reading of the bridge passes, keep value and spread."""
    known = learn_reference(BOARD, METER, Setup(), read())
    clamps = BOARD.parts["DRV_UH"]
    assert known.board.parts["DRV_UH"].values["drop_1ma"] == pytest.approx(clamps.values["drop_1ma"], abs=0.005)
    assert known.spread[clamps.batch] == pytest.approx(0.035, abs=0.002)


def test_one_slip_is_left_out() -> None:
    """One number that is wrong does not spoil a reference."""
    readings = read()
    place = next(number for number, one in enumerate(readings) if (one.probing.red, one.probing.black) == ("N", "V"))
    readings[place] = dataclasses.replace(readings[place], value=1.2)
    known = learn_reference(BOARD, METER, Setup(), readings)
    moved = known.board.parts["D_UH"].values["drop_1ma"] - BOARD.parts["D_UH"].values["drop_1ma"]
    assert moved == pytest.approx(0.06, abs=0.01)


def test_a_faulty_board_is_no_reference() -> None:
    """A board with a shorted leg is refused, and one without a number too."""
    with pytest.raises(InputError, match="no good board of this kind"):
        learn_reference(BOARD, METER, Setup(), read("Q_UH:ce-short:0.3", "Q_VL:ce-short:0.3"))
    with pytest.raises(InputError, match="no number"):
        learn_reference(BOARD, METER, Setup(), [one for one in read() if one.value is None])


@pytest.mark.slow
def test_one_reading_means_more_beside_a_good_board() -> None:
    """0.40 V at one diode is nothing odd by the file, 0.42 V; beside a good board at 0.48 V it speaks of a leak."""
    spot = [Probing("U", "P")]
    taken = [dataclasses.replace(read(probings=spot)[0], value=0.40)]
    alone = rank(BOARD, METER, Setup(), taken)
    beside = rank(BOARD, METER, Setup(), taken, reference=read())
    leaks = [
        sum(
            one.probability
            for one in ranking.candidates
            if any(guess.part in ("Q_UH", "D_UH") and guess.mode.endswith("leak") for guess in one.faults)
        )
        for ranking in (alone, beside)
    ]
    assert leaks[1] > 2.0 * leaks[0]
    assert np.isclose(sum(one.probability for one in beside.candidates), 1.0)


@pytest.mark.slow
def test_command(command: Callable[..., Outcome], tmp_path: Path, root: Path) -> None:
    """The command takes a file, and refuses one that is no good board with exit status 2."""
    sheet = str(root / "examples/fan-drive/readings.csv")
    good = tmp_path / "good.csv"
    rows = "".join(f"{one.probing.red},{one.probing.black},diode,{one.value:.3f}\n" for one in read()[:12] if one.value)
    good.write_text("red,black,mode,reading\n" + rows, encoding="utf-8")
    assert command("rank", "six-switch-bridge", sheet, "--reference", str(good)).status == 0
    refused = command("rank", "six-switch-bridge", sheet, "--reference", sheet)
    assert (refused.status, refused.out) == (2, "")
    assert "no good board" in refused.err


def test_a_warm_bench_counts_once() -> None:
    """Beside a good board read on the same warm bench, a diode strays by what boards differ, not by the warmth again.

    The bench may still drift by a kelvin or two between the boards: some 3 mV of 11.
    """
    warm = forecast(BOARD, METER, Setup(temperature_c=35.0), DIODES)
    readings = [Reading(0, one.probing, "", one.value, one.unit, one.state or "OL", discharged=True) for one in warm]
    known = learn_reference(BOARD, METER, Setup(), readings)
    place = Probing("N", "U")
    table = narrow_table(build_table(build_space(known.board, Setup()), METER, [place], pairs=False), known.spread)
    column = table.columns[0]
    shown = column.displays(*column.of_classes(np.zeros(1, dtype=np.intp)))
    assert shown.value[0] == pytest.approx(next(one.value for one in warm if one.probing == place), abs=0.004)
    by_batch, by_bench = (shown.batch_load[rows, 0] * BATCH_SPREAD_V for rows in (slice(0, -1), slice(-1, None)))
    assert 0.002 < np.linalg.norm(by_bench) < 0.4 * np.linalg.norm(by_batch)
