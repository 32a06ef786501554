"""Zipped layers: members are looked at one by one before any is unpacked, and unpacked into memory only.

References
----------
PKWARE (2022), APPNOTE.TXT, .ZIP file format specification 6.3.10, sections 4.3 and 4.4 (from memory).
"""

from __future__ import annotations

import io
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import PurePosixPath

from rxmap.errors import Faults, InputError, shown

MAGIC = b"PK\x03\x04"  # an archive without members starts otherwise, and is no layer
MOST_MEMBERS = 20  # our limits: a layer is one set of files, and small
MOST_BYTES = 256_000_000
MOST_GROWTH = 100  # times the packed size
SMALL = 1_000_000  # [byte] below, growth harms nobody: attributes that are mostly blanks pack a hundredfold
LAYERS = (".shp", ".kml")
PARTS = (".shx", ".dbf", ".prj", ".cpg")

_CLIMBS = re.compile(r"(?:^|/)\.\.(?:/|$)|^/|^[A-Za-z]:|\\|[\x00-\x1f]")
_ARCHIVES = (".zip", ".kmz", ".gz", ".bz2", ".xz", ".7z", ".rar", ".tar", ".tgz")
_SYMLINK = 0xA  # file type in the four highest bits of the Unix mode, itself the upper half of the attributes
_ENCRYPTED = 0x1
# what the standard library raises for damaged archives, a negative seek and an unknown method among them
_DAMAGED = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error,
    OSError, EOFError, NotImplementedError, RuntimeError, ValueError, OverflowError,
)  # fmt: skip


def unpack(name: str, data: bytes, largest: int) -> tuple[bytes, dict[str, bytes]]:
    """Unpack the one layer of an archive: a shapefile with its parts, or a KML.

    Parameters
    ----------
    name : str
        File, for messages.
    data : bytes
        The archive.
    largest : int [byte]
        No member may be larger.

    Returns
    -------
    layer : bytes
        The .shp or .kml.
    parts : dict of str to bytes
        The other parts of a shapefile by lower-case suffix.

    Raises
    ------
    InputError
        If a member is what no member of a layer is, or there is not exactly one layer.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check(name, archive.infolist())
            members = list(_files(archive))
            layer = _only_layer(name, members)
            parts = {suffix: _read(name, archive, part, largest) for suffix, part in _parts(members, layer)}
            return _read(name, archive, layer, largest), parts
    except InputError:
        raise
    except _DAMAGED as error:
        raise InputError(f"{name}: an archive or a spreadsheet that cannot be read: {error}. Save it again.") from None


def _check(name: str, members: list[zipfile.ZipInfo]) -> None:
    """Refuse by the table of contents alone."""
    faults = Faults()
    for member in members:
        wrong = _fault(member)
        if wrong:
            faults.add(f"{name}: its member {shown(member.filename)} {wrong}. Zip the layer's own files, nothing else.")
    if len({member.filename for member in members}) < len(members):
        faults.add(f"{name}: two of its members have one name. Zip the layer's files again.")
    if len(members) > MOST_MEMBERS:
        faults.add(f"{name}: {len(members)} members are more than {MOST_MEMBERS}. Zip one layer, nothing else.")
    if sum(member.file_size for member in members) > MOST_BYTES:
        faults.add(f"{name}: unpacks to more than {MOST_BYTES // 10**6} MB. Cut the layer to the field.")
    faults.raise_if_any()


def _fault(member: zipfile.ZipInfo) -> str:
    """Say what is wrong with a member, if anything is."""
    if _CLIMBS.search(member.orig_filename):  # as written: zipfile itself would tidy it
        return "does not stay in its folder"
    if member.external_attr >> 28 == _SYMLINK:
        return "is a link"
    if member.flag_bits & _ENCRYPTED:
        return "is encrypted"
    if member.file_size > max(SMALL, MOST_GROWTH * member.compress_size):
        return f"grows more than {MOST_GROWTH} times when unpacked"
    return "is an archive itself" if member.filename.lower().endswith(_ARCHIVES) else ""


def _files(archive: zipfile.ZipFile) -> Iterator[zipfile.ZipInfo]:
    """Members that somebody made; some systems add a shadow of each file."""
    for member in archive.infolist():
        shadow = member.filename.startswith("__MACOSX/") or PurePosixPath(member.filename).name.startswith("._")
        if not member.is_dir() and not shadow:
            yield member


def _only_layer(name: str, members: list[zipfile.ZipInfo]) -> zipfile.ZipInfo:
    layers = [member for member in members if _suffix(member) in LAYERS]
    if not layers:
        raise InputError(
            f"{name}: an archive or a spreadsheet without a layer (.shp or .kml). "
            "Zip a shapefile with its parts; save a table as CSV in UTF-8."
        )
    if len(layers) > 1:
        names = ", ".join(shown(layer.filename) for layer in layers)
        raise InputError(f"{name}: holds {len(layers)} layers ({names}). Leave one in the archive.")
    return layers[0]


def _parts(members: list[zipfile.ZipInfo], layer: zipfile.ZipInfo) -> Iterator[tuple[str, zipfile.ZipInfo]]:
    """Parts beside the layer: same folder and name, another suffix."""
    stem = PurePosixPath(layer.filename).with_suffix("")
    for member in members:
        if _suffix(member) in PARTS and PurePosixPath(member.filename).with_suffix("") == stem:
            yield _suffix(member), member


def _suffix(member: zipfile.ZipInfo) -> str:
    return PurePosixPath(member.filename).suffix.lower()


def _read(name: str, archive: zipfile.ZipFile, member: zipfile.ZipInfo, largest: int) -> bytes:
    if member.file_size > largest:
        raise InputError(
            f"{name}: its member {shown(member.filename)} is larger than {largest // 10**6} MB. Cut it to the field."
        )
    return archive.read(member)  # never more than the size that was checked; its checksum must fit
