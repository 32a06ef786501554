"""The GeoPackage against OGC 12-128r14 (version 1.2), read by SQLite and by other GDALs than the one that wrote it."""

from __future__ import annotations

import math
import sqlite3
import struct
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pyogrio.raw
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from rxmap.errors import CheckError
from rxmap.records import Part, Result
from rxmap.write import geopackage as writer
from rxmap.write.geojson import write_geojson
from rxmap.write.geopackage import COLUMNS, write_geopackage
from rxmap.write.vectors import prescription

R_READS = """
suppressMessages(library(sf))
layer <- st_read(commandArgs(TRUE)[1], quiet = TRUE)
stopifnot(all(st_is_valid(layer)), st_is_longlat(layer), !anyNA(layer))
cat(layer$rate)
"""


@pytest.fixture(scope="module")
def package(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("geopackage") / "hopper.gpkg"
    write_geopackage(path, prescription(result.passes[0].parts))
    return path


@pytest.fixture
def database(package: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(package)) as opened:
        yield opened


def _one(path: Path, part: Part, **changes: object) -> None:
    write_geopackage(path, prescription([replace(part, **changes)]))


def test_the_file_says_what_it_is(package: Path, database: sqlite3.Connection) -> None:
    """Requirements 1 and 2: the magic of SQLite 3; at byte 68 "GPKG", at byte 60 version 1.2 as 10200."""
    content = package.read_bytes()
    assert content[:16] == b"SQLite format 3\0"
    assert content[68:72] == b"GPKG"
    assert struct.unpack(">I", content[60:64]) == (10200,)
    # Requirements 6 and 7
    assert database.execute("pragma integrity_check").fetchall() == [("ok",)]
    assert database.execute("pragma foreign_key_check").fetchall() == []


def test_the_tables_of_the_standard_are_there(database: sqlite3.Connection) -> None:
    """Requirements 10 and 11 (reference systems 4326, -1 and 0), 13 (contents), 21 (geometry columns)."""
    systems = {row[0] for row in database.execute("select srs_id from gpkg_spatial_ref_sys")}
    assert {4326, -1, 0} <= systems
    contents = database.execute("select table_name, data_type, srs_id, last_change from gpkg_contents").fetchall()
    assert contents == [("hopper", "features", 4326, "2000-01-01T00:00:00.000Z")]
    columns = "table_name, column_name, geometry_type_name, srs_id, z, m"
    found = database.execute(f"select {columns} from gpkg_geometry_columns").fetchall()
    assert found == [("hopper", "geom", "POLYGON", 4326, 0, 0)]
    assert database.execute("select count(*) from sqlite_master where name like 'rtree%'").fetchone() == (0,)


def test_a_geometry_is_a_header_and_plain_wkb(database: sqlite3.Connection, result: Result) -> None:
    """Clause 2.1.3: "GP", version 0, flags (bit 0 little-endian, bits 1-3 kind of box), the reference system."""
    rows = database.execute("select geom from hopper order by fid").fetchall()
    for (blob,), part in zip(rows, result.passes[0].parts, strict=True):
        magic, version, flags, system = struct.unpack_from("<2sBBi", blob)
        assert (magic, version, flags & 1, system) == (b"GP", 0, 1, 4326)
        box_length = {0: 0, 1: 32}[flags >> 1 & 7]
        assert shapely.equals_identical(shapely.from_wkb(blob[8 + box_length :]), part.polygon)


def test_sqlite_reads_every_value_and_no_null(database: sqlite3.Connection, result: Result) -> None:
    rows = database.execute(f"select {','.join(COLUMNS)} from hopper order by fid").fetchall()
    meant = [tuple(one.properties[name] for name in COLUMNS) for one in prescription(result.passes[0].parts)]
    assert rows == meant


def test_it_carries_what_the_geojson_carries(package: Path, result: Result, tmp_path: Path) -> None:
    write_geojson(tmp_path / "a.geojson", prescription(result.passes[0].parts))
    ours, other = pyogrio.raw.read(package), pyogrio.raw.read(tmp_path / "a.geojson")
    assert list(ours[0]["fields"]) == list(other[0]["fields"])
    assert shapely.equals_identical(*(shapely.normalize(shapely.from_wkb(side[2])) for side in (ours, other))).all()
    assert all((one == two).all() for one, two in zip(ours[3], other[3], strict=True))


def test_the_clock_is_not_in_it(result: Result, package: Path, tmp_path: Path) -> None:
    write_geopackage(tmp_path / "hopper.gpkg", prescription(result.passes[0].parts))
    assert (tmp_path / "hopper.gpkg").read_bytes() == package.read_bytes()


def test_text_is_kept_in_full(result: Result, tmp_path: Path) -> None:
    _one(tmp_path / "a.gpkg", result.passes[0].parts[0], reason="Übersetzung 雪 'x'\0 \ud800")
    assert pyogrio.raw.read(tmp_path / "a.gpkg", columns=["reason"])[3][0][0] == "Übersetzung 雪 'x'  ?"


def test_an_unknown_benefit_is_zero(result: Result, tmp_path: Path) -> None:
    _one(tmp_path / "a.gpkg", result.passes[0].parts[0], benefit=None)
    assert pyogrio.raw.read(tmp_path / "a.gpkg", columns=["benefit"])[3][0].tolist() == [0.0]


@pytest.mark.parametrize(
    "polygon",
    [MultiPolygon([box(10, 50, 11, 51)]), Polygon(), Polygon([(10, 50), (11, 51), (11, 50), (10, 51)])],
)
def test_what_is_not_one_valid_polygon_is_refused(tmp_path: Path, result: Result, polygon: Polygon) -> None:
    with pytest.raises(CheckError, match=r"a\.gpkg: feature 1: not one valid polygon"):
        _one(tmp_path / "a.gpkg", result.passes[0].parts[1], polygon=polygon)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("name", "value"), [("p_over", math.nan), ("volume", math.inf), ("volume", -math.inf)])
def test_what_is_no_number_is_refused(tmp_path: Path, result: Result, name: str, value: float) -> None:
    with pytest.raises(CheckError, match=f"feature 1: {name} is .* not a number"):
        _one(tmp_path / "a.gpkg", result.passes[0].parts[1], **{name: value})


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        (b"floz/acre", b"floz/akre", r"feature 1: unit is 'floz/akre', 'floz/acre' was meant"),
        (struct.pack("<d", 10.1035), struct.pack("<d", 10.1035001), "feature 1: the coordinates are not those"),
        (b"GPKG", b"GPKX", r"not a sound GeoPackage 1\.2"),
        (b"SQLite", b"SQLike", "what was written cannot be read"),
    ],
)
def test_a_file_that_differs_from_what_was_meant_is_refused(
    tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch, right: bytes, wrong: bytes, says: str
) -> None:
    def spoil(path: Path, content: bytes) -> None:
        path.write_bytes(content.replace(right, wrong))

    monkeypatch.setattr(writer, "write_bytes", spoil)
    with pytest.raises(CheckError, match=says):
        _one(tmp_path / "a.gpkg", result.passes[0].parts[1])


def test_an_older_gdal_counts_every_feature_and_complains_of_nothing(
    package: Path, program: Callable[[str], str]
) -> None:
    command = [program("ogrinfo"), "-ro", "-al", "-so", str(package)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "Feature Count: 5\n" in done.stdout
    assert not done.stderr


def test_r_reads_the_rates(package: Path, result: Result, program: Callable[[str], str], tmp_path: Path) -> None:
    (tmp_path / "reads.R").write_text(R_READS)
    command = [program("Rscript"), "--vanilla", str(tmp_path / "reads.R"), str(package)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package sf is not installed")
    assert done.returncode == 0, done.stderr
    assert [float(rate) for rate in done.stdout.split()] == [part.rate for part in result.passes[0].parts]


@settings(max_examples=20, deadline=None)  # each writes a database
@given(
    rate=st.integers(0, 10**12).map(lambda thousandths: thousandths / 1000),
    benefit=st.floats(-1e12, 1e12),
    reason=st.text(),
    zone=st.integers(0, 9999),
)
def test_whatever_is_written_reads_back(
    tmp_path_factory: pytest.TempPathFactory, result: Result, **changes: float | str
) -> None:
    _one(tmp_path_factory.getbasetemp() / "fits.gpkg", result.passes[0].parts[1], **changes)
