"""The prescription layers: the whole field once, every attribute in its place, nothing treated that must not be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import shapely
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.units import convert, denominator, numerator
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Feature, Layer
from rxmap.verify.ground import (
    CLOSURE,
    M2_PER_HA,
    SLIVER_M2,
    area_m2,
    beyond_m2,
    broken_edges,
    overlaps,
    uncovered,
)
from rxmap.verify.values import AREA_ROUNDING, near, quantity

KEEP_OUT = "keep_out.geojson"
ZONES = "zones.geojson"
CHECK_STRIP = "check strip"
KEEP_OUT_MARGIN = 1e-6  # [degree] about a decimetre
TEXTS = ("unit", "product", "vol_unit", "target", "reason")
NUMBERS = ("rate", "volume", "pressure", "p_over", "area_ha")
MASS_BALANCE = 1e-4  # relative, design rule


def field_ground(result: Folder) -> BaseGeometry:
    """Ground of the field: what the zones cover, the only layer that every result has."""
    return shapely.union_all(result.layer(ZONES).geometries)


def covers_once(result: Folder) -> Iterator[str]:
    """Hold each layer against the field: a valid coverage by single polygons."""
    field = field_ground(result)
    for _, layer in result.layers:
        for feature in layer.features:
            if feature.geometry.geom_type != "Polygon":
                yield f"{feature.where}: is a {feature.geometry.geom_type}; should be one single polygon"
        yield from coverage_faults(layer, field, float(result.summary["field"]["area_ha"]))


def coverage_faults(layer: Layer, field: BaseGeometry, field_ha: float) -> Iterator[str]:
    """Overlaps, gaps, edges that do not match, and an area that is not the field's."""
    if not all(geometry.is_valid for geometry in layer.geometries):
        yield f"{layer.name}: has geometries that are not valid; a coverage cannot be proved"
        return
    yield from overlaps(layer.features)
    yield from broken_edges(layer.features)
    yield from uncovered(layer.features, field)
    total = sum(area_m2(geometry) for geometry in layer.geometries) / M2_PER_HA
    if abs(total - field_ha) > CLOSURE * field_ha:
        yield f"{layer.name}: areas add up to {total:.5f} ha; should be the field's {field_ha:.5f} ha"


def attributes_right(result: Folder) -> Iterator[str]:
    """Look for every attribute of each feature, its kind and its bounds."""
    zones = {feature.properties["zone"] for feature in result.layer(ZONES).features} | {0}
    targets = {target["name"] for target in result.summary["targets"]}
    for each, layer in result.layers:
        products = {used["name"] for used in each["products"]}
        for feature in layer.features:
            for line in _kinds(feature.properties) or _values(feature, zones, targets, products):
                yield f"{feature.where}: {line}"


def _kinds(values: Any) -> list[str]:
    missing = [key for key in ("zone", "treat", "benefit", *NUMBERS, *TEXTS) if key not in values]
    if missing:
        return [f"{key} is missing" for key in missing]
    texts = [key for key in TEXTS if not isinstance(values[key], str)]
    numbers = [key for key in NUMBERS if isinstance(values[key], bool) or not isinstance(values[key], int | Decimal)]
    return [f"{key} is {shown(values[key])}; should be text" for key in texts] + [
        f"{key} is {shown(values[key])}; should be a number" for key in numbers
    ]


def _values(feature: Feature, zones: set[Any], targets: set[Any], products: set[Any]) -> Iterator[str]:
    values = feature.properties
    treat = values["treat"]
    if isinstance(treat, bool) or treat not in (0, 1):
        yield f"treat is {shown(treat)}; should be 0 or 1"
    for key in ("rate", "volume"):
        if (values[key] > 0) != (treat == 1) or values[key] < 0:
            yield f"{key} is {values[key]} where treat is {treat}; should be 0 exactly where treat is 0"
    if not 0 <= values["p_over"] <= 1:
        yield f"p_over is {values['p_over']}; should be between 0 and 1"
    for key, known in (("zone", zones), ("product", products), ("target", targets)):
        if values[key] not in known:
            yield f"{key} is {shown(values[key])}; should be one of {', '.join(sorted(map(str, known)))}"
    hectares = area_m2(feature.geometry) / M2_PER_HA
    if not near(values["area_ha"], hectares, 4, relative=1e-6):
        yield f"area_ha is {values['area_ha']}; should be {hectares:.4f}"


def keeps_out(result: Folder) -> Iterator[str]:
    """Look for treated ground inside a keep-out with its setback, or outside the field."""
    field = field_ground(result)
    kept = result.layer(KEEP_OUT)
    for _, layer in result.layers:
        for feature in _treated(layer):
            for other in kept.features:
                inside = area_m2(shapely.intersection(feature.geometry, other.geometry))
                if inside > SLIVER_M2:
                    yield (
                        f"{feature.where}: {inside:.3f} m2 of treated ground in the keep-out "
                        f"{shown(other.properties.get('reason'))}; should be none"
                    )
            outside = beyond_m2(feature.geometry, field)
            if outside > SLIVER_M2:
                yield f"{feature.where}: {outside:.3f} m2 of treated ground outside the field; should be none"


def setbacks_kept(result: Folder) -> Iterator[str]:
    """Hold each keep-out against the setback that the plan asks for."""
    asked = {section["reason"]: quantity(section["setback"]).to("m") for section in result.plan.get("keep_out") or ()}
    for feature in result.layer(KEEP_OUT).features:
        found = feature.properties["setback_m"]
        wanted = asked.get(feature.properties["reason"], 0.0)
        if float(found) < wanted - 0.005:
            yield f"{feature.where}: setback {found} m; should be at least the plan's {wanted:g} m"


def _treated(layer: Layer) -> list[Feature]:
    return [feature for feature in layer.features if feature.properties["treat"] == 1]


def totals_agree(result: Folder) -> Iterator[str]:
    """Add up treated area, share, polygons, product and loads, and hold the summary against them."""
    for each, layer in result.layers:
        where = f"{SUMMARY}: pass {shown(each['name'])}"
        treated = sum(area_m2(feature.geometry) for feature in _treated(layer)) / M2_PER_HA
        if not near(each["treated_ha"], treated, 4, absolute=AREA_ROUNDING * len(_treated(layer))):
            yield f"{where}: treated_ha {each['treated_ha']}; {layer.name} has {treated:.4f}"
        share = treated / float(result.summary["field"]["area_ha"])
        if not near(each["share"], share, 4, absolute=1e-5):
            yield f"{where}: share {each['share']}; {layer.name} has {share:.4f} of the field"
        if each["polygons"] != len(layer.features):
            yield f"{where}: polygons {each['polygons']}; {layer.name} has {len(layer.features)}"
        for line in (*_product_totals(each, layer), *_loads(each, layer, result.plan.get("machine"))):
            yield f"{where}: {line}"


def _product_totals(each: Any, layer: Layer) -> Iterator[str]:
    treated = _treated(layer)
    for used in each["products"]:
        wanted = sum(_amount(feature, used) for feature in treated)
        slack = MASS_BALANCE * wanted + _rate_times(AREA_ROUNDING * len(treated), used, used)
        if not near(used["total"], wanted, 3, absolute=slack):
            name = shown(used["name"])
            yield f"total of {name} {used['total']} {used['total_unit']}; rate x area in {layer.name} is {wanted:.6g}"


def _amount(feature: Feature, used: Any) -> float:
    """Amount of a product on one feature; a product beside the first keeps its own rate."""
    own = feature.properties["product"] == used["name"]
    return _rate_times(area_m2(feature.geometry) / M2_PER_HA, feature.properties if own else used, used)


def _rate_times(hectares: float, rated: Any, used: Any) -> float:
    rate, unit = float(rated["rate"]), rated["unit"]
    return convert(rate * convert(hectares, "ha", denominator(unit)), numerator(unit), used["total_unit"])


def _loads(each: Any, layer: Layer, machine: Any) -> Iterator[str]:
    spray = sum(
        convert(float(feature.properties["volume"]), feature.properties["vol_unit"], "L/ha")
        * float(feature.properties["area_ha"])
        for feature in layer.features
    )
    reserve = quantity(machine["reserve"]).to("L") if machine.get("reserve") else 0.0
    least = math.ceil(spray / (quantity(machine["tank"]).to("L") - reserve) * (1 - MASS_BALANCE))
    if each["loads"] < least:
        yield f"loads {each['loads']}; {spray:.6g} L of spray need at least {least}"


def machine_limits(result: Folder) -> Iterator[str]:
    """Count the polygons and vertices that the machine's terminal must hold."""
    limits = (result.plan.get("machine") or {}).get("limits") or {}
    for _, layer in result.layers:
        vertices = sum(shapely.get_num_coordinates(layer.geometries))
        for word, number in (("polygons", len(layer.features)), ("vertices", vertices)):
            if limits.get(word) and number > limits[word]:
                yield f"{layer.name}: {number} {word}; the machine holds {limits[word]}"


def decisions_kept(result: Folder) -> Iterator[str]:
    """Hold the files of a pass against its decision: no file for `none`, one part for each piece for `all`."""
    for each in result.summary["passes"]:
        folder = f"passes/{each['slug']}/"
        if each["decision"] == "none":
            if each["files"] is not None:
                yield f"{SUMMARY}: pass {shown(each['name'])}: has files with decision none; should be null"
            for name in (name for name in result.names if name.startswith(folder)):
                yield f"{name}: belongs to a pass with decision none; should not be there"
    for each, layer in result.layers:
        if each["decision"] == "all":
            yield from _whole(result, layer)


def _whole(result: Folder, layer: Layer) -> Iterator[str]:
    treated = [feature.geometry for feature in _treated(layer)]
    merged = shapely.union_all(treated)
    pieces = len(merged.geoms) if isinstance(merged, MultiPolygon) else 1
    if len(treated) != pieces:
        yield f"{layer.name}: {len(treated)} treated parts with decision all; should be {pieces}, one for each piece"
    # The layer cuts a keep-out a little wider, so that rounding never treats one.
    kept = shapely.buffer(shapely.union_all(result.layer(KEEP_OUT).geometries), KEEP_OUT_MARGIN)
    least = CLOSURE * M2_PER_HA * float(result.summary["field"]["area_ha"])
    for feature in layer.features:
        if feature.properties["treat"] == 0 and feature.properties["reason"] != CHECK_STRIP:
            left = beyond_m2(feature.geometry, kept)
            if left > least:
                yield f"{feature.where}: {left:.1f} m2 untreated outside the keep-outs; decision all treats them"
