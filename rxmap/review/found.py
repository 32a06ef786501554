"""What a review found, as frozen records that pass to its documents."""

from __future__ import annotations

from dataclasses import dataclass

from rxmap.errors import Caution
from rxmap.plan import Plan
from rxmap.read.planned import PlannedPass
from rxmap.read.review import ReviewInputs
from rxmap.review.as_applied import Delivered
from rxmap.review.cleaning import Cleaned
from rxmap.review.grounds import Pair, Unused
from rxmap.review.intervals import Interval
from rxmap.review.money import Earned, PassMoney, ThresholdCheck
from rxmap.review.pressure import Curve, Fall, Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What treating added to the yield: beside the strips less on them.

    Parameters
    ----------
    source : str
        ``harvest`` or ``hand samples``.
    unit : str
        Of the yield.
    pairs, unused : tuple of Pair, tuple of Unused
        By strip.
    found : Interval or None
        None where `why` says why strips cannot tell.
    t, p : float or None
        Student's t against zero and its two-sided p.
    detectable : float or None
        Smallest difference that so many strips with this scatter show.
    """

    source: str
    unit: str
    pairs: tuple[Pair, ...]
    unused: tuple[Unused, ...]
    found: Interval | None
    t: float | None
    p: float | None
    detectable: float | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PassReview:
    """One pass that went out, and what is known of it now."""

    planned: PlannedPass
    done: Delivered | None
    falls: tuple[Fall, ...]
    gain: Gain | None
    by_hand: Gain | None
    money: PassMoney
    threshold: ThresholdCheck | None
    why_threshold: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """Everything that a review found: what is written and shown."""

    plan: Plan  # at today's prices
    inputs: ReviewInputs
    passes: tuple[PassReview, ...]
    harvest: Cleaned | None
    money: Earned
    visits: tuple[Visit, ...]
    curves: tuple[Curve, ...]
    cautions: tuple[Caution, ...]
