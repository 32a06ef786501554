"""Invented fields of the study in `docs/surfaces.md`: 800 x 800 m, one stop in each cell of a jittered lattice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from rxmap.surface.covariance import correlation, distances

SIDE = 800.0
STOPS, PLACES = 40, 200
MEASURES = ("count", "incidence", "severity")
KINDS = {
    "plain": "as the model assumes",
    "unequal": "5 to 30 units at a stop",
    "clumped": "units at a stop are alike",
    "smooth": "a pattern smoother than any kernel tried",
}
UNITS = {"count": 10, "incidence": 20, "severity": 10}


@dataclass(frozen=True)
class Field:
    """Stops, what was seen, the truth at places, and what one more look there finds."""

    measure: str
    stops: np.ndarray
    total: np.ndarray
    units: np.ndarray
    places: np.ndarray
    truth: np.ndarray
    look: np.ndarray
    look_units: np.ndarray
    law: dict[str, float]
    kernel: str
    area: float = SIDE**2


def kernel_matrix(kernel: str, one: np.ndarray, other: np.ndarray, range_: float) -> np.ndarray:
    """Correlation of places; "smooth" is the squared exponential with correlation 0.05 at the range."""
    apart = distances(other, one)  # rows of `one`
    if kernel == "smooth":
        return np.exp(-3.0 * (apart / range_) ** 2)
    return correlation(apart, "exponential", range_)


def invent(measure: str, kind: str, seed: int) -> Field:
    """Make one field; level, range, sill and scatter are drawn anew for each."""
    random = np.random.default_rng([seed, MEASURES.index(measure), list(KINDS).index(kind)])
    levels = {"count": (0.1, 0.4, 5.0), "incidence": (0.08, 0.2, 0.5), "severity": (0.08, 0.3)}[measure]
    law = {
        "range": float(random.choice((100.0, 200.0, 400.0))),
        "sill": float(random.choice((0.3, 0.8, 1.5))),
        "level": float(random.choice(levels)),
        "scatter": 0.0 if kind == "clumped" else float(random.choice((0.0, 0.3))),
        "alike": float(random.choice((0.1, 0.25))) if kind == "clumped" else 0.0,
    }
    stops, places = lattice(random, STOPS), random.uniform(0.0, SIDE, (PLACES, 2))
    kernel = "smooth" if kind == "smooth" else "exponential"
    where = np.vstack([stops, places])
    root = np.linalg.cholesky(kernel_matrix(kernel, where, where, law["range"]) + 1e-7 * np.eye(len(where)))
    latent = np.sqrt(law["sill"]) * root @ random.standard_normal(len(where))
    units = np.full(len(where), UNITS[measure])
    if kind == "unequal":
        units = random.integers(5, 31, len(where))
    seen, truth = DRAWS[measure](random, latent, units, law)
    return Field(
        measure, stops, seen[:STOPS], units[:STOPS].astype(float), places, truth[STOPS:], seen[STOPS:],
        units[STOPS:].astype(float), law, kernel,
    )  # fmt: skip


def lattice(random: np.random.Generator, count: int) -> np.ndarray:
    """One stop at a random place in each of `count` cells."""
    side = int(np.ceil(np.sqrt(count)))
    cells = random.permutation(side * side)[:count]
    return (np.column_stack([cells // side, cells % side]) + random.uniform(0.0, 1.0, (count, 2))) * SIDE / side


def _counts(random: np.random.Generator, latent: np.ndarray, units: np.ndarray, law: dict[str, float]) -> tuple:
    base = np.log(law["level"]) - law["sill"] / 2.0
    extra = np.sqrt(law["scatter"]) * random.standard_normal(len(latent))
    if law["alike"]:  # a gamma factor for each stop: the total is negative binomial with k = 1 / (4 alike)
        shape = 1.0 / (4.0 * law["alike"])
        extra = np.log(np.maximum(random.gamma(shape, 1.0 / shape, len(latent)), 1e-300))
    seen = random.poisson(units * np.exp(base + latent + extra)).astype(float)
    return seen, np.exp(base + latent + law["scatter"] / 2.0)


def _incidences(random: np.random.Generator, latent: np.ndarray, units: np.ndarray, law: dict[str, float]) -> tuple:
    base = logit(law["level"])
    scatter = np.sqrt(law["scatter"])
    share = expit(base + latent + scatter * random.standard_normal(len(latent)))
    if law["alike"]:  # correlation `alike` between plants of a stop: beta-binomial
        size = 1.0 / law["alike"] - 1.0
        share = random.beta(np.maximum(share * size, 1e-9), np.maximum((1.0 - share) * size, 1e-9))
    nodes = scatter * np.random.default_rng(0).standard_normal(400)
    truth = 100.0 * expit(base + latent[:, None] + nodes).mean(axis=1)
    return random.binomial(units, share).astype(float), truth


def _severities(random: np.random.Generator, latent: np.ndarray, units: np.ndarray, law: dict[str, float]) -> tuple:
    share = expit(logit(law["level"]) + latent)
    here = share
    if law["alike"]:  # leaves of a stop share a level of their own
        size = 4.0 / law["alike"] - 1.0
        here = random.beta(np.maximum(share * size, 1e-9), np.maximum((1.0 - share) * size, 1e-9))
    leaves = 6.0  # sum of the two parameters of the law of one leaf
    mean = [
        random.beta(np.maximum(p * leaves, 1e-9), max((1.0 - p) * leaves, 1e-9), n).mean()
        for p, n in zip(here, units, strict=True)
    ]
    return 100.0 * np.array(mean), 100.0 * share


DRAWS = {"count": _counts, "incidence": _incidences, "severity": _severities}
