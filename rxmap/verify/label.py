"""The label once more, from the plan in the manifest and the rates in the files."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterator
from typing import Any

from rxmap.errors import shown
from rxmap.units import Quantity, convert
from rxmap.verify.folder import MANIFEST, SUMMARY, Folder
from rxmap.verify.geojson import Feature
from rxmap.verify.report import Unreadable
from rxmap.verify.values import TIGHT, at_least, at_most, quantity

SECONDS_PER_DAY = 86_400.0


def product_of(result: Folder, name: str) -> Any:
    """Find a product in the recorded plan."""
    for product in result.plan.get("product") or ():
        if product["name"] == name:
            return product
    raise Unreadable(f"{MANIFEST}: the plan has no product {shown(name)}; without its label no rate can be proved")


def rates_on_label(result: Folder) -> Iterator[str]:
    """Hold every rate on treated ground against the label's range, on its decimal text."""
    for each, layer in result.layers:
        for feature in layer.features:
            if feature.properties["treat"] == 1:
                rate, unit, name = (feature.properties[key] for key in ("rate", "unit", "product"))
                yield from _rate_fault(feature.where, rate, unit, product_of(result, name))
        for used in each["products"]:
            where = f"{SUMMARY}: pass {shown(each['name'])}, product {shown(used['name'])}"
            yield from _rate_fault(where, used["rate"], used["unit"], product_of(result, used["name"]))


def _rate_fault(where: str, rate: Any, unit: str, product: Any) -> Iterator[str]:
    low, high = quantity(product["label"]["min"]), quantity(product["label"]["max"])
    reasoned = product.get("under_label")
    if not at_most(rate, unit, high):
        yield f"{where}: rate {rate} {unit}; should be at most {high}, the label's maximum"
    if reasoned:
        low = quantity(reasoned["rate"])
    if not at_least(rate, unit, low):
        least = "the reasoned rate under the label" if reasoned else "the label's minimum"
        yield f"{where}: rate {rate} {unit}; should be at least {low}, {least}"


def carrier_enough(result: Folder) -> Iterator[str]:
    """Hold the spray volume on treated ground against every product's minimum."""
    for each, layer in result.layers:
        limits = [product_of(result, used["name"])["label"].get("carrier_min") for used in each["products"]]
        for feature in layer.features:
            if feature.properties["treat"] == 1:
                yield from _volume_faults(feature, [quantity(limit) for limit in limits if limit])


def _volume_faults(feature: Feature, limits: list[Any]) -> Iterator[str]:
    volume, unit = feature.properties["volume"], feature.properties["vol_unit"]
    for limit in limits:
        if not at_least(volume, unit, limit):
            yield f"{feature.where}: volume {volume} {unit}; should be at least {limit}, the label's minimum"


def season_kept(result: Folder) -> Iterator[str]:
    """Add up season total, number, interval, days to harvest and stage of every product that goes out."""
    rates: dict[str, list[Any]] = {}
    for each in result.passes:
        for used in each["products"]:
            rates.setdefault(used["name"], []).append(used)
    for name, uses in rates.items():
        product = product_of(result, name)
        where = f"{MANIFEST}: product {shown(name)}"
        yield from _total(where, product, uses)
        yield from _number(where, product, uses)
        yield from _times(where, product, result.plan["field"])


def _total(where: str, product: Any, uses: list[Any]) -> Iterator[str]:
    limit = product["label"].get("season_max")
    if not limit:
        return
    limit = quantity(limit)
    earlier = [quantity(applied["rate"]).to(limit.unit) for applied in product.get("applied") or ()]
    now = [convert(float(used["rate"]), used["unit"], limit.unit) for used in uses]
    total = sum(earlier + now)
    if total > limit.magnitude * (1 + TIGHT):
        terms = " + ".join(f"{rate:.6g}" for rate in earlier + now)
        yield f"{where}: season total {terms} = {total:.6g} {limit.unit}; should be at most {limit}"


def _number(where: str, product: Any, uses: list[Any]) -> Iterator[str]:
    limit = product["label"].get("applications")
    number = len(product.get("applied") or ()) + len(uses)
    if limit is not None and number > limit:
        yield f"{where}: {number} applications this season; should be at most {limit}"


def _times(where: str, product: Any, field: Any) -> Iterator[str]:
    label, spray = product["label"], _date(field.get("spray_date"))
    earlier = [_date(applied["date"]) for applied in product.get("applied") or ()]
    if label.get("interval") and spray and earlier:
        days = (spray - max(day for day in earlier if day)).days
        if days * SECONDS_PER_DAY < quantity(label["interval"]).to("s"):
            yield f"{where}: {days} days after the last application; should be {quantity(label['interval'])} or more"
    harvest = _date(field.get("harvest"))
    if label.get("phi") and spray and harvest:
        days = (harvest - spray).days
        if days * SECONDS_PER_DAY < quantity(label["phi"]).to("s"):
            yield f"{where}: {days} days before harvest; should be {quantity(label['phi'])} or more"
    codes, stage = label.get("stages"), field.get("stage")
    if codes and stage is not None and not stage_allowed(str(stage), [str(code) for code in codes]):
        yield f"{where}: growth stage {stage}; the label allows {', '.join(map(str, codes))}"


def waits_told(result: Folder) -> Iterator[str]:
    """Work out no entry, no rain and first harvest from the labels, and hold the dates of the summary against them."""
    sprayed = _date(result.plan["field"].get("spray_date"))
    for each in (one for one in result.passes if one["decision"] != "none"):
        if each.get("dates") is None:
            yield f"{SUMMARY}: pass {shown(each['name'])}: has no dates to wait for; should say them"
            continue
        labels = [product_of(result, used["name"])["label"] for used in each["products"]]
        harvest = _longest(labels, "phi")
        wanted = {"no_entry": _longest(labels, "rei"), "no_rain": _longest(labels, "rainfast"), "harvest_from": harvest}
        words = {key: limit.words if limit else "" for key, limit in wanted.items()}
        if harvest and sprayed:
            words["harvest_from"] = str(sprayed + dt.timedelta(seconds=SECONDS_PER_DAY * math.ceil(harvest.to("day"))))
        told = each["dates"]
        for key, word in words.items():
            found = told.get(key) or ""
            if not found.startswith(word) or bool(found) != bool(word):
                yield f"{SUMMARY}: pass {shown(each['name'])}: {key} is {shown(found)}; should be {word or 'null'}"


def _longest(labels: list[Any], limit: str) -> Quantity | None:
    limits = [quantity(label[limit]) for label in labels if label.get(limit)]
    return max(limits, key=lambda each: each.to("s"), default=None)


def _date(text: Any) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


def stage_allowed(stage: str, codes: list[str]) -> bool:
    """Whether a growth stage is one of the codes, or between two that have an order.

    Examples
    --------
    >>> stage_allowed("R4", ["R1", "R5"]), stage_allowed("V12", ["R1", "R5"]), stage_allowed("39", ["31", "59"])
    (True, False, True)
    """
    places = [_place(code) for code in (*codes[:1], stage, *codes[1:])]
    if len(codes) == 2 and all(place is not None for place in places):
        return places == sorted(places)  # type: ignore[type-var]
    return stage in codes


def _place(code: str) -> tuple[int, float] | None:
    """Order of stages by the plan's rule: numbers by value; VE < VC < V1.. < VT < R1.. ."""
    match = re.fullmatch(r"(VE|VC|VT|[VR]?)(\d+(?:\.\d+)?)?", code)
    if match is None or bool(match[2]) == (match[1] in ("VE", "VC", "VT")):
        return None
    return ["", "VE", "VC", "V", "VT", "R"].index(match[1]), float(match[2] or 0)
