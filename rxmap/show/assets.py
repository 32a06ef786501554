"""Leaflet, taken from the installed package and put into the page, so that the page asks for nothing."""

from __future__ import annotations

import base64
import re
from functools import cache
from importlib.resources import files

_IMAGE = re.compile(r"url\(\s*['\"]?(images/[\w.-]+)['\"]?\s*\)")
_SOURCE_MAP = re.compile(r"^\s*//# sourceMappingURL=.*$", re.MULTILINE)


@cache
def leaflet_script() -> str:
    """Leaflet's script with its licence banner, without the pointer to a file that is not there."""
    script = (files("xstatic.pkg.leaflet") / "data" / "leaflet.js").read_text(encoding="utf-8")
    return _SOURCE_MAP.sub("", script).strip()


@cache
def leaflet_style() -> str:
    """Leaflet's style sheet, its images inside it."""
    data = files("xstatic.pkg.leaflet") / "data"

    def inlined(match: re.Match[str]) -> str:
        image = base64.b64encode((data / match[1]).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{image})"

    return _IMAGE.sub(inlined, (data / "leaflet.css").read_text(encoding="utf-8")).strip()


@cache
def own(name: str) -> str:
    """Read a file of this package, ``map.css`` or ``map.js``."""
    return (files("rxmap.show") / name).read_text(encoding="utf-8").strip()
