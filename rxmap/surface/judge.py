"""The verdict on a fitted target: whether its pattern is more than chance makes, and whether it predicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmap.surface.covariance import Array
from rxmap.surface.covariates import Driven
from rxmap.surface.design import Design
from rxmap.surface.gaussian import noise_shares
from rxmap.surface.places import Places
from rxmap.surface.verdict import (
    MOST_CHANCE,
    Verdict,
    even_scale,
    left_out_mean,
    patterns,
    shuffled_chance,
    skill,
)


@dataclass(frozen=True)
class Judgement:
    """What the stops support, and by which figures.

    Parameters
    ----------
    verdict : {"map", "uniform"}
    patches : bool
        Whether the pattern of the place alone would earn a map too: it then speaks where a layer has no value.
    chance : float
        Share of shuffles of the values over the stops that look as patchy.
    skill : float
        1 - sum e2 / sum e2 of the field mean, both left out, on the even scale.
    left_out : array of shape (n,)
        Pressure at each place, predicted from the others by the model that speaks.
    reason : str
        In plain words.
    """

    verdict: Verdict
    patches: bool
    chance: float
    skill: float
    left_out: Array
    reason: str


def judge(places: Places, design: Design, alone: Array, driven: Driven | None, *, seed: int) -> Judgement:
    """Ask for a pattern that at most one shuffle in ten reaches, and that predicts better than the field mean.

    Parameters
    ----------
    places : Places
        As they were sampled, with the values of all layers that were offered.
    design : Design
        Of the same places.
    alone : array of shape (n,)
        Pressure left out, predicted from the place alone.
    driven : Driven, optional
        The model with layers.
    seed : int
        Of the shuffles.

    Returns
    -------
    Judgement
    """
    observed = even_scale(places.measure, places.pressure)
    chances = _chances(places, design, observed, seed=seed)
    patches = chances[0] <= MOST_CHANCE and skill(observed, even_scale(places.measure, alone)) > 0.0
    left_out, chance = alone, max(chances)
    if driven:
        elsewhere = alone if patches else left_out_mean(places.pressure)
        left_out, chance = np.where(driven.drift.known(places.covariates), driven.left_out, elsewhere), chances[-1]
    reached = skill(observed, even_scale(places.measure, left_out))
    verdict: Verdict = "map" if chance <= MOST_CHANCE and reached > 0.0 else "uniform"
    return Judgement(verdict, patches, chance, reached, left_out, _reason(chance, reached))


def _chances(places: Places, design: Design, observed: Array, *, seed: int) -> list[float]:
    """Share of shuffles that look as patchy; and where layers were offered, that look so or follow them as closely.

    All that were offered count, not those that were taken: who offers more layers offers chance more.
    """
    shares = noise_shares(places.units)
    offered = [None, places.covariates] if places.covariates.shape[1] else [None]
    return [shuffled_chance(observed, shares, patterns(design, layers), seed=seed) for layers in offered]


def _reason(chance: float, reached: float) -> str:
    """Put both figures into words."""
    by = f"beats the field mean by {100 * reached:.0f} %" if reached > 0.0 else "is no better than the field mean"
    tries = "fewer than 1" if chance < 0.005 else f"{100 * chance:.0f}"
    most = f", more than the {100 * MOST_CHANCE:.0f} that a map may have" if chance > MOST_CHANCE else ""
    return (
        f"Predicting each stop from the others {by}; "
        f"shuffled over the stops, the same values look as patchy in {tries} of 100 tries{most}."
    )
