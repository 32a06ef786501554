"""The KML against OGC 07-147r2 (KML 2.2), its schema, and readers that did not write it."""

from __future__ import annotations

import html
import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import defusedxml.ElementTree
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from rxmap.errors import CheckError
from rxmap.read import kml as reader
from rxmap.records import Part, Result
from rxmap.write import kml as writer
from rxmap.write.kml import STYLES, write_kml
from rxmap.write.vectors import prescription

NS = {"k": "http://www.opengis.net/kml/2.2"}


@pytest.fixture(scope="module")
def globe(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kml") / "hopper.kml"
    write_kml(path, prescription(result.passes[0].parts))
    return path


def _one(path: Path, part: Part, **changes: object) -> Any:
    write_kml(path, prescription([replace(part, **changes)]))
    return defusedxml.ElementTree.parse(path).getroot()


def test_the_schema_of_the_standard_accepts_it(globe: Path) -> None:
    """The OGC's own ogckml22.xsd, as it ships with fastkml."""
    pytest.importorskip("lxml", reason="lxml is not installed")
    validator = pytest.importorskip("fastkml.validator", reason="fastkml is not installed")
    assert validator.validate(file_to_validate=globe) is True


def test_our_reader_of_boundaries_finds_every_polygon(globe: Path, result: Result) -> None:
    """`rxmap.read` parses KML on its own account; not a line is shared."""
    found = reader.load("hopper.kml", globe.read_bytes())
    for row, part in zip(found, result.passes[0].parts, strict=True):
        assert shapely.geometry.shape(row["geometry"]).normalize() == part.polygon.normalize()


def test_positions_are_lon_lat_and_rings_are_closed(globe: Path, result: Result) -> None:
    """Clause 16.10: longitude, latitude; 10.5 (LinearRing): the last position is the first. Outer counter-clockwise."""
    for shape in defusedxml.ElementTree.parse(globe).getroot().iterfind(".//k:Polygon", NS):
        rings = [
            [tuple(map(float, position.split(","))) for position in (ring.text or "").split()]
            for ring in shape.iterfind(".//k:coordinates", NS)
        ]
        assert all(ring[0] == ring[-1] and len(ring) >= 4 for ring in rings)
        assert all(10.1 <= lon <= 10.107 and 50.09 < lat < 50.11 for ring in rings for lon, lat in ring)
        assert [shapely.LinearRing(ring).is_ccw for ring in rings] == [number == 0 for number in range(len(rings))]


def test_every_part_says_its_rate_with_the_unit_or_why_it_has_none(globe: Path) -> None:
    root = defusedxml.ElementTree.parse(globe).getroot()
    names = [mark.findtext("k:name", None, NS) for mark in root.iterfind(".//k:Placemark", NS)]
    costs = "not treated: treating here costs more than it saves"
    assert names == [costs, "9 floz/acre", costs, "9 floz/acre", "not treated: keep-out: ditch"]
    told = root.findall(".//k:Placemark/k:description", NS)[1].text
    assert "rate: 9.0 floz/acre\n" in told
    assert "volume: 2.0 gal/acre\n" in told


def test_there_is_a_style_for_each_class_and_colours_are_aabbggrr(globe: Path) -> None:
    """Clause 16.9: eight hexadecimal digits, alpha first and red last."""
    root = defusedxml.ElementTree.parse(globe).getroot()
    styles = {
        style.get("id"): style.findtext("k:PolyStyle/k:color", None, NS) for style in root.iterfind(".//k:Style", NS)
    }
    assert list(styles) == list(STYLES)
    used = [mark.findtext("k:styleUrl", None, NS) for mark in root.iterfind(".//k:Placemark", NS)]
    assert used == ["#untreated", "#treated", "#untreated", "#treated", "#keep-out"]
    alpha, blue, green, red = bytes.fromhex(styles["treated"])
    assert alpha < 255  # the ground shows through
    assert green > red
    assert blue > red


def test_markup_in_a_name_stays_text_in_a_viewer(result: Result, tmp_path: Path) -> None:
    """A viewer takes a description for HTML (clause 9.1.3.10), so after XML it is escaped still."""
    root = _one(tmp_path / "a.kml", result.passes[0].parts[0], reason="<img src=x onerror=alert(1)> & ]]>")
    assert root.findtext(".//k:Placemark/k:name", None, NS) == "not treated: <img src=x onerror=alert(1)> & ]]>"
    told = root.findtext(".//k:Placemark/k:description", None, NS)
    assert "<" not in told
    assert "<img src=x onerror=alert(1)> & ]]>" in html.unescape(told)


def test_an_unknown_benefit_is_left_out(result: Result, tmp_path: Path) -> None:
    root = _one(tmp_path / "a.kml", result.passes[0].parts[0], benefit=None)
    assert "benefit" not in root.findtext(".//k:Placemark/k:description", None, NS)


def test_equal_results_give_equal_bytes(result: Result, globe: Path, tmp_path: Path) -> None:
    write_kml(tmp_path / "hopper.kml", prescription(result.passes[0].parts))
    assert (tmp_path / "hopper.kml").read_bytes() == globe.read_bytes()


def test_an_empty_polygon_is_refused(result: Result, tmp_path: Path) -> None:
    with pytest.raises(CheckError, match=r"a\.kml: feature 1: not one valid polygon"):
        _one(tmp_path / "a.kml", result.passes[0].parts[0], polygon=Polygon())


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        (b"9 floz/acre</name>", b"8 floz/acre</name>", "feature 1: the words are not those"),
        (b"10.1035000", b"10.1035001", "feature 1: the coordinates are not those"),
        (b"</kml>", b"", "what was written cannot be read"),
    ],
)
def test_a_file_that_differs_from_what_was_meant_is_refused(
    tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch, right: bytes, wrong: bytes, says: str
) -> None:
    monkeypatch.setattr(writer, "write_bytes", lambda path, content: path.write_bytes(content.replace(right, wrong)))
    with pytest.raises(CheckError, match=says):
        _one(tmp_path / "a.kml", result.passes[0].parts[1])


def test_ogr2ogr_reads_the_same_polygons(globe: Path, result: Result, program: Callable[[str], str]) -> None:
    command = [program("ogr2ogr"), "-f", "GeoJSON", "-lco", "COORDINATE_PRECISION=7", "/vsistdout/", str(globe)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    features = json.loads(done.stdout)["features"]
    assert not done.stderr
    for feature, part in zip(features, result.passes[0].parts, strict=True):
        assert shapely.force_2d(shapely.geometry.shape(feature["geometry"])).normalize() == part.polygon.normalize()


@settings(max_examples=30, deadline=None)
@given(product=st.text(), reason=st.text())
def test_whatever_the_text_it_reads_back(
    tmp_path_factory: pytest.TempPathFactory, result: Result, **changes: str
) -> None:
    _one(tmp_path_factory.getbasetemp() / "text.kml", result.passes[0].parts[0], **changes)
