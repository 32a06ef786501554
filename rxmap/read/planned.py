"""The planned side of a review: a result folder, read as it was published."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import InputError, shown
from rxmap.grid import FloatArray, Grid
from rxmap.plan import Plan, plan_fault
from rxmap.read.door import open_source
from rxmap.read.imagery import read_raster
from rxmap.read.layers import raster_path
from rxmap.read.reader import PixelReader
from rxmap.read.vector import Layer, read_layer
from rxmap.records import Field, Observation

MEASURED = ("count", "positives", "severity_pct", "rating")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPass:
    """A pass as it was handed to the machine; grounds in metres.

    Parameters
    ----------
    name, slug : str
        Of the pass.
    products : tuple of mapping
        ``name, rate, unit, total, total_unit`` as in the summary, the lead product first.
    parts : tuple of (float, geometry)
        Rate of the lead product and treated ground.
    volume : float
        Spray volume of treated ground in `vol_unit`, the largest.
    vol_unit : str
        Such as ``gal/acre``.
    strips : tuple of (int, geometry)
        Check strips by number.
    keep_out : geometry
        What this pass keeps away from, setbacks included.
    """

    name: str
    slug: str
    products: tuple[Mapping[str, Any], ...]
    parts: tuple[tuple[float, BaseGeometry], ...]
    volume: float
    vol_unit: str
    strips: tuple[tuple[int, BaseGeometry], ...]
    keep_out: BaseGeometry

    @property
    def treated(self) -> BaseGeometry:
        """All ground planned to be treated."""
        return shapely.union_all([ground for _, ground in self.parts])


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A result folder: what was seen, decided and handed over."""

    passes: tuple[PlannedPass, ...]  # that go out
    observations: tuple[Observation, ...]  # every row, used or not
    pressure: Mapping[str, FloatArray]  # surface mean on the field grid by target name; NaN outside
    units: Mapping[str, str]  # of the pressure, by target name


def read_planned(folder: Path, plan: Plan, field: Field, grid: Grid) -> Planned:
    """Read a result folder that is as it was published.

    Parameters
    ----------
    folder : Path
        The result, its manifest held already.
    plan : Plan
        Of the review.
    field, grid : Field, Grid
        Of that plan.

    Raises
    ------
    InputError
        If the result is of another field, of targets and products that the plan does not have, or of another form.
    """
    try:
        return _read_planned(folder, plan, field, grid)
    except InputError:
        raise
    except (LookupError, TypeError, ValueError, AttributeError) as error:  # whole by its manifest, and yet not ours
        raise InputError(
            f"{folder.name}: not of the form that rxmap build writes ({type(error).__name__}: {shown(error)}). Build "
            "it again from its plan."
        ) from None


def _read_planned(folder: Path, plan: Plan, field: Field, grid: Grid) -> Planned:
    summary = json.loads(open_source(folder, "summary.json").data)
    _check_same(summary, plan, field, folder)
    strips, kept = (_layer(folder, name) for name in ("check_strips.geojson", "keep_out.geojson"))
    to_metres = field.frame.geometry_to_metres
    passes = []
    for told in summary["passes"]:
        if told["decision"] == "none":
            continue
        files = told["files"]
        layer = _layer(folder, files.get("geojson") or files["shapefile"])
        treated = [feature for feature in layer.features if feature.properties["treat"] == "1"]
        volumes = {(float(f.properties["volume"]), f.properties["vol_unit"]) for f in treated}
        volume, unit = max(volumes, default=(0.0, plan.machine.carrier.unit if plan.machine else "L/ha"))
        passes.append(
            PlannedPass(
                name=told["name"],
                slug=told["slug"],
                products=tuple(told["products"]),
                parts=tuple((float(f.properties["rate"]), to_metres(f.geometry)) for f in treated),
                volume=volume,
                vol_unit=unit,
                strips=tuple(
                    (int(f.properties["strip"]), to_metres(f.geometry))
                    for f in strips.features
                    if f.properties["pass"] == told["slug"]
                ),
                keep_out=to_metres(shapely.union_all([f.geometry for f in kept.features if _keeps(f, told["slug"])])),
            )
        )
    return Planned(
        passes=tuple(passes),
        observations=_observations(_layer(folder, "stops.geojson"), field),
        pressure=_surfaces(folder, summary["targets"], field, grid),
        units={t["name"]: t["unit"] for t in summary["targets"]},
    )


def _surfaces(folder: Path, targets: Sequence[Mapping[str, str]], field: Field, grid: Grid) -> dict[str, FloatArray]:
    """Mean pressure of each target on the field grid."""
    with PixelReader() as reader:
        read = {
            told["name"]: read_raster(
                raster_path(folder, told["surface"]), told["surface"], [1], grid=grid, frame=field.frame, reader=reader
            )
            for told in targets
        }
    return {name: raster.values[0] for name, raster in read.items()}


def _check_same(summary: Any, plan: Plan, field: Field, folder: Path) -> None:
    told = summary["field"]
    if told["crs"] != field.frame.wkt or abs(told["area_ha"] - field.area_ha) > 1e-3:
        raise plan_fault(
            plan,
            f"field.boundary: {field.area_ha:.2f} ha here, {told['area_ha']:.2f} ha in {folder.name}: not the same "
            "ground. Review a result with the plan that made it.",
        )
    for key, here in (("target", plan.target), ("product", plan.product)):
        names = {one.name for one in here}
        there = (
            [t["name"] for t in summary["targets"]]
            if key == "target"
            else [p["name"] for one in summary["passes"] if one["decision"] != "none" for p in one["products"]]
        )
        for name in dict.fromkeys(there):
            if name not in names:
                raise plan_fault(plan, f"{key}: {folder.name} has '{name}', this plan does not. Add it again.")


def _layer(folder: Path, name: str) -> Layer:
    """Read a layer of the result; one without features, as a result without strips has, is no fault."""
    source = open_source(folder, name)
    if name.endswith(".geojson") and not json.loads(source.data)["features"]:
        return Layer(name=name, features=(), cautions=())
    return read_layer(source)


def _keeps(feature: Any, slug: str) -> bool:
    passes = [name for name in feature.properties.get("passes", "").split(",") if name]
    return not passes or slug in passes


def _observations(layer: Layer, field: Field) -> tuple[Observation, ...]:
    """Read the scouting rows as the result wrote them."""
    found = []
    for feature in layer.features:
        row = feature.properties
        value = next((row[name] for name in MEASURED if row.get(name)), None)
        if value is None:  # a target that the plan did not name
            continue
        east, north = field.frame.to_metres([feature.geometry.x], [feature.geometry.y])
        found.append(
            Observation(
                stop=row["stop"], lon=feature.geometry.x, lat=feature.geometry.y, easting=float(east[0]),
                northing=float(north[0]), target=row["target"], n=int(row["n"]), value=float(value),
                place=f"{layer.name}: feature {feature.number}",
                date=dt.date.fromisoformat(row["date"]) if row.get("date") else None, edge=row.get("edge") == "1",
                used=row["used"] == "true", why=row.get("why", ""),
            )
        )  # fmt: skip
    if not found:
        raise InputError(f"{layer.name}: holds no stop. Was the result made by rxmap build?")
    return tuple(found)
