"""What the reader of a review must know beside its answers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np

from rxmap.errors import Caution
from rxmap.read.review import ReviewInputs
from rxmap.review.cleaning import Cleaned
from rxmap.review.found import PassReview
from rxmap.review.grounds import strip_ground
from rxmap.units import small_area

LEAST_WARNED = 0.005  # [ha] what is told with two decimals
MOST_TWICE = 0.02  # of the sprayed ground, by overlap of the logged pieces; judgement
UNLIKE = 1.1  # times more pressure on treated ground than on its strips that is worth a word; judgement
MOST_TAKEN_OUT = 0.5  # of the harvest points; judgement


def review_cautions(
    passes: Sequence[PassReview], inputs: ReviewInputs, harvest: Cleaned | None, *, units: Literal["us", "metric"]
) -> list[Caution]:
    """List every caution of a review, pass by pass.

    Parameters
    ----------
    passes : sequence of PassReview
        As answered.
    inputs : ReviewInputs
        What was read.
    harvest : Cleaned or None
        The points that are left.
    units : str
        What people read.
    """
    found: list[Caution] = []
    for one in passes:
        found += [*_cannot_tell(one), *_log(one, units), *_unlike(one, inputs), *_width(one, inputs)]
    if harvest is not None and harvest.used < (1 - MOST_TAKEN_OUT) * harvest.read:
        out = harvest.read - harvest.used
        text = f"{out} of {harvest.read} harvest points were taken out. See why before using the rest."
        found.append(Caution("harvest_thinned", text))
    return found


def _cannot_tell(one: PassReview) -> Iterator[Caution]:
    gain = one.gain or one.by_hand
    if gain is not None and gain.why:
        yield Caution(f"strips_cannot_tell: {one.planned.name}", f"{one.planned.name}: {gain.why}.")


def _log(one: PassReview, units: Literal["us", "metric"]) -> Iterator[Caution]:
    """Say what the machine's log shows that somebody has to look at."""
    name, done = one.planned.name, one.done
    if done is None:
        return
    if done.setback_ha >= LEAST_WARNED:
        yield Caution(
            "setback_was_sprayed",
            f"{name}: about {small_area(done.setback_ha, units)} of keep-outs and setbacks were sprayed by the "
            "machine's log. Look there, and do what label and law ask for.",
        )
    if done.twice_ha > MOST_TWICE * done.sprayed_ha:
        yield Caution(
            "sprayed_twice",
            f"{name}: by the log {small_area(done.twice_ha, units)} were sprayed twice. There the rate counts twice "
            "for the label.",
        )


def _unlike(one: PassReview, inputs: ReviewInputs) -> Iterator[Caution]:
    """Warn where strips lie on ground with clearly less pressure than the treated ground that they speak for."""
    target = one.threshold.target if one.threshold else None
    strips = sum((inputs.grid.covered(strip) for _, strip in one.planned.strips), np.zeros(inputs.grid.shape))
    if target is None or not strips.any():
        return
    surface = np.nan_to_num(inputs.planned.pressure[target])
    treated = inputs.grid.covered(one.planned.treated)
    on, everywhere = (float((surface * share).sum() / share.sum()) for share in (strips, treated))
    if everywhere > UNLIKE * on:
        yield Caution(
            "strips_unlike",
            f"{one.planned.name}: before the pass {target} was at {on:.3g} on the check strips and at {everywhere:.3g} "
            "on all treated ground. If the gain goes with it, gain and money here are too low by that ratio.",
        )


def _width(one: PassReview, inputs: ReviewInputs) -> Iterator[Caution]:
    """Warn where a point of the harvest holds more than the strip that it lies on."""
    widths = None if inputs.harvest is None else inputs.harvest.width
    strip = min((strip_ground(1, ground, ground).width_m for _, ground in one.planned.strips), default=None)
    if widths is None or strip is None:
        return
    header = float(np.median(widths))
    if header > 1.01 * strip:  # beyond what a rectangle loses to rounded coordinates
        yield Caution(
            "wide_harvest",
            f"{one.planned.name}: the harvest is {header:.1f} m wide, the check strips {strip:.1f} m: yield on them "
            "holds treated rows too, so the gain is understated.",
        )
