"""A review as JSON: every figure under a name, numbers rounded once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rxmap.review.as_applied import Delivered
from rxmap.review.found import Gain, PassReview, Review
from rxmap.review.grounds import Pair, Unused
from rxmap.review.intervals import Interval
from rxmap.review.money import ThresholdCheck
from rxmap.review.pressure import Curve, Fall, Visit
from rxmap.review.season import Application, Season, applications
from rxmap.review.words import answers
from rxmap.write.files import rounded

AREA, YIELD, PRESSURE, MONEY, SHARE = 4, 4, 4, 2, 4  # decimals


def review_document(review: Review) -> dict[str, Any]:
    """Every figure of a review; `value`, `low` and `high` are an estimate and its 5-95 % range.

    Parameters
    ----------
    review : Review
        What was found.
    """
    money = review.money
    harvest = review.harvest
    return {
        "field": {"name": review.inputs.field.name, "area_ha": rounded(review.inputs.field.area_ha, AREA)},
        "answers": [asdict(one) for one in answers(review)],
        "passes": [_pass(one) for one in review.passes],
        "harvest": None
        if harvest is None
        else {
            "read": harvest.read,
            "used": harvest.used,
            "removed": [{"reason": reason, "points": count} for reason, count in harvest.removed],
            "moisture": _number(harvest.moisture, 2),
        },
        "money": {
            "currency": money.currency,
            "map": _interval(money.map, MONEY),
            "all": _interval(money.all, MONEY),
            "none": rounded(money.none, MONEY),
            "map_less_none": _interval(money.less_none, MONEY),
            "map_less_all": _interval(money.less_all, MONEY),
            "cost": rounded(money.cost, MONEY),
            "why": money.why,
            "why_all": money.why_all,
        },
        "applications": [_application(one) for one in applications(review)],
        "visits": [_visit(one) for one in review.visits],
        "curves": [_curve(one) for one in review.curves],
        "cautions": [{"code": caution.code, "text": caution.text} for caution in review.cautions],
    }


def season_document(season: Season) -> dict[str, Any]:
    """Write down what the reviews of one field add up to."""
    return {
        "reviews": season.reviews,
        "applications": [_application(one) for one in season.applications],
        "products": [
            {
                "name": one.name,
                "paste": one.line,
                "total": _number(one.total, 3),
                "left": _number(one.left, 3),
                "unit": one.unit,
                "times": one.times,
                "most_times": one.most_times,
                "next_from": str(one.next_from) if one.next_from else None,
                "broken": list(one.faults),
            }
            for one in season.products
        ],
        "curves": [_curve(one) for one in season.curves],
        "notes": list(season.notes),
        "cautions": [{"code": caution.code, "text": caution.text} for caution in season.cautions],
    }


def _number(value: float | None, decimals: int) -> float | None:
    return None if value is None or not math.isfinite(value) else rounded(value, decimals)


def _interval(found: Interval | None, decimals: int) -> dict[str, float | None] | None:
    """Write a range; an end that is not finite is null."""
    if found is None:
        return None
    return {name: _number(getattr(found, name), decimals) for name in ("value", "low", "high")}


def _pass(one: PassReview) -> dict[str, Any]:
    return {
        "name": one.planned.name,
        "slug": one.planned.slug,
        "applied": None if one.done is None else _delivered(one.done),
        "pressure": [_fall(each) for each in one.falls],
        "gain": None if one.gain is None else _gain(one.gain),
        "hand_samples": None if one.by_hand is None else _gain(one.by_hand),
        "cost": rounded(one.money.cost, MONEY),
        "threshold": None if one.threshold is None else _threshold(one.threshold),
        "why_threshold": one.why_threshold,
    }


def _delivered(done: Delivered) -> dict[str, Any]:
    areas = ("planned_ha", "sprayed_ha", "hit_ha", "over_ha", "under_ha", "twice_ha", "setback_ha", "outside_ha")
    return {
        "logged": done.logged,
        **{name: rounded(getattr(done, name), AREA) for name in areas},
        "missed_ha": _interval(done.missed, AREA),
        "off_target_ha": _interval(done.off_target, AREA),
        "rate": _interval(done.rate, 3),
        "planned_rate": rounded(done.planned_rate, 3),
        "rate_unit": done.rate_unit,
        "products": [
            {"name": p.name, "used": _interval(p.used, 3), "planned": rounded(p.planned, 3), "unit": p.unit}
            for p in done.products
        ],
        "how": done.how,
    }


def _strips(pairs: Sequence[Pair], unused: Sequence[Unused], decimals: int) -> dict[str, Any]:
    return {
        "strips": [
            {
                "strip": pair.number,
                "on": rounded(pair.on, decimals),
                "beside": rounded(pair.beside, decimals),
                "difference": rounded(pair.gain, decimals),
                "places_on": pair.points[0],
                "places_beside": pair.points[1],
            }
            for pair in pairs
        ],
        "unused": [{"strip": one.number, "why": one.why} for one in unused],
    }


def _gain(gain: Gain) -> dict[str, Any]:
    return {
        "unit": gain.unit,
        **_strips(gain.pairs, gain.unused, YIELD),
        "gain": _interval(gain.found, YIELD),
        "t": _number(gain.t, 3),
        "p": _number(gain.p, 4),
        "detectable": _number(gain.detectable, YIELD),
        "why": gain.why,
    }


def _fall(one: Fall) -> dict[str, Any]:
    return {
        "target": one.target,
        "unit": one.unit,
        **_strips(one.pairs, one.unused, PRESSURE),
        "drop": _interval(one.drop, PRESSURE),
        "control": _interval(one.control, SHARE),
        "planned_control": rounded(one.planned, SHARE),
        "why": one.why,
    }


def _threshold(check: ThresholdCheck) -> dict[str, Any]:
    return {
        "target": check.target,
        "unit": check.unit,
        "threshold": rounded(check.threshold, PRESSURE),
        "yield_unit": check.yield_unit,
        "gain_per_pressure": _interval(check.found, 5),
        "planned_gain_per_pressure": _number(check.planned, 5),
        "break_even": _interval(check.break_even, PRESSURE),
        "verdict": check.verdict,
        "why": check.why,
    }


def _application(one: Application) -> dict[str, Any]:
    return {
        "date": str(one.date), "product": one.product, "rate": rounded(one.rate, 3), "unit": one.unit,
        "area_ha": _number(one.area_ha, AREA),
    }  # fmt: skip


def _visit(one: Visit) -> dict[str, Any]:
    return {
        "target": one.target, "ground": one.ground, "date": str(one.date), "stops": one.stops,
        "mean": rounded(one.mean, PRESSURE), "error": _number(one.error, PRESSURE),
    }  # fmt: skip


def _curve(one: Curve) -> dict[str, Any]:
    return {
        "target": one.target,
        "unit": f"{one.unit} x day",
        "ground": one.ground,
        "visits": [_visit(visit) for visit in one.visits],
        "area": rounded(one.area, 2),
        "range": _interval(one.range, 2),
    }
