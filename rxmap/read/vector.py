"""Vector layers: GeoJSON, GeoPackage, KML and GPX by our own loaders, shapefile by fiona with one driver."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Caution, Faults, InputError
from rxmap.read import geojson, geopackage, gpx, kml
from rxmap.read.crs import crs_of_wkt, to_wgs84
from rxmap.read.door import Source
from rxmap.read.markup import is_markup, sniffed_root

MOST_VERTICES = 500_000  # our limit: what the later steps work through in a minute

Kind = Literal["geojson", "shapefile", "geopackage", "kml", "gpx"]

_ADVICE = "Export the layer as GeoJSON, GeoPackage, KML or shapefile"
_MARKUP: tuple[Kind, ...] = ("kml", "gpx")
_SHP, _DBF_HEADER, _SHP_HEADER, _SHX_RECORD = b"\x00\x00\x27\x0a", 32, 100, 8  # ESRI shapefile description, July 1998


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One feature in WGS84 longitude and latitude, its properties as text."""

    number: int  # from one, in the order of the file
    geometry: BaseGeometry
    properties: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A vector layer as it was read."""

    name: str
    features: tuple[Feature, ...]
    cautions: tuple[Caution, ...]
    kind: Kind = "geojson"


@dataclass(frozen=True, slots=True)
class _Raw:
    """Features before their coordinates are looked at."""

    crs: pyproj.CRS | None
    features: list[dict[str, Any]]


def kind_of(data: bytes) -> Kind | None:
    """Which vector format the file starts as, whatever its name says.

    Examples
    --------
    >>> kind_of(b'{"type": "Feature"}'), kind_of(b"stop,lon,lat")
    ('geojson', None)
    """
    if data.startswith(_SHP):
        return "shapefile"
    if data.startswith(geopackage.MAGIC):
        return "geopackage"
    if is_markup(data):
        return next((kind for kind in _MARKUP if kind == sniffed_root(data)), None)
    return "geojson" if data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"{", b"[") else None


def read_layer(source: Source) -> Layer:
    """Read a vector layer and bring it to WGS84.

    Parameters
    ----------
    source : Source
        From the door.

    Raises
    ------
    InputError
        With every faulty feature, one line each.

    Examples
    --------
    >>> data = b'{"type": "Point", "coordinates": [10.5, 50.5]}'
    >>> read_layer(Source(name="stop.geojson", data=data, side_cars={}, files=())).features
    (Feature(number=1, geometry=<POINT (10.5 50.5)>, properties={}),)
    """
    kind = kind_of(source.data)
    if kind is None:
        raise InputError(f"{source.name}: {_not_a_layer(source.data)}")
    raw = _READERS[kind](source)
    if not raw.features:
        raise InputError(f"{source.name}: holds no feature. Draw it again, or name another file.")
    geometries = _geometries(source.name, raw.features)
    geometries, shift = to_wgs84(source.name, geometries, raw.crs)
    caution = shift.caution(source.name) if shift else None
    return Layer(
        name=source.name,
        features=tuple(
            Feature(number=number, geometry=shape, properties=_texts(feature.get("properties")))
            for number, (shape, feature) in enumerate(zip(geometries, raw.features, strict=True), start=1)
        ),
        cautions=(caution,) if caution else (),
        kind=kind,
    )


def _not_a_layer(data: bytes) -> str:
    """Say what a file is that is no vector layer of ours, and what to do."""
    if not data.strip():
        return f"the file is empty. {_ADVICE}."
    if is_markup(data):
        return f"XML or HTML, but neither KML nor GPX. {_ADVICE}."
    return f"not a vector layer that is known here. {_ADVICE}."


def _geometries(name: str, features: list[dict[str, Any]]) -> list[BaseGeometry]:
    faults = Faults()
    out = []
    for number, feature in enumerate(features, start=1):
        try:
            out.append(geojson.geometry(feature.get("geometry")))
        except InputError as error:
            faults.add(f"{name}: feature {number} {error}.")
    faults.raise_if_any()
    vertices = int(shapely.get_num_coordinates(out).sum())
    if vertices > MOST_VERTICES:
        raise InputError(f"{name}: {vertices} vertices are more than {MOST_VERTICES}. Cut it to the field.")
    return out


def _texts(properties: Any) -> dict[str, str]:
    """Properties as the text that a table would hold; a null is a blank."""
    items = properties.items() if isinstance(properties, dict) else ()
    return {
        str(key): "" if value is None else value if isinstance(value, str) else json.dumps(value, default=str)
        for key, value in items
    }


def _read_geojson(source: Source) -> _Raw:
    document = geojson.load(source.name, source.data)
    return _Raw(geojson.declared_crs(source.name, document), geojson.features(source.name, document))


def _read_shapefile(source: Source) -> _Raw:
    """Read a shapefile from memory, so that no file but the hashed ones can steer the driver."""
    missing = [suffix for suffix in (".shx", ".dbf", ".prj") if suffix not in source.side_cars]
    if missing:
        raise InputError(f"{source.name}: {' and '.join(missing)} beside it missing. A shapefile needs all its parts.")
    _check_counts(source)
    from fiona.io import ZipMemoryFile  # here: 0.2 s that a plan with GeoJSON alone must not pay

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("layer.shp", source.data)
        for suffix, part in source.side_cars.items():
            if suffix != ".prj":  # read by us, below
                archive.writestr(f"layer{suffix}", part)
    prj = source.side_cars[".prj"].decode("utf-8", "replace")
    with ZipMemoryFile(packed.getvalue()) as memory:
        features = _collect(source.name, memory)
    return _Raw(crs_of_wkt(source.name, prj), features)


def _check_counts(source: Source) -> None:
    """Hold the lengths that the parts declare against what is there: drivers read half a file in silence."""
    shp, shx, dbf = source.data, source.side_cars[".shx"], source.side_cars[".dbf"]
    if len(shp) < _SHP_HEADER or len(shx) < _SHP_HEADER or len(dbf) < _DBF_HEADER:
        raise InputError(f"{source.name}: cut off within a header. Copy all its parts again.")
    rows, header, row = (int.from_bytes(dbf[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    shapes = (len(shx) - _SHP_HEADER) // _SHX_RECORD
    if len(shp) < 2 * int.from_bytes(shp[24:28], "big") or len(dbf) < header + rows * row:
        raise InputError(f"{source.name}: cut off: shorter than it declares. Copy all its parts again.")
    if shapes != rows:
        raise InputError(f"{source.name}: {shapes} shapes but {rows} rows of attributes. Copy all its parts again.")
    index = np.frombuffer(shx, ">i4", 2 * shapes, _SHP_HEADER).reshape(-1, 2).astype(np.int64)
    starts, lengths = 2 * index.T  # counted in words of 16 bits
    sound = (starts >= _SHP_HEADER) & (starts + _SHX_RECORD + lengths <= len(shp))
    said = [int.from_bytes(shp[start + 4 : start + 8], "big") * 2 for start in starts]
    if not sound.all() or len(np.unique(starts)) != shapes or (np.array(said, np.int64) != lengths).any():
        raise InputError(f"{source.name}: its index (.shx) does not fit its shapes. Copy all its parts again.")


def _read_geopackage(source: Source) -> _Raw:
    return _Raw(*geopackage.load(source.name, source.data))


def _read_kml(source: Source) -> _Raw:
    return _Raw(None, kml.load(source.name, source.data))


def _read_gpx(source: Source) -> _Raw:
    return _Raw(None, gpx.load(source.name, source.data))


def _collect(name: str, memory: Any) -> list[dict[str, Any]]:
    """Read all features through fiona; one that cannot be read stops it, none vanishes."""
    import fiona

    try:
        with memory.open("layer.shp", enabled_drivers=["ESRI Shapefile"]) as collection:
            features = [
                {"geometry": _listed(feature.geometry), "properties": dict(feature.properties)}
                for feature in collection
            ]
            complete = len(features) == len(collection)
    except (fiona.errors.FionaError, OSError, ValueError, LookupError) as error:
        raise InputError(f"{name}: cannot be read: {error}. Export it again.") from None
    if not complete:
        raise InputError(f"{name}: some of its features cannot be read. Export it again.")
    return features


def _listed(geometry: Any) -> Any:
    """Turn fiona's geometry into what a JSON loader would give."""
    return json.loads(json.dumps(geometry.__geo_interface__)) if geometry is not None else None


_READERS: dict[Kind, Callable[[Source], _Raw]] = {
    "geojson": _read_geojson,
    "shapefile": _read_shapefile,
    "geopackage": _read_geopackage,
    "kml": _read_kml,
    "gpx": _read_gpx,
}
