"""When a bench session has its answer."""

from __future__ import annotations

from bridge.board import load_board
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate, Fit, Ranking, SetupBelief
from bridge.readings import Reading
from bridge.stoprule import LITTLE_TIMES, Standing, StopRule

BOARD, METER = load_board("single-switch-cooktop"), load_meter()


def steady_ranking(count: int, *beliefs: SetupBelief) -> Ranking:
    """Return a ranking after so many readings that fit, where the good board stands at 96 %."""
    readings = tuple(Reading(0, Probing("P", "N"), "0.5", 0.5, "V", "steady") for _ in range(count))
    good = Candidate((), 0.96, 0)
    return Ranking(BOARD, METER, Setup(), readings, Fit(True, None, 0.0, ""), (good,), (), (), beliefs)


def ending(*beliefs: SetupBelief) -> tuple[Standing | None, Standing | None]:
    """Return the verdict, and what has settled, after one reading more than settling takes."""
    rule = StopRule()
    *_, settled = [rule.settles(steady_ranking(count, *beliefs)) for count in range(1, LITTLE_TIMES + 2)]
    return rule.verdict(steady_ranking(LITTLE_TIMES + 1, *beliefs)), settled


def test_a_list_that_does_not_move_stands() -> None:
    """Where the bench is as stated, a list of 96 % stands by its certainty, and by not moving."""
    stated = SetupBelief("as-stated", 0.97), SetupBelief("motor-connected", 0.03)
    assert ending(*stated) == (Standing(frozenset(), 0.96), Standing(frozenset(), 0.96, settled=True))


def test_nothing_stands_on_a_bench_in_another_state() -> None:
    """Where a motor left on is likelier than the bench as stated, no list stands, however still it is."""
    assert ending(SetupBelief("as-stated", 0.3), SetupBelief("motor-connected", 0.7)) == (None, None)
