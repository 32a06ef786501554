"""The summary: complete, its paths there, its money in order, its stops those of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from rxmap.errors import shown
from rxmap.units import currency
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import faults_of
from rxmap.verify.report import Unreadable
from rxmap.verify.values import AREA_ROUNDING, near, quantity

STOPS = "stops.geojson"
HERE = 1e-7  # [degree] a place is drawn with seven decimals


def _number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool)


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _share(value: Any) -> bool:
    return _number(value) and bool(0 <= value <= 1)


def _positive(value: Any) -> bool:
    return _number(value) and bool(value > 0)


def _one_of(*words: str) -> Callable[[Any], bool]:
    return lambda value: value in words


def _or_null(test: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or test(value)


DECISION = _one_of("map", "all", "none")
# The form that a reader may rely on: a test for each value, a list of one form for a list of them.
FORM: dict[str, Any] = {
    "field": {"name": _text, "area_ha": _positive, "crs": _text},
    "targets": [
        {
            "name": _text, "slug": _text, "measure": _one_of("count", "incidence", "severity", "rating"),
            "unit": _text, "stops": {"read": _whole, "used": _whole, "unused": _whole}, "threshold": _positive,
            "mean": _number, "p_over": _share, "model": _text, "skill": _or_null(_number),
            "chance": _or_null(_share), "verdict": _one_of("map", "uniform", "note"), "reason": _text, "surface": _text,
        }
    ],
    "passes": [
        {
            "name": _text, "slug": _text,
            "products": [{"name": _text, "rate": _number, "unit": _text, "total": _number, "total_unit": _text}],
            "decision": DECISION, "reason": _text, "treated_ha": _number, "share": _share,
            "polygons": _whole, "loads": _whole, "files": lambda value: value is None or isinstance(value, dict),
        }
    ],
    "money": lambda value: value is None or isinstance(value, dict),
    "cautions": [{"code": _text, "text": _text}],
}  # fmt: skip
EVIDENCE: dict[str, Any] = {
    "places": _whole, "spacing_m": _positive, "range_m": _or_null(_positive), "reach_m": _positive,
    "not_sampled_ha": lambda value: _number(value) and value >= 0, "stops_mean": _number, "even_mean": _number,
    "crowded": lambda value: isinstance(value, bool),
    "left_out": _or_null(lambda value: isinstance(value, dict)),
}  # fmt: skip
LEFT_OUT: dict[str, Any] = {
    "coverage": _share, "skill_blocks": _or_null(_number), "blocks": _whole, "block_gap_m": _number,
    "wrong_side": _share, "wrong_side_alike": _share,
    "chances": [{"stops": _whole, "told": _share, "found": _share}],
    "each": [{"found": _number, "told": _number, "p_over": _share, "inside": _share}],
}  # fmt: skip
MONEY: dict[str, Any] = {
    "currency": lambda value: _text(value) and currency(value) == value,
    "map": _or_null(_number), "all": _or_null(_number), "none": _or_null(_number), "best": DECISION,
    "range": lambda value: value is None or (isinstance(value, list) and len(value) == 2 and all(map(_number, value))),
}  # fmt: skip


def summary_complete(result: Folder) -> Iterator[str]:
    """Look for every key of the summary, and for the file at the end of every path."""
    yield from (f"{SUMMARY}: {line}" for line in _misfits(result.summary, FORM, ""))
    if result.summary.get("money") is not None:
        yield from (f"{SUMMARY}: {line}" for line in _misfits(result.summary["money"], MONEY, "money"))
    for number, target in enumerate(result.summary.get("targets", []), 1):
        told, place = target.get("evidence"), f"targets[{number}].evidence"
        if told is not None:
            yield from (f"{SUMMARY}: {line}" for line in _misfits(told, EVIDENCE, place))
            if told.get("left_out") is not None:
                yield from (f"{SUMMARY}: {line}" for line in _misfits(told["left_out"], LEFT_OUT, f"{place}.left_out"))
    for where, name in _paths(result.summary):
        if name not in result.names:
            yield f"{SUMMARY}: {where}: {shown(name)}; there is no such file"


def _misfits(value: Any, form: Any, where: str) -> Iterator[str]:
    if isinstance(form, dict):
        if not isinstance(value, dict):
            yield f"{where or 'the document'} is {shown(value)}; should be an object"
            return
        for key, inner in form.items():
            place = f"{where}.{key}" if where else key
            if key not in value:
                yield f"{place} is missing"
            else:
                yield from _misfits(value[key], inner, place)
    elif isinstance(form, list):
        if not isinstance(value, list):
            yield f"{where} is {shown(value)}; should be a list"
            return
        for number, each in enumerate(value, 1):
            yield from _misfits(each, form[0], f"{where}[{number}]")
    elif not form(value):
        yield f"{where} is {shown(value)}; should be of the agreed kind"


def _paths(summary: Any) -> Iterator[tuple[str, str]]:
    for number, target in enumerate(summary.get("targets", []), 1):
        yield f"targets[{number}].surface", target["surface"]
    for number, each in enumerate(summary.get("passes", []), 1):
        if each["decision"] != "none" and not each["files"]:
            raise Unreadable(f"{SUMMARY}: passes[{number}].files is {shown(each['files'])}; should name the files")
        for key, name in (each["files"] or {}).items():
            yield f"passes[{number}].files.{key}", name


def plan_echoed(result: Folder) -> Iterator[str]:
    """Hold names, thresholds and paths of the summary against the plan and each other."""
    plan, summary = result.plan, result.summary
    asked = {target["name"]: target for target in plan["target"]}
    if summary["field"]["name"] != plan["field"]["name"]:
        yield f"{SUMMARY}: field.name is {shown(summary['field']['name'])}; the plan has {shown(plan['field']['name'])}"
    for target in summary["targets"]:
        where = f"{SUMMARY}: target {shown(target['name'])}"
        wanted = asked.get(target["name"], {})
        for key in ("measure", "source"):
            if target.get(key) != wanted.get(key):
                yield f"{where}: {key} is {shown(target.get(key))}; the plan has {shown(wanted.get(key))}"
        if wanted and not near(target["threshold"], float(wanted["threshold"]), 4):
            yield f"{where}: threshold is {target['threshold']}; the plan has {wanted['threshold']}"
        if target["surface"] != f"surfaces/{target['slug']}.tif":
            yield f"{where}: surface is {shown(target['surface'])}; should be named by the slug"
    for each in summary["passes"]:
        for key, name in (each["files"] or {}).items():
            if not name.startswith(f"passes/{each['slug']}/" if key == "zip" else f"passes/{each['slug']}/machine/"):
                yield f"{SUMMARY}: pass {shown(each['name'])}: {shown(name)}; should lie under passes/{each['slug']}/"


def layers_conform(result: Folder) -> Iterator[str]:
    """Hold every GeoJSON of the folder against RFC 7946."""
    for name in (name for name in result.names if name.endswith(".geojson")):
        yield from faults_of(result.layer(name))


def stops_counted(result: Folder) -> Iterator[str]:
    """Count the stops: read is used and unused, and each unused one says why."""
    features = result.layer(STOPS).features
    for feature in features:
        used, why = feature.properties["used"], feature.properties["why"]
        lon, lat = feature.properties["lon"], feature.properties["lat"]
        if abs(feature.geometry.x - float(lon)) > HERE or abs(feature.geometry.y - float(lat)) > HERE:
            yield f"{feature.where}: lies elsewhere than its lon {lon}, lat {lat}"
        if used not in (0, 1):
            yield f"{feature.where}: used is {shown(used)}; should be 0 or 1"
        if not used and not why:
            yield f"{feature.where}: is not used and has no why; should give the reason"
        if used and why:
            yield f"{feature.where}: is used and has the why {shown(why)}; should be one or the other"
    for target in result.summary["targets"]:
        rows = [feature.properties for feature in features if feature.properties["target"] == target["name"]]
        used = sum(1 for row in rows if row["used"])
        counted = {"read": len(rows), "used": used, "unused": len(rows) - used}
        for key, number in counted.items():
            if target["stops"][key] != number:
                yield f"{STOPS}: {number} stops {key} of {shown(target['name'])}; {SUMMARY} says {target['stops'][key]}"


def money_in_order(result: Folder) -> Iterator[str]:
    """Hold the best choice against the gains, and the cost of doing nothing against the scouting."""
    money = result.summary["money"]
    if money is None:
        return
    gains = {key: money[key] for key in ("map", "all", "none") if money[key] is not None}
    if gains and gains.get(money["best"], min(gains.values())) < max(gains.values()):
        yield f"{SUMMARY}: money.best is {money['best']}; the largest gain is {max(gains, key=lambda key: gains[key])}"
    if money["range"] is not None and money["range"][0] > money["range"][1]:
        yield f"{SUMMARY}: money.range runs from {money['range'][0]} to {money['range'][1]}; should be low to high"
    cost = result.plan["scouting"].get("cost")
    if money["none"] is not None:
        code, area = money["currency"], float(result.summary["field"]["area_ha"])
        per_ha = quantity(cost).to(f"{code}/ha") if cost else 0.0
        wanted = -per_ha * area
        if not near(money["none"], wanted, 2, absolute=per_ha * AREA_ROUNDING):
            yield f"{SUMMARY}: money.none is {money['none']}; should be minus the scouting, {wanted:.2f} {code}"
