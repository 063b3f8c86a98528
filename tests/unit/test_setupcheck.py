"""A state of the bench given from a program is checked as one from the command line is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from bridge.board import load_board
from bridge.circuit import build_circuit
from bridge.errors import InputError
from bridge.forecast import forecast
from bridge.journal import parse_setup
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.rank import rank
from bridge.readings import parse_readings
from bridge.setupcheck import check_setup

BOARD = load_board("six-switch-bridge")
READINGS = parse_readings(b"red,black,mode,reading\nU,P,diode,0.4\n", "sheet", BOARD).readings

WRONG: list[tuple[dict[str, Any], str, str]] = [
    ({"connected": ("moto",)}, "connected", "accepted: motor"),
    ({"connected": ("coil",)}, "connected", "no such thing to connect; accepted: motor"),
    ({"connected": "motor"}, "setup.connected", "accepted: a list of words"),
    ({"connected": None}, "setup.connected", "accepted: a list of words"),
    ({"lifted": ("Q_UL.x",)}, "lift", "its pins are collector"),
    ({"lifted": "Q_UL.gate"}, "setup.lifted", "accepted: a list of words"),
    ({"relay_closed": "yes"}, "setup.relay_closed", "accepted: true, false"),
    ({"unplugged": 1}, "setup.unplugged", "accepted: true, false"),
    ({"bus_volts": math.nan}, "setup.bus_volts", "from -2000 to 2000"),
    ({"bus_volts": "3"}, "setup.bus_volts", "from -2000 to 2000"),
    ({"dwell_s": math.nan}, "setup.dwell_s", "from 0 to 3600"),
    ({"dwell_s": -5}, "setup.dwell_s", "from 0 to 3600"),
    ({"dwell_s": math.inf}, "setup.dwell_s", "from 0 to 3600"),
    ({"temperature_c": -300}, "setup.temperature_c", "from -60 to 175"),
    ({"temperature_c": True}, "setup.temperature_c", "from -60 to 175"),
]


@pytest.mark.parametrize(("wrong", "place", "accepted"), WRONG, ids=[str(wrong) for wrong, _, _ in WRONG])
def test_forecast_and_rank_refuse_a_set_up_that_cannot_be(wrong: dict[str, Any], place: str, accepted: str) -> None:
    """Predicting and ranking say what was found and what is accepted, at the key it belongs to."""
    setup = Setup(**wrong)
    for refused in (
        lambda: forecast(BOARD, load_meter(), setup, [Probing("U", "P")]),
        lambda: rank(BOARD, load_meter(), setup, READINGS),
        lambda: build_circuit(BOARD, setup),
    ):
        with pytest.raises(InputError, match=accepted) as caught:
            refused()
        assert caught.value.where == place


def test_any_collection_and_any_number_will_do() -> None:
    """Words may come as a list, set or tuple, in another case, and numbers from an array; the board's words return."""
    given: Any = {"connected": ["Motor"], "lifted": {"q_ul.G"}, "bus_volts": np.float64(1.5), "dwell_s": np.int64(2)}
    found = check_setup(Setup(**given), BOARD)
    assert found == Setup(frozenset({"motor"}), ("Q_UL.gate",), bus_volts=1.5, dwell_s=2.0)
    assert build_circuit(BOARD, Setup(**given)).setup == found
    assert rank(BOARD, load_meter(), Setup(**given), READINGS).given_setup == found


def test_a_checked_set_up_stays_as_it_is() -> None:
    """Checking twice changes nothing, and a journal's set-up without a word is an empty bench."""
    setup = Setup(frozenset({"motor", "mains"}), ("Q_UL.gate", "R_BLEED.a"), True, -3.0, True, 0.0, 175.0)
    assert check_setup(setup, BOARD) == setup
    assert parse_setup({}, BOARD) == Setup()
