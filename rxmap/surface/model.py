"""From stops to the pressure anywhere in the field, and the verdict whether a map is earned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self, get_args

import numpy as np
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from rxmap.errors import Faults, InputError
from rxmap.surface import gaussian, sampled
from rxmap.surface.covariance import Array, Kernel
from rxmap.surface.ensemble import Ensemble, GridPoint, combine, evidence, range_centre
from rxmap.surface.gaussian import gaussian_grid
from rxmap.surface.kriging import krige
from rxmap.surface.links import NODE_WEIGHTS, NODES, Bounded, Exponential, Link, Logistic
from rxmap.surface.predictive import Predictive
from rxmap.surface.sampled import sampled_grid
from rxmap.surface.simulation import simulate_spatial, simulate_uniform
from rxmap.surface.uniform import Level, centred, gaussian_level, sampled_level
from rxmap.surface.variational import Sample
from rxmap.surface.verdict import FEWEST_STOPS, Verdict, even_mean, left_out_mean, skill, skill_needed

Measure = Literal["count", "incidence", "severity", "rating"]

# Log evidence by which the smoother kernel must lead: "very strong" (Kass and Raftery 1995, JASA 90:773)
SMOOTHER_EVIDENCE = 5.0
CROWDED = 3.0  # standard errors between plain and evened-out mean; common practice, no source
MOST_DRAWN_PLACES = 3600  # memory of a dense covariance: 100 MB


@dataclass(frozen=True)
class _Places:
    """Stops in canonical order, those at one place pooled; `index` leads from each row to its place."""

    coordinates: Array
    total: Array
    units: Array
    index: np.ndarray[tuple[int], np.dtype[np.intp]]


class PressureModel:
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
        Of `simulate`.

    Attributes
    ----------
    n_stops_ : int
        Places looked at; stops at the same place count once.
    verdict_ : {"map", "uniform"}
    skill_ : float
        1 - sum e2 / sum e2 of the field mean, both left out; nan where it is not defined.
    skill_needed_ : float
        What noise alone reaches in one field of ten.
    pressure_, left_out_ : arrays of shape (n,)
        Observed at each stop, and predicted there from the other places.
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

    def __init__(self, *, measure: Measure, area: float, per: float = 1.0, seed: int = 1) -> None:
        self.measure = measure
        self.area = area
        self.per = per
        self.seed = seed

    def fit(self, coordinates: ArrayLike, total: ArrayLike, units: ArrayLike) -> Self:
        """Learn from stops.

        Parameters
        ----------
        coordinates : array of shape (n, 2) [m]
            Easting and northing.
        total : array of shape (n,)
            Count over the units; positives among them; severity in percent; or score.
        units : array of shape (n,)
            Sample units looked at.

        Returns
        -------
        PressureModel
            Itself.

        Raises
        ------
        InputError
            No stops, or numbers that the measure does not allow.
        """
        stops, total, units = self._checked(coordinates, total, units)
        self._link = self._choose_link()
        self.pressure_ = self._pressure(total, units)
        places = self._pool(stops, total, units)
        self.n_stops_ = len(places.total)
        with threadpool_limits(1):
            self._level = self._fit_level(places)
            self._ensemble = self._fit_spatial(places)
        self._judge(places)
        self.cautions_ = self._cautions(places, len(total))
        return self

    def predict(self, coordinates: ArrayLike, *, spatial: bool | None = None) -> Predictive:
        """Predict the pressure at places.

        Parameters
        ----------
        coordinates : array of shape (m, 2) [m]
        spatial : bool, optional
            By default as the verdict says. Without a pattern every place has the same distribution:
            the field mean and the variation from place to place.

        Returns
        -------
        Predictive
        """
        places = np.asarray(coordinates, dtype=float).reshape(-1, 2)
        ensemble = self._spatial_or_none(spatial)
        if ensemble is None:
            level = self._level
            spread = np.sqrt(level.centre_variance + level.place_variance)
            return Predictive(level.weights, level.centre[:, None], spread[:, None], self._link, len(places))
        with threadpool_limits(1):
            mean, variance = krige([point.system for point in ensemble.points], places)
        for row, point in enumerate(ensemble.points):
            mean[row], variance[row] = self._link.absorb(mean[row], variance[row], point.micro)
        return Predictive(ensemble.weights, mean, np.sqrt(np.maximum(variance, 1e-12)), self._link)

    def simulate(self, coordinates: ArrayLike, draws: int, *, seed: int | None = None) -> Array:
        """Draw the pressure at places jointly from the posterior, hyperparameters included.

        Parameters
        ----------
        coordinates : array of shape (m, 2) [m]
            At most 3600 places.
        draws : int
        seed : int, optional
            By default the model's.

        Returns
        -------
        array of shape (draws, m)
        """
        places = np.asarray(coordinates, dtype=float).reshape(-1, 2)
        if len(places) > MOST_DRAWN_PLACES:
            raise InputError(f"simulate: found {len(places)} places; draw at most {MOST_DRAWN_PLACES} at once")
        random = np.random.default_rng(self.seed if seed is None else seed)
        ensemble = self._spatial_or_none(None)
        if ensemble is None:
            return simulate_uniform(self._level, self._link, len(places), draws, random)
        with threadpool_limits(1):
            return simulate_spatial(ensemble, self._link, places, draws, random)

    def field_mean(self) -> tuple[float, float]:
        """Mean and standard deviation of the field mean, where there is no pattern.

        Returns
        -------
        mean, sd : float
        """
        level = self._level
        centres = level.centre + np.sqrt(level.centre_variance) * NODES[:, None]
        values, _ = self._link.moments(centres, np.broadcast_to(np.sqrt(level.place_variance), centres.shape))
        mean = float(NODE_WEIGHTS @ values @ level.weights)
        return mean, float(np.sqrt(NODE_WEIGHTS @ (values - mean) ** 2 @ level.weights))

    def _checked(self, coordinates: ArrayLike, total: ArrayLike, units: ArrayLike) -> tuple[Array, Array, Array]:
        """Arrays of the right shapes and ranges, or an error with every fault."""
        stops = np.asarray(coordinates, dtype=float).reshape(-1, 2)
        totals, looked = np.asarray(total, dtype=float).ravel(), np.asarray(units, dtype=float).ravel()
        faults = Faults()
        if self.measure not in get_args(Measure):
            faults.add(f"measure: found {self.measure!r}; use one of {', '.join(get_args(Measure))}")
        if not len(stops) or not len(stops) == len(totals) == len(looked):
            faults.add(
                f"found {len(stops)} stops, {len(totals)} values and {len(looked)} numbers of units; "
                "give as many of each, at least one"
            )
        faults.raise_if_any()
        for name, values in (("coordinates", stops), ("values", totals), ("units", looked)):
            if not np.isfinite(values).all():
                faults.add(f"{name}: found a value that is not a number; leave such stops out")
        if not (looked > 0.0).all():
            faults.add(f"units: found {looked.min():g}; at least one unit must have been looked at")
        most = {"incidence": looked, "severity": 100.0}.get(self.measure, np.inf)
        if not ((totals >= 0.0) & (totals <= most)).all():
            faults.add(
                f"{self.measure}: found values from {totals.min():g} to {totals.max():g}; outside what it allows"
            )
        faults.raise_if_any()
        return stops, totals, looked

    def _choose_link(self) -> Link:
        if self.measure == "count":
            return Exponential(self.per)
        if self.measure == "incidence":
            return Logistic(100.0)
        return Bounded(0.0, 100.0 if self.measure == "severity" else np.inf)

    def _pressure(self, total: Array, units: Array) -> Array:
        """Observed pressure."""
        if self.measure == "count":
            return self.per * total / units
        return 100.0 * total / units if self.measure == "incidence" else total

    def _pool(self, stops: Array, total: Array, units: Array) -> _Places:
        """Pool stops at the same place: a twin must neither count twice nor vouch for itself when left out."""
        order = np.lexsort((units, total, stops[:, 1], stops[:, 0]))
        averaged = self.measure in ("severity", "rating")
        sums = total * units if averaged else total
        coordinates, inverse = np.unique(stops[order], axis=0, return_inverse=True)
        looked = np.bincount(inverse, units[order]).astype(float)
        pooled = np.bincount(inverse, sums[order]).astype(float)
        index = np.empty_like(inverse)
        index[order] = inverse
        return _Places(coordinates, pooled / looked if averaged else pooled, looked, index)

    def _sample(self, places: _Places) -> Sample:
        return Sample("poisson" if self.measure == "count" else "binomial", places.total, places.units)

    def _fit_level(self, places: _Places) -> Level:
        if self.measure in ("count", "incidence"):
            level = sampled_level(self._sample(places))
        else:
            level = gaussian_level(places.total, percent=self.measure == "severity")
        return centred(
            level, self._link, float(self._pressure(places.total, places.units) @ places.units) / places.units.sum()
        )

    def _fit_spatial(self, places: _Places) -> Ensemble | None:
        """Spatial model, or none where no pattern can be told: too few places, or all alike."""
        pressure = self._pressure(places.total, places.units)
        if self.n_stops_ < FEWEST_STOPS or np.ptp(pressure) == 0.0:
            return None
        usual = self._fit_grid(places, "exponential")
        ensemble = combine(usual, self._link)
        # The smoother kernel is first tried where the usual one does best: most fields stop here
        same = [point.parameters for point in ensemble.points]
        if evidence(self._fit_grid(places, "matern32", same)) > evidence(ensemble.points) + SMOOTHER_EVIDENCE:
            smoother = self._fit_grid(places, "matern32")
            if evidence(smoother) > evidence(usual) + SMOOTHER_EVIDENCE:
                return combine(smoother, self._link)
        return ensemble

    def _fit_grid(
        self, places: _Places, kernel: Kernel, grid: Sequence[tuple[float, ...]] | None = None
    ) -> list[GridPoint]:
        centre = range_centre(self.area, self.n_stops_)
        if self.measure in ("count", "incidence"):
            sample = self._sample(places)
            return sampled_grid(places.coordinates, sample, centre=centre, kernel=kernel, grid=grid or sampled.GRID)
        return gaussian_grid(
            places.coordinates,
            places.total,
            places.units,
            centre=centre,
            kernel=kernel,
            grid=grid or gaussian.GRID,
        )

    def _judge(self, places: _Places) -> None:
        """Skill, verdict, and both in words."""
        pressure = self._pressure(places.total, places.units)
        self.verdict_: Verdict = "uniform"
        self.skill_ = float("nan")
        self.skill_needed_ = skill_needed(pressure) if self.n_stops_ > 1 else float("inf")
        self.model_ = "field mean with free variation from place to place"
        left_out = left_out_mean(pressure) if self.n_stops_ > 1 else np.array([np.nan])
        if self._ensemble is None:
            self.reason_ = self._why_no_pattern(pressure)
        else:
            left_out = self._ensemble.left_out
            self.skill_ = skill(pressure, left_out)
            self.verdict_ = "map" if self.skill_ > self.skill_needed_ else "uniform"
            self.model_ = describe(self._ensemble) if self.verdict_ == "map" else self.model_
            more = "more than" if self.verdict_ == "map" else "no more than"
            self.reason_ = (
                f"Predicting each stop from the others beats the field mean by {100 * self.skill_:.0f} %, "
                f"{more} the {100 * self.skill_needed_:.0f} % that chance reaches in one field of ten."
            )
        self.left_out_ = left_out[places.index]

    def _why_no_pattern(self, pressure: Array) -> str:
        if np.ptp(pressure) == 0.0 and self.n_stops_ > 1:
            return f"All {self.n_stops_} places show the same pressure, so there is no pattern to map."
        return f"{self.n_stops_} places were looked at; fewer than {FEWEST_STOPS} cannot show a pattern."

    def _cautions(self, places: _Places, rows: int) -> tuple[tuple[str, str], ...]:
        """Say what the reader must know of the stops, as code and text."""
        cautions = []
        if self.n_stops_ < FEWEST_STOPS:
            cautions.append(("few_stops", f"{self.n_stops_} places were looked at; a map needs {FEWEST_STOPS}."))
        if self.n_stops_ < rows:
            cautions.append(("same_place", f"{rows} rows lie at {self.n_stops_} places; each place counts once."))
        if not self.pressure_.any():
            cautions.append(
                ("nothing_found", "Nothing was found at any stop: the figures say what may have been missed.")
            )
        pressure = self._pressure(places.total, places.units)
        even = even_mean(places.coordinates, pressure)
        if abs(even - pressure.mean()) > CROWDED * pressure.std() / np.sqrt(len(pressure)):
            cautions.append(
                (
                    "crowded_stops",
                    f"Stops crowd where pressure is {'high' if even < pressure.mean() else 'low'}: their plain mean is "
                    f"{pressure.mean():.3g}, evened out over the ground it is {even:.3g}.",
                )
            )
        return tuple(cautions)

    def _spatial_or_none(self, spatial: bool | None) -> Ensemble | None:
        wanted = self.verdict_ == "map" if spatial is None else spatial
        if wanted and self._ensemble is None:
            raise InputError(f"a spatial prediction is not possible: {self.reason_}")
        return self._ensemble if wanted else None


def describe(ensemble: Ensemble) -> str:
    """Say in plain words which model speaks."""
    systems = [point.system for point in ensemble.points]
    kernel = {"exponential": "exponential", "matern32": "Matern 3/2"}[systems[0].kernel]
    reach = ensemble.average([system.range for system in systems])
    return f"{kernel}, range about {reach:.0f} m, average of {len(systems)} parameter sets"
