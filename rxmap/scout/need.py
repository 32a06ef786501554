"""What each target asks of the first visit: sample units at a stop, stops in the field, and its tally."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rxmap.plan import Target
from rxmap.scout.precision import binomial_size, negative_binomial_size, taylor_size
from rxmap.scout.records import Ask
from rxmap.scout.tally import APART, Tally, binomial_tally, negative_binomial_tally
from rxmap.surface.sampled import SCATTER_CENTRE, SILL_CENTRE
from rxmap.surface.verdict import FEWEST_STOPS

# A standard error of a quarter of the mean serves pest management, a tenth research (Southwood 1978, Ecological
# Methods, 2nd ed., chapter 2, from memory).
PRECISION = 0.25
# Stops differ beyond sampling noise as the prior of the surfaces has it: a variance of 0.7 on the log or logit scale.
BETWEEN = SILL_CENTRE + SCATTER_CENTRE
CLUMPING = 1.0 / math.expm1(BETWEEN)  # k of counts: 1 / (squared relative deviation of a log-normal mean)
TAYLOR = (1.0, 2.0)  # a, b of severity and ratings: the deviation between stops is the mean; assumption, no source
WALK_OVER_UNIT = 20.0  # walking to a stop takes as long as looking at 20 units; judgement, no source
LEAST_UNITS, MOST_UNITS = 5, 50  # at a stop; common practice, no source
# With 40 stops a third to a half of the invented fields of docs/surfaces.md earn a map, whatever the measure; with 24 a
# quarter to a third. tests/surface/test_verdict.py repeats it. Judgement
MAP_STOPS = 40
LEAST_SPACING = 25.0  # [m] no field is walked closer for the sake of a map; judgement, no source


def ask_of(target: Target) -> Ask:
    """Say what a target asks of a first visit, from its threshold: there the decision tips.

    Parameters
    ----------
    target : Target
        From the plan.

    Examples
    --------
    >>> weevil = Target(name="weevil", measure="count", per=5, threshold=9, sample_unit="head", source="own")
    >>> ask = ask_of(weevil)
    >>> ask.units, ask.stops, ask.map_stops
    (5, 18, 40)
    """
    units = units_at_stop(target)
    size = _size(target, units)
    return Ask(
        target=target,
        units=units,
        stops=math.ceil(size),
        map_stops=MAP_STOPS,
        reached=PRECISION,
        reason=_reason(target, units),
        tally=_tally(target, units),
    )


def units_at_stop(target: Target) -> int:
    """Sample units at a stop that give most for the time: the optimum of two-stage sampling.

    The square root of (time to a stop over time for a unit) x (variance within stops over variance between),
    in whole multiples of `per` for counts, in fives for the others.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 10.6 (from memory).
    """
    if target.measure == "count":
        step = max(1, round(target.per))
        ratio = CLUMPING / _level(target)
    elif target.measure == "incidence":
        step, share = 5, _level(target)
        ratio = 1.0 / (BETWEEN * share * (1.0 - share))
    else:
        return LEAST_UNITS
    best = min(max(math.sqrt(WALK_OVER_UNIT * ratio), LEAST_UNITS), max(MOST_UNITS, step))
    return step * math.ceil(best / step)


def stops_asked(asks: Sequence[Ask], area_m2: float) -> int:
    """Count the stops that serve every target, its map included as far as the field has room for that.

    Parameters
    ----------
    asks : sequence of Ask
    area_m2 : float [m2]
        Ground to cover.
    """
    room = max(FEWEST_STOPS, int(area_m2 / LEAST_SPACING**2))
    mapped = min(max(ask.map_stops for ask in asks), room)
    return max(mapped, *(ask.stops for ask in asks))


def reached_with(ask: Ask, stops: int) -> float:
    """Precision that a number of stops reaches: it goes with one over the root of their number."""
    return PRECISION * math.sqrt(_size(ask.target, ask.units) / stops)


def _level(target: Target) -> float:
    """Threshold in the unit of one sample: count of a unit, share of units, else as it is."""
    if target.measure == "count":
        return target.threshold / target.per
    return target.threshold / 100.0 if target.measure == "incidence" else target.threshold


def _size(target: Target, units: int) -> float:
    level = _level(target)
    if target.measure == "count":
        return negative_binomial_size(units * level, CLUMPING, PRECISION)
    if target.measure == "incidence":  # within stops by the binomial, between them by the delta method of the logit
        return binomial_size(level, PRECISION) / units + BETWEEN * (1.0 - level) ** 2 / PRECISION**2
    return taylor_size(level, *TAYLOR, PRECISION)


def _tally(target: Target, units: int) -> Tally | None:
    level = _level(target)
    low, high = (1 - APART) * level, (1 + APART) * level
    if target.measure == "count":
        return negative_binomial_tally(units * low, units * high, CLUMPING)
    if target.measure == "incidence" and high < 1.0:
        alike = BETWEEN * level * (1 - level)  # correlation of two units of one stop
        return binomial_tally(low, high).widened(1 + (units - 1) * alike)
    return None


def _reason(target: Target, units: int) -> str:
    goal = f"a standard error of {100 * PRECISION:.0f} % of the mean at the threshold"
    if target.measure == "count":
        law = f"negative binomial, {units * _level(target):.3g} expected at a stop, k = {CLUMPING:.2g} between stops"
    elif target.measure == "incidence":
        law = f"binomial at a stop, variance {BETWEEN:.2g} between stops on the logit scale"
    else:
        law = f"Taylor's power law, a = {TAYLOR[0]:g}, b = {TAYLOR[1]:g} between stops"
    return f"{goal} ({law})"
