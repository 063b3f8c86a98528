"""How probable each fault hypothesis is before the first reading."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from bridge.board import Board
from bridge.coupling import couple_faults
from bridge.faults import Fault, Hypothesis
from bridge.faulttable import FaultTable, WeightRow, fault_table
from bridge.numbering import numbered
from bridge.patterns import SMALLEST_SET, Strike, list_strikes
from bridge.seen import Seen, chances_of

__all__ = ["PatternSet", "Priors"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Kind = TypeVar("Kind")

SLAB = 4096  # sets worked on together: 512 subsets of nine faults for each of them


@dataclass(frozen=True, slots=True)
class PatternSet:
    """One concrete set of three or more faults that a damage pattern leaves on a board.

    Parameters
    ----------
    name : str
        The pattern (``blown leg``); the likeliest one where several leave this set.
    faults : tuple of Fault
        The faults, sorted.
    log_prior : float
        ln of the probability of exactly these faults.
    """

    name: str
    faults: Hypothesis
    log_prior: float


@dataclass(frozen=True, eq=False)
class Priors:
    """Prior probabilities of the healthy board, every single fault, every pair and every larger set.

    Of two faults, each counts with its bench weight, and both with their coupling. In larger sets the first fault
    strikes by bench weight, each further one by bench weight times its mean coupling to those already there, and
    the order in which they came does not matter; most of them follow damage patterns instead. The masses of the
    healthy board, the singles, the pairs, the patterns and the other larger sets sum to 1.

    Parameters
    ----------
    board : Board
        The board.
    faults : tuple of Fault
        Every single fault; all indices count in this order.
    log_healthy : float
        ln of the probability that the board is healthy.
    log_single : ndarray, faults
        ln of the probability of exactly that one fault.
    log_pair_mass, log_pattern_mass, log_spread_mass : float
        ln of the probability of exactly two faults, of more along a pattern, and of more without.
    """

    board: Board
    faults: tuple[Fault, ...]
    log_healthy: float
    log_single: Array
    log_pair_mass: float
    log_pattern_mass: float
    log_spread_mass: float
    _part: Index  # part number of each fault
    _first: Array  # probability that a fault is the first
    _coupling: Array  # faults x faults, 0 within a part
    _reach: Array  # weight of all that each fault is coupled to
    _reach_of_part: Array  # faults x parts, what each part adds to it
    _log_size: Array  # ln of the probability of 3, 4, … faults, given damage that spread
    _strikes: tuple[Strike, ...]
    # symptoms x faults: ln of the chance that a fault does not bring a symptom about; and whether nothing else does
    _log_missing: Array = dataclasses.field(default_factory=lambda: np.zeros((0, 0)))
    _log_untold: Array = dataclasses.field(default_factory=lambda: np.zeros(0))

    @classmethod
    def for_board(cls, board: Board, faults: Sequence[Fault]) -> Priors:
        """Work out the priors of a board.

        Parameters
        ----------
        board : Board
            The board.
        faults : sequence of Fault
            The faults possible in this set-up, as :func:`bridge.faults.list_faults` returns them.
        """
        table = fault_table()
        refs, part = numbered(fault.part for fault in faults)
        rows = {ref: table.weight_row(board.parts[ref], board) for ref in refs}
        groups = {ref: row.group for ref, row in rows.items()}
        first = _first_weights(board, faults, rows, table)
        coupling = couple_faults(board, faults, groups)
        weighted = coupling * first
        strikes = list_strikes(board, faults, first, groups)
        healthy, one, two, pattern, spread = _masses(table, len(refs), bool(strikes))
        sizes = np.arange(SMALLEST_SET, min(table.growth.most_parts, len(refs)) + 1)
        size_weight = table.growth.further ** (sizes - float(SMALLEST_SET))
        return cls(
            board=board,
            faults=tuple(faults),
            log_healthy=_log(healthy),
            log_single=np.log(first) + _log(one),
            log_pair_mass=_log(two),
            log_pattern_mass=_log(pattern),
            log_spread_mass=_log(spread),
            _part=part,
            _first=first,
            _coupling=coupling,
            _reach=weighted.sum(axis=1),
            _reach_of_part=weighted @ (part[:, np.newaxis] == np.arange(len(refs))),
            _log_size=np.log(size_weight / size_weight.sum()),
            _strikes=strikes,
        )

    def as_kind(self, kind: Callable[..., Kind], **changes: Any) -> Kind:
        """Return priors of another kind that hold what these hold.

        Parameters
        ----------
        kind : callable
            A subclass, called with all fields of :class:`Priors`.
        **changes
            Fields that differ, and those that the subclass adds.
        """
        held = {field.name: getattr(self, field.name) for field in dataclasses.fields(Priors)}
        return kind(**(held | changes))

    def given(self, seen: Sequence[Seen]) -> Priors:
        """Return the priors once symptoms were seen; from here on they no longer sum to 1.

        Parameters
        ----------
        seen : sequence of Seen
            What was seen, heard or told before any reading.

        Notes
        -----
        Each symptom multiplies the prior of a hypothesis by the probability that it shows under it: a noisy "or" of
        its faults, all symptoms independent given the hypothesis. Pearl (1988), as in ``data/faults.toml``.
        """
        if not seen:
            return self
        chances = np.array([chances_of(one, self.board, self.faults) for one in seen])
        untold = np.log1p(-np.array([one.symptom.unrelated for one in seen]))
        missing = np.log1p(-chances)
        return dataclasses.replace(
            self,
            log_healthy=self.log_healthy + float(np.sum(np.log(-np.expm1(untold)))),
            log_single=self.log_single + np.sum(np.log(-np.expm1(untold[:, np.newaxis] + missing)), axis=0),
            _log_missing=missing,
            _log_untold=untold,
        )

    def _log_shown(self, sets: Index) -> Array:
        """Return ln of the probability that all symptoms show, for each set of faults (sets x size)."""
        total = np.zeros(len(sets))
        for untold, missing in zip(self._log_untold.tolist(), self._log_missing, strict=True):
            total += np.log(-np.expm1(untold + missing[sets].sum(axis=1)))
        return total

    @cached_property
    def index_of(self) -> dict[Fault, int]:
        """Index of each single fault."""
        return {fault: number for number, fault in enumerate(self.faults)}

    def log_pair(self, first: Index, second: Index) -> Array:
        """Return ln of the probability of exactly two faults.

        Parameters
        ----------
        first, second : ndarray of int, pairs
            Indices into ``faults``.

        Returns
        -------
        ndarray, pairs
            Minus infinity for two faults of one part.
        """
        with np.errstate(divide="ignore"):
            joint = self._first[first] * self._first[second] * self._coupling[first, second]
            log_chance: Array = np.log(joint / self._all_pairs)
        log_chance += self.log_pair_mass
        if len(self._log_untold):
            log_chance += self._log_shown(np.stack([first, second], axis=1))
        return log_chance

    @cached_property
    def _all_pairs(self) -> float:
        """Weight of all pairs; a loosely coupled part brings a second fault less often than a closely coupled one."""
        return 0.5 * float(np.sum(self._first * self._reach))

    def log_sets(self, sets: Index) -> Array:
        """Return ln of the probability of exactly these faults, three or more, along a pattern or without.

        Parameters
        ----------
        sets : ndarray of int, sets x size
            Indices into ``faults``, three or more columns.

        Returns
        -------
        ndarray, sets
            Minus infinity for rows with two faults of one part and for sizes beyond the largest.
        """
        slabs = range(0, max(len(sets), 1), SLAB)
        chance = np.concatenate([self._log_spread(sets[start : start + SLAB]) for start in slabs])
        if self._strikes:
            by_pattern = np.logaddexp.reduce(self._log_strikes(sets), axis=0) + self.log_pattern_mass
            chance = np.logaddexp(chance, by_pattern)
        parts = np.sort(self._part[sets], axis=1)
        chance[np.any(parts[:, 1:] == parts[:, :-1], axis=1)] = -np.inf
        return chance + self._log_shown(sets)

    def log_prior(self, hypothesis: Hypothesis) -> float:
        """Return ln of the probability of any one hypothesis.

        Parameters
        ----------
        hypothesis : tuple of Fault
            Faults of different parts; ``()`` is the healthy board.

        Raises
        ------
        KeyError
            A fault that is not among ``faults``.
        """
        index = np.array([[self.index_of[fault] for fault in hypothesis]], dtype=np.intp)
        size = index.shape[1]
        if size == 0:
            return self.log_healthy
        if size == 1:
            return float(self.log_single[index[0, 0]])
        if size == 2:
            return float(self.log_pair(index[:, 0], index[:, 1])[0])
        return float(self.log_sets(index)[0])

    def patterns(self) -> tuple[PatternSet, ...]:
        """Return the likeliest sets of three and more faults that damage patterns leave, the likeliest first.

        They do not use up the mass of all patterns: :meth:`log_sets` also knows the rarer ones.
        """
        budget = fault_table().growth.listed_sets
        by_size: dict[int, dict[tuple[int, ...], None]] = {}
        for strike in self._strikes:
            for one in strike.likeliest(math.ceil(budget * strike.share)):
                by_size.setdefault(len(one), {})[one] = None
        found: list[PatternSet] = []
        for sets in by_size.values():
            index = np.array(list(sets), dtype=np.intp)
            log_prior = self.log_sets(index).tolist()
            likeliest = np.argmax(self._log_strikes(index), axis=0).tolist()
            found += [
                PatternSet(self._strikes[strike].name, tuple(sorted(self.faults[k] for k in one)), prior)
                for one, strike, prior in zip(sets, likeliest, log_prior, strict=True)
            ]
        return tuple(sorted(found, key=lambda one: (-one.log_prior, one.faults)))

    def _log_strikes(self, sets: Index) -> Array:
        """Strikes x sets: ln of the probability of both, given that the damage followed a pattern."""
        return np.stack([math.log(strike.share) + strike.log_chance(sets) for strike in self._strikes])

    def _log_spread(self, sets: Index) -> Array:
        """Return ln of the probability that damage spread over exactly these faults, following no pattern.

        Notes
        -----
        The sum over all orders in which the faults may have come, by recursion over subsets S, k in S:
        p(S) = sum over k of p(S - k) w_k c(S - k, k) / Z(S - k), where c sums the coupling over what is
        already there (the mean's divisor cancels) and Z sums w c over everything outside the parts of S - k.
        """
        count, size = sets.shape
        if not 0 <= size - SMALLEST_SET < len(self._log_size):
            return np.full(count, -np.inf)
        columns = list(sets.T)
        weight = [self._first[column] for column in columns]
        coupled = [[self._coupling[one, other] for other in columns] for one in columns]
        taken = [[self._reach_of_part[one, self._part[other]] for other in columns] for one in columns]
        chance = np.zeros((1 << size, count))
        onward = np.zeros((1 << size, count))  # chance of a subset over its Z
        for subset in range(1, 1 << size):
            members = [k for k in range(size) if subset >> k & 1]
            left = np.zeros(count)
            for k in members:
                there = [one for one in members if one != k]
                if there:
                    step = np.sum([coupled[one][k] for one in there], axis=0)
                    chance[subset] += onward[subset ^ (1 << k)] * weight[k] * step
                else:
                    chance[subset] = weight[k]
                left += self._reach[columns[k]] - np.sum([taken[k][one] for one in there], axis=0)
            np.divide(chance[subset], left, out=onward[subset], where=left > 0.0)
        with np.errstate(divide="ignore"):
            log_chance: Array = np.log(chance[-1])
        log_chance += float(self._log_size[size - SMALLEST_SET]) + self.log_spread_mass
        return log_chance


def _log(mass: float) -> float:
    return math.log(mass) if mass > 0.0 else -math.inf


def _masses(table: FaultTable, part_count: int, has_patterns: bool) -> tuple[float, ...]:
    """Healthy, one, two, more by pattern, more without; what a small board cannot have is shared out."""
    counts = table.counts
    pattern_share = table.growth.pattern_share if has_patterns else 0.0
    masses = (
        counts.healthy if part_count else 1.0,
        counts.one if part_count >= 1 else 0.0,
        counts.two if part_count >= 2 else 0.0,
        counts.more * pattern_share if part_count >= SMALLEST_SET else 0.0,
        counts.more * (1.0 - pattern_share) if part_count >= SMALLEST_SET else 0.0,
    )
    total = math.fsum(masses)
    return tuple(mass / total for mass in masses)


def _first_weights(board: Board, faults: Sequence[Fault], rows: Mapping[str, WeightRow], table: FaultTable) -> Array:
    """Probability of each fault, given exactly one: a group's share over parts, a part's over its modes."""
    modes_of: dict[str, list[str]] = {}
    for fault in faults:
        modes_of.setdefault(fault.part, []).append(fault.mode)
    group_weight: dict[str, float] = {}
    for row in rows.values():
        group_weight[row.group] = group_weight.get(row.group, 0.0) + row.weight
    share = {group.name: group.share for group in table.group}
    weight_of: dict[Fault, float] = {}
    for ref, modes in modes_of.items():
        row, ratios = rows[ref], table.mode_ratios(board.parts[ref])
        of_part = share[row.group] * row.weight / group_weight[row.group]
        listed = math.fsum(ratios[mode] for mode in modes)
        weight_of.update({Fault(ref, mode): of_part * ratios[mode] / listed for mode in modes})
    weight: Array = np.array([weight_of[fault] for fault in faults], dtype=np.float64)
    weight /= weight.sum()
    return weight
