"""What one place tells about another: the joint distribution of the pressure at places, and a new stop's noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rxmap.surface.covariance import Array
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.kriging import columns
from rxmap.surface.links import Link
from rxmap.surface.places import BoolArray
from rxmap.surface.uniform import Level


@dataclass(frozen=True)
class Joint:
    """Mixture of k joint normal distributions at m places, on the latent scale.

    Parameters
    ----------
    weights : array of shape (k,)
    centre : array of shape (k, m)
    covariance : array of shape (k, m, m)
        Of what further stops can learn.
    scatter : array of shape (k, m)
        Variance of a place around that, which other places tell nothing about.
    noise : array of shape (k, m)
        Variance with which one more stop, like the nearest there is, sees the latent value of its place.
    known : array of bool, shape (m,)
        Places where the model speaks; the others lack a layer that it needs.
    link : Link
        From the latent scale to the pressure.
    """

    weights: Array
    centre: Array
    covariance: Array
    scatter: Array
    noise: Array
    known: BoolArray
    link: Link

    @property
    def spread(self) -> Array:
        """Standard deviation at each place, shape (k, m)."""
        own = np.einsum("kmm->km", self.covariance)
        spread: Array = np.sqrt(np.maximum(own + self.scatter, 1e-12))
        return spread


def joint_spatial(ensemble: Ensemble, link: Link, places: Array, *, known: BoolArray, drift: Array | None) -> Joint:
    """Joint distribution where there is a pattern.

    Parameters
    ----------
    ensemble : Ensemble
    link : Link
    places : array of shape (m, 2) [m]
    known : array of bool, shape (m,)
    drift : array of shape (m, q), optional
        Layers at the places; any number where not known.

    References
    ----------
    Chiles and Delfiner 2012, Geostatistics, 2nd ed., section 3.4 (covariance of kriging errors).
    """
    level = columns(drift, len(places)).T
    nearest = cKDTree(ensemble.points[0].system.coordinates).query(places)[1]
    parts = []
    for point in ensemble.points:
        system = point.system
        count = len(system.values)
        shared = system.shape.correlations(places, system.coordinates)
        tail = system.sill * (system.rows[count:] @ shared)
        whitened = system.inverse @ shared
        missing = system.spread @ level - tail[1:]
        covariance = system.sill * system.shape.correlations(places, places)
        covariance += missing.T @ missing - system.sill**2 * (whitened.T @ whitened)
        variance = np.maximum(np.diag(covariance), 1e-12)
        centre, absorbed = link.absorb(system.beta @ level + tail[0], variance, point.micro)
        stretch = np.sqrt(absorbed / variance)
        noise = np.broadcast_to(system.nugget, count)[nearest] * stretch**2
        parts.append((centre, covariance * stretch[:, None] * stretch, noise))
    centre, covariance, noise = (np.array(each) for each in zip(*parts, strict=True))
    return Joint(ensemble.weights, centre, covariance, np.zeros_like(noise), noise, known, link)


def joint_uniform(level: Level, link: Link, size: int, *, stops: int) -> Joint:
    """Joint distribution where no pattern can be told: places share the field's centre and nothing else.

    Parameters
    ----------
    level : Level
    link : Link
    size : int
        Number of places.
    stops : int
        That the centre was learned from; one more tells as much as one of them.
    """
    shape = (len(level.weights), size)
    shared = level.centre_variance[:, None]
    return Joint(
        weights=level.weights,
        centre=np.broadcast_to(level.centre[:, None], shape).copy(),
        covariance=np.broadcast_to(shared[:, :, None], (*shape, size)).copy(),
        scatter=np.broadcast_to(level.place_variance[:, None], shape).copy(),
        noise=np.broadcast_to(np.maximum(stops * shared, 1e-12), shape).copy(),
        known=np.ones(size, dtype=bool),
        link=link,
    )
