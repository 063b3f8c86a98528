"""Adding many rows of products to the rows of a table where several products may share a target."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["RowSum"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class RowSum:
    """A pattern of targets, worked out once: whole blocks of rows are added, not one row after the other.

    Parameters
    ----------
    targets : sequence of int
        Row of the table that each product belongs to.

    Attributes
    ----------
    order : ndarray of int, products
        Order in which :meth:`add` takes the products.
    """

    def __init__(self, targets: Sequence[int]) -> None:
        rows_of: dict[int, list[int]] = {}
        for row, target in enumerate(targets):
            rows_of.setdefault(target, []).append(row)
        order: list[int] = []
        by_count = sorted(rows_of, key=lambda target: (len(rows_of[target]), target))
        self._targets: Index = np.array(by_count, dtype=np.intp)
        self._blocks: list[tuple[int, int]] = []
        for many in sorted({len(rows) for rows in rows_of.values()}):
            same = [rows_of[target] for target in by_count if len(rows_of[target]) == many]
            self._blocks.append((many, len(same)))
            order += [rows[turn] for turn in range(many) for rows in same]
        self.order: Index = np.array(order, dtype=np.intp)

    def add(self, table: Array, products: Array) -> None:
        """Add products to a table in place.

        Parameters
        ----------
        table : ndarray, rows x batch
            The table.
        products : ndarray, products x batch
            What to add, in the order of ``order``; overwritten.
        """
        if not len(self._targets):
            return
        width = table.shape[1]
        if len(self._blocks) != 1 or self._blocks[0][0] != 1:
            sums = np.empty((len(self._targets), width))
            first = row = 0
            for many, targets in self._blocks:
                block = products[first : first + many * targets].reshape(many, targets, width)
                np.add.reduce(block, axis=0, out=sums[row : row + targets])
                first, row = first + many * targets, row + targets
            products = sums
        products += table.take(self._targets, axis=0)
        table[self._targets] = products
