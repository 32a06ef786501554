"""What the reader of a result must know: every caution of a run, in one order, each once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import shapely

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.errors import Caution
from rxmap.passes.keep_outs import nothing_kept
from rxmap.plan import Plan, Target
from rxmap.records import Inputs, Money, PassResult
from rxmap.surface.target import FEWEST_EDGE_STOPS, TargetSurface

LEAST_OVER = 0.05  # of the field; below it a target that nothing controls is no news; judgement
MOST_NAMED = 8  # stops
MOST_MISSING = 0.5  # of the stops: with more the target had a walk of its own; judgement


def input_cautions(plan: Plan, inputs: Inputs) -> list[Caution]:
    """Cautions that the plan and its files raise before anything is computed."""
    found = list(inputs.cautions)
    found += nothing_kept(inputs.keep_outs, plan.product)
    if not plan.product:
        found.append(Caution("no_product", "The plan has no product: surfaces and zones only, no pass and no money."))
    found += [
        Caution("no_control", f"{target.name}: no product of the plan controls it, so nothing is decided on it.")
        for target in plan.target
        if _uncontrolled(plan, target)
    ]
    found += _without_row(plan, inputs)
    for product in plan.product:
        if product.under_label:
            found.append(
                Caution(
                    "under_label",
                    f"{product.name}: {product.under_label.rate} is below the label's minimum {product.label.min}; "
                    f"reason given: {product.under_label.reason}. A low rate can fail and breeds resistance.",
                )
            )
    return found


def result_cautions(
    plan: Plan,
    inputs: Inputs,
    surfaces: Sequence[TargetSurface],
    stakes: Sequence[Stake],
    decisions: Sequence[PassDecision],
    money: Money | None,
    passes: Sequence[PassResult],
) -> list[Caution]:
    """Everything the reader must know, in one order, each once."""
    found = input_cautions(plan, inputs)
    for surface in surfaces:
        name = surface.target.name
        found += [Caution(code, f"{name}: {text}") for code, text in surface.model.cautions_]
        if surface.target.edge is not None and surface.edge is None:
            found.append(
                Caution(
                    "few_edge_stops",
                    f"{name}: fewer than {FEWEST_EDGE_STOPS} edge stops; the strip along the boundary is decided by "
                    "the stops inside.",
                )
            )
        if surface.verdict == "uniform" and "few_stops" not in dict(surface.model.cautions_):
            found.append(Caution("no_map", f"{name}: the stops do not support a map. {surface.model.reason_}"))
        found += _over_uncontrolled(plan, surface)
    for stake in stakes:
        if stake.closed:
            named = stake.closed if stake.closed.startswith(stake.name) else f"{stake.name}: {stake.closed}"
            found.append(Caution("gate_closed", f"{named}."))
    for decision in decisions:
        shared = [p.name for p in decision.option.products if p.response and len(decision.option.products) > 1]
        found += [
            Caution("full_rate", f"{name}: its tank is shared, so it goes out at the full rate everywhere.")
            for name in shared
        ]
    if money and money.best == "all" and not any(d.kind == "all" for d in decisions):
        found.append(
            Caution(
                "floor_holds",
                "Treating all is expected to earn more than the map, but part of the field is below the threshold, "
                "which is a floor: ground below it is not treated.",
            )
        )
    for decision, one in zip(decisions, passes, strict=True):
        found += [*one.cautions, *_high_untreated(decision, one, surfaces)]
    return list(dict.fromkeys(found))


def _without_row(plan: Plan, inputs: Inputs) -> Iterator[Caution]:
    """Say of a target at how many of the stops it has no row: zeros that nobody wrote make a field look worse."""
    looked: dict[str, set[str]] = {target.name: set() for target in plan.target}
    for row in inputs.observations:
        if row.target in looked and not row.edge:
            looked[row.target].add(row.stop)
    everywhere = set().union(*looked.values())
    for name, stops in looked.items():
        missing = len(everywhere) - len(stops)
        if 0 < missing <= MOST_MISSING * len(everywhere):
            yield Caution(
                "stops_without_row",
                f"{name}: {missing} of {len(everywhere)} stops have no row for it, but one for another target. Where "
                "nothing was found write 0: zeros left out make the field look worse.",
            )


def _uncontrolled(plan: Plan, target: Target) -> bool:
    """Whether a plan with products has none against a target of this crop."""
    controlled = any(target.name in product.controls for product in plan.product)
    return bool(plan.product) and target.decides == "this crop" and not controlled


def _over_uncontrolled(plan: Plan, surface: TargetSurface) -> Iterator[Caution]:
    """Say of a target that nothing is done about on how much ground it is expected to be too high."""
    target, over = surface.target, surface.surface.grid.mean(surface.surface.p_over)
    if _uncontrolled(plan, target) and over >= LEAST_OVER:
        yield Caution(
            "over_uncontrolled",
            f"{target.name}: about {100 * over:.0f} % of the field is expected above its threshold of "
            f"{target.threshold:g}, and no product of the plan controls it.",
        )


def _high_untreated(decision: PassDecision, one: PassResult, surfaces: Sequence[TargetSurface]) -> Iterator[Caution]:
    """Name the stops above a threshold that lie on ground which a map leaves untreated."""
    if decision.kind != "map":
        return
    treated = shapely.union_all([part.polygon for part in one.parts if part.treat])
    for surface in surfaces:
        if surface.target.name not in decision.option.control or surface.verdict != "map":
            continue
        high = [
            look.stop
            for look, pressure in zip(surface.observations, surface.model.pressure_, strict=True)
            if pressure > surface.target.threshold and not shapely.intersects_xy(treated, look.lon, look.lat)
        ]
        if high:
            more = len(high) - MOST_NAMED
            named = ", ".join(high[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
            yield Caution(
                "high_untreated",
                f"{one.name}: {surface.target.name} was above its threshold at {named}, on ground that is not treated: "
                "the stops around it, a keep-out, a check strip or the cost of so small a patch speak against it. "
                "Look there again.",
            )
