"""Where each load goes, as a layer for a map or a terminal."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from rxmap.records import LoadPlan
from rxmap.write.geojson import Feature, write_geojson
from rxmap.write.mix_sheet import AREA_STEP, apportioned

VOLUME_STEP = Decimal("0.01")  # [L]


def write_loads(path: Path, plan: LoadPlan) -> None:
    """Write one feature for each load, in the order in which they are driven; areas are those of the mix sheet.

    Parameters
    ----------
    path : Path
        The ``.geojson``.
    plan : LoadPlan
        From `rxmap.passes.loads.plan_loads`.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    areas = apportioned([load.area_ha for load in plan.loads], AREA_STEP)
    volumes = apportioned([load.volume_l for load in plan.loads], VOLUME_STEP)
    write_geojson(
        path,
        [
            Feature(
                load.polygon,
                {"load": load.load, "order": load.order, "area_ha": float(area), "volume_l": float(volume)},
            )
            for load, area, volume in zip(plan.loads, areas, volumes, strict=True)
        ],
    )
