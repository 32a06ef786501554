"""The result as the data that the map draws: views to choose from, and what lies on top.

Everything a person reads is text made here; the script only places it. Everything drawn names a
style, and the legend shows the same style, so that map and legend cannot differ.
"""

from __future__ import annotations

from itertools import groupby
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from rxmap.grid import FloatArray
from rxmap.records import AsApplied, Observation, Part, PassResult, Result, TargetResult, ZoneShape
from rxmap.show import ramp, story, tables, text
from rxmap.show.raster import Canvas, LatLon, latlon
from rxmap.show.scale import LIMIT, Scale, chance_scale, pressure_scale
from rxmap.write.evidence import not_sampled_lonlat
from rxmap.write.record import controlled

Data = dict[str, Any]  # what goes into the page's JSON block

INK = "#17232a"
HATCHES = ("none", "dots", "slash", "columns", "rows")
ZONE_DASHES = ("", "8 4", "2 4", "10 3 2 3", "5 5")
LEAST_DRAWN_HA = 1e-3  # ten square metres are nothing to walk to
SPECK = 0.1  # share of a zone below which a part carries no label
TREATED_HATCHES = ("dots", "slash", "cross")

STYLES: dict[str, Data] = {
    "boundary": {"stroke": INK, "weight": 2.5},
    "keep-out": {"fill": "#e9ecec", "hatch": "cross", "ink": "#7c878c", "stroke": INK, "weight": 2, "dash": "3 4"},
    "untreated": {"fill": "#fbfaf5", "stroke": "#8a969b", "weight": 1},
    "check strip": {"fill": "#fbfaf5", "hatch": "rows", "ink": "#8a969b", "stroke": INK, "weight": 1.5, "dash": "6 3"},
    "not sampled": {"fill": "none", "hatch": "slash", "ink": "#39454b", "stroke": INK, "weight": 1.5, "dash": "1 4"},
    "edge strip": {"stroke": INK, "weight": 2, "dash": "9 5"},
    "stop used": {"fill": INK, "stroke": "#ffffff", "weight": 1.5, "radius": 5},
    "edge stop": {"fill": "#ffffff", "stroke": INK, "weight": 2.5, "radius": 5},
    "stop unused": {"fill": "#ffffff", "stroke": INK, "weight": 2, "dash": "2 2", "radius": 5},
}  # fmt: skip


def map_data(result: Result) -> Data:
    """Everything the script needs, in one JSON-ready dictionary."""
    going = [one for one in result.passes if one.applied is not None]
    canvas = Canvas(result.field.frame, result.field.boundary, 2 * len(result.targets) + len(going))
    passes = [_pass_view(result, one) for one in result.passes if one.decision != "none"]
    pressures = [view for target in result.targets for view in _target_views(result, target, canvas)]
    west, south, east, north = result.field.boundary.bounds
    return {
        "bounds": [[south, west], [north, east]],
        "imperial": result.units == "us",
        "views": [
            *passes,
            *pressures,
            *([_zone_view(result)] if result.zones else []),
            *(_applied_view(result, one, one.applied, canvas) for one in going if one.applied is not None),
        ],
        "overlays": [each for each in (_keep_outs(result), _stops(result), _boundary(result)) if each["shapes"]],
    }


def rings(polygon: Polygon | MultiPolygon) -> list[list[list[LatLon]]]:
    """Rings of each polygon, outer first, the repeated last point left out."""
    return [
        [latlon(shapely.get_coordinates(ring)[:-1]) for ring in (part.exterior, *part.interiors)]
        for part in getattr(polygon, "geoms", [polygon])
    ]


def _points(polygon: Polygon | MultiPolygon) -> list[LatLon]:
    """Find where labels stand: inside each part that is not a mere speck of the whole."""
    parts = [part for part in getattr(polygon, "geoms", [polygon]) if part.area > SPECK * polygon.area]
    return latlon(shapely.get_coordinates([part.representative_point() for part in parts]))


# Passes ------------------------------------------------------------------------------------------


def _pass_view(result: Result, one: PassResult) -> Data:
    rates = sorted({part.rate for part in one.parts if part.treat})
    looks = {rate: _treated(at, len(rates)) for at, rate in enumerate(rates)}
    number, shapes = 0, []
    for part in one.parts:
        number += part.treat
        shapes.append(_part_shape(result, part, number, looks, one.strips_text))
    drawn = {shape["kind"] for shape in shapes}
    unit = one.products[0].unit if one.products else ""
    legend = [
        {"style": looks[rate], "text": f"treat at {text.number(rate)} {unit}, parts numbered"}
        for rate in reversed(rates)
    ]
    legend += [
        {"style": STYLES[kind], "text": words}
        for kind, words in (
            ("untreated", "leave untreated"),
            ("check strip", "check strip, left untreated"),
            ("keep-out", "keep-out"),
        )
        if kind in drawn
    ]
    products = text.listed([text.safe(use.name) for use in one.products])
    return {
        "group": "What to do",
        "label": text.safe(one.name),
        "sentence": f"{products}: {text.area(one.treated_ha, result.units)} treated. {story.sentence(one.reason)}",
        "more": " ".join(filter(None, (one.strips_text, one.heading_text))),
        "strip": _has_strip(result, one),
        "shapes": shapes,
        "legend": {"title": f"Rate of {text.safe(one.products[0].name)}" if one.products else "Rate", "items": legend},
    }


def _has_strip(result: Result, one: PassResult) -> bool:
    """Whether edge stops decide a strip of a target that a pass is for."""
    return any(target.edge is not None for target in controlled(result, one, result.plan))


# Dark enough apart to be told in black and white; the legend has the words.
APPLIED = {
    "not sprayed": "#f4f2ea",
    "sprayed as planned": "#e0a56e",
    "missed: planned, not sprayed": "#3d7ea6",
    "off target: sprayed, not planned": "#20242a",
}


def _applied_view(result: Result, one: PassResult, applied: AsApplied, canvas: Canvas) -> Data:
    """Show the pass as the machine will apply it: sections switch whole and late."""
    inside = result.grid.inside
    bands = [np.where(inside, applied.classes == kind, np.nan) for kind in range(len(APPLIED))]
    classes = np.argmax(canvas.warp(result.grid, bands), axis=0).astype(float)
    colours = list(APPLIED.values())
    missed, off = (text.area(ha, result.units) for ha in (applied.missed_ha, applied.off_target_ha))
    product = text.difference(applied.product_difference)
    return {
        "group": "As the machine will apply it",
        "label": text.safe(one.name),
        "sentence": (
            "Simulated with the swath, sections, speed and delay of the plan, at "
            f"{text.counted(round(applied.heading), 'degree')}: {missed} missed, {off} off target, {product} product."
        ),
        "more": one.heading_text,
        "strip": _has_strip(result, one),
        "picture": {"source": canvas.picture(classes, [0.5, 1.5, 2.5], colours), "corners": canvas.corners},
        "shapes": [],
        "legend": {
            "title": "As the machine will apply it (simulated)",
            "items": [{"style": {"fill": colour}, "text": words} for words, colour in APPLIED.items()],
        },
    }


def _treated(at: int, many: int) -> Data:
    """Choose the look of the `at`-th of `many` rates: darker and closer hatched the more."""
    place = 1 if many == 1 else round(at * (len(ramp.TREATED) - 1) / (many - 1))
    return {"fill": ramp.TREATED[place], "hatch": TREATED_HATCHES[place], "ink": "#0d3b34", "stroke": INK, "weight": 3}


def _part_shape(result: Result, part: Part, number: int, looks: dict[float, Data], strips: str) -> Data:
    if part.treat:
        kind, style, title = "treated", looks[part.rate], f"Part {number}: treat"
    else:
        kind = "check strip" if part.reason == "check strip" else "untreated" if part.zone else "keep-out"
        style = STYLES[kind]
        title = {"untreated": "Leave untreated", "check strip": "Check strip", "keep-out": "Keep-out"}[kind]
    shape: Data = {
        "kind": kind,
        "style": style,
        "rings": rings(part.polygon),
        "title": title,
        "rows": [*_part_rows(result, part), *([("What it can show", strips)] if kind == "check strip" else [])],
    }
    if part.treat:
        shape |= {"tag": str(number), "at": _points(part.polygon), "focus": True}
    return shape


def _part_rows(result: Result, part: Part) -> list[tuple[str, str]]:
    unit = next((target.unit for target in result.targets if target.name == part.target), "")
    rows = [("Area", text.area(part.area_ha, result.units))]
    if part.treat:
        rows += [
            ("Product", text.safe(part.product)),
            ("Rate", f"{text.number(part.rate)} {part.unit}"),
            ("Spray volume", f"{text.number(part.volume)} {part.vol_unit}"),
        ]
    rows += [("Why", text.safe(part.reason))]
    if part.target:
        rows += [
            ("Target", text.safe(part.target)),
            ("Pressure", text.pressure(part.pressure, unit)),
            ("Chance above threshold", text.chance(part.p_over)),
        ]
    words = "Benefit" if part.treat else "Treating would have earned"
    if part.benefit is not None:
        rows += [(words, tables.benefit(result, part.benefit))]
    return [*rows, ("Zone", str(part.zone))] if part.zone else rows


# Targets -----------------------------------------------------------------------------------------


def _target_views(result: Result, target: TargetResult, canvas: Canvas) -> list[Data]:
    surface = target.surface
    scales, bands = (pressure_scale(target), chance_scale(target)), [surface.mean, surface.p_over]
    sentence = f"{story.support(target)} {story.edge_strip(target, result.units)}".rstrip()
    if np.nanmax(surface.mean) - np.nanmin(surface.mean) <= 1e-9 * target.threshold:  # the same everywhere
        levels = [float(np.nanmean(band)) for band in bands]
        here, sure = text.pressure(levels[0], target.unit), text.chance(levels[1])
        outside = " outside the strip" if target.edge else ""
        sentence += (
            f" At any one place{outside} {here} is expected; the chance that it is above the threshold is {sure}."
        )
        holds = "all but the strip" if target.edge else "all of the field"
        views = [_flat(result, scale, level, holds) for scale, level in zip(scales, levels, strict=True)]
    else:
        warped = canvas.warp(surface.grid, bands)
        views = [_picture(canvas, scale, values) for scale, values in zip(scales, warped, strict=True)]
    more = [*story.layer_use(target), *(["This layer shows the field without the strip."] if target.edge else [])]
    common: Data = {"group": text.safe(target.name), "sentence": sentence, "more": " ".join(more)}
    common["strip"] = target.edge is not None
    labels = ("Pressure", "Chance above the threshold")
    views = [{**common, "label": label, **view} for label, view in zip(labels, views, strict=True)]
    return [_with_not_sampled(result, target, _with_edge_strip(result, target, view)) for view in views]


def _with_not_sampled(result: Result, target: TargetResult, view: Data) -> Data:
    """Hatch the ground that is farther from every stop than the stops reach."""
    if target.evidence is None or target.evidence.not_sampled_ha < LEAST_DRAWN_HA:
        return view
    style = STYLES["not sampled"]
    ground = {"style": style, "rings": rings(not_sampled_lonlat(target.evidence, result.field.frame)), "silent": True}
    words = f"not sampled: farther than {text.length(target.evidence.reach_m, result.units)} from every stop"
    legend = {**view["legend"], "items": [*view["legend"]["items"], {"style": style, "text": words}]}
    return {**view, "shapes": [*view.get("shapes", []), ground], "legend": legend}


def _with_edge_strip(result: Result, target: TargetResult, view: Data) -> Data:
    """Draw the inner line of the strip that edge stops decide."""
    inner = result.field.ground.buffer(-target.edge.width_m, join_style="mitre") if target.edge else Polygon()
    if inner.is_empty or not target.edge:
        return view
    style = STYLES["edge strip"]
    line = {"style": style, "rings": rings(result.field.frame.geometry_to_lonlat(inner)), "silent": True}
    words = f"inner line of the {text.length(target.edge.width_m, result.units)} strip that edge stops decide"
    legend = {**view["legend"], "items": [*view["legend"]["items"], {"style": style, "text": words}]}
    return {**view, "shapes": [*view.get("shapes", []), line], "legend": legend}


def _flat(result: Result, scale: Scale, level: float, holds: str) -> Data:
    here = scale.place(level)
    style = {"fill": scale.colours[here]}
    return {
        "shapes": [{"style": style, "rings": rings(result.field.boundary)}],
        "legend": scale.legend(here, holds=holds),
    }


def _picture(canvas: Canvas, scale: Scale, values: FloatArray) -> Data:
    return {
        "picture": {"source": canvas.picture(values, scale.breaks, scale.colours), "corners": canvas.corners},
        "lines": {"style": LIMIT, "points": canvas.contour(values, scale.limit)},
        "legend": scale.legend(),
    }


# Zones and what lies on top ----------------------------------------------------------------------


def _zone_view(result: Result) -> Data:
    shapes = [_zone_shape(result, zone, at) for at, zone in enumerate(result.zones)]
    legend = [{"style": shape["style"], "text": shape["title"]} for shape in shapes]
    return {
        "group": "Zones",
        "label": "By number",
        "sentence": story.sentence(result.zone_choice.text),
        "more": tables.without_strips(result),
        "shapes": shapes,
        "legend": {"title": "Zones: they explain, they carry no rate", "items": legend},
    }


def _zone_shape(result: Result, zone: ZoneShape, at: int) -> Data:
    at %= len(ramp.ZONES)
    style = {"fill": ramp.ZONES[at], "hatch": HATCHES[at], "ink": "#7c8a8f", "stroke": INK, "weight": 2}
    levels = [(text.safe(target.name), tables.zone_level(zone, target)) for target in result.targets]
    return {
        "style": {**style, "dash": ZONE_DASHES[at]},
        "rings": rings(zone.polygon),
        "title": f"Zone {zone.zone}",
        "rows": [("Area", text.area(zone.area_ha, result.units)), *levels, ("In words", text.safe(zone.text))],
        "tag": str(zone.zone),
        "at": _points(zone.polygon),
        "focus": True,
    }


def _keep_outs(result: Result) -> Data:
    shapes = [
        {
            "style": STYLES["keep-out"],
            "rings": rings(each.polygon),
            "title": "Keep-out: never treated",
            "rows": [
                ("Why", text.safe(each.reason)),
                ("Setback", text.length(each.setback_m, result.units)),
                *([("Kept by", tables.kept_by(result, each))] if tables.passes_differ(result) else []),
            ],
        }
        for each in result.keep_outs
        if not each.polygon.is_empty
    ]
    return {"label": "Keep-outs", "shapes": shapes, "legend": [{"style": STYLES["keep-out"], "text": "keep-out"}]}


def _stops(result: Result) -> Data:
    """One mark per place; a stop looked at twice, or for two targets, is one mark."""

    def place(row: Observation) -> tuple[str, float, float]:
        return row.stop, row.lat, row.lon

    shapes = []
    for (stop, lat, lon), group in groupby(sorted(result.observations, key=place), place):
        rows = sorted(group, key=lambda row: (row.target, str(row.date or "")))
        style = STYLES[_stop_kind(rows, result)]
        shapes.append(
            {
                "style": style,
                "point": [round(lat, 6), round(lon, 6)],
                "title": f"Stop {text.safe(stop)}",
                "rows": list(dict.fromkeys(pair for row in rows for pair in _stop_rows(result, row))),
            }
        )
    words = {"stop used": "stop", "edge stop": "edge stop, decides the strip", "stop unused": "stop that was not used"}
    elsewhere = {"edge stop": "edge stop, decides no strip here"}  # where a view is of other targets
    legend = [
        {"style": STYLES[kind], "text": said, **({"elsewhere": elsewhere[kind]} if kind in elsewhere else {})}
        for kind, said in words.items()
        if any(shape["style"] is STYLES[kind] for shape in shapes)
    ]
    return {"label": "Stops", "shapes": shapes, "legend": legend}


def _stop_kind(rows: list[Observation], result: Result) -> str:
    if any(row.used for row in rows):
        return "stop used"
    return "edge stop" if any(tables.decides_strip(row, result) for row in rows) else "stop unused"


def _stop_rows(result: Result, row: Observation) -> list[tuple[str, str]]:
    day = f", {row.date}" if row.date else ""
    edge = "edge stop, " if row.edge else ""
    rows = [(f"{text.safe(row.target)}{day}", f"{tables.found(row, result)} ({edge}{tables.used(row, result)})")]
    if row.note:
        rows.append(("Note", text.safe(row.note)))
    return [*rows, *((text.safe(name), text.safe(value)) for name, value in row.extra if value)]


def _boundary(result: Result) -> Data:
    shape = {"style": STYLES["boundary"], "rings": rings(result.field.boundary), "silent": True}
    return {"label": "Boundary", "shapes": [shape], "legend": [{"style": STYLES["boundary"], "text": "field boundary"}]}
