"""GeoJSON: what a general loader lets through and this one does not."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.read.door import Source
from rxmap.read.vector import Layer, read_layer

SQUARE = '{"type":"Polygon","coordinates":[[[10,50],[10.01,50],[10.01,50.01],[10,50.01],[10,50]]]}'


def read(data: str | bytes) -> Layer:
    return read_layer(
        Source(name="a.geojson", data=data.encode() if isinstance(data, str) else data, side_cars={}, files=())
    )


def collection(*features: str, crs: str = "") -> str:
    return f'{{"type":"FeatureCollection",{crs}"features":[{",".join(features)}]}}'


def feature(geometry: str, properties: str = "{}") -> str:
    return f'{{"type":"Feature","properties":{properties},"geometry":{geometry}}}'


def crs(name: str) -> str:
    return f'"crs":{{"type":"name","properties":{{"name":"{name}"}}}},'


GOOD = feature(SQUARE)
# RFC 7946 section 3.1.6: a ring is closed and has four or more positions; section 3.1.1: positions are numbers
REFUSED = {
    "empty": (b"  \n", "the file is empty"),
    "cut off": (collection(GOOD)[:60], "not JSON"),
    "not a number": (collection(GOOD).replace("50.01", "NaN"), "NaN is not a number"),
    "overflow": (collection(GOOD).replace("50.01", "1e400"), "1e400"),
    "integer of thousands of digits": (collection(GOOD).replace("50.01", "5" * 5000), "a.geojson"),
    "integer beyond any float": (collection(GOOD).replace("50.01", "5" * 400), "is too large"),
    "deep nesting": ("[" * 100_000, "nested too deeply"),
    "deep but finite nesting": ('{"a":' * 50_000 + "1" + "}" * 50_000, "nested too deeply"),
    "key twice": (collection(GOOD).replace('"features"', '"type":"x","features"'), "'type' stands twice"),
    "latin-1": (collection(feature(SQUARE, '{"a":"\u00e9"}')).encode("latin-1"), "is not UTF-8"),
    "a list": ("[1, 2]", "no GeoJSON"),
    "another document": ('{"type":"Topology"}', "its type is 'Topology'"),
    "no type": ("{}", "no GeoJSON"),
    "no features": (collection(), "holds no feature"),
    "features are no list": ('{"type":"FeatureCollection","features":{}}', "not a list"),
    "null feature": (collection(GOOD, "null"), "not a list of objects"),
    "null geometry": (collection(GOOD, feature("null")), "feature 2 has no geometry"),
    "empty geometry": (collection(feature('{"type":"Point","coordinates":[]}')), "feature 1 has no geometry"),
    "geometry collection": ('{"type":"GeometryCollection","geometries":[]}', "feature 1 has no geometry"),
    "unknown geometry": (feature('{"type":"Circle","coordinates":[1,2]}'), "'Circle'"),
    "text in a position": (feature('{"type":"Point","coordinates":["10","50"]}'), "not two or three numbers"),
    "true in a position": (feature('{"type":"Point","coordinates":[true,50]}'), "not two or three numbers"),
    "one number": (feature('{"type":"Point","coordinates":[10]}'), "not two or three numbers"),
    "flat ring": (feature('{"type":"Polygon","coordinates":[[10,50,10,51]]}'), "where coordinates are due"),
    "short ring": (feature('{"type":"Polygon","coordinates":[[[10,50],[11,50],[10,50]]]}'), "a line or ring of 3"),
    "open ring": (
        feature('{"type":"Polygon","coordinates":[[[10,50],[11,50],[11,51],[10,51]]]}'),
        "does not end there",
    ),
    "metres": (feature('{"type":"Point","coordinates":[578825,5550500]}'), "look like metres or feet"),
    "swapped": (feature('{"type":"Point","coordinates":[45.1,-93.2]}'), "look swapped"),
    "past 180": (feature('{"type":"Point","coordinates":[190,50]}'), "not longitude and latitude"),
    "crs without meaning": (collection(GOOD, crs=crs("EPSG:999999")), "no coordinate system"),
    "crs by link": (
        collection(GOOD, crs='"crs":{"type":"link","properties":{"href":"http://127.0.0.1/crs.wkt"}},'),
        "its crs member",
    ),
    "crs by address": (collection(GOOD, crs=crs("http://127.0.0.1/crs.wkt")), "its crs member"),
    "crs by file": (collection(GOOD, crs=crs("/etc/hostname")), "its crs member"),
    "crs in words": (collection(GOOD, crs=crs("WGS84")), "its crs member"),
}


@pytest.mark.parametrize(("data", "part"), REFUSED.values(), ids=REFUSED)
def test_doubtful_geojson_is_refused(data: str | bytes, part: str) -> None:
    with pytest.raises(InputError) as caught:
        read(data)
    assert part in str(caught.value)
    assert all(line.startswith("a.geojson: ") for line in caught.value.lines())


@pytest.mark.parametrize("name", ["urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:EPSG::4326", "EPSG:4326"])
def test_a_crs_member_of_wgs84_changes_nothing(name: str) -> None:
    assert read(collection(GOOD, crs=crs(name))).features == read(collection(GOOD)).features


def test_harmless_variants_are_read_alike() -> None:
    plain = read(collection(GOOD))
    assert read(SQUARE) == read(GOOD) == plain == read("\ufeff" + collection(GOOD))
    high = SQUARE.replace("50]", "50,312.5]").replace("50.01]", "50.01,9]")
    assert read(high).features[0].geometry.equals(plain.features[0].geometry)
    assert not read(high).features[0].geometry.has_z


def test_properties_become_the_text_of_a_table() -> None:
    layer = read(feature(SQUARE, '{"a": 7, "b": "007", "c": null, "d": 2.5, "e": true, "f": [1, "x"]}'))
    assert layer.features[0].properties == {"a": "7", "b": "007", "c": "", "d": "2.5", "e": "true", "f": '[1, "x"]'}


def test_every_faulty_feature_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        read(collection(feature("null"), GOOD, feature("null")))
    assert [line.split(" has")[0] for line in caught.value.lines()] == ["a.geojson: feature 1", "a.geojson: feature 3"]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-400, 400) | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["type", "coordinates", "features", "geometry", "crs", "properties"]), inner)
    ),
    max_leaves=12,
)


@given(JSON, st.sampled_from(["Point", "Polygon", "MultiPolygon", "FeatureCollection", "Feature"]))
def test_any_json_is_read_or_refused(value: object, kind: str) -> None:
    document = {"type": kind, "coordinates": value, "features": value, "geometry": value}
    lines: list[str] = []
    try:
        read(json.dumps(document))
    except InputError as error:
        lines = error.lines()
    assert all(line.startswith("a.geojson: ") for line in lines)
