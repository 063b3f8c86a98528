"""Spaces, circuits and columns worked out before, kept from one table to the next."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bridge.board import Board
from bridge.circuit import Circuit, build_circuit
from bridge.faultspace import FaultSpace, build_space
from bridge.probing import Probing, Setup
from bridge.readingcolumn import ReadingColumn

__all__ = ["ColumnPlace", "TableMemory"]

ColumnPlace = tuple[Probing, str | None]  # and the range an autorange was seen to settle in


class TableMemory:
    """Spaces and columns worked out before: in a session a reading more costs one column, not all of them again."""

    def __init__(self) -> None:
        self._spaces: dict[tuple[int, object], FaultSpace] = {}
        self._columns: dict[tuple[tuple[int, object], ColumnPlace], ReadingColumn] = {}
        self._boards: dict[object, tuple[Board, Board]] = {}
        self._circuits: dict[tuple[int, object], Circuit] = {}

    def circuit(self, board: Board, setup: Setup, lifted: Sequence[str]) -> Circuit:
        """Return the circuit of a board in a set-up, as :func:`build_circuit` does, the same one each time."""
        key = id(board), (setup, tuple(lifted))
        if key not in self._circuits:
            self._circuits[key] = build_circuit(board, setup, lifted)  # holds the board, and so its id
        return self._circuits[key]

    def other_board(self, board: Board, off: object, make: Callable[[], Board]) -> Board:
        """Return a board that is another one in a known way, the same one as long as it is; ``off`` names the way.

        Only the last one is remembered: what a table of pairs takes is not to be had for every step of a session.
        """
        key = id(board), off
        if key not in self._boards:
            self._forget({id(other) for other, like in self._boards.values() if like is board})
            self._boards = {one: pair for one, pair in self._boards.items() if pair[1] is not board}
            self._boards[key] = make(), board  # the board is held, so that no other takes over its id
        return self._boards[key][0]

    def _forget(self, boards: set[int]) -> None:
        """Drop all that was worked out for boards."""
        self._spaces = {key: space for key, space in self._spaces.items() if key[0] not in boards}
        self._columns = {key: column for key, column in self._columns.items() if key[0][0] not in boards}
        self._circuits = {key: circuit for key, circuit in self._circuits.items() if key[0] not in boards}

    def space(self, board: Board, setup: Setup) -> FaultSpace:
        """Return the hypotheses of a board in a set-up, as :func:`build_space` does."""
        key = id(board), setup
        if key not in self._spaces:
            self._spaces[key] = build_space(board, setup)  # holds the board, so that no other takes over its id
        return self._spaces[key]

    def columns(
        self,
        key: tuple[int, object],
        places: Sequence[ColumnPlace],
        build: Callable[[Sequence[ColumnPlace]], list[ReadingColumn]],
    ) -> list[ReadingColumn]:
        """Return the columns of some places on one circuit, building those not known yet together."""
        missing = [place for place in dict.fromkeys(places) if (key, place) not in self._columns]
        if missing:
            self._columns.update(zip([(key, place) for place in missing], build(missing), strict=True))
        return [self._columns[key, place] for place in places]
