"""What was seen where: stops in one order, those at the same place pooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike

from rxmap.errors import Faults, InputError
from rxmap.records import CovariateUse, Measure
from rxmap.surface.covariance import Array
from rxmap.surface.evidence_ground import Crowding
from rxmap.surface.variational import Sample
from rxmap.surface.verdict import FEWEST_STOPS

IndexArray = np.ndarray[tuple[int], np.dtype[np.intp]]

BoolArray = np.ndarray[tuple[int], np.dtype[np.bool_]]


@dataclass(frozen=True)
class Places:
    """What was seen at n places.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    per : float
        Pressure of a count is per x total / units.
    coordinates : array of shape (n, 2) [m]
    total, units : arrays of shape (n,)
    covariates : array of shape (n, q)
        Values of imagery and other layers there; nan where one is missing.
    index : array of int
        Leads from each row that was given to its place.
    """

    measure: Measure
    per: float
    coordinates: Array
    total: Array
    units: Array
    covariates: Array
    index: IndexArray

    def __len__(self) -> int:
        return len(self.total)

    @property
    def sampled(self) -> bool:
        """Whether units are counted: the noise then follows a sampling law."""
        return self.measure in ("count", "incidence")

    @property
    def sample(self) -> Sample:
        """Counts or positives, for the sampling law."""
        return Sample("poisson" if self.measure == "count" else "binomial", self.total, self.units)

    @property
    def pressure(self) -> Array:
        """Observed pressure."""
        return observed_pressure(self.measure, self.per, self.total, self.units)

    def freed(self) -> Places:
        """As if pressures had been measured, with a noise that follows no sampling law."""
        return replace(self, measure="severity" if self.measure == "incidence" else "rating", total=self.pressure)

    @property
    def edges(self) -> tuple[Array, Array]:
        """Between which pressures each whole number lies, half a number away; unlimited beyond the first and last."""
        scale = self.per if self.measure == "count" else 100.0
        low, high = (scale * (self.total + half) / self.units for half in (-0.5, 0.5))
        last = self.units if self.measure == "incidence" else np.inf
        return np.where(self.total <= 0.0, -np.inf, low), np.where(self.total >= last, np.inf, high)

    def at(self, marked: BoolArray) -> Places:
        """Keep the marked places."""
        return replace(
            self,
            coordinates=self.coordinates[marked],
            total=self.total[marked],
            units=self.units[marked],
            covariates=self.covariates[marked],
        )


def pool(measure: Measure, per: float, *, stops: Array, total: Array, units: Array, covariates: Array) -> Places:
    """Pool stops at the same place: a twin must neither count twice nor vouch for itself when left out.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    per : float
    stops : array of shape (r, 2) [m]
    total, units : arrays of shape (r,)
    covariates : array of shape (r, q)

    Returns
    -------
    Places
        In an order that does not depend on that of the rows.
    """
    order = np.lexsort((units, total, stops[:, 1], stops[:, 0]))
    averaged = measure in ("severity", "rating")
    sums = total * units if averaged else total
    coordinates, first, inverse = np.unique(stops[order], axis=0, return_index=True, return_inverse=True)
    looked = np.bincount(inverse, units[order]).astype(float)
    pooled = np.bincount(inverse, sums[order]).astype(float)
    index = np.empty_like(inverse)
    index[order] = inverse
    return Places(
        measure, per, coordinates, pooled / looked if averaged else pooled, looked, covariates[order][first], index
    )


def observed_pressure(measure: Measure, per: float, total: Array, units: Array) -> Array:
    """Pressure in the unit of the measure.

    Examples
    --------
    >>> observed_pressure("count", 25.0, np.array([4.0]), np.array([50.0]))
    array([2.])
    """
    if measure == "count":
        return per * total / units
    return 100.0 * total / units if measure == "incidence" else total


def checked_places(coordinates: ArrayLike) -> Array:
    """Easting and northing of places, one row for each.

    Raises
    ------
    InputError
        Of another shape: turned rows and columns would make other places.
    """
    places = np.asarray(coordinates, dtype=float)
    if places.ndim != 2 or places.shape[1] != 2:
        raise InputError(f"coordinates: found shape {places.shape}; give a row of easting and northing for each")
    return places


def checked_stops(
    measure: Measure, coordinates: ArrayLike, total: ArrayLike, units: ArrayLike | None
) -> tuple[Array, Array, Array]:
    """Arrays of the right shapes and ranges; one unit at each stop where none are given.

    Raises
    ------
    InputError
        With every fault.
    """
    stops, totals = checked_places(coordinates), np.asarray(total, dtype=float).ravel()
    looked = np.ones(len(totals)) if units is None else np.asarray(units, dtype=float).ravel()
    faults = Faults()
    if measure not in get_args(Measure):
        faults.add(f"measure: found {measure!r}; use one of {', '.join(get_args(Measure))}")
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
    most = {"incidence": looked, "severity": 100.0}.get(measure, np.inf)
    if not ((totals >= 0.0) & (totals <= most)).all():
        faults.add(f"{measure}: found values from {totals.min():g} to {totals.max():g}; outside what it allows")
    faults.raise_if_any()
    return stops, totals, looked


def checked_covariates(covariates: ArrayLike | None, rows: int, count: int) -> Array:
    """Values of shape (rows, count); what is not a number becomes nan.

    Raises
    ------
    InputError
        Of another shape.
    """
    values = np.empty((rows, 0)) if covariates is None else np.asarray(covariates, dtype=float)
    values = values[:, None] if values.ndim == 1 else values
    if values.shape != (rows, count):
        raise InputError(
            f"covariates: found {values.shape[0]} rows of {values.shape[1]}; give {rows} rows of {count}, "
            "one column for each name"
        )
    return np.where(np.isfinite(values), values, np.nan)


def checked_ground(ground: ArrayLike, index: IndexArray) -> Array:
    """Ground of each place from that of its rows.

    Raises
    ------
    InputError
        Not one for each row, or one below 0.
    """
    areas = np.asarray(ground, dtype=float)
    if areas.shape != index.shape or not (areas >= 0.0).all():
        raise InputError(f"ground: found an array of shape {areas.shape}; give {len(index)} areas of 0 or more")
    return np.bincount(index, areas).astype(float)


def stop_cautions(
    places: Places, covariates: Sequence[CovariateUse], crowding: Crowding, *, rows: int
) -> tuple[tuple[str, str], ...]:
    """Say what the reader must know of the stops, as code and text."""
    cautions = []
    if len(places) < FEWEST_STOPS:
        cautions.append(("few_stops", f"{len(places)} places were looked at; a map needs {FEWEST_STOPS}."))
    if len(places) < rows:
        cautions.append(("same_place", f"{rows} rows lie at {len(places)} places; each place counts once."))
    pressure = places.pressure
    if not pressure.any():
        cautions.append(("nothing_found", "Nothing was found at any stop: the figures say what may have been missed."))
    for use in covariates:
        if not use.used:
            cautions.append((f"image_not_used: {use.name}", f"{use.name} is not used: {use.why}."))
    if crowding.found:
        cautions.append(
            (
                "crowded_stops",
                f"Stops crowd where pressure is {'high' if crowding.even < crowding.plain else 'low'}: their plain "
                f"mean is {crowding.plain:.3g}; weighed by the ground that each speaks for it is {crowding.even:.3g}, "
                "and that is taken as the level of the field.",
            )
        )
    return tuple(cautions)
