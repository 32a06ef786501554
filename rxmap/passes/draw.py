"""Draw the layer of a pass: with its check strips, within the machine's limits, and as it will be applied."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.decision import PassDecision
from rxmap.errors import Caution
from rxmap.passes.applied import as_applied, best_heading, setback_caution
from rxmap.passes.keep_outs import ROUNDING_M
from rxmap.passes.layer import Cut, Ledger, claims_of, layer_parts
from rxmap.passes.limits import FittedLayer, within_limits
from rxmap.passes.strips import StripPlan, check_strips, strip_claims, strip_plan
from rxmap.plan import CheckStrips, Machine
from rxmap.records import AsApplied, CheckStrip, HandDrawn, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnLayer:
    """A layer and what is known about it.

    Parameters
    ----------
    parts : tuple of Part
        The whole field.
    strips : StripPlan
        Its check strips.
    applied : AsApplied
        What the machine will do with it.
    heading_text : str
        A heading proposed where the plan has none; else empty.
    given_up : float
        Expected benefit of what strips and limits leave untreated [currency]; 0 without money.
    cautions : tuple of Caution
        On strips, limits and setbacks.
    """

    parts: tuple[Part, ...]
    strips: StripPlan
    applied: AsApplied
    heading_text: str
    given_up: float
    cautions: tuple[Caution, ...]


def draw_layer(
    decision: PassDecision,
    keep_outs: Sequence[tuple[str, BaseGeometry]],
    ledger: Ledger,
    *,
    machine: Machine,
    by_hand: Sequence[HandDrawn],
    asked: CheckStrips | None,
) -> DrawnLayer:
    """Draw the layer of a pass that goes out.

    Parameters
    ----------
    decision : PassDecision
        What to do.
    keep_outs : sequence of (str, geometry)
        Reason and ground in metres, setback and rounding included.
    ledger : Ledger
        Where attributes come from.
    machine : Machine
        What drives.
    by_hand : sequence of HandDrawn
        What the adviser treats or skips.
    asked : CheckStrips or None
        What the plan says about check strips.
    """
    frame = ledger.field.frame

    def build(simpler: float, left: Sequence[shapely.Polygon], strips: Sequence[CheckStrip] = ()) -> tuple[Part, ...]:
        gone = frame.geometry_to_metres(shapely.union_all(list(left))).buffer(ROUNDING_M) if left else None
        staying = [strip for strip in strips if gone is None or not strip.ground.intersects(gone)]
        cut = Cut(strips=strip_claims(staying), simpler=simpler, left=gone)
        return layer_parts(decision, claims_of(decision, keep_outs, by_hand, ledger.grid, cut), ledger, machine)

    plain = build(1.0, ())
    strips = check_strips(decision, plain, ledger, machine=machine, asked=asked, by_hand=by_hand)
    fitted = within_limits(
        lambda simpler, left: build(simpler, left, strips.strips),
        machine.limits,
        name=decision.option.name,
        currency=decision.option.currency,
        may_leave=lambda part: not part.reason.startswith("treated by hand"),
    )
    strips = _staying(strips, fitted, decision, ledger, asked)
    planned = [(part.rate, frame.geometry_to_metres(part.polygon)) for part in fitted.parts if part.treat]
    applied = as_applied(
        planned,
        field_ground=ledger.field.ground,
        grid=ledger.grid,
        machine=machine,
        keep_outs=[ground for _, ground in keep_outs],
    )
    warned = setback_caution(decision.option.name, applied, ledger.units)
    return DrawnLayer(
        parts=fitted.parts,
        strips=strips,
        applied=applied,
        heading_text=best_heading(planned, machine, ledger.units).text if machine.heading is None and planned else "",
        given_up=math.fsum(lost for lost in (strips.benefit, fitted.lost_benefit) if lost is not None),
        cautions=(*strips.cautions, *fitted.cautions, *([warned] if warned else [])),
    )


def _staying(
    strips: StripPlan, fitted: FittedLayer, decision: PassDecision, ledger: Ledger, asked: CheckStrips | None
) -> StripPlan:
    """Leave out the strips whose treated ground the machine's limits took away."""
    if not fitted.left:
        return strips
    gone = ledger.field.frame.geometry_to_metres(shapely.union_all(list(fitted.left)))
    kept = [strip for strip in strips.strips if not strip.ground.intersects(gone)]
    return strip_plan(kept, decision.option.name, wanted=asked is None or asked.count != 0)
