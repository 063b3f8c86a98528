"""Faults as changes of a batch: merged where they make one circuit, and judged without a solve."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.board import load_board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of
from bridge.instants import build_points
from bridge.meter import load_meter
from bridge.points import ALWAYS_ON, CHANNEL_NORMAL, CHANNEL_OFF
from bridge.probing import Probing, Setup
from bridge.shots import plan_shots
from bridge.variants import ChangeClasses


@pytest.fixture
def bridge() -> Circuit:
    """Return the six-switch bridge's branch table."""
    return build_circuit(load_board("six-switch-bridge"), Setup())


class TestClasses:
    """Changes that make one circuit are one class."""

    def test_healthy_is_class_nought(self, bridge: Circuit) -> None:
        """The empty change, first in the list, is class 0."""
        classes = ChangeClasses(bridge, [Change(), change_of(bridge, "D_UL", "open", None)])
        assert classes.class_of.tolist() == [0, 1]
        assert classes.size == 2

    def test_shorts_between_the_same_nets_are_one_circuit(self, bridge: Circuit) -> None:
        """A shorted switch and its shorted diode lie between the same nets: one class at one resistance."""
        changes = [
            Change(),
            change_of(bridge, "Q_UL", "ce-short", 0.5),
            change_of(bridge, "D_UL", "short", 0.5),
            change_of(bridge, "D_UL", "short", 0.6),
            change_of(bridge, "Q_UH", "ce-short", 0.5),
        ]
        assert ChangeClasses(bridge, changes).class_of.tolist() == [0, 1, 1, 2, 3]

    def test_tags_keep_apart(self, bridge: Circuit) -> None:
        """Equal circuits that stand for different spreads stay apart."""
        changes = [Change(), change_of(bridge, "Q_UL", "ce-short", 0.5), change_of(bridge, "D_UL", "short", 0.5)]
        assert ChangeClasses(bridge, changes, [0.0, 1.0, 2.0]).size == 3
        assert ChangeClasses(bridge, changes, [0.0, 1.0, 1.0]).size == 2

    def test_nothing_changed_is_healthy(self, bridge: Circuit) -> None:
        """A resistor said to be high by nothing, and a relay stuck as it is, are the healthy board."""
        as_it_is = change_of(bridge, "R_VCC", "high", bridge.parts["R_VCC"].values["ohms"])
        assert ChangeClasses(bridge, [Change(), as_it_is]).class_of.tolist() == [0, 0]
        drive = build_circuit(load_board("motor-drive"), Setup())
        at_rest = change_of(drive, "K_PRE", "stuck-open", None)
        assert ChangeClasses(drive, [Change(), at_rest]).class_of.tolist() == [0, 0]

    def test_restrict(self, bridge: Circuit) -> None:
        """Some of the classes, renumbered, do what they did."""
        changes = [change_of(bridge, *fault) for fault in (("D_UL", "open", None), ("Q_UH", "ce-short", 0.5))]
        classes = ChangeClasses(bridge, [Change(), *changes])
        some = classes.restrict(np.array([2, 1]))
        assert some.size == 2
        assert some.changes == (classes.changes[2], classes.changes[1])


class TestApply:
    """What a class does to the columns of a batch."""

    @staticmethod
    def batch(circuit: Circuit, *applied: list[int], changes: list[Change]) -> tuple[object, np.ndarray]:
        """Return points with the given classes applied, one array per fault."""
        shots = plan_shots(circuit, load_meter(), Probing("N", "P"), 0)
        classes = ChangeClasses(circuit, [Change(), *changes])
        which = np.zeros(len(applied[0]), dtype=np.intp)
        return build_points(circuit, shots, which, classes, *(np.array(one) for one in applied))

    def test_columns_get_their_own(self, bridge: Circuit) -> None:
        """Each column gets its own class: a short in the second, an open diode in the third, nothing in the first."""
        changes = [change_of(bridge, "Q_UL", "ce-short", 0.5), change_of(bridge, "D_UL", "open", None)]
        points, _ = self.batch(bridge, [0, 1, 2], changes=changes)
        assert points.siemens[bridge.linear_rows[("Q_UL", "ce")]].tolist() == [0.0, 2.0, 0.0]
        row = bridge.junction_rows[("D_UL", "junction")]
        healthy = bridge.junction_saturation[row]
        assert points.saturation[row].tolist() == [healthy, healthy, 0.0]
        # whatever was not named is as on the healthy board
        others = np.arange(len(bridge.junction_saturation)) != row
        assert np.all(points.saturation[others] == bridge.junction_saturation[others][:, None])

    def test_two_faults_of_a_column(self, bridge: Circuit) -> None:
        """Two faults of a column are both there, in either order."""
        changes = [change_of(bridge, "RG_UL", "high", 1e3), change_of(bridge, "R_VCC", "open", None)]
        points, _ = self.batch(bridge, [1, 2], [2, 1], changes=changes)
        assert points.siemens[bridge.linear_rows[("RG_UL", "main")]] == pytest.approx([1e-3, 1e-3], rel=1e-12)
        assert points.siemens[bridge.linear_rows[("R_VCC", "main")]] == pytest.approx([0.0, 0.0], abs=1e-15)

    def test_channels(self, bridge: Circuit) -> None:
        """Channels are normal, off or always on."""
        changes = [change_of(bridge, "Q_UL", mode, None) for mode in ("never-on", "always-on")]
        points, _ = self.batch(bridge, [0, 1, 2], changes=changes)
        assert points.channel[bridge.channel_rows["Q_UL"]].tolist() == [CHANNEL_NORMAL, CHANNEL_OFF, ALWAYS_ON]

    def test_capacitors(self, bridge: Circuit) -> None:
        """A low capacitor keeps 5 % of its farads, an open one none."""
        changes = [change_of(bridge, "C_BUS", mode, None) for mode in ("low", "open")]
        _, factors = self.batch(bridge, [0, 1, 2], changes=changes)
        assert factors[bridge.capacitor_index["C_BUS"]].tolist() == [1.0, 0.05, 0.0]
