"""Check strips: untreated ground inside treated ground, no more of it than agreed, as the summary tells them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.crew import Crew, crews
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Feature
from rxmap.verify.ground import M2_PER_HA, area_m2, beyond_m2, moved_m2
from rxmap.verify.prescription import CHECK_STRIP, KEEP_OUT, field_ground, kept_from, treated
from rxmap.verify.values import AREA_ROUNDING, near

STRIPS = "check_strips.geojson"
MOST_SHARE = 0.1  # design rule: of the treated area that a strip is cut from
JOIN = 2e-6  # [degree] about two decimetres: what parts a strip from the ground around it is narrower


def strips_right(result: Folder) -> Iterator[str]:
    """Hold each strip against the layer of its pass, the field, the keep-outs and the summary."""
    going = {crew.told["slug"]: crew for crew in crews(result)}
    layer, field = result.layer(STRIPS), field_ground(result)
    for strip in layer.features:
        crew = going.get(strip.properties["pass"])
        if crew is None:
            yield f"{strip.where}: pass {shown(strip.properties['pass'])}; no such pass treats any ground"
            continue
        yield from _ground_faults(strip, crew, field)
        for other in kept_from(crew.told, result.layer(KEEP_OUT)):
            shared = area_m2(shapely.intersection(strip.geometry, other.geometry))
            if shared > moved_m2(strip.geometry):
                yield f"{strip.where}: {shared:.1f} m2 in the keep-out {shown(other.properties['reason'])}"
    for slug, crew in going.items():
        own = [strip for strip in layer.features if strip.properties["pass"] == slug]
        yield from _told(own, crew)
        yield from _named(own, crew)
        yield from _share(own, crew)


def _ground_faults(strip: Feature, crew: Crew, field: BaseGeometry) -> Iterator[str]:
    ground, slack = strip.geometry, moved_m2(strip.geometry)
    sprayed = sum(area_m2(shapely.intersection(ground, part.geometry)) for part in treated(crew.layer))
    if sprayed > slack:
        yield f"{strip.where}: {sprayed:.1f} m2 of it treated in {crew.layer.name}; should be none"
    outside = beyond_m2(ground, field)
    if outside > slack:
        yield f"{strip.where}: {outside:.1f} m2 outside the field; should be none"
    hectares = area_m2(ground) / M2_PER_HA
    if abs(float(strip.properties["area_ha"]) - hectares) > slack / M2_PER_HA + AREA_ROUNDING:
        yield f"{strip.where}: area_ha {strip.properties['area_ha']}; its ground has {hectares:.4f}"
    rates = {part.properties["rate"] for part in treated(crew.layer)}
    if strip.properties["rate"] not in rates:
        yield f"{strip.where}: rate {strip.properties['rate']}; no part of {crew.layer.name} has it"


def _told(strips: Sequence[Feature], crew: Crew) -> Iterator[str]:
    """Hold number and area against the summary."""
    told = crew.told["check_strips"]
    where = f"{SUMMARY}: pass {shown(crew.told['name'])}"
    if told["count"] != len(strips):
        yield f"{where}: {told['count']} check strips; {STRIPS} has {len(strips)}"
    area = float(sum(strip.properties["area_ha"] for strip in strips))
    if not near(told["area_ha"], area, 4, absolute=AREA_ROUNDING * len(strips)):
        yield f"{where}: {told['area_ha']} ha of check strips; {STRIPS} has {area:.4f}"


def _named(strips: Sequence[Feature], crew: Crew) -> Iterator[str]:
    """Look for parts of the layer that call themselves check strips and are none."""
    ground = shapely.union_all([strip.geometry for strip in strips])
    for part in crew.layer.features:
        if part.properties["reason"] == CHECK_STRIP:
            left = area_m2(shapely.difference(part.geometry, ground))
            if left > moved_m2(part.geometry):
                yield f"{part.where}: {left:.1f} m2 of a check strip that is not in {STRIPS}"


def _share(strips: Sequence[Feature], crew: Crew) -> Iterator[str]:
    """Hold the strips in each treated area against what may be left of it, rate by rate."""
    for rate in {strip.properties["rate"] for strip in strips}:
        own = [strip.geometry for strip in strips if strip.properties["rate"] == rate]
        parts = [part.geometry for part in treated(crew.layer) if part.properties["rate"] == rate]
        joined = shapely.union_all([shapely.buffer(each, JOIN) for each in (*parts, *own)])
        for piece in shapely.get_parts(joined):
            inside = [each for each in own if piece.intersects(each.representative_point())]
            left = sum(map(area_m2, inside))
            whole = left + sum(area_m2(shapely.intersection(part, piece)) for part in parts)
            if left > MOST_SHARE * whole + sum(map(moved_m2, inside)):
                yield (
                    f"{STRIPS}: {left:.0f} m2 of check strips in {whole:.0f} m2 of ground at rate {rate} of pass "
                    f"{shown(crew.told['name'])}; should be at most a tenth"
                )
