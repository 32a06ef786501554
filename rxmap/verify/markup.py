"""XML of a stranger: no entities, no document type."""

from __future__ import annotations

from typing import Any

import defusedxml.ElementTree
from defusedxml.common import DefusedXmlException

from rxmap.verify.report import Unreadable


def parsed(content: bytes, name: str) -> Any:
    """Root element of an XML document."""
    try:
        return defusedxml.ElementTree.fromstring(content, forbid_dtd=True)
    except (defusedxml.ElementTree.ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise Unreadable(f"{name}: cannot be read as XML: {error}") from None
