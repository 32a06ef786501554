"""An invented field by an invented lake, its stops, and a plan that names them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.errors import InputError
from rxmap.plan import Plan, read_plan
from rxmap.read.inputs import read_inputs

RING = [[10.1, 50.1], [10.107, 50.1], [10.107, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
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


BOUNDARY = json.dumps({"type": "Polygon", "coordinates": [RING]})

MakePlan = Callable[..., Plan]


@pytest.fixture
def make_plan(tmp_path: Path) -> MakePlan:
    """Write files and a plan that names them; keywords fill the plan, `files` names to contents."""

    def make(files: dict[str, str | bytes] | None = None, **keys: str) -> Plan:
        contents = {"boundary.geojson": BOUNDARY, "stops.csv": STOPS, **(files or {})}
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


@pytest.fixture
def refusal(make_plan: MakePlan) -> Callable[..., str]:
    """Read a plan that must be refused, and return what the user is told."""

    def refuse(files: dict[str, str | bytes] | None = None, **keys: str) -> str:
        plan = make_plan(files, **keys)
        with pytest.raises(InputError) as caught:
            read_inputs(plan)
        return str(caught.value)

    return refuse
