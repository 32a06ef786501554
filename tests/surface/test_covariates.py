"""Layers enter the surface when the stops earn them, and only then."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rxmap.errors import InputError
from rxmap.surface import Blended, PressureModel
from rxmap.surface.verdict import even_scale

AREA = 640_000.0
MEASURES = ("count", "incidence", "severity", "rating")


def fitted(field: object, layers: np.ndarray, *names: str) -> PressureModel:
    model = PressureModel(measure=field.measure, area=AREA)
    return model.fit(field.stops, field.total, field.units, layers, names=names)


def explaining(field: object, seed: int) -> np.ndarray:
    """Layer that explains half the variance of what the stops show."""
    seen = field.total / field.units if field.measure in ("count", "incidence") else field.total
    seen = even_scale(field.measure, 100.0 * seen if field.measure == "incidence" else seen)
    noise = np.random.default_rng([seed, 31]).standard_normal(len(seen))
    return np.sqrt(0.5) * (seen - seen.mean()) / seen.std() + np.sqrt(0.5) * noise


@pytest.fixture
def field(invent: Callable) -> object:
    return invent("severity", 40, 3, range_=200.0, sill=0.8, noise=0.3, level=0.3)


@pytest.mark.parametrize("measure", MEASURES)
def test_a_layer_that_explains_half_is_used_and_lifts_skill(invent: Callable, measure: str) -> None:
    field = invent(measure, 40, 1, level=5.0 if measure == "count" else 0.3)
    model = fitted(field, explaining(field, 1), "NDVI")
    assert model.covariates_used_ == ("NDVI",)
    assert model.verdict_ == "map"
    assert "with NDVI" in model.model_
    assert "NDVI is used" in model.reason_
    assert model.skill_ > fitted(field, np.empty((40, 0))).skill_ + 0.1
    assert 0.1 < model.covariate_gain_["NDVI"] < 0.8


def test_a_layer_of_noise_is_not_used_and_changes_nothing(field: object) -> None:
    noise = np.random.default_rng(4).standard_normal(40)
    model, without = fitted(field, noise, "band 1"), fitted(field, np.empty((40, 0)))
    assert model.covariates_used_ == ()
    assert "image_not_used: band 1" in dict(model.cautions_)
    assert "chance reaches" in model.covariates_[0].why
    places = field.places
    assert np.array_equal(model.predict(places, np.zeros((200, 1))).mean, without.predict(places).mean)


def test_of_two_layers_that_say_the_same_one_is_used(field: object) -> None:
    layer = explaining(field, 2)
    model = fitted(field, np.column_stack([layer, 3.0 * layer + 0.01 * field.stops[:, 0] / 800.0]), "NDVI", "GNDVI")
    assert len(model.covariates_used_) == 1
    (left,) = [use for use in model.covariates_ if not use.used]
    assert f"follows {model.covariates_used_[0]}" in left.why


def test_two_layers_that_each_explain_something_are_both_used(field: object) -> None:
    one = np.random.default_rng(5).standard_normal(40)
    seen = field.total - field.total.mean()
    other = seen / seen.std() - one + 0.1 * np.random.default_rng(6).standard_normal(40)
    assert set(fitted(field, np.column_stack([one, other]), "a", "b").covariates_used_) == {"a", "b"}


@pytest.mark.parametrize(
    ("layer", "why"),
    [
        (np.full(40, 7.0), "same at every stop"),
        (np.full(40, np.nan), "0 of 40"),
        (np.r_[0:9, [np.nan] * 31], "9 of 40"),
    ],
)
def test_a_layer_that_cannot_tell_is_dropped_with_the_reason(field: object, layer: np.ndarray, why: str) -> None:
    (use,) = fitted(field, layer, "flat").covariates_
    assert (use.used, use.gain) == (False, None)
    assert why in use.why


def test_too_few_stops_leave_every_layer_out(invent: Callable) -> None:
    field = invent("rating", 11, 1)
    model = fitted(field, field.total, "NDVI")
    assert model.covariates_used_ == ()
    assert "11 places" in model.covariates_[0].why


@pytest.mark.parametrize("measure", MEASURES)
def test_without_a_value_the_model_without_the_layer_predicts(invent: Callable, measure: str) -> None:
    field = invent(measure, 40, 1, range_=400.0, level=5.0 if measure == "count" else 0.3)
    model, without = fitted(field, explaining(field, 1), "NDVI"), fitted(field, np.empty((40, 0)))
    values = np.random.default_rng(7).standard_normal(200)
    part = np.where(np.arange(200) < 80, np.nan, values)
    blended, whole = model.predict(field.places, part), model.predict(field.places, values)
    bare = without.predict(field.places[:80])
    assert isinstance(blended, Blended)
    assert len(blended) == 200
    for told in ("mean", "sd"):
        assert np.array_equal(getattr(blended, told)[:80], getattr(bare, told))
        assert getattr(blended, told)[80:] == pytest.approx(getattr(whole, told)[80:], rel=1e-9)
    assert np.array_equal(blended.p_over(5.0)[:80], bare.p_over(5.0))
    assert blended.quantile(0.9)[80:] == pytest.approx(whole.quantile(0.9)[80:], rel=1e-9)
    assert np.array_equal(blended.expect(np.sqrt)[:80], bare.expect(np.sqrt))


def test_where_only_the_layer_earns_the_map_ground_without_it_is_uniform(invent: Callable) -> None:
    field = invent("severity", 40, 2, range_=0.0, level=0.3)
    model = fitted(field, explaining(field, 1), "NDVI")
    assert (model.verdict_, fitted(field, np.empty((40, 0))).verdict_) == ("map", "uniform")
    values = np.where(np.arange(200) < 80, np.nan, np.linspace(-2.0, 2.0, 200))
    at = model.predict(field.places, values)
    assert np.ptp(at.mean[:80]) == 0.0
    assert np.ptp(at.mean[80:]) > 1.0
    assert model.simulate(field.places, 50, values).shape == (50, 200)


@pytest.mark.parametrize("measure", MEASURES)
def test_draws_follow_the_prediction_with_a_layer(invent: Callable, measure: str) -> None:
    field = invent(measure, 40, 1, range_=400.0, level=5.0 if measure == "count" else 0.3)
    model = fitted(field, explaining(field, 1), "NDVI")
    places, values = field.places[:30], np.where(np.arange(30) < 10, np.nan, np.linspace(-2.0, 2.0, 30))
    drawn, at = model.simulate(places, 2000, values), model.predict(places, values)
    # 2000 draws: the mean is known to 0.022 sd, here 5 times that; the sd of a skewed law to some 15 %
    assert (np.abs(drawn.mean(axis=0) - at.mean) < 0.11 * at.sd).all()
    assert drawn.std(axis=0) == pytest.approx(at.sd, rel=0.15)
    assert np.corrcoef(drawn[:, :10].mean(axis=1), drawn[:, 10:].mean(axis=1))[0, 1] > 0.5


def test_stops_without_a_value_are_judged_by_the_model_without(field: object) -> None:
    layer = explaining(field, 2)
    layer[::4] = np.nan
    model, without = fitted(field, layer, "NDVI"), fitted(field, np.empty((40, 0)))
    assert model.covariates_used_ == ("NDVI",)
    changed = model.left_out_ != without.left_out_
    assert changed[np.isfinite(layer)].all()


@pytest.mark.parametrize("layers", [np.zeros((39, 1)), np.zeros((40, 2))])
def test_layers_of_another_shape_are_refused(field: object, layers: np.ndarray) -> None:
    with pytest.raises(InputError, match="covariates: found"):
        fitted(field, layers, "NDVI")


@pytest.mark.parametrize("measure", MEASURES)
def test_order_of_rows_does_not_change_a_byte_with_layers(invent: Callable, measure: str) -> None:
    field = invent(measure, 40, 1, level=5.0 if measure == "count" else 0.3)
    layer, order = explaining(field, 1), np.random.default_rng(1).permutation(40)
    one = fitted(field, layer, "NDVI").predict(field.places, np.ones(200)).mean
    model = PressureModel(measure=measure, area=AREA)
    other = model.fit(field.stops[order], field.total[order], field.units[order], layer[order], names=["NDVI"])
    assert np.array_equal(one, other.predict(field.places, np.ones(200)).mean)


@pytest.mark.parametrize("measure", MEASURES)
def test_six_layers_at_once_each_get_their_due(invent: Callable, measure: str) -> None:
    field = invent(measure, 60, 1, level=5.0 if measure == "count" else 0.3)
    layer, random = explaining(field, 1), np.random.default_rng(9)
    holed, short = layer.copy(), layer.copy()
    holed[::7] = np.nan
    short[10:] = np.nan
    layers = [layer, -2.0 * layer + 0.01 * random.standard_normal(60), holed, short, np.full(60, 7.0)]
    model = fitted(field, np.column_stack([*layers, random.standard_normal(60)]), *"abcdef")
    used, fate = model.covariates_used_, {use.name: use for use in model.covariates_}
    assert len(used) == 1
    assert used[0] in "abc"
    for twin in set("abc") - set(used):
        assert f"follows {used[0]}" in fate[twin].why
    assert "a value at 10 of 60 places" in fate["d"].why
    assert "same at every stop" in fate["e"].why
    assert "no more than" in fate["f"].why
    assert fate[used[0]].gain == model.covariate_gain_[used[0]] > 0.1
    assert fate["d"].gain is fate["e"].gain is None


@pytest.mark.long
@pytest.mark.parametrize("measure", MEASURES)
def test_a_layer_of_noise_enters_one_field_in_twenty(invent: Callable, measure: str) -> None:
    used = []
    for seed in range(200):
        layer = np.random.default_rng([seed, 5]).standard_normal(40)
        used.append(len(fitted(invent(measure, 40, seed), layer, "x").covariates_used_))
    assert np.mean(used) <= 0.05 + 0.02  # 5 %, plus 1.3 standard errors of 200 fields


@pytest.mark.long
@pytest.mark.parametrize("measure", MEASURES)
def test_half_the_variance_nearly_always_enters_and_lifts_skill(invent: Callable, measure: str) -> None:
    used, lift = [], []
    for seed in range(100):
        field = invent(measure, 80, seed)
        model = fitted(field, explaining(field, seed), "x")
        used.append(len(model.covariates_used_))
        lift.append(model.skill_ - fitted(field, np.empty((80, 0))).skill_ if seed < 20 else np.nan)
    assert np.mean(used) >= 0.95
    assert np.nanmean(lift) > 0.15
