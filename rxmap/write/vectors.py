"""What each vector file of a result says about its features; how it is encoded is the formats' business.

Decimals: areas, pressures and probabilities 4, rates and volumes 3, money 2, setbacks 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import shapely

from rxmap.errors import CheckError
from rxmap.grid import Frame
from rxmap.records import KeepOut, Measure, Observation, Part, PassResult, TargetResult, ZoneShape
from rxmap.write.files import rounded
from rxmap.write.geojson import Feature, Value, on_file_grid, write_geojson

# Column of the scouting file that holds what was measured; `count` rows may carry `positives` beside it.
COLUMNS: dict[Measure, str] = {
    "count": "count",
    "incidence": "positives",
    "severity": "severity_pct",
    "rating": "rating",
}


def write_stops(path: Path, observations: Sequence[Observation], targets: Sequence[TargetResult]) -> None:
    """Write every row of the scouting file, used or not, with `used` and `why`.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    measures: dict[str, Measure] = {target.name: target.measure for target in targets}
    write_geojson(path, [_stop(row, measures.get(row.target)) for row in observations])


def _stop(row: Observation, measure: Measure | None) -> Feature:
    measured: dict[str, Value] = dict.fromkeys(COLUMNS.values())
    measured["positives"] = row.positives
    # a target that the plan does not know has no measure, so its value cannot be named
    if measure is not None:
        whole = measure in ("count", "incidence") and row.value == int(row.value)
        measured[COLUMNS[measure]] = int(row.value) if whole else row.value
    own: dict[str, Value] = {
        "stop": row.stop,
        "lon": row.lon,
        "lat": row.lat,
        "date": row.date.isoformat() if row.date else None,
        "target": row.target,
        "n": row.n,
        **measured,
        "edge": int(row.edge),
        "note": row.note,
    }
    said: dict[str, Value] = {"used": row.used, "why": row.why}
    taken = own.keys() | said.keys()
    extra = {f"{name}_" if name in taken else name: text for name, text in row.extra}
    return Feature(shapely.Point(row.lon, row.lat), {**own, **extra, **said})


def write_zones(path: Path, zones: Sequence[ZoneShape]) -> None:
    """Write the management zones: what they are like, never a rate.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    write_geojson(path, [_zone(zone) for zone in zones])


def _zone(zone: ZoneShape) -> Feature:
    pressure = {f"pressure_{slug}": rounded(value, 4) for slug, value in zone.pressure.items()}
    p_over = {f"p_over_{slug}": rounded(value, 4) for slug, value in zone.p_over.items()}
    area_ha = rounded(zone.area_ha, 4)
    return Feature(zone.polygon, {"zone": zone.zone, "area_ha": area_ha, **pressure, **p_over, "text": zone.text})


def write_keep_outs(path: Path, keep_outs: Sequence[KeepOut]) -> None:
    """Write the ground that must not be treated; a keep-out that does not reach the field is left out.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    inside = [keep_out for keep_out in keep_outs if not keep_out.polygon.is_empty]
    write_geojson(
        path,
        [
            Feature(
                one.polygon,
                {"reason": one.reason, "setback_m": rounded(one.setback_m, 2), "passes": ",".join(one.passes)},
            )
            for one in inside
        ],
    )


def write_check_strips(path: Path, passes: Sequence[PassResult], frame: Frame) -> None:
    """Write the strips that are left untreated to learn whether treating paid.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    write_geojson(
        path,
        [
            Feature(
                on_file_grid(frame.geometry_to_lonlat(strip.ground)),
                {
                    "strip": number,
                    "pass": one.slug,
                    "rate": rounded(strip.rate, 3),
                    "length_m": rounded(strip.length_m, 1),
                    "area_ha": rounded(strip.area_ha, 4),
                    "benefit": None if strip.benefit is None else rounded(strip.benefit, 2),
                },
            )
            for one in passes
            for number, strip in enumerate(one.check_strips, start=1)
        ],
    )


def prescription(parts: Sequence[Part]) -> list[Feature]:
    """Attributes of a prescription layer, the same for every format.

    Raises
    ------
    CheckError
        If a rate has more than three decimals: rounding it here could carry it over a limit of the label.
    """
    return [_part(number, part) for number, part in enumerate(parts, start=1)]


def _part(number: int, part: Part) -> Feature:
    if part.rate != rounded(part.rate, 3):
        raise CheckError(f"part {number}: its rate {part.rate!r} has more than three decimals.")
    return Feature(
        part.polygon,
        {
            "zone": int(part.zone),
            "treat": int(part.treat),
            "rate": rounded(part.rate, 3),
            "unit": part.unit,
            "product": part.product,
            "volume": rounded(part.volume, 3),
            "vol_unit": part.vol_unit,
            "target": part.target,
            "pressure": rounded(part.pressure, 4),
            "p_over": rounded(part.p_over, 4),
            "area_ha": rounded(part.area_ha, 4),
            "benefit": None if part.benefit is None else rounded(part.benefit, 2),
            "reason": part.reason,
        },
    )
