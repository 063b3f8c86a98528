"""What holds of every network, whatever its values: theorems of circuits, and symmetry of bridges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bridge.board import Board, load_board
from bridge.circuit import build_circuit
from bridge.damage import Change
from bridge.faults import parse_fault
from bridge.forecast import default_probings, forecast
from bridge.instants import build_points
from bridge.meter import load_meter, parse_meter
from bridge.probing import Probing, Setup
from bridge.response import solve_response
from bridge.shots import plan_shots
from bridge.variants import ChangeClasses
from tests.physics.benchboards import capacitor, diode, make_board, number, resistor, settled

AT_ONCE = Setup(dwell_s=0.0)
VT = 0.025692579  # kT/q at 25 degrees Celsius [V]

# one range for anything: 3 V behind 1 kohm, read as a resistance; and a current source that never runs out of range
METER = parse_meter(
    """
    name = "wide"
    counts = 1000000
    lead_ohms = 0.0
    beep_ohms = 30.0
    diode = { source = "current", amps = 1e-3, open_volts = 3.0, limit_volts = 2.9 }
    ohms = [{ name = "all", full_scale = 1e11, source = "resistor", ohms = 1e3, open_volts = 3.0 }]
    accuracy = { diode = [1.0, 1], ohms = [1.0, 1] }
    """,
    "wide meter",
)
ALL = "ohms:all"
READS_TO = (
    1e-6  # of the resistance: 1e-9 of the test current is left unbalanced, over up to 1000 times the source's own
)


@st.composite
def networks(draw: st.DrawFn) -> tuple[int, list[tuple[int, int, float]]]:
    """Return nodes and resistors of a connected network, 10 ohm to 100 kohm."""
    nodes = draw(st.integers(2, 6))
    ohms = st.floats(1.0, 5.0).map(lambda decade: round(10.0**decade, 1))
    edges = [(draw(st.integers(0, node - 1)), node, draw(ohms)) for node in range(1, nodes)]
    for _ in range(draw(st.integers(0, 4))):
        a, b = draw(st.integers(0, nodes - 1)), draw(st.integers(0, nodes - 1))
        if a != b:
            edges.append((a, b, draw(ohms)))
    return nodes, edges


def board_of(nodes: int, edges: list[tuple[int, int, float]]) -> Board:
    """Return a network as a board, a terminal on each node."""
    parts = [resistor(f"R_{index}", f"N{a}", f"N{b}", ohms) for index, (a, b, ohms) in enumerate(edges)]
    return make_board(" ".join(f"N{node}" for node in range(nodes)), *parts)


def between(board: Board, a: int, b: int, *faults: str) -> float:
    """Return the resistance between two nodes as displayed."""
    return settled(board, f"N{a}", f"N{b}", ALL, faults=faults, meter=METER)


class TestResistors:
    """Boards of resistors alone."""

    @settings(max_examples=40)
    @given(networks(), st.data())
    def test_exact_resistance(self, network: tuple[int, list[tuple[int, int, float]]], data: st.DataObject) -> None:
        """A reading is the resistance between the leads that a conductance matrix gives, however they are swapped."""
        nodes, edges = network
        a = data.draw(st.integers(0, nodes - 1))
        b = data.draw(st.integers(0, nodes - 1).filter(lambda node: node != a))
        matrix = np.zeros((nodes, nodes))
        for one, other, ohms in edges:
            matrix[[one, other], [one, other]] += 1.0 / ohms
            matrix[[one, other], [other, one]] -= 1.0 / ohms
        inverse = np.linalg.pinv(matrix)
        expected = inverse[a, a] + inverse[b, b] - 2.0 * inverse[a, b]
        board = board_of(nodes, edges)
        assert between(board, a, b) == pytest.approx(expected, rel=READS_TO)
        assert between(board, b, a) == pytest.approx(expected, rel=READS_TO)

    @settings(max_examples=40)
    @given(networks(), st.data())
    def test_opening_never_lowers(self, network: tuple[int, list[tuple[int, int, float]]], data: st.DataObject) -> None:
        """An open resistor never lowers a reading, a shorted one never raises it (Rayleigh's monotonicity law)."""
        nodes, edges = network
        board = board_of(nodes, edges)
        broken = data.draw(st.integers(0, len(edges) - 1))
        a = data.draw(st.integers(0, nodes - 1))
        b = data.draw(st.integers(0, nodes - 1).filter(lambda node: node != a))
        whole = between(board, a, b)
        assert between(board, a, b, f"R_{broken}:open") >= whole * (1.0 - READS_TO)
        assert between(board, a, b, f"R_{broken}:short:0.5") <= whole * (1.0 + READS_TO)

    @settings(max_examples=30)
    @given(networks())
    def test_reciprocity(self, network: tuple[int, list[tuple[int, int, float]]]) -> None:
        """A current into node a moves node b as the same current into b moves a."""
        nodes, edges = network
        assume(nodes >= 3)
        board = board_of(nodes, edges)
        circuit = build_circuit(board, AT_ONCE)
        probings = [Probing(f"N{node}", "N0") for node in range(1, nodes)]
        shots = [shot for place, one in enumerate(probings) for shot in plan_shots(circuit, METER, one, place)]
        which, healthy = np.arange(len(shots)), np.zeros(len(shots), dtype=np.intp)
        points, _ = build_points(circuit, shots, which, ChangeClasses(circuit, [Change()]), healthy)
        # a source without a conductance of its own: what is asked for is the network's
        passive = solve_response(circuit, points, np.zeros((circuit.node_count, points.size))).transfer
        places = [circuit.node(probing.red) for probing in probings]
        transfer = passive[places]
        assert transfer == pytest.approx(transfer.T, rel=1e-5)

    @settings(max_examples=30)
    @given(
        st.floats(1.0, 4.0).map(lambda decade: 10.0**decade),
        st.floats(1.0, 4.0).map(lambda decade: 10.0**decade),
        st.floats(0.1, 10.0),
        st.floats(1.0, 6.0).map(lambda decade: 10.0**decade),
    )
    def test_a_part_without_current_may_be_missing(
        self, upper: float, lower: float, ratio: float, across: float
    ) -> None:
        """In a balanced bridge the resistor across carries nothing: open, shorted or whole, the reading stays."""
        edges = [(0, 1, upper), (1, 3, lower), (0, 2, ratio * upper), (2, 3, ratio * lower), (1, 2, across)]
        board = board_of(4, edges)
        whole = between(board, 0, 3)
        for fault in ("R_4:open", "R_4:short:0.1", "R_4:high:1M"):
            assert between(board, 0, 3, fault) == pytest.approx(whole, rel=READS_TO)

    @settings(max_examples=25)
    @given(networks(), st.floats(10.0, 1e5), st.data())
    def test_a_dead_end_does_nothing(
        self, network: tuple[int, list[tuple[int, int, float]]], ohms: float, data: st.DataObject
    ) -> None:
        """A resistor that hangs on one node changes no reading between others."""
        nodes, edges = network
        at = data.draw(st.integers(0, nodes - 1))
        board, longer = board_of(nodes, edges), board_of(nodes + 1, [*edges, (at, nodes, ohms)])
        assert between(longer, 0, nodes - 1) == pytest.approx(between(board, 0, nodes - 1), rel=READS_TO)


class TestJunctions:
    """Diodes of any kind."""

    @settings(max_examples=25)
    @given(st.integers(2, 9), st.floats(0.3, 2.0), st.floats(1.0, 2.5))
    def test_area(self, count: int, drop: float, ideality: float) -> None:
        """n equal diodes in parallel drop n_i kT/q ln n less than one, in diode mode, up to their series resistance.

        Left out by hand: 30 uV of series resistance, and Is beside the current of each.
        """
        parts = [diode(f"D_{k}", "A", "K", drop, ideality) for k in range(count)]
        one = settled(make_board("A K", parts[0]), "A", "K", meter=METER)
        all_of_them = settled(make_board("A K", *parts), "A", "K", meter=METER)
        scale = ideality * VT
        saturation_share = math.exp(-drop / scale) * count
        assert one - all_of_them == pytest.approx(scale * math.log(count), abs=3.5e-5 + 2.0 * scale * saturation_share)

    @settings(max_examples=25)
    @given(st.lists(st.floats(0.2, 0.6), min_size=1, max_size=4))
    def test_drops_add(self, drops: list[float]) -> None:
        """Drops in series add."""
        parts = [diode(f"D_{k}", f"N{k}", f"N{k + 1}", drop, 1.8) for k, drop in enumerate(drops)]
        board = make_board(f"N0 N{len(drops)}", *parts)
        assert settled(board, "N0", f"N{len(drops)}", meter=METER) == pytest.approx(sum(drops), abs=2e-6 * len(drops))

    @settings(max_examples=25)
    @given(st.floats(0.3, 0.6), st.floats(1.0, 6.0).map(lambda decade: 10.0**decade))
    def test_something_beside_never_raises(self, drop: float, ohms: float) -> None:
        """A resistor beside a diode never raises its reading, nor takes it below what the resistor alone would read."""
        alone = settled(make_board("A K", diode("D_1", "A", "K", drop, 1.8)), "A", "K", meter=METER)
        beside = settled(
            make_board("A K", diode("D_1", "A", "K", drop, 1.8), resistor("R_1", "A", "K", ohms)), "A", "K", meter=METER
        )
        assert beside <= alone + 1e-6
        assert beside <= 1e-3 * ohms + 1e-6

    @settings(max_examples=20)
    @given(st.floats(1e-6, 1e-3), st.floats(0.3, 0.6))
    def test_a_capacitor_across_changes_no_end(self, farads: float, drop: float) -> None:
        """A capacitor across the leads changes the first instant and not the end."""
        bare = make_board("A K", diode("D_1", "A", "K", drop, 1.8))
        with_it = make_board("A K", diode("D_1", "A", "K", drop, 1.8), capacitor("C_1", "A", "K", farads))
        assert settled(with_it, "A", "K", meter=METER) == pytest.approx(settled(bare, "A", "K", meter=METER), abs=1e-6)
        (found,) = forecast(with_it, METER, AT_ONCE, [Probing("A", "K")])
        # 1 mA through 10 milliohm
        assert found.start == pytest.approx(1e-5, rel=1e-3)


def exchanged(name: str) -> str:
    """Return a name with the phases U and V exchanged."""
    return "".join({"U": "V", "V": "U"}.get(letter, letter) for letter in name)


class TestPhases:
    """A six-switch bridge does not know the names of its phases."""

    FAULTS = (
        "Q_UL:ce-short:0.4",
        "Q_UH:all-short:0.4",
        "D_UL:open",
        "D_UH:leak:700",
        "RG_UL:open",
        "Q_UH:gc-short:2",
        "DRV_UL:low-short:5",
        "RGE_UH:high:40k",
        "C_BS_U:short:0.5",
        "Q_UL:always-on",
    )

    @pytest.mark.parametrize("name", ["six-switch-bridge", "six-switch-sic"])
    @settings(max_examples=7)
    @given(faults=st.lists(st.sampled_from(FAULTS), min_size=0, max_size=2, unique_by=lambda text: text.split(":")[0]))
    def test_exchanging_two_phases_exchanges_their_readings(self, name: str, faults: list[str]) -> None:
        """With U and V exchanged in the fault and under the leads every reading is the same.

        No leg of the shipped board differs from the others, except in VCC, that all low sides share.
        """
        board, meter = load_board(name), load_meter()
        probings = default_probings(board)
        images = [Probing(exchanged(one.red), exchanged(one.black), one.mode) for one in probings]
        one, other = (
            forecast(board, meter, AT_ONCE, places, [parse_fault(text, board) for text in broken])
            for places, broken in ((probings, faults), (images, [text.replace("_U", "_V", 1) for text in faults]))
        )
        for here, there in zip(one, other, strict=True):
            assert here.state == there.state
            for moment in ("start", "end"):
                shown, image = number(getattr(here, moment)), number(getattr(there, moment))
                assert shown == pytest.approx(image, rel=1e-5, abs=2e-6)
