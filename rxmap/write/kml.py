"""The prescription layer as KML, for globes, telephones and planners of flights.

It has the ground and, in words, the rate; a machine that doses takes another file. Written with
ElementTree, so that text stays text; what a description holds is escaped once more, because
viewers read it as HTML.

References
----------
OGC 07-147r2 (2008), KML 2.2: 9.1 (name, description), 10.8 (Polygon, LinearRing), 12.2 (Style),
16.9 (colours aabbggrr), 16.10 (coordinates). W3C (2008), XML 1.0: 2.2 (characters).
"""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

import defusedxml.ElementTree
import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from rxmap.errors import CheckError
from rxmap.write.files import write_bytes
from rxmap.write.geojson import DECIMALS, Feature, one_polygon

NAMESPACE = "http://www.opengis.net/kml/2.2"
# Fill and line of each class [aabbggrr]: the fill lets the ground show through; told apart in grey as well.
STYLES = {
    "treated": ("b3786e00", "ff343b0d"),
    "untreated": ("66f5fafb", "ff5f584a"),
    "keep-out": ("b3454a4e", "ff000000"),
}
UNITS = {"rate": "unit", "volume": "vol_unit"}  # attribute -> the attribute that holds its unit
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Element = ET.Element


def write_kml(path: Path, features: Sequence[Feature]) -> None:
    """Write one placemark for each polygon and read them back with two parsers.

    Parameters
    ----------
    path : Path
        The ``.kml``.
    features : sequence of Feature
        Polygons with the attributes of a prescription layer.

    Raises
    ------
    CheckError
        If a geometry is not one valid polygon, or the file does not hold what was meant.
    """
    polygons = [
        orient(one_polygon(f"{path.name}: feature {number}", one)) for number, one in enumerate(features, start=1)
    ]
    root = Element("kml", xmlns=NAMESPACE)
    document = ET.SubElement(root, "Document")
    _text(document, "name", path.stem)
    _text(document, "description", "Rates are in words, each with its unit; a machine that doses takes another file.")
    for style, colours in STYLES.items():
        _style(document, style, *colours)
    for feature, polygon in zip(features, polygons, strict=True):
        _placemark(document, feature, polygon)
    ET.indent(root, " ")
    write_bytes(path, ET.tostring(root, encoding="UTF-8", xml_declaration=True) + b"\n")
    _check(path, features, polygons)


def title(feature: Feature) -> str:
    """Name a part: its rate with the unit, or why it has none.

    Examples
    --------
    >>> title(Feature(shapely.Point(), {"treat": 1, "rate": 9.0, "unit": "floz/acre", "reason": "pays"}))
    '9 floz/acre'
    """
    said = feature.properties
    return f"{said['rate']:.10g} {said['unit']}" if said["treat"] else f"not treated: {_xml_text(said['reason'])}"


def style_of(feature: Feature) -> str:
    """Tell the class of a part: ``treated``, ``untreated`` or ``keep-out``, whose zone is 0."""
    if feature.properties["treat"]:
        return "treated"
    return "untreated" if feature.properties["zone"] else "keep-out"


def description(feature: Feature) -> str:
    """Tell all attributes in lines, units beside their numbers; an unknown one is left out."""
    said = feature.properties
    lines = []
    for name, value in said.items():
        if value is not None and name not in UNITS.values():
            unit = f" {said[UNITS[name]]}" if name in UNITS else ""
            lines.append(f"{name}: {value}{unit}")
    return html.escape(_xml_text("\n".join(lines)), quote=False)


def _xml_text(value: object) -> str:
    """Text without the characters that XML cannot hold; a carriage return would come back as a line end."""
    return _NO_XML.sub(" ", str(value)).replace("\r", " ")


def _text(parent: Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text


def _style(document: Element, name: str, fill: str, line: str) -> None:
    style = ET.SubElement(document, "Style", id=name)
    line_style = ET.SubElement(style, "LineStyle")
    _text(line_style, "color", line)
    _text(line_style, "width", "2")
    _text(ET.SubElement(style, "PolyStyle"), "color", fill)


def _placemark(document: Element, feature: Feature, polygon: Polygon) -> None:
    placemark = ET.SubElement(document, "Placemark")
    _text(placemark, "name", title(feature))
    _text(placemark, "description", description(feature))
    _text(placemark, "styleUrl", f"#{style_of(feature)}")
    shape = ET.SubElement(placemark, "Polygon")
    _text(shape, "tessellate", "1")  # edges follow the ground
    for ring, tag in [
        (polygon.exterior, "outerBoundaryIs"),
        *((hole, "innerBoundaryIs") for hole in polygon.interiors),
    ]:
        positions = " ".join(f"{lon:.{DECIMALS}f},{lat:.{DECIMALS}f}" for lon, lat in ring.coords)
        _text(ET.SubElement(ET.SubElement(shape, tag), "LinearRing"), "coordinates", positions)


def _check(path: Path, features: Sequence[Feature], polygons: Sequence[Polygon]) -> None:
    """Compare the words with what a parser of XML reads, and the places with what GDAL reads."""
    import pyogrio.raw
    from pyogrio.errors import DataLayerError, DataSourceError

    try:
        root = defusedxml.ElementTree.fromstring(path.read_bytes(), forbid_dtd=True)
        _, _, geometry, _ = pyogrio.raw.read(path, columns=[])
    except (ET.ParseError, DataSourceError, DataLayerError) as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    found = root.findall(f".//{{{NAMESPACE}}}Placemark")
    if not len(found) == len(geometry) == len(polygons):
        raise CheckError(f"{path.name}: {len(polygons)} features were meant, {len(found)} stand in the file.")
    places = shapely.force_2d(shapely.from_wkb(geometry))
    for number, (element, feature) in enumerate(zip(found, features, strict=True), start=1):
        words = [element.findtext(f"{{{NAMESPACE}}}{tag}") for tag in ("name", "description", "styleUrl")]
        if words != [title(feature), description(feature), f"#{style_of(feature)}"]:
            raise CheckError(f"{path.name}: feature {number}: the words are not those that were meant.")
        if not np.array_equal(*(shapely.get_coordinates(one) for one in (places[number - 1], polygons[number - 1]))):
            raise CheckError(f"{path.name}: feature {number}: the coordinates are not those that were meant.")
