"""The spatial model of any measure: which noise, which kernel, which direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from rxmap.surface import gaussian, sampled
from rxmap.surface.covariance import Kernel
from rxmap.surface.design import Design
from rxmap.surface.ensemble import Ensemble, GridPoint, combine
from rxmap.surface.links import Link, link_of
from rxmap.surface.places import Places

ROW_RATIO = 3.0  # how many times farther pressure is alike along rows than across; judgement, one step is enough
# What a candidate must lead by in the sum of left-out log scores, and in its standard errors, to be no tie.
# Simulated; tests/surface/test_candidates.py says how often a candidate is taken where there is no need
LEAD, LEAD_ERRORS = 3.0, 1.5

FIRST_POINTS = tuple(product((0.6, 1.2), (0.08, 0.6, 3.5)))  # of the grid of free noise: they tell whether to go on


@dataclass(frozen=True)
class Candidate:
    """A spatial model that may be asked for.

    Parameters
    ----------
    kernel : {"exponential", "matern32"}
    ratio : float
        How many times farther the pressure is alike along the rows than across them.
    """

    kernel: Kernel = "exponential"
    ratio: float = 1.0

    def fit(self, places: Places, design: Design, link: Link) -> Ensemble:
        """Fit to places."""
        return combine(self.grid(places, design), link)

    def grid(
        self, places: Places, design: Design, points: Sequence[tuple[float, ...]] | None = None
    ) -> list[GridPoint]:
        """Fit a hyperparameter grid, by default the whole one of the measure."""
        along = replace(design, ratio=self.ratio)
        if places.sampled:
            return sampled.sampled_grid(along, places.sample, kernel=self.kernel, grid=points)
        shares = gaussian.noise_shares(places.units)
        return gaussian.gaussian_grid(along, places.total, shares, kernel=self.kernel, grid=points or gaussian.GRID)


def choose_spatial(places: Places, design: Design, link: Link, *, rows: bool) -> tuple[Candidate, Ensemble]:
    """Choose by left-out log score, the usual model on a tie.

    Parameters
    ----------
    places : Places
    design : Design
        Of the same places.
    link : Link
    rows : bool
        Whether the heading of the design is that of rows.

    Returns
    -------
    Candidate, Ensemble

    References
    ----------
    Gneiting and Raftery 2007, JASA 102:359, section 7 (the log score, left out); Vehtari et al. 2017, Statistics
    and Computing 27:1413, section 5.2 (the error of a difference of scores).
    """
    best = Candidate()
    ensemble = best.fit(places, design, link)
    changes: list[tuple[Kernel | None, float | None]] = [("matern32", None), (None, ROW_RATIO)]
    for kernel, ratio in changes[: 1 + rows]:
        other = Candidate(kernel or best.kernel, ratio or best.ratio)
        # First only where the best so far does well: most candidates end here
        same = [point.parameters for point in ensemble.points]
        if leads(combine(other.grid(places, design, same), link), ensemble):
            full = other.fit(places, design, link)
            if leads(full, ensemble):
                best, ensemble = other, full
    return best, ensemble


def free_noise(places: Places, design: Design, usual: Ensemble) -> Ensemble | None:
    """Spatial model of counts or incidence with a noise that follows no sampling law, if it clearly leads.

    Numbers that vary less than chance allows (regular stands, estimates, rounded counts) ask for it.

    Parameters
    ----------
    places : Places
        As they were sampled.
    design : Design
        Of the same places.
    usual : Ensemble
        With the sampling law.
    """
    freed, freedom = places.freed(), len(places) - 1
    link = link_of(freed.measure, freed.per)

    def fit(points: Sequence[tuple[float, ...]] | None) -> Ensemble:
        grid = Candidate().grid(freed, design, points)
        return combine([gaussian.with_mass(point, places.edges, freedom) for point in grid], link)

    if not leads(fit(FIRST_POINTS), usual):
        return None
    ensemble = fit(None)
    return ensemble if leads(ensemble, usual) else None


def leads(one: Ensemble, other: Ensemble) -> bool:
    """Whether the left-out log score of one model is clearly above that of another."""
    more = one.log_score - other.log_score
    error = float(more.std()) * float(np.sqrt(len(more)))
    return float(more.sum()) > max(LEAD, LEAD_ERRORS * error)
