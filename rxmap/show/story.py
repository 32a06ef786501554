"""The page's sentences: what to do, where, how sure, what it is worth. Plain words, no markup."""

from __future__ import annotations

import math
from collections import Counter

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.look import OFF_CENTRE, compass, next_look
from rxmap.records import TWO_TANKS, CovariateUse, Money, PassResult, Result, TargetResult, WhatIf
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

LITTLE_SKILL = 0.1  # with blocks of stops left out; judgement: below, a map is hardly better than the field's mean
MARKED = 3.0  # times as much of the rim as of the middle, or the reverse; judgement
Card = tuple[str, list[str]]  # heading and sentences


def cards(result: Result) -> list[Card]:
    """List what stands under the headline; a page that says no is as complete as one that says yes."""
    goes_out = any(one.decision != "none" for one in result.passes)
    return [
        ("Where" if goes_out else "How close, and when to look again", where(result)),
        ("How sure", how_sure(result)),
        ("What it is worth", worth(result)),
        ("What would change it", what_would_change(result)),
    ]


def what_to_do(result: Result) -> list[str]:
    """One sentence per pass, after one for all of them where several go out; the page opens with them."""
    if not result.passes:
        return ["No product is planned: this page shows where the pressure is and decides nothing."]
    going = [one for one in result.passes if one.decision != "none"]
    staying = [
        f"Leave out {text.safe(one.name)}. {sentence(one.reason)}" for one in result.passes if one.decision == "none"
    ]
    if not going:
        return [_nothing(result), *staying]
    if len(going) == 1:
        return [_pass_goes(result, going[0]), *_strips_stay(going[0]), *staying]
    each = [f"{text.safe(one.name)} on {text.area(one.treated_ha, result.units)}" for one in going]
    whole = text.area(result.field.area_ha, result.units)
    sentences = [
        " ".join([f"{text.safe(one.name)}: {_lower(_pass_goes(result, one, named=True))}", *_strips_stay(one)])
        for one in going
    ]
    return [f"Make {len(going)} passes over the {whole}: {text.listed(each)}.", *sentences, *staying]


def _nothing(result: Result) -> str:
    if all(target.verdict == "note" for target in result.targets):
        crop = next_crop(result)
        return f"Treat nothing: this is a note for the next crop{f', {text.safe(crop)}' if crop else ''}."
    return "Treat nothing."


def next_crop(result: Result) -> str | None:
    """Read the crop that follows from the plan, where it says."""
    field = result.plan.get("field")
    named = field.get("next_crop") if isinstance(field, dict) else None
    return str(named) if named else None


def _pass_goes(result: Result, one: PassResult, *, named: bool = False) -> str:
    if named and [use.name for use in one.products] == [one.name]:  # a pass of one product has its name
        mix = f"at {text.rate(one.products[0])}"
    else:
        mix = "with " + text.listed([f"{text.safe(use.name)} at {text.rate(use)}" for use in one.products])
    treated = text.area(one.treated_ha, result.units, word=False)
    of = f"{treated} of {text.area(result.field.area_ha, result.units)}"
    if one.decision == "all":
        kept = any(not part.treat and part.reason != "check strip" for part in one.parts)
        return f"Treat the whole field {mix}: {of}{', the rest is kept out' if kept else ''}."
    return f"Treat {of} {mix}."


def _strips_stay(one: PassResult) -> list[str]:
    many = len(one.check_strips)
    stay = "stays" if many == 1 else "stay"
    return [f"{text.counted(many, 'check strip')} {stay} untreated, to learn whether treating paid."] if many else []


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def where(result: Result) -> list[str]:
    """Say where the treated ground lies, pass by pass, how close the others are, and when to look again."""
    lines: list[str] = []
    for one in result.passes:
        told = [words for words in (_treated_where(result, one), _look(one)) if words]
        lines += [f"{text.safe(one.name)}: {'; '.join(told)}."] if told else []
    if not result.passes:
        looks = [next_look([each], result.observations, next_crop=next_crop(result)) for each in result.targets]
        lines = [sentence(look) for look in looks]
    kept = _keep_outs_kept(result)
    if kept and any(one.decision != "none" for one in result.passes):
        lines.append(f"{text.counted(kept, 'keep-out')} untreated, setbacks included.")
    return lines


def _treated_where(result: Result, one: PassResult) -> str:
    treated = [part.polygon for part in one.parts if part.treat]
    if one.decision == "all":
        return "the whole field"
    if not treated:
        return ""
    share = text.percent(one.treated_ha / result.field.area_ha)
    return f"{share} of the field, in {text.counted(len(treated), 'part')}, {_direction(result, treated)}"


def _look(one: PassResult) -> str:
    if one.dates and one.dates.look_again:
        return f"next look {text.safe(one.dates.look_again)}"
    return text.safe(one.next_look, text.LONGEST_SENTENCE).rstrip(".")


def _keep_outs_kept(result: Result) -> int:
    """Count keep-outs; one that passes keep at different setbacks is recorded once for each."""
    counts = Counter(slug for each in result.keep_outs for slug in each.passes)
    return max(counts.values(), default=len(result.keep_outs))


def _direction(result: Result, treated: list[shapely.Polygon]) -> str:
    """Say in which part of the field some ground lies: by the two centroids, or by how much of the rim it takes."""
    frame, field = result.field.frame, result.field.ground
    ground = shapely.union_all([frame.geometry_to_metres(each) for each in treated])
    west, south, east, north = field.bounds
    shift_east, shift_north = ground.centroid.x - field.centroid.x, ground.centroid.y - field.centroid.y
    if math.hypot(shift_east, shift_north) >= OFF_CENTRE * max(east - west, north - south):
        return f"mostly in the {compass(shift_east, shift_north)}"
    outline = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(field)])
    middle = outline.buffer(-outline.area / outline.length)  # of a square, the inner quarter
    inner, outer = _share(ground, middle), _share(ground, outline.difference(middle))
    if inner < outer / MARKED:
        return "mostly along the boundary"
    return "mostly in the middle" if outer < inner / MARKED else "spread over the field"


def _share(ground: BaseGeometry, of: BaseGeometry) -> float:
    return float(ground.intersection(of).area / of.area) if of.area else 0.0


def how_sure(result: Result) -> list[str]:
    """Per target: the field against the threshold, whether the stops carry a map, what other layers bring."""
    told = []
    for each in result.targets:
        stops = (support(each), checked(each), far_off(each), edge_strip(each, result.units))
        told.append(" ".join(filter(None, (_level(each), *stops, *layer_use(each)))))
    return told


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
        over = "one decision for the field" if target.edge is None else "one decision for the ground outside the strip"
        return f"The stops do not support a map ({used}); {over}."
    return f"A note for the next crop, no pass follows from it ({used})."


def checked(target: TargetResult) -> str:
    """Say how often places predicted from the others come out on the right side; empty where they are too few."""
    check = target.evidence.left_out if target.evidence else None
    if check is None or check.wrong_side_alike == 0.0:
        return ""
    many = len(check.stops)
    right = round(many * (1.0 - check.wrong_side))
    return f"Predicted from the other stops, {right} of {many} places come out on the right side of the threshold."


def far_off(target: TargetResult) -> str:
    """Say where a map holds close to its stops only; empty where it carries farther, or where there is none."""
    check = target.evidence.left_out if target.evidence else None
    if target.verdict != "map" or check is None or check.skill_blocks is None or check.skill_blocks >= LITTLE_SKILL:
        return ""
    takes = f"only {text.percent(check.skill_blocks)}" if check.skill_blocks > 0.0 else "nothing"
    return (
        f"Between clusters of stops the map says little: with blocks of stops left out it takes {takes} off the "
        "errors of the field mean."
    )


def edge_strip(target: TargetResult, units: text.Units) -> str:
    """Say what the edge stops show on the strip along the boundary that they decide; empty where there is none."""
    if target.edge is None:
        return ""
    edge = target.edge
    return (
        f"The {text.length(edge.width_m, units)} strip along the boundary is decided by its "
        f"{text.counted(edge.stops, 'edge stop')}: {text.pressure(edge.pressure, target.unit)}, and the chance that it "
        f"is above the threshold is {text.chance(edge.p_over)}."
    )


def layer_use(target: TargetResult) -> list[str]:
    """Say of each layer beside the stops whether it is used, and what it brings."""
    return [
        f"{text.safe(use.name)} is {'used' if use.used else 'not used'}{_gain_of(use)}." for use in target.covariates
    ]


def _gain_of(use: CovariateUse) -> str:
    return f": it takes {text.percent(use.gain)} off the errors" if use.used and use.gain is not None else ""


def worth(result: Result) -> list[str]:
    """Say what the decision is worth against treating all and treating nothing."""
    money = result.money
    if money is None:
        return [_no_figure(result)]
    if not result.passes or max(money.all, money.map or money.all) == money.none:
        return ["No pass could go out, so there is no gain to compare.", *_scouting(money)]
    floor = "Ground below the threshold is not treated, whatever it would earn: the threshold is a floor."
    held = [floor] if any(each.code == "floor_holds" for each in result.cautions) else []
    return [_gain(money), *held, *_spread(money, result), *_scouting(money)]


def _no_figure(result: Result) -> str:
    if not result.passes:
        return "No product is planned, so there is nothing to earn or to pay."
    if all(target.verdict == "note" for target in result.targets):
        return "Nothing is decided for this crop, so there is no gain to compare."
    return "The plan does not say what the targets cost the crop, so the gain stays without a figure."


def _scouting(money: Money) -> list[str]:
    if money.none < 0:
        return [f"Trips are counted; {text.money(-money.none, money.currency)} for scouting is spent either way."]
    return ["Trips are counted; the plan gives no cost of scouting."]


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


def _spread(money: Money, result: Result) -> list[str]:
    """Say the range that the pressure alone leaves: no other figure of the plan is drawn."""
    if money.range is None:
        return []
    low, high = (text.number(side) for side in money.range)
    sure = f", and it earns more in {text.chance(money.p_map)} of cases" if money.p_map is not None else ""
    uniform = "treating all" if money.all >= money.none else "treating nothing"
    other = " The what-if table changes them." if result.what_if else ""
    return [
        f"The map against {uniform}: between {low} and {high} {money.currency} in nine cases of ten{sure}, as far as "
        f"the pressure is uncertain; price, yield, loss and control are taken as planned.{other}"
    ]


def what_would_change(result: Result) -> list[str]:
    """Say which of the assumptions tried sends a pass out or keeps it at home."""
    if not result.passes:
        return ["Nothing is decided, so no assumption was tried. Name a product and a machine in the plan to decide."]
    lines = [line for one in result.passes for line in _flips(result, one)]
    tried = _assumptions(result)
    if not lines and tried:
        names = "; ".join(text.safe(case.name) for case in tried)
        lines = [f"None of the assumptions tried changes which passes go out: {names}."]
    lines += [line for one in result.passes for line in _treated_range(result, one)]
    notes = [target for target in result.targets if target.verdict == "note"]
    lines += [f"{text.safe(each.name)} decides about the next crop: nothing sends a pass out for it." for each in notes]
    gates = [each.text for each in result.cautions if each.code == "gate_closed"]
    gates = [words for words in gates if not any(words.startswith(f"{each.name}: ") for each in notes)]
    return [*lines, *(f"A closed gate holds under all of them. {sentence(words)}" for words in gates)]


def _assumptions(result: Result) -> list[WhatIf]:
    """List the changed assumptions; a second tank is none."""
    return [case for case in result.what_if if case.name != TWO_TANKS]


def _treated_range(result: Result, one: PassResult) -> list[str]:
    """Say how much of the field a pass treats under the assumptions, where it goes out under all of them."""
    tried = _assumptions(result)
    shares = sorted((case.treated_share.get(one.slug, 0.0), text.safe(case.name)) for case in tried)
    if one.decision == "none" or not shares or shares[0][0] == 0.0:
        return []
    (low, least), (high, most) = shares[0], shares[-1]
    told = f"Over the {text.counted(len(tried), 'assumption')} the treated share of {text.safe(one.name)}"
    if text.percent(low) == text.percent(high):
        return [f"{told} stays {text.percent(low)}."]
    return [f"{told} runs from {text.percent(low)} ({least}) to {text.percent(high)} ({most})."]


def _flips(result: Result, one: PassResult) -> list[str]:
    """Assumptions under which a pass that goes out would stay at home, or the reverse."""
    name, out = text.safe(one.name), one.decision != "none"
    shares = {text.safe(case.name): case.treated_share.get(one.slug, 0.0) for case in _assumptions(result)}
    if out:
        homes = [case for case, share in shares.items() if share == 0.0]
        return [f"{name} would stay at home with: {'; '.join(homes)}."] if homes else []
    outs = [f"{case} ({text.percent(share)} of the field)" for case, share in shares.items() if share > 0.0]
    return [f"{name} would go out with: {'; '.join(outs)}."] if outs else []


def sentence(words: str) -> str:
    """Make a reason from the result a sentence.

    Examples
    --------
    >>> sentence("no pattern beyond noise")
    'No pattern beyond noise.'
    """
    safe = text.safe(words, text.LONGEST_SENTENCE).strip()
    return safe[:1].upper() + safe[1:] + ("" if safe.endswith((".", "!", "?")) else ".")
