"""The KML of a pass against its GeoJSON: the same polygons, each with its rate and area.

References
----------
OGC 07-147r2 (2008), KML 2.2: 9.1 (name, description), 10.8 (Polygon, LinearRing), 16.10 (coordinates).
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from typing import Any

from rxmap.errors import shown
from rxmap.verify.crew import zone_files
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import DECIMALS, Feature, Layer
from rxmap.verify.markup import parsed
from rxmap.verify.pair import outlines

KML = "{http://www.opengis.net/kml/2.2}"
TOLD = {"treat": None, "rate": "unit", "volume": "vol_unit", "area_ha": None}  # attribute -> that of its unit


def kml_equal(result: Folder) -> Iterator[str]:
    """Hold each KML against its GeoJSON: number and place of polygons, rates and areas."""
    for files, layer in zone_files(result):
        if "kml" in files:
            yield from _one(result, files["kml"], layer)


def _one(result: Folder, name: str, layer: Layer) -> Iterator[str]:
    found = parsed(result.bytes(name), name).findall(f".//{KML}Placemark")
    if len(found) != len(layer.features):
        yield f"{name}: {len(found)} polygons; {layer.name} has {len(layer.features)}"
        return
    for number, (placemark, feature) in enumerate(zip(found, layer.features, strict=True), 1):
        where = f"{name}: placemark {number}"
        if outlines(_rings(placemark)) != outlines(feature.rings):
            yield f"{where}: coordinates differ from {feature.where}; should be the same to {DECIMALS} decimals"
        for line in _words(placemark, feature):
            yield f"{where}: {line}"


def _rings(placemark: Any) -> list[list[Any]]:
    polygons = placemark.findall(f".//{KML}Polygon")
    return [
        [_ring(line.text or "") for line in polygon.iter(f"{KML}coordinates")] for polygon in polygons
    ]  # the outer one comes first


def _ring(text: str) -> list[tuple[float, float]]:
    return [(float(place.split(",")[0]), float(place.split(",")[1])) for place in text.split()]


def _words(placemark: Any, feature: Feature) -> Iterator[str]:
    """Hold name and description against the attributes of a feature."""
    values = feature.properties
    name, told = placemark.findtext(f"{KML}name") or "", html.unescape(placemark.findtext(f"{KML}description") or "")
    title = f"{float(values['rate']):.10g} {values['unit']}" if values["treat"] else "not treated: "
    if not name.startswith(title) or (values["treat"] and name != title):
        yield f"name is {shown(name)}; should be {shown(title)}"
    for key, unit in TOLD.items():
        number = re.search(rf"^{key}: (-?[0-9.e+-]+){' (.+)' if unit else ''}$", told, re.MULTILINE)
        wanted = (float(values[key]), values[unit] if unit else None)
        if number is None or (float(number[1]), number[2] if unit else None) != wanted:
            yield f"{key} is {shown(number[0] if number else None)}; {feature.where} has {values[key]}"
