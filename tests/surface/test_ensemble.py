"""Averaging over hyperparameters: thinning, left-out weights, and the same bytes whatever the threads."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.surface.covariance import correlation, distances
from rxmap.surface.design import Design
from rxmap.surface.ensemble import combine, range_centre, thin
from rxmap.surface.gaussian import gaussian_grid, noise_shares
from rxmap.surface.kriging import krige
from rxmap.surface.links import Bounded, Exponential, Link
from rxmap.surface.predictive import Predictive
from rxmap.surface.sampled import sampled_grid
from rxmap.surface.variational import Sample


def predicted(grid: list, link: Link, places: np.ndarray, most: int) -> Predictive:
    ensemble = combine(grid, link, most_points=most)
    mean, variance = krige([point.system for point in ensemble.points], places)
    for row, point in enumerate(ensemble.points):
        mean[row], variance[row] = link.absorb(mean[row], variance[row], point.micro)
    return Predictive(ensemble.weights, mean, np.sqrt(variance), link)


@pytest.mark.parametrize("measure", ["count", "severity"])
def test_thinning_moves_the_surface_by_a_fraction_of_its_sd(invent: Callable, measure: str) -> None:
    moved = []
    for seed in range(6):
        field = invent(measure, 40, seed, level=0.4 if measure == "count" else 0.3)
        centre = range_centre(field.area, 40)
        link: Link = Exponential(1.0) if measure == "count" else Bounded(0.0, 100.0)
        if measure == "count":
            sample = Sample("poisson", field.total, field.units)
            grid = sampled_grid(Design(field.stops, centre), sample, kernel="exponential")
        else:
            grid = gaussian_grid(Design(field.stops, centre), field.total, np.ones(40), kernel="exponential")
        few, all_ = (predicted(grid, link, field.places, most) for most in (12, 10_000))
        shift = np.abs(few.mean - all_.mean).mean() / all_.sd.mean()
        chance = np.abs(few.p_over(field.truth.mean()) - all_.p_over(field.truth.mean())).max()
        moved.append((shift, chance))
    # Tolerance of the thinning: a tenth of the sd in the mean, 5 points in P(over threshold) at the worst place
    assert np.max(moved, axis=0) == pytest.approx((0.0, 0.0), abs=0.1)
    assert max(chance for _, chance in moved) < 0.05


@given(st.lists(st.floats(1e-3, 1.0), min_size=1, max_size=60), st.integers(1, 12))
def test_thinned_weights_add_up_and_are_few(weights: list[float], most: int) -> None:
    kept, shares = thin(np.array(weights), most)
    assert len(kept) == len(shares) <= most
    assert len(set(kept)) == len(kept)
    assert shares.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("units", [np.ones(20), np.linspace(1.0, 40.0, 20)])
def test_left_out_severity_equals_refitting_the_whole_grid(invent: Callable, units: np.ndarray) -> None:
    # The weights without a stop follow from those with it: no hyperparameter has seen the stop
    field = invent("severity", 20, 3)
    link = Bounded(-1e6, np.inf)  # no limit in reach, as the textbook formula knows none
    shares = noise_shares(units)
    grid = gaussian_grid(Design(field.stops, 150.0), field.total, shares, kernel="exponential")
    left_out = combine(grid, link).left_out
    for row in range(0, 20, 3):
        kept = np.arange(20) != row
        # Units enter relative to the mean of all stops; keep that scale in the refit
        again = refit(field.stops[kept], field.total[kept], shares[kept], field.stops[row : row + 1])
        assert left_out[row] == pytest.approx(again, abs=1e-6)


def refit(stops: np.ndarray, values: np.ndarray, shares: np.ndarray, place: np.ndarray) -> float:
    """Average over the grid from the textbook formula, with plain inverses (Kitanidis 1986, WRR 22:499)."""
    from rxmap.surface.gaussian import GRID, JITTER, RANGE_SPREAD, RATIO_CENTRE, RATIO_SPREAD

    logs, means = [], []
    ones = np.ones(len(values))
    for factor, ratio in GRID:
        covariance = correlation(distances(stops, stops), "exponential", factor * 150.0)
        inverse = np.linalg.inv(covariance + np.diag(ratio * shares + JITTER))
        beta = ones @ inverse @ values / (ones @ inverse @ ones)
        squares = (values - beta) @ inverse @ (values - beta)
        log_weight = -0.5 * (len(values) - 1) * np.log(squares) + 0.5 * np.linalg.slogdet(inverse)[1]
        log_weight -= 0.5 * np.log(ones @ inverse @ ones) + 0.5 * (np.log(factor) / RANGE_SPREAD) ** 2
        logs.append(log_weight - 0.5 * (np.log(ratio / RATIO_CENTRE) / RATIO_SPREAD) ** 2)
        cross = correlation(distances(place, stops), "exponential", factor * 150.0)[:, 0]
        means.append(beta + cross @ inverse @ (values - beta))
    weights = np.exp(np.array(logs) - max(logs))
    return float(weights @ means / weights.sum())


@settings(max_examples=50)
@given(st.floats(1e3, 1e8), st.integers(12, 2000))
def test_range_prior_is_never_longer_than_a_quarter_of_the_field(area: float, stops: int) -> None:
    assert 0.0 < range_centre(area, stops) <= np.sqrt(area) / 4.0 * (1.0 + 1e-12)


PROGRAM = """
import hashlib, sys
import numpy as np
import rxmap.surface.kriging as kriging
from rxmap.surface import PressureModel
kriging.WORKERS = int(sys.argv[1])
random = np.random.default_rng(9)
stops = random.uniform(0.0, 800.0, (40, 2))
total = random.poisson(5.0 * np.exp(stops[:, 0] / 400.0)).astype(float)
model = PressureModel(measure="count", area=640_000.0).fit(stops, total, np.full(40, 10.0))
at = model.predict(random.uniform(0.0, 800.0, (5000, 2)))
parts = [at.mean, at.sd, at.p_over(1.0), at.quantile(0.95), model.left_out_, model.simulate(stops, 20)]
print(hashlib.sha256(b"".join(part.tobytes() for part in parts)).hexdigest())
"""


def test_threads_do_not_change_a_byte() -> None:
    seen = set()
    for threads in ("1", "2"):
        environment = {"OPENBLAS_NUM_THREADS": threads, "PYTHONPATH": ":".join(sys.path)}
        run = subprocess.run(
            [sys.executable, "-c", PROGRAM, threads], env=environment, capture_output=True, text=True, check=True
        )
        seen.add(run.stdout)
    assert len(seen) == 1
