"""Where evidence is thin or bad the reader is told; where it is good nothing is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from rxmap.grid import Grid
from rxmap.records import Surface, TargetResult
from rxmap.records_evidence import Evidence, LeftOutCheck, LeftOutStop
from rxmap.surface.evidence_cautions import evidence_cautions

STOP = LeftOutStop(found=1.0, told=1.0, p_over=0.1, inside=1.0)
CHECK = LeftOutCheck(
    stops=(STOP,) * 40,
    skill_blocks=0.2,
    blocks=8,
    block_gap_m=90.0,
    coverage=0.9,
    wrong_side=0.1,
    wrong_side_alike=0.3,
    chances=(),
)
GOOD = Evidence(
    places=40,
    spacing_m=100.0,
    range_m=300.0,
    reach_m=200.0,
    not_sampled=shapely.Polygon(),
    not_sampled_ha=0.0,
    stops_mean=1.0,
    even_mean=1.0,
    crowded=False,
    left_out=CHECK,
)


def target(evidence: Evidence, verdict: str = "map") -> TargetResult:
    cells = np.zeros((1, 1))
    return TargetResult(
        name="weevil", slug="weevil", measure="count", unit="per plant", threshold=2.0, source="own", read=40, used=40,
        mean=1.0, p_over=0.1, model="", skill=0.3, chance=0.01, verdict=verdict, reason="", evidence=evidence,
        surface=Surface(grid=Grid(0.0, 0.0, 3.0, cells), mean=cells, sd=cells, p_over=cells, q05=cells, q95=cells),
    )  # fmt: skip


def codes(evidence: Evidence, verdict: str = "map") -> list[str]:
    return [caution.code for caution in evidence_cautions([target(evidence, verdict)], 40.0)]


def test_good_evidence_raises_nothing() -> None:
    assert codes(GOOD) == []


@pytest.mark.parametrize(
    ("evidence", "code"),
    [
        (replace(GOOD, range_m=60.0, reach_m=60.0, not_sampled_ha=11.0), "beyond_range"),
        (replace(GOOD, places=15, left_out=None), "thin_evidence"),
        (replace(GOOD, left_out=replace(CHECK, skill_blocks=-0.1)), "near_stops_only"),
        (replace(GOOD, left_out=replace(CHECK, coverage=0.7)), "too_sure"),
    ],
)
def test_bad_evidence_is_told_with_the_target(evidence: Evidence, code: str) -> None:
    (caution,) = evidence_cautions([target(evidence)], 40.0)
    assert caution.code == code
    assert caution.text.startswith("weevil: ")


def test_too_few_intervals_to_blame_are_not_blamed() -> None:
    # 40 of a sure 90 % vary by 4.7 % (one standard error): 80 % is within three of them, 70 % is not
    assert codes(replace(GOOD, left_out=replace(CHECK, coverage=0.8))) == []


def test_without_a_map_thin_evidence_is_no_news() -> None:
    assert codes(replace(GOOD, places=15, range_m=None, left_out=None), "uniform") == []


def test_ground_beyond_two_spacings_is_the_business_of_unseen_ground() -> None:
    assert codes(replace(GOOD, not_sampled_ha=11.0)) == []
