"""After a build: which further stops would change the decision most, and when to stop looking."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy.spatial import cKDTree

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.errors import PlanError
from rxmap.plan import Plan
from rxmap.records import Inputs
from rxmap.scout.calls import blocks_of, call_of, joints_of
from rxmap.scout.first import leg_cautions, off_limits, on_file_grid, start_of, waits_of, walk_stop
from rxmap.scout.need import ask_of, reached_with
from rxmap.scout.order import walk_length, walk_order
from rxmap.scout.places import inner_ground, walkable
from rxmap.scout.records import Ask, Walk, Worth
from rxmap.scout.value import Batch, Belief, Call, choose_batch, perfect_gain, weigh_batch
from rxmap.show.text import counted
from rxmap.surface.target import TargetSurface
from rxmap.units import currency

BATCH = 5  # further stops; judgement: what a scout adds to a day
TODAY = "It speaks of the pressure of this visit: when it has had time to grow, look again."
TURNS = 0.05  # a call that turns with less chance does not count as open; judgement


def next_stops(
    plan: Plan,
    inputs: Inputs,
    surfaces: Sequence[TargetSurface],
    stakes: Sequence[Stake],
    decisions: Sequence[PassDecision],
    *,
    count: int | None = None,
) -> Walk:
    """Choose further stops by what they are expected to gain, or say that none would.

    Parameters
    ----------
    plan : Plan
    inputs : Inputs
    surfaces : sequence of TargetSurface
    stakes : sequence of Stake
    decisions : sequence of PassDecision
        As `rxmap.pipeline.decide_plan` makes them.
    count : int, optional
        By default 5.

    Raises
    ------
    PlanError
        Without a product: then there is no decision that a stop could change.
    """
    if not decisions:
        raise PlanError(
            f"{plan.path.name}: product: is missing, so there is no decision that a further stop could change. Add the "
            "product and its machine."
        )
    blocks = blocks_of(inputs.grid)
    joints = joints_of(surfaces, blocks)
    beliefs = [Belief(weights=one.weights, covariance=one.covariance, noise=one.noise) for one in joints]
    fitted = list(zip(surfaces, stakes, joints, strict=True))
    calls = [call_of(plan, inputs, each, fitted, blocks) for each in decisions if each.benefit is not None]
    open_ground, kept = walkable(inputs.field.ground, inputs.keep_outs)
    stops = np.unique([(row.easting, row.northing) for row in inputs.observations if row.used], axis=0)
    ground = inner_ground(inputs.field.ground, open_ground, math.sqrt(open_ground.area / len(stops)))
    may = shapely.covers(ground, shapely.points(blocks.places)) & np.all([one.known for one in joints], axis=0)
    away = cKDTree(stops).query(blocks.places[may])[0]
    batch = choose_batch(beliefs, calls, np.flatnonzero(may), away, count or BATCH)
    cost = _cost(plan, inputs, len(stops))
    worth = _worth(plan, (beliefs, calls, batch), cost, decisions[0].option.currency)
    enough = _settled(worth, stakes, calls, len(batch.places), asked=count is not None)
    if not enough and count is None and cost is not None:
        batch = batch.first(max(1, sum(gain >= cost for gain in batch.gains)))
        worth = _worth(plan, (beliefs, calls, batch), cost, worth.currency)
        enough = _too_dear(worth, len(batch.places))
    walk = Walk(
        kind="enough" if enough else "next stops",
        field=inputs.field,
        units=plan.units,
        seed=plan.output.seed,
        start=start_of(plan, inputs.field),
        stops=(),
        length_m=0.0,
        asks=tuple(_ask(surface, len(stops)) for surface in surfaces),
        reasons=enough or _reasons(worth, surfaces, len(batch.places)),
        worth=worth,
        kept=kept.intersection(inputs.field.ground),
        seen=tuple((float(east), float(north)) for east, north in stops),
        waits=waits_of(plan),
        cautions=inputs.cautions,
        inputs=inputs.files,
        plan=plan.model_dump(mode="json", by_alias=True, exclude_defaults=True),
    )
    return walk if enough else _walked(walk, inputs, blocks.places, batch)


def _walked(walk: Walk, inputs: Inputs, places: np.ndarray, batch: Batch) -> Walk:
    """Put the chosen stops into walking order and give them names that are free."""
    field = walk.field
    found = on_file_grid(field, places[list(batch.places)])
    blocked = off_limits(field, walk.kept)
    order = walk_order(found, walk.start, blocked, seed=walk.seed)
    named = [re.fullmatch(r"N(\d+)", row.stop) for row in inputs.observations]
    first = 1 + max((int(match[1]) for match in named if match), default=0)
    looked = tuple(ask.target.name for ask in walk.asks)
    stops = tuple(
        walk_stop(field, first + number, found[at], "next", looked, value=batch.gains[at])
        for number, at in enumerate(order)
    )
    return replace(
        walk,
        stops=stops,
        length_m=walk_length(found[order], walk.start),
        cautions=(*walk.cautions, *leg_cautions(stops, walk.start, blocked)),
    )


def _ask(surface: TargetSurface, stops: int) -> Ask:
    """Ask for as many units as the stops there are had, where they tell."""
    ask = ask_of(surface.target)
    told = int(np.median([row.n for row in surface.observations]))
    units = told if told > 1 or surface.target.measure in ("count", "incidence") else ask.units
    return replace(ask, units=units, tally=None, reached=reached_with(replace(ask, units=units), stops))


def _cost(plan: Plan, inputs: Inputs, stops: int) -> float | None:
    """Cost of one more stop: that of the walk there was, shared out among its stops; None where the plan has none."""
    cost = plan.scouting.cost
    return None if cost is None else cost.to(f"{currency(cost.unit)}/ha") * inputs.field.area_ha / stops


def _worth(plan: Plan, weighed: tuple[Sequence[Belief], Sequence[Call], Batch], cost: float | None, code: str) -> Worth:
    beliefs, calls, batch = weighed
    gain, turning = weigh_batch(calls, batch, seed=plan.output.seed, least=TURNS)
    return Worth(
        currency=code,
        batch=gain,
        perfect=perfect_gain(beliefs, calls),
        cost=None if cost is None else cost * len(batch.places),
        may_change=turning,
    )


def _settled(
    worth: Worth, stakes: Sequence[Stake], calls: Sequence[Call], stops: int, *, asked: bool
) -> tuple[str, ...]:
    """Say why no further stop can change the decision; nothing where one can, or where the user asks all the same."""
    if not calls:
        closed = [f"{stake.closed}." for stake in stakes if stake.closed]
        return ("Stop looking: no further stop can change the decision, since no target may be treated now.", *closed)
    if stops == 0:
        return ("Stop looking: no ground is left on which a further stop could stand.",)
    if asked or worth.may_change > 0.0:
        return ()
    return (
        f"Stop looking: no further stop can change the decision. After {counted(stops, 'more stop')} the chance that a "
        f"call turns is below {100 * TURNS:.0f} % everywhere; {_most(worth)}.",
        TODAY,
    )


def _too_dear(worth: Worth, stops: int) -> tuple[str, ...]:
    """Say that even the best stops cost more than they are expected to gain, where they do."""
    if worth.cost is None or worth.batch >= worth.cost:
        return ()
    best = "best further stop is" if stops == 1 else f"best {stops} further stops are"
    return (
        f"Stop looking: the {best} expected to gain {worth.batch:,.2f} {worth.currency}, and to cost about "
        f"{worth.cost:,.2f}; {_most(worth)}. Ask for stops all the same with --count.",
        TODAY,
    )


def _most(worth: Worth) -> str:
    return f"knowing the pressure everywhere would gain {worth.perfect:,.2f} {worth.currency} at most"


def _reasons(worth: Worth, surfaces: Sequence[TargetSurface], stops: int) -> tuple[str, ...]:
    cost = "" if worth.cost is None else f", and to cost about {worth.cost:,.2f} {worth.currency}"
    what = "This stop is" if stops == 1 else f"These {stops} stops together are"
    lines = [
        f"{what} expected to gain {worth.batch:,.2f} {worth.currency}{cost}; {_most(worth)}.",
        f"On {100 * worth.may_change:.0f} % of the ground the call turns with a chance of {100 * TURNS:.0f} % or "
        "more. Trips are counted; what edges cost the machine is not.",
    ]
    for surface in surfaces:
        if surface.verdict == "uniform":
            lines.append(
                f"{surface.target.name}: no pattern, so it matters how many stops there are, not where: they fill gaps."
            )
    lines.append("Add them to the stops file, build again, and ask again: what they show changes where to look next.")
    return tuple(lines)
