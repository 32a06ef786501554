"""The archive of a pass against PKWARE's APPNOTE, opened by programs that did not write it."""

from __future__ import annotations

import os
import struct
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.errors import CheckError
from rxmap.write import bundle as writer
from rxmap.write.bundle import unpacked, write_bundle

FILES = {"b.shp": b"\x00\x01" * 500, "a.geojson": b"{}", "experimental/TASKDATA/TASKDATA.XML": b"<x/>", "empty": b""}


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    folder = tmp_path / "machine"
    for name, content in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


def test_the_standard_library_finds_every_file_in_the_order_of_names(machine: Path, tmp_path: Path) -> None:
    write_bundle(tmp_path / "a.zip", machine)
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert archive.testzip() is None
        assert archive.namelist() == sorted(FILES)
        assert {name: archive.read(name) for name in archive.namelist()} == FILES


def test_no_clock_no_user_and_no_right_of_the_disk_is_in_it(machine: Path, tmp_path: Path) -> None:
    write_bundle(tmp_path / "a.zip", machine)
    (machine / "a.geojson").chmod(0o600)
    os.utime(machine / "b.shp", (2_000_000_000, 2_000_000_000))
    write_bundle(tmp_path / "b.zip", machine)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert {(i.date_time, i.create_system, i.external_attr >> 16) for i in archive.infolist()} == {
            ((1980, 1, 1, 0, 0, 0), 3, 0o100644)
        }


def test_the_bytes_are_those_of_the_appnote(machine: Path, tmp_path: Path) -> None:
    """4.3.7: signature, then at 8 the method (8, deflated), at 10 time 0, at 12 date 0x21 (1 January 1980)."""
    write_bundle(tmp_path / "a.zip", machine)
    content = (tmp_path / "a.zip").read_bytes()
    assert content[:4] == b"PK\x03\x04"
    assert struct.unpack_from("<3H", content, 8) == (8, 0, 0x21)


def test_unzip_finds_no_fault(machine: Path, tmp_path: Path, program: Callable[[str], str]) -> None:
    write_bundle(tmp_path / "a.zip", machine)
    done = subprocess.run([program("unzip"), "-t", str(tmp_path / "a.zip")], capture_output=True, text=True, check=True)
    assert "No errors detected" in done.stdout
    assert done.stdout.count(" OK\n") == len(FILES)


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "machine").mkdir()
    with pytest.raises(CheckError, match=r"a\.zip: there are no machine files"):
        write_bundle(tmp_path / "a.zip", tmp_path / "machine")
    assert not (tmp_path / "a.zip").exists()


@pytest.mark.parametrize("at", [0, 20, 40, -10, -30])
def test_an_archive_with_a_wrong_byte_is_refused(
    machine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    def spoil(path: Path, content: bytes) -> None:
        place = at % len(content)
        path.write_bytes(content[:place] + bytes([content[place] ^ 0xFF]) + content[place + 1 :])

    monkeypatch.setattr(writer, "write_bytes", spoil)
    with pytest.raises(CheckError, match=r"a\.zip: "):
        write_bundle(tmp_path / "a.zip", machine)


@settings(max_examples=30, deadline=None)
@given(st.dictionaries(st.from_regex(r"[a-z]{1,8}\.[a-z]{3}", fullmatch=True), st.binary(max_size=300), min_size=1))
def test_whatever_is_packed_comes_out(tmp_path_factory: pytest.TempPathFactory, files: dict[str, bytes]) -> None:
    folder = tmp_path_factory.mktemp("bundle")
    for name, content in files.items():
        (folder / "machine").mkdir(exist_ok=True)
        (folder / "machine" / name).write_bytes(content)
    write_bundle(folder / "a.zip", folder / "machine")
    assert unpacked((folder / "a.zip").read_bytes()) == files
