"""Stops told from the others: what leaving them out by algebra means, and what the figures promise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rxmap.surface import Kriging, PressureModel
from rxmap.surface.evidence import block_gap, check_left_out, neighbours_in_blocks, without_blocks

MEASURES = ("count", "incidence", "severity", "rating")


def stops_of(seed: int, count: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.0, 800.0, (count, 2))


@pytest.mark.parametrize("count", [6, 20, 41, 80])
def test_blocks_are_small_and_of_neighbours(count: int) -> None:
    stops = stops_of(1, count)
    blocks = neighbours_in_blocks(stops, 6)
    assert np.bincount(blocks).max() <= 6
    assert np.array_equal(np.unique(blocks), np.arange(blocks.max() + 1))
    wide = [np.ptp(stops[blocks == number], axis=0).max() for number in range(blocks.max() + 1)]
    assert (
        np.mean(wide) < 2.2 * 800.0 * np.sqrt(3.0 / count) + 1e-9
    )  # squares that hold as many stops, half as much again


@pytest.mark.parametrize("drifting", [False, True])
def test_leaving_a_block_out_equals_kriging_without_it(drifting: bool) -> None:
    random = np.random.default_rng(5)
    stops, values, noise = stops_of(2, 30), random.normal(3.0, 1.0, 30), random.uniform(0.1, 0.9, 30)
    layer = random.normal(size=(30, 1)) if drifting else None
    blocks = neighbours_in_blocks(stops, 6)
    system = Kriging(stops, values, "exponential", 250.0, 1.2, noise, layer, 0.4 if drifting else 0.0)
    mean, variance = without_blocks(system, blocks)
    for number in range(blocks.max() + 1):
        out = blocks == number
        drift = None if layer is None else layer[~out]
        rest = Kriging(stops[~out], values[~out], "exponential", 250.0, 1.2, noise[~out], drift, system.slope_precision)
        told, doubt = rest.predict(stops[out], None if layer is None else layer[out])
        assert mean[out] == pytest.approx(told, abs=1e-9)
        assert variance[out] == pytest.approx(doubt, abs=1e-9)


def test_the_gap_of_a_block_is_the_way_to_the_next_stop_outside() -> None:
    stops = np.array([[0.0, 0.0], [0.0, 1.0], [0.0, 11.0], [0.0, 12.0]])
    assert block_gap(stops, np.array([0, 0, 1, 1])) == pytest.approx((11.0 + 10.0 + 10.0 + 11.0) / 4.0)


def checked(invent: Callable, measure: str, seed: int, **law: float) -> tuple:
    field = invent(measure, 60, seed, **law)
    model = PressureModel(measure=measure, area=field.area).fit(field.stops, field.total, field.units)
    return model, check_left_out(model, float(model.pressure_.mean()))


@pytest.mark.parametrize("measure", MEASURES)
def test_nine_of_ten_looks_are_inside_and_chances_are_met(invent: Callable, measure: str) -> None:
    checks = [checked(invent, measure, seed)[1] for seed in range(4)]
    # 240 stops: standard errors of 0.02 of the coverage and 0.03 of the chances
    assert 0.84 < np.mean([check.coverage for check in checks]) < 0.97
    told = sum(each.stops * each.told for check in checks for each in check.chances)
    found = sum(each.stops * each.found for check in checks for each in check.chances)
    assert told / 240.0 == pytest.approx(found / 240.0, abs=0.09)


def test_a_pattern_holds_on_ground_farther_off(invent: Callable) -> None:
    law = {"range_": 400.0, "sill": 1.5, "scatter": 0.0, "level": 5.0}
    checks = [checked(invent, "count", seed, **law) for seed in range(4)]
    assert all(model.verdict_ == "map" for model, _ in checks)
    assert all(check.skill_blocks > 0.0 for _, check in checks)
    assert np.mean([check.wrong_side for _, check in checks]) < np.mean([check.wrong_side_alike for _, check in checks])


def test_without_a_map_blocks_have_no_skill(invent: Callable) -> None:
    model, check = checked(invent, "incidence", 6, range_=0.0)
    assert model.verdict_ == "uniform"
    assert check.skill_blocks is None


def test_a_count_across_the_end_of_the_interval_is_inside_in_part(invent: Callable) -> None:
    _, check = checked(invent, "count", 1, level=0.1)
    inside = np.array([one.inside for one in check.stops])
    assert ((inside >= 0.0) & (inside <= 1.0)).all()
    assert ((inside > 0.0) & (inside < 1.0)).any()


def test_figures_do_not_depend_on_the_order_of_rows(invent: Callable) -> None:
    field = invent("count", 40, 2)
    order = np.random.default_rng(0).permutation(40)
    told = []
    for rows in (np.arange(40), order):
        model = PressureModel(measure="count", area=field.area)
        model.fit(field.stops[rows], field.total[rows], field.units[rows])
        told.append(check_left_out(model, 1.0))
    assert told[0] == told[1]


def test_places_without_a_layer_are_told_without_it() -> None:
    random = np.random.default_rng(8)
    stops, layer = stops_of(4, 50), random.normal(size=50)
    total = random.poisson(np.exp(1.0 + 0.9 * layer) * 10.0)
    seen = np.where(np.arange(50) < 40, layer, np.nan)
    model = PressureModel(measure="count", area=640_000.0).fit(stops, total, np.full(50, 10.0), seen, names=["layer"])
    assert model.covariates_used_ == ("layer",)
    check = check_left_out(model, 3.0)
    told = np.array([[one.found, one.told, one.p_over, one.inside] for one in check.stops])
    assert told.shape == (50, 4)
    assert np.isfinite(told).all()
    assert check.skill_blocks > 0.3  # the layer tells of every block
