"""The report that a grower keeps: what to do, where, why, what it is worth, and what to wait for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from rxmap.errors import printable
from rxmap.records import Part, PassResult, Result, TargetResult
from rxmap.show import story, tables, text, weather
from rxmap.show.charts import draw_legend, draw_map, draw_money, legend_height, numbered
from rxmap.show.paper import INSIDE, MARGIN, SMALL, Paper, plain_settings
from rxmap.write.record import quantity

MAP_HEIGHT, SEVERAL_HEIGHT, LEGEND_WIDTH = 265.0, 175.0, 165.0  # [pt] of one map, of each of several
MOST_MAPS = 3  # further passes stand in the tables and on the page
LONGEST_NAME = 60  # in headings and tables; the headline has all of it

Row = tuple[str, ...]


def report_pdf(result: Result) -> bytes:
    """Draw the report.

    Parameters
    ----------
    result : Result
        Everything that was decided.

    Returns
    -------
    bytes
        A PDF of A4 pages; the same bytes for the same result.
    """
    with plain_settings():
        return report_paper(result).pdf()


def report_paper(result: Result) -> Paper:
    """Fill the sheets of the report; to be called within `plain_settings`."""
    paper = Paper(f"{text.safe(result.field.name)}, {text.safe(result.crop)}")
    _headline(paper, result)
    _maps(paper, result)
    _goes_out(paper, result)
    _dates(paper, result)
    _why(paper, result)
    _left_alone(paper, result)
    _worth(paper, result)
    _what_if(paper, result)
    _targets(paper, result)
    if result.weather:
        paper.heading("Weather")
        paper.bullets([*weather.sentences(result.weather, result.units), weather.LAST], size=SMALL)
    paper.heading("Cautions")
    told = [f"{text.safe(each.text)} ({text.safe(each.code)})" for each in result.cautions]
    paper.bullets(told or ["None."], size=SMALL)
    paper.heading("Before anybody sprays")
    paper.bullets([line.replace("This page", "This report") for line in story.SAFETY], size=SMALL)
    return paper


def short(name: str) -> str:
    """Name for a heading or a cell: as it stands, but not endless."""
    return printable(name, LONGEST_NAME)


def _headline(paper: Paper, result: Result) -> None:
    days = sorted({str(row.date) for row in result.observations if row.date and row.used})
    seen = [f"stops of {' to '.join(dict.fromkeys(days[:1] + days[-1:]))}"] if days else []
    facts = [text.safe(result.crop), text.area(result.field.area_ha, result.units), *seen]
    paper.block(text.safe(result.field.name), size=17, bold=True)
    paper.block(" | ".join(facts))
    paper.top += 4
    paper.rule(paper.top, weight=2.5)
    paper.top += 5
    for line in story.what_to_do(result):
        paper.block(line, size=12.5, bold=True)
        paper.top += 2
    paper.rule(paper.top + 2, weight=2.5)
    paper.top += 8
    where, sure, _, change = story.cards(result)  # what it is worth stands beside its bars
    for heading, sentences in (where, sure, change):
        paper.block(heading, bold=True)
        paper.bullets(sentences)


# Where -------------------------------------------------------------------------------------------


def _maps(paper: Paper, result: Result) -> None:
    going = [one for one in result.passes if one.decision != "none"]
    views: list[tuple[PassResult | None, TargetResult]] = [(one, _shown(result, one)) for one in going]
    views = views or [(None, _nearest(result.targets))]
    for one, target in views[:MOST_MAPS]:
        _map(paper, result, one, target, tall=SEVERAL_HEIGHT if len(views) > 1 else MAP_HEIGHT)
    if len(views) > MOST_MAPS:
        rest = text.listed([short(one.name) for one, _ in views[MOST_MAPS:] if one])
        paper.block(f"Not drawn here, but on map.html: {rest}.")


def _map(paper: Paper, result: Result, one: PassResult | None, target: TargetResult, *, tall: float) -> None:
    """Draw one map with its legend beside it; a field that is wider than high takes less of the sheet."""
    west, south, east, north = result.field.ground.bounds
    wide = INSIDE - LEGEND_WIDTH - 12
    tall = min(tall, max(tall / 2, 1.2 * wide * (north - south) / (east - west)))
    trial = Paper("")  # tells how long the legend will be
    legend = draw_map(trial, trial.axes(0, 0, wide, tall), result, one, target)
    words = f"Map: {short(one.name)} and {short(target.name)}" if one else f"Map: {short(target.name)}"
    paper.heading(words, before=max(tall, legend_height(legend, LEGEND_WIDTH)) + 10)
    draw_map(paper, paper.axes(MARGIN, paper.top, wide, tall), result, one, target)
    draw_legend(paper, legend, left=MARGIN + wide + 12, top=paper.top, width=LEGEND_WIDTH)
    paper.top += max(tall, legend_height(legend, LEGEND_WIDTH)) + 4


def _shown(result: Result, one: PassResult) -> TargetResult:
    """Choose the target that decides most of the treated ground of a pass."""
    treated = [part for part in one.parts if part.treat]
    ground = {target.name: sum(p.area_ha for p in treated if p.target == target.name) for target in result.targets}
    return max(result.targets, key=lambda target: ground[target.name])


def _nearest(targets: Sequence[TargetResult]) -> TargetResult:
    """Choose the target that is closest to its threshold."""
    return max(targets, key=lambda target: target.mean / target.threshold)


def _goes_out(paper: Paper, result: Result) -> None:
    going = [one for one in result.passes if one.decision != "none"]
    rows = [
        (
            short(one.name),
            "; ".join(f"{short(use.name)}, {text.rate(use)}" for use in one.products),
            f"{text.area(one.treated_ha, result.units)}, {text.percent(one.treated_ha / result.field.area_ha)}",
            "; ".join(f"{text.number(use.total)} {use.total_unit}" for use in one.products),
            str(one.loads),
        )
        for one in going
    ]
    if rows:
        paper.heading("What goes out")
        head = ("Pass", "Product and rate", "Treated", "Product on the ground", "Loads")
        paper.table(head, rows, (22, 34, 18, 22, 8))


# When --------------------------------------------------------------------------------------------


def _dates(paper: Paper, result: Result) -> None:
    field: Mapping[str, Any] = result.plan["field"]  # type: ignore[assignment]
    day = str(field.get("spray_date") or "not set")
    rows: list[Row] = []
    stay: list[str] = []
    for one in result.passes:
        dates, name = one.dates, short(one.name)
        if dates is None:
            rows.append((name, "does not go out", "-", "-", "-", "below" if one.next_look else "-"))
            stay += [text.safe(one.next_look, text.LONGEST_SENTENCE)] if one.next_look else []
        else:
            waits = [
                text.safe(each) if each else "see the label"
                for each in (dates.no_entry, dates.no_rain, dates.harvest_from)
            ]
            rows.append((name, day, *waits, text.safe(dates.look_again or one.next_look) or "-"))
    if rows:
        paper.heading("Dates; the label holds")
        head = ("Pass", "Spray date", "No entry for", "No rain for", "Harvest from", "Look again")
        paper.table(head, rows, (16, 13, 21, 15, 15, 22))
        paper.bullets(stay)


# Why here and not there --------------------------------------------------------------------------


def _why(paper: Paper, result: Result) -> None:
    head = ("Ground", "Area", "Rate", "Pressure", "Chance above threshold", "Benefit", "Why")
    for one in result.passes:
        if one.parts:
            paper.heading(f"Why here and not there: {short(one.name)}")
            paper.block(f"{story.sentence(one.reason)} {_smallest(result, one)}")
            paper.top += 3
            paper.table(head, list(_ground(result, one)), (12, 13, 15, 20, 14, 18, 28))
            paper.block(
                "Benefit on ground left alone: what treating it would have earned. Several parts: means by area."
            )
    if result.zones:
        paper.heading("Zones: what differs in the field")
        paper.block(story.sentence(result.zone_choice.text))
        paper.top += 3
        rows = [(str(z.zone), text.area(z.area_ha, result.units), text.safe(z.text)) for z in result.zones]
        paper.table(("Zone", "Area", "In words"), rows, (8, 14, 98))


def _smallest(result: Result, one: PassResult) -> str:
    if one.smallest_m is None:
        return ""
    narrow = text.length(one.smallest_m, result.units)
    return f"Once the machine is in the field, a lone patch narrower than {narrow} does not pay for its edges."


def _ground(result: Result, one: PassResult) -> Iterator[Row]:
    """Rows of treated parts, numbered as on the map, then of untreated ground by its reason."""
    numbers = numbered(one)
    shown = {number for number, _ in numbers}
    treated = enumerate((part for part in one.parts if part.treat), start=1)
    others = [part for number, part in treated if number not in shown]
    for number, part in numbers:
        yield (f"part {number}", *_level(result, [part]))
    if others:
        yield (f"{text.counted(len(others), 'part')} more", *_level(result, others))
    for parts in _by_reason(one):
        yield ("left alone", *_level(result, parts))


def _by_reason(one: PassResult) -> list[list[Part]]:
    """Untreated parts with one reason, and one target that comes nearest to paying."""

    def key(part: Part) -> tuple[str, str]:
        return part.reason, part.target

    return [list(parts) for _, parts in groupby(sorted((p for p in one.parts if not p.treat), key=key), key)]


def _level(result: Result, parts: Sequence[Part]) -> Row:
    """Area, rate, pressure, chance, benefit and reason of parts, over their ground."""
    areas = [part.area_ha for part in parts]
    alike = len({part.target for part in parts}) == 1
    unit = next((target.unit for target in result.targets if target.name == parts[0].target), "")
    pressure = text.pressure(_mean([part.pressure for part in parts], areas), unit) if alike else "several targets"
    benefits = [part.benefit for part in parts if part.benefit is not None]
    benefit = _mean(benefits, areas) if len(benefits) == len(parts) else None
    rates = dict.fromkeys(f"{text.number(part.rate)} {part.unit}" for part in parts)
    return (
        text.area(sum(areas), result.units),
        " or ".join(rates),
        pressure,
        text.chance(_mean([part.p_over for part in parts], areas)),
        tables.benefit(result, benefit),
        text.safe("; ".join(dict.fromkeys(part.reason for part in parts))),
    )


def _mean(values: Sequence[float], areas: Sequence[float]) -> float:
    return float(np.average(values, weights=areas))


def _left_alone(paper: Paper, result: Result) -> None:
    paper.heading("Left alone on purpose")
    lines = []
    for one in result.passes:
        if one.decision == "none":
            lines.append(f"{short(one.name)}: the whole field. {story.sentence(one.reason)}")
        reasons: dict[str, float] = {}
        for part in one.parts:
            if not part.treat:
                reasons[part.reason] = reasons.get(part.reason, 0.0) + part.area_ha
        told = [f"{text.safe(reason)}, {text.area(area, result.units)}" for reason, area in reasons.items()]
        lines += [f"{short(one.name)}: {'; '.join(told)}."] if told else []
    lines += list(_kept(result))
    paper.bullets(lines or ["Nothing." if result.passes else "The whole field; no pass is planned."])


def _kept(result: Result) -> Iterator[str]:
    """Say of each kept place how much ground around it which pass leaves."""
    names = {one.slug: short(one.name) for one in result.passes}
    for reason, places in groupby(sorted(result.keep_outs, key=lambda each: each.reason), lambda each: each.reason):
        around: dict[str, None] = {}
        for each in places:
            by = text.listed([names[slug] for slug in each.passes if slug in names])
            around[f"{text.length(each.setback_m, result.units)} around it{f' by {by}' if by else ''}"] = None
        yield f"Keep-out: {text.safe(reason)}, with {text.listed(list(around))}; never treated, whatever pays."


# What it is worth --------------------------------------------------------------------------------


def _worth(paper: Paper, result: Result) -> None:
    paper.heading("What it is worth", before=110)
    paper.bullets(story.worth(result))
    if result.money is not None:
        words = "Expected gain for the field, trips and scouting paid, against neither scouting nor treating:"
        draw_money(paper, result.money, words)
    rests = list(_rests_on(result.plan))
    if rests and result.money is not None:
        paper.block("The figures rest on", bold=True)
        paper.bullets(rests, size=SMALL)


def _rests_on(plan: Mapping[str, Any]) -> Iterator[str]:
    """Assumptions of the money, as the plan gives them."""
    field, machine = plan["field"], plan.get("machine", {})
    if "yield_goal" in field and "price" in field:
        yield f"a yield of {quantity(field['yield_goal'])} without the targets, sold at {quantity(field['price'])}"
    for target in plan["target"]:
        if "loss" in target:
            yield text.safe(_loss(target))
    for product in plan.get("product", ()):
        shares = [f"{text.percent(share)} of the loss by {name}" for name, share in product.get("controls", {}).items()]
        prevents = f"prevents {text.listed(shares)}, and " if shares else ""
        yield text.safe(f"{product['name']} {prevents}costs {quantity(product['cost'])}")
    costs = {"cost": "for each area treated", "trip": "for each trip"}
    paid = [f"{quantity(machine[key])} {words}" for key, words in costs.items() if key in machine]
    scouting = quantity(plan["scouting"].get("cost"))
    paid += [f"{scouting} for scouting"] if scouting else []
    if paid:
        yield f"the machine and the walk cost {text.listed(paid)}"


def _loss(target: Mapping[str, Any]) -> str:
    loss = target["loss"]
    per_unit, cap = (text.percent(loss[key]) for key in ("per_unit", "cap"))
    grows = f", after growing {loss['growth']:g}-fold by {loss.get('stage', 'then')}" if "growth" in loss else ""
    return (
        f"{target['name']} takes {per_unit} of the yield per unit of pressure, {cap} at most{grows} ({loss['source']})"
    )


def _what_if(paper: Paper, result: Result) -> None:
    if not result.what_if:
        return
    rows = []
    for case in tables.what_if_cases(result):
        shares = case.treated_share
        treated = "; ".join(f"{short(one.name)} {text.percent(shares.get(one.slug, 0.0))}" for one in result.passes)
        rows.append((text.safe(case.name), treated, *tables.best_choice(case.money, any(shares.values()))))
    paper.heading("What if", before=80)
    paper.block(
        "Decided again under one changed assumption, the fitted pressure as it is. Check strips are taken off in the "
        "first row only, what the machine cannot follow in what is planned only."
    )
    paper.top += 3
    paper.table(("Assumption", "Share of the field treated", "Best", "Gain over nothing"), rows, (30, 50, 18, 22))


# How sure ----------------------------------------------------------------------------------------


def _targets(paper: Paper, result: Result) -> None:
    paper.heading("Targets: what the stops say", before=80)
    rows = [
        (
            short(target.name),
            text.pressure(target.mean, target.unit),
            f"{text.pressure(target.threshold, target.unit)}, {text.safe(target.source)}",
            text.chance(target.p_over),
            story.sentence(target.reason),
        )
        for target in result.targets
    ]
    head = ("Target", "Field mean", "Threshold, from", "Chance mean above", "Do the stops carry a map?")
    paper.table(head, rows, (18, 15, 20, 13, 54))
