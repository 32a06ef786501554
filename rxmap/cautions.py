"""What the reader of a result must know: every caution of a run, in one order, each once."""

from __future__ import annotations

from collections.abc import Sequence

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.errors import Caution
from rxmap.passes.keep_outs import nothing_kept
from rxmap.plan import Plan
from rxmap.records import Inputs, Money, PassResult
from rxmap.surface.target import FEWEST_EDGE_STOPS, TargetSurface


def input_cautions(plan: Plan, inputs: Inputs) -> list[Caution]:
    """Cautions that the plan and its files raise before anything is computed."""
    found = list(inputs.cautions)
    found += nothing_kept(inputs.keep_outs, plan.product)
    if not plan.product:
        found.append(Caution("no_product", "The plan has no product: surfaces and zones only, no pass and no money."))
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
    found += [caution for one in passes for caution in one.cautions]
    return list(dict.fromkeys(found))
