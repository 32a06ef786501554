"""The page's tables, written out as HTML so that they read without any script.

Every text goes through `tag`, the only place that makes markup, and is escaped there.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from rxmap.records import Money, Observation, PassResult, Result, TargetResult, ZoneShape
from rxmap.show import story, text

Row = Sequence[str]

CHOICES = {"map": "by the map", "all": "all of the field", "none": "nothing"}


def tag(name: str, *content: str, **attributes: str) -> str:
    """Make an element; content is escaped unless it is markup made here.

    Examples
    --------
    >>> print(tag("p", "a < b", tag("b", "c"), id="x"))
    <p id="x">a &lt; b<b>c</b></p>
    """
    inner = "".join(part if isinstance(part, Markup) else html.escape(part) for part in content)
    given = "".join(f' {key.rstrip("_").replace("_", "-")}="{html.escape(value)}"' for key, value in attributes.items())
    return Markup(f"<{name}{given}>{inner}</{name}>")


class Markup(str):
    """Text that `tag` made and that must not be escaped again."""

    __slots__ = ()


def join(parts: Iterable[str]) -> Markup:
    """Put elements one under the other."""
    return Markup("\n".join(part if isinstance(part, Markup) else html.escape(part) for part in parts))


def bullets(lines: Iterable[str]) -> str:
    """Make a list of sentences."""
    return tag("ul", *(tag("li", line) for line in lines))


def table(caption: str, head: Row, rows: Sequence[Row], *, numbers: str = "") -> str:
    """Make a table in a box that scrolls sideways on a phone.

    Parameters
    ----------
    caption : str
        What the table holds.
    head : sequence of str
        Column heads, units included.
    rows : sequence of sequence of str
        Cells; the first of a row names it.
    numbers : str
        One letter per column, ``n`` where the cells are aligned as numbers.
    """
    kinds = numbers.ljust(len(head))
    top = tag("tr", *(tag("th", cell, scope="col", class_=_kind(kind)) for cell, kind in zip(head, kinds, strict=True)))
    body = [
        tag(
            "tr",
            tag("th", row[0], scope="row", class_=_kind(kinds[0])),
            *(tag("td", cell, class_=_kind(kind)) for cell, kind in zip(row[1:], kinds[1:], strict=True)),
        )
        for row in rows
    ]
    inner = tag("table", tag("caption", caption), tag("thead", top), tag("tbody", join(body)))
    return tag("div", inner, class_="scroll", tabindex="0", role="region", aria_label=caption)


def _kind(letter: str) -> str:
    return "number" if letter == "n" else "words"


def all_tables(result: Result) -> str:
    """Every table of the page, in reading order."""
    passes = [_passes(result), *_waits(result), *(_parts(result, one) for one in result.passes if one.parts)]
    money = [_money(result), *_what_if(result)]
    return join([*passes, _targets(result), _zones(result), *money, _keep_outs(result), _stops(result)])


def _passes(result: Result) -> str:
    if not result.passes:
        return tag("p", "There is no pass: the plan names no product.")
    head = ("Pass", "Decision", "Product and rate", "Treated", "Share", "Product in all", "Loads", "Why", "Next look")
    rows = [
        (
            text.safe(one.name),
            {"map": "treat parts", "all": "treat all", "none": "treat nothing"}[one.decision],
            "; ".join(f"{text.safe(use.name)}, {text.rate(use)}" for use in one.products),
            text.area(one.treated_ha, result.units),
            text.percent(one.treated_ha / result.field.area_ha),
            "; ".join(f"{text.number(use.total)} {use.total_unit}" for use in one.products),
            str(one.loads),
            text.safe(one.reason),
            text.safe(one.next_look) or "-",
        )
        for one in result.passes
    ]
    return table("Passes", head, rows, numbers="   nnnn")


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
    caption = "Zones: ground that is alike in what it would cost to leave alone"
    return table(caption, [*head, "In words"], rows, numbers="nn" + "n" * len(result.targets))


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
    planned = {one.slug: one.treated_ha / result.field.area_ha for one in result.passes}
    cases = [(case.name, case.treated_share, case.money) for case in result.what_if]
    rows = [
        (
            text.safe(name),
            *(text.percent(share.get(one.slug, 0.0)) for one in result.passes),
            CHOICES[money.best] if money else "no figure",
            text.money(gain_over_nothing(money), money.currency) if money else "no figure",
        )
        for name, share, money in [("as planned", planned, result.money), *cases]
    ]
    head = ("Assumption", *(f"Treated, {text.safe(one.name)}" for one in result.passes), "Best", "Gain over nothing")
    caption = "What if: decided again under one changed assumption, the fitted pressure as it is"
    return [table(caption, head, rows, numbers=" " + "n" * len(result.passes) + " n")]


def gain_over_nothing(money: Money) -> float:
    """Subtract from the best choice what treating nothing earns; scouting is in both."""
    best = {"map": money.map or 0.0, "all": money.all, "none": money.none}[money.best]
    return best - money.none


def _keep_outs(result: Result) -> str:
    if not result.keep_outs:
        return tag("p", "No keep-outs are planned.")
    rows = [(text.safe(each.reason), text.length(each.setback_m, result.units)) for each in result.keep_outs]
    return table("Keep-outs: never treated", ("Keep-out", "Setback"), rows, numbers=" n")


def _stops(result: Result) -> str:
    rows = [
        (
            text.safe(row.stop),
            str(row.date or "-"),
            text.safe(row.target),
            found(row, result),
            used(row),
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


def used(row: Observation) -> str:
    """Say whether a row was used, and why not."""
    return "used" if row.used else f"not used: {text.safe(row.why)}"
