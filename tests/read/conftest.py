"""An invented field by an invented lake, its stops, and a plan that names them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rxmap.plan import Plan, read_plan

RING = [[10.1, 50.1], [10.107, 50.1], [10.107, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
HOLE = [[10.103, 50.101], [10.103, 50.102], [10.104, 50.102], [10.104, 50.101], [10.103, 50.101]]
STOPS = """stop,lon,lat,date,target,n,count,severity_pct,note
S1,10.1012,50.1011,2026-07-10,reed aphid,10,4,,
S2,10.1051,50.1012,2026-07-10,reed aphid,10,0,,wet
S3,10.1062,50.1031,2026-07-10,reed aphid,10,31,,
S1,10.1012,50.1011,2026-07-10,lake rust,5,,2.5,
S2,10.1051,50.1012,2026-07-10,lake rust,5,,0,
"""
PLAN = """
[field]
name = "Invented field"
boundary = "{boundary}"
crop = "reed barley"
{field}
[scouting]
stops = {stops}
{scouting}
[[target]]
name = "reed aphid"
measure = "count"
threshold = 5
source = "own"
[[target]]
name = "lake rust"
measure = "{measure}"
threshold = 3
source = "own"
{target}
{rest}
"""


def polygon(*rings: Any, **properties: Any) -> dict[str, Any]:
    """A feature of one polygon."""
    return {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": list(rings)}}


def collection(*features: dict[str, Any], **members: Any) -> str:
    """GeoJSON text of a feature collection."""
    return json.dumps({"type": "FeatureCollection", "features": list(features), **members})


MakePlan = Callable[..., Plan]


@pytest.fixture
def make_plan(tmp_path: Path) -> MakePlan:
    """Write files and a plan that names them; keywords fill the plan, `files` names to contents."""

    def make(files: dict[str, str | bytes] | None = None, **keys: str) -> Plan:
        contents = {"boundary.geojson": collection(polygon(RING)), "stops.csv": STOPS, **(files or {})}
        for name, content in contents.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        values = {
            "boundary": "boundary.geojson", "stops": '"stops.csv"', "field": "", "scouting": "",
            "measure": "severity", "target": "", "rest": "", **keys,
        }  # fmt: skip
        (tmp_path / "plan.toml").write_text(PLAN.format(**values), encoding="utf-8")
        return read_plan(tmp_path / "plan.toml")

    return make
