"""Zipped layers: what is refused by its table of contents alone, and what cannot be unpacked."""

from __future__ import annotations

import io
import stat
import struct
import zipfile
from collections.abc import Callable

import numpy as np
import pytest

from rxmap.errors import InputError
from rxmap.read.archive import unpack

CENTRAL = b"PK\x01\x02"  # APPNOTE.TXT 4.3.12: flags at 8, method at 10, CRC at 16, size at 24, name at 46
LAYER = {"field.shp": b"shape", "field.shx": b"index", "field.dbf": b"rows", "field.prj": b"system"}


def packed(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name), data, method)
    return out.getvalue()


def patched(at: int, data: bytes) -> bytes:
    """Overwrite a part of the first entry of the table of contents."""
    archive = packed(LAYER)
    start = archive.index(CENTRAL) + at
    return archive[:start] + data + archive[start + len(data) :]


def with_link() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in LAYER.items():
            info = zipfile.ZipInfo(name)
            info.external_attr = (stat.S_IFLNK | 0o777) << 16 if name == "field.prj" else 0
            archive.writestr(info, data)
    return out.getvalue()


def twice() -> bytes:
    return packed({**LAYER, "field.prx": b"another"}).replace(b"field.prx", b"field.prj")


def hostile(name: str) -> Callable[[], bytes]:
    return lambda: packed({**LAYER, name: b"x"})


# reliability of archives: CWE-22 path traversal, CWE-59 link following, CWE-409 highly compressed data
REFUSED: dict[str, tuple[Callable[[], bytes], str]] = {
    "climbing name": (hostile("../field.cpg"), "'../field.cpg' does not stay in its folder"),
    "climbing within": (hostile("a/../../b.txt"), "does not stay"),
    "absolute name": (hostile("/etc/field.cpg"), "does not stay"),
    "drive": (hostile("C:field.cpg"), "does not stay"),
    "backslash": (hostile("..\\field.cpg"), "does not stay"),
    "line break": (hostile("a\nb"), "does not stay"),
    "link": (with_link, "'field.prj' is a link"),
    "encrypted": (lambda: patched(8, b"\x01\x00"), "'field.shp' is encrypted"),
    "extreme compression": (lambda: packed({**LAYER, "a.txt": bytes(5_000_000)}), "grows more than 100 times"),
    "archive in archive": (hostile("more.zip"), "'more.zip' is an archive itself"),
    "many members": (lambda: packed({**LAYER, **{f"{i}.txt": b"" for i in range(17)}}), "21 members are more than 20"),
    "large in all": (lambda: patched(24, struct.pack("<I", 300_000_000)), "unpacks to more than 256 MB"),
    "one name twice": (twice, "two of its members have one name"),
    "two layers": (hostile("other.shp"), "holds 2 layers ('field.shp', 'other.shp')"),
    "two kinds": (hostile("other.kml"), "holds 2 layers"),
    "a spreadsheet": (lambda: packed({"xl/workbook.xml": b"<x/>"}), "save a table as CSV"),
}


@pytest.mark.parametrize(("archive", "part"), REFUSED.values(), ids=REFUSED)
def test_a_hostile_archive_is_refused_before_anything_is_unpacked(
    archive: Callable[[], bytes], part: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = archive()
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_: pytest.fail("unpacked"))
    with pytest.raises(InputError) as caught:
        unpack("field.zip", data, 64_000_000)
    assert part in str(caught.value)
    assert all(line.startswith("field.zip: ") for line in caught.value.lines())


DAMAGED = {
    "cut off": packed(LAYER)[:-30],
    "wrong checksum": patched(16, b"\x00\x00\x00\x00"),
    "a size that lies": patched(24, b"\x02\x00\x00\x00"),
    "unknown compression": patched(10, b"\x63\x00"),
    "not an archive": b"PK\x03\x04" + bytes(200),
    "random inside": packed(LAYER).replace(b"field.shx", b"field.abc", 1),
}


@pytest.mark.parametrize("data", DAMAGED.values(), ids=DAMAGED)
def test_a_damaged_archive_is_refused_in_one_line(data: bytes) -> None:
    with pytest.raises(InputError, match=r"^field.zip: an archive or a spreadsheet that cannot be read: [^\n]*$"):
        unpack("field.zip", data, 64_000_000)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
def test_a_cut_archive_never_ends_otherwise(share: float) -> None:
    data = packed(LAYER)
    with pytest.raises(InputError):
        unpack("field.zip", data[: int(share * len(data))], 64_000_000)


def test_damaged_bytes_give_the_layer_or_a_line_and_nothing_else() -> None:
    whole = {**LAYER, "field.shp": bytes(range(256)) * 8}
    rng = np.random.default_rng(7)
    told = set()
    for damage in np.repeat([1, 4, 32], 60):
        data = np.frombuffer(packed(whole), np.uint8).copy()
        data[rng.integers(4, len(data), damage)] = rng.integers(0, 256, damage)
        try:
            assert unpack("field.zip", data.tobytes(), 64_000_000)[0] == whole["field.shp"]  # its checksum fits
            told.add("read")
        except InputError as error:
            told.update(error.lines())
    assert len(told) > 2
    assert all(line.startswith("field.zip: ") or line == "read" for line in told)


def test_a_member_larger_than_a_file_may_be_is_refused() -> None:
    with pytest.raises(InputError, match=r"is larger than 0 MB"):
        unpack("field.zip", packed(LAYER), 4)


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_only_the_parts_of_the_layer_itself_are_taken(method: int) -> None:
    others = {"readme.txt": b"x", "other.prj": b"another", "b/field.dbf": b"another", "B.CPG": b"x"}
    layer, parts = unpack("field.zip", packed({**LAYER, **others}, method), 64_000_000)
    assert layer == b"shape"
    assert parts == {".shx": b"index", ".dbf": b"rows", ".prj": b"system"}


def test_letter_case_of_suffixes_does_not_matter() -> None:
    members = {name.upper().replace("FIELD", "Field"): data for name, data in LAYER.items()}
    assert unpack("field.zip", packed(members), 64_000_000)[1].keys() == {".shx", ".dbf", ".prj"}


def test_small_attributes_of_mostly_blanks_are_read() -> None:
    # 100 rows of 20 text columns of 254 letters, as general programs write them, pack a hundredfold and more
    _, parts = unpack("field.zip", packed({**LAYER, "field.dbf": b" " * 508_000}), 64_000_000)
    assert len(parts[".dbf"]) == 508_000


def test_a_zipped_shapefile_without_its_system_is_refused_by_name(refusal: Callable[..., str]) -> None:
    shp = b"\x00\x00\x27\x0a" + bytes(96)
    data = packed({"field.shp": shp, "field.shx": shp, "field.dbf": bytes(40)})
    assert refusal({"field.zip": data}, boundary="field.zip").startswith("field.zip: .prj beside it missing")
