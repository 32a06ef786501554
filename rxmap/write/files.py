"""The two ways in which bytes reach the disk, and text becomes JSON.

Libraries of ours write into memory, never to the disk: a full disk is then noticed here, by one
function, and not by a driver that may report it only when it closes, or never.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rxmap.errors import CheckError

PART = ".part"  # what a file is called until it is whole
# Escaped though JSON allows them: a lone surrogate is no UTF-8, and some readers end a line at U+2028 and U+2029.
_AWKWARD = re.compile("[\u2028\u2029\ud800-\udfff]")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and ask the disk to keep it.

    Parameters
    ----------
    path : Path
        Where; missing folders on the way are made.
    content : bytes
        All of it.

    Raises
    ------
    OSError
        If the disk refuses; `rxmap.write.publish.staged` turns it into words.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + PART)
    try:
        _write_and_sync(part, content)
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _write_and_sync(path: Path, content: bytes) -> None:
    # O_BINARY exists on Windows only, where a line end would become two bytes without it
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o666)
    try:
        rest = memoryview(content)
        while rest:
            rest = rest[os.write(handle, rest) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def walk(folder: Path) -> Iterator[tuple[str, list[str], list[str]]]:
    """Walk a folder from its ends to its root; what cannot be read is an error, not left out as `os.walk` does."""

    def stop(error: OSError) -> None:
        raise error

    return os.walk(folder, topdown=False, onerror=stop)


def write_json(path: Path, document: Any) -> None:
    """Write one JSON document, two blanks of indent, with a line end at the end of the file.

    Raises
    ------
    CheckError
        If a number is NaN or infinite, or a strict reader refuses what was written.
    """
    try:
        text = json_text(document, indent=2)
        write_bytes(path, (text + "\n").encode("utf-8"))
        if read_json(path) != json.loads(text):
            raise ValueError("other values stand in the file")
    except ValueError as exc:
        raise CheckError(f"{path.name}: what was written is not what was meant: {exc}.") from exc


def json_text(document: Any, indent: int | None = None) -> str:
    r"""Text of a JSON document: never NaN, text as it is, dates as ISO 8601.

    Examples
    --------
    >>> json_text({"name": "\u00d6hre", "note": "a\u2028b"})
    '{"name": "Öhre", "note": "a\\u2028b"}'
    """
    text = json.dumps(document, allow_nan=False, ensure_ascii=False, indent=indent, default=str)
    return _AWKWARD.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def read_json(path: Path) -> Any:
    """Read a JSON document strictly: a key that comes twice, NaN and infinity are errors.

    Raises
    ------
    ValueError
        If it is not JSON, not UTF-8, or one of the above.
    """
    return json.loads(path.read_bytes().decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_number)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key comes twice in one object")
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is not a number in JSON")


def rounded(value: float, decimals: int) -> float:
    """Round to the decimals in which a file carries a number; never -0.0.

    Examples
    --------
    >>> rounded(-0.0001, 3)
    0.0
    """
    return round(float(value), decimals) + 0.0
