"""Check strips: treated ground left untreated on purpose, because nothing else tells whether treating paid.

Treated ground differs from untreated ground in pressure, so the two cannot be compared. A strip one pass wide
inside treated ground, compared with the passes beside it, can.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from scipy.special import stdtrit
from shapely.geometry.base import BaseGeometry

from rxmap.decide.decision import PassDecision
from rxmap.decide.lanes import pass_lanes
from rxmap.errors import Caution
from rxmap.passes.label import written_rate
from rxmap.passes.layer import Claim, Ledger
from rxmap.passes.strip_places import LEAST_PASSES, LEAST_RUN, TreatedArea, place_strips
from rxmap.plan import CheckStrips, Machine
from rxmap.records import CheckStrip, HandDrawn, Part

REASON = "check strip"
CONFIDENCE = 0.95
EXAMPLE_SCATTER = 3.0  # in whatever unit of yield: only an example in words


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlan:
    """The check strips of a pass and what they can show.

    Parameters
    ----------
    strips : tuple of CheckStrip
        In the order in which they were chosen.
    detectable : float or None
        See `detectable_difference`; None below two strips.
    text : str
        What the strips can show, in words; empty without strips.
    cautions : tuple of Caution
        `no_strip` where strips were asked for and none has room.
    """

    strips: tuple[CheckStrip, ...]
    detectable: float | None
    text: str
    cautions: tuple[Caution, ...]

    @property
    def benefit(self) -> float | None:
        """Expected benefit given up on all strips [currency]; None without money."""
        known = [strip.benefit for strip in self.strips if strip.benefit is not None]
        return math.fsum(known) if len(known) == len(self.strips) else None


def strip_claims(strips: Sequence[CheckStrip]) -> list[Claim]:
    """Ground that a prescription layer leaves untreated: after the keep-outs, before hand and numbers."""
    return [Claim(ground=strip.ground, level=0, reason=REASON) for strip in strips]


def detectable_difference(strips: int, scatter: float = 1.0) -> float:
    """Smallest mean difference between strips and their neighbours that a paired t-test calls real.

    ``t(0.975, r - 1) s_d / sqrt(r)`` with r pairs whose differences scatter by the standard deviation s_d.

    Parameters
    ----------
    strips : int
        Pairs r, at least 2.
    scatter : float
        Standard deviation of the paired differences: an assumption until they are measured.

    References
    ----------
    Student (1908), The probable error of a mean, Biometrika 6:1-25.

    Examples
    --------
    >>> [round(detectable_difference(r, 3.0), 2) for r in (3, 4, 6, 8)]
    [7.45, 4.77, 3.15, 2.51]
    """
    return float(stdtrit(strips - 1, (1 + CONFIDENCE) / 2)) * scatter / math.sqrt(strips)


def check_strips(
    decision: PassDecision,
    parts: Sequence[Part],
    ledger: Ledger,
    *,
    machine: Machine,
    asked: CheckStrips | None = None,
    by_hand: Sequence[HandDrawn] = (),
) -> StripPlan:
    """Place the check strips of a pass in its layer; ground that the adviser treats by hand gets none.

    Parameters
    ----------
    decision : PassDecision
        The pass.
    parts : sequence of Part
        Its layer without strips.
    ledger : Ledger
        Field and grid.
    machine : Machine
        Swath and heading.
    asked : CheckStrips, optional
        Number and length from the plan.
    by_hand : sequence of HandDrawn
        What the adviser treats or skips.
    """
    if decision.benefit is None:
        return strip_plan((), decision.option.name, wanted=False)
    worths = {
        written_rate(decision.option.lead, step.rate): ledger.grid.spread(score)
        for step, score in zip(decision.steps, decision.benefit.scores, strict=True)
    }
    hand = shapely.union_all([drawn.ground for drawn in by_hand])
    grounds: dict[float, list[BaseGeometry]] = {}
    for part in parts:
        if part.treat:
            grounds.setdefault(part.rate, []).append(ledger.field.frame.geometry_to_metres(part.polygon))
    areas = [
        TreatedArea(rate=rate, ground=ground, worth=worths[rate])
        for rate, pieces in sorted(grounds.items())
        for ground in shapely.get_parts(shapely.union_all(pieces).difference(hand))
    ]
    driven = [piece for pieces in grounds.values() for piece in pieces]
    lanes = pass_lanes(machine, ledger.field.ground, driven)
    strips = place_strips(areas, driven, ledger.grid, lanes=lanes, asked=asked, money=decision.benefit.money)
    return strip_plan(strips, decision.option.name, wanted=asked is None or asked.count != 0)


def strip_plan(strips: Sequence[CheckStrip], name: str, *, wanted: bool) -> StripPlan:
    """Say what the strips of a pass can show; none where some were wanted is a caution.

    Parameters
    ----------
    strips : sequence of CheckStrip
        As placed.
    name : str
        Of the pass.
    wanted : bool
        Whether there should be some.
    """
    cautions: tuple[Caution, ...] = ()
    if wanted and not strips:
        text = (
            f"{name}: no treated area is {LEAST_PASSES} swaths wide and {LEAST_RUN:.0f} m long with room for a check "
            "strip, so nothing will show whether treating paid."
        )
        cautions = (Caution("no_strip", text),)
    return StripPlan(
        strips=tuple(strips),
        detectable=detectable_difference(len(strips)) if len(strips) > 1 else None,
        text=_shows(len(strips)),
        cautions=cautions,
    )


def _shows(count: int) -> str:
    """Say in words what so many strips can show, and what nobody knows yet."""
    if count < 2:
        one = "1 check strip: one pair shows a difference, but not whether it is more than chance."
        return one if count else ""
    return (
        f"{count} check strips, each compared with the passes beside it, show a mean difference of "
        f"{detectable_difference(count):.2f} times the standard deviation of the paired differences or more (paired "
        f"t, {CONFIDENCE:.0%}). That standard deviation is not known yet: if it is {EXAMPLE_SCATTER:g}, a difference "
        f"of {detectable_difference(count, EXAMPLE_SCATTER):.1f} shows, in the same unit of yield."
    )
