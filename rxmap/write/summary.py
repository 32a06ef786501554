"""All figures of a result in one JSON document; what is on a screen or on paper comes from here.

Decimals: areas, pressures, probabilities, shares and skill 4; rates and totals 3, small totals more; money 2.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from rxmap.records import AsApplied, Money, PassResult, Result, TargetResult
from rxmap.write.evidence import evidence_figures
from rxmap.write.files import rounded
from rxmap.write.task_data import STRUCTURES, TASK_FILE
from rxmap.write.weather import weather_figures

SURFACES = "surfaces"
PASSES = "passes"
MACHINE = "machine"
ENDINGS = {"geojson": ".geojson", "shapefile": ".shp", "geopackage": ".gpkg", "kml": ".kml"}
BUNDLE = "zip"


def summary(result: Result) -> dict[str, Any]:
    """Figures of a result under the names that readers rely on; paths are relative to the folder.

    Parameters
    ----------
    result : Result
        Everything that was decided.

    Returns
    -------
    dict
        ``field``, ``targets``, ``zones``, ``passes``, ``money`` (None without a product), ``what_if``,
        ``cautions``.
    """
    field = result.field
    choice = result.zone_choice
    return {
        "field": {"name": field.name, "area_ha": rounded(field.area_ha, 4), "crs": field.frame.wkt},
        "targets": [_target(target) for target in result.targets],
        "zones": {
            "count": len(result.zones),
            "crisp": rounded(choice.crisp, 4),
            "explained": rounded(choice.explained, 4),
            "text": choice.text,
        },
        "passes": [_pass(one, result) for one in result.passes],
        "money": _money(result.money),
        "what_if": [
            {
                "name": changed.name,
                "treated_share": {slug: rounded(share, 4) for slug, share in changed.treated_share.items()},
                "money": _money(changed.money),
            }
            for changed in result.what_if
        ],
        "cautions": [{"code": caution.code, "text": caution.text} for caution in result.cautions],
        **({"weather": weather_figures(result.weather)} if result.weather else {}),
    }


def surface_path(target: TargetResult) -> str:
    """Where the surface of a target lies in a result folder."""
    return f"{SURFACES}/{target.slug}.tif"


def machine_path(one: PassResult, ending: str) -> str:
    """Where a machine file of a pass lies in a result folder."""
    return f"{PASSES}/{one.slug}/{MACHINE}/{one.base}{ending}"


def layer_paths(one: PassResult, formats: tuple[str, ...]) -> dict[str, str] | None:
    """Machine files of a pass by format, or None where nothing is to be sprayed."""
    return None if one.decision == "none" else {name: _layer_path(one, name) for name in formats}


def _layer_path(one: PassResult, name: str) -> str:
    folder = f"{PASSES}/{one.slug}"
    if name == BUNDLE:  # beside what it holds
        return f"{folder}/{one.base}.zip"
    if name in ENDINGS:
        return machine_path(one, ENDINGS[name])
    return f"{folder}/{MACHINE}/experimental-{STRUCTURES[name]}/{TASK_FILE}"


def _target(target: TargetResult) -> dict[str, Any]:
    return {
        "name": target.name,
        "slug": target.slug,
        "measure": target.measure,
        "unit": target.unit,
        "stops": {"read": target.read, "used": target.used, "unused": target.read - target.used},
        "threshold": rounded(target.threshold, 4),
        "source": target.source,
        "mean": rounded(target.mean, 4),
        "p_over": rounded(target.p_over, 4),
        "model": target.model,
        "skill": _or_none(target.skill, 4),
        "chance": _or_none(target.chance, 4),
        "verdict": target.verdict,
        "reason": target.reason,
        "covariates": [
            {"name": use.name, "used": use.used, "gain": _or_none(use.gain, 4), "why": use.why}
            for use in target.covariates
        ],
        "edge": None
        if target.edge is None
        else {
            "width_m": rounded(target.edge.width_m, 2),
            "stops": target.edge.stops,
            "pressure": rounded(target.edge.pressure, 4),
            "p_over": rounded(target.edge.p_over, 4),
        },
        "evidence": evidence_figures(target.evidence),
        "surface": surface_path(target),
    }


def _pass(one: PassResult, result: Result) -> dict[str, Any]:
    return {
        "name": one.name,
        "slug": one.slug,
        "products": [
            {
                "name": product.name,
                "rate": rounded(product.rate, 3),
                "rates": [rounded(rate, 3) for rate in product.rates],
                "unit": product.unit,
                "total": _total(product.total),
                "total_unit": product.total_unit,
            }
            for product in one.products
        ],
        "decision": one.decision,
        "reason": one.reason,
        "next_look": one.next_look,
        "dates": None if one.dates is None else asdict(one.dates),
        "treated_ha": rounded(one.treated_ha, 4),
        "share": rounded(min(one.treated_ha / result.field.area_ha, 1.0), 4),  # areas of parts are rounded
        "polygons": len(one.parts),
        "loads": one.loads,
        "check_strips": {
            "count": len(one.check_strips),
            "area_ha": rounded(sum(strip.area_ha for strip in one.check_strips), 4),
            "text": one.strips_text,
        },
        "as_applied": None if one.applied is None else _applied(one.applied),
        "heading": one.heading_text or None,
        "files": layer_paths(one, result.formats),
    }


def _applied(applied: AsApplied) -> dict[str, float]:
    areas = ("applied_ha", "missed_ha", "off_target_ha", "over_ha", "under_ha", "setback_ha", "outside_ha")
    return {
        "heading": rounded(applied.heading, 1),
        **{name: rounded(getattr(applied, name), 3) for name in areas},
        "product_difference": rounded(applied.product_difference, 4),
    }


def _money(money: Money | None) -> dict[str, Any] | None:
    if money is None:
        return None
    return {
        "currency": money.currency,
        "map": _or_none(money.map, 2),
        "all": _or_none(money.all, 2),
        "none": _or_none(money.none, 2),
        "best": money.best,
        "range": None if money.range is None else [rounded(end, 2) for end in money.range],
        "p_map": _or_none(money.p_map, 4),
    }


def _or_none(value: float | None, decimals: int) -> float | None:
    return None if value is None else rounded(value, decimals)


def _total(value: float) -> float:
    """Round an amount of product to three decimals, or to three digits where those would lose it."""
    return rounded(value, max(3, 2 - math.floor(math.log10(value)))) if value else 0.0
