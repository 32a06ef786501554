"""A map from noise is rare, a map of patches is common, and the field mean has no skill."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from rxmap.surface import PressureModel
from rxmap.surface.design import Design
from rxmap.surface.ensemble import range_centre
from rxmap.surface.gaussian import noise_shares
from rxmap.surface.places import observed_pressure
from rxmap.surface.verdict import (
    MOST_CHANCE,
    PATTERN_RANGES,
    PATTERN_SHARES,
    RANGE_SPREAD,
    SHUFFLES,
    _evidence,
    _evidence_following,
    even_scale,
    left_out_mean,
    shuffled_chances,
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


NONE = np.empty((0, 0))


def chance(measure: str, stops: np.ndarray, total: np.ndarray, units: np.ndarray, layers: np.ndarray = NONE) -> float:
    observed = even_scale(measure, observed_pressure(measure, 1.0, total, units))
    layers = layers if layers.size else np.empty((len(stops), 0))
    design = Design(stops, range_centre(640_000.0, len(stops)))
    return shuffled_chances(observed, noise_shares(units), design, layers, seed=1)[1]


def contrasts(alike: np.ndarray, tries: np.ndarray) -> np.ndarray:
    """Log likelihood of n - 1 orthonormal error contrasts, the variance integrated out (Harville 1974), in full."""
    count, rows = len(alike), []
    basis = np.linalg.svd(np.ones((1, count)))[2][1:]
    for share in PATTERN_SHARES:
        among = basis @ (share * alike + (1.0 - share) * np.eye(count)) @ basis.T
        seen = basis @ tries
        squares = (seen * np.linalg.solve(among, seen)).sum(axis=0)
        rows.append(-0.5 * np.linalg.slogdet(among)[1] - 0.5 * (count - 1) * np.log(squares))
    return np.array(rows)


def test_evidence_of_a_pattern_is_the_likelihood_of_error_contrasts() -> None:
    random = np.random.default_rng(3)
    alike = Design(random.uniform(0.0, 800.0, (12, 2)), 200.0).correlations("exponential", 240.0)
    tries = random.standard_normal((12, 4))
    assert np.ptp(_evidence(alike, tries) - contrasts(alike, tries)) < 1e-10  # up to a constant, which no shuffle sees


def test_evidence_of_following_a_layer_is_that_of_a_pattern_of_rank_one() -> None:
    random = np.random.default_rng(4)
    layer, tries = random.standard_normal(12), random.standard_normal((12, 4))
    layer = (layer - layer.mean()) / np.linalg.norm(layer - layer.mean())
    found = _evidence_following(layer, tries)
    assert np.ptp(found - contrasts(12.0 * np.outer(layer, layer), tries)) < 1e-10


def test_chance_is_that_of_all_orders_where_they_can_be_counted() -> None:
    """All 5,040 orders of seven values; the shuffles are a sample of them."""
    values = np.array([0.3, 0.9, 1.4, 1.1, 2.5, 2.2, 0.1])
    design = Design(np.column_stack([100.0 * np.arange(7.0), np.zeros(7)]), 300.0)
    orders = values[np.array(list(permutations(range(7))))].T
    evidence = [
        -0.5 * (np.log(reach) / RANGE_SPREAD) ** 2
        + _evidence(design.correlations("exponential", reach * 300.0), orders)
        for reach in PATTERN_RANGES
    ]
    clear = np.logaddexp.reduce(np.concatenate(evidence), axis=0)
    exact = float((clear > clear[0] - 1e-9).mean())
    told, _ = shuffled_chances(values, np.ones(7), design, np.empty((7, 0)), seed=1)
    assert binomtest(round(told * SHUFFLES), SHUFFLES, exact).pvalue > 0.01
    assert 0.02 < exact < 0.3  # else the test could not tell a wrong one


def test_a_shuffle_that_changes_nothing_looks_as_clustered() -> None:
    """Something at two neighbours of a ring, nothing elsewhere: of 19 places for the second two are as near."""
    angle = np.arange(20.0) * np.pi / 10.0
    design = Design(300.0 * np.column_stack([np.cos(angle), np.sin(angle)]), 200.0)
    told, _ = shuffled_chances(np.eye(20)[0] + np.eye(20)[1], np.ones(20), design, np.empty((20, 0)), seed=1)
    assert binomtest(round(told * SHUFFLES), SHUFFLES, 2 / 19).pvalue > 0.01


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("kind", NOISES)
def test_chance_of_noise_is_even_over_fields(invent: Callable, measure: str, kind: str) -> None:
    """A map in one field of ten at most, whatever the law of the values; ties only raise the chance."""
    chances = np.array([chance(measure, *noise(invent, kind, measure, 24 + seed % 3 * 20, seed)) for seed in range(60)])
    assert binomtest(int((chances <= MOST_CHANCE).sum()), 60, MOST_CHANCE, "greater").pvalue > 0.001
    assert kstest(chances, "uniform", alternative="greater").pvalue > 0.001


@pytest.mark.parametrize(
    ("measure", "level"), [("count", 0.2), ("count", 2.0), ("incidence", 0.12), ("incidence", 0.5)]
)
def test_chance_of_noise_is_even_where_units_follow_the_place(measure: str, level: float) -> None:
    """The mean of a root of small counts depends on the units: without care their pattern would be one of the pest."""
    chances = []
    for seed in range(120):
        random = np.random.default_rng(seed)
        stops = random.uniform(0.0, 800.0, (40, 2))
        units = np.where(stops[:, 0] < 400.0, 5.0, 30.0)
        draw = random.poisson(level * units) if measure == "count" else random.binomial(units.astype(int), level)
        chances.append(chance(measure, stops, draw.astype(float), units))
    assert binomtest(int((np.array(chances) <= MOST_CHANCE).sum()), 120, MOST_CHANCE, "greater").pvalue > 0.01


def test_noise_with_layers_of_noise_is_a_pattern_in_one_field_of_ten(invent: Callable) -> None:
    random, chances = np.random.default_rng(8), []
    for seed in range(100):
        field = noise(invent, "shuffled", "severity", 40, seed)
        chances.append(chance("severity", *field, random.standard_normal((40, 5))))
    assert binomtest(int((np.array(chances) <= MOST_CHANCE).sum()), 100, MOST_CHANCE, "greater").pvalue > 0.01


def test_values_that_follow_a_layer_are_no_chance() -> None:
    random = np.random.default_rng(5)
    layer, stops = random.standard_normal(40), random.uniform(0.0, 800.0, (40, 2))
    values = layer + 0.5 * random.standard_normal(40)
    layer[3] = np.nan  # one stop outside the image
    layers = np.column_stack([layer, random.standard_normal(40)])
    alone, beside = shuffled_chances(values, np.ones(40), Design(stops, 200.0), layers, seed=1)
    assert beside < 0.01 < alone


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
    fields = [noise(invent, kind, measure, count, seed) for kind in NOISES for seed in range(50)]
    # A chance above one in ten is no map whatever the fit says: only the others are fitted, which takes the time
    maps = [chance(measure, *field) <= MOST_CHANCE and verdict(measure, *field) for field in fields]
    assert binomtest(int(np.sum(maps)), len(maps), MOST_CHANCE, "greater").pvalue > 0.002  # one of 12 cases in 40 runs


@pytest.mark.long
@pytest.mark.parametrize("measure", MEASURES)
def test_wide_patches_are_nearly_always_a_map(invent: Callable, measure: str) -> None:
    maps = []
    for seed in range(200):
        law = {"range_": (300.0, 400.0)[seed % 2], "sill": 0.8, "scatter": 0.0, "noise": (0.1, 0.3)[seed // 2 % 2]}
        if measure in ("count", "incidence"):  # levels at which sampling is at most 0.3 of the variance
            law["level"] = 0.2 if measure == "incidence" else (0.5, 2.0, 20.0)[seed // 4 % 3]
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


@pytest.mark.long
@pytest.mark.parametrize("measure", ["count", "incidence", "severity"])
def test_a_third_of_all_patterns_is_a_map_with_forty_stops_and_fewer_with_24(invent: Callable, measure: str) -> None:
    """What `rxmap stops` plans a walk by; the fields are of all ranges, levels and noises, not only of clear ones."""
    maps = {}
    for count in (24, 40):
        fields = [invent(measure, count, seed) for seed in range(100)]
        maps[count] = np.mean([verdict(measure, field.stops, field.total, field.units) for field in fields])
    assert 0.3 <= maps[40] <= 0.7  # a third to two thirds; a standard error is 0.05
    assert maps[24] < maps[40]
