"""Which model speaks: kernel, direction and noise are chosen by left-out log score, the usual one on a tie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import binom, norm, poisson

from rxmap.surface import PressureModel
from rxmap.surface.covariance import Shape
from rxmap.surface.design import Design
from rxmap.surface.ensemble import LEAST_WEIGHT, Ensemble, explore
from rxmap.surface.gaussian import gaussian_grid, noise_shares
from rxmap.surface.links import Bounded, link_of
from rxmap.surface.places import pool
from rxmap.surface.sampled import AXES, sampled_grid
from rxmap.surface.spatial import Candidate, choose_spatial, leads
from rxmap.surface.variational import Sample

SIDE = 800.0


def walk(seed: int, count: int, shape: Shape | None) -> tuple[np.random.Generator, np.ndarray, np.ndarray]:
    """Stops of a jittered lattice, and a standard normal field there; without a shape it is noise."""
    random, side = np.random.default_rng([seed, count]), int(np.ceil(np.sqrt(count)))
    cells = random.permutation(side * side)[:count]
    stops = (np.column_stack([cells // side, cells % side]) + random.uniform(0.0, 1.0, (count, 2))) * SIDE / side
    if shape is None:
        return random, stops, random.standard_normal(count)
    covariance = shape.correlations(stops, stops) + 1e-9 * np.eye(count)
    return random, stops, np.linalg.cholesky(covariance) @ random.standard_normal(count)


def chosen(measure: str, seed: int, shape: Shape | None, count: int = 60) -> Candidate:
    """What is chosen for an invented field whose rows run north."""
    random, stops, latent = walk(seed, count, shape)
    units = np.full(count, 20.0)
    total = {
        "count": random.poisson(units * np.exp(0.9 * latent - 0.4)).astype(float),
        "incidence": random.binomial(20, expit(latent - 1.4)).astype(float),
        "rating": latent + 0.6 * random.standard_normal(count) + 5.0,
    }[measure]
    places = pool(measure, 1.0, stops=stops, total=total, units=units, covariates=np.empty((count, 0)))  # type: ignore[arg-type]
    link = link_of(measure, 1.0)  # type: ignore[arg-type]
    return choose_spatial(places, Design(places.coordinates, 180.0), link, rows=True)[0]


def scored(*scores: float) -> Ensemble:
    return Ensemble((), np.ones(1), np.zeros(len(scores)), np.array(scores))


def test_the_usual_model_stays_on_a_tie_and_behind_an_uncertain_lead() -> None:
    usual = scored(*np.zeros(30))
    assert not leads(scored(*np.full(30, 0.05)), usual)  # 1.5 in all
    assert not leads(scored(*np.tile([2.4, -2.0], 15)), usual)  # 6 in all, with an error of 12
    assert leads(scored(*np.full(30, 0.2)), usual)


def striped(seed: int, ratio: float, heading: float | None) -> tuple[PressureModel, np.ndarray]:
    """Fit a field that follows rows which run north."""
    random, stops, latent = walk(seed, 80, Shape("exponential", 250.0, ratio))
    values = 5.0 + latent + 0.3 * random.standard_normal(80)
    return PressureModel(measure="rating", area=SIDE**2, heading=heading).fit(stops, values), stops


def test_a_field_that_follows_the_rows_is_told_from_one_that_does_not() -> None:
    along, alike = ([striped(seed, ratio, 0.0)[0].model_ for seed in range(6)] for ratio in (6.0, 1.0))
    assert sum("3 times as far along the rows" in told for told in along) >= 3
    assert sum("along the rows" in told for told in alike) <= 1
    told, stops = striped(3, 6.0, 0.0)
    # Places 40 m up the row tell more of a place than those 40 m across: there draws differ less
    together = np.stack([stops + step for step in ([0.0, 0.0], [0.0, 40.0], [40.0, 0.0])], axis=1).reshape(-1, 2)
    drawn = told.simulate(together, 300).reshape(300, 80, 3)
    assert (drawn[..., 0] - drawn[..., 1]).std() < 0.9 * (drawn[..., 0] - drawn[..., 2]).std()


def test_without_a_heading_no_direction_is_preferred() -> None:
    assert "along" not in striped(3, 6.0, None)[0].model_


def test_turning_field_and_rows_together_changes_nothing() -> None:
    random, stops, latent = walk(3, 80, Shape("exponential", 250.0, 6.0))
    values, turn = 5.0 + latent + 0.3 * random.standard_normal(80), np.deg2rad(30.0)
    turned = stops @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    one = PressureModel(measure="rating", area=SIDE**2, heading=0.0).fit(stops, values)
    other = PressureModel(measure="rating", area=SIDE**2, heading=30.0).fit(turned, values)
    assert other.left_out_ == pytest.approx(one.left_out_, abs=1e-9)


@pytest.mark.parametrize("measure", ["count", "incidence"])
def test_numbers_that_vary_less_than_chance_free_the_noise(measure: str) -> None:
    random, stops, latent = walk(5, 60, Shape("exponential", 300.0))
    units = np.full(60, 20.0)
    total = np.round(20.0 * expit(0.3 * latent - 0.5)) if measure == "incidence" else np.round(400.0 + 6.0 * latent)
    told = PressureModel(measure=measure, area=SIDE**2).fit(stops, total, units)  # type: ignore[arg-type]
    assert "noise left free" in told.model_
    drawn = {"incidence": random.binomial(20, expit(latent - 0.5)), "count": random.poisson(20.0 * np.exp(latent))}
    usual = PressureModel(measure=measure, area=SIDE**2).fit(stops, drawn[measure], units)  # type: ignore[arg-type]
    assert "noise left free" not in usual.model_


def test_thousands_per_unit_that_hardly_differ_get_a_narrow_interval() -> None:
    random, stops, latent = walk(5, 60, Shape("exponential", 300.0))
    total = np.round(30_000.0 * np.exp(0.02 * latent + 0.01 * random.standard_normal(60)))
    at = PressureModel(measure="count", area=SIDE**2).fit(stops, total, np.full(60, 10.0)).predict(stops)
    width = at.quantile(0.95) - at.quantile(0.05)
    assert (width < 0.07 * at.mean).all()  # two thirds of the spread of the stops, which is 2 %; was 15 %


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 40_000), st.integers(1, 50), st.floats(-3.0, 3.0), st.floats(-4.0, 2.0), st.sampled_from(["p", "b"])
)
def test_log_probability_is_the_integral(total: int, units: int, away: float, log_spread: float, law: str) -> None:
    spread = float(np.exp(log_spread / 2.0))
    total = total if law == "p" else total % (units + 1)
    sample = Sample("poisson" if law == "p" else "binomial", np.array([float(total)]), np.array([float(units)]))
    centre = float(sample.latent[0]) + away * spread  # within what the normal allows: else all digits are lost
    told = sample.log_probability(np.array([centre]), np.array([spread**2]))[0]
    latent = np.linspace(centre - 9.0 * spread, centre + 9.0 * spread, 200_001)
    seen = poisson.logpmf(total, units * np.exp(latent)) if law == "p" else binom.logpmf(total, units, expit(latent))
    logs = seen + norm.logpdf(latent, centre, spread)
    exact = logs.max() + np.log(np.exp(logs - logs.max()).sum() * (latent[1] - latent[0]))
    assert told == pytest.approx(exact, abs=2e-3)  # 15 nodes; a score differs between models by tenths


@pytest.mark.parametrize("law", ["poisson", "binomial"])
def test_what_the_search_leaves_out_of_the_grid_has_no_weight(law: str) -> None:
    for seed in range(3):
        random, stops, latent = walk(seed, 40, Shape("exponential", 200.0))
        total = random.poisson(10.0 * np.exp(latent)) if law == "poisson" else random.binomial(20, expit(latent - 1.0))
        sample = Sample(law, total.astype(float), np.full(40, 10.0 if law == "poisson" else 20.0))  # type: ignore[arg-type]
        design = Design(stops, 180.0)
        found = {point.parameters: point.log_weight for point in sampled_grid(design, sample, kernel="exponential")}
        every = [(a, b, c) for a in AXES[0] for b in AXES[1] for c in AXES[2]]
        whole = sampled_grid(design, sample, kernel="exponential", grid=every)
        most = max(point.log_weight for point in whole)
        left = [point.log_weight for point in whole if point.parameters not in found]
        assert all(weight - most < np.log(LEAST_WEIGHT) + 1e-2 for weight in left)  # the start moves a weight by 1e-3
        assert len(found) < len(every)


def test_the_search_fits_a_point_once_and_in_order() -> None:
    seen: list[tuple[float, ...]] = []
    point = gaussian_grid(
        Design(np.arange(24.0).reshape(12, 2), 50.0), np.arange(12.0), noise_shares(np.ones(12)), kernel="exponential"
    )[0]

    def fit(parameters: tuple[float, ...]):  # type: ignore[no-untyped-def]
        seen.append(parameters)
        return replace(point, parameters=parameters, log_weight=-abs(parameters[0] - 1.0) - 9.0 * abs(parameters[1]))

    found = [each.parameters for each in explore(((0.0, 1.0, 2.0, 30.0), (0.0, 1.0, 2.0)), fit)]
    assert len(seen) == len(set(seen))
    assert found == sorted(found)
    assert (30.0, 0.0) in found  # a neighbour of one with weight, if without weight itself
    assert (30.0, 2.0) not in found


@pytest.mark.long
@pytest.mark.parametrize(
    ("shape", "rows", "smooth"),
    [
        (None, (0.0, 0.10), (0.0, 0.06)),
        (Shape("exponential", 200.0), (0.0, 0.10), (0.0, 0.06)),
        (Shape("matern32", 200.0), (0.0, 0.10), (0.05, 1.0)),
        (Shape("exponential", 200.0, 6.0), (0.10, 1.0), (0.0, 0.10)),
    ],
)
def test_how_often_direction_and_smoothness_are_found(
    shape: Shape | None, rows: tuple[float, float], smooth: tuple[float, float]
) -> None:
    # In a first simulation of 144 fields each: a direction where there is none 5 % (exponential), 3 % (Matern), 2 %
    # (noise); the smoother kernel where it is not true 1 % and 0 %. 48 fields here: two standard errors are 6 %, and
    # 11 % of a direction that is there, found in one field of five
    told = [chosen(measure, seed, shape) for measure in ("count", "incidence", "rating") for seed in range(16)]
    along = np.mean([one.ratio > 1.0 for one in told])
    smoother = np.mean([one.kernel == "matern32" for one in told])
    print(f"{shape}: rows {along:.2f}, smoother {smoother:.2f}")
    assert rows[0] <= along <= rows[1]
    assert smooth[0] <= smoother <= smooth[1]


def test_a_severity_has_the_usual_noise() -> None:
    _, stops, latent = walk(5, 60, Shape("exponential", 300.0))
    model = PressureModel(measure="severity", area=SIDE**2).fit(stops, 100.0 * expit(latent - 2.0))
    assert isinstance(model._link, Bounded)
    assert "free" not in model.model_
