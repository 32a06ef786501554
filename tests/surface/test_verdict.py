"""A map from noise is rare, a map of patches is common, and the field mean has no skill."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rxmap.surface import PressureModel
from rxmap.surface.verdict import even_scale, left_out_mean, skill

MEASURES = ("count", "incidence", "severity", "rating")
NOISES = ("shuffled", "independent", "clumped", "unequal")


def noise(invent: Callable, kind: str, measure: str, count: int, seed: int) -> tuple[np.ndarray, ...]:
    """Field in which place tells nothing."""
    field = invent(measure, count, seed, **({} if kind == "shuffled" else {"range_": 0.0}))
    random = np.random.default_rng([seed, 77])
    total, units = field.total, field.units
    if kind == "shuffled":
        total = random.permutation(total)
    if kind == "clumped":  # negative binomial with k = 0.5, or one stop in seven with much
        much = np.where(random.random(count) < 0.15, 9.0, 0.0)
        total = random.negative_binomial(0.5, 0.5 / 5.5, count).astype(float) if measure == "count" else much
    if kind == "unequal":
        units = random.choice([1.0, 5.0, 50.0], count)
        if measure == "count":
            total = random.poisson(2.0 * units * random.gamma(1.5, 1.0 / 1.5, count)).astype(float)
        if measure == "incidence":
            total = random.binomial(units.astype(int), random.beta(1.0, 3.0, count)).astype(float)
    return field.stops, total, units


def verdict(measure: str, stops: np.ndarray, total: np.ndarray, units: np.ndarray) -> bool:
    return PressureModel(measure=measure, area=640_000.0).fit(stops, total, units).verdict_ == "map"


def test_skill_of_the_left_out_mean_is_zero() -> None:
    pressure = np.array([1.0, 4.0, 2.0, 9.0])
    assert skill(pressure, left_out_mean(pressure)) == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(skill(np.full(4, 3.0), np.full(4, 3.0)))


@pytest.mark.parametrize("measure", MEASURES)
def test_noise_is_seldom_a_map(invent: Callable, measure: str) -> None:
    maps = [verdict(measure, *noise(invent, kind, measure, 24, seed)) for kind in NOISES for seed in range(3)]
    assert sum(maps) <= 4  # 12 fields at 10 %: more than 4 happens once in 230 times


@pytest.mark.parametrize("measure", MEASURES)
def test_wide_patches_are_a_map(invent: Callable, measure: str) -> None:
    law = {"range_": 350.0, "sill": 0.8, "scatter": 0.0, "noise": 0.2}
    fields = [invent(measure, 80, seed, **law) for seed in range(4)]
    assert sum(verdict(measure, field.stops, field.total, field.units) for field in fields) >= 3


@pytest.mark.long
@pytest.mark.parametrize("count", [24, 40, 80])
@pytest.mark.parametrize("measure", MEASURES)
def test_noise_is_a_map_in_one_field_of_ten(invent: Callable, measure: str, count: int) -> None:
    maps = [verdict(measure, *noise(invent, kind, measure, count, seed)) for kind in NOISES for seed in range(50)]
    assert np.mean(maps) <= 0.10 + 0.03  # 10 %, plus 1.4 standard errors of 200 fields


@pytest.mark.long
@pytest.mark.parametrize("measure", MEASURES)
def test_wide_patches_are_nearly_always_a_map(invent: Callable, measure: str) -> None:
    maps = []
    for seed in range(200):
        law = {"range_": (300.0, 400.0)[seed % 2], "sill": 0.8, "scatter": 0.0, "noise": (0.1, 0.3)[seed % 2]}
        if measure in ("count", "incidence"):  # levels at which sampling is at most 0.3 of the variance
            law["level"] = 0.2 if measure == "incidence" else (0.5, 2.0, 20.0)[seed % 3]
        field = invent(measure, 80, seed, **law)
        maps.append(verdict(measure, field.stops, field.total, field.units))
    assert np.mean(maps) >= 0.95 - 0.02  # 95 %, less 1.3 standard errors of 200 fields


def test_noise_is_even_on_the_even_scale() -> None:
    # Variance a quarter for Poisson counts of any mean from 10 on; 1 / (4 n) for shares of n (Bartlett 1947)
    random = np.random.default_rng(1)
    for mean in (10.0, 20.0, 200.0):
        assert even_scale("count", random.poisson(mean, 20_000)).var() == pytest.approx(0.25, rel=0.1)
    for share in (0.2, 0.5, 0.8):
        seen = even_scale("incidence", 100.0 * random.binomial(40, share, 20_000) / 40.0)
        assert seen.var() == pytest.approx(1.0 / 160.0, rel=0.1)
