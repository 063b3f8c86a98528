"""What readings that share unknowns say of each hypothesis, in closed form.

References
----------
Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), section 5.4.2 (leave-one-out in closed form).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.likelihood import ReadingModel
from bridge.severities import weigh_severities

__all__ = ["Survivors", "integrate", "mix"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

TRUSTED_SLIP = 0.5  # readings more likely slips than not tell of nothing else


@dataclass(frozen=True, slots=True)
class Survivors:
    """Hypothesis variants worth exact treatment, with their evidence and what they predict.

    Parameters
    ----------
    kept : ndarray of int, survivors
        Place in the order healthy, single variants, pairs of variants.
    faults : ndarray of int, survivors x 2
        Fault numbers; -1 where there is none.
    log_evidence : ndarray, survivors
        Log evidence with prior.
    ohms : ndarray, survivors x 2
        Fitted resistance of each fault [ohm]; NaN where it has none.
    surprise : ndarray, survivors x readings
        How far each reading is from what the others lead to expect, in standard deviations; infinite for an outcome the
        hypothesis does not allow.
    slip : ndarray, survivors x readings
        Probability that the reading is a slip, given the hypothesis [1].
    turned : ndarray of bool, survivors x readings
        Whether it is a channel that has turned on early which the reading shows.
    mean, own_sd, open_share : ndarray, survivors x readings
        Predicted display, its independent spread [unit], and the probability of OL [1].
    fitted : ndarray, survivors x readings
        Predicted display with each resistance moved within its cell to where the readings have it [unit].
    loads : ndarray, survivors x readings x unknowns
        Answers to the shared unknowns, each scaled to unit variance; the last two are the severities.
    oddness : ndarray, survivors
        Squared distance of all numbers from their predictions in standard deviations, what they share counted once.
    """

    kept: Index
    faults: Index
    log_evidence: Array
    ohms: Array
    surprise: Array
    slip: Array
    turned: Mask
    mean: Array
    own_sd: Array
    open_share: Array
    fitted: Array
    loads: Array
    oddness: Array

    @property
    def telling(self) -> Mask:
        """Readings that tell of drops and resistances: no slips, and not a channel's threshold."""
        answer: Mask = (self.slip < TRUSTED_SLIP) & ~self.turned
        return answer


def integrate(
    models: Sequence[ReadingModel],
    who: tuple[Index, Index, Array, Array, Array],
    predicted: tuple[Array, Array, Array, Array],
    gaps: tuple[Array, Array],
    counted: NDArray[np.bool_],
    apart: tuple[Array, Array, Array, Mask],
) -> Survivors:
    """Integrate the shared unknowns in closed form, no reading or any one of them a slip.

    ``gaps`` are what was read less what is predicted, and the ln of how much a density by ratios is stretched;
    ``apart`` what readings say that stand by themselves, the densities of a channel that turns on early, in what share
    of cases none does, and which readings show one that did.
    """
    other, early, undisturbed, turned = apart
    gap, stretch = gaps
    kept, faults, prior, ohms, sigma = who
    mean, own, open_share, loads = predicted
    weight = np.where(counted, 1.0 / own**2, 0.0)
    precision = np.eye(loads.shape[2]) + np.einsum("kru,kr,krv->kuv", loads, weight, loads, optimize=True)
    pull = np.einsum("kru,kr->ku", loads, weight * gap)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("kuv,kv->ku", covariance, pull)
    _, log_determinant = np.linalg.slogdet(precision)
    # as a sum of squares: the shorter difference of two large sums can cancel to below zero
    left = gap - np.einsum("kru,ku->kr", loads, shift)
    quadratic = np.sum(weight * left**2, axis=1) + np.sum(shift**2, axis=1)
    log_own = np.where(counted, np.log(own) + 0.5 * math.log(2.0 * math.pi) + stretch, 0.0)
    wrong = np.stack([model.slip_at(mean[:, r]) for r, model in enumerate(models)], axis=1)
    honest = 1.0 - wrong - np.array([model.false_open for model in models])
    joint = -0.5 * quadratic - 0.5 * log_determinant - np.sum(log_own, axis=1)
    joint += np.sum(np.where(counted, np.log(honest * undisturbed), other), axis=1)
    severe = weigh_severities(shift[:, -2:], np.diagonal(covariance, axis1=1, axis2=2)[:, -2:], sigma)
    joint += severe.correction - severe.overstretch
    # leave one out, in closed form
    leverage = np.einsum("kru,kuv,krv->kr", loads, covariance, loads, optimize=True) * weight
    remaining = np.maximum(1.0 - leverage, 1e-14)
    residual = left / remaining
    spread = own / np.sqrt(remaining)
    log_expected = -0.5 * (residual / spread) ** 2 - np.log(spread) - 0.5 * math.log(2.0 * math.pi) - stretch
    slip = np.log(wrong * np.array([model.slip_density for model in models]) + early)
    # in logarithms: a slip well inside what drops may do alone can be a hundred deviations off what the others lead to
    log_ratio = np.where(counted, slip - np.log(honest) - log_expected, -np.inf)
    log_any = np.logaddexp(0.0, np.logaddexp.reduce(log_ratio, axis=1, initial=-np.inf))
    best = np.array([model.expected_at_least for model in models])
    impossible = ~counted & ~turned & (other < best - 3.0)
    return Survivors(
        kept=kept,
        faults=faults,
        log_evidence=prior + joint + log_any,
        ohms=ohms * severe.factor,
        surprise=np.where(counted, np.abs(residual) / spread, np.where(impossible, np.inf, 0.0)),
        slip=np.where(counted, np.exp(log_ratio - log_any[:, None]), np.where(impossible, 0.99, 0.0)),
        turned=turned,
        mean=mean,
        own_sd=own,
        open_share=open_share,
        fitted=mean,  # until the caller has moved them
        loads=loads,
        oddness=quadratic - severe.told + 2.0 * severe.overstretch,
    )


def mix(options: Sequence[Survivors], shares: Sequence[float]) -> Survivors:
    """Return the same hypotheses under several assumptions as one: evidence summed, the rest of the likeliest of each.

    Parameters
    ----------
    options : sequence of Survivors
        The hypotheses under each assumption, in one order.
    shares : sequence of float
        How probable each assumption is beforehand; they sum to 1.
    """
    logs = np.stack([one.log_evidence + math.log(share) for one, share in zip(options, shares, strict=True)])
    best, every = np.argmax(logs, axis=0), np.arange(logs.shape[1])
    fields = {
        field.name: np.stack([getattr(one, field.name) for one in options]) for field in dataclasses.fields(Survivors)
    }
    return Survivors(
        **{name: values[best, every] for name, values in fields.items()} | {"log_evidence": np.logaddexp.reduce(logs)}
    )
