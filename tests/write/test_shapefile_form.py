"""The shapefile against the ESRI white paper of 1998, read by code that did not write it."""

from __future__ import annotations

import itertools
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio.raw
import pytest
import shapefile as pyshp
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from rxmap.errors import CheckError
from rxmap.records import Part, Result
from rxmap.write import shapefile as writer
from rxmap.write.shapefile import SCHEMA, SIDE_FILES, ascii_text, write_shapefile
from rxmap.write.vectors import prescription

SHP = "passes/hopper-pass/machine/hopper.shp"


def _write(path: Path, part: Part, **changes: object) -> None:
    write_shapefile(path, prescription([replace(part, **changes)]))


def test_exactly_five_files_stand_together(written: Path) -> None:
    files = {path.suffix for path in (written / SHP).parent.glob("hopper.*")} - {".geojson"}
    assert files == set(SIDE_FILES)


def test_columns_have_short_ascii_names_and_our_widths(written: Path) -> None:
    """Ten bytes at most, a letter first (GDAL documentation, Shapefile driver; white paper, dBASE file)."""
    with pyshp.Reader(written / SHP) as layer:
        columns = {row.name: (row.field_type, row.size, row.decimal) for row in layer.fields[1:]}
    assert list(columns) == list(SCHEMA)
    assert all(len(name) <= 10 and name.isascii() and name[0].isalpha() for name in columns)
    assert columns["rate"] == ("N", 12, 3)
    assert columns["zone"] == ("N", 4, 0)
    assert columns["reason"] == ("C", 80, 0)


def test_every_value_and_polygon_reaches_a_reader_without_gdal(written: Path, result: Result) -> None:
    parts = result.passes[0].parts
    with pyshp.Reader(written / SHP) as layer:
        rows = [record.as_dict() for record in layer.records()]
        polygons = [shapely.geometry.shape(shape.__geo_interface__) for shape in layer.shapes()]
    for row, part in zip(rows, parts, strict=True):
        assert row == {name: getattr(part, name) for name in SCHEMA} | {
            "pressure": round(part.pressure, 4),
            "p_over": round(part.p_over, 4),
        }
    assert all(got.normalize() == part.polygon.normalize() for got, part in zip(polygons, parts, strict=True))


def test_header_and_ring_order_are_the_white_papers(written: Path) -> None:
    """White paper pages 4 and 8: code 9994, version 1000, type 5, lengths in 16-bit words; outer rings clockwise."""
    content = (written / SHP).read_bytes()
    assert struct.unpack(">i", content[:4])[0] == 9994
    assert struct.unpack(">i", content[24:28])[0] * 2 == len(content)
    assert struct.unpack("<ii", content[28:36]) == (1000, 5)
    with pyshp.Reader(written / SHP) as layer:
        for shape in layer.shapes():
            starts = [*shape.parts, len(shape.points)]
            rings = [shape.points[start:end] for start, end in itertools.pairwise(starts)]
            assert [shapely.LinearRing(ring).is_ccw for ring in rings] == [number > 0 for number in range(len(rings))]


def test_both_formats_carry_the_same_coordinates_and_values(written: Path) -> None:
    shp, geo = (pyogrio.raw.read((written / SHP).with_suffix(ending)) for ending in (".shp", ".geojson"))
    assert list(shp[0]["fields"]) == list(geo[0]["fields"])
    assert shapely.equals_identical(*(shapely.normalize(shapely.from_wkb(side[2])) for side in (shp, geo))).all()
    for one, other in zip(shp[3], geo[3], strict=True):
        np.testing.assert_array_equal(one, other)


def test_text_is_ascii_and_the_date_no_clock(written: Path) -> None:
    table = (written / SHP).with_suffix(".dbf").read_bytes()
    header = int.from_bytes(table[8:10], "little")
    assert table[header:].isascii()
    assert tuple(table[1:4]) == (100, 1, 1)  # years since 1900, month, day of the header
    assert (written / SHP).with_suffix(".cpg").read_text() == "UTF-8"
    assert (written / SHP).with_suffix(".prj").read_text().startswith('GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984"')


def test_an_unknown_benefit_is_zero_here_and_null_in_geojson(tmp_path: Path, result: Result) -> None:
    part = replace(result.passes[0].parts[0], benefit=None)
    _write(tmp_path / "a.shp", part)
    with pyshp.Reader(tmp_path / "a.shp") as layer:
        assert layer.record(0)["benefit"] == 0.0
    assert prescription([part])[0].properties["benefit"] is None


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        # The driver cuts 1e9 in a column of 8 characters to 1e7 without a word, so the width is ours to check.
        ({"rate": 1e9}, "rate is '1000000000.0', too long for the 12 characters"),
        ({"pressure": -1e9}, "pressure is .*, too long"),
        ({"zone": 12345}, "zone is '12345', too long"),
        ({"benefit": 1e12}, "benefit is .*, too long"),
        ({"p_over": float("nan")}, "p_over is 'nan', not a number"),
        ({"volume": float("inf")}, "volume is 'inf', not a number"),
    ],
)
def test_a_number_that_does_not_fit_its_column_is_refused(
    tmp_path: Path, result: Result, changes: dict[str, float], says: str
) -> None:
    with pytest.raises(CheckError, match=f"a.shp: record 1: {says}"):
        _write(tmp_path / "a.shp", result.passes[0].parts[1], **changes)
    assert not list(tmp_path.iterdir())


def test_a_rate_is_never_rounded_here(result: Result) -> None:
    """Rounding could carry it over a limit of the label; that is the business of the passes."""
    with pytest.raises(CheckError, match=r"part 1: its rate 1\.2345 has more than three decimals"):
        prescription([replace(result.passes[0].parts[1], rate=1.2345)])


@pytest.mark.parametrize(
    "polygon",
    [
        MultiPolygon([box(10, 50, 11, 51), box(12, 50, 13, 51)]),
        Polygon(),
        Polygon([(10, 50), (11, 51), (11, 50), (10, 51)]),
    ],
)
def test_what_is_not_one_valid_polygon_is_refused(tmp_path: Path, result: Result, polygon: Polygon) -> None:
    with pytest.raises(CheckError, match="not one valid polygon"):
        _write(tmp_path / "a.shp", result.passes[0].parts[1], polygon=polygon)


@pytest.mark.parametrize(
    ("ending", "right", "wrong"),
    [
        (".dbf", b"       9.000", b"       9.001"),
        (".dbf", b"floz/acre", b"floz/ha  "),
        (".shp", struct.pack("<d", 10.1035), struct.pack("<d", 10.1035001)),
    ],
)
def test_files_that_differ_from_what_was_meant_are_refused(
    tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch, ending: str, right: bytes, wrong: bytes
) -> None:
    def spoil(path: Path, content: bytes) -> None:
        path.write_bytes(content.replace(right, wrong) if path.suffix == ending else content)

    monkeypatch.setattr(writer, "write_bytes", spoil)
    with pytest.raises(CheckError, match=r"a\.shp: record 1: "):
        _write(tmp_path / "a.shp", result.passes[0].parts[1])


def test_files_cut_short_are_refused(tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "write_bytes", lambda path, content: path.write_bytes(content[:20]))
    with pytest.raises(CheckError, match=r"a\.shp: what was written cannot be read"):
        _write(tmp_path / "a.shp", result.passes[0].parts[1])


@given(st.text())
def test_table_text_is_printable_ascii_and_stays_as_it_is_the_second_time(text: str) -> None:
    once = ascii_text(text, 40)
    assert once.isascii()
    assert len(once) <= 40
    assert once == "" or once.isprintable()
    assert ascii_text(once, 40) == once


@settings(max_examples=25, deadline=None)  # each writes five files
@given(
    rate=st.integers(0, 99_999_999_999).map(lambda thousandths: thousandths / 1000),
    benefit=st.floats(-9e9, 9e9),
    area_ha=st.floats(0, 9e8),
    reason=st.text(),
    zone=st.integers(0, 9999),
)
def test_whatever_fits_reads_back(
    tmp_path_factory: pytest.TempPathFactory, result: Result, **changes: float | str
) -> None:
    _write(tmp_path_factory.getbasetemp() / "fits.shp", result.passes[0].parts[1], **changes)
