"""What speaks for each surface, as figures of the summary and as a layer of the ground that no stop reaches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely

from rxmap.grid import Frame
from rxmap.records import TargetResult
from rxmap.records_evidence import Evidence, LeftOutCheck
from rxmap.write.files import rounded
from rxmap.write.geojson import DECIMALS, Feature, Value, on_file_grid, write_geojson

NOT_SAMPLED = "not_sampled.geojson"
SMALLEST_M2 = 1.0  # what is smaller is the rounding of circles


def evidence_figures(evidence: Evidence | None) -> dict[str, Any] | None:
    """Figures of one target under the names that readers rely on; None for a target without any."""
    if evidence is None:
        return None
    return {
        "places": evidence.places,
        "spacing_m": rounded(evidence.spacing_m, 1),
        "range_m": None if evidence.range_m is None else rounded(evidence.range_m, 1),
        "reach_m": rounded(evidence.reach_m, 1),
        "not_sampled_ha": rounded(evidence.not_sampled_ha, 4),
        "stops_mean": rounded(evidence.stops_mean, 4),
        "even_mean": rounded(evidence.even_mean, 4),
        "crowded": evidence.crowded,
        "left_out": None if evidence.left_out is None else _left_out(evidence.left_out),
    }


def _left_out(check: LeftOutCheck) -> dict[str, Any]:
    return {
        "coverage": rounded(check.coverage, 4),
        "skill_blocks": None if check.skill_blocks is None else rounded(check.skill_blocks, 4),
        "blocks": check.blocks,
        "block_gap_m": rounded(check.block_gap_m, 1),
        "wrong_side": rounded(check.wrong_side, 4),
        "wrong_side_alike": rounded(check.wrong_side_alike, 4),
        "chances": [
            {"stops": each.stops, "told": rounded(each.told, 4), "found": rounded(each.found, 4)}
            for each in check.chances
        ],
        "each": [
            {
                "found": rounded(stop.found, 4),
                "told": rounded(stop.told, 4),
                "p_over": rounded(stop.p_over, 4),
                "inside": rounded(stop.inside, 4),
            }
            for stop in check.stops
        ],
    }


def write_not_sampled(path: Path, targets: Sequence[TargetResult], frame: Frame) -> None:
    """Write the ground that is farther from every stop of a target than its stops reach.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    features = []
    for target in targets:
        if target.evidence is not None and target.evidence.not_sampled_ha * 1e4 >= SMALLEST_M2:
            said: dict[str, Value] = {
                "target": target.name,
                "reach_m": rounded(target.evidence.reach_m, 1),
                "area_ha": rounded(target.evidence.not_sampled_ha, 4),
            }
            features.append(Feature(not_sampled_lonlat(target.evidence, frame), said))
    write_geojson(path, features)


def not_sampled_lonlat(evidence: Evidence, frame: Frame) -> shapely.MultiPolygon:
    """Ground that no stop reaches, in longitude and latitude, on the grid in which files carry coordinates."""
    drawn = shapely.set_precision(frame.geometry_to_lonlat(evidence.not_sampled), 10.0**-DECIMALS)
    parts = [one for one in shapely.get_parts(drawn) if frame.geometry_to_metres(one).area >= SMALLEST_M2]
    return on_file_grid(shapely.MultiPolygon(parts))
