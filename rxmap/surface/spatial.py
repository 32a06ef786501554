"""The spatial model of any measure: which noise, which kernel."""

from __future__ import annotations

from collections.abc import Sequence

from rxmap.surface import gaussian, sampled
from rxmap.surface.covariance import Kernel
from rxmap.surface.design import Design
from rxmap.surface.ensemble import Ensemble, GridPoint, combine, evidence
from rxmap.surface.links import Link
from rxmap.surface.places import Places

# Log evidence by which the smoother kernel must lead: "very strong" (Kass and Raftery 1995, JASA 90:773)
SMOOTHER_EVIDENCE = 5.0


def fit_spatial(places: Places, design: Design, link: Link) -> Ensemble:
    """Fit the usual kernel, or the smoother one where the stops clearly prefer it.

    Parameters
    ----------
    places : Places
    design : Design
        Of the same places.
    link : Link

    Returns
    -------
    Ensemble
    """
    usual = fit_grid(places, design, "exponential")
    ensemble = combine(usual, link)
    # The smoother kernel is first tried where the usual one does best: most fields stop here
    same = [point.parameters for point in ensemble.points]
    if evidence(fit_grid(places, design, "matern32", same)) > evidence(ensemble.points) + SMOOTHER_EVIDENCE:
        smoother = fit_grid(places, design, "matern32")
        if evidence(smoother) > evidence(usual) + SMOOTHER_EVIDENCE:
            return combine(smoother, link)
    return ensemble


def fit_grid(
    places: Places, design: Design, kernel: Kernel, grid: Sequence[tuple[float, ...]] | None = None
) -> list[GridPoint]:
    """Fit a hyperparameter grid, by default the whole one of the measure."""
    if places.sampled:
        return sampled.sampled_grid(design, places.sample, kernel=kernel, grid=grid or sampled.GRID)
    shares = gaussian.noise_shares(places.units)
    return gaussian.gaussian_grid(design, places.total, shares, kernel=kernel, grid=grid or gaussian.GRID)
