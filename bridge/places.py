"""Where a part belongs: its package, its switch position and its leg."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

from bridge.board import Board, Part

__all__ = ["Place", "place_parts", "shared_position"]

POSITION = re.compile(r"(?P<leg>.*?)(?:[HL]|[1-4])")  # UH, AL, U3; H and L alone are a leg without a name
RECTIFIER_LEG = re.compile(r"D_(?P<leg>L[123]|AC[12])[HL](?:_\d+)?")
BOOTSTRAP = re.compile(r"[CDR]_BS_(?P<position>.+)")  # C_BS_H on a single leg; C_BS_U names the leg
CLAMP_LEG = re.compile(r"D_(?P<leg>.+)C[HL]")
PARALLEL = re.compile(r"_[0-9]+$")  # AH_1 and AH_2 are parallel switches of one position
BRAKE = "BR"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a part belongs; None where it belongs to no position or leg.

    Parameters
    ----------
    package : str
        Name of the package that is replaced as one.
    position : str or None
        Switch position, the same for parallel switches.
    leg : str or None
        Bridge or rectifier leg.
    module : bool
        Whether the package spans more than one position.
    """

    package: str
    position: str | None
    leg: str | None
    module: bool


def shared_position(position: str) -> str:
    """Return the position that parallel switches share: ``AH`` for ``AH_1``; any other is its own.

    Parameters
    ----------
    position : str
        Position of one switch.
    """
    return PARALLEL.sub("", position)


def _position(part: Part) -> str | None:
    return None if part.position is None else shared_position(part.position)


def _leg_of_position(position: str) -> str | None:
    found = POSITION.fullmatch(position)
    return f"leg {found['leg']}" if found and position != BRAKE else None


def _leg_of_name(ref: str, legs: Collection[str]) -> str | None:
    """Leg of a part that has no position: rectifier diodes, three-level clamps, ``R_SH_U``, ``C_BS_V``."""
    rectifier = RECTIFIER_LEG.fullmatch(ref)
    if rectifier:
        return f"rectifier leg {rectifier['leg']}"
    bootstrap = BOOTSTRAP.fullmatch(ref)
    if bootstrap and _leg_of_position(bootstrap["position"]) in legs:
        return _leg_of_position(bootstrap["position"])
    clamp = CLAMP_LEG.fullmatch(ref)
    name = f"leg {clamp['leg'] if clamp else ref.rpartition('_')[2]}"
    return name if name in legs else None


def place_parts(board: Board) -> dict[str, Place]:
    """Return where each part of a board belongs.

    Parameters
    ----------
    board : Board
        The board; packages and positions are its own, legs follow from positions and names.
    """
    positions = {ref: _position(part) for ref, part in board.parts.items()}
    legs = {ref: None if position is None else _leg_of_position(position) for ref, position in positions.items()}
    known_legs = {leg for leg in legs.values() if leg is not None}
    in_package: dict[str, set[str]] = {}
    for ref, part in board.parts.items():
        position = positions[ref]
        in_package.setdefault(part.package, set()).update(() if position is None else (position,))
    return {
        ref: Place(
            package=part.package,
            position=positions[ref],
            leg=legs[ref] if positions[ref] is not None else _leg_of_name(ref, known_legs),
            module=len(in_package[part.package]) > 1,
        )
        for ref, part in board.parts.items()
    }
