"""The page's sentences: what to do, where, how sure, what it is worth. Plain words, no markup."""

from __future__ import annotations

import math

import shapely

from rxmap.records import Money, PassResult, Result, TargetResult
from rxmap.show import text

SAFETY = (
    "The label is the law. This page applies the limits that were taken from it into the plan; read the label itself "
    "before mixing, and follow it wherever the two differ.",
    "Local rules and licensed people decide whether, when and how a product is applied. This page is no permission.",
    "Mind drift: wind, inversions, droplet size, and the people, bees, water and crops next to the field.",
    "Keep the re-entry interval, wear the protective equipment that the label names, and keep the days to harvest.",
    "Spraying from a drone or an aircraft needs the permission, the licence and the insurance that the law asks for.",
    "The map is as good as its stops. Look at the field again before the machine goes out.",
)

POINTS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")


def what_to_do(result: Result) -> list[str]:
    """One sentence per pass; the page opens with them."""
    if not result.passes:
        return ["No product is planned: this page shows where the pressure is and decides nothing."]
    going = [_pass_goes(result, each) for each in result.passes if each.decision != "none"]
    staying = [
        f"Leave out {text.safe(each.name)}. {sentence(each.reason)}"
        for each in result.passes
        if each.decision == "none"
    ]
    return [*going, *staying] if going else ["Treat nothing.", *staying]


def _pass_goes(result: Result, one: PassResult) -> str:
    mix = text.listed([f"{text.safe(use.name)} at {text.rate(use)}" for use in one.products])
    treated = text.area(one.treated_ha, result.units, word=False)
    of = f"{treated} of {text.area(result.field.area_ha, result.units)}"
    if one.decision == "all":
        return f"Treat the whole field with {mix}: {of}{_what_stays(one)}."
    return f"Treat {of} with {mix}."


def _what_stays(one: PassResult) -> str:
    return ", the rest is kept out or left as check strips" if any(not part.treat for part in one.parts) else ""


def where(result: Result) -> list[str]:
    """Say where the treated ground lies, pass by pass, and when to look again."""
    lines: list[str] = []
    for one in result.passes:
        name = text.safe(one.name)
        treated = [part.polygon for part in one.parts if part.treat]
        if one.decision == "map" and treated:
            share = text.percent(one.treated_ha / result.field.area_ha)
            lines.append(
                f"{name}: {share} of the field, in {text.counted(len(treated), 'part')}, "
                f"{_direction(shapely.union_all(treated), result.field.boundary)}."
            )
        elif one.decision == "all":
            lines.append(f"{name}: the whole field.")
        if one.dates and one.dates.look_again:
            lines.append(f"{name}, next look: {text.safe(one.dates.look_again)}.")
        elif one.next_look:
            lines.append(f"{name}: {text.safe(one.next_look).rstrip('.')}.")
    if result.keep_outs:
        lines.append(f"{text.counted(len(result.keep_outs), 'keep-out')} untreated, setbacks included.")
    if all(one.decision == "none" for one in result.passes):
        lines.insert(0, "Nowhere. The map shows the pressure of each target.")
    return lines


def _direction(ground: shapely.Geometry, field: shapely.Geometry) -> str:
    """Say in which part of the field some ground lies, from the two centroids."""
    west, south, east, north = field.bounds
    squeeze = math.cos(math.radians((south + north) / 2))
    shift_east = (ground.centroid.x - field.centroid.x) * squeeze
    shift_north = ground.centroid.y - field.centroid.y
    if math.hypot(shift_east, shift_north) < 0.08 * max((east - west) * squeeze, north - south):
        return "spread over the field"
    octant = round(math.degrees(math.atan2(shift_north, shift_east)) / 45) % 8
    return f"mostly in the {POINTS[octant]}"


def how_sure(result: Result) -> list[str]:
    """One line per target: the field against the threshold, and whether the stops carry a map."""
    return [f"{_level(target)} {support(target)}" for target in result.targets]


def _level(target: TargetResult) -> str:
    return (
        f"{text.safe(target.name)}: {text.pressure(target.mean, target.unit)} on average, "
        f"threshold {text.number(target.threshold)}; "
        f"the chance that the field's mean is above it is {text.chance(target.p_over)}."
    )


def support(target: TargetResult) -> str:
    """Say whether the stops of a target carry a map."""
    used = f"{target.used} of {text.counted(target.read, 'stop row')} used"
    if target.verdict == "map":
        return f"The stops support a map ({used})."
    if target.verdict == "uniform":
        return f"The stops do not support a map ({used}); one decision for the field."
    return f"For the record only, no pass follows from it ({used}): {sentence(target.reason)}"


def worth(result: Result) -> list[str]:
    """Say what the decision is worth against treating all and treating nothing."""
    money = result.money
    if money is None:
        return [
            "No product is planned, so there is nothing to earn or to pay."
            if not result.passes
            else "The plan does not say what the targets cost the crop, so the gain stays without a figure."
        ]
    scouting = f"Trips are counted; {text.money(-money.none, money.currency)} for scouting is spent either way."
    return [
        _gain(money),
        *_spread(money),
        scouting if money.none < 0 else "Trips are counted; the plan gives no cost of scouting.",
    ]


def _gain(money: Money) -> str:
    """Compare the best choice with the others; scouting is in all three and cancels out."""
    choices = {"map": money.map, "all": money.all, "none": money.none}
    chosen = choices[money.best]
    others = {"map": "the map", "all": "treating all", "none": "treating nothing"}
    against = [
        f"{text.money((chosen or 0.0) - value, money.currency)} more than {others[name]}"
        for name, value in (("none", money.none), ("all", money.all), ("map", money.map))
        if name != money.best and value is not None
    ]
    does = {"map": "Treating by the map", "all": "Treating all", "none": "Treating nothing"}[money.best]
    return f"{does} is expected to earn {text.listed(against)}."


def _spread(money: Money) -> list[str]:
    if money.range is None:
        return []
    low, high = (text.number(side) for side in money.range)
    sure = f", and it earns more in {text.chance(money.p_map)} of cases" if money.p_map is not None else ""
    uniform = "treating all" if money.all >= money.none else "treating nothing"
    return [f"The map against {uniform}: between {low} and {high} {money.currency} in nine cases of ten{sure}."]


def sentence(words: str) -> str:
    """Make a reason from the result a sentence.

    Examples
    --------
    >>> sentence("no pattern beyond noise")
    'No pattern beyond noise.'
    """
    safe = text.safe(words).strip()
    return safe[:1].upper() + safe[1:] + ("" if safe.endswith((".", "!", "?")) else ".")
