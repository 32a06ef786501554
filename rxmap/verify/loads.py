"""Where each load goes: the ground of all loads is the treated ground, each has its share of the mix sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from rxmap.errors import shown
from rxmap.units import convert
from rxmap.verify.crew import LOAD_ROUNDING, Crew, crews, reach_ha, usable_l
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import Feature
from rxmap.verify.ground import M2_PER_HA, area_m2, moved_m2
from rxmap.verify.mix_sheet import read_sheet
from rxmap.verify.prescription import treated

VOLUME_ROUNDING = 0.01  # [L] of the volume of one load: two decimals, rounded so that all add up


def loads_right(result: Folder) -> Iterator[str]:
    """Hold the loads of each pass against its layer, its mix sheet, tank and battery."""
    machine = result.plan.get("machine") or {}
    usable, reach = (usable_l(machine), reach_ha(machine)) if machine else (0.0, None)
    for crew in crews(result):
        layer = result.layer(f"{crew.folder}/loads.geojson")
        numbers = [(one.properties["load"], one.properties["order"]) for one in layer.features]
        if numbers != [(number, number) for number in range(1, crew.told["loads"] + 1)]:
            yield f"{layer.name}: load and order {numbers}; should be 1 to {crew.told['loads']}, as they are driven"
            continue
        ground = shapely.union_all([part.geometry for part in treated(crew.layer)])
        for load in layer.features:
            volume, area = load.properties["volume_l"], load.properties["area_ha"]
            if float(volume) > usable + VOLUME_ROUNDING:
                yield f"{load.where}: load of {volume} L; the tank takes {usable:.6g} L beside its reserve"
            if reach is not None and float(area) > reach + LOAD_ROUNDING:
                yield f"{load.where}: load on {area} ha; the machine's endurance is {reach:.6g} ha"
            outside = area_m2(shapely.difference(load.geometry, ground))
            if outside > moved_m2(load.geometry):
                yield f"{load.where}: {outside:.1f} m2 outside the treated ground; should be none"
            yield from _figures(load, crew)
        yield from _twice(layer.features)
        yield from _as_mixed(layer.features, result, crew)
        yield from _volume_total(layer.features, crew)


def _figures(load: Feature, crew: Crew) -> Iterator[str]:
    """Hold area and volume of a load against its ground."""
    hectares = area_m2(load.geometry) / M2_PER_HA
    slack = moved_m2(load.geometry) / M2_PER_HA
    if abs(float(load.properties["area_ha"]) - hectares) > slack + LOAD_ROUNDING:
        yield f"{load.where}: area_ha {load.properties['area_ha']}; its ground has {hectares:.4f}"
    rates = [convert(float(p.properties["volume"]), p.properties["vol_unit"], "L/ha") for p in treated(crew.layer)]
    pieces = shapely.intersection(load.geometry, np.array([part.geometry for part in treated(crew.layer)], object))
    shares = map(area_m2, pieces)
    litres = sum(rate * share / M2_PER_HA for rate, share in zip(rates, shares, strict=True))
    if abs(float(load.properties["volume_l"]) - litres) > max(rates) * (slack + LOAD_ROUNDING) + VOLUME_ROUNDING:
        yield f"{load.where}: volume_l {load.properties['volume_l']}; its ground takes {litres:.2f}"


def _twice(loads: Sequence[Feature]) -> Iterator[str]:
    for one, other in shapely.STRtree([load.geometry for load in loads]).query([load.geometry for load in loads]).T:
        if one < other:
            shared = area_m2(shapely.intersection(loads[one].geometry, loads[other].geometry))
            if shared > moved_m2(loads[one].geometry):
                yield f"{loads[one].where}: shares {shared:.1f} m2 with load {other + 1}; should share none"


def _as_mixed(loads: Sequence[Feature], result: Folder, crew: Crew) -> Iterator[str]:
    """Hold area and volume of each load against the mix sheet."""
    for load in loads:
        lines = [x for x in read_sheet(result, crew) if x.load == load.properties["load"] and not x.beside]
        volume, area = load.properties["volume_l"], load.properties["area_ha"]
        mixed, slack = sum(line.litres for line in lines), sum(line.step_l for line in lines)
        if lines and float(lines[0].area_ha) != float(area):
            yield f"{load.where}: area_ha {area}; the mix sheet has {lines[0].area_ha}"
        if lines and abs(mixed - float(volume)) > slack + VOLUME_ROUNDING:
            yield f"{load.where}: volume_l {volume}; the mix sheet has {mixed:.6g} L"
    yield from _alike(loads, result, crew)


def _alike(loads: Sequence[Feature], result: Folder, crew: Crew) -> Iterator[str]:
    """Hold each product of a load against its share of the spray: one tank has one mix, whatever the rate."""
    litres = {load.properties["load"]: float(load.properties["volume_l"]) for load in loads}
    spray = sum(litres.values())
    for used in crew.told["products"]:
        lines = [x for x in read_sheet(result, crew) if x.item == used["name"] and not x.beside and x.load in litres]
        total = sum(float(line.amount) for line in lines)
        for line in lines:
            wanted = total * litres[line.load] / spray
            # a step by rounding, another where a limit of the label or the sum asks for it
            if abs(float(line.amount) - wanted) > 2 * line.step + total * 2 * VOLUME_ROUNDING / spray:
                told = f"{line.where}: {line.amount} {line.unit} of {shown(line.item)} in {litres[line.load]} L"
                yield f"{told}; the other loads have {wanted:.6g}"


def _volume_total(loads: Sequence[Feature], crew: Crew) -> Iterator[str]:
    total = sum(float(load.properties["area_ha"]) for load in loads)
    hectares = sum(float(part.properties["area_ha"]) for part in treated(crew.layer))
    if abs(total - hectares) > LOAD_ROUNDING:
        yield f"{crew.folder}/loads.geojson: areas add up to {total:.4f} ha; treated ground is {hectares:.4f} ha"
