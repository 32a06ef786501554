"""Keep-outs with their setbacks: ground that no decision, price or hand may treat."""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.options import PassOption
from rxmap.grid import FloatArray, Grid, cover
from rxmap.records import Field, KeepOut, KeepOutSource

QUARTER_SEGMENTS = 16
# A buffer's arc is drawn inside the true circle; this makes the chord touch it from outside instead.
CIRCUMSCRIBED = 1 / math.cos(math.pi / (4 * QUARTER_SEGMENTS))
ROUNDING_M = 0.03  # coordinates move by up to 1e-7 degree, 1.1 cm each way, when a layer is written
DEGREE_STEP = 1e-7


def product_setback_m(option: PassOption) -> float:
    """Largest setback on the labels of a pass's products [m]."""
    return max((p.label.setback.to("m") for p in option.products if p.label.setback), default=0.0)


def kept_ground(sources: Sequence[KeepOutSource], least_m: float) -> list[tuple[KeepOutSource, float, BaseGeometry]]:
    """Buffer each keep-out by the larger of its own setback and the product's.

    Parameters
    ----------
    sources : sequence of KeepOutSource
        As read.
    least_m : float
        The product's setback [m].

    Returns
    -------
    list of (KeepOutSource, float, geometry)
        The source, its setback kept [m], and the ground in metres, never smaller than the true distance.
    """
    kept = []
    for source in sources:
        setback = max(source.setback_m, least_m)
        ground = source.ground.buffer(setback * CIRCUMSCRIBED, quad_segs=QUARTER_SEGMENTS) if setback else source.ground
        kept.append((source, setback, shapely.make_valid(ground)))
    return kept


def keep_out_records(sources: Sequence[KeepOutSource], least_m: float, field: Field) -> list[KeepOut]:
    """Keep-outs as they are written: clipped to the field, on the 1e-7 degree grid; none where it misses the field."""
    records = []
    for source, setback, ground in kept_ground(sources, least_m):
        lonlat = field.frame.geometry_to_lonlat(ground.segmentize(25.0))
        inside = _polygons(shapely.intersection(lonlat, field.boundary, grid_size=DEGREE_STEP))
        if not inside.is_empty:
            records.append(KeepOut(reason=source.reason, setback_m=setback, polygon=inside, ground=ground))
    return records


def sprayed_around(kept: Sequence[tuple[KeepOutSource, float, BaseGeometry]]) -> list[tuple[str, BaseGeometry]]:
    """Keep-outs as a prescription layer cuts them: wider by the rounding, so that rounding never treats one."""
    return [(source.reason, ground.buffer(ROUNDING_M)) for source, _, ground in kept]


def kept_share(kept: Sequence[tuple[KeepOutSource, float, BaseGeometry]], grid: Grid) -> FloatArray:
    """Share of each cell of the grid that lies in a keep-out."""
    ground = shapely.union_all([geometry for _, _, geometry in kept]) if kept else shapely.MultiPolygon()
    return cover(ground, grid.west, grid.north, grid.cell, grid.shape)


def _polygons(geometry: BaseGeometry) -> shapely.Polygon | shapely.MultiPolygon:
    """Polygon parts of an intersection; touching lines and points carry no ground."""
    parts = [part for part in shapely.get_parts(geometry) if isinstance(part, shapely.Polygon)]
    nested = [part for whole in shapely.get_parts(geometry) for part in shapely.get_parts(whole)]
    parts = [part for part in nested if isinstance(part, shapely.Polygon) and part.area > 0]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
