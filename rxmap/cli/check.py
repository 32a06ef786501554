"""`rxmap check PLAN`: read everything, report every problem at once, compute nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def check(plan_path: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan file.")]) -> None:
    """Read the plan and all its files and report every problem at once. Computes and writes nothing."""
    from rxmap.cautions import input_cautions
    from rxmap.cli.words import print_cautions
    from rxmap.pipeline import check as read_all
    from rxmap.show.text import area, counted, number, safe

    plan, inputs = read_all(plan_path)
    print(f"{safe(plan.field.name)}: {area(inputs.field.area_ha, plan.units)}")
    for target in plan.target:
        rows = [o for o in inputs.observations if o.target == target.name]
        asked = f"threshold {number(target.threshold)} {target.unit}"
        print(f"{safe(target.name)}: {asked}; {counted(len(rows), 'row')} read, {sum(o.used for o in rows)} used")
    print_cautions(input_cautions(plan, inputs))
    print("the plan and its files can be built")
