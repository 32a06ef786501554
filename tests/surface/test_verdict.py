"""A map from noise is rare, a map of patches is common, and the field mean has no skill."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from rxmap.surface import PressureModel
from rxmap.surface.design import Design
from rxmap.surface.gaussian import noise_shares
from rxmap.surface.places import observed_pressure
from rxmap.surface.verdict import (
    MOST_CHANCE,
    PATTERN_SHARES,
    SHUFFLES,
    _evidence,
    even_scale,
    left_out_mean,
    patterns,
    shuffled_chance,
    skill,
)

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


def chance(measure: str, stops: np.ndarray, total: np.ndarray, units: np.ndarray, seed: int = 1) -> float:
    observed = even_scale(measure, observed_pressure(measure, 1.0, total, units))
    return shuffled_chance(observed, noise_shares(units), patterns(Design(stops, 200.0)), seed=seed)


def test_evidence_of_a_pattern_is_the_likelihood_of_error_contrasts() -> None:
    """Harville 1974: without mean and variance the likelihood of n - 1 orthonormal contrasts, written out in full."""
    random = np.random.default_rng(3)
    ((_, alike),) = patterns(Design(random.uniform(0.0, 800.0, (12, 2)), 200.0))[2:3]
    tries = random.standard_normal((12, 4))
    contrasts = np.linalg.svd(np.ones((1, 12)))[2][1:]
    found = _evidence(alike, tries)
    due = []
    for share in PATTERN_SHARES:
        among = contrasts @ (share * alike + (1.0 - share) * np.eye(12)) @ contrasts.T
        seen = contrasts @ tries
        squares = (seen * np.linalg.solve(among, seen)).sum(axis=0)
        due.append(-0.5 * np.linalg.slogdet(among)[1] - 5.5 * np.log(squares))
    difference = found - np.array(due)
    assert np.ptp(difference) < 1e-10  # up to a constant, which no shuffle sees


def test_chance_is_that_of_all_orders_where_they_can_be_counted() -> None:
    """All 5,040 orders of seven values; the shuffles are a sample of them."""
    values = np.array([0.3, 0.9, 1.4, 1.1, 2.5, 2.2, 0.1])
    found = patterns(Design(np.column_stack([100.0 * np.arange(7.0), np.zeros(7)]), 300.0))
    orders = values[np.array(list(permutations(range(7))))].T
    clear = np.logaddexp.reduce(np.concatenate([prior + _evidence(alike, orders) for prior, alike in found]), axis=0)
    exact = float((clear > clear[0] - 1e-9).mean())
    told = shuffled_chance(values, np.ones(7), found, seed=1)
    assert binomtest(round(told * SHUFFLES), SHUFFLES, exact).pvalue > 0.01
    assert 0.02 < exact < 0.3  # else the test could not tell a wrong one


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("kind", NOISES)
def test_chance_of_noise_is_even_over_fields(invent: Callable, measure: str, kind: str) -> None:
    """A map in one field of ten at most, whatever the law of the values; ties only raise the chance."""
    chances = np.array([chance(measure, *noise(invent, kind, measure, 24 + seed % 3 * 20, seed)) for seed in range(60)])
    assert binomtest(int((chances <= MOST_CHANCE).sum()), 60, MOST_CHANCE, "greater").pvalue > 0.001
    assert kstest(chances, "uniform", alternative="greater").pvalue > 0.001


def test_chance_grows_no_smaller_by_offering_noise_as_layers(invent: Callable) -> None:
    random = np.random.default_rng(8)
    chances = []
    for seed in range(100):
        stops, total, units = noise(invent, "shuffled", "severity", 40, seed)
        found = patterns(Design(stops, 200.0), random.standard_normal((40, 5)))
        chances.append(shuffled_chance(even_scale("severity", total), noise_shares(units), found, seed=seed))
    assert binomtest(int((np.array(chances) <= MOST_CHANCE).sum()), 100, MOST_CHANCE, "greater").pvalue > 0.01


def test_values_that_follow_a_layer_are_no_chance() -> None:
    random = np.random.default_rng(5)
    layer, stops = random.standard_normal(40), random.uniform(0.0, 800.0, (40, 2))
    values = layer + 0.5 * random.standard_normal(40)
    layer[3] = np.nan  # one stop outside the image
    alone, with_it = (
        shuffled_chance(values, np.ones(40), patterns(Design(stops, 200.0), layers), seed=1)
        for layers in (None, np.column_stack([layer, random.standard_normal(40)]))
    )
    assert with_it < 0.01 < alone


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
