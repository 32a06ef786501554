"""The machine files of a pass in one archive, to mail or to copy: equal files give equal bytes.

References
----------
PKWARE (2012), APPNOTE 6.3.3, ZIP File Format Specification: 4.3.7 (local header), 4.3.12 (central
directory), 4.3.16 (its end). RFC 1951 (1996), DEFLATE.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path

from rxmap.errors import CheckError
from rxmap.write.files import walk, write_bytes

NO_CLOCK = (1980, 1, 1, 0, 0, 0)  # the oldest date that the format knows
READABLE = 0o100644 << 16  # an ordinary file that its owner may write
UNIX = 3  # APPNOTE 4.4.2.2: what the attributes mean, whatever the system that writes
LEVEL = 9
LOCAL, ENTRY, END = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"


def write_bundle(path: Path, folder: Path) -> None:
    """Pack everything below a folder, in the order of the names, and read it back.

    Parameters
    ----------
    path : Path
        The ``.zip``, outside the folder.
    folder : Path
        The machine files of a pass.

    Raises
    ------
    CheckError
        If there is nothing to pack, or the archive does not hold what the folder holds.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = Path(place) / "machine"
    ...     write_bytes(folder / "hopper.geojson", b"{}")
    ...     write_bundle(Path(place) / "hopper.zip", folder)
    ...     zipfile.ZipFile(Path(place) / "hopper.zip").namelist()
    ['hopper.geojson']
    """
    contents = {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for where, _, names in walk(folder)
        for file in (Path(where) / name for name in names)
    }
    if not contents:
        raise CheckError(f"{path.name}: there are no machine files to pack.")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in sorted(contents):
            archive.writestr(_member(name), contents[name], compress_type=zipfile.ZIP_DEFLATED, compresslevel=LEVEL)
    write_bytes(path, packed.getvalue())
    _check(path, contents)


def _member(name: str) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name, NO_CLOCK)
    member.create_system, member.external_attr = UNIX, READABLE
    return member


def _check(path: Path, contents: dict[str, bytes]) -> None:
    try:
        found = unpacked(path.read_bytes())
    except (struct.error, zlib.error, ValueError) as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    if found != contents:
        raise CheckError(f"{path.name}: it does not hold what the machine folder holds.")


def unpacked(archive: bytes) -> dict[str, bytes]:
    """Read an archive of ours by its bytes, not with the library that wrote it.

    Parameters
    ----------
    archive : bytes
        Without a comment, each member deflated.

    Returns
    -------
    dict of str to bytes
        Content by name.

    Raises
    ------
    ValueError
        If a signature, a place, a size or a checksum is wrong.
    """
    end = len(archive) - 22
    _signed(archive, end, END)
    count, length, at = struct.unpack_from("<HII", archive, end + 10)
    if at + length != end:
        raise ValueError("the directory is not where it should be")
    found = {}
    for _ in range(count):
        _signed(archive, at, ENTRY)
        checksum, size, full = struct.unpack_from("<III", archive, at + 16)
        long, extra, comment = struct.unpack_from("<HHH", archive, at + 28)
        (start,) = struct.unpack_from("<I", archive, at + 42)
        if archive[start + 4 : start + 26] != archive[at + 6 : at + 28]:  # 4.3.7 and 4.3.12, from version to sizes
            raise ValueError("a member and the directory contradict each other")
        name = archive[at + 46 : at + 46 + long].decode("utf-8")
        found[name] = _inflated(archive, start, size)
        if len(found[name]) != full or zlib.crc32(found[name]) != checksum:
            raise ValueError(f"{name} has another size or checksum")
        at += 46 + long + extra + comment
    return found


def _inflated(archive: bytes, start: int, size: int) -> bytes:
    _signed(archive, start, LOCAL)
    long, extra = struct.unpack_from("<HH", archive, start + 26)
    data = start + 30 + long + extra
    return zlib.decompress(archive[data : data + size], wbits=-zlib.MAX_WBITS)


def _signed(archive: bytes, at: int, signature: bytes) -> None:
    if at < 0 or archive[at : at + 4] != signature:
        raise ValueError(f"no {signature!r} at byte {at}")
