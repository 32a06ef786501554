"""What a machine logged: a layer of polygons or points, or a raster, with a rate, as ground in metres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Faults, InputError, shown
from rxmap.grid import FloatArray, Grid
from rxmap.plan import ReviewApplied
from rxmap.read import cells
from rxmap.read.door import Source, open_source
from rxmap.read.layers import hashed, raster_path
from rxmap.read.vector import Feature, Layer, read_layer
from rxmap.records import Field, InputFile
from rxmap.units import parse

TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")  # TIFF 6.0 section 2; BigTIFF
POSITION_M = 1.0  # [m] how far a machine's edge may be from where it was logged; judgement
DIGITS = 3  # of a rate in cells: nothing is metered better, and equal cells join

Parts = tuple[tuple[float, BaseGeometry], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedLayer:
    """Ground that was sprayed.

    Parameters
    ----------
    parts : tuple of (float, geometry)
        Rate in `unit` and ground [m]; no rate is 0. They may overlap where a machine sprayed twice.
    unit : str
        Of the rates.
    error_m : float [m]
        How far edges may be off.
    how : str
        How ground was made of the file, in words.
    """

    parts: Parts
    unit: str
    error_m: float
    how: str

    @property
    def ground(self) -> BaseGeometry:
        """All of it."""
        return shapely.union_all([ground for _, ground in self.parts])


def read_applied(
    section: ReviewApplied, folder: Path, field: Field, grid: Grid, *, swath_m: float
) -> tuple[AppliedLayer, tuple[InputFile, ...]]:
    """Read what was applied.

    Parameters
    ----------
    section : ReviewApplied
        File, column of the rate (the number of the band in a raster), unit.
    folder : Path
        The plan's.
    field, grid : Field, Grid
        Where it should lie.
    swath_m : float [m]
        Width of the ground that a logged point stands for.

    Raises
    ------
    InputError
        If it holds no rate, or lies elsewhere.
    """
    try:
        unit = parse(f"1 {section.unit}", "rate").unit
    except InputError as error:
        raise InputError(f"review.applied.unit: {error}") from None
    path = raster_path(folder, section.file)
    with path.open("rb") as file:
        start = file.read(4)
    if start in TIFF:
        layer = _from_raster(section, path, unit, field, grid)
        return layer, (hashed(path, section.file),)
    source = open_source(folder, section.file)
    return _from_vector(section, source, unit, field, grid, swath_m), source.files


def _from_raster(section: ReviewApplied, path: Path, unit: str, field: Field, grid: Grid) -> AppliedLayer:
    from rxmap.read.imagery import read_raster  # here: rasterio costs 0.2 s that a vector layer must not pay

    if not section.rate.isdecimal() or int(section.rate) < 1:
        raise InputError(f"review.applied.rate: found {shown(section.rate)}: of a raster write the band, such as '1'.")
    values = read_raster(path, section.file, [int(section.rate)], grid=grid, frame=field.frame).values[0]
    if np.nanmin(values) < 0:
        raise InputError(f"{section.file}: holds a negative rate. Is its nodata declared?")
    values = np.nan_to_num(values)
    if values.any():  # a cell at the rim was sprayed in part: it counts where that is most of it
        values[values < np.median(values[values > 0]) / 2] = 0.0
    return _checked(
        AppliedLayer(
            parts=_of_cells(values, grid),
            unit=unit,
            error_m=max(POSITION_M, grid.cell / 2),
            how=f"band {section.rate} averaged to cells of {grid.cell:g} m, those with half of the usual rate or more",
        ),
        section.file,
        field,
    )


def _from_vector(
    section: ReviewApplied, source: Source, unit: str, field: Field, grid: Grid, swath_m: float
) -> AppliedLayer:
    layer = read_layer(source)
    rates = _rates(layer, section.rate)
    kinds = {feature.geometry.geom_type for feature in layer.features}
    if kinds <= {"Polygon", "MultiPolygon"}:
        (parts, how), error = _of_polygons(layer.features, rates, field), POSITION_M
    elif kinds == {"Point"}:
        places = np.array([(feature.geometry.x, feature.geometry.y) for feature in layer.features])
        metres = np.column_stack(field.frame.to_metres(places[:, 0], places[:, 1]))
        values, spacing = _nearest(metres, np.array(rates), grid, swath_m)
        parts, error = _of_cells(values, grid), max(POSITION_M, grid.cell / 2, spacing / 2)
        how = f"points {spacing:.1f} m apart, each for the cells within half a swath of {swath_m:g} m"
    else:
        raise InputError(
            f"{layer.name}: holds {', '.join(sorted(kinds))}. What was applied is polygons, or points of a log."
        )
    return _checked(AppliedLayer(parts=parts, unit=unit, error_m=error, how=how), layer.name, field)


def _rates(layer: Layer, column: str) -> list[float]:
    """Rate of each feature: a plain number of 0 or more."""
    names = dict.fromkeys(name for feature in layer.features for name in feature.properties)
    if column not in names:
        raise InputError(f"{layer.name}: no attribute {shown(column)} (review.applied.rate). It has {_some(names)}.")
    faults = Faults()
    found = []
    for feature in layer.features:
        text = feature.properties.get(column, "")
        try:
            value = cells.score(text)
        except ValueError:
            faults.add(
                f"{layer.name}: feature {feature.number}, {column}: found {shown(text)}: not a rate. Write a number "
                "of 0 or more."
            )
            value = 0.0
        found.append(value)
    faults.raise_if_any()
    return found


def _some(names: Sequence[str] | dict[str, None]) -> str:
    return ", ".join(shown(name) for name in list(names)[:8]) or "none"


def _of_polygons(features: Sequence[Feature], rates: Sequence[float], field: Field) -> tuple[Parts, str]:
    """Take polygons to metres; a log is made by a machine, so what crosses itself is mended, not refused."""
    sprayed = [(rate, one.geometry) for rate, one in zip(rates, features, strict=True) if rate > 0]
    mended = sum(not ground.is_valid for _, ground in sprayed)
    whole = (shapely.make_valid(ground, method="structure", keep_collapsed=False) for _, ground in sprayed)
    parts = tuple(
        (rate, field.frame.geometry_to_metres(ground))
        for (rate, _), ground in zip(sprayed, whole, strict=True)
        if not ground.is_empty
    )
    return parts, f"polygons as logged{f', {mended} that cross themselves mended' if mended else ''}"


def _nearest(metres: FloatArray, rates: FloatArray, grid: Grid, swath_m: float) -> tuple[FloatArray, float]:
    """Rate of the logged point nearest to each cell, within its footprint; and how far points are apart."""
    tree = cKDTree(metres)
    apart = tree.query(metres, k=2)[0][:, 1] if len(metres) > 1 else np.zeros(1)
    spacing = float(np.median(apart))
    easting, northing = np.meshgrid(*grid.axes())
    distance, index = tree.query(np.column_stack([easting.ravel(), northing.ravel()]))
    near = distance <= math.hypot(swath_m / 2, spacing / 2)
    return np.where(near, rates[np.minimum(index, len(rates) - 1)], 0.0).reshape(grid.shape), spacing


def _of_cells(values: FloatArray, grid: Grid) -> Parts:
    """Join cells of one rate to ground."""
    from rasterio.features import shapes  # here: importing rasterio costs 0.15 s

    with np.errstate(divide="ignore"):
        steps = 10.0 ** (np.floor(np.log10(values, where=values > 0, out=np.zeros_like(values))) - DIGITS + 1)
    rounded = np.where(values > 0, np.round(values / steps) * steps, 0.0).astype(np.float32)
    found = shapes(rounded, mask=rounded > 0, transform=grid.transform)
    return tuple((float(rate), shapely.geometry.shape(ring)) for ring, rate in found)


def _checked(layer: AppliedLayer, name: str, field: Field) -> AppliedLayer:
    if not layer.parts:
        raise InputError(f"{name}: holds no rate above 0 in the field. Is it the right column or band?")
    if not any(ground.intersects(field.ground) for _, ground in layer.parts):
        raise InputError(f"{name}: none of it is in the field. Is it another field's?")
    return layer
