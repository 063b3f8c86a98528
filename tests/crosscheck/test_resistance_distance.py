"""Boards of resistors alone against the resistance distance of a graph, which networkx has from a pseudo-inverse."""

from __future__ import annotations

import math

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.forecast import forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from tests.physics.benchboards import make_board, resistor

Edge = tuple[str, str, float]


@st.composite
def networks(draw: st.DrawFn) -> tuple[tuple[str, ...], list[Edge]]:
    """Return nets and resistors: a tree that joins all nets, and any more between them, parallel ones included."""
    nets = tuple("ABCDEFGH"[: draw(st.integers(2, 8))])
    ohms = st.floats(0.0, 4.0).map(lambda exponent: float(f"{10.0 + 10.0**exponent:.6g}"))
    edges = [(net, draw(st.sampled_from(nets[:number])), draw(ohms)) for number, net in enumerate(nets) if number]
    for _ in range(draw(st.integers(0, 8))):
        first, second = draw(st.permutations(nets))[:2]
        edges.append((first, second, draw(ohms)))
    return nets, edges


def shown_ohms(nets: tuple[str, ...], edges: list[Edge], red: str, black: str) -> float:
    """Return the resistance the hand-held meter shows between two nets, infinity for OL."""
    parts = [resistor(f"R_{number}", first, second, ohms) for number, (first, second, ohms) in enumerate(edges)]
    board = make_board(" ".join(nets), *parts)
    (found,) = forecast(board, load_meter(), Setup(dwell_s=0.0), [Probing(red, black, "ohms")])
    assert found.state is not None, found.error
    return math.inf if found.end is None else found.end


@settings(max_examples=60)
@given(network=networks(), data=st.data())
def test_ohms_are_the_resistance_distance(network: tuple[tuple[str, ...], list[Edge]], data: st.DataObject) -> None:
    """Any two nets of a resistor network read their resistance distance and the leads' 0.2 ohm, the same both ways."""
    nets, edges = network
    red, black = data.draw(st.permutations(nets))[:2]
    graph = nx.MultiGraph()
    graph.add_weighted_edges_from(edges)
    distance = nx.resistance_distance(graph, red, black, weight="weight", invert_weight=True)
    expected = distance + load_meter().lead_ohms
    assert shown_ohms(nets, edges, red, black) == pytest.approx(expected, rel=1e-5)
    assert shown_ohms(nets, edges, black, red) == pytest.approx(expected, rel=1e-5)


@settings(max_examples=20)
@given(network=networks())
def test_more_resistors_never_read_more(network: tuple[tuple[str, ...], list[Edge]]) -> None:
    """One resistor more between any two nets lowers every reading or leaves it (Rayleigh's monotonicity law)."""
    nets, edges = network
    red, black = nets[0], nets[-1]
    before = shown_ohms(nets, edges, red, black)
    after = shown_ohms(nets, [*edges, (nets[0], nets[len(nets) // 2 or 1], 47.0)], red, black)
    assert after <= before * (1.0 + 1e-9)


@given(network=networks())
@settings(max_examples=15)
def test_separate_networks_read_open(network: tuple[tuple[str, ...], list[Edge]]) -> None:
    """Between two networks that nothing joins the display says OL."""
    nets, edges = network
    twins = tuple(f"{net}2" for net in nets)
    doubled = [*edges, *((f"{first}2", f"{second}2", ohms) for first, second, ohms in edges)]
    assert shown_ohms((*nets, *twins), doubled, nets[0], twins[-1]) == math.inf


@pytest.mark.parametrize(
    ("edges", "ohms"),
    [
        # series: 100 + 220
        ([("A", "X", 100.0), ("X", "B", 220.0)], 320.0),
        # parallel: 1/(1/100 + 1/150)
        ([("A", "B", 100.0), ("A", "B", 150.0)], 60.0),
        # a balanced bridge: nothing through its middle, (100 + 100) beside (100 + 100)
        ([("A", "X", 100.0), ("X", "B", 100.0), ("A", "Y", 100.0), ("Y", "B", 100.0), ("X", "Y", 33.0)], 100.0),
        # a complete graph of four nets, 100 ohm each: 2/4 of one
        ([(a, b, 100.0) for a, b in ("AB", "AX", "AY", "BX", "BY", "XY")], 50.0),
    ],
)
def test_known_networks(edges: list[Edge], ohms: float) -> None:
    """Networks that anyone can work out read what one works out, and 0.2 ohm of leads."""
    nets = tuple(sorted({net for first, second, _ in edges for net in (first, second)}))
    assert shown_ohms(nets, edges, "A", "B") == pytest.approx(ohms + 0.2, rel=1e-7)
