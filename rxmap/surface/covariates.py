"""Imagery and other layers in the surface: which of them the stops earn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from rxmap.records import CovariateUse
from rxmap.surface.covariance import Array
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.places import BoolArray, Places
from rxmap.surface.verdict import FEWEST_STOPS, even_scale, even_share, left_out_errors

MOST_USED = 3  # in one model; judgement: a few dozen stops tell no more slopes apart
COLLINEAR = 0.9  # correlation at the stops beyond which two layers are one; judgement, no source
# A slope fitted to noise takes chi-square - 2 squared errors off n left-out ones: what is fitted is lost twice on
# what is left out (Stone 1977, JRSS B 39:44). With hyperparameters refitted beside it, images of noise entered 7 %
# of simulated fields at 2 and 4 % at 1.
FITTED = 1.0
NOISE_SHARE = 0.05  # of fields in which one of all layers tried may enter by chance


@dataclass(frozen=True)
class Drift:
    """Layers that a model uses, and how they are standardised.

    Parameters
    ----------
    chosen : tuple of int
        Columns among the covariates given.
    centre, scale : arrays of shape (q,)
        Mean and standard deviation at the stops.
    """

    chosen: tuple[int, ...]
    centre: Array
    scale: Array

    @classmethod
    def of(cls, chosen: Sequence[int], covariates: Array) -> Drift:
        """Standardise by the stops where all chosen ones are known."""
        taken = covariates[:, list(chosen)]
        taken = taken[np.isfinite(taken).all(axis=1)]
        return cls(tuple(chosen), taken.mean(axis=0), taken.std(axis=0))

    def known(self, covariates: Array) -> BoolArray:
        """Whether every chosen covariate has a value, shape (m,)."""
        known: BoolArray = np.logical_and.reduce(np.isfinite(covariates[:, list(self.chosen)]), axis=1)
        return known

    def at(self, covariates: Array) -> Array:
        """Standardised values, shape (m, q)."""
        values: Array = (covariates[:, list(self.chosen)] - self.centre) / self.scale
        return values


@dataclass(frozen=True)
class Driven:
    """Model with covariates, and what the last one of them brought.

    Parameters
    ----------
    drift : Drift
    ensemble : Ensemble
        Of the stops where the covariates are known.
    left_out : array of shape (n,)
        Pressure at each stop from the others; from the model without covariates where they are not known.
    gain, needed : float
        Share of the squared left-out errors that the last covariate takes away, and what chance reaches.
    """

    drift: Drift
    ensemble: Ensemble
    left_out: Array
    gain: float
    needed: float

    @property
    def told(self) -> str:
        """What the last covariate brought, in words."""
        more = "more" if self.gain > self.needed else "no more"
        taken = max(self.gain, 0.0)
        return (
            f"it takes {100 * taken:.0f} % off the squared errors of predicting each stop from the others, "
            f"{more} than the {100 * self.needed:.0f} % that chance reaches in one field of {1 / NOISE_SHARE:.0f}"
        )


Fit = Callable[[Drift], Ensemble]


def choose_covariates(
    places: Places, names: Sequence[str], left_out: Array, fit: Fit
) -> tuple[Driven | None, tuple[CovariateUse, ...]]:
    """Take covariates one by one, the most helpful first, while the gain is more than chance reaches.

    Parameters
    ----------
    places : Places
    names : sequence of q str
    left_out : array of shape (n,)
        Pressure predicted without covariates.
    fit : callable
        Fits a model with some of them to the stops where they are known.

    Returns
    -------
    Driven or None, tuple of q CovariateUse
        The model with those that are used, and what became of each.
    """
    faults = [unfit(values) for values in places.covariates.T]
    fates = [CovariateUse(name=name, used=False, gain=None, why=why) for name, why in zip(names, faults, strict=True)]
    waiting = [column for column, fate in enumerate(fates) if not fate.why]
    # Where several are tried, each must beat what chance reaches in a smaller share of fields (Bonferroni)
    chance = float(ndtri(1.0 - NOISE_SHARE / 2.0 / max(len(waiting), 1))) ** 2
    best: Driven | None = None
    for _ in range(MOST_USED):
        trials = [_tried(places, best, column, left_out=left_out, fit=fit, chance=chance) for column in waiting]
        for column, trial in zip(waiting, trials, strict=True):
            fates[column] = CovariateUse(name=names[column], used=False, gain=trial.gain, why=trial.told)
        winner = max(trials, key=lambda trial: trial.gain - trial.needed, default=None)
        if winner is None or winner.gain <= winner.needed:
            break
        best, entered = winner, winner.drift.chosen[-1]
        fates[entered] = replace(fates[entered], used=True)
        waiting.remove(entered)
        for column in [other for other in waiting if _alike(places.covariates[:, [entered, other]])]:
            fates[column] = replace(fates[column], why=f"at the stops it follows {names[entered]}, which is used")
            waiting.remove(column)
    return best, tuple(fates)


def unfit(values: Array) -> str:
    """Why a covariate cannot be tried, or nothing."""
    known = values[np.isfinite(values)]
    if len(known) < FEWEST_STOPS:
        return f"it has a value at {len(known)} of {len(values)} places; {FEWEST_STOPS} are needed"
    return "it is the same at every stop" if np.ptp(known) <= 1e-9 * np.abs(known).max() else ""


def without_map(use: CovariateUse) -> CovariateUse:
    """Say of a layer that was taken what becomes of it where the stops earn no map."""
    return replace(use, used=False, why=f"{use.why}; but no map is earned, with it or without") if use.used else use


def _alike(pair: Array) -> bool:
    """Whether two covariates are one, or one of them tells nothing where both are known."""
    known = pair[np.isfinite(pair).all(axis=1)]
    if len(known) < FEWEST_STOPS or (np.ptp(known, axis=0) == 0.0).any():
        return True
    apart = known - known.mean(axis=0)
    return bool(abs(apart[:, 0] @ apart[:, 1]) > COLLINEAR * np.linalg.norm(apart[:, 0]) * np.linalg.norm(apart[:, 1]))


def _tried(places: Places, best: Driven | None, column: int, *, left_out: Array, fit: Fit, chance: float) -> Driven:
    """Fit with one more covariate, and weigh the gain over the model so far at the stops where it is known."""
    drift = Drift.of((*(best.drift.chosen if best else ()), column), places.covariates)
    stops = drift.known(places.covariates)
    ensemble = fit(drift)
    with_it = left_out.copy()
    with_it[stops] = ensemble.left_out
    observed = even_scale(places.measure, places.pressure[stops])
    before, after = (
        left_out_errors(observed, even_scale(places.measure, predicted[stops]))
        for predicted in (best.left_out if best else left_out, with_it)
    )
    gain = 1.0 - float((after**2).sum()) / float((before**2).sum())
    return Driven(drift, ensemble, with_it, gain, (chance - FITTED) * even_share(before))
