"""How much likelier a second fault is, given a first: neighbours, and what causes one another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.faults import Fault
from bridge.faulttable import Coupling, FaultsOf, fault_table
from bridge.numbering import numbered
from bridge.places import Place, place_parts

__all__ = ["couple_faults"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def _same(names: Sequence[str | None]) -> Mask:
    """Which pairs share a name; None shares with nobody."""
    numbers = {name: number for number, name in enumerate(dict.fromkeys(names))}
    codes = np.array([numbers[name] for name in names], dtype=np.intp)
    named = np.array([name is not None for name in names], dtype=np.bool_)
    same: Mask = (codes[:, np.newaxis] == codes) & named[:, np.newaxis] & named
    return same


def _by_place(places: Sequence[Place], row: Coupling) -> Array:
    """Parts x parts: the greatest factor that applies."""
    same_leg = _same([place.leg for place in places])
    same_position = _same([place.position for place in places])
    same_package = _same([place.package for place in places])
    in_module = same_package & np.array([place.module for place in places], dtype=np.bool_)
    factors = np.full(same_leg.shape, row.elsewhere)
    for factor, applies in (
        (row.module, in_module),
        (row.leg, same_leg),
        (row.module_leg, in_module & same_leg),
        (row.position, same_position),
        (row.package, same_package & (same_position | ~in_module)),  # one device
    ):
        factors[applies] = np.maximum(factors[applies], factor)
    return factors


def _within(places: Sequence[Place]) -> dict[str, Mask]:
    """Parts x parts: where a link reaches."""
    same_leg = _same([place.leg for place in places])
    legless = np.array([place.leg is None for place in places], dtype=np.bool_)
    return {
        "position": _same([place.position for place in places]),
        "leg": same_leg,
        "shared": same_leg | legless[:, np.newaxis] | legless,
        "board": np.ones_like(same_leg),
    }


def _chosen(wanted: FaultsOf, board: Board, faults: Sequence[Fault], groups: Mapping[str, str]) -> Mask:
    """Which faults one end of a link means."""
    return np.array(
        [
            fault.mode in wanted.modes
            and (not wanted.kinds or board.parts[fault.part].kind in wanted.kinds)
            and (not wanted.groups or groups[fault.part] in wanted.groups)
            for fault in faults
        ],
        dtype=np.bool_,
    )


def couple_faults(board: Board, faults: Sequence[Fault], groups: Mapping[str, str]) -> Array:
    """Return how many times likelier each fault is than if it were unrelated, given each other one.

    Parameters
    ----------
    board : Board
        The board.
    faults : sequence of Fault
        The faults.
    groups : mapping
        Group of each part that has faults.

    Returns
    -------
    ndarray, faults x faults
        Symmetric; 0 between faults of one part.
    """
    all_places = place_parts(board)
    refs, part = numbered(fault.part for fault in faults)
    places = [all_places[ref] for ref in refs]
    square = np.ix_(part, part)
    table, within = fault_table(), _within(places)
    coupling: Array = _by_place(places, table.coupling)[square]
    for link in table.link:
        one = _chosen(link.one, board, faults, groups)
        other = _chosen(link.other, board, faults, groups)
        linked = np.outer(one, other) | np.outer(other, one)
        coupling[linked & within[link.within][square]] *= link.factor
    coupling[part[:, np.newaxis] == part] = 0.0
    return coupling
