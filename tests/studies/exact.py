"""Rankings beside the exact posterior: ``python -m tests.studies.exact BOARD --boards N --seed S``.

Boards are drawn from the model that ranking assumes: a healthy board or one fault from the prior, its resistance from
its spread, drops of each batch, the temperature, gain errors, parts that stray as they are said to, digits, slips.
Ranking weighs them as it does, with a linear Gaussian model per severity node; beside it stands the posterior by
importance sampling over everything shared, with each fault's resistance in fine steps. Both see the same hypotheses.
The displays themselves are the solver's; what is checked here is the integration. Left out are pairs, readings that
still move and faults that make one move, ohms through junctions, which stray by ratios, and faults beyond the most
likely ``MOST_HYPOTHESES``. ``--ranked`` leaves the exact posterior out, for the calibration of many boards.

References
----------
Importance sampling with a defensive mixture: Hesterberg, Technometrics 37 (1995) 185.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import norm

from bridge.belief import weigh
from bridge.board import load_board
from bridge.evidence import refine, screen
from bridge.faults import severity_nodes
from bridge.faultspace import FaultSpace, Variants, build_space
from bridge.likelihood import (
    NEPERS_OF_OHMS,
    WRONG_TERMINAL_SHARE,
    WRONG_TERMINAL_SPREAD,
    ReadingModel,
    model_readings,
)
from bridge.meter import MeterProfile, load_meter
from bridge.probing import Probing, Setup
from bridge.readings import Reading
from bridge.spreads import BATCH_SPREAD_V
from bridge.table import ReadingTable, build_table
from tests.studies.plan import standard_sheet
from tests.studies.scores import debiased_calibration_error

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_HYPOTHESES = 200
FINE_NODES = 192
DRAWS = 100_000  # over all hypotheses of a board that are still in play
LEAST_DRAWS = 100  # for each hypothesis and resistance
IN_PLAY_NATS = 16.0  # behind the best in a first look with few draws
FIRST_LOOK = 8
DEFENSIVE = 0.2  # share of draws from the prior
WIDER = 1.3  # the proposal against the Gaussian it is taken from
FARTHEST_SD = 6.0
EDGE = np.sqrt(3.0)  # of an even spread, in its own standard deviations
SLIPS_LEFT_OUT, SLIP_SD = 2, 4.5
MASS = 0.95  # that the list of packages is to hold
CHUNK = 4_000_000


@dataclass(frozen=True, slots=True)
class World:
    """What can be wrong, finely, and what each case shows, readings along the first axis.

    Parameters
    ----------
    fault : ndarray of int, cases
        Fault of each case; -1 for the healthy board.
    log_prior : ndarray, cases
        Log prior of each case [1].
    value, own_sd : ndarray, readings x cases
        Display, infinite for OL, and its spread from part to part [V] or [ohm].
    batch_load : ndarray, readings x batches x cases
        Answer to one standard deviation of a batch's drop, and last of the temperature [V] or [ohm].
    cell_load : ndarray, readings x cases
        Answer to one standard deviation of ln R over its fine cell, over which it is even [V] or [ohm].
    limit : ndarray, readings
        Largest value shown [V] or [ohm].
    """

    fault: Index
    log_prior: Array
    value: Array
    own_sd: Array
    batch_load: Array
    cell_load: Array
    limit: Array


@dataclass(frozen=True, slots=True)
class Outcome:
    """One board: what both posteriors give the truth, how many packages each needs, and what ranking leads with.

    Parameters
    ----------
    ranked, exact : float
        Probability of the fault that was drawn; NaN for a posterior that was left out [1].
    ranked_size, exact_size : int
        Packages, likeliest first, that hold ``MASS``.
    stated : float
        Probability of the package that ranking leads with [1].
    right : bool
        Whether that is the one.
    effective : float
        Share of the draws that counts [1].
    """

    ranked: float
    exact: float
    ranked_size: int
    exact_size: int
    stated: float
    right: bool
    effective: float


def _most_likely(space: FaultSpace) -> FaultSpace:
    """Return a space whose less likely faults are impossible."""
    return _without(space, np.argsort(-space.priors.log_single, kind="stable")[MOST_HYPOTHESES - 1 :])


def _without(space: FaultSpace, faults: Index) -> FaultSpace:
    """Return a space in which some faults are impossible."""
    log_single = space.priors.log_single.copy()
    log_single[faults] = -np.inf
    return dataclasses.replace(space, priors=dataclasses.replace(space.priors, log_single=log_single))


def _finely(space: FaultSpace) -> FaultSpace:
    """Return the same faults with their resistances in fine steps."""
    rows = []
    for number, fault in enumerate(space.faults):
        nodes = severity_nodes(space.board.parts[fault.part], fault.mode, FINE_NODES)
        rows += [(number, node.ohms, node.ln_sigma, np.log(node.weight)) for node in nodes] or [
            (number, np.nan, 0.0, 0.0)
        ]
    table = np.array(rows)
    fine = Variants(table[:, 0].astype(np.intp), table[:, 1], table[:, 2], table[:, 3])
    return dataclasses.replace(space, singles=fine)


def _steady(space: FaultSpace, meter: MeterProfile, plan: Sequence[Probing]) -> tuple[FaultSpace, list[Probing], World]:
    """Return the faults and the readings at which displays rest, and what those show."""
    fine = _finely(space)
    table = build_table(fine, meter, plan, pairs=False)
    probings, values, spreads, loads, cells, limits = [], [], [], [], [], []
    sigma = np.concatenate([[0.0], fine.singles.ln_sigma])
    moving = np.zeros(len(fine.singles), dtype=bool)
    for probing, column in zip(plan, table.columns, strict=True):
        classes = np.concatenate([[0], column.class_of_single]).astype(np.intp)
        shown = column.displays(*column.of_classes(classes))
        if shown.time_sd[0] > 0.0:
            continue
        if probing.mode == "ohms" and np.any(np.abs(shown.batch_load) > 0.0):
            continue
        moving |= (shown.time_sd[1:] > 0.0) | np.isnan(shown.value[1:])
        probings.append(probing)
        values.append(shown.value)
        spreads.append(shown.own_sd)
        loads.append(shown.batch_load * BATCH_SPREAD_V)
        cells.append(np.where(shown.owner[0] == classes, shown.severity_load[0], 0.0) * sigma)
        limits.append(column.limit)
    space = _without(space, np.unique(fine.singles.fault[moving]))
    log_prior = np.concatenate(
        [[space.priors.log_healthy], fine.singles.log_weight + space.priors.log_single[fine.singles.fault]]
    )
    fault = np.concatenate([[-1], fine.singles.fault])
    tables = (np.array(one) for one in (values, spreads, loads, cells, limits))
    world = World(fault, log_prior, *tables)
    return space, probings, world


def draw_readings(
    world: World, probings: Sequence[Probing], meter: MeterProfile, rng: np.random.Generator
) -> tuple[int, tuple[Reading, ...]]:
    """Return the case that was drawn, and what is read."""
    weight = np.exp(world.log_prior - np.max(world.log_prior))
    case = int(rng.choice(len(weight), p=weight / weight.sum()))
    drops = rng.normal(size=world.batch_load.shape[1])
    within = rng.uniform(-EDGE, EDGE)
    gains: dict[str, float] = {}
    readings: list[Reading] = []
    shown: dict[str, list[float]] = {"V": [], "ohm": []}
    for r, probing in enumerate(probings):
        value = world.value[r, case]
        if np.isfinite(value):
            value += world.batch_load[r, :, case] @ drops + world.cell_load[r, case] * within
            value += world.own_sd[r, case] * rng.normal()
            (model,) = model_readings([_reading(probing, float(value))], meter)
            value += value * gains.setdefault(model.gain, model.gain_sd * rng.normal()) + model.digits_sd * rng.normal()
        (model,) = model_readings([_reading(probing, None)], meter)
        luck = rng.random()
        if luck < model.false_open:
            value = np.inf
        elif luck < model.false_open + model.slip:
            value = _wrong_number(shown[_unit(probing)], _unit(probing), rng)
        if value > world.limit[r]:
            readings.append(_reading(probing, None))
        else:
            readings.append(_reading(probing, float(value)))
            shown[_unit(probing)].append(float(value))
    return case, tuple(readings)


def _wrong_number(shown: Sequence[float], unit: str, rng: np.random.Generator) -> float:
    """Return what a slip shows, as ranking assumes: mostly about what another terminal showed, else anything."""
    if shown and rng.random() < WRONG_TERMINAL_SHARE:
        return float(rng.choice(shown) * (1.0 + WRONG_TERMINAL_SPREAD * rng.normal()))
    return float(2.0 * rng.random() if unit == "V" else 0.1 * np.exp(NEPERS_OF_OHMS * rng.random()))


def _unit(probing: Probing) -> str:
    return "V" if probing.mode == "diode" else "ohm"


def _reading(probing: Probing, value: float | None) -> Reading:
    return Reading(0, probing, "", value, _unit(probing), "OL" if value is None else "steady", discharged=True)


class _Sampler:
    """Importance sampling over what all readings share, gains of ranges and ln R within its cell, for every case."""

    def __init__(self, world: World, models: Sequence[ReadingModel], rng: np.random.Generator) -> None:
        self.world, self.models, self.rng = world, models, rng
        gains = list(dict.fromkeys(model.gain for model in models))
        batches = world.batch_load.shape[1]
        cases = world.value.shape[1]
        self.finite = np.isfinite(world.value)
        value = np.where(self.finite, world.value, 0.0)
        self.loads = np.zeros((len(models), batches + len(gains) + 1, cases))
        self.loads[:, :batches] = np.where(self.finite[:, None, :], world.batch_load, 0.0)
        for r, model in enumerate(models):
            self.loads[r, batches + gains.index(model.gain)] = value[r] * model.gain_sd
        self.loads[:, -1] = np.where(self.finite, world.cell_load, 0.0)
        digits = np.array([model.digits_sd for model in models])
        self.sd = np.sqrt(np.where(self.finite, world.own_sd, 0.0) ** 2 + digits[:, None] ** 2)
        self.value = value
        self._propose()

    def _propose(self) -> None:
        """Set the Gaussian that the numbers near their predictions lead to, for each case."""
        read = np.array([model.value for model in self.models])
        number = np.array([model.kind == "number" for model in self.models])
        gap = np.where(number[:, None] & self.finite, np.nan_to_num(read)[:, None] - self.value, 0.0)
        total = np.sqrt(self.sd**2 + np.sum(self.loads**2, axis=1))
        used = number[:, None] & self.finite & (np.abs(gap) < FARTHEST_SD * total)
        for _ in range(SLIPS_LEFT_OUT + 1):
            weight = np.where(used, 1.0 / self.sd**2, 0.0)
            precision = np.eye(self.loads.shape[1])[None] + np.einsum("rdc,rc,rec->cde", self.loads, weight, self.loads)
            covariance = np.linalg.inv(precision)
            self.middle = np.einsum("cde,rec,rc->cd", covariance, self.loads, weight * gap)
            # what the other numbers lead elsewhere is a slip: the proposal is to be where the others lead
            left = np.abs(gap - np.einsum("rdc,cd->rc", self.loads, self.middle))
            leverage = np.einsum("rdc,cde,rec->rc", self.loads, covariance, self.loads) * weight
            surprise = np.where(used, left / (self.sd * np.sqrt(np.maximum(1.0 - leverage, 1e-12))), 0.0)
            worst = np.argmax(surprise, axis=0)
            cases = np.flatnonzero(np.max(surprise, axis=0) > SLIP_SD)
            used[worst[cases], cases] = False
        self.root = np.linalg.cholesky(covariance) * WIDER
        self.log_scale = np.sum(np.log(np.diagonal(self.root, axis1=1, axis2=2)), axis=1)

    def log_evidence(self, cases: Index, draws: int) -> tuple[Array, Array]:
        """Return the log evidence of cases without their priors, and how many of the draws count, as a share [1]."""
        size = self.loads.shape[1]
        answer, effective = np.empty(len(cases)), np.empty(len(cases))
        step = max(1, CHUNK // (draws * max(len(self.models), 1)))
        for first in range(0, len(cases), step):
            some = cases[first : first + step]
            plain = self.rng.normal(size=(len(some), draws, size))
            prior = self.rng.normal(size=plain.shape)
            prior[:, :, -1] = self.rng.uniform(-EDGE, EDGE, size=plain.shape[:2])
            wide = self.rng.random((len(some), draws)) < DEFENSIVE
            middle, root = self.middle[some], self.root[some]
            told = middle[:, None, :] + np.einsum("cde,cke->ckd", root, plain)
            unknown = np.where(wide[:, :, None], prior, told)
            back = np.linalg.solve(root, (unknown - middle[:, None, :]).transpose(0, 2, 1)).transpose(0, 2, 1)
            constant = 0.5 * size * np.log(2.0 * np.pi)
            inside = np.abs(unknown[:, :, -1]) <= EDGE
            log_prior = -0.5 * np.sum(unknown[:, :, :-1] ** 2, axis=2) - 0.5 * (size - 1) * np.log(2.0 * np.pi)
            log_prior = np.where(inside, log_prior - np.log(2.0 * EDGE), -np.inf)
            log_told = -0.5 * np.sum(back**2, axis=2) - constant - self.log_scale[some][:, None]
            log_proposal = np.logaddexp(np.log(DEFENSIVE) + log_prior, np.log(1.0 - DEFENSIVE) + log_told)
            log_weight = self._log_likelihood(some, unknown) + log_prior - log_proposal
            answer[first : first + step] = logsumexp(log_weight, axis=1) - np.log(draws)
            share = np.exp(2.0 * logsumexp(log_weight, axis=1) - logsumexp(2.0 * log_weight, axis=1)) / draws
            effective[first : first + step] = share
        return answer, effective

    def _log_likelihood(self, cases: Index, unknown: Array) -> Array:
        """Return the log likelihood of all readings given what they share, cases x draws."""
        total = np.zeros(unknown.shape[:2])
        for r, model in enumerate(self.models):
            mean = self.value[r, cases][:, None] + np.einsum("ckd,dc->ck", unknown, self.loads[r][:, cases])
            sd = self.sd[r, cases][:, None]
            there = self.finite[r, cases][:, None]
            if model.kind == "OL":
                share = np.where(there, norm.sf(self.world.limit[r], mean, sd), 1.0)
                probability = (1.0 - model.false_open) * share + model.false_open
            else:
                density = np.where(there, norm.pdf(model.value, mean, sd), 0.0)
                wrong = model.slip_at(np.where(there, self.value[r, cases][:, None], np.inf))
                probability = (1.0 - wrong - model.false_open) * density + wrong * model.slip_density
            total += np.log(probability)
        return total


def exact_posterior(
    world: World, models: Sequence[ReadingModel], count: int, rng: np.random.Generator
) -> tuple[Array, float]:
    """Return the posterior of the healthy board and of ``count`` faults, and what share of draws counts [1]."""
    sampler = _Sampler(world, models, rng)
    possible = np.flatnonzero(np.isfinite(world.log_prior))
    rough = sampler.log_evidence(possible, FIRST_LOOK)[0] + world.log_prior[possible]
    cases = possible[rough > np.max(rough) - IN_PLAY_NATS]
    draws = max(LEAST_DRAWS, DRAWS // len(cases))
    evidence, effective = sampler.log_evidence(cases, draws)
    log_weight = evidence + world.log_prior[cases]
    weight = np.exp(log_weight - np.max(log_weight))
    total = np.bincount(world.fault[cases] + 1, weights=weight, minlength=count + 1)
    leading = log_weight > np.max(log_weight) - 3.0
    return total / total.sum(), float(np.min(effective[leading]))


def ranked_posterior(table: ReadingTable, models: Sequence[ReadingModel]) -> Array:
    """Return what ranking gives the healthy board and each single fault [1]."""
    screened = screen(table, models, pairs=False)
    survivors = refine(table, models, screened)
    every = np.concatenate([[screened.healthy], screened.single, screened.pair])
    beliefs = weigh(table.space, survivors, every, None)
    alone = beliefs.faults[:, 1] < 0
    total = np.zeros(len(table.space.faults) + 1)
    total[beliefs.faults[alone, 0] + 1] = beliefs.probability[alone]
    return total / total.sum()


def packages_needed(probability: Array, package: Index) -> int:
    """Return how many packages, likeliest first, hold ``MASS``; the healthy board counts as one of its own."""
    mass = np.sort(np.bincount(package, weights=probability))[::-1]
    return int(np.searchsorted(np.cumsum(mass), MASS)) + 1


def run(name: str, boards: int, seed: int, *, exactly: bool = True) -> list[Outcome]:
    """Return how both posteriors did on so many boards, or ranking's alone."""
    board, meter, setup = load_board(name), load_meter(), Setup()
    space, probings, world = _steady(_most_likely(build_space(board, setup)), meter, standard_sheet(board))
    table = build_table(space, meter, probings, pairs=False)
    names = ["", *(board.parts[fault.part].package for fault in space.faults)]
    package = np.unique(names, return_inverse=True)[1].astype(np.intp)
    hypotheses = int(np.count_nonzero(np.isfinite(space.priors.log_single))) + 1
    print(f"{name}: {hypotheses} hypotheses, {len(world.fault)} cases, {len(probings)} readings a board")
    outcomes = []
    for number in range(boards):
        rng = np.random.default_rng((seed, number))
        case, readings = draw_readings(world, probings, meter, rng)
        models = model_readings(readings, meter)
        ranked = ranked_posterior(table, models)
        nothing = np.full(len(ranked), np.nan), np.nan
        exact, effective = exact_posterior(world, models, len(space.faults), rng) if exactly else nothing
        truth = int(world.fault[case]) + 1
        of_package = np.bincount(package, weights=ranked)
        outcomes.append(
            Outcome(
                ranked=float(ranked[truth]),
                exact=float(exact[truth]),
                ranked_size=packages_needed(ranked, package),
                exact_size=packages_needed(exact, package),
                stated=float(np.max(of_package)),
                right=bool(np.argmax(of_package) == package[truth]),
                effective=effective,
            )
        )
        print(f"{number + 1} of {boards}", end="\r", file=sys.stderr)
    return outcomes


def report(outcomes: Sequence[Outcome]) -> list[str]:
    """Return the scores, a line each."""
    error, chance = debiased_calibration_error(
        np.array([one.stated for one in outcomes]), np.array([float(one.right) for one in outcomes])
    )
    calibration = f"leading package: calibration error {error:.4f}, debiased; chance alone shows {chance:.4f}"
    if np.isnan(outcomes[0].exact):
        return [calibration]
    ranked, exact = (np.log2([max(getattr(one, name), 1e-12) for one in outcomes]) for name in ("ranked", "exact"))
    apart = exact - ranked
    sizes = [np.array([getattr(one, name) for one in outcomes]) for name in ("ranked_size", "exact_size")]
    effective = np.array([one.effective for one in outcomes])
    return [
        calibration,
        f"log loss of the fault: ranked {-ranked.mean():.3f} bit, exact {-exact.mean():.3f} bit; ranked is worse by "
        f"{apart.mean():.3f} bit (standard error {apart.std() / np.sqrt(len(apart)):.3f}), at worst {apart.max():.2f}",
        f"packages that hold {MASS:.0%}: ranked {sizes[0].mean():.3f} on average, {np.percentile(sizes[0], 95):.0f} at "
        f"the 95th percentile; exact {sizes[1].mean():.3f} and {np.percentile(sizes[1], 95):.0f}; "
        f"{sizes[0].mean() / sizes[1].mean():.3f} times",
        f"share of the draws that count: {np.median(effective):.2f} in the middle, {effective.min():.3f} at least",
    ]


def main(arguments: Sequence[str]) -> None:
    """Run a comparison and print its scores."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies.exact", description=__doc__)
    parser.add_argument("board")
    parser.add_argument("--boards", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ranked", action="store_true", help="leave the exact posterior out")
    asked = parser.parse_args(arguments)
    begun = time.monotonic()
    outcomes = run(asked.board, asked.boards, asked.seed, exactly=not asked.ranked)
    print(f"{asked.board}, {asked.boards} boards, seed {asked.seed}, {time.monotonic() - begun:.0f} s")
    print("\n".join(report(outcomes)))


if __name__ == "__main__":
    main(sys.argv[1:])
