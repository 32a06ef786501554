"""Stops: every row read is either used or kept as unused with its reason; none vanishes."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import shapely

from rxmap.errors import Caution, Faults, shown
from rxmap.grid import GEOD
from rxmap.plan import Plan
from rxmap.read.places import placed
from rxmap.read.rows import observations_of
from rxmap.read.table import Table
from rxmap.read.wide import long_form
from rxmap.records import EDGE_STOP, Field, Observation

SAME_PLACE = 30.0  # [m] our limit: one stop seen twice by a receiver with a bad view of the sky
SEASON = 180  # [day] our limit: a walk longer before the spraying was another season's
MOST_UNSEEN = 0.25  # share of the field, our limit: walks along lines leave less so far from their stops
FEWEST_DECIMALS = 4  # 1e-4 degree is about 11 m, the grain that GPS scatter has anyway

OLDER, FOREIGN = "older visit", "target not in the plan"


def make_observations(
    tables: Sequence[Table], plan: Plan, field: Field | None, faults: Faults
) -> tuple[tuple[Observation, ...], list[Caution]]:
    """Turn scouting tables into observations, used and unused.

    Parameters
    ----------
    tables : sequence of Table
        All scouting files of the plan.
    plan : Plan
        Its targets say which measure counts.
    field : Field or None
        None where the boundary was refused: then rows are checked, but nothing is placed.
    faults : Faults
        Takes what is wrong.

    Returns
    -------
    observations : tuple of Observation
        By stop, target and date, whatever the order of the rows.
    cautions : list of Caution
        What the reader must know about them.
    """
    targets = {target.name: target for target in plan.target}
    observations = [one for table in long_form(tables, plan, faults) for one in observations_of(table, targets, faults)]
    observations.sort(key=_order)
    faults.extend(_identity_faults(observations))
    if field is None:
        return (), []
    observations, cautions = placed(observations, field, plan.scouting.gps_error, faults)
    observations = _settled(observations, plan)
    if not faults.lines:
        faults.extend(_unsupported(observations, plan))
    return tuple(observations), cautions + _cautions(observations, plan) + _unseen(observations, plan, field)


def _order(one: Observation) -> tuple[str, str, dt.date, str]:
    return one.stop, one.target, one.date or dt.date.min, one.place


def _identity_faults(observations: list[Observation]) -> list[str]:
    """Rows pasted twice, stops at two places, visits whose order is unknown."""
    lines = []
    first: dict[str, Observation] = {}
    latest: dict[tuple[str, str], Observation] = {}
    for one in observations:
        home = first.setdefault(one.stop, one)
        _, _, metres = GEOD.inv(home.lon, home.lat, one.lon, one.lat)
        if metres > SAME_PLACE:
            lines.append(
                f"{one.place}, column stop: {shown(one.stop)} is {metres:.0f} m from where {home.place} has it. "
                "Give each place its own id."
            )
        before = latest.get((one.stop, one.target))
        if before is not None and before.date == one.date:
            lines.append(f"{one.place}: stop, target and date as in {before.place}. Remove one of them.")
        elif before is not None and before.date is None:
            lines.append(f"{before.place}, column date: blank, but {one.place} has a date. Fill it in.")
        latest[one.stop, one.target] = one
    return lines


def _settled(observations: Iterable[Observation], plan: Plan) -> list[Observation]:
    """Mark what does not count: the newest visit per stop and target does, edge stops decide the edge only."""
    known = {target.name for target in plan.target}
    observations = list(observations)
    newest = {(one.stop, one.target): one.date for one in observations}  # sorted by date
    out = []
    for one in observations:
        older = one.date != newest[one.stop, one.target]
        reasons = ((one.target not in known, FOREIGN), (not one.used, one.why), (older, OLDER), (one.edge, EDGE_STOP))
        why = next((reason for holds, reason in reasons if holds), "")
        out.append(replace(one, used=not why, why=why))
    return out


def _unsupported(observations: Sequence[Observation], plan: Plan) -> list[str]:
    """Targets of the plan for which nothing is left to compute with."""
    lines = []
    for target in plan.target:
        rows = [one for one in observations if one.target == target.name]
        if any(one.used for one in rows):
            continue
        reasons = ", ".join(sorted({one.why for one in rows}))
        found = f"every row is unused ({reasons})" if rows else "no row"
        names = ", ".join(plan.scouting.stops)
        lines.append(
            f"{names}: target {shown(target.name)}: {found}. Add its stops, zeros included, or take it out of the plan."
        )
    return lines


def _cautions(observations: Sequence[Observation], plan: Plan) -> list[Caution]:
    found = [*_foreign(observations), *_dates(observations, plan), *_decimals(observations)]
    by_target = defaultdict(list)
    for one in observations:
        if one.used:
            by_target[one.target].append(one.value)
    for target in plan.target:
        values = by_target[target.name]
        if target.measure == "severity" and any(0 < v < 1 for v in values) and max(values) <= 1:
            found.append(
                Caution(
                    f"maybe_fractions: {target.name}",
                    f"All severities of {target.name} are 1 or less. They are taken as percent, as the column says; "
                    "were fractions meant, every one is 100 times too small.",
                )
            )
        if target.measure == "rating" and target.scale is None and values:
            found.append(
                Caution(
                    f"score_scale: {target.name}",
                    f"{target.name} is rated without a scale: its classes are treated as evenly spaced.",
                )
            )
    return found


def _unseen(observations: Sequence[Observation], plan: Plan, field: Field) -> list[Caution]:
    """Say of which targets much ground is farther off than two spacings of as many stops evenly spread."""
    found = []
    for target in plan.target:
        rows = [(one.easting, one.northing) for one in observations if one.used and one.target == target.name]
        if not rows:
            continue
        places = np.unique(rows, axis=0)
        reach = 2 * math.sqrt(field.ground.area / len(places))
        seen = shapely.intersection(field.ground, shapely.buffer(shapely.multipoints(places), reach))
        share = 1 - seen.area / field.ground.area
        if share > MOST_UNSEEN:
            text = (
                f"{100 * share:.0f} % of the field is farther than {reach:.0f} m from every stop of {target.name}. "
                "What is said of that ground is a guess from the rest: walk it before it decides."
            )
            found.append(Caution(f"unseen_ground: {target.name}", text))
    return found


def _foreign(observations: Sequence[Observation]) -> list[Caution]:
    rows = [one for one in observations if one.why == FOREIGN]
    if not rows:
        return []
    names = ", ".join(sorted({shown(one.target) for one in rows}))
    return [Caution("targets_not_in_plan", f"{len(rows)} rows are of targets not in the plan and unused: {names}.")]


def _dates(observations: Sequence[Observation], plan: Plan) -> list[Caution]:
    found = []
    undated = [one for one in observations if one.date is None]
    if undated and len(undated) < len(observations):
        found.append(
            Caution("no_date", f"{len(undated)} of {len(observations)} rows have no date, {undated[0].place} first.")
        )
    spraying = plan.field.spray_date
    far = [one for one in observations if spraying and one.used and one.date and abs(spraying - one.date).days > SEASON]
    if far:
        found.append(
            Caution(
                "other_season",
                f"{_used(far)} more than {SEASON} days from the spray date {spraying}, {far[0].place} "
                f"({far[0].date}) first.",
            )
        )
    late = [one for one in observations if spraying and one.used and one.date and one.date > spraying]
    if late:
        found.append(
            Caution(
                "late_visit",
                f"{_used(late)} from after the spray date {spraying}, {late[0].place} ({late[0].date}) "
                "first. Check both dates.",
            )
        )
    return found


def _decimals(observations: Sequence[Observation]) -> list[Caution]:
    axes = {"lon": [one.lon for one in observations], "lat": [one.lat for one in observations]}
    coarse = [name for name, values in axes.items() if all(round(v, FEWEST_DECIMALS - 1) == v for v in values)]
    if not observations or not coarse:
        return []
    text = f"No {' or '.join(coarse)} has {FEWEST_DECIMALS} decimals: each may be 50 m off. Export more decimals."
    return [Caution("coarse_places", text)]


def _used(rows: Sequence[Observation]) -> str:
    return "1 used row is" if len(rows) == 1 else f"{len(rows)} used rows are"
