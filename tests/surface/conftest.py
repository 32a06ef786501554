"""Invented fields whose truth is known: 800 x 800 m, one stop in each cell of a jittered lattice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.special import expit, logit

from rxmap.surface.covariance import correlation, distances

SIDE = 800.0
MEASURES = ("count", "incidence", "severity", "rating")


@dataclass(frozen=True)
class Field:
    """Stops, what was seen there, and the true pressure at other places."""

    measure: str
    stops: np.ndarray
    total: np.ndarray
    units: np.ndarray
    places: np.ndarray
    truth: np.ndarray
    area: float = SIDE**2


def _lattice(random: np.random.Generator, count: int) -> np.ndarray:
    side = int(np.ceil(np.sqrt(count)))
    cells = random.permutation(side * side)[:count]
    return (np.column_stack([cells // side, cells % side]) + random.uniform(0.0, 1.0, (count, 2))) * SIDE / side


def _latent(random: np.random.Generator, where: np.ndarray, range_: float) -> np.ndarray:
    """Standard normal field, exponential correlation; range 0 is independent noise."""
    if range_ == 0.0:
        return random.standard_normal(len(where))
    covariance = correlation(distances(where, where), "exponential", range_)
    return np.linalg.cholesky(covariance + 1e-9 * np.eye(len(where))) @ random.standard_normal(len(where))


def _draw(measure: str, random: np.random.Generator, latent: np.ndarray, count: int, law: dict[str, float]) -> tuple:
    """What is seen at the first `count` entries, and the truth at the rest."""
    root, level, scatter = np.sqrt(law["sill"]), law["level"], law["scatter"]
    stops, places = root * latent[:count], root * latent[count:]
    extra = np.sqrt(scatter) * random.standard_normal(count)
    if measure == "count":
        base = np.log(level) - law["sill"] / 2.0
        return random.poisson(10.0 * np.exp(base + stops + extra)), 10.0, np.exp(base + places + scatter / 2.0)
    base = logit(level)
    if measure == "incidence":
        nodes = np.sqrt(scatter) * np.random.default_rng(0).standard_normal(400)
        return (
            random.binomial(20, expit(base + stops + extra)),
            20.0,
            100.0 * expit(base + places[:, None] + nodes).mean(1),
        )
    odds = law["noise"] / (1.0 - law["noise"])
    if measure == "severity":  # a beta law keeps the rating inside 0 to 100
        share = expit(base + stops)
        size = level * (1.0 - level) / (odds * (level * (1.0 - level) * root) ** 2)
        return 100.0 * random.beta(share * size, (1.0 - share) * size), 1.0, 100.0 * expit(base + places)
    truth = np.clip(4.5 + 1.2 * latent, 0.0, 9.0)
    seen = np.clip(np.round(truth[:count] + 1.2 * np.sqrt(odds) * random.standard_normal(count)), 0.0, 9.0)
    return seen, 1.0, truth[count:]


@pytest.fixture(scope="session")
def invent() -> Callable[..., Field]:
    """Make one field: `invent(measure, stops, seed, range_=, sill=, level=, scatter=, noise=)`."""

    def make(measure: str, count: int, seed: int, **fixed: float) -> Field:
        random = np.random.default_rng([seed, count, MEASURES.index(measure)])
        levels = {"count": (0.1, 0.4, 5.0), "incidence": (0.08, 0.2)}.get(measure, (0.08, 0.3))
        law = {
            "range_": random.choice((100.0, 200.0, 400.0)),
            "sill": random.choice((0.3, 0.8, 1.5)),
            "scatter": random.choice((0.0, 0.3)),
            "noise": random.choice((0.1, 0.3, 0.6)),
            "level": random.choice(levels),
        } | fixed
        stops, places = _lattice(random, count), random.uniform(0.0, SIDE, (200, 2))
        latent = _latent(random, np.vstack([stops, places]), law["range_"])
        total, units, truth = _draw(measure, random, latent, count, law)
        return Field(measure, stops, np.asarray(total, dtype=float), np.full(count, units), places, truth)

    return make
