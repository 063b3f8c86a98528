"""The simulator's side of the comparison is itself sound: its settings move nothing and it leaves nothing out."""

from __future__ import annotations

import math
import random

import pytest

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Setup
from tests.crosscheck.compare import Tally, limit_volts
from tests.crosscheck.netlist import (
    TIGHT_OPTIONS,
    Damage,
    mosfet_parameters,
    point_text,
    ranges_of,
    threshold_offset,
    write_board,
)
from tests.crosscheck.predicted import Question, netlists_of, placements
from tests.crosscheck.runner import operating_points, require_simulator
from tests.crosscheck.samples import stratified


@pytest.mark.slow
def test_settings_move_nothing() -> None:
    """Tolerances ten thousand times tighter and a thousand times less shunt move no reading by 0.1 mV or 0.05 %."""
    require_simulator()
    board, meter = load_board("half-bridge-cooktop"), load_meter()
    asked = random.Random(3).sample(stratified(board, Setup(), meter, seed=3, each=4, pairs=20), 200)
    texts = netlists_of(board, Setup(), asked)
    usual, tight = operating_points(texts), operating_points(texts, options=(TIGHT_OPTIONS,))
    answered = 0
    for question, one, other in zip(asked, usual, tight, strict=True):
        if math.isnan(other):
            continue  # the tight settings do not always find an answer, which is why they are not the usual ones
        answered += 1
        in_ohms = question.meter_range.label.startswith("ohms")
        assert one == pytest.approx(other, abs=1e-9 if in_ohms else 1e-4, rel=5e-4 if in_ohms else 0.0), str(question)
    assert answered > 150


def test_unanswered_reading_is_kept() -> None:
    """A netlist the simulator cannot answer comes back as NaN in its own place, its neighbours untouched."""
    require_simulator()
    board, meter_range = load_board("six-switch-bridge"), ranges_of(load_meter(), "diode")[0]
    good = point_text(write_board(board, Setup()), meter_range, "N", "U")
    # two sources of different voltage in parallel have no solution
    broken = good + "vx1 n1 0 1\nvx2 n1 0 2\n"
    first, second, third = operating_points([good, broken, good])
    assert first == third == pytest.approx(0.42, abs=1e-3)
    assert math.isnan(second)


def test_unanswered_reading_fails() -> None:
    """A reading without an answer on either side is a complaint, not a gap."""
    meter_range = ranges_of(load_meter(), "diode")[0]
    board = load_board("six-switch-bridge")
    question = Question((), placements(board, load_meter())[0], meter_range, "end")
    tally = Tally()
    tally.add(question, 0.4, math.nan)
    tally.add(question, math.nan, 0.4)
    assert len(tally.unanswered) == 2
    assert "2 unanswered" in tally.complaint()


def test_disagreement_is_a_complaint() -> None:
    """Readings 1.1 mV apart, and OL against a number, are complaints; at the limit they are only counted."""
    meter_range = ranges_of(load_meter(), "diode")[0]
    question = Question((), placements(load_board("six-switch-bridge"), load_meter())[0], meter_range, "end")
    tally = Tally()
    tally.add(question, 0.4011, 0.4000)
    tally.add(question, math.inf, 0.4000)
    assert len(tally.differences) == 2
    tally.add(question, math.inf, limit_volts(meter_range) - 0.0005)
    assert (len(tally.differences), tally.near_limit) == (2, 1)


def test_missing_simulator_is_loud(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the simulator a person's run skips with the reason, and a build machine's run fails."""
    monkeypatch.setattr("tests.crosscheck.runner.shutil.which", lambda _program: None)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="did NOT run"):
        require_simulator()
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="not installed"):
        require_simulator()


@pytest.mark.parametrize(("threshold", "on_ohms"), [(4.0, 0.1), (2.6, 0.16), (3.0, 0.02), (5.5, 2.0)])
def test_mosfet_parameters_meet_their_definition(threshold: float, on_ohms: float) -> None:
    """I0 and vt0 give 1 mA at the threshold and the stated resistance at 10 V, by numerical differentiation."""
    specific, offset = mosfet_parameters(threshold, on_ohms)

    def current(drain: float, gate: float) -> float:
        forward, backward = (math.log1p(math.exp(v / 0.09)) ** 2 for v in (gate - offset, gate - drain - offset))
        return specific * (forward - backward)

    # in saturation nothing comes back from the drain; the diode-connected switch is saturated to a part in 1e8
    assert current(50.0, threshold) == pytest.approx(1e-3, rel=1e-9)
    step = 1e-5
    assert 2 * step / (current(step, 10.0) - current(-step, 10.0)) == pytest.approx(on_ohms, rel=1e-5)
    assert threshold_offset(threshold, specific) == pytest.approx(offset, abs=1e-12)


def test_damage_to_an_absent_part_is_refused() -> None:
    """Damage to a part that is not on the bench is a mistake of the test, not a healthy board."""
    with pytest.raises(ValueError, match="L_COIL"):
        write_board(load_board("half-bridge-cooktop"), Setup(), (Damage("L_COIL", "open"),))
