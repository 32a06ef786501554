"""KML: the placemarks of a document as GeoJSON has features; overlays and styles are left aside.

References
----------
OGC 07-147r2 (2008), KML 2.2, clauses 9.11 (Placemark), 10 (geometries), 16.10 (coordinates).
"""

from __future__ import annotations

from typing import Any

from rxmap.errors import InputError
from rxmap.read.markup import Element, children, local, number_or_text, root_of, text, within

LINKS = frozenset({"NetworkLink", "NetworkLinkControl"})
SHAPES = frozenset({"Point", "LineString", "LinearRing", "Polygon", "MultiGeometry"})
FOREIGN = frozenset({"Model", "Track", "MultiTrack"})  # of the schema and its best-known extension; not plain shapes


def load(name: str, data: bytes) -> list[dict[str, Any]]:
    """List the placemarks of a document, in WGS84; their name is the one property.

    Raises
    ------
    InputError
        If it is no KML, or links to other files: a link is never followed.
    """
    root = root_of(name, data, "kml")
    elements = list(within(root))
    if any(local(element) in LINKS for element in elements):
        raise InputError(f"{name}: links to another file, which is not followed. Export the layer itself.")
    try:
        return [
            {"geometry": _geometry(element), "properties": {"name": text(element, "name")}}
            for element in elements
            if local(element) == "Placemark"
        ]
    except RecursionError:
        raise InputError(f"{name}: nested too deeply for KML. Export it again.") from None


def _geometry(parent: Element) -> dict[str, Any] | None:
    """GeoJSON of what a placemark or a collection holds; what is no plain shape keeps its name."""
    shapes = [_shape(child) for child in parent if local(child) in SHAPES | FOREIGN]
    return shapes[0] if len(shapes) == 1 else _collected(shapes)


def _shape(element: Element) -> dict[str, Any] | None:
    kind = local(element)
    if kind == "MultiGeometry":
        return _geometry(element)
    if kind == "Point":
        positions = _positions(element)
        return {"type": kind, "coordinates": positions[0] if len(positions) == 1 else positions}
    if kind in ("LineString", "LinearRing"):
        return {"type": "LineString", "coordinates": _positions(element)}
    if kind == "Polygon":
        outer, inner = _rings(element, "outerBoundaryIs"), _rings(element, "innerBoundaryIs")
        return {"type": kind if len(outer) == 1 else f"{kind} of {len(outer)} outlines", "coordinates": outer + inner}
    return {"type": kind, "coordinates": [kind]}


def _rings(polygon: Element, name: str) -> list[list[Any]]:
    return [_positions(ring) for boundary in children(polygon, name) for ring in children(boundary, "LinearRing")]


def _positions(element: Element) -> list[list[float | str]]:
    """Tuples between spaces, numbers between commas; a space within a tuple would shift it, and shows."""
    return [[number_or_text(one) for one in written.split(",")] for written in text(element, "coordinates").split()]


def _collected(shapes: list[dict[str, Any] | None]) -> dict[str, Any] | None:
    """Several shapes as one of several parts, if they are of one kind."""
    if not shapes or None in shapes:
        return None
    found = [shape for shape in shapes if shape is not None]
    kinds = {shape["type"].removeprefix("Multi") for shape in found}
    if len(kinds) > 1:
        return {"type": "MultiGeometry of several kinds", "coordinates": [found]}
    parts = [
        part
        for shape in found
        for part in (shape["coordinates"] if shape["type"].startswith("Multi") else [shape["coordinates"]])
    ]
    return {"type": f"Multi{kinds.pop()}", "coordinates": parts}
