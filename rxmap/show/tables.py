"""The page's tables, written out as HTML so that they read without any script.

Every text is escaped by `markup.tag`.
"""

from __future__ import annotations

import math
from dataclasses import replace

from rxmap.records import (
    EDGE_STOP,
    KeepOut,
    Money,
    Observation,
    PassResult,
    Result,
    TargetResult,
    WhatIf,
    ZoneShape,
)
from rxmap.show import story, text
from rxmap.show.markup import Row, join, table, tag

CHOICES = {"map": "by the map", "all": "all of the field", "none": "nothing"}


def all_tables(result: Result) -> str:
    """Every table of the page, in reading order."""
    passes = [_passes(result), *_waits(result), *(_parts(result, one) for one in result.passes if one.parts)]
    drives = [*_check_strips(result), *_applied(result)]
    targets = [_targets(result), *_edge_strips(result), *_layers(result)]
    money = [_money(result), *_what_if(result)]
    return join([*passes, *drives, *targets, _zones(result), *money, _keep_outs(result), _stops(result)])


def _passes(result: Result) -> str:
    if not result.passes:
        return tag("p", "There is no pass: the plan names no product.")
    head = (
        "Pass", "Decision", "Product and rate", "Treated", "Share", "Product on the ground", "Loads",
        "Why", "Next look",
    )  # fmt: skip
    rows = [
        (
            text.safe(one.name),
            {"map": "treat parts", "all": "treat all", "none": "treat nothing"}[one.decision],
            "; ".join(f"{text.safe(use.name)}, {text.rate(use)}" for use in one.products),
            text.area(one.treated_ha, result.units),
            text.percent(one.treated_ha / result.field.area_ha),
            "; ".join(f"{text.number(use.total)} {use.total_unit}" for use in one.products),
            str(one.loads),
            text.safe(one.reason, text.LONGEST_SENTENCE),
            text.safe(_look(one), text.LONGEST_SENTENCE),
        )
        for one in result.passes
    ]
    return table("Passes", head, rows, numbers="   nnnn")


def _look(one: PassResult) -> str:
    return (one.dates.look_again if one.dates else None) or one.next_look or "-"


def _waits(result: Result) -> list[str]:
    rows = []
    for one in result.passes:
        if one.dates is not None:
            limits = (one.dates.no_entry, one.dates.no_rain, one.dates.harvest_from)
            rows.append(
                (text.safe(one.name), *(limit or "see the label" for limit in limits), one.dates.look_again or "-")
            )
    head = ("Pass", "No entry for", "No rain for", "Harvest from", "Look again")
    return [table("What to wait for after each pass; the label holds", head, rows)] if rows else []


def _parts(result: Result, one: PassResult) -> str:
    units = {target.name: target.unit for target in result.targets}
    head = ("Part", "Area", "Rate", "Spray volume", "Zone", "Target", "Pressure", "Chance above", "Benefit", "Why")
    rows = [
        (
            str(number),
            text.area(part.area_ha, result.units),
            f"{text.number(part.rate)} {part.unit}",
            f"{text.number(part.volume)} {part.vol_unit}",
            str(part.zone),
            text.safe(part.target),
            text.pressure(part.pressure, units.get(part.target, "")),
            text.chance(part.p_over),
            benefit(result, part.benefit),
            text.safe(part.reason),
        )
        for number, part in enumerate((part for part in one.parts if part.treat), start=1)
    ]
    return table(f"Treated parts of {text.safe(one.name)}, numbered as on the map", head, rows, numbers="nnnnn nnn")


def _check_strips(result: Result) -> list[str]:
    rows = [
        (
            text.safe(one.name),
            str(len(one.check_strips)),
            text.area(sum(strip.area_ha for strip in one.check_strips), result.units),
            _given_up(result, one),
            text.safe(one.strips_text, text.LONGEST_SENTENCE),
        )
        for one in result.passes
        if one.check_strips
    ]
    head = ("Pass", "Check strips", "Untreated for them", "Benefit given up", "What they can show")
    caption = "Check strips: treated ground left untreated on purpose, to learn whether treating paid"
    return [table(caption, head, rows, numbers=" nnn")] if rows else []


def _given_up(result: Result, one: PassResult) -> str:
    lost = [strip.benefit for strip in one.check_strips if strip.benefit is not None]
    return text.money(sum(lost), result.money.currency) if lost and result.money else "no figure"


def _applied(result: Result) -> list[str]:
    rows = [
        (
            text.safe(one.name),
            *(
                text.area(ha, result.units)
                for ha in (
                    applied.treated_ha,
                    applied.missed_ha,
                    applied.off_target_ha,
                    applied.setback_ha,
                    applied.outside_ha,
                )
            ),
            text.difference(applied.product_difference),
            text.counted(round(applied.heading), "degree"),
            one.heading_text or "given in the plan",
        )
        for one in result.passes
        if (applied := one.applied) is not None
    ]
    ground = ("Planned", "Missed", "Off target", "Inside setbacks", "Outside the field")
    head = ("Pass", *ground, "Product against the plan", "Simulated heading", "Heading to drive")
    return [table("As the machine will apply it, simulated", head, rows, numbers=" nnnnnnn")] if rows else []


def benefit(result: Result, per_ha: float | None) -> str:
    """Write the expected money per area, where the plan gives a loss."""
    if per_ha is None or result.money is None:
        return "no figure"
    return text.money_per_area(per_ha, result.money.currency, result.units)


def _targets(result: Result) -> str:
    head = ("Target", "Field mean", "Threshold", "Threshold from", "Chance mean above", "Stop rows used", "Verdict")
    rows = [
        (
            text.safe(target.name),
            text.pressure(target.mean, target.unit),
            text.pressure(target.threshold, target.unit),
            text.safe(target.source),
            text.chance(target.p_over),
            f"{target.used} of {target.read}",
            f"{story.support(target)} {story.sentence(target.reason)}",
        )
        for target in result.targets
    ]
    return table("Targets", head, rows, numbers=" nn nn")


def _edge_strips(result: Result) -> list[str]:
    rows = [
        (
            text.safe(target.name),
            text.length(target.edge.width_m, result.units),
            str(target.edge.stops),
            text.pressure(target.edge.pressure, target.unit),
            text.chance(target.edge.p_over),
        )
        for target in result.targets
        if target.edge is not None
    ]
    head = ("Target", "Width", "Edge stops", "Pressure", "Chance above")
    caption = "Strips along the boundary: edge stops decide them; the pressure layer shows the field without them"
    return [table(caption, head, rows, numbers=" nnnn")] if rows else []


def _layers(result: Result) -> list[str]:
    rows = [
        (
            text.safe(target.name),
            text.safe(use.name),
            "used" if use.used else "not used",
            "not tried" if use.gain is None else text.percent(use.gain) if use.gain > 0 else "none",
            story.sentence(use.why),
        )
        for target in result.targets
        for use in target.covariates
    ]
    head = ("Target", "Layer", "In the pressure", "Errors taken off", "Why")
    caption = "Imagery and other layers: whether the stops of a target are predicted better with them"
    return [table(caption, head, rows, numbers="   n")] if rows else []


def _zones(result: Result) -> str:
    head = ["Zone", "Area", *(f"{text.safe(target.name)}: pressure, chance above" for target in result.targets)]
    rows = [
        (
            str(zone.zone),
            text.area(zone.area_ha, result.units),
            *(zone_level(zone, target) for target in result.targets),
            text.safe(zone.text),
        )
        for zone in result.zones
    ]
    caption = " ".join(["Zones: ground that is alike in what it would cost to leave alone.", without_strips(result)])
    return table(caption, [*head, "In words"], rows, numbers="nn" + "n" * len(result.targets))


def without_strips(result: Result) -> str:
    """Say that figures of zones leave out the strips that edge stops decide; empty where there are none."""
    if all(target.edge is None for target in result.targets):
        return ""
    return "Pressure is that of the layers, without the strips that edge stops decide."


def zone_level(zone: ZoneShape, target: TargetResult) -> str:
    """Pressure of a target in a zone, and the chance that it is above the threshold."""
    if target.slug not in zone.pressure:
        return "-"
    level = text.pressure(zone.pressure[target.slug], target.unit)
    return f"{level}, {text.chance(zone.p_over[target.slug])}" if target.slug in zone.p_over else level


def _money(result: Result) -> str:
    money = result.money
    if money is None:
        return tag("p", *story.worth(result))
    values = {"map": money.map, "all": money.all, "none": money.none}
    rows = [
        (CHOICES[key], "no map" if value is None else text.money(value, money.currency), "best" * (key == money.best))
        for key, value in values.items()
    ]
    caption = "Money: expected gain, trips and scouting paid, against neither scouting nor treating"
    return table(caption, ("Treat", "Expected gain", "Best"), rows, numbers=" n")


def _what_if(result: Result) -> list[str]:
    if not result.what_if:
        return []
    rows = [
        (
            text.safe(case.name),
            *(text.percent(case.treated_share.get(one.slug, 0.0)) for one in result.passes),
            *best_choice(case.money, any(case.treated_share.values())),
        )
        for case in what_if_cases(result)
    ]
    head = ("Assumption", *(f"Treated, {text.safe(one.name)}" for one in result.passes), "Best", "Gain over nothing")
    caption = "What if: decided again under one changed assumption; check strips are taken off in the first row only"
    return [table(caption, head, rows, numbers=" " + "n" * len(result.passes) + " n")]


def what_if_cases(result: Result) -> list[WhatIf]:
    """List the decision as planned, the same without its check strips where they cost something, and what was tried."""
    shares = {one.slug: one.treated_ha / result.field.area_ha for one in result.passes}
    cases = [WhatIf(name="as planned", treated_share=shares, money=result.money)]
    money, strips = result.money, [strip for one in result.passes for strip in one.check_strips]
    lost = math.fsum(strip.benefit or 0.0 for strip in strips)
    if money is not None and lost != 0.0:
        whole = replace(money, map=None if money.map is None else money.map + lost, all=money.all + lost)
        kept = {one.slug: sum(strip.area_ha for strip in one.check_strips) for one in result.passes}
        shares = {slug: share + kept[slug] / result.field.area_ha for slug, share in shares.items()}
        cases.append(WhatIf(name="as planned, without check strips", treated_share=shares, money=whole))
    return [*cases, *result.what_if]


def best_choice(money: Money | None, treats: bool) -> tuple[str, str]:
    """Name the best choice and its gain; where nothing may be treated, treating all is no choice."""
    if money is None:
        return "no figure", "no figure"
    if not treats:
        floor = ": the threshold is a floor" if money.best == "all" else ""
        return f"{CHOICES['none']}{floor}", text.money(0.0, money.currency)
    return CHOICES[money.best], text.money(gain_over_nothing(money), money.currency)


def gain_over_nothing(money: Money) -> float:
    """Subtract from the best choice what treating nothing earns; scouting is in both."""
    best = {"map": money.map or 0.0, "all": money.all, "none": money.none}[money.best]
    return best - money.none


def _keep_outs(result: Result) -> str:
    if not result.keep_outs:
        return tag("p", "No keep-outs are planned.")
    head: Row = ("Keep-out", "Setback")
    rows: list[Row] = [(text.safe(each.reason), text.length(each.setback_m, result.units)) for each in result.keep_outs]
    if passes_differ(result):
        head = (*head, "Kept by")
        rows = [(*row, kept_by(result, each)) for row, each in zip(rows, result.keep_outs, strict=True)]
    return table("Keep-outs: never treated", head, rows, numbers=" n")


def passes_differ(result: Result) -> bool:
    """Whether some setback is kept by some passes only."""
    return any(len(each.passes) != len(result.passes) for each in result.keep_outs)


def kept_by(result: Result, keep_out: KeepOut) -> str:
    """Name the passes that keep a setback."""
    return text.listed([text.safe(one.name) for one in result.passes if one.slug in keep_out.passes])


def _stops(result: Result) -> str:
    rows = [
        (
            text.safe(row.stop),
            str(row.date or "-"),
            text.safe(row.target),
            found(row, result),
            used(row, result),
            text.safe(row.note) or "-",
        )
        for row in result.observations
    ]
    count = f"Stops: {text.counted(len(rows), 'row')}, {sum(row.used for row in result.observations)} used"
    inner = table(count, ("Stop", "Date", "Target", "Found", "Used", "Note"), rows)
    return tag("details", tag("summary", "Every stop: what was found, and whether it was used"), inner)


def found(row: Observation, result: Result) -> str:
    """Say what was counted or rated at a stop."""
    measure = next((target.measure for target in result.targets if target.name == row.target), "count")
    value = text.number(row.value)
    if measure == "count":
        return f"{value} counted in {row.n:,}"
    if measure == "incidence":
        return f"{value} of {row.n} affected"
    return f"{value} %" if measure == "severity" else f"rating {value}"


def decides_strip(row: Observation, result: Result) -> bool:
    """Whether a stop is one of those that decide the strip along the boundary."""
    strips = {target.name for target in result.targets if target.edge is not None}
    return row.edge and row.target in strips and row.why == EDGE_STOP


def used(row: Observation, result: Result) -> str:
    """Say whether a row was used, and why not."""
    if decides_strip(row, result):
        return "not in the layer: decides the strip along the boundary"
    return "used" if row.used else f"not used: {text.safe(row.why)}"
