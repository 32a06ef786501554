"""Mean, spread, quantiles and expectations of the predictive distribution."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats
from scipy.special import expit

from rxmap.surface.kriging import CHUNK
from rxmap.surface.links import Bounded, Exponential, Link, Logistic
from rxmap.surface.predictive import Predictive

LINKS: dict[str, Link] = {
    "count": Exponential(25.0),
    "incidence": Logistic(100.0),
    "severity": Bounded(0.0, 100.0),
    "rating": Bounded(0.0, np.inf),
}
EACH = pytest.mark.parametrize("measure", list(LINKS))


def mixture(measure: str, places: int = 40) -> Predictive:
    """Invented mixture of five parts, on the scale of its link."""
    random = np.random.default_rng(2)
    scale, shift = (1.0, -1.0) if measure in ("count", "incidence") else (10.0, 12.0)
    centre = shift + scale * (random.normal(0.0, 1.0, places) + random.normal(0.0, 0.3, (5, places)))
    return Predictive(
        random.dirichlet(np.ones(5)), centre, scale * random.uniform(0.2, 1.2, (5, places)), LINKS[measure]
    )


def integrated(field: Predictive, place: int, function: object) -> float:
    """Outside check: adaptive quadrature by scipy over the mixture's density."""

    def density(latent: float) -> float:
        parts = stats.norm.pdf(latent, field.centre[:, place], field.spread[:, place])
        return float(field.weights @ parts) * float(function(field.link.pressure(np.array([latent])))[0])

    low = (field.centre - 9.0 * field.spread)[:, place].min()
    high = (field.centre + 9.0 * field.spread)[:, place].max()
    breaks = [0.0, 100.0] if isinstance(field.link, Bounded) else None
    return integrate.quad(density, low, high, limit=400, points=breaks, epsabs=1e-10)[0]


@EACH
def test_mean_and_sd_are_the_integrals(measure: str) -> None:
    field = mixture(measure, 5)
    for place in range(5):
        first = integrated(field, place, lambda pressure: pressure)
        second = integrated(field, place, lambda pressure: pressure**2)
        assert field.mean[place] == pytest.approx(first, rel=1e-5)  # 15 nodes on the logistic curve
        assert field.sd[place] == pytest.approx(np.sqrt(second - first**2), rel=1e-4)


@EACH
def test_expected_loss_with_a_cap_is_the_integral(measure: str) -> None:
    field = mixture(measure, 5)

    def loss(pressure: np.ndarray) -> np.ndarray:
        return np.minimum(0.01 * pressure, 0.35)

    expected = field.expect(loss)
    for place in range(5):
        # The kink of the cap costs Gauss-Hermite about a hundredth of the cap
        assert expected[place] == pytest.approx(integrated(field, place, loss), abs=0.005)


def rooted(field: Predictive, place: int, p: float) -> float:
    """Outside check: Brent's root of the distribution function (scipy.optimize)."""
    centre, spread = field.centre[:, place], field.spread[:, place]
    low, high = (centre - 9.0 * spread).min(), (centre + 9.0 * spread).max()
    root = optimize.brentq(lambda latent: field.weights @ stats.norm.cdf(latent, centre, spread) - p, low, high)
    return float(field.link.pressure(np.array([root]))[0])


@EACH
@pytest.mark.parametrize("p", [0.05, 0.5, 0.95])
def test_quantiles_invert_the_distribution(measure: str, p: float) -> None:
    field = mixture(measure)
    expected = [rooted(field, place, p) for place in range(40)]
    assert field.quantile(p) == pytest.approx(expected, rel=1e-5, abs=1e-5)  # Newton: 1e-6 of the sd


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(list(LINKS)), st.floats(0.01, 0.99), st.integers(0, 39))
def test_share_over_a_quantile_is_the_rest(measure: str, p: float, place: int) -> None:
    field = mixture(measure)
    quantile = field.quantile(p)[place]
    over = field.p_over(float(quantile))[place]
    if field.link.pressure(np.array([-1e9]))[0] < quantile < field.link.pressure(np.array([1e9]))[0]:
        assert over == pytest.approx(1.0 - p, abs=1e-6)


@EACH
def test_thresholds_outside_what_the_measure_allows_are_certain(measure: str) -> None:
    field = mixture(measure)
    assert field.p_over(-1.0) == pytest.approx(1.0, abs=1e-15)  # rounding of the weights' sum
    if measure in ("incidence", "severity"):
        assert (field.p_over(100.0) == 0.0).all()


@EACH
def test_expectation_of_the_pressure_is_its_mean(measure: str) -> None:
    field = mixture(measure)
    # Gauss-Hermite beside the closed form: the limits of a severity are kinks, worth 0.05 of the sd
    assert (np.abs(field.expect(lambda pressure: pressure) - field.mean) < 0.05 * field.sd).all()


@pytest.mark.parametrize("micro", [0.001, 0.1, 0.35, 1.2])
def test_scatter_taken_into_the_link_leaves_mean_and_quantiles(micro: float) -> None:
    # Exact: the pressure of latent f is the average of the logistic curve over N(f, micro); quadrature in numpy
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    weights = weights / weights.sum()

    def averaged(latent: np.ndarray) -> np.ndarray:
        return 100.0 * weights @ expit(latent + np.sqrt(micro) * nodes[:, None])

    link = Logistic(100.0)
    for mean, sd in [(-5.0, 0.8), (-1.5, 0.5), (0.3, 1.2)]:
        centre, variance = link.absorb(np.array([mean]), np.array([sd**2]), micro)
        exact = weights @ averaged(mean + sd * nodes)
        assert link.moments(centre, np.sqrt(variance))[0][0] == pytest.approx(exact, rel=0.02)
        ends = averaged(mean + sd * np.array([-1.645, 1.645]))
        assert link.pressure(centre + np.sqrt(variance) * np.array([-1.645, 1.645])) == pytest.approx(ends, rel=0.03)


@EACH
def test_numbers_do_not_depend_on_the_chunks(measure: str) -> None:
    field = mixture(measure, CHUNK + 200)
    tail = Predictive(field.weights, field.centre[:, CHUNK:], field.spread[:, CHUNK:], field.link)
    assert np.array_equal(field.mean[CHUNK:], tail.mean)
    assert np.array_equal(field.quantile(0.95)[CHUNK:], tail.quantile(0.95))
