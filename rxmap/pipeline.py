"""The run, as the job goes: read, fit, decide, draw zones and passes, write, check, publish."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from rxmap.beside import DRAWING, Beside, Here
from rxmap.cautions import result_cautions
from rxmap.decide.benefit import Stake, crop_value_ha, stake_of
from rxmap.decide.compare import Draws, compare, draw_surfaces, less_given_up
from rxmap.decide.dates import pass_dates
from rxmap.decide.decision import PassDecision, decide_passes
from rxmap.decide.gates import closed_gate
from rxmap.decide.ground import Ground, decision_ground
from rxmap.decide.look import next_look
from rxmap.decide.options import PassOption, pass_options
from rxmap.decide.two_tanks import two_tanks
from rxmap.decide.weather import weather_report
from rxmap.decide.what_if import Decide, what_if
from rxmap.errors import CheckError, Faults, InputError, PlanError
from rxmap.grid import Grid
from rxmap.passes.keep_outs import keep_out_records, kept_ground, kept_share, product_setback_m, sprayed_around
from rxmap.passes.label import label_faults
from rxmap.passes.layer import Ledger
from rxmap.passes.loads import plan_loads, treated_ground
from rxmap.passes.prescription import base_names, prescribe
from rxmap.plan import Machine, Plan, read_plan
from rxmap.read.inputs import read_inputs
from rxmap.records import EdgeLevel, Field, Inputs, Money, PassResult, Result, TargetResult, slugs
from rxmap.surface.evidence import target_evidence
from rxmap.surface.evidence_cautions import evidence_cautions
from rxmap.surface.target import Setting, TargetSurface, fit_target
from rxmap.units import currency
from rxmap.write.folder import Page, write_result
from rxmap.write.publish import refuse_unless_free, staged
from rxmap.zones.clusters import Clusters, make_zones
from rxmap.zones.explain import zone_choice, zone_shapes

OLDER_VISIT = "older visit"  # why such a row is not used for the field
Progress = Callable[[str], None]


def build(
    plan_path: str | Path,
    out: str | Path,
    *,
    replace: bool = False,
    progress: Progress | None = None,
    beside: Executor | None = None,
) -> Result:
    """Do the whole job of one plan: from scouting stops to a published result folder.

    Parameters
    ----------
    plan_path : str or Path
        The plan file.
    out : str or Path
        Result folder: absent, empty, or with `replace` an unchanged one of ours.
    replace : bool
        Whether an earlier result may be replaced.
    progress : callable, optional
        Called with one line before each step.
    beside : Executor, optional
        Who prints the papers; by default a process of its own for this build.

    Raises
    ------
    InputError
        If the plan or a file has faults; nothing is written.
    OutputError
        If the folder cannot be written.
    CheckError
        If the result fails its own checks; nothing is published.
    """
    tell = progress or (lambda _: None)
    with beside or Beside(DRAWING) as printer:
        tell("reading the plan and its files")
        plan, inputs = check(plan_path)
        files = [plan.folder / file.name for file in inputs.files]
        refuse_unless_free(Path(out), replace=replace, inputs=files)
        result = solve(plan, inputs, progress=tell)
        tell("writing and checking the files")
        publish(result, Path(out), replace=replace, inputs=files, beside=printer)
    return result


def check(plan_path: str | Path) -> tuple[Plan, Inputs]:
    """Read everything that a plan names and report every fault at once; compute nothing.

    Raises
    ------
    InputError
        With all faults of the plan, the labels and the files.
    """
    plan = read_plan(plan_path)
    faults = Faults()
    faults.extend(f"{plan.path.name}: {line}" for line in label_faults(plan))
    try:
        inputs = read_inputs(plan)
    except InputError as error:
        faults.extend(error.faults)
        faults.raise_if_any()
        raise
    faults.raise_if_any(PlanError)
    return plan, inputs


def solve(plan: Plan, inputs: Inputs, *, progress: Progress | None = None) -> Result:
    """Compute the result of a plan whose inputs are read; touches no file.

    Parameters
    ----------
    plan : Plan
        From `check`.
    inputs : Inputs
        From `check`.
    progress : callable, optional
        Called with one line before each step.
    """
    with threadpool_limits(1):  # sums in several threads differ in the last digit, and here they are not even faster
        return _solved(plan, inputs, progress or (lambda _: None))


def _solved(plan: Plan, inputs: Inputs, tell: Progress) -> Result:
    field, grid, seed = inputs.field, inputs.grid, plan.output.seed

    tell("fitting the pressure of each target")
    surfaces = fit_targets(plan, inputs, grid)
    draws = draw_surfaces(surfaces, grid, seed=seed)
    targets = [_target_result(surface, inputs, draws) for surface in surfaces]

    tell("deciding where treating pays")
    stakes = [_stake(plan, surface, inputs) for surface in surfaces]
    options = pass_options(plan, field.area_ha)
    decide, weigh = _decide(plan, inputs, options, surfaces, grid), _weigh(plan, field, surfaces, grid)
    value_ha = crop_value_ha(plan.field)
    decisions = decide(options, stakes, value_ha)
    money = weigh(decisions, stakes, value_ha, draws)
    changed = (
        what_if(options, stakes, surfaces, value_ha=value_ha, field_ha=field.area_ha, decide=decide, weigh=weigh)
        if options
        else []
    )

    together = two_tanks(decisions, money, field_ha=field.area_ha)

    tell("drawing zones and passes")
    zones = _zones(plan, stakes, grid)
    shapes = zone_shapes(zones, targets, draws, field=field, grid=grid)
    ledger = Ledger(
        field=field, grid=grid, zones={one.zone: one.polygon for one in shapes}, stakes=stakes, units=plan.units
    )
    passes = _passes(plan, inputs, decisions, ledger, targets)
    weather = weather_report(inputs.weather, plan, passes, _walked(inputs)) if inputs.weather else None
    return Result(
        crop=plan.field.crop,
        units=plan.units,
        seed=seed,
        field=field,
        grid=grid,
        observations=inputs.observations,
        targets=tuple(targets),
        zones=tuple(shapes),
        zone_choice=zone_choice(zones),
        keep_outs=tuple(keep_out_records(inputs.keep_outs, options, field)),
        passes=tuple(passes),
        money=less_given_up(money, passes),
        swath_m=plan.machine.swath.to("m") if plan.machine else None,
        cautions=(
            *result_cautions(plan, inputs, surfaces, stakes, decisions, money, passes),
            *evidence_cautions(targets, field.area_ha),
            *(weather.cautions if weather else ()),
        ),
        inputs=inputs.files,
        plan=plan.model_dump(mode="json", by_alias=True, exclude_defaults=True),
        formats=plan.output.formats,
        what_if=(*changed, *([together] if together else [])),
        weather=weather,
    )


def _walked(inputs: Inputs) -> dt.date | None:
    """Newest visit that counts."""
    return max((o.date for o in inputs.observations if o.used and o.date), default=None)


def decide_plan(plan: Plan, inputs: Inputs) -> tuple[list[TargetSurface], list[Stake], list[PassDecision]]:
    """Fit and decide, and draw nothing: what further stops could change is asked of it."""
    surfaces = fit_targets(plan, inputs, inputs.grid)
    stakes = [_stake(plan, surface, inputs) for surface in surfaces]
    options = pass_options(plan, inputs.field.area_ha)
    decide = _decide(plan, inputs, options, surfaces, inputs.grid)
    return surfaces, stakes, decide(options, stakes, crop_value_ha(plan.field))


def publish(
    result: Result, out: Path, *, replace: bool = False, inputs: Sequence[Path] = (), beside: Executor | None = None
) -> None:
    """Write a result beside its place, prove it, then put it there whole or not at all.

    Parameters
    ----------
    result : Result
        From `solve`.
    out : Path
        The result folder.
    replace : bool
        Whether an unchanged earlier result may be replaced.
    inputs : sequence of Path
        Files that must not lie in `out`.
    beside : Executor, optional
        Who prints the papers; by default this thread.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    CheckError
        If `verify` finds anything.
    """
    from rxmap.verify import verify

    with staged(out, replace=replace, inputs=inputs) as stage:
        write_result(result, stage, pages=papers(result, beside or Here()))
        report = verify(stage)
        if not report.ok:
            raise CheckError(["the result fails its own checks and is not published", *report.findings])


def papers(result: Result, beside: Executor) -> dict[str, Page]:
    """Draw what people read: the map here; the report, the record's sheet and the mix sheets beside."""
    from rxmap.show.page import map_page
    from rxmap.show.report import report_pdf
    from rxmap.show.sheets import mix_sheet_pdf, record_pdf
    from rxmap.write.record import record_document

    printed = {
        "report.pdf": beside.submit(report_pdf, result),
        "record.pdf": beside.submit(record_pdf, record_document(result, result.plan)),
    }
    for one in result.passes:
        if one.load_plan:
            sheet = beside.submit(mix_sheet_pdf, one, one.load_plan, result.field.name, result.units)
            printed[f"passes/{one.slug}/mix_sheet.pdf"] = sheet
    return {"map.html": map_page(result), **printed}


def fit_targets(plan: Plan, inputs: Inputs, grid: Grid) -> list[TargetSurface]:
    """Fit every target of a plan on the field grid."""
    names = slugs([target.name for target in plan.target], "target")
    setting = Setting(
        field=inputs.field,
        grid=grid,
        layers=inputs.layers,
        gps_error=plan.scouting.gps_error.to("m") if plan.scouting.gps_error else 0.0,
        heading=plan.machine.heading if plan.machine else None,
        seed=plan.output.seed,
    )
    return [
        fit_target(target, slug, inputs.observations, setting=setting)
        for target, slug in zip(plan.target, names, strict=True)
    ]


def _target_result(fitted: TargetSurface, inputs: Inputs, draws: Draws) -> TargetResult:
    target, model, surface = fitted.target, fitted.model, fitted.surface
    rows = [o for o in inputs.observations if o.target == target.name]
    return TargetResult(
        name=target.name,
        slug=fitted.slug,
        measure=target.measure,
        unit=target.unit,
        threshold=target.threshold,
        source=target.source,
        read=len(rows),
        used=sum(o.used for o in rows),
        mean=surface.grid.mean(surface.mean),
        p_over=draws.p_mean_over(target.name, target.threshold),
        model=model.model_,
        skill=model.skill_ if np.isfinite(model.skill_) else None,
        chance=model.chance_ if np.isfinite(model.chance_) else None,
        verdict=fitted.verdict,
        reason=model.reason_,
        surface=surface,
        covariates=model.covariates_,
        edge=_edge_level(fitted),
        evidence=target_evidence(fitted),
    )


def _edge_level(fitted: TargetSurface) -> EdgeLevel | None:
    if fitted.edge is None or fitted.target.edge is None:
        return None
    predictive = fitted.edge.predictive
    return EdgeLevel(
        width_m=fitted.target.edge.to("m"),
        stops=fitted.edge.stops,
        pressure=float(predictive.mean[0]),
        p_over=float(predictive.p_over(fitted.target.threshold)[0]),
    )


def _stake(plan: Plan, surface: TargetSurface, inputs: Inputs) -> Stake:
    """Say what a target puts at stake: its gates, and how far it spreads until the spray date."""
    target = surface.target
    earlier = [o for o in inputs.observations if o.target == target.name and o.why == OLDER_VISIT]
    newest = max((o.date for o in surface.observations if o.date), default=None)
    spread_m = 0.0
    if target.spread and newest and plan.field.spray_date:
        spread_m = target.spread.to("m/day") * max((plan.field.spray_date - newest).days, 0)
    return stake_of(surface, closed_gate(plan, target, surface.observations, earlier), spread_m=spread_m)


def _decide(
    plan: Plan, inputs: Inputs, options: Sequence[PassOption], surfaces: Sequence[TargetSurface], grid: Grid
) -> Decide:
    """Make the decision a function of what may change: options, stakes and the value of the yield."""
    machine = plan.machine
    grounds = {option.slug: _ground(inputs, option, grid, machine) for option in options} if machine else {}
    # A strip that edge stops decide differs from the rest of the field: that alone makes a map.
    mapped = frozenset(s.target.name for s in surfaces if s.verdict == "map" or s.edge is not None)

    def decide(options: Sequence[PassOption], stakes: Sequence[Stake], value_ha: float | None) -> list[PassDecision]:
        if machine is None:
            return []
        return decide_passes(options, stakes, grounds=grounds, machine=machine, mapped=mapped, value_ha=value_ha)

    return decide


def _ground(inputs: Inputs, option: PassOption, grid: Grid, machine: Machine) -> Ground:
    """Sprayable ground of a pass: outside keep-outs and what is skipped by hand; with what is treated by hand."""
    kept = kept_share(kept_ground(inputs.keep_outs, product_setback_m(option)), grid)
    drawn = [hand for hand in inputs.by_hand if hand.pass_name in (None, option.name)]
    skipped, treated = (
        sum((grid.covered(hand.ground) for hand in drawn if hand.action == action), np.zeros(grid.shape))
        for action in ("skip", "treat")
    )
    hand = treated if treated.any() else None
    return decision_ground(grid, kept + skipped, machine, outline=inputs.field.ground, by_hand=hand)


def _weigh(plan: Plan, field: Field, surfaces: Sequence[TargetSurface], grid: Grid) -> Callable[..., Money | None]:
    """Make the money a function of the decision; with drawn surfaces it has a range."""
    code = next((currency(product.cost.unit) for product in plan.product), None)
    walked = plan.scouting.cost.to(f"{code}/ha") * field.area_ha if code and plan.scouting.cost else 0.0

    def weigh(
        decisions: Sequence[PassDecision], stakes: Sequence[Stake], value_ha: float | None, draws: Draws | None = None
    ) -> Money | None:
        if code is None:
            return None
        return compare(
            decisions, stakes, surfaces, grid=grid, draws=draws, value_ha=value_ha, scouting=walked, currency=code
        )

    return weigh


def _zones(plan: Plan, stakes: Sequence[Stake], grid: Grid) -> Clusters:
    """Cluster on the expected loss of each target; memberships are smoothed over a swath."""
    swath = plan.machine.swath.to("m") if plan.machine else 0.0
    return make_zones(
        np.column_stack([stake.weight for stake in stakes]),
        grid,
        zones=plan.output.zones,
        smooth_m=max(2 * grid.cell, swath / 2),
        seed=plan.output.seed,
    )


def _passes(
    plan: Plan,
    inputs: Inputs,
    decisions: Sequence[PassDecision],
    ledger: Ledger,
    targets: Sequence[TargetResult],
) -> list[PassResult]:
    if plan.machine is None:
        return []
    bases = base_names([decision.option.slug for decision in decisions])
    measures = {target.name: target.measure for target in plan.target}
    passes = []
    for decision, base in zip(decisions, bases, strict=True):
        option = decision.option
        told = prescribe(
            decision,
            sprayed_around(kept_ground(inputs.keep_outs, product_setback_m(option))),
            ledger,
            machine=plan.machine,
            by_hand=[hand for hand in inputs.by_hand if hand.pass_name in (None, option.name)],
            asked=plan.check_strips,
            base=base,
        )
        _refuse_over_limits(plan, told)
        if decision.goes_out:
            dates = pass_dates(option.products, [measures[name] for name in option.control], plan.field.spray_date)
            passes.append(_with_loads(replace(told, dates=dates), option, plan, ledger.field))
        else:
            mine = [target for target in targets if target.name in option.control]
            look = next_look(mine, inputs.observations, next_crop=plan.field.next_crop)
            passes.append(replace(told, next_look=look))
    return passes


def _with_loads(told: PassResult, option: PassOption, plan: Plan, field: Field) -> PassResult:
    treated = treated_ground(told, field.frame)
    if not treated or plan.machine is None:
        return told
    try:
        loads = plan_loads(treated, option.products, machine=plan.machine, field=field)
    except InputError as error:  # a tank or a carrier that no load can have: the plan can mend it
        raise PlanError([f"{plan.path.name}: {line}" for line in error.faults]) from error
    return replace(told, load_plan=loads, loads=len(loads.loads))


def _refuse_over_limits(plan: Plan, told: PassResult) -> None:
    """Refuse a layer that the machine's terminal cannot hold whatever is simplified: the plan can mend it."""
    for caution in told.cautions:
        if caution.code == "over_limits":
            raise PlanError(f"{plan.path.name}: machine.limits: {caution.text}")
