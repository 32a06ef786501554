"""The run of `rxmap stops`: read, plan the first visit or weigh further stops, write, publish."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace as replaced
from pathlib import Path

from threadpoolctl import threadpool_limits

from rxmap.cautions import input_cautions
from rxmap.pipeline import Progress, check, decide_plan
from rxmap.plan import Plan, read_plan
from rxmap.read.inputs import read_inputs
from rxmap.scout.files import write_walk
from rxmap.scout.first import first_visit
from rxmap.scout.following import next_stops
from rxmap.scout.records import Walk
from rxmap.write.publish import refuse_unless_free, staged


def find_stops(
    plan_path: str | Path,
    out: str | Path,
    *,
    count: int | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Walk:
    """Say where to walk, and publish the folder that a scout takes along.

    Without a stops file it is the first visit; with one the further stops that would change the decision most.

    Parameters
    ----------
    plan_path : str or Path
        The plan file.
    out : str or Path
        Folder for the walk: absent, empty, or with `replace` an unchanged one of ours.
    count : int, optional
        Stops; by default what the targets ask for, or 5 further ones.
    replace : bool
        Whether an earlier walk may be replaced.
    progress : callable, optional
        Called with one line before each step.

    Raises
    ------
    InputError
        If the plan or a file has faults; nothing is written.
    OutputError
        If the folder cannot be written.
    """
    from rxmap.scout.sheet import walk_pdf  # here: drawing costs time that a refusal must not pay

    tell = progress or (lambda _: None)
    out = Path(out)
    tell("reading the plan and its files")
    plan = read_plan(plan_path)
    if is_first_visit(plan):
        inputs = read_inputs(plan, stops=False)
        files = _free(plan, [file.name for file in inputs.files], out, replace=replace)
        tell("laying out the first visit")
        with threadpool_limits(1):  # sums in another order are other sums
            walk = first_visit(plan, inputs, count=count)
    else:
        plan, inputs = check(plan_path)
        files = _free(plan, [file.name for file in inputs.files], out, replace=replace)
        tell("weighing further stops")
        with threadpool_limits(1):
            walk = next_stops(plan, inputs, *decide_plan(plan, inputs), count=count)
    # a first visit needs no product yet
    found = [one for one in input_cautions(plan, inputs) if one.code != "no_product"]
    walk = replaced(walk, cautions=tuple(dict.fromkeys((*found, *walk.cautions))))
    tell("writing and checking the files")
    with staged(out, replace=replace, inputs=files) as stage:
        write_walk(walk, stage, sheet=walk_pdf(walk))
    return walk


def is_first_visit(plan: Plan) -> bool:
    """Whether there is no stops file yet: the plan names none, or none of those it names is there."""
    return not any((plan.folder / name).exists() for name in plan.scouting.stops)


def _free(plan: Plan, names: Sequence[str], out: Path, *, replace: bool) -> list[Path]:
    """Refuse a folder before any work is done; return the files that it must not hold."""
    files = [plan.folder / name for name in names]
    refuse_unless_free(out, replace=replace, inputs=files)
    return files
