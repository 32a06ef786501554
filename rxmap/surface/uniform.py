"""The field without a pattern: its mean, and the scatter from place to place around it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from rxmap.surface.covariance import Array
from rxmap.surface.ensemble import LEAST_WEIGHT, log_normal
from rxmap.surface.links import Link
from rxmap.surface.variational import Sample, approximate

SCATTERS = (0.003, 0.02, 0.06, 0.15, 0.35, 0.8, 1.8, 4.0)  # place-to-place variance, latent scale
SCATTER_CENTRE, SCATTER_SPREAD, SCATTER_SHIFT = 0.3, 1.0, 0.02  # weak; about sill and scatter of the spatial model

BISECTIONS = 50  # of 20 sd: to the last digits; scipy.optimize would cost 17 MB and start-up time

# All zeros: the log-normal with the mean and the 95 % point of the Jeffreys posterior Gamma(1/2, n),
# 0.5 / n and 1.921 / n (Brown et al. 2001, Statistical Science 16:101, for the prior).
NOTHING_SEEN_SD = 1.52

# Gaussian measures: prior of the place-to-place variance, worth this many stops (unit information; Kass and Wasserman
# 1995, J. Am. Stat. Assoc. 90:928, from memory). One worth three doubled the spread of ten even severities.
PRIOR_STOPS = 1.0
SEVERITY_PLANTS = 10.0  # prior variance of a percentage: that of a share of ten plants
RATING_STEP = 0.5  # prior sd of a rating: half a class, below which a rating cannot tell


@dataclass(frozen=True)
class Level:
    """Mixture over the place-to-place variance, on the latent scale.

    Parameters
    ----------
    weights, centre : arrays of shape (k,)
    centre_variance, place_variance : arrays of shape (k,)
        Of the field's centre, and of a place around it.
    """

    weights: Array
    centre: Array
    centre_variance: Array
    place_variance: Array


def sampled_level(sample: Sample) -> Level:
    """Level of counts or incidence; scatter between places is left free.

    Parameters
    ----------
    sample : Sample

    Returns
    -------
    Level
    """
    if not sample.total.any() or (sample.law == "binomial" and np.array_equal(sample.total, sample.units)):
        return _one_sided(sample)
    logs, rows = [], []
    start = (sample.latent, np.full(len(sample.total), 0.2))
    for scatter in SCATTERS:
        posterior = approximate(sample, scatter * np.eye(len(sample.total)), start)
        start = (posterior.mean, posterior.variance)
        precision = 1.0 / (posterior.noise + scatter)
        rows.append((precision @ posterior.values / precision.sum(), 1.0 / precision.sum(), scatter))
        logs.append(posterior.evidence + log_normal(scatter + SCATTER_SHIFT, SCATTER_CENTRE, SCATTER_SPREAD))
    weights = np.exp(np.array(logs) - logsumexp(logs))
    kept = weights > LEAST_WEIGHT
    centre, centre_variance, place_variance = np.array(rows)[kept].T
    return Level(weights[kept] / weights[kept].sum(), centre, centre_variance, place_variance)


def centred(level: Level, link: Link, mean: float) -> Level:
    """Shift a level so that its mean pressure is the mean of the stops.

    That mean is right whatever the law of the variation between places; the level's own would lean on
    the tail of a normal latent scale. Nothing is shifted where the stops show none, or all.

    Parameters
    ----------
    level : Level
    link : Link
    mean : float
        Mean pressure of all units looked at.

    Returns
    -------
    Level
    """
    sd = np.sqrt(level.centre_variance + level.place_variance)

    def excess(shift: float) -> float:
        return float(level.weights @ link.moments(level.centre + shift, sd)[0]) - mean

    low, high = -10.0 * float(sd.max()), 10.0 * float(sd.max())
    if not excess(low) < 0.0 < excess(high):
        return level
    for _ in range(BISECTIONS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
    return replace(level, centre=level.centre + (low + high) / 2.0)


def _one_sided(sample: Sample) -> Level:
    """Nothing seen anywhere, or everything: how much may have been missed."""
    shift = np.log(0.5 / sample.units.sum()) - NOTHING_SEEN_SD**2 / 2.0
    centre = shift if not sample.total.any() else -shift
    variance = NOTHING_SEEN_SD**2
    return Level(np.ones(1), np.array([centre]), np.array([variance / 2.0]), np.array([variance / 2.0]))


def gaussian_level(values: Array, *, percent: bool) -> Level:
    """Level of severities or ratings.

    The noise of a rating cannot be told from variation between places, so all of it counts as
    variation: the wider reading.

    Parameters
    ----------
    values : array of shape (n,)
    percent : bool
        Severity, 0 to 100; otherwise a score.

    Returns
    -------
    Level
    """
    count = len(values)
    mean = values.mean()
    share = (values.sum() + 0.5) / (count + 1.0)
    prior = share * (100.0 - share) / SEVERITY_PLANTS if percent else RATING_STEP**2
    freedom = count - 1.0 + PRIOR_STOPS
    # Student distribution with `freedom` degrees of freedom, as the normal of equal variance
    variance = (PRIOR_STOPS * prior + ((values - mean) ** 2).sum()) / (freedom - 2.0) if freedom > 2.0 else prior
    return Level(np.ones(1), np.array([mean]), np.array([variance / count]), np.array([variance]))
