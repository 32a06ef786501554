"""The model as a whole: degenerate fields, order, co-located stops, unequal effort."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.surface import PressureModel
from rxmap.surface.verdict import MOST_CHANCE

AREA = 640_000.0
MEASURES = ("count", "incidence", "severity", "rating")


def scattered(count: int) -> np.ndarray:
    return np.random.default_rng(count).uniform(0.0, 800.0, (count, 2))


def sloping(measure: str, count: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented field: pressure rises from west to east."""
    random = np.random.default_rng(5)
    stops = scattered(count)
    share = 0.05 + 0.5 * stops[:, 0] / 800.0
    if measure == "count":
        return stops, random.poisson(100.0 * share).astype(float), np.full(count, 10.0)
    if measure == "incidence":
        return stops, random.binomial(20, share).astype(float), np.full(count, 20.0)
    scale = 100.0 if measure == "severity" else 9.0
    return stops, scale * np.clip(share + random.normal(0.0, 0.05, count), 0.0, 1.0), np.ones(count)


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("count", [1, 2, 5, 30])
@pytest.mark.parametrize("value", [0.0, 3.0, 10.0])
def test_stops_all_alike_give_a_uniform_field_without_false_certainty(measure: str, count: int, value: float) -> None:
    model = PressureModel(measure=measure, area=AREA).fit(scattered(count), np.full(count, value), np.full(count, 10.0))
    field = model.predict(scattered(1701))
    assert model.verdict_ == "uniform"
    assert np.isnan(model.skill_)
    assert [np.ptp(values) for values in (field.mean, field.sd, field.expect(np.sqrt))] == [0.0, 0.0, 0.0]
    assert (field.sd > 0.0).all()
    assert (field.quantile(0.95) > field.quantile(0.05)).all()


def test_nothing_seen_leaves_the_level_that_may_have_been_missed() -> None:
    # 300 plants, none infested: the exact 95 % bound is 1 % (rule of three, Hanley and
    # Lippman-Hand 1983, JAMA 249:1743); the Jeffreys bound is 0.64 %.
    model = PressureModel(measure="incidence", area=AREA).fit(scattered(30), np.zeros(30), np.full(30, 10.0))
    upper = model.predict([[400.0, 400.0]]).quantile(0.95)[0]
    assert upper == pytest.approx(0.64, abs=0.02)  # the log-normal's own fit


@pytest.mark.parametrize("measure", MEASURES)
def test_eleven_stops_are_never_a_map(measure: str) -> None:
    model = PressureModel(measure=measure, area=AREA).fit(*sloping(measure, 11))
    assert model.verdict_ == "uniform"
    assert "11" in model.reason_


@pytest.mark.parametrize("measure", MEASURES)
def test_all_stops_at_one_place_are_one_stop(measure: str) -> None:
    model = PressureModel(measure=measure, area=AREA).fit(np.full((20, 2), 5.0), np.arange(20.0) % 5, np.full(20, 10.0))
    assert model.n_stops_ == 1
    assert model.verdict_ == "uniform"
    assert model.left_out_.shape == (20,)


@pytest.mark.parametrize("measure", MEASURES)
def test_a_slope_is_a_map_that_rises_with_it(measure: str) -> None:
    model = PressureModel(measure=measure, area=AREA).fit(*sloping(measure))
    west, east = model.predict([[50.0, 400.0], [750.0, 400.0]]).mean
    assert model.verdict_ == "map"
    assert model.skill_ > 0.0
    assert model.chance_ <= MOST_CHANCE
    assert east > 2.0 * west


@pytest.mark.parametrize("measure", MEASURES)
def test_order_of_rows_does_not_change_a_byte(measure: str) -> None:
    stops, total, units = sloping(measure)
    order = np.random.default_rng(1).permutation(len(total))
    places = scattered(50)
    one = PressureModel(measure=measure, area=AREA).fit(stops, total, units)
    other = PressureModel(measure=measure, area=AREA).fit(stops[order], total[order], units[order])
    assert np.array_equal(one.left_out_[order], other.left_out_)
    for distribution in ("mean", "sd"):
        assert np.array_equal(getattr(one.predict(places), distribution), getattr(other.predict(places), distribution))
    assert np.array_equal(one.simulate(places, 20), other.simulate(places, 20))


@pytest.mark.parametrize("measure", ["count", "incidence"])
def test_two_visits_to_one_place_equal_the_pooled_visit(measure: str) -> None:
    stops, total, units = sloping(measure)
    model = PressureModel(measure=measure, area=AREA)
    pooled = model.fit(stops, total, units).predict(scattered(9)).mean
    part = np.floor(total / 2.0)
    split = model.fit(
        np.vstack([stops, stops]), np.concatenate([part, total - part]), np.concatenate([units / 2, units / 2])
    )
    assert np.abs(split.predict(scattered(9)).mean - pooled).max() < 1e-9


@pytest.mark.parametrize("measure", MEASURES)
def test_stops_a_centimetre_apart_are_no_trouble(measure: str) -> None:
    stops, total, units = sloping(measure)
    stops[1] = stops[0] + 0.01
    field = PressureModel(measure=measure, area=AREA).fit(stops, total, units).predict(scattered(50))
    assert np.isfinite(field.mean).all()
    assert field.mean.max() < 2.0 * PressureModel(measure=measure, area=AREA).fit(stops, total, units).pressure_.max()


@pytest.mark.parametrize("measure", MEASURES)
def test_a_stop_with_few_units_moves_the_map_less(measure: str) -> None:
    stops, total, units = sloping(measure)
    spike = stops[7]
    units = np.full(len(total), 50.0)
    if measure in ("count", "incidence"):
        total = np.round(total * 50.0 / (10.0 if measure == "count" else 20.0))
    rise = []
    for looked in (2.0, 50.0):
        units[7] = looked
        total[7] = {"count": 8.0 * looked, "incidence": looked, "severity": 95.0, "rating": 9.0}[measure]
        model = PressureModel(measure=measure, area=AREA).fit(stops, total, units)
        rise.append(model.predict([spike], spatial=True).mean[0])
    assert rise[0] < rise[1]


@pytest.mark.parametrize(
    ("total", "units"),
    [([-1.0], [5.0]), ([6.0], [5.0]), ([1.0], [0.0]), ([np.nan], [5.0]), ([1.0, 2.0], [5.0]), ([], [])],
)
def test_numbers_that_cannot_be_are_refused(total: list[float], units: list[float]) -> None:
    with pytest.raises(InputError):
        PressureModel(measure="incidence", area=AREA).fit(np.zeros((len(units), 2)), total, units)


def test_counts_in_the_hundred_thousands_keep_the_level() -> None:
    stops = scattered(40)
    expected = 1e5 * np.exp(stops[:, 0] / 400.0)
    total = np.random.default_rng(2).poisson(expected).astype(float)
    model = PressureModel(measure="count", area=AREA).fit(stops, total, np.full(40, 100.0))
    assert model.verdict_ == "map"
    assert model.predict(stops).mean == pytest.approx(expected / 100.0, rel=0.1)  # smooth between neighbours


@pytest.mark.parametrize("measure", MEASURES)
def test_uniform_field_mean_is_the_mean_of_the_stops(measure: str) -> None:
    stops, total, units = sloping(measure, 11)
    model = PressureModel(measure=measure, area=AREA).fit(stops, total, units)
    mean, sd = model.field_mean()
    assert mean == pytest.approx(model.pressure_.mean(), rel=0.01)  # Gauss-Hermite
    assert 0.0 < sd < model.predict([[0.0, 0.0]]).sd[0]


def test_a_smooth_field_seen_sharply_earns_the_smoother_kernel() -> None:
    stops = scattered(80)
    smooth = 50.0 + 30.0 * np.sin(stops[:, 0] / 150.0) * np.cos(stops[:, 1] / 150.0)
    model = PressureModel(measure="severity", area=AREA).fit(stops, smooth, np.ones(80))
    assert "Matern" in model.model_


@pytest.mark.parametrize(
    ("total", "code"), [(np.zeros(20), "nothing_found"), (np.arange(20.0) % 3, "same_place"), (np.ones(5), "few_stops")]
)
def test_cautions_name_what_is_odd_about_the_stops(total: np.ndarray, code: str) -> None:
    stops = scattered(len(total))
    if code == "same_place":
        stops[1] = stops[0]
    model = PressureModel(measure="count", area=AREA).fit(stops, total, np.full(len(total), 10.0))
    assert code in dict(model.cautions_)


LIMITS = {"count": (0.0, np.inf), "incidence": (0.0, 100.0), "severity": (0.0, 100.0), "rating": (0.0, np.inf)}


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(MEASURES), st.integers(1, 20), st.integers(0, 10_000))
def test_any_walk_gives_finite_figures_inside_the_measure(measure: str, count: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    stops = np.round(random.uniform(0.0, 300.0, (count, 2)), -int(random.integers(0, 3)))  # rounding makes twins
    units = random.integers(1, 60, count).astype(float)
    total = np.floor(random.beta(0.3, 0.6, count) * units)  # many zeros, some full
    model = PressureModel(measure=measure, area=90_000.0).fit(stops, total, units)
    at = model.predict(np.vstack([stops, [[1e5, -1e5]]]))
    low, high = LIMITS[measure]
    for values in (at.mean, at.quantile(0.05), at.quantile(0.95), model.simulate(stops, 20)):
        assert np.isfinite(values).all()
        assert (values >= low).all()
        assert (values <= high).all()
    assert np.isfinite(at.sd).all()
    assert (at.sd > 0.0).all()
    assert (at.quantile(0.05) <= at.quantile(0.95)).all()
    chance = at.p_over(5.0)
    assert ((chance >= 0.0) & (chance <= 1.0)).all()
