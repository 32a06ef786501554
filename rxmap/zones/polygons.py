"""Cells drawn as polygons, and polygons fitted together into a coverage of the field.

A coverage leaves no gap and no overlap. It is made valid by construction, not by repair: all lines
are rounded *together* to the 7 decimals that the files carry, the plane is cut into faces along
them, and every face gets one label. What is written is what was checked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from rasterio.features import shapes
from scipy import ndimage
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

from rxmap.errors import CheckError
from rxmap.grid import FloatArray, Frame, Grid, geodesic_area_m2
from rxmap.zones.slivers import GeometryArray, IntArray, absorb_slivers, find_borders

UNITS_PER_DEGREE = 1e7  # 7 decimals: 1.1 cm on the ground; RFC 7946 section 11.2 asks for no more than a use needs
EARTH_RADIUS = 6_371_008.8  # [m] mean radius of GRS 80 (Moritz 2000, J. Geodesy 74:128); only for lengths of slivers
MOST_BOW = 0.001  # [m] a tenth of a unit, between the straight, the geodesic and the lon/lat course of an edge
HAIR = 1.5  # [units] rounding moves a line by at most sqrt(1/2) units; what is nearer to the field belongs to it


@dataclass(frozen=True, slots=True)
class Face:
    """One single-part polygon of a coverage.

    Parameters
    ----------
    label : int
        What the ground is.
    polygon : Polygon
        WGS84 lon/lat, every coordinate a whole number of 1e-7 degrees; exterior counter-clockwise,
        holes clockwise (RFC 7946, 3.1.6).
    area_m2 : float [m2]
        On the ellipsoid.
    """

    label: int
    polygon: Polygon
    area_m2: float


def label_polygons(labels: IntArray, grid: Grid, *, tolerance: float) -> list[tuple[int, Polygon]]:
    """Draw a map of labels as polygons that reach beyond the field.

    Labels are first carried outwards to the nearest cell that has none, so that the boundary which
    clips them later makes the outer edge, not the cells. Shared edges are simplified together.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, columns)
        0 outside the field, anything else inside.
    grid : Grid
        Gives west, north and cell of `labels`.
    tolerance : float [m]
        Side of the square whose area a dropped corner may have; edges move by up to about 1.8 times
        this. 0 keeps every corner of every cell.

    Returns
    -------
    list of (int, Polygon)
        4-connected, in metres, a valid coverage.

    References
    ----------
    Visvalingam & Whyatt (1993), Line generalisation by repeated elimination of points,
    Cartographic Journal 30:46-51 (the method behind shapely.coverage_simplify).

    Examples
    --------
    >>> grid = Grid(west=0.0, north=10.0, cell=10.0, share=np.ones((1, 3)))
    >>> drawn = label_polygons(np.array([[1, 2, 0]]), grid, tolerance=0.0)
    >>> sorted((label, polygon.area) for label, polygon in drawn)  # one cell more on every side
    [(1, 600.0), (2, 900.0)]
    """
    if not np.any(labels):
        return []
    _, nearest = ndimage.distance_transform_edt(labels == 0, return_indices=True)
    reaching = np.pad(labels[tuple(nearest)], 1, mode="edge").astype(np.int32)
    drawn = [(int(value), shape(outline)) for outline, value in shapes(reaching, connectivity=4)]
    # A corner of one polygon can lie on the straight edge of its neighbour: a point at every cell makes it shared.
    polygons = shapely.transform(shapely.segmentize([polygon for _, polygon in drawn], 1.0), np.rint)
    polygons = shapely.coverage_simplify(polygons, tolerance / grid.cell, simplify_boundary=False)
    corner, step = np.array([grid.west - grid.cell, grid.north + grid.cell]), np.array([grid.cell, -grid.cell])
    polygons = shapely.transform(polygons, lambda xy: corner + xy * step)
    return [(label, polygon) for (label, _), polygon in zip(drawn, polygons, strict=True)]


def coverage(
    boundary: BaseGeometry,
    layers: Sequence[tuple[int, BaseGeometry]],
    frame: Frame,
    *,
    rest: int,
    protected: Sequence[int] = (),
    least_area_m2: float = 1.0,
) -> list[Face]:
    """Cut the field along the outlines of the layers into faces without gap or overlap.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        WGS84 lon/lat, valid; its edges are straight in lon/lat. Long ones get points in between.
    layers : sequence of (int, geometry in metres)
        Label and ground it claims. The first layer that holds a place wins. Layers should reach
        beyond the boundary rather than be clipped by it.
    frame : Frame
        The field's own projection.
    rest : int
        Label of what no layer claims.
    protected : sequence of int
        Labels that must not lose ground, such as keep-outs, the most protected first. A sliver goes
        to a protected neighbour before any other, and never to one less protected than itself.
    least_area_m2 : float [m2]
        Smaller faces, and faces thinner than 2 cm, are slivers: they go to the neighbour that shares
        the longest edge. A sliver that has nowhere to go stays a face.

    Returns
    -------
    list of Face
        By label, largest first. Edges that two faces share have the same points in both.

    Raises
    ------
    CheckError
        The faces leave a gap or overlap.

    References
    ----------
    Hobby (1999), Practical segment intersection with finite precision output, Computational
    Geometry 13:199-214 (rounding lines together: "snap rounding").

    Examples
    --------
    >>> from shapely.geometry import box
    >>> frame = Frame(lon=10.0, lat=50.0)
    >>> field = frame.geometry_to_lonlat(box(-50, -50, 50, 50))
    >>> [(face.label, round(face.area_m2, -1)) for face in coverage(field, [(7, box(0, -99, 99, 99))], frame, rest=1)]
    [(1, 5000.0), (7, 5000.0)]
    """
    claims = [(label, part) for label, geometry in layers for part in _polygon_parts(geometry)]
    atoms = _atoms(boundary, claims, frame)
    labels = _label(atoms, claims, frame, rest)
    borders = find_borders(atoms, _metres_per_unit(frame))
    labels = absorb_slivers(labels, borders, protected=protected, least_area_m2=least_area_m2)
    region = borders.regions(labels)
    order = np.argsort(region, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(region[order])) + 1)
    faces = [_face(int(labels[group[0]]), shapely.coverage_union_all(atoms[group]), frame) for group in groups]
    _check([face.polygon for face in faces])
    return sorted(faces, key=lambda face: (face.label, -face.area_m2, face.polygon.exterior.coords[:]))


def _polygon_parts(geometry: BaseGeometry) -> list[Polygon]:
    """Polygons of a geometry; overlays in metres also leave lines and points, which cover no ground."""
    parts = shapely.get_parts(shapely.get_parts(geometry))  # twice: a collection may hold multipolygons
    return [part for part in parts if isinstance(part, Polygon) and part.area > 0]


def _origin(frame: Frame) -> FloatArray:
    return np.rint(np.array([frame.lon, frame.lat]) * UNITS_PER_DEGREE)


def _to_units(lonlat: BaseGeometry, frame: Frame) -> BaseGeometry:
    """Degrees to units of 1e-7 degrees from the frame's centre: small whole numbers are exact in the overlay."""
    origin = _origin(frame)
    return shapely.transform(lonlat, lambda xy: xy * UNITS_PER_DEGREE - origin)


def _to_degrees(units: FloatArray, frame: Frame) -> FloatArray:
    # A whole number divided by an exact power of ten is the double nearest to that decimal, so round(x, 7) == x.
    return (units + _origin(frame)) / UNITS_PER_DEGREE


def _metres_per_unit(frame: Frame) -> FloatArray:
    along_meridian = math.radians(1 / UNITS_PER_DEGREE) * EARTH_RADIUS
    return np.array([along_meridian * math.cos(math.radians(frame.lat)), along_meridian])


def _longest_edge(frame: Frame) -> float:
    """Length [m] up to which an edge is as good as the same in metres, in lon/lat and on the ellipsoid.

    An edge of length e bows by up to e^2 tan(lat) / 8 R: the sagitta of an arc whose curvature is
    that of a parallel. With points in between, areas do not depend on who calls an edge straight.
    """
    steep = max(math.tan(math.radians(abs(frame.lat))), 0.01)
    return math.sqrt(8 * EARTH_RADIUS * MOST_BOW / steep)


def _atoms(boundary: BaseGeometry, claims: list[tuple[int, Polygon]], frame: Frame) -> GeometryArray:
    """Cut the field along every outline into its smallest faces, all lines rounded together; in units."""
    longest = _longest_edge(frame)
    field = shapely.segmentize(_to_units(boundary, frame), longest / _metres_per_unit(frame).max())
    outlines = shapely.multilinestrings(shapely.get_rings(shapely.segmentize([part for _, part in claims], longest)))
    # Clipped first: then every face is the field's, a hole of it, or a hair along its edge.
    lines = shapely.intersection(_to_units(frame.geometry_to_lonlat(outlines), frame), field)
    noded = shapely.union_all([shapely.boundary(field), lines], grid_size=1.0)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    # A hair along the edge is the field's; of a real face a place well inside it tells field from hole.
    cores = shapely.buffer(faces, -HAIR)
    hair = shapely.is_empty(cores)
    places = shapely.point_on_surface(np.where(hair, faces, cores))
    shapely.prepare(field)
    return np.asarray(faces[np.where(hair, shapely.dwithin(places, field, HAIR), shapely.intersects(places, field))])


def _label(atoms: GeometryArray, claims: list[tuple[int, Polygon]], frame: Frame, rest: int) -> IntArray:
    """Label of the first claim that holds a place inside each face."""
    units = shapely.get_coordinates(shapely.point_on_surface(atoms))
    places = shapely.points(*frame.to_metres(*_to_degrees(units, frame).T))
    place, claim = shapely.STRtree([part for _, part in claims]).query(places, predicate="intersects")
    first = np.full(len(atoms), len(claims))
    np.minimum.at(first, place, claim)
    label_of = np.array([label for label, _ in claims] + [rest])
    return np.asarray(label_of[first])


def _face(label: int, units: Polygon, frame: Frame) -> Face:
    polygon = shapely.transform(shapely.normalize(units), lambda xy: _to_degrees(xy, frame))
    polygon = shapely.orient_polygons(polygon, exterior_cw=False)
    return Face(label, polygon, geodesic_area_m2(polygon))


def _check(polygons: list[Polygon]) -> None:
    """Refuse what is not a coverage of single-part polygons; it would mean a fault of the overlay."""
    sound = all(isinstance(polygon, Polygon) and polygon.is_valid for polygon in polygons)
    if not (sound and shapely.coverage_is_valid(polygons)):
        raise CheckError(
            f"zones: the {len(polygons)} polygons drawn for this field overlap or leave a gap. "
            "Try another cell size, and report the boundary with which it happens."
        )
