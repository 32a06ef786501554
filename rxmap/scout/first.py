"""The first visit: how many stops, how many units at each, where, and in which order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Caution
from rxmap.grid import FloatArray
from rxmap.plan import Plan, plan_fault
from rxmap.records import Field, Inputs
from rxmap.scout.need import ask_of, reached_with, stops_asked
from rxmap.scout.order import crossings, walk_length, walk_order
from rxmap.scout.places import (
    cells_of,
    close_pairs,
    coverage,
    edge_places,
    inner_ground,
    onto,
    pairs_in,
    spread_over,
    walkable,
)
from rxmap.scout.records import Ask, StopKind, Walk, WalkStop
from rxmap.show.text import Units, area, length
from rxmap.surface.target import Setting, layer_values
from rxmap.write.geojson import DECIMALS

FARTHEST_START = 5000.0  # [m] our limit: one farther off is another field's, or lon and lat are swapped

Start = tuple[float, float] | None


def first_visit(plan: Plan, inputs: Inputs, *, count: int | None = None) -> Walk:
    """Plan the first visit to a field.

    Parameters
    ----------
    plan : Plan
    inputs : Inputs
        Without observations.
    count : int, optional
        Stops inside the field; by default what the targets ask for.

    Raises
    ------
    InputError
        If there is no ground to stop on, or less than that many stops need.
    """
    field, seed = inputs.field, plan.output.seed
    start = start_of(plan, field)
    open_ground, kept = walkable(field.ground, inputs.keep_outs)
    asks = tuple(ask_of(target) for target in plan.target)
    wanted = count or stops_asked(asks, open_ground.area)
    inside, pairs = _inside(plan, inputs, open_ground, wanted)
    spacing = math.sqrt(open_ground.area / wanted)
    edged = [target for target in plan.target if target.edge is not None]
    width = min((target.edge.to("m") for target in edged if target.edge), default=0.0)
    edge = edge_places(field.ground, open_ground, width, spacing) if edged else np.empty((0, 2))
    many: dict[StopKind, int] = {"coverage": len(inside), "close pair": len(pairs), "edge": len(edge)}
    kinds = [kind for kind, number in many.items() for _ in range(number)]
    places = on_file_grid(field, np.vstack([inside, pairs, edge]))
    blocked = off_limits(field, kept)
    order = walk_order(places, start, blocked, seed=seed)
    looked = {"edge": tuple(t.name for t in edged)}
    named = tuple(t.name for t in plan.target)
    stops = tuple(
        walk_stop(field, number, places[at], kinds[at], looked.get(kinds[at], named))
        for number, at in enumerate(order, start=1)
    )
    return Walk(
        kind="first visit",
        field=field,
        units=plan.units,
        seed=seed,
        start=start,
        stops=stops,
        length_m=walk_length(places[order], start),
        asks=tuple(replace(ask, reached=reached_with(ask, len(inside) + len(pairs))) for ask in asks),
        reasons=tuple(
            _reasons(asks, (len(inside), len(pairs), len(edge)), spacing, inputs, units=plan.units, asked=count)
        ),
        worth=None,
        kept=kept.intersection(field.ground),
        seen=(),
        waits=waits_of(plan),
        cautions=(*inputs.cautions, *leg_cautions(stops, start, blocked)),
        inputs=inputs.files,
        plan=plan.model_dump(mode="json", by_alias=True, exclude_defaults=True),
    )


def _inside(plan: Plan, inputs: Inputs, open_ground: BaseGeometry, stops: int) -> tuple[FloatArray, FloatArray]:
    """Places that cover the field, and close neighbours of some of them."""
    field, seed = inputs.field, plan.output.seed
    paired = pairs_in(stops)
    spacing = math.sqrt(open_ground.area / stops)
    edge = max((target.edge.to("m") for target in plan.target if target.edge), default=0.0)
    ground = inner_ground(field.ground, open_ground, spacing, edge)
    centres, weights = cells_of(inputs.grid, open_ground)
    places = onto(coverage(centres, weights, stops - paired, seed=seed), ground)
    if inputs.layers:
        setting = Setting(field=field, grid=inputs.grid, layers=inputs.layers[:1])
        mine = centres[shapely.covers(ground, shapely.points(centres))]
        places = spread_over(layer_values(setting, mine)[:, 0], mine, places, spacing)
    return places, close_pairs(places, paired, ground, spacing, seed=seed)


def start_of(plan: Plan, field: Field) -> Start:
    """Place where the walk starts and ends [m].

    Raises
    ------
    PlanError
        If it is nowhere near the field.
    """
    if plan.scouting.start is None:
        return None
    lon, lat = plan.scouting.start
    (east,), (north,) = field.frame.to_metres([lon], [lat])
    away = field.ground.distance(shapely.Point(east, north))
    if not away <= FARTHEST_START:
        raise plan_fault(
            plan,
            f"scouting.start: found [{lon:g}, {lat:g}]: {away / 1000:,.0f} km from the field. Write lon, then lat, of "
            "its entrance.",
        )
    return float(east), float(north)


def on_file_grid(field: Field, places: FloatArray) -> FloatArray:
    """Places [m] as the files will carry them."""
    lon, lat = (np.round(axis, DECIMALS) for axis in field.frame.to_lonlat(places[:, 0], places[:, 1]))
    return np.column_stack(field.frame.to_metres(lon, lat))


def walk_stop(
    field: Field,
    number: int,
    place: FloatArray,
    kind: StopKind,
    targets: tuple[str, ...],
    *,
    value: float | None = None,
) -> WalkStop:
    """Name a place by its number in the walk: S inside, E at the edge, N for a further stop."""
    letter = {"edge": "E", "next": "N"}.get(kind, "S")
    (lon,), (lat,) = field.frame.to_lonlat(place[:1], place[1:])
    return WalkStop(
        name=f"{letter}{number:02d}",
        easting=float(place[0]),
        northing=float(place[1]),
        lon=round(float(lon), DECIMALS) + 0.0,
        lat=round(float(lat), DECIMALS) + 0.0,
        kind=kind,
        targets=targets,
        value=value,
    )


def waits_of(plan: Plan) -> tuple[str, ...]:
    """Say until when the labels in the plan keep people out, where they do."""
    return tuple(
        f"{product.name}: nobody goes in for {product.label.rei} after it was applied, as the plan took from its label."
        for product in plan.product
        if product.label.rei
    )


def off_limits(field: Field, kept: BaseGeometry) -> BaseGeometry:
    """Ground that a walk goes around where it can: keep-outs, and what is not the field."""
    around = shapely.box(*field.ground.bounds).buffer(FARTHEST_START)
    return shapely.union_all([around.difference(field.ground), kept])


def leg_cautions(stops: Sequence[WalkStop], start: Start, blocked: BaseGeometry) -> list[Caution]:
    """Say which legs of the walk cross what should be walked around; the first may, since a start is outside."""
    places = np.array([(stop.easting, stop.northing) for stop in stops])
    met = [stops[at].name for at in crossings(places, start, blocked) if at > 0]
    if not met:
        return []
    named = ", ".join(met[:10]) + (" and more" if len(met) > 10 else "")
    return [Caution("walk_around", f"The straight way to {named} crosses a keep-out or leaves the field.")]


def _reasons(
    asks: Sequence[Ask],
    found: tuple[int, int, int],
    spacing: float,
    inputs: Inputs,
    *,
    units: Units,
    asked: int | None,
) -> list[str]:
    """Say in plain words why so many stops, and why there."""
    inside, pairs, edge = found
    if asked is not None:
        lines = [f"{asked} stops inside the field, as asked for."]
    else:
        most = max(asks, key=lambda ask: max(ask.stops, ask.map_stops))
        lines = [
            f"{inside + pairs} stops inside the field: {most.target.name} asks for {most.stops} to know the field mean "
            f"and for {most.map_stops} to tell a pattern from chance, as far as the field has room."
        ]
    lines.append(
        f"{inside} of them cover {area(inputs.field.area_ha, units)} evenly, about {length(spacing, units)} apart; "
        f"{pairs} stand close to another, to learn how far one stop speaks for its surroundings."
    )
    if inputs.layers:
        lines.append(f"Together they show the whole range of {inputs.layers[0].name}.")
    if edge:
        lines.append(f"{edge} edge stops decide the strip along the boundary; they do not count for the field.")
    else:
        lines.append("No target of the plan has an edge strip, so no stop stands at the edge of the field.")
    return lines
