"""Areas on the ellipsoid, and whether polygons cover their ground once.

References
----------
Karney (2013), Algorithms for geodesics, J. Geodesy 87:43-55 (the areas, through pyproj.Geod).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from rxmap.verify.geojson import Feature

GEOD = pyproj.Geod(ellps="WGS84")
M2_PER_HA = 10_000.0
SLIVER_M2 = 0.01  # design rule: overlap and gap at most this
CLOSURE = 1e-5  # design rule: areas add up to the field's within this share
# Degrees. A point that noding adds to an outer edge moves by half of the seventh decimal when it is
# written; ground thinner than twice this along the boundary is that rounding and nothing else.
ROUNDING = 1e-7
EDGE = 0.01  # [m] by which an edge moves where its ends are written with seven decimals


def area_m2(geometry: BaseGeometry) -> float:
    """Area of a lon/lat geometry on the ellipsoid [m2]; what is not a polygon has none.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(area_m2(box(0, 0, 1e-3, 1e-3)))
    12309
    """
    polygons = [part for part in shapely.get_parts([geometry]) if part.geom_type == "Polygon"]
    nested = [part for part in shapely.get_parts([geometry]) if part.geom_type == "MultiPolygon"]
    own = sum(GEOD.geometry_area_perimeter(orient(polygon))[0] for polygon in polygons if not polygon.is_empty)
    return float(own) + sum(area_m2(part) for part in nested)


def moved_m2(geometry: BaseGeometry) -> float:
    """Ground that may change sides where the edges of a lon/lat geometry were rounded [m2]."""
    return EDGE * perimeter_m(geometry)


def perimeter_m(geometry: BaseGeometry) -> float:
    """Length of the edges of a lon/lat geometry on the ellipsoid [m]."""
    return float(GEOD.geometry_area_perimeter(geometry)[1])


def overlaps(features: Sequence[Feature]) -> Iterator[str]:
    """Pairs of features that claim the same ground."""
    geometries = [feature.geometry for feature in features]
    tree = shapely.STRtree(geometries)
    for first, second in tree.query(geometries, predicate="intersects").T:
        if first < second:
            shared = area_m2(shapely.intersection(geometries[first], geometries[second]))
            if shared > SLIVER_M2:
                yield (
                    f"{features[first].where}: overlaps feature {second + 1} by {shared:.4f} m2; "
                    f"should be at most {SLIVER_M2} m2"
                )


def broken_edges(features: Sequence[Feature]) -> Iterator[str]:
    """Features whose edges do not match their neighbours' vertex for vertex."""
    pieces = [(feature, part) for feature in features for part in shapely.get_parts(feature.geometry)]
    edges = shapely.coverage_invalid_edges([part for _, part in pieces])
    for where in dict.fromkeys(piece[0].where for piece, edge in zip(pieces, edges, strict=True) if not edge.is_empty):
        yield f"{where}: edges do not match the neighbours'; should share every vertex"


def uncovered(features: Sequence[Feature], field: BaseGeometry) -> Iterator[str]:
    """Pieces of the field that no feature covers."""
    missing = shapely.difference(field, shapely.union_all([feature.geometry for feature in features]))
    layer = features[0].where.rpartition(": ")[0] if features else "the layer"
    for piece in shapely.get_parts(missing):
        on_boundary = piece.intersects(field.boundary)
        real = shapely.buffer(piece, -ROUNDING) if on_boundary else piece
        if not real.is_empty and area_m2(piece) > SLIVER_M2:
            lon, lat = piece.representative_point().coords[0]
            yield (
                f"{layer}: no feature covers {area_m2(piece):.3f} m2 at {lon:.7f}, {lat:.7f}; "
                f"should be at most {SLIVER_M2} m2"
            )


def beyond_m2(geometry: BaseGeometry, field: BaseGeometry) -> float:
    """Ground of a geometry outside the field [m2], the rounding of boundary points left aside."""
    return float(sum(pieces_beyond_m2(geometry, field)))


def pieces_beyond_m2(geometry: BaseGeometry, field: BaseGeometry) -> list[float]:
    """Areas of the pieces of a geometry outside other ground [m2], the rounding of boundary points left aside.

    Examples
    --------
    >>> from shapely.geometry import MultiPolygon, box
    >>> ground = MultiPolygon([box(0, 0, 1e-4, 1e-4), box(2e-4, 0, 3e-4, 1e-4)])
    >>> [round(area) for area in pieces_beyond_m2(ground, box(0, 0, 2.5e-4, 1e-4))]
    [62]
    """
    pieces = shapely.get_parts(shapely.difference(geometry, field))
    return [area_m2(piece) for piece in pieces if not shapely.buffer(piece, -ROUNDING).is_empty]


def projected(geometry: BaseGeometry, wkt: str) -> BaseGeometry:
    """Put a lon/lat geometry into the projection that a WKT text names."""
    change = _projection(wkt)
    return shapely.transform(geometry, lambda at: np.column_stack(change.transform(at[:, 0], at[:, 1])))


@lru_cache(maxsize=4)  # making one takes longer than using it
def _projection(wkt: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(4326, pyproj.CRS.from_wkt(wkt), always_xy=True)
