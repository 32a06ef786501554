"""Drawings of a review as SVG: strips against zero, and the field as planned and as sprayed."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.records import Field
from rxmap.review.found import PassReview
from rxmap.review.grounds import Pair
from rxmap.review.intervals import Interval
from rxmap.show import text
from rxmap.show.markup import Markup, join, tag

WIDE, ROW, NAMES = 640.0, 24.0, 150.0  # of the chart of strips; room for the names at its left
MAP = 520.0  # longest side of the field drawing
INK, FILL, SPRAYED = "#17232a", "#dfe6e4", "#0a4f5c"
SIMPLER = 1.0  # [m] detail that the drawing leaves out


def strips_chart(pairs: Sequence[Pair], found: Interval | None, unit: str) -> str:
    """Draw each strip's difference as a dot, their mean with its range as a bar, and zero as a line."""
    rows = [(f"strip {pair.number}", pair.gain, pair.gain, pair.gain) for pair in pairs]
    if found is not None:
        rows.append(("mean, 5 to 95 %", found.value, found.low, found.high))
    ends = [0.0, *(end for row in rows for end in row[1:])]
    low, high = min(ends), max(ends)
    scale = (WIDE - NAMES - 90) / max(high - low, 1e-9)

    def across(value: float) -> float:
        return NAMES + (value - low) * scale

    parts: list[str] = []
    for number, (name, value, start, end) in enumerate(rows):
        y = ROW * (number + 0.8)
        parts.append(_word(0, y + 4, name))
        if end > start:
            parts.append(_line(across(start), y, across(end), y, 5))
        parts.append(tag("circle", cx=_n(across(value)), cy=_n(y), r="5", fill=INK))
        parts.append(_word(across(max(value, end)) + 10, y + 4, text.number(value)))
    bottom = ROW * (len(rows) + 0.3)
    parts.append(_line(across(0.0), 4, across(0.0), bottom, 1.5))
    parts.append(_word(across(0.0) - 4, bottom + 14, f"0 {unit}"))
    return _svg(f"Difference at each strip, in {unit}", WIDE, bottom + 22, parts)


def field_drawing(field: Field, one: PassReview) -> str:
    """Draw the field with what was planned, what was sprayed and the check strips; north is up."""
    west, south, east, north = field.ground.bounds
    scale = MAP / max(east - west, north - south)

    def path(ground: BaseGeometry, **look: str) -> str:
        return tag(
            "path", d=_outline(shapely.simplify(ground, SIMPLER), west, north, scale), fill_rule="evenodd", **look
        )

    parts: list[str] = [path(field.ground, fill="#fff", stroke=INK, stroke_width="2")]
    kept = one.planned.keep_out.intersection(field.ground)
    if not kept.is_empty:
        parts.append(path(kept, fill="url(#kept)", stroke="#8a3414", stroke_width="1"))
    parts.append(path(one.planned.treated, fill=FILL, stroke=INK, stroke_width="1.5"))
    if one.done is not None:
        parts.append(path(one.done.ground, fill="url(#sprayed)", stroke=SPRAYED, stroke_width="1.2"))
    marks = []
    for number, strip in one.planned.strips:
        parts.append(path(strip, fill="#fff", stroke=INK, stroke_width="2"))
        marks.append(_mark((strip.centroid.x - west) * scale, (north - strip.centroid.y) * scale, str(number)))
    size = (east - west) * scale, (north - south) * scale
    return _svg(f"{field.name}: planned, sprayed, check strips", *size, [_patterns(), *parts, *marks])


LEGEND = (
    "Filled: planned to be treated. Hatched: sprayed by the machine's log. White with a number: check strip. Dotted: "
    "keep-out with its setback. North is up."
)


def _patterns() -> str:
    hatch = tag("path", d="M0,8 L8,0", stroke=SPRAYED, stroke_width="1.6")
    dots = tag("circle", cx="3", cy="3", r="1.3", fill="#8a3414")
    one = tag("pattern", hatch, id="sprayed", width="8", height="8", patternUnits="userSpaceOnUse")
    other = tag("pattern", dots, id="kept", width="7", height="7", patternUnits="userSpaceOnUse")
    return tag("defs", one, other)


def _svg(words: str, wide: float, tall: float, parts: Sequence[str]) -> str:
    box = f"-4 -4 {_n(wide + 8)} {_n(tall + 8)}"
    style = f"max-width: {wide + 8:.0f}px; width: 100%"
    return tag("svg", join([tag("title", text.safe(words)), *parts]), viewBox=box, role="img", style=style)


def _outline(ground: BaseGeometry, west: float, north: float, scale: float) -> str:
    rings = [
        ring
        for part in shapely.get_parts(ground)
        if part.geom_type == "Polygon"
        for ring in (part.exterior, *part.interiors)
    ]
    steps = []
    for ring in rings:
        points = [f"{_n((x - west) * scale)},{_n((north - y) * scale)}" for x, y in shapely.get_coordinates(ring)]
        steps.append(f"M{' L'.join(points)} Z")
    return " ".join(steps)


def _line(x1: float, y1: float, x2: float, y2: float, width: float) -> str:
    ends = {"x1": _n(x1), "y1": _n(y1), "x2": _n(x2), "y2": _n(y2)}
    return tag("line", **ends, stroke=INK, stroke_width=f"{width:g}")


def _word(x: float, y: float, words: str) -> Markup:
    look = {"stroke": "#fff", "stroke_width": "3", "paint_order": "stroke"}
    return Markup(tag("text", words, x=_n(x), y=_n(y), fill=INK, font_size="13", **look))


def _mark(x: float, y: float, words: str) -> str:
    """Write a number on a disc, to be read on any ground."""
    disc = tag("circle", cx=_n(x), cy=_n(y), r="9", fill="#fff", stroke=INK, stroke_width="1.5")
    return tag("g", disc, tag("text", words, x=_n(x), y=_n(y + 4.5), fill=INK, font_size="13", text_anchor="middle"))


def _n(value: float) -> str:
    return f"{value + 0.0:.1f}"
