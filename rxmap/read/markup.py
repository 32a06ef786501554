"""XML of inputs: parsed with every way to other files, and to growth, closed.

References
----------
Morgan and Al Ibrahim (2014), XML schema, DTD, and entity attacks (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import defusedxml.ElementTree

from rxmap.errors import InputError, shown

LARGEST = 20_000_000  # [byte] our limit: parsed, it takes ten times as much
MOST_TAGS = 1_000_000  # our limit, for the same reason: start and end tags
SNIFFED = 4096  # [byte] where the root element must start

Element = Any  # of the standard library's ElementTree

_ROOT = re.compile(rb"<(?:[\w.-]+:)?(kml|gpx)[\s>/]")
# XML Schema part 2 (2004), 3.2.5: a double, here without NaN and infinity
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


def is_markup(data: bytes) -> bool:
    """Whether a file starts as XML or HTML does."""
    return data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")


def sniffed_root(data: bytes) -> str:
    """Which document of ours markup looks like: ``kml``, ``gpx`` or nothing.

    Examples
    --------
    >>> sniffed_root(b'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"/>'), sniffed_root(b"<html>")
    ('kml', '')
    """
    match = _ROOT.search(data[:SNIFFED]) if is_markup(data) else None
    return match[1].decode() if match else ""


def root_of(name: str, data: bytes, expected: str) -> Element:
    """Parse a document and return its root.

    Raises
    ------
    InputError
        If it is too large, has a document type (which may hold entities), is no XML, or another kind.
    """
    if len(data) > LARGEST or data.count(b"<") > MOST_TAGS:
        raise InputError(f"{name}: more than {LARGEST // 10**6} MB of XML, or a million tags. Cut it to the field.")
    try:
        root = defusedxml.ElementTree.fromstring(data, forbid_dtd=True)
    except defusedxml.DefusedXmlException:
        raise InputError(f"{name}: its document type could lead to other files. Export it without a DTD.") from None
    except (defusedxml.ElementTree.ParseError, ValueError, LookupError) as error:
        raise InputError(f"{name}: not XML: {error}. Is the file cut off?") from None
    if local(root) != expected:
        raise InputError(f"{name}: its root is {shown(local(root))}, not '{expected}'. Export it again.")
    return root


def local(element: Element) -> str:
    """Name of an element without its namespace."""
    return str(element.tag).rpartition("}")[2]


def within(element: Element) -> Iterator[Element]:
    """Walk all elements within one, in the order of the document, however deep."""
    waiting = list(reversed(element))
    while waiting:
        found = waiting.pop()
        yield found
        waiting.extend(reversed(found))


def children(element: Element, name: str) -> list[Element]:
    """Children of that local name."""
    return [child for child in element if local(child) == name]


def text(element: Element, name: str) -> str:
    """Text of the first child of that local name, without outer spaces; blank without one."""
    return next(((child.text or "").strip() for child in children(element, name)), "")


def number_or_text(written: str | None) -> float | str:
    """Turn a coordinate into a number; what is none stays text, for the message that refuses it.

    Examples
    --------
    >>> number_or_text("-7.5"), number_or_text("nan"), number_or_text("7,5")
    (-7.5, 'nan', '7,5')
    """
    return float(written) if written and _NUMBER.fullmatch(written) else written or ""
