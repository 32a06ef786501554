"""A review put together: from what was read to what each question is answered with."""

from __future__ import annotations

import numpy as np
import shapely

from rxmap.decide.options import PassOption, pass_options
from rxmap.errors import InputError
from rxmap.grid import FloatArray
from rxmap.passes.strips import detectable_difference
from rxmap.plan import Plan
from rxmap.read.planned import PlannedPass
from rxmap.read.review import ReviewInputs
from rxmap.records import Observation
from rxmap.review.as_applied import delivered
from rxmap.review.cautions import review_cautions
from rxmap.review.cleaning import Cleaned, cleaned
from rxmap.review.found import Gain, PassReview, Review
from rxmap.review.grounds import StripGround, compare_places, strip_ground
from rxmap.review.intervals import FEWEST_PAIRS, paired_interval, paired_test
from rxmap.review.money import (
    ThresholdCheck,
    all_money,
    at_todays_prices,
    expected_shares,
    pass_money,
    threshold_check,
    yield_value,
)
from rxmap.review.pressure import Fall, curves, fall, too_few, visits

OLDER = "older visit"  # why such a row of the first scouting is not used; it still tells of its day
GPS_ERROR = 5.0  # [m] of a stop where the plan gives none; judgement
LEAST_OF_GOAL, MOST_OF_GOAL = 0.05, 4.0  # of the yield goal: beyond, the unit is not the one meant; judgement
FEWEST_SAMPLES = 1  # hand samples wanted on a strip and on each of its sides


def answered(plan: Plan, inputs: ReviewInputs) -> Review:
    """Answer every question of a review from what was read.

    Parameters
    ----------
    plan : Plan
        Of the review.
    inputs : ReviewInputs
        Of that plan.
    """
    today = at_todays_prices(plan, inputs.costs)
    options = {option.slug: option for option in pass_options(today, inputs.field.area_ha)}
    points = cleaned(inputs.harvest, inputs.field.ground) if inputs.harvest else None
    passes = tuple(
        _pass_review(today, inputs, one, options[one.slug], points) for one in inputs.planned.passes if one.parts
    )
    seen = [row for row in inputs.planned.observations if row.used or row.why == OLDER]
    after = [row for row in inputs.after if row.used or row.why == OLDER]
    found = visits(today, [*seen, *after], inputs.planned.passes)
    why = next((_untold(today, one) for one in passes if one.money.earned is None), "no pass treats any ground")
    return Review(
        plan=today,
        inputs=inputs,
        passes=passes,
        harvest=points,
        money=all_money(today, [one.money for one in passes], inputs.field.area_ha, why),
        visits=tuple(found),
        curves=tuple(curves(today, found)),
        cautions=(*inputs.cautions, *review_cautions(passes, inputs, points, units=plan.units)),
    )


def _untold(plan: Plan, one: PassReview) -> str:
    """Say why there is no money of a pass."""
    gain = _best(one.gain, one.by_hand)
    if gain is None:
        return "no harvest and no hand samples were given"
    if plan.field.price is None:
        return "the plan has no price of the yield"
    return gain.why or f"a yield in {gain.unit} has no price in {plan.field.price.unit}"


def _best(gain: Gain | None, by_hand: Gain | None) -> Gain | None:
    """Take the harvest where it tells something, else what hands counted."""
    return gain if gain is not None and gain.found is not None else by_hand or gain


def _pass_review(
    plan: Plan, inputs: ReviewInputs, one: PlannedPass, option: PassOption, points: Cleaned | None
) -> PassReview:
    done = None
    if inputs.applied is not None and inputs.applied_pass == one.slug:
        done = delivered(plan, one, inputs.applied, inputs.field)
    sprayed = None if done is None else done.ground
    wide = 0.0
    if inputs.harvest is not None and inputs.harvest.width is not None:
        wide = float(np.median(inputs.harvest.width))
    others = [other.treated for other in inputs.planned.passes if other.slug != one.slug]
    grounds = [
        strip_ground(number, strip, one.treated, sprayed=sprayed, others=others, header_m=wide)
        for number, strip in one.strips
    ]
    gain = None
    if points is not None and inputs.harvest is not None:
        _refuse_other_unit(plan, inputs.harvest.unit, points.values)
        gain = _gain("harvest", inputs.harvest.unit, grounds, points.places, points.values)
    by_hand = None
    if inputs.samples is not None:
        hand = inputs.samples
        by_hand = _gain("hand samples", hand.unit, grounds, hand.places, hand.yields, fewest=FEWEST_SAMPLES)
    best = _best(gain, by_hand)
    value = yield_value(plan, best.unit) if best is not None else None
    worth = best.found.times(value) if best is not None and best.found is not None and value is not None else None
    expected, rest_ha = expected_shares(plan, inputs.planned, one, option, grid=inputs.grid, field=inputs.field)
    check, why = _threshold(plan, inputs, one, option, best)
    return PassReview(
        planned=one,
        done=done,
        falls=tuple(_falls(plan, inputs, one, option, grounds)),
        gain=gain,
        by_hand=by_hand,
        money=pass_money(plan, one, option, worth, done=done, expected=expected, rest_ha=rest_ha),
        threshold=check,
        why_threshold=why,
    )


def _refuse_other_unit(plan: Plan, unit: str, values: FloatArray) -> None:
    """Refuse a harvest so far from the goal that its unit cannot be meant."""
    goal = plan.field.yield_goal
    if goal is None or not goal.is_like(unit) or not len(values):
        return
    mean = float(np.mean(values))
    share = mean / goal.to(unit)
    if not LEAST_OF_GOAL < share < MOST_OF_GOAL:
        raise InputError(
            f"review.harvest.unit: the harvest is {mean:.4g} {unit} on average, field.yield_goal is {goal}. "
            "Is the unit the right one?"
        )


def _gain(
    source: str, unit: str, grounds: list[StripGround], places: FloatArray, values: FloatArray, **rule: int
) -> Gain:
    pairs, unused = compare_places(grounds, places, values, **rule)
    gains = [pair.gain for pair in pairs]
    enough = len(pairs) >= FEWEST_PAIRS
    t, p = paired_test(gains) if enough else (None, None)
    return Gain(
        source=source,
        unit=unit,
        pairs=tuple(pairs),
        unused=tuple(unused),
        found=paired_interval(gains),
        t=t,
        p=p,
        detectable=detectable_difference(len(gains), float(np.std(gains, ddof=1))) if enough else None,
        why="" if enough else too_few(len(pairs), unused),
    )


def _falls(
    plan: Plan, inputs: ReviewInputs, one: PlannedPass, option: PassOption, grounds: list[StripGround]
) -> list[Fall]:
    near = plan.scouting.gps_error.to("m") if plan.scouting.gps_error else GPS_ERROR
    found = []
    for target in plan.target:
        if target.name not in option.control:
            continue
        rows = [row for row in inputs.after if row.used and row.target == target.name and _on(row, one)]
        if rows:
            planned = option.control[target.name]
            found.append(fall(target, planned, grounds, rows=rows, near_m=near))
    return found


def _on(row: Observation, one: PlannedPass) -> bool:
    place = shapely.Point(row.easting, row.northing)
    return bool(one.treated.contains(place) or any(strip.contains(place) for _, strip in one.strips))


def _threshold(
    plan: Plan, inputs: ReviewInputs, one: PlannedPass, option: PassOption, gain: Gain | None
) -> tuple[ThresholdCheck | None, str]:
    """Ask whether the threshold was right, where the pass controls one target only."""
    targets = [target for target in plan.target if target.name in option.control]
    if gain is None:
        return None, "no harvest and no hand samples were given"
    if len(targets) != 1:
        return None, "the pass controls several targets, and strips cannot share its gain out among them"
    (target,) = targets
    surface, grounds = np.nan_to_num(inputs.planned.pressure[target.name]), dict(one.strips)
    cover = [inputs.grid.covered(grounds[pair.number]) for pair in gain.pairs]
    pressures = [float((surface * share).sum() / share.sum()) for share in cover]
    return threshold_check(plan, target, option, gain.pairs, pressures, unit=gain.unit), ""
