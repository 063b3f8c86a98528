"""The fast table against a solver that takes one point at a time, and its sensitivities against small changes."""

from __future__ import annotations

import dataclasses
import math
import random

import numpy as np
import pytest

from bridge import newton, solve
from bridge.board import Board, list_boards, load_board
from bridge.circuit import TEMPERATURE, Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.instants import build_points, first_instant
from bridge.meter import load_meter
from bridge.predict import UNKNOWN, CellSolver
from bridge.probing import Hold, Probing, Setup
from bridge.shots import Shot, displayed, plan_shots
from bridge.spreads import (
    BATCH_SPREAD_V,
    DISCRETE_SPREAD_V,
    MODULE_SPREAD_V,
    TEMPERATURE_SPREAD_C,
    THRESHOLD_SPREAD_V,
)
from bridge.variants import ChangeClasses
from tests.plain.sample import Sample, draw
from tests.plain.solver import plain_solve
from tests.plain.wholetable import CellTable, solve_cells

MICROVOLTS = 10e-6  # a hundredth of the last digit a diode mode shows
SHARE = 1e-5
SEED = 11


def disagreements(sample: Sample, bus_volts: float = 0.0) -> list[str]:
    """Return the displays that differ between the fast table and the plain solver, in words."""
    found = []
    for question in sample.questions:
        fast = sample.table.answers.value[question.answer]
        plain = plain_solve(
            sample.circuit, question.shot, question.change, at_start=question.at_start, bus_volts=bus_volts
        )
        # ten microvolts at the jacks are so many ohms in this range
        per_volt = 1.0 / (question.shot.amps or max(abs(plain.amps), 1e-12)) if question.shot.unit == "ohm" else 1.0
        allowed = max(MICROVOLTS * per_volt, SHARE * abs(plain.display))
        if not (fast == plain.display or abs(fast - plain.display) <= allowed):
            found.append(f"{question}: {fast!r}, plainly {plain.display!r}")
    return found


class TestAgainstThePlainSolver:
    """Every display of the table to 10 uV or 1e-5, whatever was skipped, taken over or eliminated on the way."""

    @pytest.mark.parametrize("board_name", list_boards())
    def test_shipped_board(self, board_name: str) -> None:
        """Healthy, single and paired faults read as the plain solver says, first instant and end, diode and ohms."""
        sample = draw(board_name, SEED, faults=14, each=8)
        assert len(sample.questions) >= 50
        assert disagreements(sample) == []

    def test_samples_have_everything(self) -> None:
        """The samples hold every kind of hypothesis and display: open, volts and ohms, at rest and held gates."""
        names = ("drive-module", "six-switch-bridge", "six-switch-sic", "half-bridge-cooktop", "full-bridge-welder")
        questions = [one for name in names for one in draw(name, SEED, faults=14, each=8).questions]
        assert {len(one.faults) for one in questions} == {0, 1, 2}
        assert {one.shot.unit for one in questions} == {"V", "ohm"}
        assert {bool(one.shot.holds) for one in questions} == {True, False}
        assert {one.shot.amps > 0.0 for one in questions} == {True, False}

    @pytest.mark.parametrize("board_name", ["motor-drive", "half-bridge-cooktop"])
    def test_charged_bus(self, board_name: str) -> None:
        """With 0.7 V on the bus the first instant is the plain solver's, too."""
        sample = draw(board_name, SEED + 1, faults=14, each=8, setup=Setup(bus_volts=0.7))
        assert disagreements(sample, bus_volts=0.7) == []

    @pytest.mark.parametrize("connected", ["motor", "mains"])
    def test_something_connected(self, connected: str) -> None:
        """With a motor or the mains transformer left on and the relay closed, warm, nothing changes in that."""
        setup = Setup(connected=frozenset({connected}), relay_closed=True, temperature_c=40.0)
        assert disagreements(draw("motor-drive", SEED + 2, faults=10, each=4, setup=setup)) == []

    def test_displays_at_both_ends_differ(self) -> None:
        """The sample is not trivial: displays at the first instant and in the end differ, and some are OL."""
        sample = draw("six-switch-bridge", SEED, faults=14, each=8)
        shown = sample.table.answers.value[[one.answer for one in sample.questions]]
        assert 0.1 < np.mean(np.isinf(shown)) < 0.9
        assert np.count_nonzero(shown[0::2] != shown[1::2]) >= 5


def answers_to(
    circuit: Circuit, shots: list[Shot], changes: list[Change], *, at_start: bool = False
) -> tuple[np.ndarray, CellTable, ChangeClasses]:
    """Return displays of all pairs of changes, changes x changes, and the table they come from."""
    classes = ChangeClasses(circuit, [Change(), *changes])
    rows = classes.class_of[1:]
    table = solve_cells(circuit, shots, classes, np.arange(classes.size))
    pairs = (table.pair_start if at_start else table.pair_end)[0]
    return pairs[np.ix_(rows, rows)], table, classes


class TestSensitivities:
    """What a display answers to the shared and the own unknowns, against solving again with them changed a little.

    The solver stops within a tenth of a microvolt, so a difference over a step of 2 mV is good to 0.1 mV per volt.
    """

    CASES = (
        ("six-switch-bridge", Probing("N", "P"), None, False),
        ("six-switch-bridge", Probing("E_UL", "G_UL"), ("RGE_UL", "high", 3e4), False),
        ("six-switch-bridge", Probing("E_UL", "G_UL"), None, True),
        ("half-bridge-cooktop", Probing("N", "P"), ("Q_H", "ce-leak", 500.0), False),
        ("half-bridge-cooktop", Probing("N", "AC2"), ("D_AC1L", "open", None), True),
        ("three-level-bridge", Probing("NP", "P"), ("D_UCH", "open", None), False),
        ("motor-drive", Probing("N", "PR"), ("Q_UL", "ce-leak", 3e3), False),
    )

    @staticmethod
    def with_drops(circuit: Circuit, rows: list[int], volts: float) -> Circuit:
        """Return a circuit some of whose junctions drop so much more at every current."""
        saturation = circuit.junction_saturation.copy()
        saturation[rows] *= np.exp(-volts / circuit.junction_scale[rows])
        return dataclasses.replace(circuit, junction_saturation=saturation)

    @pytest.mark.parametrize(("board_name", "probing", "fault", "at_start"), CASES)
    def test_batch_load(
        self, board_name: str, probing: Probing, fault: tuple[str, str, float | None] | None, at_start: bool
    ) -> None:
        """A volt more drop in a whole batch moves a display as its batch load says."""
        board, meter = load_board(board_name), load_meter()
        circuit = build_circuit(board, Setup())

        def display(one: Circuit) -> tuple[float, np.ndarray, tuple[str, ...]]:
            shots = list(plan_shots(one, meter, probing, 0))
            change = change_of(one, *fault) if fault else Change()
            cells = CellSolver(one, shots, ChangeClasses(one, [Change(), change]))
            last = cells.single_end.shape[1] - 1
            answer = (cells.single_start if at_start else cells.single_end)[0, last]
            return cells.answers.value[answer], cells.answers.batch_load[:, answer], cells.batches

        shown, loads, batches = display(circuit)
        assert math.isfinite(shown)
        unit = 1.0 if probing.mode == "diode" else 1.0 / meter.range_named(probing.range_name or "").source.amps
        assert np.max(np.abs(loads)) > 1e-3 * unit
        for batch, load in zip(batches[:-1], loads[:-1], strict=True):
            rows = [row for row, name in enumerate(circuit.junction_batch) if name == batch]
            more, less = (display(self.with_drops(circuit, rows, step))[0] for step in (1e-3, -1e-3))
            assert load == pytest.approx((more - less) / 2e-3, rel=5e-3, abs=3e-4 * unit), batch

    def test_batch_load_and_spread_of_a_held_switch(self) -> None:
        """A held IGBT drops what its own batch drops, and each part strays from its batch as its construction says."""
        board, meter = load_board("six-switch-bridge"), load_meter()
        probing = Probing("U", "N", hold=(Hold("UL", 12.0),))

        def display(one: Board) -> tuple[float, np.ndarray, float, tuple[str, ...]]:
            circuit = build_circuit(one, Setup())
            cells = CellSolver(circuit, plan_shots(circuit, meter, probing, 0), ChangeClasses(circuit, [Change()]))
            answer, known = cells.single_end[0, 0], cells.answers
            return known.value[answer], known.batch_load[:, answer], float(known.own_sd[answer]), cells.batches

        def dropping(step: float) -> Board:
            part = board.parts["Q_UL"]
            values = {**part.values, "on_drop_1ma": part.values["on_drop_1ma"] + step}
            return dataclasses.replace(board, parts={**board.parts, "Q_UL": dataclasses.replace(part, values=values)})

        _, loads, own_sd, batches = display(board)
        moved = (display(dropping(1e-3))[0] - display(dropping(-1e-3))[0]) / 2e-3
        assert moved == pytest.approx(1.0, abs=0.05)
        assert dict(zip(batches, loads, strict=True))["igbts"] == pytest.approx(moved, rel=5e-3)
        assert own_sd == pytest.approx(DISCRETE_SPREAD_V * moved, rel=0.1)

    @pytest.mark.parametrize("range_name", ["200k", "2M"])
    def test_batch_load_at_little_current(self, range_name: str) -> None:
        """Where a junction carries less than its saturation current, its drop moves the display less, and no batch of
        junctions in reverse moves it the other way."""
        circuit, meter = build_circuit(load_board("motor-drive"), Setup()), load_meter()
        probing = Probing("L1", "PR", "ohms", range_name)

        def display(one: Circuit) -> tuple[float, np.ndarray]:
            cells = CellSolver(one, plan_shots(one, meter, probing, 0), ChangeClasses(one, [Change()]))
            answer = cells.single_end[0, 0]
            return cells.answers.value[answer], cells.answers.batch_load[:, answer]

        batches = circuit.drop_batches  # all unknowns that are shared but the temperature
        differences = []
        for batch in batches:
            rows = [row for row, name in enumerate(circuit.junction_batch) if name == batch]
            more, less = (display(self.with_drops(circuit, rows, step))[0] for step in (1e-3, -1e-3))
            differences.append((more - less) / 2e-3)
        assert display(circuit)[1][:-1] == pytest.approx(differences, rel=0.02, abs=0.01 * max(differences))

    WARMER = (
        ("six-switch-bridge", Probing("N", "P"), None),
        ("six-switch-bridge", Probing("N", "U", "ohms", "2M"), None),
        ("six-switch-bridge", Probing("U", "N", hold=(Hold("UL", 12.0),)), None),
        ("half-bridge-cooktop", Probing("P", "N", "ohms", "2M"), ("D_H", "short", 0.07)),
        ("half-bridge-cooktop", Probing("AC1", "N", "ohms", "2M"), ("C_SNB_L", "short", 0.07)),
        ("three-level-bridge", Probing("NP", "P"), ("D_UCH", "open", None)),
        ("motor-drive", Probing("L1", "N", "ohms", "200k"), None),
        ("motor-drive", Probing("N", "PR"), ("Q_UL", "ce-leak", 3e3)),
    )

    @pytest.mark.parametrize(("board_name", "probing", "fault"), WARMER)
    def test_temperature_load(
        self, board_name: str, probing: Probing, fault: tuple[str, str, float | None] | None
    ) -> None:
        """A bench a little warmer moves a display as its last load says, forward, in reverse, and behind a held gate.

        The law of temperature is the usual one of circuit simulators, to which ``tests/crosscheck`` holds it.
        """
        board, meter = load_board(board_name), load_meter()

        def display(celsius: float) -> tuple[float, float]:
            circuit = build_circuit(board, Setup(temperature_c=celsius))
            change = change_of(circuit, *fault) if fault else Change()
            shots = list(plan_shots(circuit, meter, probing, 0))
            cells = CellSolver(circuit, shots, ChangeClasses(circuit, [Change(), change]))
            assert cells.batches[-1] == TEMPERATURE
            answer = cells.single_end[0, -1]
            return float(cells.answers.value[answer]), float(cells.answers.batch_load[-1, answer])

        shown, load = display(25.0)
        by_kelvin = (display(25.05)[0] - display(24.95)[0]) / 0.1
        assert abs(by_kelvin) > 2e-4 * shown
        assert load * BATCH_SPREAD_V / TEMPERATURE_SPREAD_C == pytest.approx(by_kelvin, rel=0.02)

    PAIRS = (
        ("six-switch-bridge", Probing("N", "P"), ("Q_UL", "ce-leak", 800.0), ("D_VH", "leak", 300.0)),
        ("six-switch-bridge", Probing("U", "N"), ("Q_UL", "ce-short", 0.8), ("R_VCC", "high", 1e4)),
        (
            "six-switch-bridge",
            Probing("G_UL", "E_UL", "ohms", "2k"),
            ("RG_UL", "high", 900.0),
            ("Q_UL", "ge-leak", 2e3),
        ),
        ("half-bridge-cooktop", Probing("AC1", "P"), ("D_AC1H", "leak", 400.0), ("F_1", "high", 50.0)),
        ("motor-drive", Probing("L1", "P"), ("R_PRE", "high", 150.0), ("Q_BR", "ce-leak", 5e3)),
    )

    @pytest.mark.parametrize(("board_name", "probing", "one", "other"), PAIRS)
    def test_severity_load(
        self, board_name: str, probing: Probing, one: tuple[str, str, float], other: tuple[str, str, float]
    ) -> None:
        """A neper more in the resistance of either fault of a pair moves the display as its severity load says."""
        circuit, meter, step = build_circuit(load_board(board_name), Setup()), load_meter(), 0.01
        shots = list(plan_shots(circuit, meter, probing, 0))
        changes = [
            change_of(circuit, part, mode, ohms * math.exp(move))
            for part, mode, ohms in (one, other)
            for move in (0.0, step, -step)
        ]
        pairs, table, classes = answers_to(circuit, shots, changes)
        value, here = table.answers.value, int(pairs[0, 3])
        unit = 1.0 if probing.mode == "diode" else 1.0 / shots[0].amps
        for member, (more, less), change in ((0, (pairs[1, 3], pairs[2, 3]), 0), (1, (pairs[0, 4], pairs[0, 5]), 3)):
            owned = table.answers.owner[:, here] == classes.class_of[1 + change]
            load = float(np.sum(table.answers.severity_load[:, here][owned]))
            expected = (value[more] - value[less]) / (2.0 * step)
            assert load == pytest.approx(expected, rel=1e-3, abs=5e-6 * unit), member
        assert np.max(np.abs(table.answers.severity_load[:, here])) > 1e-4 * unit

    def test_severity_load_of_a_resistor_by_hand(self) -> None:
        """A leak of 1 kohm straight between the leads at 10 uA reads R + leads, so a neper more is R more."""
        circuit = build_circuit(load_board("drive-module"), Setup())
        shots = list(plan_shots(circuit, load_meter(), Probing("G_UL", "E_UL", "ohms", "20k"), 0))
        classes = ChangeClasses(circuit, [Change(), change_of(circuit, "Q_UL", "ge-leak", 1e3)])
        cells = CellSolver(circuit, shots, classes)
        answer = cells.single_end[0, 1]
        assert cells.answers.value[answer] == pytest.approx(1000.2, rel=1e-6)
        assert cells.answers.severity_load[0, answer] == pytest.approx(1000.0, rel=1e-4)

    @pytest.mark.parametrize(("board_name", "probing", "fault"), [case[:3] for case in CASES if not case[3]])
    def test_own_spread(self, board_name: str, probing: Probing, fault: tuple[str, str, float | None] | None) -> None:
        """The own spread is what part-to-part drops and resistor tolerances do one by one, added as squares."""
        board, meter = load_board(board_name), load_meter()
        circuit = build_circuit(board, Setup())
        shots = list(plan_shots(circuit, meter, probing, 0))
        change = change_of(circuit, *fault) if fault else Change()
        classes = ChangeClasses(circuit, [Change(), change])
        last = classes.size - 1
        cells = CellSolver(circuit, shots, classes)
        found = float(cells.answers.own_sd[cells.single_end[0, last]])
        rows = {row: circuit.parts[ref] for (ref, slot), row in circuit.linear_rows.items() if slot in ("main", "off")}
        junctions = len(circuit.junction_a)
        count = 2 * (junctions + len(rows))
        points, _ = build_points(circuit, shots, np.zeros(count, dtype=np.intp), classes, np.full(count, last))
        sd = np.where(np.array(circuit.junction_construction) == "module", MODULE_SPREAD_V, DISCRETE_SPREAD_V)
        step = 0.1  # of a standard deviation, each way
        for junction in range(junctions):
            for sign in (0, 1):
                drop = (1 - 2 * sign) * step * sd[junction]
                points.saturation[junction, 2 * junction + sign] *= np.exp(-drop / circuit.junction_scale[junction])
        for place, (row, part) in enumerate(rows.items()):
            for sign in (0, 1):
                points.siemens[row, 2 * (junctions + place) + sign] *= np.exp(
                    -(1 - 2 * sign) * step * 0.5 * part.tolerance
                )
        solution = solve.solve_points(circuit, points)
        shown = displayed(shots, np.zeros(count, dtype=np.intp), solution.voltage[points.red, np.arange(count)])
        assert solution.converged.all()
        moved = (shown[0::2] - shown[1::2]) / (2.0 * step)
        assert found == pytest.approx(float(np.sqrt(np.sum(moved**2))), rel=2e-3)

    def test_threshold_spread(self) -> None:
        """A gate held a little above its threshold makes the reading as uncertain as the threshold is."""
        board, meter, step = load_board("drive-module"), load_meter("high-compliance"), 1e-4
        circuit = build_circuit(board, Setup())
        row = circuit.channel_rows["Q_UL"]
        probing = Probing("U", "NU", hold=(Hold("UL", circuit.parts["Q_UL"].values["gate_threshold"] + 0.05),))

        def display(shift: float) -> tuple[float, float]:
            offset = circuit.channel_offset.copy()
            offset[row] += shift
            one = dataclasses.replace(circuit, channel_offset=offset)
            cells = CellSolver(one, plan_shots(one, meter, probing, 0), ChangeClasses(one, [Change()]))
            answer = cells.single_end[0, 0]
            return float(cells.answers.value[answer]), float(cells.answers.own_sd[answer])

        slope = (display(step)[0] - display(-step)[0]) / (2.0 * step)
        assert slope > 0.01
        # what is left besides comes from one diode, millivolts at most
        assert display(0.0)[1] == pytest.approx(slope * THRESHOLD_SPREAD_V, rel=0.05)


class TestTable:
    """How the table is laid out."""

    @staticmethod
    def small() -> tuple[Circuit, list[Shot], ChangeClasses]:
        """Return a circuit, two shots and a handful of classes."""
        circuit = build_circuit(load_board("drive-module"), Setup())
        shots = [
            shot
            for number, probing in enumerate((Probing("NU", "U"), Probing("G_UL", "E_UL", "ohms")))
            for shot in plan_shots(circuit, load_meter(), probing, number)
        ]
        faults = (("Q_UL", "ce-short", 0.3), ("D_UL", "open", None), ("Q_UL", "ge-leak", 2e3), ("D_VH", "open", None))
        return circuit, shots, ChangeClasses(circuit, [Change(), *(change_of(circuit, *fault) for fault in faults)])

    def test_pairs_are_symmetric(self) -> None:
        """A pair reads the same whichever of its faults is named first, and no fault pairs with itself."""
        circuit, shots, classes = self.small()
        table = solve_cells(circuit, shots, classes, np.arange(1, classes.size))
        for pairs in (table.pair_start, table.pair_end):
            assert np.array_equal(pairs, np.swapaxes(pairs, 1, 2))
            assert np.all(np.diagonal(pairs, axis1=1, axis2=2) == UNKNOWN)

    def test_only_needed_pairs(self) -> None:
        """Pairs that were not asked for stay unknown, those that were read as in the whole table."""
        circuit, shots, classes = self.small()
        some = np.zeros((4, 4), dtype=bool)
        some[0, 1] = some[2, 3] = True
        whole = solve_cells(circuit, shots, classes, np.arange(1, 5))
        part = solve_cells(circuit, shots, classes, np.arange(1, 5), some)
        asked = np.broadcast_to(some | some.T, part.pair_end.shape)
        assert np.all(part.pair_end[~asked] == UNKNOWN)
        shown, expected = part.answers.value[part.pair_end[asked]], whole.answers.value[whole.pair_end[asked]]
        assert np.array_equal(shown, expected)

    def test_progress(self) -> None:
        """Progress counts up to all pairs that had to be solved."""
        circuit, shots, classes = self.small()
        seen: list[tuple[int, int]] = []
        solve_cells(
            circuit, shots, classes, np.arange(1, classes.size), progress=lambda done, count: seen.append((done, count))
        )
        assert seen
        assert all(0 < done <= count for done, count in seen)
        assert seen[-1][0] == seen[-1][1]

    def test_unconverged_is_no_number(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A solve that is cut off leaves no number behind, and its answer says so."""
        monkeypatch.setattr(newton, "MAX_ITERATIONS", 2)
        circuit, shots, classes = self.small()
        cells = CellSolver(circuit, shots[:1], classes)
        assert not cells.answers.converged.all()
        assert np.isnan(cells.answers.value[~cells.answers.converged]).all()

    def test_open_is_infinite(self) -> None:
        """An open reading is infinite, and nothing moves it."""
        circuit, shots, classes = self.small()
        cells = CellSolver(circuit, shots, classes)
        answer = cells.single_end[0, classes.class_of[2]]
        assert math.isinf(cells.answers.value[answer])
        assert np.all(cells.answers.batch_load[:, answer] == 0.0)
        assert cells.answers.own_sd[answer] == 0.0

    def test_first_instant_is_solved_where_a_capacitor_takes_current(self) -> None:
        """Answers at the first instant are those of a circuit whose capacitors are 10 milliohm."""
        board, meter, rng = load_board("six-switch-bridge"), load_meter(), random.Random(5)
        circuit = build_circuit(board, Setup())
        shots = [plan_shots(circuit, meter, Probing(*rng.sample("PNUVW", 2)), number)[0] for number in range(6)]
        which = np.arange(len(shots))
        classes = ChangeClasses(circuit, [Change()])
        points, factors = build_points(circuit, shots, which, classes)
        first_instant(circuit, points, factors, 0.0)
        shown = displayed(shots, which, solve.solve_points(circuit, points).voltage[points.red, which])
        cells = CellSolver(circuit, shots, classes)
        assert cells.answers.value[cells.single_start[:, 0]] == pytest.approx(shown, abs=1e-6)
        assert not np.array_equal(cells.single_start, cells.single_end)


def test_pair_is_both_changes_at_once() -> None:
    """A pair reads as the two changes combined into one fault."""
    circuit, meter = build_circuit(load_board("six-switch-bridge"), Setup()), load_meter()
    shots = list(plan_shots(circuit, meter, Probing("N", "P"), 0))
    one, other = change_of(circuit, "D_UL", "open", None), change_of(circuit, "Q_VH", "ce-short", 0.3)
    pairs, table, _ = answers_to(circuit, shots, [one, other])
    alone = CellSolver(circuit, shots, ChangeClasses(circuit, [Change(), combine([one, other])]))
    expected = alone.answers.value[alone.single_end[0, 1]]
    assert table.answers.value[pairs[0, 1]] == pytest.approx(expected, abs=1e-9)
