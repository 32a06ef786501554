"""Keep-outs with their setbacks: ground that no decision, price or hand may treat."""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.options import PassOption
from rxmap.errors import Caution
from rxmap.grid import FloatArray, Grid
from rxmap.plan import Product
from rxmap.records import Field, KeepOut, KeepOutSource

QUARTER_SEGMENTS = 16
# A buffer's arc is drawn inside the true circle; this makes the chord touch it from outside instead.
CIRCUMSCRIBED = 1 / math.cos(math.pi / (4 * QUARTER_SEGMENTS))
LEAST_STEP = 1e-6  # share of a setback by which it is widened at least
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
        ground = within(source.ground, setback) if setback else source.ground
        kept.append((source, setback, shapely.make_valid(ground)))
    return kept


def nothing_kept(sources: Sequence[KeepOutSource], products: Sequence[Product]) -> list[Caution]:
    """Warn of points and lines without any setback: they keep no ground from being treated.

    Parameters
    ----------
    sources : sequence of KeepOutSource
        As read.
    products : sequence of Product
        A setback on the label of each would keep ground.
    """
    setbacks = [product.label.setback for product in products]
    least_m = min((setback.to("m") if setback else 0.0 for setback in setbacks), default=0.0)
    return [
        Caution(
            f"keeps_nothing: {source.reason}",
            f"Keep-out '{source.reason}': points and lines with a setback of 0 keep no ground from being treated, and "
            "not every product has a setback of its own. Give the distance that the label or the law asks for.",
        )
        for source in sources
        if max(source.setback_m, least_m) == 0.0
        and (shapely.get_dimensions(shapely.get_parts(source.ground)) < 2).any()  # 2: ground
    ]


def within(ground: BaseGeometry, distance: float) -> BaseGeometry:
    """Ground within a distance [m] of points, lines or polygons: all of it, and a little more.

    A buffer leaves small bends out before it is drawn, and comes out up to 3 % short of the distance beside
    them. It is widened by what it is short until it is not; elsewhere it is half a percent wide at most.

    Examples
    --------
    >>> hairpin = shapely.LineString([(0, 3), (1, 0), (0, 0)])
    >>> within(hairpin, 1.0).exterior.distance(hairpin) >= 1.0 > hairpin.buffer(1.0).exterior.distance(hairpin)
    True
    """
    reach = distance * CIRCUMSCRIBED
    while True:
        around = ground.buffer(reach, quad_segs=QUARTER_SEGMENTS)
        short = distance - shapely.boundary(around).distance(ground)
        if short <= 0:
            return around
        reach += max(short, distance * LEAST_STEP)


def keep_out_records(sources: Sequence[KeepOutSource], options: Sequence[PassOption], field: Field) -> list[KeepOut]:
    """Keep-outs as they are written: clipped to the field, on the 1e-7 degree grid; none where it misses the field.

    Parameters
    ----------
    sources : sequence of KeepOutSource
        As read.
    options : sequence of PassOption
        Passes; each keeps the larger of the source's setback and its products'.
    field : Field
        To clip to.
    """
    keepers: dict[float, list[str]] = {}
    for option in options:
        keepers.setdefault(product_setback_m(option), []).append(option.slug)
    found: dict[tuple[int, float], KeepOut] = {}
    for least_m, slugs in (keepers or {0.0: []}).items():
        for number, (source, setback, ground) in enumerate(kept_ground(sources, least_m)):
            same = found.get((number, setback))
            passes = (*(same.passes if same else ()), *slugs)
            polygon = same.polygon if same else _clipped(ground, field)
            if not polygon.is_empty:
                found[number, setback] = KeepOut(
                    reason=source.reason, setback_m=setback, polygon=polygon, ground=ground, passes=passes
                )
    return [found[key] for key in sorted(found)]


def _clipped(ground: BaseGeometry, field: Field) -> shapely.Polygon | shapely.MultiPolygon:
    lonlat = field.frame.geometry_to_lonlat(ground.segmentize(25.0))
    return _polygons(shapely.intersection(lonlat, field.boundary, grid_size=DEGREE_STEP))


def sprayed_around(kept: Sequence[tuple[KeepOutSource, float, BaseGeometry]]) -> list[tuple[str, BaseGeometry]]:
    """Keep-outs as a prescription layer cuts them: wider by the rounding, so that rounding never treats one."""
    return [(source.reason, ground.buffer(ROUNDING_M)) for source, _, ground in kept]


def kept_share(kept: Sequence[tuple[KeepOutSource, float, BaseGeometry]], grid: Grid) -> FloatArray:
    """Share of each cell of the grid that lies in a keep-out."""
    ground = shapely.union_all([geometry for _, _, geometry in kept]) if kept else shapely.MultiPolygon()
    return grid.covered(ground)


def _polygons(geometry: BaseGeometry) -> shapely.Polygon | shapely.MultiPolygon:
    """Polygon parts of an intersection; touching lines and points carry no ground."""
    parts = shapely.get_parts(shapely.get_parts(geometry))  # twice: a collection may hold multipolygons
    grounds = [part for part in parts if isinstance(part, shapely.Polygon) and part.area > 0]
    return grounds[0] if len(grounds) == 1 else shapely.MultiPolygon(grounds)
