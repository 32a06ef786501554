"""Where stops lie: what an error of their positions costs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erfc

from rxmap.surface import PressureModel
from rxmap.surface.covariance import mean_nearby
from rxmap.surface.design import Design


@pytest.mark.parametrize(("error", "range_"), [(1.0, 400.0), (5.0, 120.0), (5.0, 30.0), (20.0, 60.0)])
def test_mean_correlation_with_a_misplaced_stop_has_the_closed_form(error: float, range_: float) -> None:
    # E exp(-a r) for r of a Rayleigh law: 1 - sqrt(pi / 2) c exp(c^2 / 2) erfc(c / sqrt 2), c = a x error
    # (completing the square under the integral)
    c = 3.0 * error / range_
    expected = 1.0 - np.sqrt(np.pi / 2.0) * c * np.exp(c**2 / 2.0) * erfc(c / np.sqrt(2.0))
    assert mean_nearby("exponential", range_, error) == pytest.approx(expected, abs=1e-4)


def test_without_an_error_nothing_is_misplaced() -> None:
    assert Design(np.zeros((1, 2)), 100.0).misplaced("exponential", 100.0) == 0.0


@pytest.mark.parametrize("measure", ["count", "severity"])
def test_a_position_error_makes_the_map_less_sure_where_stops_are(measure: str) -> None:
    random = np.random.default_rng(8)
    stops = random.uniform(0.0, 200.0, (60, 2))
    level = 20.0 + 15.0 * np.sin(stops[:, 0] / 20.0)
    total = random.poisson(10.0 * level).astype(float) if measure == "count" else level
    sharp, blurred = (
        PressureModel(measure=measure, area=40_000.0, gps_error=error).fit(stops, total, np.full(60, 10.0))
        for error in (0.0, 10.0)
    )
    at = (model.predict(stops, spatial=True).sd.mean() for model in (sharp, blurred))
    assert next(at) < next(at)


@pytest.mark.parametrize("measure", ["count", "severity"])
def test_stops_nearer_than_the_error_stay_two_places(measure: str) -> None:
    stops = np.random.default_rng(2).uniform(0.0, 800.0, (20, 2))
    stops[1] = stops[0] + 1.0
    model = PressureModel(measure=measure, area=640_000.0, gps_error=5.0)
    assert model.fit(stops, np.arange(20.0), np.full(20, 30.0)).n_stops_ == 20
