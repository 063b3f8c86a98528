"""More than two faults: sets grown from the best pairs, one fault at a time, without listing them all.

Beyond pairs there are too many sets to weigh. Each step takes the few best sets so far and weighs every one of them
with every further fault, by the same likelihood as pairs: to the reading table a set is one fault, and the further one
the other of a pair, so that only readings both act on are solved for. The prior knows the damage patterns, so growth
follows them where the readings allow it. It ends where a further fault no longer pays.

References
----------
Best-first search over diagnoses: de Kleer, Focusing on probable diagnoses, Proc. AAAI (1991) 842. The step from a
set's fitted resistances to the spread of all of them is a Laplace approximation: Kass & Raftery, J. Am. Stat. Assoc. 90
(1995) 773.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.damage import Change, change_of, combine
from bridge.evidence import refine, screen
from bridge.faults import Fault
from bridge.faultspace import FaultSpace, Variants
from bridge.fit import explains, explains_all
from bridge.likelihood import ReadingModel
from bridge.predict import CellSolver
from bridge.priors import Priors
from bridge.readingcolumn import ReadingColumn
from bridge.refit import refit_ohms
from bridge.survivors import Survivors
from bridge.table import ReadingTable
from bridge.variants import ChangeClasses

__all__ = ["GrownSets", "grow"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FAULTS_MOST = 9  # a blown leg is five to nine parts
KEEP_NATS = 16.0  # sets this much less probable than the best are not worth listing
PREDICTED = ("surprise", "slip", "turned", "mean", "own_sd", "open_share", "fitted", "loads", "oddness")
KEEP_MOST = 2000
# how many sets grow in each step; by how much the best may fall behind before growth ends; by how much rarer than
# without it a further fault may be, both in nats
CONFIDENT = (4, 6.0, 8.0)
DOUBTFUL = (6, 14.0, math.inf)  # nothing explains the readings yet: one more fault may need another to pay
TWINNED = 2  # leading sets of which look-alikes with other parts grow, too
TWINS_MOST = 6
ALIKE_MOST = 2  # of sets that read the same only so many grow
EXCHANGED_MOST = 8  # sets less one fault that are tried with another in its place
EXCHANGED_NATS = 3.0  # only where a grown set comes this near the best
REFIT_STEPS = 4
MOVED_SD = 3.0  # a spread of a resistance moves a reading clearly
FITTED_SIGMA = 0.1  # spread of ln(ohms) left in a set whose resistances are fitted


@dataclass(frozen=True, eq=False)
class GrownSets:
    """Sets of three and more faults, and pairs weighed better than before; the most probable first.

    Parameters
    ----------
    sets : tuple of tuple of int
        Fault numbers of each set, rising.
    ohms : tuple of tuple of float
        Fitted resistance of each fault [ohm]; NaN where it has none.
    survivors : Survivors
        One row for each set: its log evidence with prior, and what it predicts.
    """

    sets: tuple[tuple[int, ...], ...]
    ohms: tuple[tuple[float, ...], ...]
    survivors: Survivors


@dataclass(frozen=True, slots=True)
class _Grown:
    """A set on its way: its evidence, its fitted resistances, and where its prediction stands."""

    log_evidence: float
    faults: tuple[int, ...]
    ohms: tuple[float, ...]
    source: Survivors
    row: int


@dataclass(frozen=True, eq=False)
class _StepPriors(Priors):
    """Priors of sets and of every further fault on top of each of them; a set is numbered like a fault."""

    log_further: Array = dataclasses.field(default_factory=lambda: np.zeros((0, 0)))  # sets x faults

    def log_pair(self, first: Index, second: Index) -> Array:
        """Return ln of the probability of a set (first) with a further fault (second, counted after all sets)."""
        answer: Array = self.log_further[first, second - len(self.log_further)]
        return answer


@dataclass(frozen=True, eq=False)
class _StepSpace(FaultSpace):
    """Sets as single faults, and each with every further fault that may join it."""

    joined: tuple[Index, Index] = (np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))

    @property
    def pairs(self) -> tuple[Index, Index]:
        """Variant numbers of each set and each fault that may join it."""
        return self.joined


def grow(table: ReadingTable, models: Sequence[ReadingModel], survivors: Survivors) -> GrownSets | None:
    """Return sets of three and more faults that explain the readings about as well as the best pair, or better.

    Parameters
    ----------
    table : ReadingTable
        The table of singles and pairs.
    models : sequence of ReadingModel
        The readings.
    survivors : Survivors
        Singles and pairs worth exact treatment.

    Returns
    -------
    GrownSets or None
        None where no larger set comes near.

    Notes
    -----
    Where a single fault, or none, explains every reading nothing grows: sets of three are rarer by far, and growth
    costs time. As long as nothing explains the readings, more sets grow, and for longer.
    """
    likeliest = int(np.argmax(survivors.log_evidence))
    if np.count_nonzero(survivors.faults[likeliest] >= 0) <= 1 and explains_all(survivors, likeliest):
        return None
    most = min(FAULTS_MOST, len(set(table.space.part_of_fault.tolist())))
    beam = _pairs_of(survivors)
    best = float(np.max(survivors.log_evidence))
    found: dict[tuple[int, ...], _Grown] = {}
    grown_from: set[tuple[int, ...]] = set()
    doubtful = not explains(survivors, likeliest)
    for _ in range(3, most + 1):
        width, patience, near = DOUBTFUL if doubtful else CONFIDENT
        beam = _widest(beam, width)
        if doubtful:
            beam += _twins(table, beam)
        if not beam:
            break
        larger, again = _step(table, models, beam, near)
        grown_from.update(one.faults for one in beam)
        found.update(again)
        found.update(larger)
        best = max(best, max((one.log_evidence for one in again.values()), default=best))
        beam = list(larger.values())
        if not beam:
            break
        leader = max(beam, key=lambda one: one.log_evidence)
        if leader.log_evidence < best - patience:
            break
        if leader.log_evidence > best:
            best = leader.log_evidence
            doubtful = not explains(leader.source, leader.row)
    for faults, one in _exchanged(table, models, found, grown_from, best).items():
        if faults not in found or one.log_evidence > found[faults].log_evidence:
            found[faults] = one
            best = max(best, one.log_evidence)
    kept = sorted(found.values(), key=lambda one: (-one.log_evidence, one.faults))
    kept = [one for one in kept if one.log_evidence >= best - KEEP_NATS][:KEEP_MOST]
    if not kept:
        return None
    return GrownSets(
        sets=tuple(one.faults for one in kept),
        ohms=tuple(one.ohms for one in kept),
        survivors=_rows_of(kept),
    )


def _rows_of(kept: Sequence[_Grown]) -> Survivors:
    """Return the predictions of sets from different steps as one table."""
    count = len(kept)

    def gather(name: str) -> NDArray[Any]:
        return np.stack([getattr(one.source, name)[one.row] for one in kept])

    return Survivors(
        kept=np.arange(count),
        faults=np.full((count, 2), -1, dtype=np.intp),
        log_evidence=np.array([one.log_evidence for one in kept]),
        ohms=np.full((count, 2), np.nan),
        **{name: gather(name) for name in PREDICTED},
    )


def _pairs_of(survivors: Survivors) -> list[_Grown]:
    """Return the pairs among the survivors, the severity nodes of each summed, its best node leading."""
    by_pair: dict[tuple[int, ...], list[int]] = {}
    for row, faults in enumerate(survivors.faults.tolist()):
        if min(faults) >= 0:
            by_pair.setdefault(tuple(faults), []).append(row)
    return [_summed(survivors, faults, rows) for faults, rows in by_pair.items()]


def _summed(survivors: Survivors, faults: tuple[int, ...], rows: Sequence[int]) -> _Grown:
    evidence = survivors.log_evidence[list(rows)]
    lead = rows[int(np.argmax(evidence))]
    ohms = tuple(survivors.ohms[lead].tolist())
    return _Grown(float(np.logaddexp.reduce(evidence)), faults, ohms, survivors, lead)


def _widest(sets: Sequence[_Grown], width: int) -> list[_Grown]:
    """Return the best sets to grow from; of those that read the same only a few, unless there are hardly any others.

    Sets that read the same still differ in which parts they leave free for a further fault.
    """
    chosen: list[_Grown] = []
    spare: list[_Grown] = []
    alike: dict[bytes, int] = {}
    for one in sorted(sets, key=lambda one: (-one.log_evidence, one.faults)):
        shown = np.nan_to_num(one.source.mean[one.row], posinf=1e12)
        key = np.round(shown / np.maximum(0.01 * np.abs(shown), 1e-3)).tobytes()
        alike[key] = alike.get(key, 0) + 1
        (chosen if alike[key] <= ALIKE_MOST else spare).append(one)
        if len(chosen) == width:
            break
    return chosen + spare[: max(width // 2 - len(chosen), 0)]


def _twins(table: ReadingTable, beam: Sequence[_Grown]) -> list[_Grown]:
    """Return the leading sets with one fault exchanged for one of another part that makes the same circuit.

    A shorted switch and its shorted diode read the same; but the one leaves the diode free for a further fault, the
    other the switch.
    """
    space = table.space
    if not table.columns:
        return []
    # where a reading was taken with a pin lifted, its circuit is another one: twins are alike in all of them
    rows = [column.class_of_double for column in {id(one.cells): one for one in table.columns}.values()]
    faults_of: dict[tuple[int, ...], set[int]] = {}
    for fault, circuits in zip(space.doubles.fault.tolist(), np.array(rows).T.tolist(), strict=True):
        if any(circuits):
            faults_of.setdefault(tuple(circuits), set()).add(fault)
    twins: dict[int, set[int]] = {}
    for company in faults_of.values():
        for fault in company:
            twins.setdefault(fault, set()).update(company - {fault})
    known = {one.faults for one in beam}
    found: dict[tuple[int, ...], _Grown] = {}
    for one in beam[:TWINNED]:
        parts = {int(space.part_of_fault[fault]) for fault in one.faults}
        for place, fault in enumerate(one.faults):
            for other in sorted(twins.get(fault, ())):
                swapped = (*one.faults[:place], other, *one.faults[place + 1 :])
                order = sorted(zip(swapped, one.ohms, strict=True))
                faults = tuple(member for member, _ in order)
                if int(space.part_of_fault[other]) in parts or faults in known or faults in found:
                    continue
                before, after = (
                    space.priors.log_prior(tuple(space.faults[member] for member in members))
                    for members in (one.faults, faults)
                )
                evidence = one.log_evidence + after - before
                found[faults] = _Grown(evidence, faults, tuple(value for _, value in order), one.source, one.row)
    return sorted(found.values(), key=lambda one: -one.log_evidence)[:TWINS_MOST]


def _exchanged(
    table: ReadingTable,
    models: Sequence[ReadingModel],
    found: Mapping[tuple[int, ...], _Grown],
    grown_from: Container[tuple[int, ...]],
    best: float,
) -> dict[tuple[int, ...], _Grown]:
    """Return the leading sets with one of their faults exchanged for any other.

    One fault after the other, each the best beside those before it, leads past sets whose faults tell only together:
    two shorted diodes of a rectifier short the bus as a shorted capacitor does, and the one looks better at first.
    """
    fewer: dict[tuple[int, ...], _Grown] = {}
    for one in sorted(found.values(), key=lambda one: (-one.log_evidence, one.faults)):
        if one.log_evidence < best - EXCHANGED_NATS or len(fewer) >= EXCHANGED_MOST:
            break
        for place in range(len(one.faults)):
            faults, ohms = one.faults[:place] + one.faults[place + 1 :], one.ohms[:place] + one.ohms[place + 1 :]
            if faults not in grown_from:
                fewer.setdefault(faults, dataclasses.replace(one, faults=faults, ohms=ohms))
    if not fewer:
        return {}
    return _step(table, models, list(fewer.values())[:EXCHANGED_MOST], math.inf, fitted=True)[0]


def _telling(one: _Grown) -> NDArray[np.bool_]:
    """Return the readings that tell of a set's resistances, readings.

    Where the set does not explain them yet, those that its resistances move are among them, slips or not: at a node
    far from the resistance a good reading looks like one.
    """
    telling: NDArray[np.bool_] = one.source.telling[one.row]
    if explains(one.source, one.row):
        return telling
    moves = np.max(np.abs(one.source.loads[one.row, :, -2:]), axis=1)
    answer: NDArray[np.bool_] = telling | (moves > MOVED_SD * one.source.own_sd[one.row])
    return answer


def _refitted(
    table: ReadingTable, models: Sequence[ReadingModel], beam: Sequence[_Grown], steps: int
) -> tuple[list[_Grown], Array]:
    """Return sets with their resistances solved for, not taken from a slope, and what fixing them is worth [ln]."""
    trusted = np.stack([_telling(one) for one in beam])
    fitted, log_share = refit_ohms(
        table, models, [one.faults for one in beam], [one.ohms for one in beam], trusted, steps
    )
    return [dataclasses.replace(one, ohms=ohms) for one, ohms in zip(beam, fitted, strict=True)], log_share


def _step(
    table: ReadingTable, models: Sequence[ReadingModel], beam: Sequence[_Grown], near: float, *, fitted: bool = False
) -> tuple[dict[tuple[int, ...], _Grown], dict[tuple[int, ...], _Grown]]:
    """Return every set with every further fault worth listing, and the sets themselves, weighed again.

    A further fault may be rarer than none by no more than ``near`` nats. ``fitted`` sets keep their resistances.
    """
    refitted, log_share = _refitted(table, models, beam, 1 if fitted else REFIT_STEPS)
    beam = beam if fitted else refitted
    space = _step_space(table.space, beam, near)
    if not len(space.joined[0]):
        return {}, {}
    step = ReadingTable(
        space, table.meter, _columns(table.columns, space, _damage(table, beam), len(beam)), table.batches
    )
    survivors = refine(step, models, screen(step, models))
    count = len(beam)
    again: dict[tuple[int, ...], _Grown] = {}
    for row in np.flatnonzero((survivors.kept > 0) & (survivors.kept <= count)).tolist():
        number = int(survivors.kept[row]) - 1
        one = beam[number]
        evidence = float(survivors.log_evidence[row] + log_share[number])
        if evidence > one.log_evidence:  # the slope at a severity node had missed what the resistance explains
            again[one.faults] = _Grown(evidence, one.faults, one.ohms, survivors, row)
    grown: dict[tuple[int, ...], _Grown] = {}
    by_pair: dict[tuple[int, int], list[int]] = {}
    for row in np.flatnonzero(survivors.kept > count).tolist():
        one, other = survivors.faults[row].tolist()
        by_pair.setdefault((one, other - count), []).append(row)
    for (number, fault), rows in by_pair.items():
        parent = beam[number]
        summed = _summed(survivors, (), rows)
        order = sorted(zip((*parent.faults, fault), (*parent.ohms, summed.ohms[1]), strict=True))
        faults = tuple(member for member, _ in order)
        evidence = summed.log_evidence + float(log_share[number])
        if faults not in grown or evidence > grown[faults].log_evidence:
            ohms = tuple(value for _, value in order)
            grown[faults] = _Grown(evidence, faults, ohms, survivors, summed.row)
    return grown, again


def _step_space(space: FaultSpace, beam: Sequence[_Grown], near: float) -> _StepSpace:
    """Return the hypotheses of one step: the sets, numbered before all faults, and each with a further fault."""
    count = len(beam)
    sets = np.arange(count)
    further = np.full((count, len(space.faults)), -np.inf)
    hides = space.hides
    for number, one in enumerate(beam):
        parts = {int(space.part_of_fault[fault]) for fault in one.faults}
        free = [
            fault
            for fault in range(len(space.faults))
            if int(space.part_of_fault[fault]) not in parts
            and not any((fault, member) in hides or (member, fault) in hides for member in one.faults)
        ]
        index = np.array([sorted((*one.faults, fault)) for fault in free], dtype=np.intp).reshape(
            -1, len(one.faults) + 1
        )
        further[number, free] = space.priors.log_sets(index)
    own = np.array([space.priors.log_prior(tuple(sorted(space.faults[fault] for fault in one.faults))) for one in beam])
    allowed = np.isfinite(further) & (further >= own[:, None] - near)
    useful = np.flatnonzero(allowed.any(axis=0)[space.doubles.fault])
    doubles = space.doubles.some(useful)
    first, second = np.nonzero(allowed[:, doubles.fault])
    nothing = np.full(count, np.nan)
    fitted = np.array([FITTED_SIGMA if np.isfinite(one.ohms).any() else 0.0 for one in beam])
    return _StepSpace(
        board=space.board,
        setup=space.setup,
        faults=(*(Fault("set", str(number)) for number in range(count)), *space.faults),
        priors=space.priors.as_kind(_StepPriors, log_single=own, log_further=further),
        singles=Variants(sets, nothing, fitted, np.zeros(count)),
        doubles=Variants(
            np.concatenate([sets, doubles.fault + count]),
            np.concatenate([nothing, doubles.ohms]),
            np.concatenate([fitted, doubles.ln_sigma]),
            np.concatenate([np.zeros(count), doubles.log_weight]),
        ),
        part_of_fault=np.arange(count + len(space.faults)),
        hides=frozenset(),
        joined=(first, second + count),
    )


def _damage(table: ReadingTable, beam: Sequence[_Grown]) -> list[list[tuple[Fault, float | None]]]:
    """Return the faults of each set with their fitted resistances."""
    faults = table.space.faults
    return [
        [(faults[fault], None if math.isnan(ohms) else ohms) for fault, ohms in zip(one.faults, one.ohms, strict=True)]
        for one in beam
    ]


def _columns(
    columns: Sequence[ReadingColumn],
    space: _StepSpace,
    sets: Sequence[Sequence[tuple[Fault, float | None]]],
    count: int,
) -> tuple[ReadingColumn, ...]:
    """Return the columns of a step: the same probings, on circuits with the sets in them."""
    made: dict[int, tuple[CellSolver, Index, Index, Index, Array]] = {}
    answer: list[ReadingColumn] = []
    variants = space.doubles
    for column in columns:
        key = id(column.cells)
        if key not in made:
            circuit = column.cells.circuit
            changes = [Change()]
            for faults in sets:
                changes.append(combine([change_of(circuit, fault.part, fault.mode, ohms) for fault, ohms in faults]))
            for fault, ohms in zip(variants.fault[count:].tolist(), variants.ohms[count:].tolist(), strict=True):
                name = space.faults[fault]
                changes.append(change_of(circuit, name.part, name.mode, None if math.isnan(ohms) else ohms))
            tags = [0.0, *variants.ln_sigma.tolist()]
            classes = ChangeClasses(circuit, changes, tags)
            members = classes.class_of[1:]
            pair_classes, row = np.unique(members, return_inverse=True)
            sigma = np.zeros(classes.size)
            sigma[classes.class_of] = tags
            cells = CellSolver(circuit, column.cells.shots, classes, pair_classes, bus_volts=circuit.setup.bus_volts)
            made[key] = cells, members[:count], members, row, sigma
        cells, singles, members, row, sigma = made[key]
        answer.append(
            dataclasses.replace(
                column,
                cells=cells,
                class_of_single=singles,
                class_of_double=members,
                row_of_double=row,
                ln_sigma=sigma,
            )
        )
    return tuple(answer)
