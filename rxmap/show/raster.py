"""Surfaces as pictures: warped to the map's projection, sorted into classes, encoded in place.

A picture lies between two corners in Web Mercator. A grid of another projection laid there
unturned is off by the convergence of the two, metres at the field's edge, so it is warped first.
"""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from PIL import Image
from rasterio.features import rasterize, shapes
from rasterio.warp import Resampling, reproject
from scipy.ndimage import distance_transform_edt
from shapely.geometry.base import BaseGeometry

from rxmap.grid import BoolArray, FloatArray, Frame, Grid

MERCATOR = "EPSG:3857"
RADIUS = 6378137.0  # [m] of the sphere of Web Mercator; IOGP Guidance Note 7-2, method 1024 (from memory)
MOST_PIXELS = 4_000_000  # in all pictures of a page together, so that the page stays small with many targets
LONGEST_SIDE = 800  # [pixel] of one picture; what a screen gives a map
MOST_VERTICES = 12_000  # in all lines of a page together; specks go first, their colour still shows them
MARGIN = 2  # [pixel] round the field, so that no line runs along the picture's edge

LatLon = list[float]


@dataclass(frozen=True)
class Canvas:
    """The pixels of one page's pictures: Web Mercator, north up, a little larger than the field.

    Parameters
    ----------
    frame : Frame
        The projection that the surfaces come in.
    boundary : Polygon or MultiPolygon
        The field, WGS84 lon/lat.
    pictures : int
        How many pictures the page carries.
    """

    frame: Frame
    boundary: BaseGeometry
    pictures: int = 1

    @cached_property
    def ground(self) -> BaseGeometry:
        """The field in Web Mercator."""
        return shapely.transform(self.boundary, _to_mercator)

    @cached_property
    def pixel(self) -> float:
        """Side of a pixel [Web Mercator m]."""
        west, south, east, north = self.ground.bounds
        side = min(LONGEST_SIDE, math.isqrt(MOST_PIXELS // max(self.pictures, 1)))
        return float(max(east - west, north - south)) / side

    @cached_property
    def transform(self) -> rasterio.Affine:
        """Column, row -> Web Mercator."""
        west, _, _, north = self.ground.bounds
        margin = MARGIN * self.pixel
        return rasterio.Affine(self.pixel, 0.0, west - margin, 0.0, -self.pixel, north + margin)

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        west, south, east, north = self.ground.bounds
        rows, columns = (math.ceil(side / self.pixel) + 2 * MARGIN for side in (north - south, east - west))
        return rows, columns

    @cached_property
    def inside(self) -> BoolArray:
        """Pixels whose centre lies in the field."""
        burned = rasterize([(self.ground, 1)], out_shape=self.shape, transform=self.transform, dtype="uint8")
        return np.asarray(burned, bool)

    @cached_property
    def corners(self) -> list[LatLon]:
        """South-west and north-east corner, each latitude, longitude [degree]."""
        rows, columns = self.shape
        edge = np.array([self.transform @ (0, rows), self.transform @ (columns, 0)])
        return latlon(_to_lonlat(edge), digits=9)

    def warp(self, grid: Grid, bands: list[FloatArray]) -> FloatArray:
        """Warp bands of one grid: (bands, rows, columns).

        Cells outside the field take their nearest neighbour's value first, so that a pixel on
        the edge is not pulled towards nothing; what lies outside is masked when it is drawn. A rim of
        `pad` cells more keeps the warp's own edge, where all falls to zero, away from the field.
        """
        pad = 2 + math.ceil(2 * MARGIN * self.pixel / grid.cell)
        known = np.isfinite(bands[0])
        nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
        source = np.stack([np.pad(band[tuple(nearest)], pad, mode="edge") for band in bands]).astype(np.float32)
        out = np.empty((len(bands), *self.shape), np.float32)
        reproject(
            source,
            out,
            src_transform=rasterio.Affine(*grid.transform) @ rasterio.Affine.translation(-pad, -pad),
            src_crs=self.frame.wkt,
            dst_transform=self.transform,
            dst_crs=MERCATOR,
            resampling=Resampling.bilinear,
        )
        return out.astype(float)

    def picture(self, values: FloatArray, breaks: list[float], colours: list[str]) -> str:
        """Draw classes as a palette PNG in a data URI, clear outside the field."""
        classes = np.where(self.inside, np.digitize(values, breaks), len(colours)).astype(np.uint8)
        return _png(classes, colours)

    def contour(self, values: FloatArray, level: float) -> list[list[LatLon]]:
        """Lines inside the field where the values pass `level`: lists of latitude, longitude."""
        above = (values >= level).astype(np.uint8)
        rings = [
            shapely.linestrings(np.array(ring))
            for polygon, _ in shapes(above, mask=above.astype(bool), transform=self.transform)
            for ring in polygon["coordinates"]
        ]
        # a stair of pixels becomes a line within one pixel of it
        lines = shapely.simplify(shapely.MultiLineString(rings), self.pixel, preserve_topology=False)
        parts = shapely.get_parts(shapely.intersection(lines, self.ground))
        parts = parts[shapely.length(parts) > 0]  # a line may touch the field's edge in a mere point
        parts = parts[np.argsort(-shapely.length(parts), kind="stable")]
        kept = np.cumsum(shapely.get_num_coordinates(parts)) <= MOST_VERTICES // max(self.pictures, 1)
        return [latlon(_to_lonlat(shapely.get_coordinates(line))) for line in parts[kept]]


def latlon(lonlat: FloatArray, digits: int = 6) -> list[LatLon]:
    """Turn lon/lat rows into the order of the map; 6 decimals are 0.1 m, finer than a screen shows."""
    return np.round(lonlat[:, ::-1], digits).tolist()  # type: ignore[no-any-return]


def _to_mercator(lonlat: FloatArray) -> FloatArray:
    lon, lat = np.radians(lonlat).T
    return np.asarray(RADIUS * np.column_stack([lon, np.arctanh(np.sin(lat))]))


def _to_lonlat(metres: FloatArray) -> FloatArray:
    east, north = metres.T / RADIUS
    return np.asarray(np.degrees(np.column_stack([east, np.arcsin(np.tanh(north))])))


def _png(classes: NDArray[np.uint8], colours: list[str]) -> str:
    image = Image.fromarray(classes).convert("P")
    palette = b"".join(bytes.fromhex(colour[1:]) for colour in colours) + b"\xff\xff\xff"
    image.putpalette(palette)
    out = io.BytesIO()
    image.save(out, "PNG", transparency=len(colours), bits=4)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")
