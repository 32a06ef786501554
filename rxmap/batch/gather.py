"""From finished result folders to the lines of the overview: what each field says, and what they add up to."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.batch.tasks import Task
from rxmap.plan import Plan
from rxmap.records import DecisionKind
from rxmap.show.overview_rows import FieldLine, OrderLine, PassLine, SeasonLine
from rxmap.units import convert, dimension, numerator
from rxmap.write.files import read_json
from rxmap.write.manifest import MANIFEST
from rxmap.write.mix_sheet import neutral

FINEST: tuple[DecisionKind, ...] = ("map", "all", "none")
DATES = ("spray_date", "harvest", "date")  # keys of a plan that hold a day
ROUNDING = 1e-9  # relative: what adding up and changing units may lose


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What one field takes of one product, into the tanks."""

    product: str
    amount: float
    unit: str
    pack: str | None  # as the plan writes it
    size: float | None  # of a pack [unit]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """Everything that the overview takes from one result folder."""

    line: FieldLine
    uses: tuple[Use, ...]
    seasons: tuple[SeasonLine, ...]


def read_finished(task: Task, result: Path) -> Finished:
    """Read what a result folder of ours says about its field.

    Parameters
    ----------
    task : Task
        The field.
    result : Path
        Its folder; it has been proved when it was made.
    """
    summary, manifest = read_json(result / "summary.json"), read_json(result / MANIFEST)
    plan = _plan(manifest["plan"])
    passes, money = summary["passes"], summary["money"] or {}
    decisions = {one["decision"] for one in passes}
    line = FieldLine(
        plan=task.name,
        slug=task.slug,
        name=summary["field"]["name"],
        crop=plan.field.crop,
        units=plan.units,
        area_ha=summary["field"]["area_ha"],
        treated_ha=math.fsum(one["treated_ha"] for one in passes),
        share=max((one["share"] for one in passes), default=0.0),
        decision=next((kind for kind in FINEST if kind in decisions), None),
        passes=tuple(
            PassLine(**{key: one[key] for key in ("name", "decision", "treated_ha", "reason", "next_look")})
            for one in passes
        ),
        currency=money.get("currency"),
        map=money.get("map"),
        all=money.get("all"),
        none=money.get("none"),
        cautions=tuple(one["code"] for one in summary["cautions"]),
        outline=_outline(result / "zones.geojson"),
    )
    return Finished(line=line, uses=tuple(_uses(result, plan, passes)), seasons=tuple(_seasons(line, plan, passes)))


def _plan(document: Mapping[str, Any]) -> Plan:
    """Take the plan out of a manifest, where quantities are spelled out and dates are text."""

    def plain(value: Any) -> Any:
        if isinstance(value, Mapping):
            if value.keys() == {"magnitude", "unit"}:
                return f"{value['magnitude']!r} {value['unit']}"
            return {
                key: dt.date.fromisoformat(one) if key in DATES and isinstance(one, str) else plain(one)
                for key, one in value.items()
            }
        return [plain(one) for one in value] if isinstance(value, list) else value

    return Plan.model_validate(plain(document))


def _outline(zones: Path) -> BaseGeometry:
    """Outline of the field: its zones cover it."""
    features = read_json(zones)["features"]
    shapes = [shapely.from_geojson(json.dumps(one["geometry"])) for one in features]
    return shapely.union_all(shapes) if len(shapes) > 1 else shapes[0]


def _uses(result: Path, plan: Plan, passes: Iterable[Mapping[str, Any]]) -> Iterator[Use]:
    products = {product.name: product for product in plan.product}
    for one in passes:
        sheet = result / "passes" / one["slug"] / "mix_sheet.csv"
        names = [use["name"] for use in one["products"]]
        if one["decision"] == "none" or not sheet.is_file():
            continue
        for name, rows in _by_product(sheet, names).items():
            pack = products[name].pack
            unit = numerator(products[name].full_rate.unit)
            amount = math.fsum(convert(float(row["amount"]), row["unit"], unit) for row in rows)
            size = pack.to(unit) if pack else None
            yield Use(product=name, amount=amount, unit=unit, pack=str(pack) if pack else None, size=size)


def _by_product(sheet: Path, names: list[str]) -> dict[str, list[dict[str, str]]]:
    """Rows of a mix sheet by product; what stays in tank and hoses has the reason after the name."""
    found: dict[str, list[dict[str, str]]] = {name: [] for name in names}
    for row in csv.DictReader(io.StringIO(sheet.read_text(encoding="utf-8"), newline="")):
        item = row["item"]
        mine = [name for name in names if item == neutral(name) or item.startswith(f"{neutral(name)} (")]
        if mine:
            found[max(mine, key=len)].append(row)
    return found


def _seasons(line: FieldLine, plan: Plan, passes: Iterable[Mapping[str, Any]]) -> Iterator[SeasonLine]:
    rates = {
        use["name"]: (use["rate"], use["unit"])
        for one in passes
        if one["decision"] != "none"
        for use in one["products"]
    }
    for product in plan.product:
        label = product.label
        unit = label.season_max.unit if label.season_max else product.full_rate.unit
        before = math.fsum(one.rate.to(unit) for one in product.applied)
        now = convert(*rates[product.name], unit) if product.name in rates else 0.0
        limit = label.season_max.magnitude if label.season_max else None
        times = len(product.applied) + (product.name in rates)
        again = now or product.full_rate.to(unit)
        room = limit is None or before + now + again <= limit * (1 + ROUNDING)
        room = room and (label.applications is None or times < label.applications)
        yield SeasonLine(
            product=product.name,
            slug=line.slug,
            field=line.name,
            unit=unit,
            limit=limit,
            before=before,
            now=now,
            times=times,
            most_times=label.applications,
            room=room,
        )


def orders(uses: Iterable[Use]) -> list[OrderLine]:
    """Add up what all fields need of each product, and count the packs for all of them together.

    The same name in another size of pack, or by weight instead of volume, is a line of its own. A line is in the
    unit that all its plans use, else in litres or kilograms.

    Examples
    --------
    >>> use = Use(product="Rowan", amount=12.0, unit="L", pack="5 L", size=5.0)
    >>> [(line.total, line.packs, line.left) for line in orders([use, use])]
    [(24.0, 5, 1.0)]
    """
    groups: dict[tuple[str, str, str], list[Use]] = defaultdict(list)
    for use in uses:
        base = "L" if dimension(use.unit) == dimension("L") else "kg"
        groups[use.product, base, use.pack or ""].append(use)
    out = []
    for (product, base, pack), found in sorted(groups.items()):
        units = Counter(use.unit for use in found)
        unit = next(iter(units)) if len(units) == 1 else base
        total = math.fsum(convert(use.amount, use.unit, unit) for use in found)
        size = convert(found[0].size, found[0].unit, unit) if found[0].size else None
        packs = math.ceil(total / size * (1 - ROUNDING)) if size else None
        left = max(packs * size - total, 0.0) if size and packs is not None else None
        out.append(
            OrderLine(
                product=product, total=total, unit=unit, pack=pack or None, packs=packs, left=left, fields=len(found)
            )
        )
    return out
