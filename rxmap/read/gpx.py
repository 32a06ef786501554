"""GPX: waypoints as GeoJSON has features; the columns of a stop stand in their extensions.

References
----------
Topografix (2004), GPX 1.1 schema, types ``wptType`` and ``extensionsType`` (from memory).
"""

from __future__ import annotations

import re
from typing import Any

from rxmap.errors import Faults, InputError, shown
from rxmap.read.columns import KNOWN, canonical
from rxmap.read.markup import Element, children, local, number_or_text, root_of, text, within

# XML Schema part 2 (2004), 3.2.7: a dateTime; the day is the one written, whatever the offset
_TIME = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?(?:Z|[+-][0-9]{2}:[0-9]{2})?")


def load(name: str, data: bytes) -> list[dict[str, Any]]:
    """List the waypoints of a document, in WGS84.

    A waypoint's name is the stop, its time the date, and every innermost element of its extensions
    a column under its local name.

    Raises
    ------
    InputError
        If it is no GPX 1.1, holds no waypoint, or one waypoint holds a column twice.
    """
    root = root_of(name, data, "gpx")
    if root.get("version") != "1.1":
        raise InputError(f"{name}: GPX of version {shown(root.get('version'))}. Export it as GPX 1.1.")
    waypoints = children(root, "wpt")
    if not waypoints:
        raise InputError(f"{name}: holds no waypoint. Mark each stop as a waypoint, or export the stops as CSV.")
    faults = Faults()
    features = [_feature(f"{name}: waypoint {n}", one, faults) for n, one in enumerate(waypoints, start=1)]
    faults.raise_if_any()
    return features


def _feature(place: str, waypoint: Element, faults: Faults) -> dict[str, Any]:
    position = [number_or_text(waypoint.get("lon")), number_or_text(waypoint.get("lat"))]
    columns: dict[str, str] = {}
    for column, value in _columns(waypoint):
        if column not in columns:
            columns[column] = value
        elif canonical(column) in KNOWN:
            faults.add(f"{place}, column {column}: stands twice. Write one waypoint for each target, of the same name.")
        else:
            columns[column] = f"{columns[column]}; {value}"
    return {"geometry": {"type": "Point", "coordinates": position}, "properties": columns}


def _columns(waypoint: Element) -> list[tuple[str, str]]:
    own = [("stop", text(waypoint, "name")), ("date", _day(text(waypoint, "time")))]
    extensions = [element for group in children(waypoint, "extensions") for element in within(group)]
    leaves = [(local(element), (element.text or "").strip()) for element in extensions if len(element) == 0]
    return [pair for pair in own if pair[1]] + leaves


def _day(written: str) -> str:
    match = _TIME.fullmatch(written)
    return match[1] if match else written
