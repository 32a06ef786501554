"""A season: what the passes and reviews of one field add up to.

A season folder holds one review folder for each pass. Each review carries its own applications and visits; reading
them together gives what labels ask for of a season, pressure over time, and notes for the next crop.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rxmap.errors import Caution, Faults, InputError
from rxmap.passes.label import label_faults
from rxmap.plan import Applied, Plan, Product
from rxmap.review.as_applied import OFF_RATE
from rxmap.review.found import Review
from rxmap.review.pressure import Curve, Visit, curves
from rxmap.units import Quantity, parse
from rxmap.write.files import read_json
from rxmap.write.manifest import differences

DOCUMENT = "review.json"


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class Application:
    """A product that was applied: the highest rate planned, or more where the log is clearly above the plan."""

    date: dt.date
    product: str
    rate: float
    unit: str
    area_ha: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductSeason:
    """What a season's applications leave of a label.

    Parameters
    ----------
    name : str
        Of the product.
    line : str
        For `[[product]]` of the next plan of this season, ready to paste.
    total, left : float or None
        Applied, and left of `season_max`, in its unit; None without that limit.
    unit : str or None
        Of `season_max`.
    times, most_times : int, int or None
        Applications made, and those that the label allows.
    next_from : date or None
        First day that the interval allows.
    faults : tuple of str
        Limits that the season has broken, each with its sum.
    """

    name: str
    line: str
    total: float | None
    left: float | None
    unit: str | None
    times: int
    most_times: int | None
    next_from: dt.date | None
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """All reviews of one field put together."""

    reviews: int
    products: tuple[ProductSeason, ...]
    applications: tuple[Application, ...]
    curves: tuple[Curve, ...]
    notes: tuple[str, ...]
    cautions: tuple[Caution, ...]


def earlier_reviews(folder: Path | None, field: str, *, without: Path) -> list[dict[str, Any]]:
    """Read the reviews that lie directly in a season folder, each unchanged and of this field.

    Parameters
    ----------
    folder : Path or None
        None for no other review.
    field : str
        Name of the field.
    without : Path
        The review that is about to be written: it never counts twice.

    Raises
    ------
    InputError
        If a review was changed, or is of another field.
    """
    if folder is None:
        return []
    if not folder.is_dir():
        raise InputError(f"{folder}: no such season folder. Name the folder that holds the reviews of this field.")
    faults = Faults()
    found = []
    for path in sorted(folder.iterdir()):
        if not (path / DOCUMENT).is_file() or path.resolve() == without.resolve():
            continue
        changed = differences(path)
        if changed:
            faults.add(f"{path}: not as rxmap left it: {changed[0]}. Review that pass again, or move it away.")
            continue
        document = read_json(path / DOCUMENT)
        if document["field"]["name"] != field:
            faults.add(f"{path}: a review of '{document['field']['name']}', not of '{field}'. Move it away.")
            continue
        found.append(document)
    faults.raise_if_any()
    return found


def season_of(review: Review, earlier: Sequence[Mapping[str, Any]]) -> Season:
    """Add a review to the earlier ones of its field."""
    plan = review.plan
    told = [application_of(row) for document in earlier for row in document["applications"]]
    told += applications(review)
    known = {(one.product, one.date) for one in told}
    applied = sorted({*told, *(one for one in _planned_before(plan) if (one.product, one.date) not in known)})
    seen = {visit_of(row) for document in earlier for row in document["visits"]} | set(review.visits)
    products = tuple(
        _product(plan, product, [one for one in applied if one.product == product.name])
        for product in plan.product
        if any(one.product == product.name for one in applied)
    )
    cautions = tuple(Caution(f"season_limit: {one.name}", line) for one in products for line in one.faults)
    lines = tuple(curves(plan, sorted(seen)))
    return Season(
        reviews=len(earlier) + 1,
        products=products,
        applications=tuple(applied),
        curves=lines,
        notes=tuple(_notes(plan, sorted(seen))),
        cautions=cautions,
    )


def applications(review: Review) -> list[Application]:
    """List what this review's passes applied; nothing without a spray date."""
    day = review.plan.field.spray_date
    if day is None:
        return []
    found = []
    for one in review.passes:
        over = 1.0
        if one.done is not None and one.done.rate.value > (1 + OFF_RATE) * one.done.planned_rate:
            over = one.done.rate.value / one.done.planned_rate
        for told in one.planned.products:
            area = one.done.sprayed_ha if one.done else one.planned.treated.area / 1e4
            rate = float(told["rate"]) * over
            found.append(
                Application(
                    date=day, product=told["name"], rate=round(rate, 3), unit=told["unit"], area_ha=round(area, 4)
                )
            )
    return found


def _planned_before(plan: Plan) -> list[Application]:
    """Applications that the plan itself lists; nobody says on how much ground."""
    return [
        Application(date=one.date, product=product.name, rate=one.rate.magnitude, unit=one.rate.unit, area_ha=math.nan)
        for product in plan.product
        for one in product.applied
    ]


def application_of(row: Mapping[str, Any]) -> Application:
    """Read an application as a review's document carries it."""
    area = row["area_ha"]
    return Application(
        date=dt.date.fromisoformat(row["date"]), product=row["product"], rate=row["rate"], unit=row["unit"],
        area_ha=math.nan if area is None else area,
    )  # fmt: skip


def visit_of(row: Mapping[str, Any]) -> Visit:
    """Read a visit as a review's document carries it."""
    return Visit(**{**row, "date": dt.date.fromisoformat(row["date"])})


def paste_line(applied: Sequence[Application]) -> str:
    """Line for `[[product]]` of a plan: what was applied this season.

    Examples
    --------
    >>> one = Application(date=dt.date(2026, 7, 30), product="A", rate=3.2, unit="floz/acre", area_ha=18.5)
    >>> paste_line([one])
    'applied = [{ date = 2026-07-30, rate = "3.2 floz/acre" }]'
    """
    rows = (f'{{ date = {one.date}, rate = "{one.rate:g} {one.unit}" }}' for one in applied)
    return f"applied = [{', '.join(rows)}]"


def _product(plan: Plan, product: Product, applied: Sequence[Application]) -> ProductSeason:
    """Add up one product; one day counts once, with its highest rate."""
    days = [max(group, key=lambda one: Quantity(one.rate, one.unit).to(product.label.max.unit))
            for _, group in itertools.groupby(applied, key=lambda one: one.date)]  # fmt: skip
    limit, interval = product.label.season_max, product.label.interval
    total = sum(Quantity(one.rate, one.unit).to(limit.unit) for one in days) if limit else None
    line = paste_line(days)
    return ProductSeason(
        name=product.name,
        line=line,
        total=total,
        left=None if limit is None or total is None else limit.magnitude - total,
        unit=limit.unit if limit else None,
        times=len(days),
        most_times=product.label.applications,
        next_from=None if interval is None else days[-1].date + dt.timedelta(seconds=interval.to("s")),
        faults=tuple(_broken(plan, product, line)),
    )


def _broken(plan: Plan, product: Product, line: str) -> list[str]:
    """Hold the pasted line against the label by the rules of a plan: its last application counts as the one now."""
    rows = tomllib.loads(line)["applied"]
    last = rows.pop()
    rate = parse(last["rate"], "rate")
    now = product.model_copy(
        update={
            "applied": tuple(Applied.model_validate(row) for row in rows),
            "rate": rate,
            "response": {},
            "under_label": None,
        }
    )
    field = plan.field.model_copy(update={"spray_date": last["date"], "stage": None})
    held = plan.model_copy(update={"product": (now,), "field": field, "machine": None})
    return [f"{product.name}: {line.partition(': ')[2]}" for line in label_faults(held)]


def _notes(plan: Plan, seen: Sequence[Visit]) -> list[str]:
    """Tell whoever plans the next crop what the season says."""
    found = []
    follows = f" ({plan.field.next_crop})" if plan.field.next_crop else ""
    for target in plan.target:
        last = [visit for visit in seen if visit.target == target.name]
        if not last:
            continue
        day = max(visit.date for visit in last)
        highest = max((visit for visit in last if visit.date == day), key=lambda visit: visit.mean)
        over = "reaches" if highest.mean >= target.threshold else "is below"
        if target.decides == "next crop":
            found.append(
                f"{target.name} decides the next crop{follows}: {highest.mean:.3g} {target.unit} on {day} {over} its "
                f"threshold of {target.threshold:g} ({target.source})."
            )
        else:
            found.append(
                f"{target.name}: {highest.mean:.3g} {target.unit} on {highest.ground} on {day}, the last visit; that "
                f"{over} its threshold of {target.threshold:g}. Start next season's walk there if it can stay over "
                "winter."
            )
    return found
