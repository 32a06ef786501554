"""The archive of a pass: the machine files as they are, and nothing else."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator

from rxmap.errors import shown
from rxmap.verify.folder import Folder
from rxmap.verify.report import Unreadable


def bundles_equal(result: Folder) -> Iterator[str]:
    """Hold each archive against the machine folder, byte by byte."""
    for each in result.passes:
        if "zip" in each["files"]:
            yield from _one(result, each["files"]["zip"], f"passes/{each['slug']}/machine/")


def _one(result: Folder, name: str, folder: str) -> Iterator[str]:
    packed = _members(result.bytes(name), name)
    there = {each.removeprefix(folder) for each in result.names if each.startswith(folder)}
    for member in sorted(packed.keys() ^ there):
        yield f"{name}: {shown(member)} is {'missing' if member in there else 'not a file of the machine folder'}"
    for member in sorted(packed.keys() & there):
        if packed[member] != result.bytes(folder + member):
            yield f"{name}: {shown(member)} differs from {folder}{member}; should be the same bytes"


def _members(content: bytes, name: str) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            names = archive.namelist()
            if len(set(names)) < len(names):
                raise Unreadable(f"{name}: holds a name twice; should hold it once")
            return {each: archive.read(each) for each in names}
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, RuntimeError) as error:
        raise Unreadable(f"{name}: cannot be read as a ZIP archive: {error}") from None
