"""What readings cannot tell apart: Bayes errors by hand and by chance, and the smallest set of packages to replace."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm

from bridge.belief import weigh
from bridge.board import load_board
from bridge.faults import Fault, parse_fault
from bridge.faultspace import build_space
from bridge.groups import error_between, label_by_leaders, smallest_replacement
from bridge.growth import GrownSets
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.separate import reachable_probings, separable_in_place
from bridge.survivors import Survivors
from tests.physics.benchboards import bare_bridge, diode, make_board, resistor, switch


def error_of(gap: list[float], own: list[float], loads: list[list[float]] | None = None, **opens: list[float]) -> float:
    """Return the error between two hypotheses whose displays lie ``gap`` apart."""
    count = len(gap)
    shared = np.zeros((1, count, 1)) if loads is None else np.array(loads, dtype=float)[None, :, :]
    nothing = [0.0] * count
    found = error_between(
        np.zeros(count),
        np.array(gap)[None, :],
        np.array(opens.get("open_a", nothing)),
        np.array(opens.get("open_b", nothing))[None, :],
        np.array(own)[None, :],
        shared,
    )
    return float(found[0])


def test_leaders_take_what_looks_like_them_and_is_free() -> None:
    """By hand: 0 takes 2, 1 may not lead, 3 takes no 2 as that is taken, and 4 is too improbable to lead."""
    alike = {0: [2], 3: [2, 3]}

    def look_alikes(leader: int, free: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
        assert free[leader]
        return None if leader not in alike else np.isin(np.arange(5), alike[leader])

    probability = np.array([0.5, 0.2, 0.15, 0.1, 0.05])
    labels, rest = label_by_leaders(probability, 0.08, 9, look_alikes)
    assert (labels.tolist(), rest) == ([0, 2, 0, 1, 2], 2)
    labels, rest = label_by_leaders(probability, 0.08, 1, look_alikes)
    assert (labels.tolist(), rest) == ([0, 1, 0, 1, 1], 1)


class TestErrorBetween:
    """The two-way Bayes error at equal odds."""

    @pytest.mark.parametrize("distance", [0.0, 0.5, 1.0, 2.0, 3.29, 6.0])
    def test_one_reading(self, distance: float) -> None:
        """Displays d standard deviations apart are taken for each other with probability Phi(-d/2)."""
        assert error_of([distance * 0.01], [0.01]) == pytest.approx(
            float(norm.cdf(-distance / 2.0)), rel=1e-3, abs=1e-9
        )

    def test_readings_add_as_squares(self) -> None:
        """Two independent readings 3 and 4 standard deviations apart are together 5 apart."""
        assert error_of([3.0, 4.0], [1.0, 1.0]) == pytest.approx(float(norm.cdf(-2.5)), rel=1e-3)

    def test_nothing_read(self) -> None:
        """Without a difference it is a coin's throw."""
        assert error_of([0.0, 0.0], [1.0, 2.0]) == pytest.approx(0.5, abs=1e-9)

    def test_shared_unknown_hides_what_it_can_move(self) -> None:
        """A gap along what the whole batch does counts little, one against it counts in full.

        Loads (10, 10), own spread 1: along (1, 1) the variance is 1 + 2 x 100, along (1, -1) it is 1.
        """
        along = error_of([3.0, 3.0], [1.0, 1.0], [[10.0], [10.0]])
        against = error_of([3.0, -3.0], [1.0, 1.0], [[10.0], [10.0]])
        assert along == pytest.approx(float(norm.cdf(-0.5 * math.sqrt(18.0 / 201.0))), rel=1e-3)
        assert against == pytest.approx(float(norm.cdf(-0.5 * math.sqrt(18.0))), rel=1e-3)

    def test_by_chance(self) -> None:
        """Of pairs of hypotheses drawn at random the optimal test errs as often as stated: 20000 throws to 1 %."""
        rng = np.random.default_rng(5)
        own, loads, gap = rng.uniform(0.5, 2.0, 4), rng.normal(size=(4, 2)), rng.normal(size=4)
        covariance = np.diag(own**2) + loads @ loads.T
        draws = rng.multivariate_normal(np.zeros(4), covariance, 20000)
        # under the first hypothesis the second is chosen where the log likelihood ratio is positive
        weights = np.linalg.solve(covariance, gap)
        errs = float(np.mean(draws @ weights > 0.5 * gap @ weights))
        assert error_of(gap.tolist(), own.tolist(), loads.tolist()) == pytest.approx(errs, abs=0.01)

    def test_open_against_a_number(self) -> None:
        """One OL against a number leaves what a slip of 2 % can explain: a coin of 2 % against one of 98 %."""
        coin = 2.0 * math.sqrt(0.02 * 0.98)
        by_hand = float(norm.cdf(-0.5 * math.sqrt(-8.0 * math.log(coin))))
        assert error_of([0.0], [1.0], open_b=[1.0]) == pytest.approx(by_hand, rel=1e-3)
        # two such readings prove twice as much
        assert error_of([0.0, 0.0], [1.0, 1.0], open_b=[1.0, 1.0]) < by_hand / 2.0

    def test_both_open(self) -> None:
        """Where both are OL a difference of the numbers behind it tells nothing."""
        assert error_of([99.0], [1.0], open_a=[1.0], open_b=[1.0]) == pytest.approx(0.5, abs=1e-9)

    def test_many_at_once(self) -> None:
        """Others are judged one by one: each gets the error it would get alone."""
        rng = np.random.default_rng(7)
        mean, own, loads = rng.normal(size=(6, 3)), rng.uniform(0.5, 2.0, (6, 3)), rng.normal(size=(6, 3, 2))
        opens = rng.integers(0, 2, (6, 3)).astype(float)
        arguments = np.zeros(3), np.zeros(3)
        together = error_between(arguments[0], mean, arguments[1], opens, own, loads)
        for k in range(6):
            one = slice(k, k + 1)
            alone = error_between(arguments[0], mean[one], arguments[1], opens[one], own[one], loads[one])
            assert together[k] == pytest.approx(alone[0], rel=1e-9)


Members = list[tuple[frozenset[str], float]]


def held(members: Members, packages: tuple[str, ...]) -> float:
    """Return what lies inside a set of packages."""
    return sum(probability for names, probability in members if names <= set(packages))


class TestReplacement:
    """The smallest set of packages that holds 98 % of a group."""

    def test_one_package(self) -> None:
        """Modes of one part need one package."""
        members = [(frozenset({"Q_UL"}), 0.6), (frozenset({"Q_UL"}), 0.3), (frozenset({"Q_UL", "Q_UH"}), 0.01)]
        assert smallest_replacement(members) == ("Q_UL",)

    def test_two_suspects(self) -> None:
        """Two suspects of 50 and 48 % go together, a third of 2 % may stay."""
        members = [(frozenset({"A"}), 0.5), (frozenset({"B"}), 0.48), (frozenset({"C"}), 0.02)]
        assert smallest_replacement(members) == ("A", "B")

    def test_pair_counts_only_whole(self) -> None:
        """A pair lies inside a set only with both its packages."""
        members = [(frozenset({"A", "B"}), 0.9), (frozenset({"A"}), 0.1)]
        assert smallest_replacement(members) == ("A", "B")

    def test_healthy(self) -> None:
        """The healthy board alone needs nothing."""
        assert smallest_replacement([(frozenset(), 1.0)]) == ()
        assert smallest_replacement([(frozenset(), 0.99), (frozenset({"A"}), 0.01)]) == ()

    def test_shares_not_probabilities(self) -> None:
        """What counts is the share of the group, however improbable the group is."""
        assert smallest_replacement([(frozenset({"A"}), 1e-9), (frozenset({"B"}), 1e-12)]) == ("A",)

    @given(
        st.lists(
            st.tuples(st.frozensets(st.sampled_from("ABCDEF"), max_size=2), st.floats(1e-6, 1.0)),
            min_size=1,
            max_size=12,
        )
    )
    def test_holds_enough_and_none_smaller_does(self, members: Members) -> None:
        """The set holds at least 98 %, and no smaller one of all possible sets does."""
        members = sorted(members, key=lambda member: -member[1])
        total = sum(probability for _, probability in members)
        chosen = smallest_replacement(members)
        assert held(members, chosen) >= 0.98 * total * (1.0 - 1e-9)
        for size in range(len(chosen)):
            for fewer in itertools.combinations("ABCDEF", size):
                assert held(members, fewer) < 0.98 * total * (1.0 + 1e-9)


class TestSeparable:
    """Whether one reading in place tells the first hypothesis from all others."""

    @staticmethod
    def separable(*texts: str, name: str = "six-switch-bridge") -> bool:
        """Return the answer for hypotheses written as faults separated by a space, healthy as nothing."""
        board = load_board(name)
        hypotheses = [[parse_fault(word, board) for word in text.split()] for text in texts]
        return separable_in_place(board, load_meter(), Setup(), hypotheses)

    def test_shorts_of_two_switches(self) -> None:
        """Shorts above and below a phase are told apart on the phase's own terminals."""
        assert self.separable("Q_UL:ce-short", "Q_UH:ce-short", "Q_VL:ce-short")

    def test_same_circuit(self) -> None:
        """A shorted switch and its shorted diode are one circuit; only removing them could tell."""
        assert not self.separable("Q_UL:ce-short:0.3", "D_UL:short:0.3")

    def test_same_circuit_among_others(self) -> None:
        """One member that cannot be told is enough."""
        assert not self.separable("Q_UL:ce-short:0.3", "Q_UH:ce-short", "D_UL:short:0.3")

    def test_dead_gate_needs_a_held_gate(self) -> None:
        """A switch that cannot turn on looks healthy until its gate is held up: the held readings tell."""
        assert self.separable("", "Q_UL:never-on")

    def test_parallel_diodes(self) -> None:
        """Which of two parallel diodes is open no reading in place can tell."""
        leg = switch("AL_1", "A", "N") + switch("AL_2", "A", "N") + resistor("R_1", "A", "N", 1e5)
        board = make_board("A N", leg)
        hypotheses = [[(Fault(f"D_AL_{number}", "open"), None)] for number in (1, 2)]
        assert not separable_in_place(board, load_meter(), Setup(), hypotheses)

    def test_nobody_to_tell_from(self) -> None:
        """A group of one is separable."""
        assert self.separable("Q_UL:ce-short")

    def test_reachable_probings(self) -> None:
        """Main terminals both ways, gates, each switch in ohms and with its gate held on, each placement once."""
        board = make_board("P N U G_UL E_UL=N", bare_bridge("U"))
        found = reachable_probings(board)
        assert len(set(found)) == len(found) == 3 * 2 + 1 + 2 + 2 + 1  # the last: gate to collector, where a pad is
        held_at = {(one.red, one.black, one.hold[0].position) for one in found if one.hold}
        assert held_at == {("U", "N", "UL"), ("P", "U", "UH")}
        assert Probing("G_UL", "E_UL", "ohms") in found

    def test_parts_with_pads_are_read_across(self) -> None:
        """With its pads a driver is told from its gate in place, which the gate lead alone cannot do."""
        board = load_board("six-switch-bridge")
        found = reachable_probings(board)
        assert {Probing("GD_UL", "N", "ohms"), Probing("GD_UL", "G_UL", "ohms"), Probing("VCC", "N", "ohms")} <= set(
            found
        )
        assert sum({one.red, one.black} == {"G_UL", "E_UL"} for one in found) == 1
        # 7 ohm in the driver behind 22 ohm, or 29 ohm in the gate: the same between gate and emitter
        hypotheses = [[(Fault("DRV_UL", "low-short"), 7.0)], [(Fault("Q_UL", "ge-short"), 29.0)]]
        assert separable_in_place(board, load_meter(), Setup(), hypotheses)


class TestManyPackages:
    """Groups too large to search completely."""

    def test_what_is_cut_off_counts(self) -> None:
        """A thousand members too small to matter one by one still count: 3 % of the group are not left out."""
        rare = [(frozenset({f"R_{number}"}), 0.03 / 1000) for number in range(1000)]
        chosen = smallest_replacement([(frozenset({"Q"}), 0.97), *rare])
        members = [(frozenset({"Q"}), 0.97), *rare]
        assert held(members, chosen) >= 0.98 - 1e-9
        # 10 more of 0.003 % each make 1 %: 334 of them, none more
        assert len(chosen) == 1 + 334

    def test_forty_even_suspects(self) -> None:
        """Of forty equally likely suspects all are needed: 39 hold 97.5 %."""
        members = [(frozenset({f"P_{number}"}), 1.0) for number in range(40)]
        assert len(smallest_replacement(members)) == 40


class TestBeliefs:
    """Variants summed into hypotheses."""

    SPACE = build_space(make_board("A M K", diode("D_1", "A", "M"), diode("D_2", "M", "K")), Setup())

    def survivors(self, kept: list[int], log_evidence: list[float], ohms: list[float]) -> Survivors:
        """Return variants of no reading at all with their evidence."""
        count = len(kept)
        fields = {field.name: np.zeros((count, 0)) for field in dataclasses.fields(Survivors)}
        known = {
            "kept": np.array(kept, dtype=np.intp),
            "log_evidence": np.array(log_evidence),
            "ohms": np.array([[one, math.nan] for one in ohms]).reshape(count, 2),
        }
        return Survivors(**{**fields, **known})

    def screened(self) -> np.ndarray:
        """Return a first pass that leaves nothing but what survives it."""
        found = np.full(1 + len(self.SPACE.singles) + len(self.SPACE.pairs[0]), -np.inf)
        found[0] = 0.0
        return found

    @pytest.mark.parametrize("scale", [0.0, 450.0, -450.0])
    def test_median_resistance(self, scale: float) -> None:
        """Half of a leak's weight lies at or below its median, however likely many readings are on the whole."""
        leak = self.SPACE.faults.index(Fault("D_1", "leak"))
        rows = np.flatnonzero(self.SPACE.singles.fault == leak)[:3]
        weights = [0.2, 0.2, 0.6]
        log_evidence = [scale - 20.0, *(scale + math.log(weight) for weight in weights)]
        kept = [0, *(1 + rows).tolist()]
        survivors = self.survivors(kept, log_evidence, [math.nan, 10.0, 100.0, 1000.0])
        beliefs = weigh(self.SPACE, survivors, self.screened(), None)
        assert beliefs.faults[0].tolist() == [leak, -1]
        assert beliefs.ohms[0, 0] == 1000.0
        assert beliefs.probability[0] == pytest.approx(1.0, abs=1e-8)

    def test_a_pair_weighed_again(self) -> None:
        """A pair that growth weighs again stays one hypothesis, with growth's evidence and resistances."""
        first, second = (self.SPACE.doubles.fault[rows] for rows in self.SPACE.pairs)
        for place in (0, len(first) // 2, len(first) - 1):
            pair = (int(first[place]), int(second[place]))
            larger = (*pair, next(k for k in range(len(self.SPACE.faults)) if k not in pair))
            grown = GrownSets(
                (tuple(sorted(larger)), pair),
                ((math.nan,) * 3, (47.0, 150.0)),
                self.survivors([0, 0], [-2.0, -1.0], [math.nan] * 2),
            )
            beliefs = weigh(self.SPACE, self.survivors([0], [0.0], [math.nan]), self.screened(), grown)
            sets = [tuple(sorted(fault for fault in row if fault >= 0)) for row in beliefs.faults.tolist()]
            assert len(set(sets)) == len(sets)
            assert sets[:3] == [(), tuple(sorted(pair)), tuple(sorted(larger))]
            # e^0, e^-1 and e^-2 in shares
            shares = np.exp([0.0, -1.0, -2.0])
            assert beliefs.probability[:3] == pytest.approx(shares / shares.sum(), rel=1e-9)
            assert beliefs.ohms[1, :2].tolist() == [47.0, 150.0]
            assert beliefs.hypothesis_of_survivor.tolist() == [0, 2, 1]
            assert beliefs.best_survivor[:3].tolist() == [0, 2, 1]
