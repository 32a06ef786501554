"""The prescription layers: the whole field once, every attribute in its place, nothing treated that must not be."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import shapely
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Feature, Layer
from rxmap.verify.ground import (
    CLOSURE,
    M2_PER_HA,
    SLIVER_M2,
    area_m2,
    beyond_m2,
    broken_edges,
    moved_m2,
    overlaps,
    pieces_beyond_m2,
    uncovered,
)
from rxmap.verify.values import near, quantity

KEEP_OUT = "keep_out.geojson"
ZONES = "zones.geojson"
CHECK_STRIP = "check strip"
GIVEN_M2 = 1.0  # a scrap of less between a keep-out and an edge goes to the keep-out; design rule of the coverage
ZONE_SLACK = 0.8  # cells of a zone against its drawn, simplified outline, where two zones hold about the same
KEEP_OUT_MARGIN = 1e-6  # [degree] about a decimetre
TEXTS = ("unit", "product", "vol_unit", "target", "reason")
NUMBERS = ("rate", "volume", "pressure", "p_over", "area_ha")


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
    # The field's area has four decimals, and points that noding adds to outer edges move when they are rounded.
    if abs(total - field_ha) > CLOSURE * field_ha + 0.00005 + moved_m2(field) / M2_PER_HA:
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
    counted = [key for key in ("benefit", *NUMBERS) if key != "benefit" or values[key] is not None]
    numbers = [key for key in counted if isinstance(values[key], bool) or not isinstance(values[key], int | Decimal)]
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
    for each, layer in result.layers:
        for feature in treated(layer):
            for other in kept_from(each, kept):
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
    """Hold each keep-out against the setbacks of the plan and of the labels that go out."""
    asked = {section["reason"]: quantity(section["setback"]).to("m") for section in result.plan.get("keep_out") or ()}
    kept = result.layer(KEEP_OUT)
    for each in result.passes:
        going = {used["name"] for used in each["products"]}
        labels = [product["label"] for product in result.plan.get("product") or () if product["name"] in going]
        least = max((quantity(label["setback"]).to("m") for label in labels if label.get("setback")), default=0.0)
        for feature in kept_from(each, kept):
            found = feature.properties["setback_m"]
            wanted = max(asked.get(feature.properties["reason"], 0.0), least)
            if float(found) < wanted - 0.005:  # written with two decimals
                yield f"{feature.where}: setback {found} m; should be at least {wanted:g} m, by the plan and the labels"


def kept_from(each: Any, kept: Layer) -> list[Feature]:
    """Keep-outs that hold for a pass: its own setbacks may differ from those of another product."""
    return [feature for feature in kept.features if each["slug"] in str(feature.properties.get("passes")).split(",")]


def zones_named(result: Folder) -> Iterator[str]:
    """Hold the zone of each part against the zones and the keep-outs on its ground."""
    zones = {feature.properties["zone"]: feature.geometry for feature in result.layer(ZONES).features}
    for each, layer in result.layers:
        kept = _kept_ground(each, result)
        for feature in layer.features:
            named = feature.properties["zone"]
            if named == 0:
                left = max(pieces_beyond_m2(feature.geometry, kept), default=0.0)
                if left > GIVEN_M2:
                    yield f"{feature.where}: zone 0, {left:.1f} m2 of it outside {KEEP_OUT}; should be a keep-out"
            elif named in zones:
                shares = {zone: area_m2(shapely.intersection(feature.geometry, zones[zone])) for zone in zones}
                most = max(shares, key=lambda zone: shares[zone])
                if shares[named] < ZONE_SLACK * shares[most]:
                    yield f"{feature.where}: zone {named}; zone {most} holds most of it"


def _kept_ground(each: Any, result: Folder) -> BaseGeometry:
    """Keep-outs of a pass, a little wider, because a layer cuts them so that rounding never treats one."""
    geometries = [feature.geometry for feature in kept_from(each, result.layer(KEEP_OUT))]
    return shapely.buffer(shapely.union_all(geometries), KEEP_OUT_MARGIN)


def treated(layer: Layer) -> list[Feature]:
    """Features of a layer that the machine sprays."""
    return [feature for feature in layer.features if feature.properties["treat"] == 1]


def decisions_kept(result: Folder) -> Iterator[str]:
    """Hold the files of a pass against its decision: no file for `none`, one part for each piece for `all`."""
    for each in result.summary["passes"]:
        folder = f"passes/{each['slug']}/"
        if each["decision"] == "none":
            if each["files"] is not None:
                yield f"{SUMMARY}: pass {shown(each['name'])}: has files with decision none; should be null"
            figures = {key: each[key] for key in ("treated_ha", "share", "polygons", "loads")}
            figures |= {f"total of {used['name']}": used["total"] for used in each["products"]}
            for key in (key for key, number in figures.items() if number != 0):
                yield f"{SUMMARY}: pass {shown(each['name'])}: {key} is {figures[key]} with decision none; should be 0"
            for name in (name for name in result.names if name.startswith(folder)):
                yield f"{name}: belongs to a pass with decision none; should not be there"
    for each, layer in result.layers:
        if each["decision"] == "all":
            yield from _whole(each, result, layer)


def _whole(each: Any, result: Folder, layer: Layer) -> Iterator[str]:
    parts = [feature.geometry for feature in treated(layer)]
    merged = shapely.union_all(parts)
    pieces = len(merged.geoms) if isinstance(merged, MultiPolygon) else 1
    if len(parts) != pieces:
        yield f"{layer.name}: {len(parts)} treated parts with decision all; should be {pieces}, one for each piece"
    kept = _kept_ground(each, result)
    least = CLOSURE * M2_PER_HA * float(result.summary["field"]["area_ha"])
    for feature in layer.features:
        if feature.properties["treat"] == 0 and feature.properties["reason"] != CHECK_STRIP:
            left = beyond_m2(feature.geometry, kept)
            if left > least:
                yield f"{feature.where}: {left:.1f} m2 untreated outside the keep-outs; decision all treats them"
