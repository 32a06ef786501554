"""Read a result folder strictly, and hold it against its own manifest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

from rxmap.errors import shown
from rxmap.verify.geojson import Layer, read_layer
from rxmap.verify.report import Unreadable
from rxmap.verify.shapefile import as_layer, read_shapes, read_table

MANIFEST = "manifest.json"
SUMMARY = "summary.json"


class Folder:
    """A result folder, each file of it read once.

    Numbers keep their decimal text (`Decimal`), because a limit holds for the digits that a machine
    reads and not for the nearest binary number.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.last = "the folder"  # the file looked at most recently, for a finding about the unforeseen
        self._read: dict[tuple[str, str], Any] = {}

    def bytes(self, name: str) -> bytes:
        """Content of one file."""
        self.last = name
        if not inside(name):
            raise Unreadable(f"{name}: is not a path inside the folder; should be relative, with / between the steps")
        try:
            return (self.path / name).read_bytes()
        except FileNotFoundError:
            raise Unreadable(f"{name}: is missing") from None
        except OSError as error:
            raise Unreadable(f"{name}: cannot be read: {error.strerror or error}") from None

    def once(self, kind: str, name: str, read: Callable[[], Any]) -> Any:
        """Return what a reader makes of a file, made at the first call."""
        if (kind, name) not in self._read:
            self._read[kind, name] = read()
        self.last = name
        return self._read[kind, name]

    def json(self, name: str) -> Any:
        """One JSON document, refused where RFC 8259 or plain sense would be strained."""
        return self.once("json", name, lambda: strict_json(self.bytes(name), name))

    def layer(self, name: str) -> Layer:
        """One GeoJSON layer."""
        return self.once("layer", name, lambda: read_layer(self.json(name), name))  # type: ignore[no-any-return]

    @property
    def summary(self) -> Any:
        """All figures of the result."""
        return self.json(SUMMARY)

    @property
    def plan(self) -> Any:
        """The plan as the manifest recorded it."""
        return self.json(MANIFEST)["plan"]

    @property
    def passes(self) -> list[Any]:
        """The passes that go out, as the summary tells them."""
        return [each for each in self.summary["passes"] if each["decision"] != "none"]

    @property
    def layers(self) -> list[tuple[Any, Layer]]:
        """Each pass that goes out, with its prescription layer."""
        return [(each, self.prescription(each["files"])) for each in self.passes]

    def prescription(self, files: Any) -> Layer:
        """Layer that zone files hold: the GeoJSON, or the shapefile where it is alone."""
        if "geojson" in files:
            return self.layer(files["geojson"])
        return self.once("layer", files["shapefile"], lambda: self._from_shapefile(files["shapefile"]))  # type: ignore[no-any-return]

    def _from_shapefile(self, name: str) -> Layer:
        stem = name.removesuffix(".shp")
        shapes = read_shapes(self.bytes(name), self.bytes(f"{stem}.shx"), name)
        table = read_table(self.bytes(f"{stem}.dbf"), f"{stem}.dbf")
        named = [*self.summary["targets"], *(used for each in self.passes for used in each["products"])]
        return as_layer(shapes, table, name, names=[each["name"] for each in named])

    @cached_property
    def names(self) -> list[str]:
        """Relative paths of all files there are, sorted."""
        if not self.path.is_dir():
            raise Unreadable(f"{self.path.name}: no such folder")
        found = (each for each in self.path.rglob("*") if each.is_symlink() or not each.is_dir())
        return sorted(each.relative_to(self.path).as_posix() for each in found)


def inside(name: str) -> bool:
    """Whether a path from a file stays inside the folder.

    Examples
    --------
    >>> inside("surfaces/rust.tif"), inside("../rust.tif"), inside("/etc/rust.tif")
    (True, False, False)
    """
    steps = name.split("/")
    return bool(name) and "\\" not in name and ":" not in name and not {"", ".", ".."} & set(steps)


def strict_json(content: bytes, name: str) -> Any:
    """Parse JSON with decimal text kept; no byte order mark, no NaN, no key twice.

    References
    ----------
    RFC 8259, sections 4, 6 and 8.1.
    """

    def constant(word: str) -> Any:
        raise Unreadable(f"{name}: holds {word}; a number should be finite or null")

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in items]
        if len(set(keys)) < len(keys):
            twice = next(key for key in keys if keys.count(key) > 1)
            raise Unreadable(f"{name}: key {shown(twice)} stands twice in one object; should stand once")
        return dict(items)

    try:
        text = content.decode("utf-8")
        return json.loads(text, parse_float=Decimal, parse_constant=constant, object_pairs_hook=pairs)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise Unreadable(f"{name}: is not JSON in UTF-8 without a byte order mark: {error}") from None


def files_match(result: Folder) -> Iterator[str]:
    """Hold every file against the manifest: there, of that size and hash, and none beside."""
    there = set(result.names)
    listed = set()
    for entry in result.json(MANIFEST)["files"]:
        name = entry["path"]
        if name in listed:
            yield f"{MANIFEST}: lists {shown(name)} twice; should list it once"
        listed.add(name)
        if not inside(name) or (result.path / name).is_symlink():
            yield f"{MANIFEST}: lists {shown(name)}; should be a plain file inside the folder"
        elif name not in there:
            yield f"{name}: is missing; the manifest lists it"
        else:
            yield from _same_content(result, entry)
    for name in sorted(there - listed - {MANIFEST}):
        yield f"{name}: is not in the manifest; nothing but the result should be in the folder"


def _same_content(result: Folder, entry: Any) -> Iterator[str]:
    name, content = entry["path"], result.bytes(entry["path"])
    digest = hashlib.sha256(content).hexdigest()
    if len(content) != entry["bytes"]:
        yield f"{name}: {len(content)} bytes; the manifest says {entry['bytes']}"
    if digest != entry["sha256"]:
        yield f"{name}: SHA-256 {digest[:12]}...; the manifest says {str(entry['sha256'])[:12]}..."


def json_readable(result: Folder) -> Iterator[str]:
    """Parse every JSON file of the folder."""
    for name in result.names:
        if name.endswith((".json", ".geojson")):
            try:
                result.json(name)
            except Unreadable as finding:
                yield str(finding)


def manifest_whole(result: Folder) -> Iterator[str]:
    """Look for what a later audit needs: inputs with hash, versions, seed, plan."""
    manifest = result.json(MANIFEST)
    for key in ("files", "inputs", "rxmap", "libraries", "seed", "plan"):
        if key not in manifest:
            yield f"{MANIFEST}: key {key} is missing"
    for entry in manifest.get("inputs", []):
        digest = str(entry.get("sha256", ""))
        if len(digest) != 64 or set(digest) - set("0123456789abcdef"):
            yield f"{MANIFEST}: input {shown(entry.get('name'))}: found {shown(digest)}; should be a SHA-256 in hex"
