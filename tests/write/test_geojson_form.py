"""GeoJSON against RFC 7946, read by code that did not write it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import geojson_validator
import numpy as np
import pyogrio.raw
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Point, Polygon, box

from rxmap.errors import CheckError
from rxmap.write import geojson as writer
from rxmap.write.geojson import Feature, write_geojson

LAYERS = ("stops.geojson", "zones.geojson", "keep_out.geojson", "passes/hopper-pass/machine/hopper.geojson")
# RFC 7946 11.2 suggests 6 decimals; 7 are kept on purpose. A hole is legal and meant.
ON_PURPOSE = {"excessive_coordinate_precision", "holes"}


@pytest.mark.parametrize("layer", LAYERS)
def test_an_outside_validator_finds_nothing_wrong(written: Path, layer: str) -> None:
    document = json.loads((written / layer).read_text("utf-8"))
    assert not geojson_validator.validate_structure(document, check_crs=True)
    if "stops" in layer:  # its geometry checks are about polygons
        return
    found = geojson_validator.validate_geometries(document)
    assert not found["invalid"]
    assert set(found["problematic"]) <= ON_PURPOSE


@pytest.mark.parametrize("layer", LAYERS)
def test_what_no_validator_sees_holds_too(written: Path, layer: str) -> None:
    document = json.loads((written / layer).read_text("utf-8"))
    shapes = [shapely.geometry.shape(feature["geometry"]) for feature in document["features"]]
    assert "crs" not in document  # RFC 7946 4
    assert document["bbox"] == list(shapely.total_bounds(shapes))  # RFC 7946 5: west, south, east, north
    ids = [feature["id"] for feature in document["features"]]
    assert ids == list(range(1, len(ids) + 1))
    assert all(
        feature["bbox"] == list(shape.bounds) for feature, shape in zip(document["features"], shapes, strict=True)
    )


@pytest.mark.parametrize("layer", LAYERS)
def test_coordinates_have_at_most_seven_decimals_and_lines_one_feature(written: Path, layer: str) -> None:
    content = (written / layer).read_bytes()
    lines = content.decode("utf-8").split("\n")
    coordinates = "".join(re.findall(r'"coordinates":(.*)\}\}', content.decode("utf-8")))
    assert not re.search(r"\d\.\d{8}|[eE]", coordinates)
    assert lines[-1] == ""
    assert lines[-2] == "]}"
    assert b"\r" not in content
    assert all(json.loads(line.rstrip(","))["type"] == "Feature" for line in lines[1:-2])


def test_a_west_east_mixup_would_be_seen(written: Path) -> None:
    """No validator sees latitude and longitude swapped where both are below 90; the place itself tells."""
    west, south, east, north = json.loads((written / "zones.geojson").read_text("utf-8"))["bbox"]
    assert (west, east) == pytest.approx((10.1, 10.107), abs=1e-6)
    assert (south, north) == pytest.approx((50.0999, 50.10375), abs=1e-6)


def test_rings_turn_as_rfc_7946_3_1_6_says_whatever_came_in(tmp_path: Path) -> None:
    clockwise = Polygon(box(10, 50, 11, 51, ccw=False).exterior, [box(10.2, 50.2, 10.4, 50.4).exterior])
    write_geojson(tmp_path / "a.geojson", [Feature(MultiPolygon([clockwise]), {})])
    outer, hole = json.loads((tmp_path / "a.geojson").read_text())["features"][0]["geometry"]["coordinates"][0]
    assert _doubled_area(outer) > 0 > _doubled_area(hole)


def _doubled_area(ring: list[list[float]]) -> float:
    """Signed: positive where the ring runs counter-clockwise (the surveyor's formula)."""
    east, north = np.array(ring).T
    return float(np.sum(east[:-1] * north[1:] - east[1:] * north[:-1]))


def test_no_features_make_a_legal_empty_layer(tmp_path: Path) -> None:
    write_geojson(tmp_path / "none.geojson", [])
    assert json.loads((tmp_path / "none.geojson").read_text()) == {"type": "FeatureCollection", "features": []}


@settings(max_examples=40, deadline=None)  # each waits for the disk
@given(st.text(), st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**53), 2**53))
def test_any_text_and_number_survives(
    tmp_path_factory: pytest.TempPathFactory, text: str, number: float, whole: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.geojson"
    write_geojson(path, [Feature(Point(10, 50), {"text": text, "number": number, "whole": whole})])
    (line,) = path.read_text("utf-8").split("\n")[1:-2]
    assert json.loads(line)["properties"] == {"text": text, "number": number, "whole": whole}


def test_hostile_text_is_only_text_to_another_reader(written: Path, result: object) -> None:
    meta, _, _, columns = pyogrio.raw.read(written / "stops.geojson")
    notes = dict(zip(meta["fields"], columns, strict=True))["note"]
    assert [note for note in notes if note] == [row.note for row in result.observations if row.note]


@pytest.mark.parametrize(
    ("feature", "says"),
    [
        (Feature(Point(10, 50), {"rate": float("nan")}), "an attribute is not a number"),
        (Feature(Polygon(), {}), "no place"),
        (Feature(Point(float("nan"), 50), {}), "no place"),
        (Feature(Polygon([(10, 50), (11, 51), (11, 50), (10, 51)]), {}), "Self-intersection"),
        (Feature(box(10, 50, 10 + 1e-8, 50 + 1e-8), {}), "not a valid geometry"),  # nothing is left of it at 7 decimals
    ],
)
def test_what_cannot_be_a_layer_is_refused(tmp_path: Path, feature: Feature, says: str) -> None:
    with pytest.raises(CheckError, match=f"a.geojson: feature 1: .*{says}"):
        write_geojson(tmp_path / "a.geojson", [feature])


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("50.5", "50.4999999"),
        ('"unit": "L/ha"', '"unit": "gal/acre"'),
        ('"bbox":[10,50,11,50.5],"features"', '"bbox":[50,10,50.5,11],"features"'),
        ('"rate": 9.0', '"rate": 9.001'),
        ('"rate": 9.0', '"rate": 1.0, "rate": 9.0'),
        ("[[10,50],[11,50],", "[[10,50],[11,50],[11,50],"),
    ],
)
def test_a_file_that_differs_from_what_was_meant_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, right: str, wrong: str
) -> None:
    def spoil(path: Path, content: bytes) -> None:
        assert right.encode() in content
        path.write_bytes(content.replace(right.encode(), wrong.encode()))

    monkeypatch.setattr(writer, "write_bytes", spoil)
    triangle = Polygon([(10, 50), (11, 50), (10, 50.5)])
    with pytest.raises(CheckError, match=r"a\.geojson"):
        write_geojson(tmp_path / "a.geojson", [Feature(triangle, {"rate": 9.0, "unit": "L/ha"})])
