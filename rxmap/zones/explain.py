"""Management zones as they are written: outlines, what each holds, and a sentence that explains it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from rxmap.decide.compare import Draws
from rxmap.grid import M2_PER_HA, FloatArray, Grid
from rxmap.records import Field, TargetResult, ZoneChoice, ZoneShape
from rxmap.zones.clusters import Clusters
from rxmap.zones.polygons import coverage, label_polygons

EXPLAINED_WELL = 0.6  # judgement, no source: below this the text says that zones are a rough picture


def zone_shapes(
    clusters: Clusters, targets: Sequence[TargetResult], draws: Draws, *, field: Field, grid: Grid
) -> list[ZoneShape]:
    """Outline each zone and sum up its pressure.

    Parameters
    ----------
    clusters : Clusters
        Zone of each cell.
    targets : sequence of TargetResult
        For the area means of pressure and probability.
    draws : Draws
        Drawn surfaces, for the range of a zone's mean.
    field, grid : Field, Grid
        The ground.
    """
    drawn = label_polygons(clusters.labels, grid, tolerance=grid.cell)
    faces = coverage(field.boundary, drawn, field.frame, rest=clusters.k)
    shapes = []
    for zone in range(1, clusters.k + 1):
        mine = [face for face in faces if face.label == zone]
        if not mine:
            continue
        cells = (clusters.labels == zone) & grid.inside
        pressure = {t.slug: _mean(t.surface.mean, cells, grid) for t in targets}
        p_over = {t.slug: _mean(t.surface.p_over, cells, grid) for t in targets}
        ranges = {t.slug: draws.mean_range(t.name, grid.share * cells, pressure[t.slug]) for t in targets}
        polygons = [face.polygon for face in mine]
        shapes.append(
            ZoneShape(
                zone=zone,
                polygon=polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(polygons),
                area_ha=round(sum(face.area_m2 for face in mine) / M2_PER_HA, 4),
                pressure=pressure,
                p_over=p_over,
                text="; ".join(_sentence(t, pressure[t.slug], ranges[t.slug], p_over[t.slug]) for t in targets),
            )
        )
    return shapes


def _mean(values: FloatArray, cells: np.ndarray[tuple[int, int], np.dtype[np.bool_]], grid: Grid) -> float:
    return float(np.average(values[cells], weights=grid.share[cells]))


def _sentence(target: TargetResult, pressure: float, ends: tuple[float, float], p_over: float) -> str:
    """Say the mean of a zone, between what that lies with 90 %, and how much of its ground is above the threshold.

    The mean of the chances of all places is the share of the ground that is expected above.
    """
    mean = f"mean {pressure:.3g} ({ends[0]:.3g} to {ends[1]:.3g}) {target.unit}"
    return f"{target.name}: {mean}, {_share(p_over)} of its ground expected above {target.threshold:g}"


def _share(share: float) -> str:
    """No sample can give 0 or 100 %."""
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def zone_choice(clusters: Clusters) -> ZoneChoice:
    """Say in our own words how the zones came about."""
    if clusters.k == 1:
        text = "One zone: the stops show no difference within the field."
    else:
        text = f"{clusters.k} zones explain {clusters.explained:.0%} of the differences within the field."
        if clusters.explained < EXPLAINED_WELL:
            text += " They are a rough picture: pressure changes gradually here."
        if not clusters.agree:
            text += " The measures for the number of zones disagree; the smaller number is used."
    return ZoneChoice(crisp=clusters.crisp, explained=clusters.explained, text=text)
