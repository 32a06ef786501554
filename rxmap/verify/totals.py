"""The figures of a pass against its layer: area, product, spray volume, and what the machine can hold."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import shapely

from rxmap.errors import shown
from rxmap.units import convert, denominator, numerator
from rxmap.verify.crew import usable_l
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Feature, Layer
from rxmap.verify.ground import M2_PER_HA, area_m2, perimeter_m
from rxmap.verify.prescription import treated
from rxmap.verify.values import AREA_ROUNDING, near

MASS_BALANCE = 1e-4  # relative, design rule
AREA_3 = 5e-4  # [ha] of an area written with three decimals
RIM = 0.4  # [m] along the edge of treated ground: a quarter of the largest cell that the simulation counts in


def totals_agree(result: Folder) -> Iterator[str]:
    """Add up treated area, share, polygons, product and loads, and hold the summary against them."""
    for each, layer in result.layers:
        where = f"{SUMMARY}: pass {shown(each['name'])}"
        sprayed = sum(area_m2(feature.geometry) for feature in treated(layer)) / M2_PER_HA
        if not near(each["treated_ha"], sprayed, 4, absolute=AREA_ROUNDING * len(treated(layer))):
            yield f"{where}: treated_ha {each['treated_ha']}; {layer.name} has {sprayed:.4f}"
        field = float(result.summary["field"]["area_ha"])
        share, slack = min(sprayed / field, 1.0), AREA_ROUNDING * (len(treated(layer)) + 1) / field
        if not near(each["share"], share, 4, absolute=1e-5 + slack):
            yield f"{where}: share {each['share']}; {layer.name} has {share:.4f} of the field"
        if each["polygons"] != len(layer.features):
            yield f"{where}: polygons {each['polygons']}; {layer.name} has {len(layer.features)}"
        for line in (
            *_rates_told(each, layer),
            *_product_totals(each, layer),
            *_loads(each, layer, result.plan.get("machine")),
        ):
            yield f"{where}: {line}"


def _rates_told(each: Any, layer: Layer) -> Iterator[str]:
    """Hold the summary's rate of a product against the full one in the layer."""
    for used in each["products"]:
        rows = [one.properties for one in treated(layer) if one.properties["product"] == used["name"]]
        full, units = max((row["rate"] for row in rows), default=None), {row["unit"] for row in rows}
        if rows and (full != used["rate"] or units != {used["unit"]}):
            told = f"{used['rate']} {used['unit']}"
            yield f"rate of {shown(used['name'])} {told}; {layer.name} has {full} {', '.join(sorted(units))}"


def _product_totals(each: Any, layer: Layer) -> Iterator[str]:
    parts = treated(layer)
    for used in each["products"]:
        wanted = sum(_amount(feature, used) for feature in parts)
        slack = MASS_BALANCE * wanted + _rate_times(AREA_ROUNDING * len(parts), used, used)
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
    least = math.ceil(spray / usable_l(machine) * (1 - MASS_BALANCE))
    if each["loads"] < least:
        yield f"loads {each['loads']}; {spray:.6g} L of spray need at least {least}"


def applied_plausible(result: Folder) -> Iterator[str]:
    """Hold what the machine will apply against what is planned: areas that add up, and none above their whole."""
    for each, layer in result.layers:
        told = each.get("as_applied")
        if told is None:
            continue
        where, planned = f"{SUMMARY}: pass {shown(each['name'])}: as_applied", float(each["treated_ha"])
        areas = {key: float(value) for key, value in told.items() if key.endswith("_ha")}
        yield from (f"{where}.{key} is {area}; should be 0 or more" for key, area in areas.items() if area < 0)
        wanted = planned - areas["missed_ha"] + areas["off_target_ha"]
        rim = RIM * sum(perimeter_m(feature.geometry) for feature in treated(layer)) / M2_PER_HA
        if abs(areas["applied_ha"] - wanted) > rim + 3 * AREA_3:
            yield f"{where}.applied_ha is {areas['applied_ha']}; planned - missed + off target is {wanted:.3f}"
        for parts, whole in (
            (("setback_ha", "outside_ha"), areas["off_target_ha"]),
            (("over_ha", "under_ha"), areas["applied_ha"]),
            (("missed_ha",), planned + rim),
        ):
            for key in parts:
                if areas[key] > whole + 2 * AREA_3:
                    yield f"{where}.{key} is {areas[key]}; should be at most {whole:.3f}"
        if not 0 <= told["heading"] < 360:
            yield f"{where}.heading is {told['heading']}; should be 0 or more and below 360"
        if told["product_difference"] < -1:
            yield f"{where}.product_difference is {told['product_difference']}; less than nothing cannot be applied"


def machine_limits(result: Folder) -> Iterator[str]:
    """Count the polygons and vertices that the machine's terminal must hold."""
    limits = (result.plan.get("machine") or {}).get("limits") or {}
    for _, layer in result.layers:
        vertices = sum(shapely.get_num_coordinates(layer.geometries))
        for word, number in (("polygons", len(layer.features)), ("vertices", vertices)):
            if limits.get(word) and number > limits[word]:
                yield f"{layer.name}: {number} {word}; the machine holds {limits[word]}"
