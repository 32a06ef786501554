"""The verdict on a fitted target: whether its pattern is more than chance makes, and whether it predicts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rxmap.surface.covariance import Array
from rxmap.surface.covariates import Driven, unfit
from rxmap.surface.design import Design
from rxmap.surface.gaussian import noise_shares
from rxmap.surface.places import Places
from rxmap.surface.verdict import (
    MOST_CHANCE,
    Verdict,
    even_scale,
    left_out_mean,
    shuffled_chances,
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
        Share of shuffles of the values over the stops that look as clustered, or follow a layer as closely.
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

    All layers count that were offered and can be tried, not only those that were taken: who offers more layers offers
    chance more. Where none was taken, the pattern of the place must be clear both without and with them.

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
    fit = [column for column, values in enumerate(places.covariates.T) if not unfit(values)]
    layers, shares = places.covariates[:, fit], noise_shares(places.units)
    place_alone, with_layers = shuffled_chances(observed, shares, design, layers, seed=seed)
    patches = place_alone <= MOST_CHANCE and skill(observed, even_scale(places.measure, alone)) > 0.0
    left_out, chance = alone, max(place_alone, with_layers)
    if driven:
        elsewhere = alone if patches else left_out_mean(places.pressure)
        left_out, chance = np.where(driven.drift.known(places.covariates), driven.left_out, elsewhere), with_layers
    reached = skill(observed, even_scale(places.measure, left_out))
    verdict: Verdict = "map" if chance <= MOST_CHANCE and reached > 0.0 else "uniform"
    return Judgement(verdict, patches, chance, reached, left_out, _reason(chance, reached))


def _reason(chance: float, reached: float) -> str:
    """Put both figures into words."""
    tries = "fewer than 1" if chance < 0.01 else str(math.ceil(100 * chance - 1e-9))  # 10.25 are more than 10
    most = f"{100 * MOST_CHANCE:.0f}"
    dealt = f"dealt at random over the same places, the values look as clustered in {tries} of 100 shuffles"
    percent = f"{100 * reached:.0f}" if reached >= 0.005 else "less than 1"
    taken = f"takes {percent} % off the squared error of the field mean"
    predicted = (
        f"Predicting each stop from the others {taken if reached > 0.0 else 'is no better than the field mean'}."
    )
    if chance > MOST_CHANCE:
        return f"D{dealt[1:]}; a map may have {most} at most. {predicted}"
    if reached <= 0.0:
        return f"{predicted[:-1]}, though {dealt}."
    return f"D{dealt[1:]} (a map may have {most}). {predicted}"
