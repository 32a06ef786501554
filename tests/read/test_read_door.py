"""The door: what it lets in, and what never reaches a library."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from rxmap.errors import InputError
from rxmap.read import door
from rxmap.read.door import open_source

FOREIGN = [
    "/etc/hostname",
    "\\\\server\\share\\a.csv",
    "C:\\a.csv",
    "/vsicurl/http://127.0.0.1/a.geojson",
    "/VSIZIP/a.zip",
    "http://127.0.0.1/a.geojson",
    "s3://bucket/a.csv",
    "<VRTDataset></VRTDataset>",
    "GTIFF_DIR:1:a.tif",
    "PG:dbname=a",
    '{"type": "Point", "coordinates": ["http://127.0.0.1"]}',
]


@pytest.mark.parametrize("name", FOREIGN)
def test_anything_but_a_relative_path_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="not a path relative to the plan"):
        open_source(tmp_path, name)


@pytest.mark.parametrize("name", ["../a.csv", "in/../../a.csv", "..\\a.csv", ".."])
def test_a_path_that_climbs_out_of_the_plans_folder_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="leads out of the plan's folder"):
        open_source(tmp_path, name)


@pytest.mark.parametrize("name", ["-a b.csv", "\u00e9t\u00e9 \u96ea \U0001f41b.csv", "o'br%20ien`$.CSV", "in/a.csv"])
def test_unusual_names_work(tmp_path: Path, name: str) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / name).write_bytes(b"abc")
    source = open_source(tmp_path, name)
    assert source.data == b"abc"
    assert source.files[0].name == name
    assert source.files[0].sha256 == hashlib.sha256(b"abc").hexdigest()


@pytest.mark.parametrize("name", ["none.csv", "a\x00b.csv", "x" * 5000, ".", "in", "loop"])
def test_what_is_no_readable_file_is_refused_in_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(InputError) as caught:
        open_source(tmp_path, name)
    assert "\n" not in str(caught.value)
    assert "\x00" not in str(caught.value)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this platform")
def test_a_pipe_that_nobody_fills_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="not a regular file"):
        open_source(tmp_path, "pipe.csv")


def test_a_link_to_a_file_works(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_bytes(b"abc")
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")
    assert open_source(tmp_path, "link.csv").data == b"abc"


def test_a_file_beyond_the_limit_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door, "LARGEST_FILE", 10)
    (tmp_path / "a.csv").write_bytes(b"x" * 11)
    with pytest.raises(InputError, match="larger than"):
        open_source(tmp_path, "a.csv")


def test_a_shapefile_brings_its_side_cars_whatever_their_letter_case(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    for part in ("a.SHP", "a.shx", "a.DBF", "a.prj", "a.qix"):
        (tmp_path / "in" / part).write_bytes(part.encode())
    source = open_source(tmp_path, "in/a.SHP")
    assert set(source.side_cars) == {".shx", ".dbf", ".prj"}  # an index of another program is not looked at
    assert [file.name for file in source.files] == ["in/a.SHP", "in/a.shx", "in/a.DBF", "in/a.prj"]
