"""The exact posterior by sampling, against densities that scipy knows."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from bridge.likelihood import model_readings
from bridge.meter import load_meter
from bridge.probing import Probing
from bridge.readings import Reading
from tests.studies.exact import World, exact_posterior, packages_needed

METER = load_meter()


def reading(value: float) -> Reading:
    """Return a number read in diode mode."""
    return Reading(0, Probing("U", "P"), "", value, "V", "steady", discharged=True)


def test_evidence_of_a_gaussian_world() -> None:
    """Without slips the evidence of three readings with shared drops and gain is scipy's multivariate normal."""
    values = np.array([0.43, 0.40, 0.71])
    models = [
        dataclasses.replace(model, slip=0.0, false_open=0.0)
        for model in model_readings([reading(float(value)) for value in values], METER)
    ]
    mean = np.array([[0.42, 0.45], [0.42, 0.45], [0.70, 0.74]])
    load = 0.035 * np.array([[[1.0, 0.5], [0.0, 0.4]], [[1.0, 0.2], [0.0, 0.0]], [[1.5, 1.0], [0.5, 0.0]]])
    own = np.full((3, 2), 0.01)
    world = World(np.array([-1, 0]), np.log([0.3, 0.7]), mean, own, load, np.zeros((3, 2)), np.full(3, 2.0))
    answer, counted = exact_posterior(world, models, 1, np.random.default_rng(1))
    weight = []
    for case in (0, 1):
        gain = mean[:, case] * np.array([model.gain_sd for model in models])
        spread = np.array([own[r, case] ** 2 + model.digits_sd**2 for r, model in enumerate(models)])
        covariance = load[:, :, case] @ load[:, :, case].T + np.outer(gain, gain) + np.diag(spread)
        weight.append(float(np.exp(world.log_prior[case])) * multivariate_normal.pdf(values, mean[:, case], covariance))
    assert answer == pytest.approx(np.array(weight) / sum(weight), rel=0.02)
    assert counted > 0.1


def test_what_is_open_and_what_is_even() -> None:
    """One reading OL, one a number that a resistance moves within its cell: scipy's tail and a quadrature agree."""
    models = [
        dataclasses.replace(model, slip=slip, false_open=false_open)
        for model, slip, false_open in zip(
            model_readings([reading(0.43), dataclasses.replace(reading(0.0), value=None, state="OL")], METER),
            (0.05, 0.0),
            (0.0, 0.1),
            strict=True,
        )
    ]
    mean, cell, own = np.array([[0.42, 0.50], [1.9, 1.97]]), np.array([[0.0, 0.05], [0.0, 0.02]]), 0.01
    none = np.zeros((2, 0, 2))
    world = World(np.array([-1, 0]), np.log([0.5, 0.5]), mean, np.full((2, 2), own), none, cell, np.full(2, 2.0))
    answer, _ = exact_posterior(world, models, 1, np.random.default_rng(1))
    gain = np.linspace(-5.0, 5.0, 201)[:, None]
    within = np.linspace(-np.sqrt(3.0), np.sqrt(3.0), 401)[None, :]
    weight = []
    for case in (0, 1):
        shown = [
            mean[r, case] * (1.0 + model.gain_sd * gain) + cell[r, case] * within for r, model in enumerate(models)
        ]
        sd = [np.hypot(own, model.digits_sd) for model in models]
        number = 0.95 * norm.pdf(models[0].value, shown[0], sd[0]) + 0.05 * models[0].slip_density
        opened = 0.9 * norm.sf(2.0, shown[1], sd[1]) + 0.1
        weight.append(float(np.average(np.mean(number * opened, axis=1), weights=norm.pdf(gain[:, 0]))))
    assert answer == pytest.approx(np.array(weight) / sum(weight), rel=0.02)


def test_packages_needed() -> None:
    """Two packages of 60 and 36 % hold 95 %, two of 60 and 30 % do not."""
    package = np.array([0, 1, 1, 2])
    assert packages_needed(np.array([0.6, 0.3, 0.06, 0.04]), package) == 2
    assert packages_needed(np.array([0.6, 0.2, 0.1, 0.1]), package) == 3
