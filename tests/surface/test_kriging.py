"""Ordinary kriging against published figures and other libraries."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.surface import Kriging
from rxmap.surface.covariance import distances
from rxmap.surface.kriging import CHUNK, krige

PUBLISHED = (0.05066243, 0.59060780, 897.0209)  # nugget, partial sill, range: vignette of the R package gstat
NUGGET, SILL, RANGE = (0.05066242682, 0.59060780221, 897.0209098)  # the same with all digits, refitted with gstat


@pytest.fixture(scope="module")
def meuse() -> dict[str, np.ndarray]:
    """Topsoil of a river plain: data sets `meuse` and `meuse.grid` of the R package sp."""
    if not shutil.which("Rscript"):
        pytest.skip("Rscript is not installed")
    tables = {}
    for name, columns in (("meuse", "c('x','y','zinc','dist')"), ("meuse.grid", "c('x','y','dist')")):
        code = f"library(sp); data({name}); write.csv({name}[,{columns}], row.names=FALSE)"
        run = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=False)
        if run.returncode:
            pytest.skip("the R package sp is not installed")
        tables[name] = np.genfromtxt(run.stdout.splitlines(), delimiter=",", skip_header=1)
    return tables


@pytest.fixture(scope="module")
def zinc(meuse: dict[str, np.ndarray]) -> Kriging:
    table = meuse["meuse"]
    return Kriging(table[:, :2], np.log(table[:, 2]), "spherical", RANGE, SILL, NUGGET)


def test_full_digits_round_to_the_published_variogram() -> None:
    assert pytest.approx(PUBLISHED, rel=1e-6) == (NUGGET, SILL, RANGE)


def test_meuse_map_has_the_figures_of_gstat(meuse: dict[str, np.ndarray], zinc: Kriging) -> None:
    # R package gstat 2.1-0, krige(log(zinc) ~ 1) over all 3103 cells, all stops; its variance includes the nugget
    mean, variance = zinc.predict(meuse["meuse.grid"][:, :2])
    assert (mean.mean(), mean.min(), mean.max()) == pytest.approx((5.707229, 4.776555, 7.439991), abs=1e-6)
    assert variance.mean() + NUGGET == pytest.approx(0.185332, abs=1e-6)


def test_two_meuse_cells_have_the_figures_of_gstat(zinc: Kriging) -> None:
    mean, variance = zinc.predict(np.array([[181180.0, 333740.0], [179700.0, 331860.0]]))
    assert mean == pytest.approx([6.499624, 5.380084], abs=1e-6)
    assert variance + NUGGET == pytest.approx([0.319808, 0.167838], abs=1e-6)


@pytest.fixture(scope="module")
def drifting(meuse: dict[str, np.ndarray]) -> Kriging:
    """Log zinc over the root of the distance to the river; variogram of the residuals: vignette of gstat."""
    table = meuse["meuse"]
    nugget, sill, length = 0.05712231101, 0.17641558556, 340.3200647  # published .05712231, .17641559, 340.3201
    return Kriging(table[:, :2], np.log(table[:, 2]), "exponential", 3.0 * length, sill, nugget, np.sqrt(table[:, 3:4]))


def test_meuse_map_with_a_drift_has_the_figures_of_gstat(meuse: dict[str, np.ndarray], drifting: Kriging) -> None:
    # R package gstat 2.1-0, krige(log(zinc) ~ sqrt(dist)); its variance includes the nugget
    grid = meuse["meuse.grid"]
    mean, variance = drifting.predict(grid[:, :2], np.sqrt(grid[:, 2:3]))
    assert (mean.mean(), mean.min(), mean.max()) == pytest.approx((5.701561, 4.501913, 7.527166), abs=1e-6)
    assert variance.mean() + drifting.nugget == pytest.approx(0.128172, abs=1e-6)
    for place, told in (((181180, 333740), (7.041252, 0.177545)), ((179700, 331860), (5.456499, 0.122497))):
        (row,) = np.flatnonzero((grid[:, :2] == place).all(axis=1))
        assert (mean[row], variance[row] + drifting.nugget) == pytest.approx(told, abs=1e-6)


def test_leave_one_out_with_a_drift_has_the_figures_of_gstat(drifting: Kriging) -> None:
    # R package gstat 2.1-0, krige.cv with the variogram kept
    prediction, variance = drifting.leave_one_out()
    error = drifting.values - prediction
    assert np.sqrt((error**2).mean()) == pytest.approx(0.377651, abs=1e-6)
    assert (error**2 / variance).mean() == pytest.approx(1.0821, abs=1e-4)
    assert (prediction[0], variance[0]) == pytest.approx((7.096051, 0.131551), abs=1e-6)


def test_a_prior_on_a_slope_is_a_covariance_of_its_own() -> None:
    # Omre 1987: kriging whose slope is N(0, v) equals kriging without, the covariance raised by v f f'
    random = np.random.default_rng(3)
    stops, places = random.uniform(0.0, 800.0, (25, 2)), random.uniform(0.0, 800.0, (40, 2))
    values, layer, there = random.normal(size=25), random.normal(size=(25, 1)), random.normal(size=(40, 1))
    covariance = np.exp(-distances(stops, stops) / 100.0) + 0.3 * np.eye(25) + 2.0 * layer @ layer.T
    cross = np.exp(-distances(places, stops) / 100.0) + 2.0 * layer @ there.T
    inverse, ones = np.linalg.inv(covariance), np.ones(25)
    beta = ones @ inverse @ values / (ones @ inverse @ ones)
    off = 1.0 - ones @ inverse @ cross
    kriging = Kriging(stops, values, "exponential", 300.0, 1.0, 0.3, layer, 0.5)
    mean, variance = kriging.predict(places, there)
    assert mean == pytest.approx(beta + cross.T @ inverse @ (values - beta), abs=1e-10)
    expected = 1.0 + 2.0 * there[:, 0] ** 2 - np.einsum("ij,ij->j", cross, inverse @ cross)
    assert variance == pytest.approx(expected + off**2 / (ones @ inverse @ ones), abs=1e-10)
    residual = inverse - np.outer(inverse @ ones, ones @ inverse) / (ones @ inverse @ ones)
    assert kriging.leave_one_out()[1] == pytest.approx(1.0 / np.diag(residual), abs=1e-10)


def test_leave_one_out_of_meuse_has_the_figures_of_gstat(zinc: Kriging) -> None:
    # R package gstat 2.1-0, krige.cv with the variogram kept
    prediction, variance = zinc.leave_one_out()
    error = zinc.values - prediction
    assert (prediction[0], variance[0]) == pytest.approx((6.768256, 0.181087), abs=1e-6)
    assert np.sqrt((error**2).mean()) == pytest.approx(0.391804, abs=1e-6)
    assert np.abs(error).mean() == pytest.approx(0.292152, abs=1e-6)
    assert (error**2 / variance).mean() == pytest.approx(0.8185, abs=1e-4)
    assert 1.0 - (error**2).sum() / ((zinc.values - zinc.values.mean()) ** 2).sum() == pytest.approx(0.7035, abs=1e-4)


def invented(count: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(11)
    return random.uniform(0.0, 800.0, (count, 2)), random.normal(5.0, 1.0, count), random.uniform(0.0, 800.0, (300, 2))


@pytest.mark.parametrize("kernel", ["exponential", "spherical"])
def test_pykrige_agrees_once_its_nugget_is_taken_off(kernel: str) -> None:
    from pykrige.ok import OrdinaryKriging as Reference

    stops, values, places = invented()
    settings_ = {"psill": 0.8, "range": 200.0, "nugget": 0.2}
    other = Reference(stops[:, 0], stops[:, 1], values, variogram_model=kernel, variogram_parameters=settings_)
    mean_there, variance_there = other.execute("points", places[:, 0], places[:, 1])
    mean, variance = Kriging(stops, values, kernel, 200.0, 0.8, 0.2).predict(places)
    assert np.abs(mean - mean_there).max() < 1e-8
    assert np.abs(variance - (variance_there - 0.2)).max() < 1e-8


def test_gstools_agrees_on_the_smoother_kernel() -> None:
    import gstools

    from rxmap.surface.covariance import MATERN32_DECAY

    stops, values, places = invented()
    # GSTools writes (1 + x) exp(-x) with x = sqrt(nu) h / len_scale
    model = gstools.Matern(dim=2, var=0.8, len_scale=np.sqrt(1.5) * 200.0 / MATERN32_DECAY, nu=1.5, nugget=0.2)
    other = gstools.krige.Ordinary(model, stops.T, values, exact=False)
    mean_there, variance_there = other(places.T)
    mean, variance = Kriging(stops, values, "matern32", 200.0, 0.8, 0.2).predict(places)
    assert np.abs(mean - mean_there).max() < 1e-8
    assert np.abs(variance - (variance_there - 0.2)).max() < 1e-8


def test_one_nugget_for_each_stop_equals_solving_the_kriging_equations() -> None:
    # Lagrange form of ordinary kriging, solved without our factors (Chiles and Delfiner 2012, eq. 3.16)
    stops, values, places = invented(12)
    noise = np.linspace(0.05, 2.0, 12)
    gap = np.hypot(*(stops[:, None] - np.vstack([stops, places])).transpose(2, 0, 1))
    covariance = 0.8 * np.exp(-3.0 * gap / 200.0)
    system = np.ones((13, 13))
    system[:12, :12] = covariance[:, :12] + np.diag(noise)
    system[12, 12] = 0.0
    right = np.vstack([covariance[:, 12:], np.ones(300)])
    weights = np.linalg.solve(system, right)
    mean, variance = Kriging(stops, values, "exponential", 200.0, 0.8, noise).predict(places)
    assert np.abs(mean - values @ weights[:12]).max() < 1e-10
    assert np.abs(variance - (0.8 - (weights * right).sum(axis=0))).max() < 1e-10


def test_left_out_equals_refitting_without_the_stop() -> None:
    stops, values, _ = invented(25)
    noise = np.linspace(0.1, 0.9, 25)
    prediction, variance = Kriging(stops, values, "exponential", 300.0, 1.0, noise).leave_one_out()
    for row in range(25):
        kept = np.arange(25) != row
        again = Kriging(stops[kept], values[kept], "exponential", 300.0, 1.0, noise[kept])
        mean, latent = again.predict(stops[row : row + 1])
        assert (prediction[row], variance[row] - noise[row]) == pytest.approx((mean[0], latent[0]), abs=1e-10)


def test_surface_has_no_spike_at_a_stop() -> None:
    stops, values, _ = invented()
    mean, variance = Kriging(stops, values, "exponential", 200.0, 0.8, 0.2).predict(
        np.array([stops[3], stops[3] + 1e-6])
    )
    assert abs(mean[0] - mean[1]) < 1e-5
    assert variance.min() > 0.01


def test_far_away_the_mean_is_left_with_its_own_uncertainty() -> None:
    stops, values, _ = invented()
    kriging = Kriging(stops, values, "exponential", 200.0, 0.8, 0.2)
    mean, variance = kriging.predict(np.array([[1e6, 1e6]]))
    assert mean[0] == pytest.approx(kriging.beta)
    assert variance[0] == pytest.approx(0.8 + kriging.spread[0, 0] ** 2)


def test_twins_without_a_nugget_are_refused() -> None:
    with pytest.raises(InputError, match="nugget"):
        Kriging(np.zeros((2, 2)), np.ones(2), "exponential", 100.0, 1.0, 0.0)


@settings(max_examples=30, deadline=None)
@given(st.floats(20.0, 3000.0), st.floats(1e-4, 5.0), st.floats(-50.0, 50.0))
def test_a_shift_of_all_values_shifts_the_surface(range_: float, nugget: float, shift: float) -> None:
    stops, values, places = invented(20)
    mean, variance = Kriging(stops, values, "exponential", range_, 1.0, nugget).predict(places)
    moved, same = Kriging(stops, values + shift, "exponential", range_, 1.0, nugget).predict(places)
    assert np.abs(moved - mean - shift).max() < 1e-7  # condition of K at a long range and a small nugget
    assert np.array_equal(variance, same)


def test_chunks_and_company_do_not_change_a_byte() -> None:
    stops, values, _ = invented()
    places = np.random.default_rng(3).uniform(0.0, 800.0, (2 * CHUNK, 2))
    systems = [Kriging(stops, values, "exponential", reach, 0.8, 0.2) for reach in (100.0, 300.0)]
    together, _ = krige(systems, places)
    alone, _ = systems[1].predict(places[:CHUNK])
    assert np.array_equal(together[1, :CHUNK], alone)
