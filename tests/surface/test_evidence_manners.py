"""The model used alone, as a user of scikit-learn would: arrays in, arrays out, plain refusals."""

from __future__ import annotations

import numpy as np
import pytest

from rxmap.errors import InputError
from rxmap.surface import PressureModel


def stops() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(3)
    places = random.uniform(0.0, 400.0, (30, 2))
    return places, random.poisson(2.0 + places[:, 0] / 40.0), np.full(30, 5.0)


def model() -> PressureModel:
    return PressureModel(measure="count", area=160_000.0, per=25.0)


def test_parameters_are_stored_as_given_and_can_be_set() -> None:
    given = {"measure": "count", "area": 160_000.0, "per": 25.0, "seed": 1, "gps_error": 0.0}
    assert model().get_params().items() >= given.items()
    changed = model().set_params(per=1.0, gps_error=3.0).get_params()
    assert changed == model().get_params() | {"per": 1.0, "gps_error": 3.0}
    assert eval(repr(model()), {"PressureModel": PressureModel}).get_params() == model().get_params()


def test_an_unknown_parameter_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="measure, area, per"):
        model().set_params(range=100.0)


def test_a_clone_has_the_parameters_and_nothing_learned() -> None:
    from sklearn.base import clone

    fitted = model().fit(*stops())
    copy = clone(fitted)
    assert copy.get_params() == fitted.get_params()
    assert not [name for name in vars(copy) if name.endswith("_")]


def test_fit_returns_the_model_and_changes_no_parameter_and_no_array() -> None:
    places, total, units = stops()
    before = places.copy(), total.copy(), units.copy()
    learner = model()
    asked = learner.get_params()
    assert learner.fit(places, total, units) is learner
    assert learner.get_params() == asked
    assert all(np.array_equal(one, other) for one, other in zip(before, (places, total, units), strict=True))


def test_fitting_again_forgets_what_was_learned() -> None:
    places, total, units = stops()
    twice = model().fit(places, total[::-1], units).fit(places, total, units)
    once = model().fit(places, total, units)
    assert np.array_equal(twice.predict(places, spatial=True).mean, once.predict(places, spatial=True).mean)


@pytest.mark.parametrize("told", ["predict", "simulate", "joint", "field_mean"])
def test_nothing_is_told_before_fit(told: str) -> None:
    arguments = {"field_mean": (), "simulate": ([[0.0, 0.0]], 3)}.get(told, ([[0.0, 0.0]],))
    with pytest.raises(InputError, match="call fit"):
        getattr(model(), told)(*arguments)


@pytest.mark.parametrize("places", [np.zeros(4), np.zeros((2, 30)), np.zeros((30, 3)), 7.0])
def test_places_of_another_shape_are_refused(places: np.ndarray) -> None:
    fitted = model().fit(*stops())
    with pytest.raises(InputError, match="easting and northing"):
        fitted.predict(places)
    with pytest.raises(InputError, match="easting and northing"):
        model().fit(places, *stops()[1:])


def test_lists_do_as_arrays_do() -> None:
    places, total, units = stops()
    told = model().fit(places.tolist(), total.tolist(), units.tolist()).predict([[10.0, 20.0]], spatial=True)
    assert told.mean == pytest.approx(model().fit(places, total, units).predict([[10.0, 20.0]], spatial=True).mean)
    assert told.mean.shape == told.sd.shape == told.p_over(3.0).shape == told.quantile(0.05).shape == (1,)


def test_without_units_each_stop_is_one() -> None:
    places, total, _ = stops()
    one, other = (model().fit(places, total, *units) for units in ((), (np.ones(30),)))
    assert np.array_equal(one.pressure_, other.pressure_)
    assert one.left_out_ == pytest.approx(other.left_out_, rel=1e-12)


def test_no_places_give_no_figures() -> None:
    told = model().fit(*stops()).predict(np.empty((0, 2)))
    assert told.mean.shape == (0,)


def test_kriging_alone_agrees_with_gaussian_processes_of_scikit_learn() -> None:
    # an intercept of almost free variance makes simple kriging ordinary; its error falls as one over that variance
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern

    from rxmap.surface import Kriging

    places, total, _ = stops()
    values = total / 5.0
    kernel = ConstantKernel(0.8) * Matern(length_scale=150.0 / 3.0, nu=0.5) + ConstantKernel(1e6)
    other = GaussianProcessRegressor(kernel, alpha=0.3, optimizer=None).fit(places, values)
    there = np.random.default_rng(1).uniform(0.0, 400.0, (50, 2))
    mean, sd = other.predict(there, return_std=True)
    ours, variance = Kriging(places, values, "exponential", 150.0, 0.8, 0.3).predict(there)
    assert ours == pytest.approx(mean, abs=1e-5)
    assert np.sqrt(variance) == pytest.approx(sd, abs=1e-5)
