"""Forecasts: what display, which range, which word for what it does; and the plain solver's numbers in them."""

from __future__ import annotations

import math
import random

import pytest

from bridge import newton
from bridge.board import Board, list_boards, load_board
from bridge.circuit import build_circuit
from bridge.damage import change_of, combine
from bridge.errors import InputError
from bridge.faults import Fault, list_faults, median_ohms, parse_fault
from bridge.forecast import default_probings, forecast, forecast_changes, forecast_each, state_of
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.separate import reachable_probings
from bridge.shots import plan_shots
from tests.physics.benchboards import bare_bridge, capacitor, diode, make_board, number, read, resistor
from tests.plain.solver import plain_solve

AT_ONCE = Setup(dwell_s=0.0)
OPEN = math.inf


def plain_displays(
    board: Board, meter: MeterProfile, probing: Probing, faults: list[tuple[Fault, float | None]]
) -> tuple[float, float, float]:
    """Return the first and the last display by the plain solver, autorange included, and ohms per volt of its range."""
    circuit = build_circuit(board, AT_ONCE, probing.lift)
    change = combine([change_of(circuit, fault.part, fault.mode, ohms) for fault, ohms in faults])
    for shot in plan_shots(circuit, meter, probing, 0):
        # the range is chosen by what is shown after the dwell, which is nothing here
        start = plain_solve(circuit, shot, change, at_start=True)
        if math.isfinite(start.display):
            break
    end = plain_solve(circuit, shot, change, at_start=False)
    per_volt = 1.0 if shot.unit == "V" else 1.0 / (shot.amps or max(abs(end.amps), 1e-12))
    return start.display, end.display, per_volt


@pytest.mark.parametrize("name", list_boards())
def test_equals_the_plain_solver(name: str) -> None:
    """A board with faults reads as the plain solver says, first instant and end, autorange and held gates included."""
    board, rng = load_board(name), random.Random(f"forecast {name}")
    meter = load_meter(rng.choice(("handheld", "pocket")))
    probings = rng.sample(reachable_probings(board), 6)
    faults = list_faults(board, list(build_circuit(board, AT_ONCE).parts))
    for count in (0, 1, 2):
        chosen = rng.sample(faults, count)
        if len({board.parts[fault.part].position for fault in chosen}) < count:
            chosen = chosen[:1]  # one device's faults may hide each other
        broken = [(fault, median_ohms(board.parts[fault.part], fault.mode)) for fault in chosen]
        for found in forecast(board, meter, AT_ONCE, probings, broken):
            start, end, per_volt = plain_displays(board, meter, found.probing, broken)
            for shown, expected in ((found.start, start), (found.end, end)):
                allowed = max(1e-5 * per_volt, 1e-5 * abs(expected))
                assert number(shown) == expected or abs(number(shown) - expected) <= allowed, (found, expected)


class TestStates:
    """The word for what a display does."""

    @pytest.mark.parametrize(
        ("start", "value", "end", "state"),
        [
            (0.42, 0.42, 0.42, "steady"),
            (0.42, 0.4205, 0.421, "steady"),
            (0.42, 0.9, 1.6, "climbing"),
            (0.42, 1.9, OPEN, "climbing"),
            (-0.5, 0.1, 0.84, "climbing"),
            (1.5, 0.9, 0.4, "falling"),
            (OPEN, 0.9, 0.9, "falling"),
            (0.42, OPEN, OPEN, "OL"),
            (OPEN, OPEN, OPEN, "OL"),
            (OPEN, OPEN, 0.5, "OL"),
        ],
    )
    def test_names(self, start: float, value: float, end: float, state: str) -> None:
        """Two digits decide between steady and moving, and a display at OL after the dwell is OL."""
        assert state_of(start, value, end, 1e-3) == state

    def test_on_a_board(self) -> None:
        """Plus to minus of a bus climbs and ends at OL, a diode is steady at once."""
        board = make_board("P N U", bare_bridge("U"), capacitor("C_BUS", "P", "N", 1e-3))
        assert read(board, "P", "N", setup=Setup(dwell_s=0.5)).state == "climbing"
        assert read(board, "N", "U").state == "steady"
        assert read(board, "P", "N", setup=Setup(dwell_s=10.0)).state == "OL"

    def test_falling(self) -> None:
        """A bus left at 1.5 V reads too much at first where the meter is on its plus, and falls to its load."""
        board = make_board("P N", capacitor("C_BUS", "P", "N", 1e-3, 1.0), resistor("R_1", "P", "N", 500.0))
        found = read(board, "P", "N", setup=Setup(bus_volts=1.5, dwell_s=0.3))
        assert found.state == "falling"
        # 0.5 V + 1 V exp(-0.3 s / 0.5 s)
        assert found.value == pytest.approx(0.5 + math.exp(-0.6), abs=2e-3)
        assert (number(found.start), number(found.end)) == pytest.approx((1.5, 0.5), abs=1e-3)


class TestRanges:
    """Which ohms range answers."""

    BOARD = make_board("A K", resistor("R_1", "A", "K", 4700.0))

    def test_autorange_takes_the_lowest_that_shows_it(self) -> None:
        """4.7 kohm overflow 200 ohm and 2 kohm and show in 20 kohm: R + leads."""
        assert read(self.BOARD, "A", "K", "ohms").value == pytest.approx(4700.2, rel=1e-6)
        assert read(self.BOARD, "A", "K", "ohms:2k").value is None
        assert read(self.BOARD, "A", "K", "ohms:20k").value == pytest.approx(4700.2, rel=1e-6)

    def test_no_range_shows_it(self) -> None:
        """Nothing between the leads is OL in every range, and the forecast says that nothing joins them."""
        board = make_board("A K B", resistor("R_1", "A", "K", 1e3), resistor("R_2", "B", "C", 1e3))
        found = read(board, "A", "B", "ohms")
        assert (found.value, found.state, found.unit) == (None, "OL", "ohm")
        assert found.error == "nothing joins these leads"

    def test_ranges_disagree_across_a_junction(self) -> None:
        """Across a diode ohms depend on the current: s ln(1 + I/Is)/I at 10 uA and 1 uA."""
        board = make_board("A K", diode("D_1", "A", "K", 0.30, 1.8))
        scale, saturation = 1.8 * 0.025692579, 1e-3 * math.exp(-0.30 / (1.8 * 0.025692579))
        for name, amps in (("20k", 1e-5), ("200k", 1e-6)):
            by_hand = scale * math.log1p(amps / saturation) / amps
            # 1e-3 of Is is the exp - 1 left out at 1 mA
            assert read(board, "A", "K", f"ohms:{name}").value == pytest.approx(by_hand, rel=2e-3)

    def test_continuity_uses_the_lowest_range(self) -> None:
        """Continuity shows ohms up to the lowest range and OL beyond."""
        board = make_board("A K B", resistor("R_1", "A", "K", 12.0), resistor("R_2", "K", "B", 4700.0))
        assert read(board, "A", "K", "continuity").value == pytest.approx(12.2, rel=1e-4)
        assert read(board, "K", "B", "continuity").value is None

    def test_volts(self) -> None:
        """Volts mode reads what is left on the bus, with the sign of the leads."""
        board = make_board("P N", capacitor("C_BUS", "P", "N", 1e-3, 1.0), resistor("R_1", "P", "N", 1e6))
        setup = Setup(bus_volts=24.0, dwell_s=0.0)
        assert read(board, "P", "N", "volts", setup=setup).start == pytest.approx(24.0, rel=1e-6)
        assert read(board, "N", "P", "volts", setup=setup).start == pytest.approx(-24.0, rel=1e-6)


class TestRequests:
    """What can be asked, and in what order it is answered."""

    def test_default_probings(self) -> None:
        """By default all ordered pairs of main terminals in diode mode, then each gate lead to its emitter in ohms."""
        found = default_probings(load_board("six-switch-bridge"))
        assert len(found) == 5 * 4 + 6
        assert len(set(found)) == len(found)
        assert [one.mode for one in found] == ["diode"] * 20 + ["ohms"] * 6
        assert (found[0], found[20]) == (Probing("P", "N"), Probing("G_UH", "E_UH", "ohms"))

    def test_order_with_lifted_pins(self) -> None:
        """Answers come in the order of the questions, lifted and unlifted mixed, each with its own circuit."""
        board = load_board("six-switch-bridge")
        lifted = Probing("N", "U", lift=("D_UL.anode",))
        probings = [Probing("N", "U"), lifted, Probing("N", "V"), lifted]
        found = forecast(board, load_meter(), AT_ONCE, probings)
        assert [one.probing for one in found] == probings
        assert found[0].end == found[2].end
        assert found[1].end is None
        assert found[3] == found[1]

    def test_severity_of_its_own(self) -> None:
        """A fault without ohms takes the median of the severity table, one with ohms those."""
        board = load_board("six-switch-bridge")
        fault = Fault("Q_UL", "ce-short")
        median = median_ohms(board.parts["Q_UL"], "ce-short")
        for stated, ohms in ((None, median), (20.0, 20.0)):
            (found,) = forecast(board, load_meter(), AT_ONCE, [Probing("U", "N", "ohms", "200")], [(fault, stated)])
            assert found.end == pytest.approx(ohms + 0.2, rel=1e-3)

    def test_absent_part(self) -> None:
        """A fault of a part that is not connected is refused, naming the part."""
        board = load_board("motor-drive")
        absent = next(part.ref for part in board.parts.values() if part.when == "motor")
        fault = next(Fault(absent, mode) for mode in board.parts[absent].modes or ("open",))
        with pytest.raises(InputError, match=absent):
            forecast(board, load_meter(), Setup(), [Probing("P", "N")], [(fault, None)])

    @pytest.mark.parametrize(
        "probing", [Probing("P", "X"), Probing("P", "N", "ohms", "7k"), Probing("P", "N", lift=("Q_UL.base",))]
    )
    def test_unknown_places(self, probing: Probing) -> None:
        """A lead, range or lifted pin that is not there is refused."""
        with pytest.raises(InputError):
            forecast(load_board("six-switch-bridge"), load_meter(), Setup(), [probing])

    def test_not_converged(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A solve that does not converge gives no number and says so."""
        monkeypatch.setattr(newton, "MAX_ITERATIONS", 1)
        (found,) = forecast(load_board("six-switch-bridge"), load_meter(), AT_ONCE, [Probing("N", "P")])
        assert (found.value, found.start, found.end, found.state) == (None, None, None, None)
        assert found.error == "the solve did not converge"

    def test_many_boards_at_once(self) -> None:
        """Forecasts of several damaged boards together are those of each alone."""
        board, meter, setup = load_board("six-switch-bridge"), load_meter(), Setup(dwell_s=0.2)
        probings = [Probing("N", "P"), Probing("P", "U"), Probing("G_UL", "E_UL", "ohms")]
        broken = [
            [parse_fault(text, board) for text in texts]
            for texts in ((), ("Q_UL:ce-short:0.4",), ("Q_UH:burst", "D_UL:short"), ("R_BLEED:open",))
        ]
        together = forecast_each(board, meter, setup, probings, broken)
        assert {one.state for row in together for one in row} >= {"steady", "climbing"}
        for row, faults in zip(together, broken, strict=True):
            for found, expected in zip(row, forecast(board, meter, setup, probings, faults), strict=True):
                assert (found.state, found.unit) == (expected.state, expected.unit)
                for name in ("start", "value", "end"):
                    assert number(getattr(found, name)) == pytest.approx(number(getattr(expected, name)), rel=1e-4)

    def test_forecast_changes_are_rows(self) -> None:
        """Changes on a circuit give one row each, a column for each probing."""
        board = load_board("drive-module")
        circuit = build_circuit(board, AT_ONCE)
        changes = [change_of(circuit, "Q_UL", "ce-short", 0.5), change_of(circuit, "D_UL", "open", None)]
        probings = [Probing("U", "NU"), Probing("NU", "U")]
        shorted, opened = forecast_changes(circuit, load_meter(), probings, changes)
        assert [number(one.end) for one in shorted] == pytest.approx([0.0007, 0.0007], abs=1e-5)
        assert [one.end for one in opened] == [None, None]


def test_what_climbs_out_of_a_range_ends_in_a_higher_one() -> None:
    """Where the display is on its way says nothing of where it ends: that is the same after any dwell."""
    board = load_board("half-bridge-cooktop")
    faults = [parse_fault(text, board) for text in ("Q_L:ce-short", "F_1:open")]
    place = [Probing("P", "MID", "ohms")]
    (early,), (late,) = (forecast(board, load_meter(), Setup(dwell_s=dwell), place, faults) for dwell in (3.0, 60.0))
    assert early.state == "climbing"
    assert late.state == "steady"
    assert early.end == late.end
    assert late.value == pytest.approx(late.end, rel=0.01)
