"""No explanation fits a puzzle as well as what was planted, not even at one resistance alone."""

from __future__ import annotations

import pytest
from scipy.stats import chi2

from bridge.board import load_board
from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.puzzlefile import Key
from bridge.puzzlefit import close_fits, misfit_limit
from bridge.puzzlemake import Order, PuzzleMaker
from bridge.puzzleproof import LEFT_OPEN, Prover
from tests.puzzles.confirm import Searcher, readings_of

BOARD = "half-bridge-cooktop"
DRAW = 6  # of seed 77: a shorted diode at 0.3 ohm, for which a leaky capacitor beside another diode may be taken


@pytest.mark.parametrize("readings", [5, 20, 45, 90])
def test_the_limit_is_a_quantile_of_chi_square(readings: int) -> None:
    """The approximation agrees with scipy's quantile within two hundredths, less with more readings."""
    assert misfit_limit(readings) == pytest.approx(chi2.ppf(0.999, readings), rel=0.06 / readings**0.5)


@pytest.mark.slow
def test_what_fits_at_one_resistance_alone_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Evidence alone would accept a draw in which the outside search finds a second answer; the fit refuses it."""
    maker = PuzzleMaker(Order(BOARD, "handheld", Setup(), count=4, seed=77))
    with monkeypatch.context() as patch:
        patch.setattr(Prover, "_judge_fits", lambda *_: None)
        key = maker.draw(DRAW)
    assert isinstance(key, Key)
    board, meter = load_board(BOARD), load_meter()
    second = Searcher(board, meter, dict(key.puzzle.setup)).second_answers(key)
    assert second
    prover = maker.prover
    models = model_readings(readings_of(key, board, meter), meter)
    names = [str(fault) for fault in prover.space.faults]
    planted = tuple(names.index(one) for one in key.same[0])
    table = prover.table
    held = prover.holds([frozenset(answer) for answer in key.answers])
    fits = {" and ".join(names[fault] for fault in fit.faults) for fit in close_fits(table, models, held, planted)}
    assert {one.rpartition(" < ")[0].rpartition(" ")[0] for one in second} <= fits
    assert maker.attempt(DRAW) == LEFT_OPEN


@pytest.mark.slow
def test_what_fits_an_accepted_puzzle_holds_its_answer() -> None:
    """Of an accepted draw everything that fits has the answer replaced: pairs, too, where they are asked for."""
    maker = PuzzleMaker(Order(BOARD, "handheld", Setup(), count=4, seed=77))
    key = maker.draw(9)  # D_L shorted
    board, meter = load_board(BOARD), load_meter()
    models = model_readings(readings_of(key, board, meter), meter)
    prover = maker.prover
    names = [str(fault) for fault in prover.space.faults]
    planted = tuple(names.index(one) for one in key.same[0])
    answers = [frozenset(answer) for answer in key.answers]
    for held, sizes in ((prover.holds(answers), {1}), (prover.holds([]), {1, 2})):
        fits = close_fits(prover.table, models, held, planted)
        assert {len(fit.faults) for fit in fits} == sizes
        for fit in fits:
            packages = {board.parts[prover.space.faults[fault].part].package for fault in fit.faults}
            assert any(answer <= packages for answer in answers), fit
