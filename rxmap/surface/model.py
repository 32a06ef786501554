"""From stops to the pressure anywhere in the field, and the verdict whether a map is earned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from rxmap.errors import InputError
from rxmap.records import CovariateUse, Measure
from rxmap.surface.covariance import Array
from rxmap.surface.covariates import Drift, Driven, choose_covariates, without_map
from rxmap.surface.design import Design
from rxmap.surface.ensemble import Ensemble, range_centre
from rxmap.surface.estimator import Estimator
from rxmap.surface.evidence_ground import crowding, neighbour_ground
from rxmap.surface.joint import Joint, joint_spatial, joint_uniform
from rxmap.surface.judge import judge
from rxmap.surface.kriging import krige, one_blas_thread
from rxmap.surface.links import NODE_WEIGHTS, NODES, Bounded, link_of, share_variance
from rxmap.surface.places import (
    BoolArray,
    Places,
    checked_covariates,
    checked_ground,
    checked_places,
    checked_stops,
    observed_pressure,
    pool,
    stop_cautions,
)
from rxmap.surface.predictive import Blended, Predictive
from rxmap.surface.simulation import alongside, simulate_spatial, simulate_uniform
from rxmap.surface.spatial import Candidate, choose_spatial, free_noise
from rxmap.surface.uniform import Level, centred, gaussian_level, sampled_level
from rxmap.surface.verdict import FEWEST_STOPS, Verdict, left_out_mean

MOST_DRAWN_PLACES = 3600  # memory of a dense covariance: 100 MB


class PressureModel(Estimator):
    """Estimate the pressure of one target from stops.

    Counts and incidence are a Gaussian process seen through Poisson or binomial sampling; severity and
    ratings are ordinary kriging. Both average over a grid of hyperparameters with weak priors.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    area : float [m2]
        Of the field: it scales the prior of the range.
    per : float, default 1
        Pressure of a count is per x total / units.
    seed : int, default 1
        Of `simulate` and of the shuffles.
    gps_error : float [m], default 0
        Standard deviation of each coordinate of a stop around the place where somebody looked.
    heading : float, optional [degrees clockwise from north]
        Of the rows of the crop: pressure may be alike farther along them than across, if the stops say so.

    Attributes
    ----------
    places_ : Places
        What was seen where, stops at the same place pooled.
    n_stops_ : int
        Places looked at; stops at the same place count once.
    verdict_ : {"map", "uniform"}
    skill_ : float
        1 - sum e2 / sum e2 of the field mean, both left out, on the scale on which sampling noise is even;
        nan where it is not defined.
    chance_ : float
        Share of shuffles of the same values over the stops that look as clustered; nan where no pattern can be told.
    pressure_, left_out_ : arrays of shape (n,)
        Observed at each stop, and predicted there from the other places.
    covariates_ : tuple of CovariateUse
        What became of each covariate, and why.
    covariates_used_ : tuple of str
    covariate_gain_ : dict of str to float or None
        Share of the squared left-out errors that each takes away; None where it was not tried.
    model_, reason_ : str
        The model, and why this verdict, in plain words.
    cautions_ : tuple of (code, text)

    Examples
    --------
    Invented numbers: counts rise from west to east.

    >>> axis = np.arange(50.0, 800.0, 140.0)
    >>> east, north = (values.ravel() for values in np.meshgrid(axis, axis))
    >>> total = np.round(20.0 * np.exp(east / 400.0))
    >>> model = PressureModel(measure="count", area=640_000.0, per=25.0)
    >>> model.fit(np.column_stack([east, north]), total, np.full(36, 50.0)).verdict_
    'map'
    >>> at_two = model.predict([[100.0, 400.0], [700.0, 400.0]])
    >>> at_two.mean.round(0), at_two.p_over(30.0).round(2)
    (array([13., 60.]), array([0., 1.]))
    """

    def __init__(
        self,
        *,
        measure: Measure,
        area: float,
        per: float = 1.0,
        seed: int = 1,
        gps_error: float = 0.0,
        heading: float | None = None,
    ) -> None:
        self.measure = measure
        self.area = area
        self.per = per
        self.seed = seed
        self.gps_error = gps_error
        self.heading = heading

    def fit(
        self,
        coordinates: ArrayLike,
        total: ArrayLike,
        units: ArrayLike | None = None,
        covariates: ArrayLike | None = None,
        *,
        names: Sequence[str] = (),
        ground: ArrayLike | None = None,
    ) -> Self:
        """Learn from stops.

        Parameters
        ----------
        coordinates : array of shape (n, 2) [m]
            Easting and northing.
        total : array of shape (n,)
            Count over the units; positives among them; severity in percent; or score.
        units : array of shape (n,), optional
            Sample units looked at; by default 1 at each stop.
        covariates : array of shape (n, q), optional
            Imagery and other layers at the stops; nan where one has no value.
        names : sequence of q str
            What to call them.
        ground : array of shape (n,), optional
            Ground that each stop speaks for, in any unit of area, such as the part of the field nearest to it. Where
            stops crowd on high or low pressure, the level of the field weighs them by it. By default it goes with
            the square of the way to the third neighbour.

        Returns
        -------
        PressureModel
            Itself.

        Raises
        ------
        InputError
            No stops, or numbers that the measure does not allow.
        """
        stops, totals, looked = checked_stops(self.measure, coordinates, total, units)
        layers = checked_covariates(covariates, len(stops), len(names))
        self._link = link_of(self.measure, self.per)
        places = pool(self.measure, self.per, stops=stops, total=totals, units=looked, covariates=layers)
        around = neighbour_ground(places.coordinates) if ground is None else checked_ground(ground, places.index)
        self._crowding = crowding(places.pressure, around)
        self.pressure_ = observed_pressure(self.measure, self.per, totals, looked)
        self.places_, self.n_stops_ = places, len(places)
        self._names = tuple(names)
        with one_blas_thread():
            self._fit_spatial(places)
            self._level = self._fit_level(self.places_)
            self._judge(places)
        self.cautions_ = stop_cautions(places, self.covariates_, self._crowding, rows=len(totals))
        return self

    def predict(
        self, coordinates: ArrayLike, covariates: ArrayLike | None = None, *, spatial: bool | None = None
    ) -> Predictive | Blended:
        """Predict the pressure at places.

        Parameters
        ----------
        coordinates : array of shape (m, 2) [m]
        covariates : array of shape (m, q), optional
            Where one that is used has no value, the model without covariates predicts.
        spatial : bool, optional
            By default as the verdict says. Without a pattern every place has the same distribution:
            the field mean and the variation from place to place.

        Returns
        -------
        Predictive or Blended
        """
        self.check_fitted()
        places = checked_places(coordinates)
        known, drift = self._driven_at(covariates, len(places), spatial)
        if self._driven is None or not known.any():
            return self._predictive(self._without(spatial), places)
        inside = self._predictive(self._driven.ensemble, places[known], drift)
        if known.all():
            return inside
        return Blended(known, inside, self._predictive(self._without(spatial), places[~known]))

    def _predictive(self, ensemble: Ensemble | None, places: Array, drift: Array | None = None) -> Predictive:
        if ensemble is None:
            level = self._level
            spread = np.sqrt(level.centre_variance + level.place_variance)
            return Predictive(level.weights, level.centre[:, None], spread[:, None], self._link, len(places))
        mean, variance = krige([point.system for point in ensemble.points], places, drift)
        for row, point in enumerate(ensemble.points):
            mean[row], variance[row] = self._link.absorb(mean[row], variance[row], point.micro)
        return Predictive(ensemble.weights, mean, np.sqrt(np.maximum(variance, 1e-12)), self._link)

    def simulate(
        self, coordinates: ArrayLike, draws: int, covariates: ArrayLike | None = None, *, seed: int | None = None
    ) -> Array:
        """Draw the pressure at places jointly from the posterior, hyperparameters included.

        Parameters
        ----------
        coordinates : array of shape (m, 2) [m]
            At most 3600 places.
        draws : int
        covariates : array of shape (m, q), optional
            As for `predict`.
        seed : int, optional
            By default the model's.

        Returns
        -------
        array of shape (draws, m)
        """
        self.check_fitted()
        places = checked_places(coordinates)
        if len(places) > MOST_DRAWN_PLACES:
            raise InputError(f"simulate: found {len(places)} places; draw at most {MOST_DRAWN_PLACES} at once")
        random = np.random.default_rng(self.seed if seed is None else seed)
        known, drift = self._driven_at(covariates, len(places), None)
        drawn = np.empty((draws, len(places)))
        if self._driven is not None and known.any():
            drawn[:, known] = self._drawn(self._driven.ensemble, places[known], drift, draws=draws, random=random)
        if not known.all():
            without = self._drawn(self._without(None), places[~known], None, draws=draws, random=random)
            drawn[:, ~known] = alongside(drawn[:, known], without) if known.any() else without
        return drawn

    def _drawn(
        self, ensemble: Ensemble | None, places: Array, drift: Array | None, *, draws: int, random: np.random.Generator
    ) -> Array:
        if ensemble is None:
            return simulate_uniform(self._level, self._link, len(places), draws, random)
        with one_blas_thread():
            return simulate_spatial(ensemble, self._link, places, drift=drift, draws=draws, random=random)

    def joint(self, coordinates: ArrayLike, covariates: ArrayLike | None = None) -> Joint:
        """Joint distribution at places on the latent scale: what one more stop would tell about the others.

        Parameters
        ----------
        coordinates : array of shape (m, 2) [m]
        covariates : array of shape (m, q), optional
            As for `predict`; where one that is used has no value, nothing is known.

        Returns
        -------
        Joint
        """
        self.check_fitted()
        places = checked_places(coordinates)
        with one_blas_thread():
            known, drift = self._driven_at(covariates, len(places), None)
            if self._driven is not None and known.any():
                layers = np.zeros((len(places), drift.shape[1]))
                layers[known] = drift
                return joint_spatial(self._driven.ensemble, self._link, places, known=known, drift=layers)
            ensemble = self._without(None)
            if ensemble is None:
                return joint_uniform(self._level, self._link, len(places), stops=self.n_stops_)
            return joint_spatial(ensemble, self._link, places, known=np.ones(len(places), bool), drift=None)

    def field_mean(self) -> tuple[float, float]:
        """Mean and standard deviation of the field mean, where there is no pattern.

        Returns
        -------
        mean, sd : float
        """
        self.check_fitted()
        level = self._level
        centres = level.centre + np.sqrt(level.centre_variance) * NODES[:, None]
        values, _ = self._link.moments(centres, np.broadcast_to(np.sqrt(level.place_variance), centres.shape))
        mean = float(NODE_WEIGHTS @ values @ level.weights)
        return mean, float(np.sqrt(NODE_WEIGHTS @ (values - mean) ** 2 @ level.weights))

    def _fit_level(self, places: Places) -> Level:
        if places.sampled:
            level = sampled_level(places.sample)
        else:
            level = gaussian_level(places.total, percent=places.measure == "severity")
        if self._crowding.found:
            spread = level.centre_variance * self._crowding.lost
            return centred(replace(level, centre_variance=spread), self._link, self._crowding.even)
        return centred(level, self._link, float(places.pressure @ places.units) / places.units.sum())

    def _fit_spatial(self, places: Places) -> None:
        """Spatial models with and without covariates, or none where no pattern can be told."""
        self._ensemble: Ensemble | None = None
        self._driven: Driven | None = None
        why, told = self._why_no_pattern(places.pressure), places
        self.covariates_ = tuple(CovariateUse(name=name, used=False, gain=None, why=why) for name in self._names)
        if not why:
            design = Design(places.coordinates, range_centre(self.area, len(places)), self.gps_error)
            design = replace(design, heading=self.heading or 0.0)
            rows = self.heading is not None
            candidate, self._ensemble = choose_spatial(places, design, self._link, rows=rows)
            freed = free_noise(places, design, self._ensemble) if places.sampled else None
            if freed:
                candidate, self._ensemble = Candidate(), freed
                self.places_ = told = places.freed()
                self._link = link_of(told.measure, self.per)
            if isinstance(self._link, Bounded) and self.places_.measure == "severity":
                self._link = replace(self._link, typical=float(share_variance(self._ensemble.left_out).mean()))

            def fit(drift: Drift) -> Ensemble:
                stops = drift.known(places.covariates)
                with_it = design.with_drift(drift.at(places.covariates), stops)
                return candidate.fit(told.at(stops), with_it, self._link)

            self._driven, self.covariates_ = choose_covariates(places, self._names, self._ensemble.left_out, fit)
        self.covariate_gain_ = {use.name: use.gain for use in self.covariates_}

    def _judge(self, places: Places) -> None:
        """Verdict, its figures and its words."""
        self.verdict_: Verdict = "uniform"
        self.skill_ = self.chance_ = float("nan")
        self.model_ = "field mean with free variation from place to place"
        self.reason_ = self._why_no_pattern(places.pressure)
        left_out = left_out_mean(places.pressure) if self.n_stops_ > 1 else np.array([np.nan])
        if self._ensemble is not None:
            design = Design(places.coordinates, range_centre(self.area, len(places)))
            judged = judge(places, design, self._ensemble.left_out, self._driven, seed=self.seed)
            self.verdict_, self.reason_, self._patches = judged.verdict, judged.reason, judged.patches
            self.skill_, self.chance_, left_out = judged.skill, judged.chance, judged.left_out
            if self.verdict_ == "uniform":
                self.covariates_ = tuple(without_map(use) for use in self.covariates_)
            self.reason_ += "".join(f" {use.name} is used: {use.why}." for use in self.covariates_ if use.used)
            if self.verdict_ == "map":
                ensemble = self._driven.ensemble if self._driven else self._ensemble
                self.model_ = describe(ensemble, free=self.places_.measure != self.measure) + "".join(
                    f", with {use.name}" for use in self.covariates_ if use.used
                )
        self.covariates_used_ = tuple(use.name for use in self.covariates_ if use.used)
        self.left_out_ = left_out[places.index]

    def _why_no_pattern(self, pressure: Array) -> str:
        """Why no pattern can be told, or nothing."""
        if self.n_stops_ > 1 and np.ptp(pressure) == 0.0:
            return f"All {self.n_stops_} places show the same pressure, so there is no pattern to map."
        if self.n_stops_ < FEWEST_STOPS:
            return f"{self.n_stops_} places were looked at; fewer than {FEWEST_STOPS} cannot show a pattern."
        return ""

    def _without(self, spatial: bool | None) -> Ensemble | None:
        """Spatial model without covariates, or none where it has no say."""
        patches = self.verdict_ == "map" and (self._driven is None or self._patches)
        wanted = patches if spatial is None else spatial
        if wanted and self._ensemble is None:
            raise InputError(f"a spatial prediction is not possible: {self.reason_}")
        return self._ensemble if wanted else None

    def _driven_at(self, covariates: ArrayLike | None, rows: int, spatial: bool | None) -> tuple[BoolArray, Array]:
        """Places where the model with covariates predicts, and its drift there."""
        wanted = self.verdict_ == "map" if spatial is None else spatial
        if self._driven is None or covariates is None or not wanted:
            return np.zeros(rows, dtype=bool), np.empty((0, 0))
        layers = checked_covariates(covariates, rows, len(self._names))
        known = self._driven.drift.known(layers)
        return known, self._driven.drift.at(layers[known])


def describe(ensemble: Ensemble, *, free: bool = False) -> str:
    """Say in plain words which model speaks."""
    systems = [point.system for point in ensemble.points]
    kernel = {"exponential": "exponential", "matern32": "Matern 3/2"}[systems[0].kernel]
    reach = ensemble.average([system.range for system in systems])
    ratio = systems[0].ratio
    along = "" if ratio == 1.0 else f" ({ratio:.0f} times as far along the rows as across)"
    noise = ", noise left free" if free else ""
    return f"{kernel}, range about {reach:.0f} m{along}{noise}, average of {len(systems)} parameter sets"
