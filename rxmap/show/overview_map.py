"""All fields on one map: a drawing inside the page, north up, that needs neither tiles nor a script."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.grid import FloatArray
from rxmap.show import text
from rxmap.show.markup import Markup, tag
from rxmap.show.overview_rows import FieldLine

WIDTH, TALLEST, MARGIN = 1000.0, 700.0, 14.0  # of the drawing, in its own units
DOT = 3.5  # radius of the dot by which a field is found however small it is drawn
COARSE = 0.4  # an outline may move by this much
METRES = 6_371_008.8 * math.pi / 180  # of a degree, on a sphere of the mean radius (IUGG, from memory)
LEAST = 1e-4  # [degree] extent of a map of one small field, about 10 m
ROW = "row-"  # before the id of a row: a field may be called as a part of the page is
SHADES = {"map": "m", "all": "a", "none": "n", None: "o"}  # classes of the style sheet


def overview_map(lines: Sequence[FieldLine]) -> tuple[str, float]:
    """Draw the outline of each field, in the colour of its decision, with a link to its row.

    Parameters
    ----------
    lines : sequence of FieldLine
        In the order of the table; at least one.

    Returns
    -------
    drawing : str
        The element.
    width : float [m]
        Of the ground from its left to its right edge, in the middle between north and south.
    """
    west, south, east, north = _bounds(lines)
    middle = math.cos(math.radians((south + north) / 2))
    scale = min(
        (WIDTH - 2 * MARGIN) / max((east - west) * middle, LEAST), (TALLEST - 2 * MARGIN) / max(north - south, LEAST)
    )
    height = (north - south) * scale + 2 * MARGIN
    left = MARGIN + max(0.0, (WIDTH - 2 * MARGIN - (east - west) * middle * scale) / 2)

    def placed(lonlat: FloatArray) -> FloatArray:
        x = left + (_unwound(lonlat[:, 0], west) - west) * middle * scale
        return np.column_stack([x, MARGIN + (north - lonlat[:, 1]) * scale])

    marks = [_mark(line, shapely.transform(line.outline, placed)) for line in lines]
    drawing = tag(
        "svg",
        *marks,
        viewBox=f"0 0 {WIDTH:.0f} {max(height, 120.0):.0f}",
        id="fields",
        role="img",
        aria_label="All fields, north up; every field stands in the table below.",
    )
    return drawing, WIDTH / scale * METRES


def _bounds(lines: Sequence[FieldLine]) -> tuple[float, float, float, float]:
    """Box of all fields; where they lie on both sides of the 180th meridian, eastwards across it."""
    boxes = np.array([line.outline.bounds for line in lines])
    west, south, east, north = boxes[:, 0].min(), boxes[:, 1].min(), boxes[:, 2].max(), boxes[:, 3].max()
    if east - west > 180.0:
        west, east = boxes[boxes[:, 0] > 0, 0].min(), boxes[boxes[:, 0] <= 0, 2].max() + 360.0
    return float(west), float(south), float(east), float(north)


def _unwound(longitude: FloatArray, west: float) -> FloatArray:
    return np.where(longitude < west - 1e-9, longitude + 360.0, longitude)


def _mark(line: FieldLine, shape: BaseGeometry) -> str:
    centre = shape.representative_point()
    outline = shape.simplify(COARSE)
    rings = [ring for part in getattr(outline, "geoms", [outline]) for ring in (part.exterior, *part.interiors)]
    path = "".join(_ring(np.asarray(ring.coords)[:-1]) for ring in rings)
    said = f"{text.safe(line.name)}: {line.decision or 'no product'}"
    dot = Markup(f'<circle cx="{centre.x:.0f}" cy="{centre.y:.0f}" r="{DOT}"/>')
    link = {"href": f"#{ROW}{line.slug}", "class_": SHADES[line.decision], "tabindex": "-1"}
    return tag("a", tag("title", said), tag("path", d=path), dot, **link)


def _ring(points: FloatArray) -> str:
    """Write a ring as steps from point to point, in tenths."""
    tenths = np.round(points * 10).astype(int)
    steps = np.diff(tenths, axis=0)
    moves = "".join(f"l{x / 10:g} {y / 10:g}" for x, y in steps if x or y)
    return f"M{tenths[0, 0] / 10:g} {tenths[0, 1] / 10:g}{moves}z"
